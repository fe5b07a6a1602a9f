"""Spectra that sum up a scan: sum, maximum over pixels, and means of like pixels.

Two passes over the blocks of a scan; nothing else of the cube is kept.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.lazy import iter_blocks
from xrfmap.lineshape import EnergyScale, self_convolution

__all__ = ["Summary", "pile_up_shape", "summarise"]

Array = npt.NDArray[np.float64]
Bands = npt.NDArray[np.float32]
Labels = npt.NDArray[np.int8]

BANDS = 64
"""Bands of equal width in which pixels are compared."""

CLUSTERS = 24
"""Groups of like pixels; enough for the paints of a picture and their mixtures."""

SAMPLE = 20_000
"""Pixels that the groups are learnt from."""

POOL = 3 * SAMPLE
"""Pixels drawn beforehand, of which some may turn out to be without counts."""


@dataclass(frozen=True, eq=False)
class Summary:
    """What two passes over a scan leave.

    Attributes
    ----------
    sum_counts, max_counts : ndarray, shape (channels,)
        Sum and maximum over pixels. [counts]
    total : ndarray, shape (y, x)
        Counts of each pixel. [counts]
    cluster : ndarray of int, shape (y, x)
        Group of each pixel; -1 for pixels without counts.
    cluster_counts : ndarray, shape (clusters, channels)
        Sum spectrum of each group. [counts]
    cluster_size : ndarray of int, shape (clusters,)
        Pixels in each group.
    """

    sum_counts: Array
    max_counts: Array
    total: Array
    cluster: npt.NDArray[np.int8]
    cluster_counts: Array
    cluster_size: npt.NDArray[np.int64]


def summarise(scan: xr.Dataset, *, clusters: int = CLUSTERS, seed: int = 0) -> Summary:
    """Sum up a scan.

    Parameters
    ----------
    scan : Dataset
        With ``counts(y, x, channel)``, lazy or not.
    clusters : int
        Groups of like pixels.
    seed : int
        Seed of the grouping.

    Returns
    -------
    Summary
        The same for any blocking of the scan.

    Raises
    ------
    InputError
        If there is not a single count in the scan.

    Notes
    -----
    Pixels are grouped by k-means on the square roots of their counts in bands, scaled to
    the same total: square roots give Poisson counts equal variance.
    """
    counts = scan["counts"]
    ny, nx, channels = counts.shape
    starts = np.arange(0, channels, -(-channels // BANDS))
    pool = _Pool((ny, nx), len(starts), seed)
    total_sum = np.zeros(channels)
    maximum = np.zeros(channels)
    total = np.zeros((ny, nx))
    for rows, cols, block in iter_blocks(counts):
        total_sum += block.sum(axis=(0, 1), dtype=np.float64)
        maximum = np.maximum(maximum, block.max(axis=(0, 1)))
        bands = _bands(block, starts)
        total[rows, cols] = bands.sum(axis=2, dtype=np.float64)
        pool.take(rows, cols, bands)
    if total_sum.sum() == 0:
        raise InputError(
            str(scan.attrs.get("source", "scan")), "counts", found="no count in any pixel",
            expected="a measured scan", remedy="check the export; the file holds only zeros",
        )  # fmt: skip
    alive = total > 0
    typical = float(total[alive].mean())
    groups = pool.groups(min(clusters, max(1, int(alive.sum()) // 20)), typical, seed)
    cluster = np.full((ny, nx), -1, np.int8)
    sums = np.zeros((clusters, channels))
    for rows, cols, block in iter_blocks(counts):
        label = groups(_bands(block, starts))
        cluster[rows, cols] = label
        for k in np.unique(label[label >= 0]):
            sums[k] += block[label == k].sum(axis=0, dtype=np.float64)
    size = np.bincount(cluster[alive], minlength=cluster.max() + 1)
    return Summary(total_sum, maximum, total, cluster, sums[: len(size)], size)


def _bands(block: npt.NDArray[np.generic], starts: npt.NDArray[np.int64]) -> Bands:
    """Sum channels into bands."""
    return np.asarray(np.add.reduceat(block, starts, axis=2, dtype=np.float32))


def _features(bands: Bands, typical: float) -> Array:
    """Square roots of the counts in bands, all pixels scaled to the same total."""
    total = bands.sum(axis=-1, dtype=np.float64)
    return np.asarray(np.sqrt(bands * (typical / total)[:, None]))


class _Pool:
    """Pixels drawn by chance before the scan is read, whose bands are kept."""

    def __init__(self, shape: tuple[int, int], bands: int, seed: int) -> None:
        pixels = shape[0] * shape[1]
        # in the order of their rank, which says who comes first
        drawn = np.random.default_rng(seed).choice(pixels, min(POOL, pixels), replace=False)
        self.rank = np.argsort(drawn, kind="stable")
        self.y, self.x = np.divmod(drawn[self.rank], shape[1])  # in the order of the scan
        self.bands = np.zeros((len(drawn), bands), np.float32)

    def take(self, rows: slice, cols: slice, bands: Bands) -> None:
        """Keep the bands of those pixels that lie in a block."""
        low, high = np.searchsorted(self.y, [rows.start, rows.stop])
        mine = np.arange(low, high)
        mine = mine[(self.x[mine] >= cols.start) & (self.x[mine] < cols.stop)]
        self.bands[mine] = bands[self.y[mine] - rows.start, self.x[mine] - cols.start]

    def groups(self, number: int, typical: float, seed: int) -> Callable[[Bands], Labels]:
        """Learn groups of like pixels from the first of the pool that hold counts."""
        from sklearn.cluster import KMeans
        from threadpoolctl import threadpool_limits

        alive = np.flatnonzero(self.bands.any(axis=1))
        alive = alive[np.argsort(self.rank[alive])[:SAMPLE]]
        known = _features(self.bands[np.sort(alive)], typical)
        with warnings.catch_warnings(), threadpool_limits(1):  # one thread: sums in a fixed order
            # equal pixels of an almost empty scan make fewer groups, which is no fault
            warnings.filterwarnings("ignore", message="Number of distinct clusters")
            number = min(number, len(known))
            # of a scan almost without counts the pool may hold none of the few: one group
            model = KMeans(number, n_init=2, random_state=seed).fit(known) if number else None

        def label(bands: Bands) -> Labels:
            result = np.full(bands.shape[:2], -1, np.int8)
            counted = bands.any(axis=2)
            if counted.any():
                with threadpool_limits(1):
                    found = (
                        0 if model is None else model.predict(_features(bands[counted], typical))
                    )
                result[counted] = found
            return result

        return label


def pile_up_shape(summary: Summary, scale: EnergyScale) -> Array:
    """Spectrum of pairs of photons counted as one, shape (channels,), any unit.

    Pairs form within one pixel, so the self-convolutions of like pixels are added, not
    that of the sum: mercury never piles up with copper that lies elsewhere.
    """
    result = np.zeros(len(summary.sum_counts))
    for counts, size in zip(summary.cluster_counts, summary.cluster_size, strict=True):
        if size > 0:
            result += self_convolution(counts, counts, scale) / size
    return result
