"""Up to three families as coloured light."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.report import fields, style
from xrfmap.report.figures import furniture
from xrfmap.report.pixels import coarsen
from xrfmap.report.words import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["composite_image", "composite_map"]


def composite_image(maps: xr.Dataset, lines: Sequence[str]) -> npt.NDArray[np.float64]:
    """Up to three families as light of three colours laid over each other.

    Parameters
    ----------
    maps : Dataset
        Element maps.
    lines : sequence of str
        One to three families, each stretched on its own.

    Returns
    -------
    ndarray, shape (y, x, 3)
        Red, green, blue from 0 to 1; the mask colour where any has no measurement.

    Raises
    ------
    ValueError
        If not one to three families are asked for.
    """
    if not 1 <= len(lines) <= 3:
        raise ValueError(f"a composite takes one to three families, found {len(lines)}")
    shown = [fields.field(maps, line) for line in lines]
    dark = np.ones((*shown[0].values.shape, 3))
    for one, ink in zip(shown, style.COMPOSITE_INKS, strict=False):
        span = fields.stretch(one.values)
        light = np.clip((one.values - span.low) / (span.high - span.low), 0, 1)
        light = np.nan_to_num(light)
        # "screen" rule: lights add and never clip, so a mixture stays a mixture
        for band, share in enumerate(style.rgb(ink)):  # one at a time: a third of the memory
            dark[..., band] *= 1 - light * share
    picture = np.subtract(1, dark, out=dark)
    picture[np.any([one.bad for one in shown], axis=0)] = style.rgb(style.MASK)
    return picture


@style.house_style
def composite_map(maps: xr.Dataset, lines: Sequence[str], *, ax: Axes | None = None) -> Axes:
    """Composite of up to three families in colours that stay apart for colour-blind eyes.

    Parameters
    ----------
    maps : Dataset
        Element maps.
    lines : sequence of str
        One to three families, shown in orange, blue-green and violet.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With scale bar and a legend that names every colour and its range.
    """
    from matplotlib.patches import Patch

    picture = composite_image(maps, lines)
    shape = fields.grid(maps)
    ax = furniture.map_axes(shape, foot_in=1.5) if ax is None else ax
    step = furniture.drawn_step(shape)
    light = np.stack([coarsen(picture[..., c], step) for c in range(3)], axis=-1)
    drawn = np.round(light * 255).astype(np.uint8)  # an eighth of the memory to draw
    furniture.draw_pixels(ax, drawn, shape, step)
    furniture.frame(ax, shape, " + ".join(lines))
    furniture.scale_bar(ax, shape)
    handles = []
    for line, ink in zip(lines, style.COMPOSITE_INKS, strict=False):
        one = fields.field(maps, line)
        span = fields.stretch(one.values)
        words = f"{line}: {number(span.low)} to {number(span.high)} {one.unit}"
        handles.append(Patch(facecolor=ink, label=style.figure_text(words)))
    ax.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0, 0), ncols=1, borderaxespad=0,
        bbox_transform=furniture.below(ax, 34), handlelength=1.0, handleheight=1.0,
    )  # fmt: skip
    bad = np.any([fields.field(maps, line).bad for line in lines], axis=0)
    _composite_footer(ax, shape, len(lines), bad)
    return ax


def _composite_footer(ax: Axes, shape: fields.Grid, families: int, bad: fields.Mask) -> None:
    words = [
        f"Each stretched between its percentiles {fields.LOW_PERCENT:g} and "
        f"{fields.HIGH_PERCENT:g}; equal colour is not equal amount."
    ]
    words += furniture.coarse_words(shape)
    words += [meaning.capitalize() + "." for _, meaning in furniture.mask_swatch(bad)]
    for index, sentence in enumerate(words):
        ax.annotate(
            sentence, (0, 0), xycoords="axes fraction",
            xytext=(0, -42 - 14.5 * families - 11.5 * index), textcoords="offset points",
            fontsize=8.2, color=style.MUTED, va="top",
        )  # fmt: skip
