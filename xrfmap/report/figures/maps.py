"""Maps: one element, a plate of them, a ratio, a composite of up to three."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.report import fields, style
from xrfmap.report.words import number, share

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.image import AxesImage

    from xrfmap.settings import Area

__all__ = [
    "composite_image",
    "composite_map",
    "element_map",
    "plate_of_maps",
    "quality_map",
    "ratio_map",
]

QUALITY = {
    "total_counts": ("All counts", "counts"),
    "deviance_per_dof": ("Deviance per degree of freedom", ""),
    "live_time": ("Live time", "s"),
}
_SIDE, _TALL = 5.0, 6.0  # largest width and height of a single map [in]


def _map_axes(shape: fields.Grid, foot_in: float = 1.05) -> Axes:
    """Axes for one map in a figure cut to its aspect."""
    width = min(_SIDE, _TALL / shape.aspect) if shape.aspect < fields.STRIP else 1.5
    height = max(width * shape.aspect, 0.8) if shape.aspect < fields.STRIP else _TALL
    full_w, full_h = max(width, 3.4) + 1.75, height + 0.5 + foot_in
    figure = style.new_figure(full_w, full_h)
    return figure.add_axes((0.7 / full_w, foot_in / full_h, width / full_w, height / full_h))


def _cmap(under_mask: str = style.MASK) -> Any:
    from matplotlib.colors import ListedColormap

    return ListedColormap(style.map_lut() / 255.0, name="single map").with_extremes(bad=under_mask)


def _aspect(shape: fields.Grid) -> Literal["equal", "auto"]:
    return "equal" if 1 / fields.STRIP < shape.aspect < fields.STRIP else "auto"


def _show(ax: Axes, shown: fields.Field, span: fields.Stretch, blank: str) -> AxesImage:
    image = ax.imshow(
        shown.values,
        extent=shown.grid.extent,
        cmap=_cmap(blank),
        vmin=span.low,
        vmax=span.high,
        interpolation="nearest",
        aspect=_aspect(shown.grid),
    )
    for spine in ax.spines.values():
        spine.set_visible(True)
    return image


def _frame(ax: Axes, shape: fields.Grid, title: str) -> None:
    ax.set_title(style.figure_text(title, 60), pad=9)
    ax.set_xlabel(f"x [{shape.unit}]")
    ax.set_ylabel(f"y [{shape.unit}]")


def _scale_bar(ax: Axes, shape: fields.Grid, lift: float = 7.0) -> None:
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


def _colour_bar(ax: Axes, image: AxesImage, label: str) -> None:
    inset = ax.inset_axes((1.03, 0.0, 0.035, 1.0))
    bar = ax.figure.colorbar(image, cax=inset, extend="both", extendfrac=0.02)
    bar.outline.set_linewidth(0.6)
    bar.set_label(label)


def _footer(ax: Axes, sentences: Sequence[str], swatches: Sequence[tuple[str, str]]) -> None:
    """Lines below the map, then the meaning of every colour outside the scale."""
    drop = -38.0
    for sentence in sentences:
        ax.annotate(
            style.figure_text(sentence, 110), (0, 0), xycoords="axes fraction", xytext=(0, drop),
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


def _mask_swatch(bad: fields.Mask) -> list[tuple[str, str]]:
    count = int(np.count_nonzero(bad))
    words = "1 pixel" if count == 1 else f"{count} pixels"
    return [(style.MASK, f"no measurement: {words}")] if count else []


def _outline(ax: Axes, areas: Sequence[Area]) -> None:
    """Outlines of the study's polygons with their names."""
    for area in areas:
        if not area.polygon_mm:
            continue
        ring = np.array([*area.polygon_mm, area.polygon_mm[0]], dtype=float)
        ax.plot(*ring.T, color="black", linewidth=2.2, scalex=False, scaley=False)
        ax.plot(*ring.T, color="white", linewidth=0.9, scalex=False, scaley=False)
        ax.annotate(
            style.figure_text(area.name, 30), ring[:-1].mean(axis=0), ha="center", va="center",
            fontsize=8, color="white", annotation_clip=True,
            bbox={"boxstyle": "square,pad=0.15", "facecolor": "black", "alpha": 0.6, "lw": 0},
        )  # fmt: skip


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
        Net counts per second (counts where no live time is known), y downward.

    Raises
    ------
    InputError
        If the Dataset does not hold that family.
    """
    shown = fields.field(maps, line)
    span = fields.stretch(shown.values, *percentiles)
    ax = _map_axes(shown.grid) if ax is None else ax
    image = _show(ax, shown, span, style.MASK)
    _frame(ax, shown.grid, line)
    _scale_bar(ax, shown.grid)
    _colour_bar(ax, image, f"net counts [{shown.unit}]")
    _outline(ax, areas)
    found = fields.limits(maps, line)
    _footer(
        ax,
        [
            f"{span.sentence}.",
            f"Detection limit {number(found.limit)} {found.unit} (median over pixels); "
            f"{share(found.share)} of pixels above the decision threshold.",
        ],
        _mask_swatch(shown.bad),
    )
    return ax


@style.house_style
def quality_map(maps: xr.Dataset, name: str, *, ax: Axes | None = None) -> Axes:
    """Map of ``total_counts``, ``deviance_per_dof`` or ``live_time``.

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
    ax = _map_axes(shown.grid) if ax is None else ax
    image = _show(ax, shown, span, style.MASK)
    _frame(ax, shown.grid, title)
    _scale_bar(ax, shown.grid)
    _colour_bar(ax, image, f"{title.lower()} [{shown.unit}]" if shown.unit else title.lower())
    _footer(ax, [f"{span.sentence}."], _mask_swatch(shown.bad))
    return ax


@style.house_style
def ratio_map(maps: xr.Dataset, top: str, bottom: str, *, ax: Axes | None = None) -> Axes:
    """Ratio of two line families, only where both exceed their decision thresholds.

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
        The ratio; grey where one of the two is not above its threshold.
    """
    shown = fields.ratio(maps, top, bottom)
    span = fields.stretch(shown.values)
    ax = _map_axes(shown.grid) if ax is None else ax
    image = _show(ax, shown, span, style.UNSURE)
    bad = fields.field(maps, top).bad | fields.field(maps, bottom).bad
    over = np.zeros((*bad.shape, 4))
    over[bad] = [*style.rgb(style.MASK), 1.0]
    ax.imshow(over, extent=shown.grid.extent, aspect=_aspect(shown.grid))
    _frame(ax, shown.grid, f"{top} divided by {bottom}")
    _scale_bar(ax, shown.grid)
    _colour_bar(ax, image, "ratio of net counts")
    unsure = int(np.count_nonzero(shown.bad & ~bad))
    grey = [(style.UNSURE, f"one of the two not above its decision threshold: {unsure} pixels")]
    _footer(ax, [f"{span.sentence}."], (grey if unsure else []) + _mask_swatch(bad))
    return ax


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
        # "screen" rule: lights add and never clip, so a mixture stays a mixture
        dark *= 1 - np.nan_to_num(light)[..., None] * style.rgb(ink)
    bad = np.any([one.bad for one in shown], axis=0)
    return np.where(bad[..., None], style.rgb(style.MASK), 1 - dark)


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
    ax = _map_axes(shape, foot_in=1.5) if ax is None else ax
    ax.imshow(picture, extent=shape.extent, aspect=_aspect(shape))
    for spine in ax.spines.values():
        spine.set_visible(True)
    _frame(ax, shape, " + ".join(lines))
    _scale_bar(ax, shape)
    handles = []
    for line, ink in zip(lines, style.COMPOSITE_INKS, strict=False):
        one = fields.field(maps, line)
        span = fields.stretch(one.values)
        words = f"{line}: {number(span.low)} to {number(span.high)} {one.unit}"
        handles.append(Patch(facecolor=ink, label=style.figure_text(words)))
    ax.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0, 0), ncols=1, borderaxespad=0,
        bbox_transform=_below(ax, 34), handlelength=1.0, handleheight=1.0,
    )  # fmt: skip
    bad = np.any([fields.field(maps, line).bad for line in lines], axis=0)
    _composite_footer(ax, len(lines), bad)
    return ax


def _below(ax: Axes, points: float) -> Any:
    from matplotlib.transforms import ScaledTranslation

    return ax.transAxes + ScaledTranslation(0, -points / 72, ax.figure.dpi_scale_trans)


def _composite_footer(ax: Axes, families: int, bad: fields.Mask) -> None:
    words = [
        f"Each stretched from its {fields.LOW_PERCENT:g} to its {fields.HIGH_PERCENT:g} "
        "percentile; equal colour is not equal amount."
    ]
    words += [meaning.capitalize() + "." for _, meaning in _mask_swatch(bad)]
    for index, sentence in enumerate(words):
        ax.annotate(
            sentence, (0, 0), xycoords="axes fraction",
            xytext=(0, -42 - 14.5 * families - 11.5 * index), textcoords="offset points",
            fontsize=8.2, color=style.MUTED, va="top",
        )  # fmt: skip


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
    image = _show(ax, shown, span, style.MASK)
    ax.set_xticks([])
    ax.set_yticks([])
    ax.set_title(style.figure_text(line, 24), pad=3, fontsize=10.5)
    inset = ax.inset_axes((0, 0, 1, 0.035), transform=_below(ax, 7))
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
        + (f" Turquoise: no measurement ({bad} pixels)." if bad else "")
    )
    figure.text(box.x0, 0.12 / figure.get_figheight(), words, fontsize=8.2, color=style.MUTED)


def bad_any(maps: xr.Dataset) -> fields.Mask:
    """Pixels without measurement in the first family or by the fit's own word."""
    return fields.field(maps, fields.line_labels(maps)[0]).bad
