"""Map of what lies above an element: bare, covered by how much, undecided."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from xrfmap.report import fields, style
from xrfmap.report.cover import block_words, state_of
from xrfmap.report.figures import furniture
from xrfmap.report.words import element_name, whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from xrfmap.settings import Area

__all__ = ["AT_SURFACE", "cover_map"]

AT_SURFACE = "#4f9dc4"  # a blue: no such hue in the scale of the covers, nor in grey
PERCENTILES = (5.0, 90.0)


@style.house_style
def cover_map(
    cover: xr.Dataset, element: str, *, ax: Axes | None = None, areas: Sequence[Area] = ()
) -> Axes:
    """Map of the cover over one element, by blocks of pixels.

    Parameters
    ----------
    cover : Dataset
        From :func:`xrfmap.depth.cover_maps.cover_maps`.
    element : str
        Symbol.
    ax : Axes, optional
        Where to draw.
    areas : sequence of Area, optional
        Areas of the study whose polygons are drawn.

    Returns
    -------
    Axes
        Thickness in the covering material where covered [um]; one blue where the element
        lies at the surface, grey where that cannot be told, white where it is not seen.
    """
    one, state = cover.sel(element=element), state_of(cover, element)
    um = fields.upright(one["cover_mg_cm2"]) * float(one["um_per_mg_cm2"])
    shape = fields.grid(cover)
    shown = fields.Field(element, np.where(state == 1, um, np.nan), "µm", shape)
    # few blocks, some with wide intervals: a single one must not set the scale
    span = fields.stretch(shown.values, *PERCENTILES)
    ax = furniture.map_axes(shape, foot_in=1.6, on_page=True) if ax is None else ax
    image = furniture.show(ax, shown, span, "#ffffff")
    over = np.zeros((*state.shape, 4))
    over[state == 0] = [*style.rgb(AT_SURFACE), 1.0]
    over[state == 2] = [*style.rgb(style.UNSURE), 1.0]
    ax.imshow(over, extent=shape.extent, aspect=furniture.aspect(shape), interpolation="nearest")
    furniture.frame(ax, shape, f"What lies above {element_name(element)}")
    furniture.scale_bar(ax, shape)
    covered = bool((state == 1).any())
    if covered:
        furniture.colour_bar(ax, image, f"cover [µm of {one['material'].values}]")
    furniture.outline(ax, areas)
    counts = {n: int((state == n).sum()) for n in (-1, 0, 2)}
    furniture.footer(
        ax,
        [
            f"{block_words(cover).split('. ')[0]}.",
            f"Colours of the scale: under a cover of that thickness. "
            f"{span.sentence.replace('measured pixels', 'covered blocks')}."
            if covered
            else "No block lies surely under a cover.",
        ],
        [
            (AT_SURFACE, f"at the surface: {whole(counts[0])} blocks"),
            (style.UNSURE, f"the lines do not tell: {whole(counts[2])} blocks"),
            ("#e8e4dc", f"not seen (white): {whole(counts[-1])} blocks"),
        ],
    )
    return ax
