"""A calibration as a record and as a picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.physics.lineshape import EnergyScale

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["calibration_record", "plot_calibration"]

Float = npt.NDArray[np.float64]

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
    from xrfmap.spectra.sums import sum_spectra

    counts = sum_spectra(data)["sum_counts"].values
    record = calibration_record(data)
    figure = _draw(data["energy"].values, counts, record["lines"])
    with atomic_write(Path(path)) as part:
        style.save_png(figure, part, dpi=150)
    return Path(path)


def _draw(energy: Float, counts: Float, lines: list[dict[str, Any]]) -> Figure:
    from xrfmap.report import style

    @style.house_style
    def draw() -> Figure:
        figure = style.new_figure(8.0, 5.4)
        top, bottom = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2], "hspace": 0.08, "top": 0.86}
        )
        high = 1.25 * max((line["energy_kev"] for line in lines), default=float(energy[-1]))
        left, right = max(0.0, float(energy[0])), min(float(energy[-1]), high)
        shown = counts[(energy >= left) & (energy <= right)]
        top.step(energy, np.maximum(counts, 0.5), where="mid", color=style.ACCENT, lw=0.8)
        top.set(yscale="log", ylabel="counts", xlim=(left, right))
        top.set_ylim(max(0.5, 0.7 * float(shown[shown > 0].min(initial=1e9))), None)
        bottom.set(ylabel="found minus table [eV]", xlabel="energy [keV]")
        bottom.axhline(0, color=style.MUTED, lw=0.6)
        _draw_distances(bottom, lines)
        _draw_names(top, lines, (left, right))
        return figure

    return draw()


def _draw_distances(axes: Axes, lines: list[dict[str, Any]]) -> None:
    from xrfmap.report import style

    for used in (True, False):
        chosen = [line for line in lines if bool(line["used"]) is used]
        if chosen:
            axes.errorbar(
                [line["energy_kev"] for line in chosen],
                [1000 * line["shift_kev"] for line in chosen],
                [1000 * line["err_kev"] for line in chosen],
                fmt="o" if used else "x",
                color=style.INK if used else style.MUTED,
                ms=4,
                lw=0.8,
                label="used" if used else "left out, off the scale",
            )
    if lines:
        axes.legend(loc="best")


def _draw_names(axes: Axes, lines: list[dict[str, Any]], span: tuple[float, float]) -> None:
    """Name each line above the plot, pushed aside where names would touch."""
    from xrfmap.report import style

    gap = 0.021 * (span[1] - span[0])  # the height of the letters, turned upright
    place = -np.inf
    for line in sorted(lines, key=lambda one: float(one["energy_kev"])):
        energy = float(line["energy_kev"])
        axes.axvline(energy, color=style.MUTED, lw=0.4, alpha=0.5)
        place = max(energy, place + gap)
        axes.annotate(
            style.figure_text(str(line["label"])),
            (energy, 1.0),
            xycoords=axes.get_xaxis_transform(),
            xytext=(place, 1.05),
            textcoords=axes.get_xaxis_transform(),
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=7.5,
            arrowprops={"arrowstyle": "-", "lw": 0.4, "color": style.MUTED, "shrinkB": 0},
        )
