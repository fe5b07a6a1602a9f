"""Pictures of areas as wholes: automatic areas in colours and numbers, seams of stitched scans."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import distance_transform_edt

from xrfmap.report import fields, style
from xrfmap.report.figures import furniture
from xrfmap.report.figures.maps import element_map
from xrfmap.report.words import share

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["group_map", "seam_map"]

Array = npt.NDArray[np.float64]


def _place(mask: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Pixel deepest inside a group, where its number is best read."""
    depth = distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    row, column = np.unravel_index(int(np.argmax(depth)), mask.shape)
    return int(row), int(column)


def _centre(shape: fields.Grid, row: int, column: int) -> tuple[float, float]:
    x = shape.x0 + (column + 0.5) * (shape.x1 - shape.x0) / shape.columns
    return x, shape.y0 + (row + 0.5) * (shape.y1 - shape.y0) / shape.rows


@style.house_style
def group_map(maps: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Automatic areas, each with its colour and its number.

    Parameters
    ----------
    maps : Dataset
        Element maps with `automatic_area` (y, x): 1 for the largest and so on, 0 for none.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With scale bar and a legend. Twelve colours cannot all be told apart by colour-blind
        eyes, so that the numbers in the picture carry the meaning.
    """
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    labels = fields.upright(maps["automatic_area"]).astype(int)
    shape = fields.grid(maps)
    ax = furniture.map_axes(shape, foot_in=1.6, on_page=True) if ax is None else ax
    count = int(labels.max())
    colours = ListedColormap([style.MASK, *style.AREA_INKS[:count]])
    step = furniture.drawn_step(shape)
    # one pixel of each block: there is no mean of two areas
    furniture.draw_pixels(
        ax, labels[::step, ::step], shape, step, cmap=colours, vmin=-0.5, vmax=count + 0.5
    )
    furniture.frame(ax, shape, "Automatic areas")
    furniture.scale_bar(ax, shape)
    handles = []
    for number in range(1, count + 1):
        mask = labels == number
        ink = style.AREA_INKS[number - 1]
        handles.append(Patch(facecolor=ink, label=f"{number}: {share(float(mask.mean()))}"))
        if not mask.any():
            continue
        ax.annotate(
            str(number), _centre(shape, *_place(mask)), ha="center", va="center", fontsize=9,
            color="white", bbox={"boxstyle": "circle,pad=0.15", "facecolor": "black", "lw": 0},
        )  # fmt: skip
    if (labels == 0).any():
        handles.append(Patch(facecolor=style.MASK, label="no measurement"))
    ax.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0, 0), ncols=3, borderaxespad=0,
        bbox_transform=furniture.below(ax, 34), handlelength=1.0, handleheight=1.0,
        columnspacing=1.2,
    )  # fmt: skip
    return ax


@style.house_style
def seam_map(maps: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Strongest family of stitched scans with the seams and the names of the scans.

    Parameters
    ----------
    maps : Dataset
        From :func:`xrfmap.maps.stitch.stitch`, with `tile` (y, x).
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        The map; a white line on black runs along each seam.
    """
    lines = fields.line_labels(maps)
    totals = [float(np.nansum(fields.field(maps, line).values)) for line in lines]
    shape = fields.grid(maps)
    ax = furniture.map_axes(shape, foot_in=1.6, on_page=True) if ax is None else ax
    ax = element_map(maps, lines[int(np.argmax(totals))], ax=ax)
    tile = fields.upright(maps["tile"]).astype(int)
    for width, ink in ((2.2, "black"), (0.9, "white")):
        _draw_seams(ax, tile, shape, width, ink)
    names = [p["name"] for p in json.loads(str(maps.attrs.get("stitched_from", "[]")))]
    for number, name in enumerate(names):
        mask = tile == number
        if mask.any():
            ax.annotate(
                style.figure_text(name, 24), _centre(shape, *_place(mask)), ha="center",
                va="center", fontsize=8.2, color="white",
                bbox={"boxstyle": "square,pad=0.15", "facecolor": "black", "alpha": 0.6, "lw": 0},
            )  # fmt: skip
    return ax


def _draw_seams(
    ax: Axes, tile: npt.NDArray[np.int_], shape: fields.Grid, width: float, ink: str
) -> None:
    from matplotlib.collections import LineCollection

    step_x = (shape.x1 - shape.x0) / shape.columns
    step_y = (shape.y1 - shape.y0) / shape.rows
    parts: list[list[tuple[float, float]]] = []
    for row, column in np.argwhere(tile[:, 1:] != tile[:, :-1]).tolist():
        x, y = shape.x0 + (column + 1) * step_x, shape.y0 + row * step_y
        parts.append([(x, y), (x, y + step_y)])
    for row, column in np.argwhere(tile[1:] != tile[:-1]).tolist():
        x, y = shape.x0 + column * step_x, shape.y0 + (row + 1) * step_y
        parts.append([(x, y), (x + step_x, y)])
    ax.add_collection(LineCollection(parts, colors=ink, linewidths=width), autolim=False)
