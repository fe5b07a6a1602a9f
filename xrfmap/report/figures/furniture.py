"""What every map has around it: axes in millimetres, scale bar, colour bar, legend of masks."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from xrfmap.report import fields, style
from xrfmap.report.pixels import coarsen
from xrfmap.report.words import number, whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.image import AxesImage

    from xrfmap.settings import Area

__all__ = [
    "aspect", "below", "coarse_words", "colour_bar", "draw_pixels", "drawn_step", "footer", "frame",
    "map_axes", "mask_swatch", "outline", "scale_bar", "show", "single_scale",
]  # fmt: skip

_SIDE, _TALL = 5.0, 6.0  # largest width and height of a single map [in]
_PAGE_SIDE, _PAGE_TALL = 3.3, 4.5
"""The same of a map on the page: the narrowest window (420 px) shows the figure in 390 px, and its
smallest type (8.2 points) in 9 px."""
_MOST = 1800  # pixels along a side: what a printer resolves over the height of a map


def map_axes(shape: fields.Grid, foot_in: float = 1.2, *, on_page: bool = False) -> Axes:
    """Axes for one map in a figure cut to its aspect; a narrower one for the page."""
    side, tall, beside = (_PAGE_SIDE, _PAGE_TALL, 1.6) if on_page else (_SIDE, _TALL, 1.75)
    width = min(side, tall / shape.aspect) if shape.aspect < fields.STRIP else 1.5
    height = max(width * shape.aspect, 0.8) if shape.aspect < fields.STRIP else tall
    full_w, full_h = max(width, _PAGE_SIDE) + beside, height + 0.5 + foot_in
    figure = style.new_figure(full_w, full_h)
    return figure.add_axes((0.7 / full_w, foot_in / full_h, width / full_w, height / full_h))


def single_scale(under_mask: str = style.MASK) -> Any:
    """Colour scale of single maps, with the colour of pixels that have no value."""
    from matplotlib.colors import ListedColormap

    return ListedColormap(style.map_lut() / 255.0, name="single map").with_extremes(bad=under_mask)


def aspect(shape: fields.Grid) -> Literal["equal", "auto"]:
    """Square millimetres, except for a strip that would shrink to a hair."""
    return "equal" if 1 / fields.STRIP < shape.aspect < fields.STRIP else "auto"


def drawn_step(shape: fields.Grid, most: int | None = None) -> int:
    """Pixels of the scan on a side of one that is drawn: a figure holds no more than show."""
    return -(-max(shape.rows, shape.columns) // (most or _MOST))


def coarse_words(shape: fields.Grid) -> list[str]:
    """Sentence for below a map where pixels are drawn together, else none."""
    step = drawn_step(shape)
    if step == 1:
        return []
    return [f"One pixel of this picture is the mean of {step} × {step}; the files hold all."]


def draw_pixels(
    ax: Axes, pixels: npt.NDArray[Any], shape: fields.Grid, step: int = 1, **options: Any
) -> AxesImage:
    """Draw pixels in a frame, y downward.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    pixels : ndarray, shape (rows, columns) or (rows, columns, 3 or 4)
        What :func:`xrfmap.report.pixels.coarsen` with `step` leaves of the scan's pixels.
    shape : Grid
        The scanned field.
    step : int
        Pixels of the scan on a side of one that is drawn.
    **options
        For ``imshow``.

    Returns
    -------
    AxesImage
        Cut at the edges of the field, which the last pixels may reach over.
    """
    wide = pixels.shape[1] * step / shape.columns * (shape.x1 - shape.x0)
    tall = pixels.shape[0] * step / shape.rows * (shape.y1 - shape.y0)
    image = ax.imshow(
        pixels,
        extent=(shape.x0, shape.x0 + wide, shape.y0 + tall, shape.y0),
        aspect=aspect(shape),
        interpolation="nearest",
        **options,
    )
    ax.set(xlim=(shape.x0, shape.x1), ylim=(shape.y1, shape.y0))
    for spine in ax.spines.values():
        spine.set_visible(True)
    return image


def show(
    ax: Axes, shown: fields.Field, span: fields.Stretch, blank: str, most: int | None = None
) -> AxesImage:
    """Draw a map; one with more than `most` pixels on a side as means over blocks."""
    step = drawn_step(shown.grid, most)
    values = coarsen(shown.values, step)
    scale = single_scale(blank)
    return draw_pixels(ax, values, shown.grid, step, cmap=scale, vmin=span.low, vmax=span.high)


def frame(ax: Axes, shape: fields.Grid, title: str) -> None:
    """Write the title, above the scale bar where both do not fit side by side, and the axes."""
    room = ax.get_window_extent().width * 72 / ax.figure.dpi * 0.75 - 40  # beside the bar
    ax.set_title(style.figure_text(title, 60), pad=9 if 5 * len(title) < room else 20)
    ax.set_xlabel(f"x [{shape.unit}]")
    ax.set_ylabel(f"y [{shape.unit}]")


def scale_bar(ax: Axes, shape: fields.Grid, lift: float = 7.0) -> None:
    """Bar above the right end of the map, clear of the picture itself."""
    length = fields.nice_length(shape.x1 - shape.x0)
    base = ax.get_xaxis_transform()
    from matplotlib.transforms import ScaledTranslation

    up = ScaledTranslation(0, lift / 72, ax.figure.dpi_scale_trans)
    ax.plot(
        [shape.x1 - length, shape.x1], [1, 1], color=style.INK, linewidth=2.4,
        solid_capstyle="butt", transform=base + up, clip_on=False, scalex=False, scaley=False,
    )  # fmt: skip
    ax.annotate(
        f"{number(length)} {shape.unit}", (shape.x1 - length, 1), xycoords=base,
        xytext=(-5, lift), textcoords="offset points", ha="right", va="center", fontsize=9,
    )  # fmt: skip


def colour_bar(ax: Axes, image: AxesImage, label: str) -> None:
    """Stand a colour bar beside the map; its pointed ends say that values go on."""
    inset = ax.inset_axes((1.03, 0.0, 0.035, 1.0))
    bar = ax.figure.colorbar(
        image, cax=inset, extend="both", extendfrac=0.02, format=style.tick_text
    )
    bar.outline.set_linewidth(0.6)
    bar.set_label(label)


def footer(ax: Axes, sentences: Sequence[str], swatches: Sequence[tuple[str, str]]) -> None:
    """Lines below the map, then the meaning of every colour outside the scale."""
    box = ax.get_window_extent()
    points = (ax.figure.bbox.x1 - box.x0) * 72 / ax.figure.dpi
    letters = min(110, max(40, int(points / 3.5)))  # points a letter of 8.2 in width, with some air
    drop = -38.0
    for line in (part for sentence in sentences for part in wrap(sentence, letters)):
        ax.annotate(
            style.figure_text(line, 110), (0, 0), xycoords="axes fraction", xytext=(0, drop),
            textcoords="offset points", fontsize=8.2, color=style.MUTED, va="top",
        )  # fmt: skip
        drop -= 11.5
    for colour, meaning in swatches:
        ax.annotate(
            "■", (0, 0), xycoords="axes fraction", xytext=(0, drop + 1.5),
            textcoords="offset points", fontsize=10, color=colour, va="top",
            fontfamily="DejaVu Sans",
        )  # fmt: skip
        ax.annotate(
            meaning, (0, 0), xycoords="axes fraction", xytext=(11, drop),
            textcoords="offset points", fontsize=8.2, color=style.MUTED, va="top",
        )  # fmt: skip
        drop -= 11.5


def mask_swatch(bad: fields.Mask) -> list[tuple[str, str]]:
    """Legend of the pixels without measurement, empty where there is none."""
    count = int(np.count_nonzero(bad))
    words = "1 pixel" if count == 1 else f"{whole(count)} pixels"
    return [(style.MASK, f"no measurement: {words}")] if count else []


def outline(ax: Axes, areas: Sequence[Area]) -> None:
    """Outlines of the study's polygons with their names."""
    for area in areas:
        if not area.polygon_mm:
            continue
        ring = np.array([*area.polygon_mm, area.polygon_mm[0]], dtype=float)
        ax.plot(*ring.T, color="black", linewidth=2.2, scalex=False, scaley=False)
        ax.plot(*ring.T, color="white", linewidth=0.9, scalex=False, scaley=False)
        left, top = ring[:-1].min(axis=0)
        edge, far = sorted(ax.get_ylim())
        within = top - edge < 0.1 * (far - edge)  # above it stands the scale bar
        ax.annotate(
            style.figure_text(area.name, 30), (left, top), xytext=(0, -2 if within else 2),
            textcoords="offset points", ha="left", va="top" if within else "bottom", fontsize=8.2,
            color="white", annotation_clip=True,
            bbox={"boxstyle": "square,pad=0.15", "facecolor": "black", "alpha": 0.6, "lw": 0},
        )  # fmt: skip


def below(ax: Axes, points: float) -> Any:
    """Transform of axes fractions, moved down by `points`."""
    from matplotlib.transforms import ScaledTranslation

    return ax.transAxes + ScaledTranslation(0, -points / 72, ax.figure.dpi_scale_trans)
