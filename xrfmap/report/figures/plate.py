"""Many maps on one page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.numbers import whole
from xrfmap.report import fields, style
from xrfmap.report.figures import furniture
from xrfmap.report.words import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plate_of_maps"]

_MOST = 800  # pixels along a side of one map among several: what a printer resolves


@style.house_style
def plate_of_maps(
    maps: xr.Dataset, lines: Sequence[str] | None = None, *, columns: int | None = None
) -> npt.NDArray[np.object_]:
    """Several maps on one page with a common scale bar.

    Parameters
    ----------
    maps : Dataset
        Element maps.
    lines : sequence of str, optional
        Families to show; all where not given.
    columns : int, optional
        Maps in a row; chosen from the shape of the scan where not given.

    Returns
    -------
    ndarray of Axes, shape (number of families,)
        All axes sit in one figure of 7.4 inches' width.
    """
    labels = list(lines) if lines is not None else fields.line_labels(maps)
    shape = fields.grid(maps)
    across = columns or max(1, min(4 if shape.aspect > 0.6 else 3, len(labels)))
    down = math.ceil(len(labels) / across)
    gap, left, top, foot = 0.18, 0.25, 0.2, 0.7
    width = (7.4 - 2 * left - gap * (across - 1)) / across
    height = width * min(max(shape.aspect, 1 / fields.STRIP), 2.5)
    cell = height + 0.72
    full = top + down * cell + foot
    figure = style.new_figure(7.4, full)
    drawn = []
    for index, line in enumerate(labels):
        row, column = divmod(index, across)
        x = left + column * (width + gap)
        y = full - top - row * cell - 0.25 - height
        ax = figure.add_axes((x / 7.4, y / full, width / 7.4, height / full))
        _plate_cell(ax, maps, line)
        drawn.append(ax)
    _plate_footer(figure, maps, shape, drawn[0] if drawn else None)
    return np.array(drawn, dtype=object)


def _plate_cell(ax: Axes, maps: xr.Dataset, line: str) -> None:
    shown = fields.field(maps, line)
    span = fields.stretch(shown.values)
    image = furniture.show(ax, shown, span, style.MASK, _MOST)
    ax.set_xticks([])
    ax.set_yticks([])
    ax.set_title(style.figure_text(line, 24), pad=3, fontsize=10.5)
    inset = ax.inset_axes((0, 0, 1, 0.035), transform=furniture.below(ax, 7))
    bar = ax.figure.colorbar(image, cax=inset, orientation="horizontal")
    bar.outline.set_visible(False)
    bar.set_ticks([span.low, span.high])
    bar.set_ticklabels([number(span.low), f"{number(span.high)} {shown.unit}"])
    low, high = inset.get_xticklabels()
    low.set_horizontalalignment("left")
    high.set_horizontalalignment("right")
    inset.tick_params(length=0, pad=2, labelsize=8)


def _plate_footer(figure: Any, maps: xr.Dataset, shape: fields.Grid, first: Axes | None) -> None:
    if first is None:
        return
    box = first.get_position()
    length = fields.nice_length(shape.x1 - shape.x0)
    wide = box.width * length / (shape.x1 - shape.x0)
    base = 0.38 / figure.get_figheight()
    from matplotlib.lines import Line2D

    figure.add_artist(
        Line2D([box.x0, box.x0 + wide], [base, base], color=style.INK, lw=2.4,
               solid_capstyle="butt")
    )  # fmt: skip
    figure.text(
        box.x0 + wide + 0.01, base, f"{number(length)} {shape.unit}, the same for all maps",
        va="center", fontsize=9,
    )  # fmt: skip
    bad = int(np.count_nonzero(bad_any(maps)))
    words = (
        f"Each map from its {fields.LOW_PERCENT:g} to its {fields.HIGH_PERCENT:g} percentile."
        + (f" Turquoise: no measurement ({whole(bad)} pixels)." if bad else "")
    )
    figure.text(box.x0, 0.12 / figure.get_figheight(), words, fontsize=8.2, color=style.MUTED)


def bad_any(maps: xr.Dataset) -> fields.Mask:
    """Pixels without measurement in the first family or by the fit's own word."""
    return fields.field(maps, fields.line_labels(maps)[0]).bad
