"""Hidden design: what the visible picture leaves unexplained, with its sign and significance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from xrfmap.report import fields, style
from xrfmap.report.figures import furniture
from xrfmap.report.words import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["hidden_map"]

TITLES = {
    "unexplained": "more or less than the picture explains",
    "significance": "how sure that is",
    "joint": "All together: what the picture does not explain",
}
UNITS = {"unexplained": "net counts", "significance": "standard errors", "joint": "no unit"}
LABELS = {
    "unexplained": "difference [net counts]",
    "significance": "difference [standard errors]",
    "joint": "weighted difference [no unit]",
}


@style.house_style
def hidden_map(
    hidden: xr.Dataset, what: str, line: str | None = None, *, ax: Axes | None = None
) -> Axes:
    """Signed map of the unexplained part, of its significance, or of the joint picture.

    Parameters
    ----------
    hidden : Dataset
        From :func:`xrfmap.pictures.hidden.hidden_design`.
    what : str
        ``"unexplained"``, ``"significance"`` or ``"joint"``.
    line : str, optional
        Line family; not for the joint picture.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Orange where there is more than explained, violet where there is less, grey where
        nothing can be said.
    """
    shown = signed_field(hidden, what, line)
    finite = np.abs(shown.values[np.isfinite(shown.values)])
    top = float(np.quantile(finite, 0.995)) if finite.size else 1.0
    if what == "significance":  # all is sure beyond; a strong shape shall not make others pale
        top = min(top, 4 * float(hidden.attrs["level"]))
    ax = furniture.map_axes(shown.grid, foot_in=1.2, on_page=True) if ax is None else ax
    image = furniture.show(ax, shown, fields.Stretch(-max(top, 1e-9), max(top, 1e-9)), style.UNSURE)
    from matplotlib import colormaps

    image.set_cmap(colormaps["PuOr_r"].with_extremes(bad=style.UNSURE))
    title = TITLES[what] if line is None else f"{line}: {TITLES[what]}"
    furniture.frame(ax, shown.grid, title)
    furniture.scale_bar(ax, shown.grid)
    furniture.colour_bar(ax, image, LABELS[what])
    level, risk = number(float(hidden.attrs["level"])), 100 * float(hidden.attrs["risk"])
    said = {
        "unexplained": "Orange: more than places of like colour hold elsewhere; violet: less. "
        "Means over patches of a few points.",
        "significance": f"Orange: more; violet: less. The chance that noise alone goes beyond "
        f"{level} anywhere in the scan is {risk:g} %.",
        "joint": "Families that show shapes of their own, each with the weight that makes what "
        "they share stand out. What is orange and what violet stands in the text.",
    }
    swatch = [(style.UNSURE, "this colour occurs nowhere else: nothing can be said")]
    words = [said[what], *furniture.coarse_words(shown.grid)]
    furniture.footer(ax, words, swatch if shown.bad.any() else [])
    return ax


def signed_field(hidden: xr.Dataset, what: str, line: str | None = None) -> fields.Field:
    """Values of one picture of the result, upright."""
    values = hidden[what] if line is None else hidden[what].sel(line=line)
    return fields.Field(line or "joint", fields.upright(values), UNITS[what], fields.grid(hidden))
