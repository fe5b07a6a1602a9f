"""Spectrum with fit and named lines; scatter of two elements."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import binary_dilation

from xrfmap.errors import InputError
from xrfmap.numbers import whole
from xrfmap.report import fields, style
from xrfmap.report.figures import furniture
from xrfmap.report.marks import Mark, legible, line_marks, spread

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["element_scatter", "fitted_spectrum", "left_out", "mark_weight", "shown_range"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
_PER_AREA = 600  # points drawn of one area; more would hide the others
_FEW = 4000  # more points than this are shown as a density
_ENOUGH = 500_000  # pixels that tell a density; of more, one in so many is taken


def shown_range(energy: Array, counts: Array, model: Array | None = None) -> tuple[float, float]:
    """Energies worth showing: where the model speaks, else where there are counts [keV]."""
    # the model is NaN outside the fitted range
    speaks = np.nan_to_num(model if model is not None and np.any(model > 0) else counts)
    # below a count in 200 000 of the highest channel the log scale only shows noise
    inside = np.flatnonzero((speaks > max(0.3, 5e-6 * float(speaks.max()))) & (energy > 0))
    if inside.size == 0:
        return float(energy[0]), float(energy[-1])
    low, high = float(energy[inside[0]]) - 0.2, float(energy[inside[-1]]) + 0.2
    return max(0.0, low), min(high, float(energy[-1]))


def left_out(spectra: xr.Dataset) -> Mask | None:
    """Channels that the fit left out, since they ran full; None where it used all of them."""
    if "left_out" not in spectra:
        return None
    return np.asarray(spectra["left_out"].values, dtype=bool)


def _values(spectra: xr.Dataset, name: str) -> Array | None:
    return np.asarray(spectra[name].values, dtype=float) if name in spectra else None


def _components(spectra: xr.Dataset) -> list[tuple[str, Array]]:
    if "component_counts" not in spectra:
        return []
    block = spectra["component_counts"].transpose("component", "channel")
    rows = np.asarray(block.values, dtype=float)
    return list(zip((str(c) for c in spectra["component"].values), rows, strict=True))


@style.house_style
def fitted_spectrum(
    spectra: xr.Dataset,
    *,
    counts: str = "sum_counts",
    components: bool | Sequence[str] = True,
    name_lines: bool = True,
    energy_range: tuple[float, float] | None = None,
    title: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Spectrum on a log scale with its fit, the parts of the fit, and named lines.

    Parameters
    ----------
    spectra : Dataset
        Dims channel, component; coordinate ``energy`` [keV]; the variable named by
        `counts`, and where there is a fit ``model`` and ``component_counts``. Channels that
        the fit left out (``left_out``) are underlaid with grey.
    counts : str
        Variable to show as measured counts.
    components : bool or sequence of str
        All parts of the fit, none, or those named.
    name_lines : bool
        Write the names of the lines above their peaks.
    energy_range : tuple of float, optional
        Energies shown [keV]; the fitted range where not given.
    title : str
        Title.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Counts per channel over energy [keV].

    Raises
    ------
    InputError
        If the Dataset has no such variable or no energy scale.
    """
    for name in (counts, "energy"):
        if name not in spectra and name not in spectra.coords:
            raise InputError(
                "spectra", name, found="nothing", expected="a spectrum with an energy scale",
                remedy="calibrate first, or name the variable that holds the counts",
            )  # fmt: skip
    energy = np.asarray(spectra["energy"].values, dtype=float)
    measured = np.asarray(spectra[counts].values, dtype=float)
    # the fitted model belongs to the sum spectrum; a maximum-pixel spectrum stands alone
    model = _values(spectra, "model") if counts != "max_pixel_counts" else None
    if ax is None:
        figure = style.new_figure(7.4, 4.6)
        ax = figure.add_axes((0.095, 0.12, 0.67, 0.68))
    low, high = energy_range or shown_range(energy, measured, model)
    inside = (energy >= low) & (energy <= high)
    positive = measured[inside & (measured > 0)]
    floor = max(0.5, float(np.percentile(positive, 1)) / 8) if positive.size else 0.5
    peak = float(positive.max()) if positive.size else 1.0
    unused = left_out(spectra) if model is not None else None
    if model is not None and unused is not None and (unused & inside).any():
        peak = max(peak, float(np.nanmax(model[unused & inside], initial=0.0)))
    ax.set_yscale("log")
    ax.set_xlim(low, high)
    ax.set_ylim(floor, peak * 2.2)
    if unused is not None:
        # the neighbours too, so that a single channel makes a piece of line
        beside = binary_dilation(unused)
        ax.plot(energy, np.where(beside, np.maximum(measured, floor), np.nan), color=style.INK,
                alpha=0.25, linewidth=6, label="ran full, not fitted", zorder=2)  # fmt: skip
    parts = _components(spectra) if components and model is not None else []
    wanted = None if isinstance(components, bool) else set(components)
    for index, (label, row) in enumerate(parts):
        if wanted is None or label in wanted:
            _draw_part(ax, energy, row, floor, label, index)
    ax.step(energy, np.where(measured > 0, measured, np.nan), where="mid", color=style.INK,
            linewidth=0.6, label="measured", zorder=5)  # fmt: skip
    if model is not None:
        ax.plot(energy, np.where(model > floor / 10, model, np.nan), color="#d9584a",
                linewidth=1.9, label="fit", zorder=4)  # fmt: skip
    ax.set_xlabel("energy [keV]")
    ax.set_ylabel("counts per channel")
    labels = [str(c) for c in spectra["component"].values] if "component" in spectra else []
    if name_lines and labels:
        marks = [m for m in line_marks(labels) if low < m.energy_kev < high]
        own = dict(parts) or None
        _name_lines(ax, marks, energy, measured, own, floor, peak)
    ax.set_title(style.figure_text(title), y=1.0, pad=50 if name_lines else 6)
    handles, names = ax.get_legend_handles_labels()
    ax.legend(
        handles[-2:] + handles[:-2] if model is not None else handles,
        names[-2:] + names[:-2] if model is not None else names,
        loc="upper left", bbox_to_anchor=(1.02, 1.0), borderaxespad=0,
        fontsize=8 if len(names) < 24 else 6, labelspacing=0.3, handlelength=2.2,
    )  # fmt: skip
    return ax


def _draw_part(ax: Axes, energy: Array, row: Array, floor: float, label: str, index: int) -> None:
    colour, dashes = style.component_ink(index)
    (drawn,) = ax.plot(
        energy, np.where(row > floor / 3, row, np.nan), color=colour, linewidth=0.8,
        label=style.figure_text(label, 24), zorder=3,
    )  # fmt: skip
    if dashes:
        drawn.set_dashes(dashes)


def _name_lines(
    ax: Axes,
    marks: Sequence[Mark],
    energy: Array,
    measured: Array,
    parts: dict[str, Array] | None,
    floor: float,
    peak: float,
) -> None:
    """Names in a row above the frame, each with a thin lead to its peak."""
    low, high = ax.get_xlim()
    gap = (high - low) / 42  # one line of 7.5 pt type turned upright
    weights = [mark_weight(mark, energy, measured, parts, floor) for mark in marks]
    keep = [marks[i] for i in legible([m.energy_kev for m in marks], weights, gap, low, high)]
    places = spread([mark.energy_kev for mark in keep], gap, low, high)
    blended = ax.get_xaxis_transform()
    for mark, place in zip(keep, places, strict=True):
        height = _height(energy, measured, mark.energy_kev)
        ax.annotate(
            mark.label, (place, 1.045), xycoords=blended, rotation=90, ha="center", va="bottom",
            fontsize=7.5, annotation_clip=False,
        )  # fmt: skip
        start = np.log(max(height, floor) * 1.25 / floor) / np.log(peak * 2.2 / floor)
        ax.plot(
            [mark.energy_kev, mark.energy_kev, place], [min(start, 0.985), 0.99, 1.035],
            transform=blended, color=style.MUTED, linewidth=0.35, clip_on=False, zorder=2,
            scalex=False, scaley=False,
        )  # fmt: skip


def mark_weight(
    mark: Mark, energy: Array, measured: Array, parts: dict[str, Array] | None, floor: float
) -> float:
    """Worth of naming a line: its own peak [counts], zero where it drowns in others."""
    height = _height(energy, measured, mark.energy_kev)
    if parts is None:
        # no fit to ask: the strongest line of a family first
        return height * 0.1**mark.order if height > 3 * floor else 0.0
    own = _height(energy, np.nan_to_num(parts.get(mark.family, measured * 0)), mark.energy_kev)
    return own if own > 0.15 * height and own > 2 * floor else 0.0


def _height(energy: Array, measured: Array, at: float) -> float:
    near = np.abs(energy - at) < 0.06
    return float(measured[near].max()) if near.any() else 0.0


@style.house_style
def element_scatter(
    maps: xr.Dataset,
    line_x: str,
    line_y: str,
    *,
    areas: Mapping[str, npt.NDArray[np.bool_]] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Two families against each other, one point a pixel.

    Parameters
    ----------
    maps : Dataset
        Element maps.
    line_x, line_y : str
        Labels of the families.
    areas : mapping of str to ndarray of bool, shape (y, x), optional
        Pixels of up to eight areas, in the order of the Dataset; each gets a colour and a
        mark of its own, and a legend names them.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Points, or a density where there are more than 4000 pixels; dashed lines at the
        median decision thresholds; a cross of the median standard errors.
    """
    one, two = fields.field(maps, line_x), fields.field(maps, line_y)
    good = ~(one.bad | two.bad)
    every = -(-good.size // _ENOUGH)
    x, y = one.values[good][::every], two.values[good][::every]
    if ax is None:
        foot = 0.24 * -(-len(areas) // 2) if areas else 0.0  # a line of the legend [in]
        tall = 4.5 + foot
        figure = style.new_figure(4.9, tall)
        ax = figure.add_axes((0.15, (0.765 + foot) / tall, 0.66, 3.24 / tall))
    if x.size > _FEW:
        _density(ax, x, y)
    else:
        ax.plot(x, y, ".", markersize=2.5, color=style.ACCENT, alpha=0.5, markeredgewidth=0)
    _mark_areas(ax, maps, areas or {}, one, two)
    for line, draw in ((line_x, ax.axvline), (line_y, ax.axhline)):
        draw(fields.limits(maps, line).threshold, color=style.MUTED, lw=0.8, dashes=(4, 3))
    ax.xaxis.set_major_formatter(style.tick_text)
    ax.yaxis.set_major_formatter(style.tick_text)
    ax.set_xlabel(f"{line_x}, net counts [{one.unit}]")
    ax.set_ylabel(f"{line_y}, net counts [{two.unit}]")
    ax.set_title(style.figure_text(f"{line_y} against {line_x}"))
    count = int(np.count_nonzero(good))
    shown = f"{whole(count)} pixels"
    if every > 1:
        shown = f"one in {every} of {shown}"
    words = f"{shown}; dashed: median decision thresholds"
    if x.size > 2 and x.std() > 0 and y.std() > 0:
        words += f"; correlation {np.corrcoef(x, y)[0, 1]:.2f}".replace("-", "−")
    ax.annotate(
        words, (0, 0), xycoords="axes fraction", xytext=(0, -38), textcoords="offset points",
        fontsize=8.2, color=style.MUTED, va="top",
    )  # fmt: skip
    return ax


def _mark_areas(
    ax: Axes,
    maps: xr.Dataset,
    areas: Mapping[str, npt.NDArray[np.bool_]],
    one: fields.Field,
    two: fields.Field,
) -> None:
    """Points of areas over the others, with a mark and a colour each."""
    marks = zip(style.AREA_INKS, style.AREA_MARKS, strict=False)
    for (name, mask), (ink, mark) in zip(areas.items(), marks, strict=False):
        held = xr.DataArray(mask, dims=("y", "x"), coords={"y": maps["y"], "x": maps["x"]})
        inside = (fields.upright(held) > 0.5) & ~(one.bad | two.bad)
        places = np.flatnonzero(inside)
        shown = places[:: max(1, -(-places.size // _PER_AREA))]
        ax.plot(
            one.values.flat[shown], two.values.flat[shown], mark, markersize=4, color=ink,
            markeredgecolor="white", markeredgewidth=0.3, alpha=0.85, linestyle="none",
            label=style.figure_text(f"{name} ({whole(places.size)})", 34),
        )  # fmt: skip
    if areas:
        ax.legend(
            loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=furniture.below(ax, 54),
            borderaxespad=0, ncols=2, fontsize=8.2, handlelength=1.0, columnspacing=1.2,
        )  # fmt: skip


def _density(ax: Axes, x: Array, y: Array) -> None:
    """Hexagons shaded by the number of pixels, within the 99.9 percentiles."""
    from matplotlib.colors import LinearSegmentedColormap

    ink = LinearSegmentedColormap.from_list("ink", ["#e4e0d8", style.ACCENT, "#0b151d"])
    right, top = float(np.percentile(x, 99.9)), float(np.percentile(y, 99.9))
    right, top = max(right, x.min() + 1e-9), max(top, y.min() + 1e-9)
    inside = (x <= right) & (y <= top)
    cells = ax.hexbin(x[inside], y[inside], gridsize=46, bins="log", cmap=ink, linewidths=0.1)
    bar = ax.figure.colorbar(cells, cax=ax.inset_axes((1.04, 0, 0.035, 1)), format=style.tick_text)
    bar.outline.set_visible(False)
    bar.set_label("pixels")
