"""Numbers that the page's own small programs draw: spectra and the light table of maps."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.report import style
from xrfmap.report.figures.spectra import left_out, mark_weight, shown_range
from xrfmap.report.marks import Mark, line_marks
from xrfmap.report.plates import Atlas
from xrfmap.settings import Study

__all__ = ["light_table_data", "spectra_data"]

Array = npt.NDArray[np.float64]


def _digits(values: Array, digits: int = 4) -> list[float | int | None]:
    """Numbers rounded to `digits` significant digits; whole ones as integers, NaN as None."""
    shown = [float(f"{v:.{digits}g}") if np.isfinite(v) else None for v in values.tolist()]
    return [int(v) if v is not None and v.is_integer() else v for v in shown]


def _trimmed(row: Array, least: float) -> tuple[int, list[float | int | None]]:
    """Start and values of the part of `row` that lies above `least`."""
    inside = np.flatnonzero(row > least)
    if inside.size == 0:
        return 0, []
    start, stop = int(inside[0]), int(inside[-1]) + 1
    return start, _digits(np.where(row[start:stop] > least, row[start:stop], 0.0))


def _visible(value: Any) -> Any:
    """Return the same with control characters made visible in every text."""
    if isinstance(value, str):
        # addresses of pictures are long, and ASCII by their making
        return value if value.startswith("data:image/") else style.visible_text(value)
    if isinstance(value, dict):
        return {key: _visible(held) for key, held in value.items()}
    if isinstance(value, list) and value and not isinstance(value[0], int | float):
        return [_visible(held) for held in value]
    return value


def _weighed(
    labels: list[str], energy: Array, measured: Array, parts: dict[str, Array] | None
) -> list[tuple[Mark, float]]:
    """Lines that are worth a name anywhere, with their worth."""
    pairs = [(m, mark_weight(m, energy, measured, parts, 0.5)) for m in line_marks(labels)]
    return [(mark, float(f"{weight:.3g}")) for mark, weight in pairs if weight > 0]


def _one(name: str, spectra: xr.Dataset, counts: str, *, fitted: bool) -> dict[str, Any]:
    energy = np.asarray(spectra["energy"].values, dtype=float)
    measured = np.asarray(spectra[counts].values, dtype=float)
    model = None
    if fitted and "model" in spectra:
        model = np.asarray(spectra["model"].values, dtype=float)
    labels = [str(c) for c in spectra["component"].values] if "component" in spectra.coords else []
    parts: list[dict[str, Any]] = []
    rows: dict[str, Array] | None = None
    if model is not None and "component_counts" in spectra:
        block = np.asarray(
            spectra["component_counts"].transpose("component", "channel").values, dtype=float
        )
        rows = dict(zip(labels, block, strict=True))
        for index, (label, row) in enumerate(rows.items()):
            start, values = _trimmed(row, 0.05)
            ink, dash = style.component_ink(index)
            parts.append({"label": label, "start": start, "values": values,
                          "ink": ink, "dash": " ".join(f"{d:g}" for d in dash)})  # fmt: skip
    low, high = shown_range(energy, measured, model)
    return {
        "name": name,
        "energy": _digits(energy, 7),
        "counts": _digits(measured, 6),
        "model": _digits(model) if model is not None else None,
        "full": _runs(left_out(spectra)) if model is not None else [],
        "parts": parts,
        "marks": [
            {"label": m.label, "family": m.family, "e": round(m.energy_kev, 4), "weight": weight}
            for m, weight in _weighed(labels, energy, measured, rows)
        ],
        "low": round(low, 3),
        "high": round(high, 3),
    }


def _runs(mask: npt.NDArray[np.bool_] | None) -> list[list[int]]:
    """First and last channel of each run of marked ones."""
    marked = np.flatnonzero(mask) if mask is not None else np.zeros(0, np.intp)
    cuts = np.flatnonzero(np.diff(marked) > 1) + 1
    return [[int(run[0]), int(run[-1])] for run in np.split(marked, cuts) if run.size]


def spectra_data(
    spectra: Mapping[str, xr.Dataset], points: Mapping[str, xr.Dataset]
) -> list[dict[str, Any]]:
    """All spectra of the study for the page.

    Parameters
    ----------
    spectra : mapping of str to Dataset
        Sum and maximum-pixel spectra of each scan with model and components.
    points : mapping of str to Dataset
        Point spectra by name, each with ``sum_counts`` (or ``counts``) over channel.

    Returns
    -------
    list of dict
        Plain numbers, ready for JSON.
    """
    found = []
    for name, held in spectra.items():
        found.append(_one(f"Sum of {name}", held, "sum_counts", fitted=True))
        if "max_pixel_counts" in held:
            highest = f"Maximum of any pixel of {name}"
            found.append(_one(highest, held, "max_pixel_counts", fitted=False))
    for name, point in points.items():
        counts = "sum_counts" if "sum_counts" in point else "counts"
        if counts in point and "energy" in point.coords:
            found.append(_one(f"Point {name}", point, counts, fitted=True))
    return [_visible(one) for one in found]


def light_table_data(atlas: Atlas, study: Study) -> dict[str, Any]:
    """Gather what the page needs to read values back from the pictures and to draw areas."""
    lut = ["#{:02x}{:02x}{:02x}".format(*row) for row in style.map_lut()]
    shape = atlas.grid
    data = {
        "lut": lut,
        "mask": style.MASK,
        "inks": list(style.COMPOSITE_INKS),
        "grid": {"x0": shape.x0, "x1": shape.x1, "y0": shape.y0, "y1": shape.y1,
                 "unit": shape.unit, "columns": atlas.columns, "rows": atlas.rows},
        "plates": [
            {"id": p.ident, "label": p.title, "low": p.low, "high": p.high, "unit": p.unit,
             "about": p.statement, "key": list(p.key), "above": p.above, "alt": p.alt}
            for p in (*atlas.elements, *atlas.quality)
        ],
        "areas": [
            {"name": area.name, "ring": [list(p) for p in area.polygon_mm]}
            for area in study.area if area.polygon_mm
        ],
        "points": [
            {"name": p.name or p.file, "x": p.x_mm, "y": p.y_mm}
            for p in study.point if p.x_mm is not None and p.y_mm is not None
        ],
    }  # fmt: skip
    return dict(_visible(data))
