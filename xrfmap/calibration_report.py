"""A calibration as a record and as a picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from xrfmap.lineshape import EnergyScale

__all__ = ["calibration_record", "plot_calibration"]

MN_KA_KEV = 5.895
"""Mn K-alpha, where widths of detectors are compared (mean of the doublet)."""


def calibration_record(data: xr.Dataset) -> dict[str, Any]:
    """Energy scale of calibrated data as plain values.

    Parameters
    ----------
    data : Dataset
        From :func:`xrfmap.calibrate`.

    Returns
    -------
    dict
        `zero_kev`, `kev_per_channel`, `noise_kev` (FWHM), `fano`, each with ``_err``
        (standard error); `fwhm_mn_ka_kev`; `because`; `lines`, each with its distance
        from the scale.
    """
    scale = EnergyScale.from_attrs(data.attrs)
    lines = json.loads(str(data.attrs.get("calibration_lines", "[]")))
    return {
        "file": data.attrs.get("source", ""),
        "sha256": data.attrs.get("source_sha256", ""),
        **scale.to_attrs(),
        "fwhm_mn_ka_kev": float(scale.fwhm(MN_KA_KEV)),
        "because": str(data.attrs.get("calibration_because", "")),
        "lines": lines,
    }


def plot_calibration(data: xr.Dataset, path: Path) -> Path:
    """Plot the summed spectrum on its scale, and each line's distance from the scale.

    Parameters
    ----------
    data : Dataset
        From :func:`xrfmap.calibrate`.
    path : Path
        PNG to write.

    Returns
    -------
    Path
        The file.
    """
    from xrfmap.io.results import atomic_write
    from xrfmap.report import style
    from xrfmap.sums import sum_spectra

    counts = sum_spectra(data)["sum_counts"].values
    record = calibration_record(data)
    figure = _draw(data["energy"].values, counts, record["lines"])
    with atomic_write(Path(path)) as part:
        style.save_png(figure, part, dpi=150)
    return Path(path)


def _draw(energy: Any, counts: Any, lines: list[dict[str, Any]]) -> Any:
    from xrfmap.report import style

    @style.house_style
    def draw() -> Any:
        figure = style.new_figure(8.0, 5.0)
        top, bottom = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2], "hspace": 0.08}
        )
        top.step(energy, np.maximum(counts, 0.5), where="mid", color=style.ACCENT, lw=0.8)
        top.set_yscale("log")
        top.set_ylabel("counts")
        bottom.axhline(0, color=style.MUTED, lw=0.6)
        for used in (True, False):
            chosen = [line for line in lines if bool(line["used"]) is used]
            bottom.errorbar(
                [line["energy_kev"] for line in chosen],
                [1000 * line["shift_kev"] for line in chosen],
                [1000 * line["err_kev"] for line in chosen],
                fmt="o" if used else "x",
                color=style.INK if used else style.MUTED,
                ms=4,
                lw=0.8,
                label="used" if used else "left out",
            )
        for line in lines:
            top.axvline(line["energy_kev"], color=style.MUTED, lw=0.4, alpha=0.5)
            bottom.annotate(
                style.figure_text(str(line["label"])),
                (line["energy_kev"], 1000 * line["shift_kev"]),
                textcoords="offset points",
                xytext=(4, 4),
                fontsize=7,
            )
        bottom.set_ylabel("found minus table [eV]")
        bottom.set_xlabel("energy [keV]")
        if lines:
            bottom.legend(loc="upper right")
            high = max(line["energy_kev"] for line in lines)
            top.set_xlim(max(0.0, float(energy[0])), min(float(energy[-1]), 1.25 * high))
        return figure

    return draw()
