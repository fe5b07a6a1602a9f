"""Radiographs: the simulated one, a given one on the same points, and where they part."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from xrfmap.report import fields, style
from xrfmap.report.figures import furniture

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["radiograph_field", "radiograph_map"]

TITLES = {
    "opacity": "Radiograph simulated from the elements",
    "given": "Given radiograph on the points of the scan",
    "difference": "Given radiograph against the simulated one",
}
UNITS = {"opacity": "decades", "given": "1", "difference": "spreads"}
LABELS = {
    "opacity": "opacity [powers of ten]",
    "given": "grey of the picture, 0 to 1",
    "difference": "difference [times the usual one]",
}


def radiograph_field(held: xr.Dataset, what: str) -> fields.Field:
    """Values of one picture, upright."""
    return fields.Field(what, fields.upright(held[what]), UNITS[what], fields.grid(held))


@style.house_style
def radiograph_map(held: xr.Dataset, what: str, *, ax: Axes | None = None) -> Axes:
    """Picture of a radiograph, or of the difference of two.

    Parameters
    ----------
    held : Dataset
        From :func:`xrfmap.pictures.radiograph.simulated_radiograph`; for ``"given"`` and
        ``"difference"`` from :func:`xrfmap.pictures.radiograph_compare.compare_radiographs`.
    what : str
        ``"opacity"``, ``"given"`` or ``"difference"``.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Opacity and grey from black to white, light where more is absorbed or as the picture
        came; the difference orange where the given one absorbs more, violet where less.
    """
    from matplotlib import colormaps

    shown = radiograph_field(held, what)
    ax = furniture.map_axes(shown.grid, foot_in=1.2, on_page=True) if ax is None else ax
    if what == "difference":
        finite = np.abs(shown.values[np.isfinite(shown.values)])
        top = max(float(np.quantile(finite, 0.995)) if finite.size else 1.0, 1e-9)
        span, scale = fields.Stretch(-top, top), "PuOr_r"
        words = "Orange: the given one absorbs more; violet: less. White: no more than misplaced "
        words += "edges could do."
    else:
        span, scale = fields.stretch(shown.values), "gray"
        words = f"{span.sentence}."
    if what == "opacity":
        words = f"Light: absorbs more; 1 lets a tenth through, 2 a hundredth. {words}"
    image = furniture.show(ax, shown, span, style.UNSURE)
    image.set_cmap(colormaps[scale].with_extremes(bad=style.UNSURE))
    furniture.frame(ax, shown.grid, TITLES[what])
    furniture.scale_bar(ax, shown.grid)
    furniture.colour_bar(ax, image, LABELS[what])
    missing = [(style.UNSURE, "not measured, or beyond the picture")] if shown.bad.any() else []
    furniture.footer(ax, [words, *furniture.coarse_words(shown.grid)], missing)
    return ax
