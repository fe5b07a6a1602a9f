"""Maps: one element, the quality of the measurement, a ratio of two families."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from xrfmap.report import fields, style
from xrfmap.report.figures import furniture
from xrfmap.report.marks import family_of
from xrfmap.report.pixels import coarsen
from xrfmap.report.words import element_name, number, share, whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from xrfmap.settings import Area

__all__ = [
    "element_map",
    "quality_map",
    "ratio_map",
]

QUALITY = {
    "total_counts": ("All counts", "counts"),
    "deviance_per_dof": ("Deviance per degree of freedom", ""),
    "live_time": ("Live time", "s"),
    "beam": ("Strength of the beam", "of the usual one"),
}


@style.house_style
def element_map(
    maps: xr.Dataset,
    line: str,
    *,
    ax: Axes | None = None,
    areas: Sequence[Area] = (),
    percentiles: tuple[float, float] = (fields.LOW_PERCENT, fields.HIGH_PERCENT),
) -> Axes:
    """Map of one line family with scale bar, colour bar, stretch, limit and mask.

    Parameters
    ----------
    maps : Dataset
        Element maps, dims line, y, x.
    line : str
        Label of the family, ``"Pb L"``.
    ax : Axes, optional
        Where to draw.
    areas : sequence of Area, optional
        Areas of the study whose polygons are drawn.
    percentiles : tuple of float
        Percentiles of the measured pixels shown as darkest and lightest.

    Returns
    -------
    Axes
        Net counts per second (counts where no live time is known), y downward; divided by
        the strength of the beam where that wavered.

    Raises
    ------
    InputError
        If the Dataset does not hold that family.
    """
    shown = fields.field(maps, line)
    span = fields.stretch(shown.values, *percentiles)
    ax = furniture.map_axes(shown.grid) if ax is None else ax
    image = furniture.show(ax, shown, span, style.MASK)
    pair = family_of(line)
    furniture.frame(ax, shown.grid, f"{line}, {element_name(pair[0])}" if pair else line)
    furniture.scale_bar(ax, shown.grid)
    furniture.colour_bar(ax, image, f"net counts [{shown.unit}]")
    furniture.outline(ax, areas)
    found = fields.limits(maps, line)
    furniture.footer(
        ax,
        [
            f"{span.sentence}.",
            f"Detection limit {number(found.limit)} {found.unit} (median over pixels); "
            f"{share(found.share)} of pixels above the decision threshold.",
            *filter(None, [fields.beam_words(maps)]),
            *furniture.coarse_words(shown.grid),
        ],
        furniture.mask_swatch(shown.bad),
    )
    return ax


@style.house_style
def quality_map(maps: xr.Dataset, name: str, *, ax: Axes | None = None) -> Axes:
    """Map of ``total_counts``, ``deviance_per_dof``, ``live_time`` or ``beam``.

    Parameters
    ----------
    maps : Dataset
        Element maps, dims y, x for the variable asked for.
    name : str
        Variable to show.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With scale bar, colour bar and mask.
    """
    title, unit = QUALITY[name]
    shown = fields.scalar_field(maps, name, title, unit)
    span = fields.stretch(shown.values)
    ax = furniture.map_axes(shown.grid) if ax is None else ax
    image = furniture.show(ax, shown, span, style.MASK)
    furniture.frame(ax, shown.grid, title)
    furniture.scale_bar(ax, shown.grid)
    furniture.colour_bar(
        ax, image, f"{title.lower()} [{shown.unit}]" if shown.unit else title.lower()
    )
    words = [f"{span.sentence}.", *furniture.coarse_words(shown.grid)]
    furniture.footer(ax, words, furniture.mask_swatch(shown.bad))
    return ax


@style.house_style
def ratio_map(maps: xr.Dataset, top: str, bottom: str, *, ax: Axes | None = None) -> Axes:
    """Ratio of two line families, only where both exceed their detection limits.

    Parameters
    ----------
    maps : Dataset
        Element maps, dims line, y, x.
    top, bottom : str
        Labels of the two families.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        The ratio; grey where one of the two is not above its limit.
    """
    shown = fields.ratio(maps, top, bottom)
    span = fields.stretch(shown.values)
    ax = furniture.map_axes(shown.grid) if ax is None else ax
    image = furniture.show(ax, shown, span, style.UNSURE)
    bad = fields.field(maps, top).bad | fields.field(maps, bottom).bad
    step = furniture.drawn_step(shown.grid)
    mostly = coarsen(bad.astype(float), step) >= 0.5
    over = np.zeros((*mostly.shape, 4), np.uint8)
    over[mostly] = [*np.round(style.rgb(style.MASK) * 255), 255]
    furniture.draw_pixels(ax, over, shown.grid, step)
    furniture.frame(ax, shown.grid, f"{top} divided by {bottom}")
    furniture.scale_bar(ax, shown.grid)
    furniture.colour_bar(ax, image, "ratio of net counts")
    unsure = int(np.count_nonzero(shown.bad & ~bad))
    grey = [(style.UNSURE, f"one of the two not above its detection limit: {whole(unsure)} pixels")]
    words = [f"{span.sentence}.", *furniture.coarse_words(shown.grid)]
    furniture.footer(ax, words, (grey if unsure else []) + furniture.mask_swatch(bad))
    return ax
