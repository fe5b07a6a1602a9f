"""Where scans of one object lie against each other, from what they show where they overlap.

Two scans that hold the same strip of paint are moved against each other in whole pixels.
At each place the squared differences of their rates are summed in units of the counting
errors, over the families with most contrast; the sum falls to a minimum where the paint
meets itself. A paraboloid through the nine sums about the minimum gives the fraction of a
pixel, and its curvature the standard error, widened by what differs beyond counting. A
phase correlation would need no errors, but gives none either, and its periodic window
suffers most where overlaps are narrow strips, as here.

All pairs together, with what the stage says and how far it is trusted, make one linear
least-squares problem per axis, whose covariance holds the errors of the places.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.spectra.flicker import exposure

__all__ = ["Overlap", "Place", "find_places", "grid_start", "grid_step"]

Array = npt.NDArray[np.float64]

FAMILIES = 8
"""Families used for one overlap, those with most contrast first."""

FEWEST = 40
"""Pixels that an overlap must have to be measured."""

LOCKING = 0.1
"""Error of the paraboloid itself [pixels]: edges of paint are sharper than a parabola."""

CLEAR = 25.0
"""Fall of the summed squares from its surroundings to its minimum, below which an overlap
shows no structure to hold on to: five standard errors of one parameter."""


@dataclass(frozen=True)
class Overlap:
    """Two scans that hold the same part of the object.

    Attributes
    ----------
    first, second : str
        Names of the scans.
    pixels : int
        Pixels of the overlap at its measured place.
    x_mm, y_mm : float or None
        By how much the second lies further than its coordinates say, against the first;
        None where the overlap shows no structure. [mm]
    x_err_mm, y_err_mm : float or None
        Standard errors. [mm]
    family : str
        Strongest family of the overlap.
    rate_ratio, rate_ratio_err : float
        Counts per second of that family, second over first, and the counting error.
    """

    first: str
    second: str
    pixels: int
    x_mm: float | None
    y_mm: float | None
    x_err_mm: float | None
    y_err_mm: float | None
    family: str
    rate_ratio: float
    rate_ratio_err: float


@dataclass(frozen=True)
class Place:
    """Where one scan lies.

    Attributes
    ----------
    name : str
        Name of the scan.
    x_mm, y_mm : float
        Its true place less its coordinates; 0 for the first scan. [mm]
    x_err_mm, y_err_mm : float
        Standard errors against the first scan. [mm]
    """

    name: str
    x_mm: float = 0.0
    y_mm: float = 0.0
    x_err_mm: float = 0.0
    y_err_mm: float = 0.0


def grid_step(tile: xr.Dataset, axis: str) -> float:
    """Distance of neighbouring pixels along an axis. [mm]."""
    values = np.asarray(tile[axis].values, dtype=np.float64)
    return float((values[-1] - values[0]) / (values.size - 1)) if values.size > 1 else float("nan")


def grid_start(tile: xr.Dataset, axis: str) -> float:
    """Centre of the first pixel along an axis. [mm]."""
    return float(tile[axis].values[0])


def find_places(
    tiles: Mapping[str, xr.Dataset], stage_error_mm: float, *, by_overlap: bool
) -> tuple[list[Place], list[Overlap]]:
    """Places of scans against the first of them.

    Parameters
    ----------
    tiles : mapping of str to Dataset
        Element maps with rising `x`, `y` [mm] and one pixel size.
    stage_error_mm : float
        Standard error of the coordinates, each scan against the first; places are looked
        for within three of it. [mm]
    by_overlap : bool
        Whether overlaps move the scans, or are measured only.

    Returns
    -------
    list of Place, list of Overlap
        In the order of `tiles`.
    """
    names = list(tiles)
    overlaps = []
    for first, second in itertools.combinations(names, 2):
        found = _overlap(first, tiles[first], second, tiles[second], stage_error_mm)
        if found is not None:
            overlaps.append(found)
    if not by_overlap:
        moved = [Place(n, 0, 0, stage_error_mm, stage_error_mm) for n in names[1:]]
        return [Place(names[0]), *moved], overlaps
    x, x_err = _solve(names, overlaps, "x", stage_error_mm)
    y, y_err = _solve(names, overlaps, "y", stage_error_mm)
    places = [Place(n, *(float(v[i]) for v in (x, y, x_err, y_err))) for i, n in enumerate(names)]
    return places, overlaps


def _solve(
    names: Sequence[str], overlaps: Sequence[Overlap], axis: str, stage_error_mm: float
) -> tuple[Array, Array]:
    """Least squares of the overlaps and the stage along one axis; the first scan stands."""
    count = len(names)
    normal, right = np.zeros((count, count)), np.zeros(count)
    for overlap in overlaps:
        value, error = getattr(overlap, f"{axis}_mm"), getattr(overlap, f"{axis}_err_mm")
        if value is None or error is None:
            continue
        row = np.zeros(count)
        row[names.index(overlap.second)], row[names.index(overlap.first)] = 1.0, -1.0
        normal += np.outer(row, row) / error**2
        right += row * value / error**2
    free = slice(1, count)
    stage = np.eye(count)[free, free] / stage_error_mm**2
    covariance = np.linalg.inv(normal[free, free] + stage)
    place = np.concatenate([[0.0], covariance @ right[free]])
    return place, np.concatenate([[0.0], np.sqrt(np.diag(covariance))])


def _overlap(
    first: str, a: xr.Dataset, second: str, b: xr.Dataset, stage_error_mm: float
) -> Overlap | None:
    """Measure one pair; None where the two do not meet."""
    step = np.array([grid_step(a, "y"), grid_step(a, "x")])
    # pixels of the second before those of the first at the same stage coordinate
    gap = np.array([grid_start(a, axis) - grid_start(b, axis) for axis in ("y", "x")])
    nominal = np.round(-gap / step).astype(int)
    held = _common(a, b, nominal)
    if held is None:
        return None
    reach = np.maximum(1, np.ceil(3 * stage_error_mm / step)).astype(int)
    lines = _lines(a, b, held)
    one, two = _rates(a, lines), _rates(b, lines)
    best = _search(one, two, nominal, reach)
    family = lines[0]
    if best is None:
        ratio = _ratio(one, two, nominal)
        return Overlap(first, second, held, None, None, None, None, family, *ratio)
    shift, error, whole = best
    pixels = _common(a, b, whole) or 0
    moved = shift * step + gap
    spread = np.hypot(error, LOCKING) * step
    return Overlap(
        first, second, pixels, float(moved[1]), float(moved[0]), float(spread[1]),
        float(spread[0]), family, *_ratio(one, two, whole),
    )  # fmt: skip


def _windows(
    shape_a: Sequence[int], shape_b: Sequence[int], shift: npt.NDArray[np.int_]
) -> tuple[tuple[slice, ...], tuple[slice, ...]] | None:
    """Slices of the two scans where pixel j of the second lies on pixel j + shift of the first."""
    slices = []
    for size_a, size_b, k in zip(shape_a, shape_b, shift.tolist(), strict=True):
        low, high = max(0, -k), min(size_b, size_a - k)
        if high <= low:
            return None
        slices.append((slice(low + k, high + k), slice(low, high)))
    return tuple(s[0] for s in slices), tuple(s[1] for s in slices)


def _common(a: xr.Dataset, b: xr.Dataset, shift: npt.NDArray[np.int_]) -> int | None:
    """Pixels that both scans hold; None where there are too few."""
    windows = _windows((a.sizes["y"], a.sizes["x"]), (b.sizes["y"], b.sizes["x"]), shift)
    if windows is None:
        return None
    good = [t["fit_ok"].transpose("y", "x").values.astype(bool) for t in (a, b)]
    both = int((good[0][windows[0]] & good[1][windows[1]]).sum())
    return both if both >= FEWEST else None


def _lines(a: xr.Dataset, b: xr.Dataset, pixels: int) -> list[str]:
    """Families of both scans with most contrast for their errors, the strongest first."""
    common = [str(line) for line in a["line"].values if line in b["line"].values]
    worth = []
    for line in common:
        one = a.sel(line=line)
        net = one["net_counts"].values.astype(np.float64)
        err = one["net_counts_err"].values.astype(np.float64)
        with np.errstate(invalid="ignore"):
            worth.append(float(np.nanvar(net)) / max(float(np.nanmean(err**2)), 1e-9))
    order = np.argsort(worth)[::-1][:FAMILIES]
    return [common[i] for i in order]


def _rates(tile: xr.Dataset, lines: Sequence[str]) -> tuple[Array, Array]:
    """Return counts per second and their variances, (families, y, x); NaN where unusable."""
    fields = ["net_counts", "net_counts_err", "fit_ok"]
    time = exposure(tile)
    held = tile[fields].assign(exposure=1.0 + 0.0 * tile["fit_ok"] if time is None else time)
    part = held.sel(line=list(lines)).transpose("line", "y", "x", missing_dims="ignore")
    good = part["fit_ok"].values.astype(bool)
    live = np.where(good, part["exposure"].values.astype(np.float64), np.nan)
    net = part["net_counts"].values.astype(np.float64) / live
    return net, (part["net_counts_err"].values.astype(np.float64) / live) ** 2


def _squares(
    one: tuple[Array, Array], two: tuple[Array, Array], shift: npt.NDArray[np.int_]
) -> tuple[float, int]:
    """Sum of squared differences in units of their errors, and how many."""
    windows = _windows(one[0].shape[1:], two[0].shape[1:], shift)
    if windows is None:
        return float("inf"), 0
    (ra, ca), (rb, cb) = windows
    gap = one[0][:, ra, ca] - two[0][:, rb, cb]
    variance = one[1][:, ra, ca] + two[1][:, rb, cb]
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = gap**2 / variance
    good = np.isfinite(parts)
    count = int(good.sum())
    return (float(parts[good].sum()), count) if count >= FEWEST else (float("inf"), 0)


def _search(
    one: tuple[Array, Array], two: tuple[Array, Array], nominal: npt.NDArray[np.int_],
    reach: npt.NDArray[np.int_],
) -> tuple[Array, Array, npt.NDArray[np.int_]] | None:  # fmt: skip
    """Shift of least squares with its error [pixels], and the nearest whole one."""
    tall, wide = (np.arange(-r, r + 1) for r in reach)
    sums = np.full((tall.size, wide.size), np.inf)
    counts = np.zeros(sums.shape, dtype=int)
    for i, dy in enumerate(tall):
        for j, dx in enumerate(wide):
            sums[i, j], counts[i, j] = _squares(one, two, nominal + np.array([dy, dx]))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(counts > 0, sums / counts, np.inf)
    i, j = (int(v) for v in np.unravel_index(int(np.argmin(mean)), mean.shape))
    whole = nominal + np.array([tall[i], wide[j]])
    near = np.array([
        _squares(one, two, whole + np.array([dy, dx])) for dy in (-1, 0, 1) for dx in (-1, 0, 1)
    ])  # fmt: skip
    if (near[:, 1] == 0).any():
        return None
    # as if each place had the pixels of the best one
    surface = (near[:, 0] / near[:, 1] * near[4, 1]).reshape(3, 3)
    found = _paraboloid(surface)
    if found is None or surface.max() - surface[1, 1] < CLEAR:
        return None
    offset, curvature = found
    excess = max(1.0, surface[1, 1] / near[4, 1])
    covariance = np.linalg.inv(curvature / 2) * excess
    return whole + offset, np.sqrt(np.diag(covariance)), np.round(whole + offset).astype(int)


def _paraboloid(surface: Array) -> tuple[Array, Array] | None:
    """Minimum within a pixel, and matrix of second derivatives; None if there is none."""
    dy, dx = np.mgrid[-1:2, -1:2].astype(np.float64)
    terms = np.stack([np.ones(9), dy.ravel(), dx.ravel(), dy.ravel() ** 2 / 2,
                      dx.ravel() ** 2 / 2, (dy * dx).ravel()], axis=1)  # fmt: skip
    _, gy, gx, hyy, hxx, hxy = np.linalg.lstsq(terms, surface.ravel(), rcond=None)[0]
    curvature = np.array([[hyy, hxy], [hxy, hxx]])
    if np.linalg.eigvalsh(curvature).min() <= 0:
        return None
    offset = -np.linalg.solve(curvature, np.array([gy, gx]))
    return (offset, curvature) if np.abs(offset).max() <= 1 else None


def _ratio(
    one: tuple[Array, Array], two: tuple[Array, Array], shift: npt.NDArray[np.int_]
) -> tuple[float, float]:
    """Rates of the strongest family, second over first, in the overlap."""
    windows = _windows(one[0].shape[1:], two[0].shape[1:], shift)
    if windows is None:
        return float("nan"), float("nan")
    a, va = (v[0][windows[0]] for v in one)
    b, vb = (v[0][windows[1]] for v in two)
    good = np.isfinite(a) & np.isfinite(b)
    top, bottom = float(b[good].sum()), float(a[good].sum())
    if bottom <= 0 or top <= 0:
        return float("nan"), float("nan")
    relative = vb[good].sum() / top**2 + va[good].sum() / bottom**2
    return top / bottom, float(top / bottom * np.sqrt(relative))
