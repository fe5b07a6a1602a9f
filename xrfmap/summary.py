"""Spectra that sum up a scan: sum, maximum over pixels, and means of like pixels.

Two passes over the blocks of a scan; nothing else of the cube is kept.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.lazy import iter_blocks
from xrfmap.lineshape import EnergyScale, self_convolution

__all__ = ["Summary", "pile_up_shape", "summarise"]

Array = npt.NDArray[np.float64]

BANDS = 64
"""Bands of equal width in which pixels are compared."""

CLUSTERS = 24
"""Groups of like pixels; enough for the paints of a picture and their mixtures."""

SAMPLE = 20_000
"""Pixels that the groups are learnt from."""


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
    width = -(-channels // BANDS)
    starts = np.arange(0, channels, width)
    total_sum = np.zeros(channels)
    maximum = np.zeros(channels)
    bands = np.zeros((ny, nx, len(starts)), np.float32)
    for rows, cols, block in iter_blocks(counts):
        total_sum += block.sum(axis=(0, 1), dtype=np.float64)
        maximum = np.maximum(maximum, block.max(axis=(0, 1)))
        bands[rows, cols] = np.add.reduceat(block, starts, axis=2, dtype=np.float32)
    if total_sum.sum() == 0:
        raise InputError(
            str(scan.attrs.get("source", "scan")), "counts", found="no count in any pixel",
            expected="a measured scan", remedy="check the export; the file holds only zeros",
        )  # fmt: skip
    total = bands.sum(axis=2, dtype=np.float64)
    cluster = _group(bands, total, clusters, seed)
    size = np.bincount(cluster[cluster >= 0].ravel(), minlength=cluster.max() + 1)
    sums = np.zeros((len(size), channels))
    for rows, cols, block in iter_blocks(counts):
        label = cluster[rows, cols]
        for k in np.unique(label[label >= 0]):
            sums[k] += block[label == k].sum(axis=0, dtype=np.float64)
    return Summary(total_sum, maximum, total, cluster, sums, size)


def _group(
    bands: npt.NDArray[np.float32], total: Array, clusters: int, seed: int
) -> npt.NDArray[np.int8]:
    from sklearn.cluster import KMeans
    from threadpoolctl import threadpool_limits

    alive = total > 0
    features = np.sqrt(bands[alive] * (total[alive].mean() / total[alive])[:, None])
    rng = np.random.default_rng(seed)
    chosen = rng.permutation(len(features))[:SAMPLE]
    number = int(min(clusters, max(1, len(features) // 20)))
    with warnings.catch_warnings(), threadpool_limits(1):  # one thread: sums in a fixed order
        # equal pixels of an almost empty scan make fewer groups, which is no fault
        warnings.filterwarnings("ignore", message="Number of distinct clusters")
        model = KMeans(number, n_init=2, random_state=seed).fit(features[np.sort(chosen)])
        label = model.predict(features)
    result = np.full(total.shape, -1, np.int8)
    result[alive] = label
    return result


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
