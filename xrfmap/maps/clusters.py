"""Automatic areas: pixels of like composition put together, from the element maps alone.

Net counts of each family are turned into steps of their own uncertainty: a value is drawn
out so that counting, background and the usual unevenness of a paint make about the same
scatter of 1 everywhere, a relative of the square-root transform for counts [1]_. What then
exceeds the scatter of noise [2]_ is kept and divided by k-means. The number of groups is
the largest that pixels of one half of the picture predict in the other half (prediction
strength, [3]_); groups without a valley of density between them, such as thick and thin
places of one paint, are joined again.

A group is a likeness of signals. It is no layer, no pigment and no claim on originality.

References
----------
.. [1] F. J. Anscombe, "The transformation of Poisson, binomial and negative-binomial
   data", Biometrika 35, 246 (1948). From memory.
.. [2] V. A. Marchenko and L. A. Pastur, Math. USSR Sb. 1, 457 (1967): largest eigenvalue of
   the covariance of pure noise. From memory.
.. [3] R. Tibshirani and G. Walther, "Cluster validation by prediction strength",
   J. Comput. Graph. Stat. 14, 511 (2005). From memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.flicker import exposure

__all__ = ["MOST", "NONE", "Clusters", "cluster_maps"]

Array = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int16]
Mask = npt.NDArray[np.bool_]

NONE = -1
"""Label of pixels without a usable measurement."""

MOST = 12
"""Groups tried at most; more colours cannot be told apart on a plate."""

UNEVEN = 0.25
"""Relative unevenness granted to one paint; common practice, no source. Without it the
brightest family would be cut into steps of its thickness."""

SAMPLE = 8000
"""Pixels that the groups are found on; all pixels are assigned afterwards."""

STRENGTH = 0.8
"""Prediction strength that a number of groups must reach (Tibshirani and Walther: 0.8 to 0.9)."""

NOISE_MARGIN = 2.0
"""Times the noise edge that a direction must exceed: errors of overlapping families go
together, which may double the variance of a sum or difference."""

VALLEY = 0.7
"""Density half-way between two groups, over the lower of their peaks, above which they are one."""

BLOCK_PIXELS = 65536
"""Pixels of the maps in memory at a time."""


@dataclass(frozen=True, eq=False)
class Clusters:
    """Groups of like pixels.

    Attributes
    ----------
    labels : ndarray of int16, shape (y, x)
        0 for the largest group and so on, :data:`NONE` where nothing was measured.
    sizes : tuple of int
        Pixels per group.
    strengths : dict of int to float
        Prediction strength of each number of groups tried; empty where it was given.
    families : tuple of str
        Families by which the groups differ most, the strongest first.
    because : str
        How the number was chosen.
    """

    labels: Labels
    sizes: tuple[int, ...]
    strengths: dict[int, float]
    families: tuple[str, ...]
    because: str

    def masks(self) -> dict[int, Mask]:
        """Pixels of each group by its number, counted from 1."""
        return {k + 1: self.labels == k for k in range(len(self.sizes))}


@dataclass(frozen=True, eq=False)
class _Scale:
    """Turns net counts into steps of their uncertainty."""

    lines: tuple[str, ...]
    null: Array  # variance without the family [counts squared]
    slope: Array  # growth of the variance per net count
    live: float  # median live time [s], NaN where none is known

    def steps(self, net: Array) -> Array:
        """Integral of ``dn / sqrt(null + slope n + (UNEVEN n)^2)``, zero at zero."""
        return self._integral(net) - self._integral(np.zeros_like(net))

    def _integral(self, n: Array) -> Array:
        c = UNEVEN
        root = np.sqrt(self.null + self.slope * n + (c * n) ** 2)
        return np.asarray(np.log(2 * c * root + 2 * c * c * n + self.slope) / c)


@in_one_thread
def cluster_maps(maps: xr.Dataset, number: int | None = None, *, seed: int = 0) -> Clusters:
    """Put the pixels of element maps into groups of like composition.

    Parameters
    ----------
    maps : Dataset
        `net_counts`, `net_counts_err`, `decision_threshold` (line, y, x) [counts], `fit_ok`,
        `live_time` (y, x), `beam` (y, x) where it wavered; may be lazy, and is then
        read in blocks of rows, twice.
    number : int, optional
        Groups wanted, 1 to 12; chosen by prediction strength where not given.
    seed : int
        Seed of the sample and of the starts; the same seed gives the same groups.

    Returns
    -------
    Clusters
        One group where the pixels differ by no more than noise and unevenness.

    Raises
    ------
    ValueError
        If `number` is out of range, or no pixel is usable.
    """
    if number is not None and not 1 <= number <= MOST:
        raise ValueError(f"the number of groups must be 1 to {MOST}, found {number}")
    sample, scale = _sample(maps, seed)
    steps = scale.steps(sample)
    middle = steps.mean(axis=0)
    axes, weight = _signal_axes(steps - middle)
    points = (steps - middle) @ axes
    centres, strengths, because = _centres(points, number, seed)
    nearest = np.concatenate([_nearest((scale.steps(n) - middle) @ axes, centres[0])
                              for n, _ in _usable(maps, scale.live)])  # fmt: skip
    labels = np.full((maps.sizes["y"], maps.sizes["x"]), NONE, dtype=np.int16)
    ranked, sizes = _by_size(centres[1][nearest])
    labels[_good(maps)] = ranked
    order = np.argsort(-(axes**2 @ weight) * steps.var(axis=0))
    told = tuple(scale.lines[i] for i in order[: max(3, axes.shape[1])])
    return Clusters(labels, sizes, strengths, told if axes.shape[1] else (), because)


def _good(maps: xr.Dataset) -> Mask:
    return np.asarray(maps["fit_ok"].transpose("y", "x").values, dtype=bool)


def _blocks(maps: xr.Dataset) -> Iterator[tuple[slice, xr.Dataset]]:
    names = ["net_counts", "net_counts_err", "decision_threshold", "fit_ok"]
    held = maps[[name for name in names if name in maps]]
    time = exposure(maps)
    held = held if time is None else held.assign(exposure=time)
    step = max(1, BLOCK_PIXELS // maps.sizes["x"])
    for start in range(0, maps.sizes["y"], step):
        rows = slice(start, min(start + step, maps.sizes["y"]))
        yield rows, held.isel(y=rows)


def _values(block: xr.Dataset, name: str, good: Mask) -> Array:
    values = block[name].transpose("y", "x", "line").values[good]
    return np.nan_to_num(values.astype(np.float64))


def _usable(maps: xr.Dataset, live: float) -> Iterator[tuple[Array, slice]]:
    """Net counts of the usable pixels, brought to the median exposure."""
    for rows, block in _blocks(maps):
        good = _good(block)
        yield _values(block, "net_counts", good) * _factor(block, good, live)[:, None], rows


def _factor(block: xr.Dataset, good: Mask, live: float) -> Array:
    if not np.isfinite(live):
        return np.ones(int(good.sum()))
    seconds = block["exposure"].transpose("y", "x").values[good].astype(np.float64)
    known = np.isfinite(seconds) & (seconds > 0)
    return np.divide(live, seconds, out=np.ones(seconds.size), where=known)


def _median_live(maps: xr.Dataset, good: Mask) -> float:
    time = exposure(maps)
    if time is None:
        return float("nan")
    seconds = time.transpose("y", "x").values[good]
    seconds = seconds[np.isfinite(seconds) & (seconds > 0)]
    return float(np.median(seconds)) if seconds.size else float("nan")


def _sample(maps: xr.Dataset, seed: int) -> tuple[Array, _Scale]:
    """Net counts of a random part of the pixels, and the scale that their errors give."""
    good = _good(maps)
    total = int(good.sum())
    if total == 0:
        raise ValueError("no pixel of the maps is usable")
    live = _median_live(maps, good)
    share = min(1.0, SAMPLE / total)
    parts: list[tuple[Array, Array, Array]] = []
    for rows, block in _blocks(maps):
        mine = _good(block)
        # a row has numbers of its own, so that the sample does not hang on the blocks
        drawn = [np.random.default_rng([seed, row]).random(maps.sizes["x"])
                 for row in range(rows.start, rows.stop)]  # fmt: skip
        picked = mine & (np.array(drawn) < share)
        factor = _factor(block, picked, live)[:, None]
        names = ("net_counts", "net_counts_err", "decision_threshold")
        net, err, threshold = (_values(block, name, picked) * factor for name in names)
        parts.append((net, err, threshold))
    net, err, threshold = (np.concatenate(held) for held in zip(*parts, strict=True))
    # the poorest pixels set the scale, so that noise never makes more than a step of 1;
    # a threshold is 1.645 standard errors of a field without the family
    null = np.percentile(threshold / 1.645, 90, axis=0) ** 2
    null = np.maximum(null, 1.0)
    lines = tuple(str(line) for line in maps["line"].values)
    return net, _Scale(lines, null, _slopes(net, err, null), live)


def _slopes(net: Array, err: Array, null: Array) -> Array:
    """Growth of the variance per net count; 1 for a family alone, more on others' lines."""
    slopes = np.ones(net.shape[1])
    for index in range(net.shape[1]):
        strong = net[:, index] > 5 * np.sqrt(null[index])
        if int(strong.sum()) > 20:
            growth = (err[strong, index] ** 2 - null[index]) / net[strong, index]
            slopes[index] = float(np.clip(np.median(growth), 1.0, 10.0))
    return slopes


def _signal_axes(centred: Array) -> tuple[Array, Array]:
    """Directions whose variance noise cannot make, and their variances."""
    count, dims = centred.shape
    edge = (1 + np.sqrt(dims / count)) ** 2
    values, vectors = np.linalg.eigh(centred.T @ centred / max(count - 1, 1))
    keep = values > NOISE_MARGIN * edge
    return vectors[:, keep], values[keep]


def _centres(
    points: Array, number: int | None, seed: int
) -> tuple[tuple[Array, npt.NDArray[np.int64]], dict[int, float], str]:
    """Centres of cells, the group of each cell, the strengths, and the reason."""
    one = (np.zeros((1, points.shape[1])), np.zeros(1, dtype=np.int64))
    if points.shape[1] == 0:
        return one, {}, "The pixels differ by no more than noise and the unevenness of a paint."
    if number is not None:
        number = min(number, len(np.unique(points, axis=0)))
        return (_kmeans(points, number, seed), np.arange(number)), {}, "Number of groups as asked."
    strengths = {1: 1.0}
    for count in range(2, min(MOST, len(points) // 20) + 1):
        strengths[count] = _strength(points, count, seed)
    best = max(k for k, value in strengths.items() if value >= STRENGTH)
    if best == 1:
        return one, strengths, "No division of the pixels of one half holds in the other half."
    centres = _kmeans(points, best, seed)
    groups = _joined(points, centres)
    kept = int(groups.max()) + 1
    because = (
        f"{best} groups: the most that one half of the pixels predicts in the other half "
        f"(prediction strength {strengths[best]:.2f}, wanted {STRENGTH:g})"
    )
    joined = f"; {best - kept} joined with a neighbour, since no valley lies between"
    return (centres, groups), strengths, because + (joined if kept < best else "") + "."


def _kmeans(points: Array, count: int, seed: int) -> Array:
    from sklearn.cluster import KMeans

    return np.asarray(
        KMeans(count, n_init=4, random_state=seed).fit(points).cluster_centers_, dtype=np.float64
    )


def _nearest(points: Array, centres: Array) -> npt.NDArray[np.int64]:
    distance = (centres**2).sum(axis=1) - 2 * points @ centres.T
    return np.asarray(distance.argmin(axis=1), dtype=np.int64)


def _strength(points: Array, count: int, seed: int) -> float:
    """Prediction strength: pairs of the worst group that the other half keeps together."""
    first, second = points[::2], points[1::2]
    own = _nearest(second, _kmeans(second, count, seed))
    foretold = _nearest(second, _kmeans(first, count, seed))
    worst = 1.0
    for group in range(count):
        held = np.bincount(foretold[own == group], minlength=count).astype(np.float64)
        size = held.sum()
        kept = (held * (held - 1)).sum() / (size * (size - 1)) if size > 1 else 0.0
        worst = min(worst, float(kept))
    return worst


def _joined(points: Array, centres: Array) -> npt.NDArray[np.int64]:
    """Put cells without a valley between them together; return the group of each cell."""
    cells = _nearest(points, centres)
    groups = np.arange(len(centres))
    for i in range(len(centres)):
        for j in range(i + 1, len(centres)):
            if _no_valley(points, cells, centres, i, j):
                groups[groups == groups[j]] = groups[i]
    return np.unique(groups, return_inverse=True)[1].astype(np.int64)


def _no_valley(points: Array, cells: npt.NDArray[np.int64], centres: Array, i: int, j: int) -> bool:
    """Whether the pixels of two cells thin out nowhere between their centres."""
    others = np.delete(centres, [i, j], axis=0)
    middle = (centres[i] + centres[j]) / 2
    half = float(((centres[i] - middle) ** 2).sum())
    if len(others) and float(((others - middle) ** 2).sum(axis=1).min()) < half:
        return False  # a third cell lies between
    axis = centres[j] - centres[i]
    along = (points[(cells == i) | (cells == j)] - centres[i]) @ axis / (axis @ axis)
    # pixels in windows of a fifth of the distance, at steps of a tenth
    tenths = np.bincount(np.clip(np.floor(along * 10).astype(np.int64) + 10, 0, 30), minlength=31)
    windows = tenths[:-1] + tenths[1:]  # window k is centred on (k - 9) / 10
    between = int(windows[14])
    ends = min(int(windows[:14].max()), int(windows[15:].max()))
    # a standard deviation in favour of one paint: few pixels must not tear it apart
    return bool(between + np.sqrt(between + 1) > VALLEY * ends)


def _by_size(groups: npt.NDArray[np.int64]) -> tuple[Labels, tuple[int, ...]]:
    counts = np.bincount(groups)
    order = np.argsort(-counts, kind="stable")
    order = order[counts[order] > 0]
    rank = np.zeros(len(counts), dtype=np.int16)
    rank[order] = np.arange(len(order), dtype=np.int16)
    return rank[groups], tuple(int(n) for n in counts[order])
