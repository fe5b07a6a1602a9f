"""Spectra that sum up a scan: sum, maximum over pixels, and means of like pixels.

Two passes over the blocks of a scan, the first shared with the energy scale; nothing else of
the cube is kept.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr
from threadpoolctl import threadpool_limits

from xrfmap.errors import InputError
from xrfmap.io.lazy import map_blocks
from xrfmap.physics.lineshape import EnergyScale, self_convolution
from xrfmap.spectra.sums import Bands, ScanSums, band_starts, bands_of, scan_sums

__all__ = ["Summary", "group_pixels", "pile_up_shape", "summarise"]

Array = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int8]

CLUSTERS = 24
"""Groups of like pixels; enough for the paints of a picture and their mixtures."""


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
    full : ndarray of bool, shape (channels,), optional
        Channels of the sum in which many pixels ran full, none by default.
    """

    sum_counts: Array
    max_counts: Array
    total: Array
    cluster: npt.NDArray[np.int8]
    cluster_counts: Array
    cluster_size: npt.NDArray[np.int64]
    full: npt.NDArray[np.bool_] | None = None


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
    sums = scan_sums(scan, seed=seed)
    spectrum, total = sums.spectrum, sums.total
    if spectrum.sum() == 0:
        raise InputError(
            str(scan.attrs.get("source", "scan")), "counts", found="no count in any pixel",
            expected="a measured scan", remedy="check the export; the file holds only zeros",
        )  # fmt: skip
    alive = total > 0
    cluster, result = group_pixels(scan, sums, clusters=clusters, seed=seed)
    size = np.bincount(cluster[alive], minlength=cluster.max() + 1)
    full = sums.full if sums.full.any() else None
    return Summary(spectrum, sums.largest, total, cluster, result[: len(size)], size, full)


def group_pixels(
    scan: xr.Dataset,
    sums: ScanSums,
    *,
    clusters: int = CLUSTERS,
    seed: int = 0,
    blind: npt.NDArray[np.bool_] | None = None,
) -> tuple[Labels, Array]:
    """Sort pixels into groups of like composition and sum their spectra, in one pass.

    Parameters
    ----------
    scan : Dataset
        With ``counts(y, x, channel)``, lazy or not.
    sums : ScanSums
        Of the same scan.
    clusters : int
        Groups at most.
    seed : int
        Seed of the grouping.
    blind : ndarray of bool, shape (channel,), optional
        Channels that shall not tell groups apart, with the bands that hold them: what is tested
        on the sum of a group must not have put its pixels there.

    Returns
    -------
    cluster : ndarray of int8, shape (y, x)
        Group of each pixel; -1 for pixels without counts in the bands that tell.
    counts : ndarray, shape (clusters, channel)
        Sum spectra. [counts]
    """
    counts = scan["counts"]
    ny, nx, channels = counts.shape
    starts = band_starts(channels)
    used = np.ones(len(starts), dtype=bool)
    if blind is not None:
        used = ~np.logical_or.reduceat(blind, starts)
    alive = sums.total > 0
    typical = float(sums.total[alive].mean())
    number = min(clusters, max(1, int(alive.sum()) // 20))
    cluster = np.full((ny, nx), -1, np.int8)
    result = np.zeros((clusters, channels))
    # one thread within each block: sums in a fixed order
    with threadpool_limits(1):
        groups = _groups(sums.sample.first()[:, used], number, typical, seed)

        def work(
            rows: slice, cols: slice, block: npt.NDArray[np.generic]
        ) -> list[tuple[int, Array]]:
            label = groups(bands_of(block, starts)[..., used])
            cluster[rows, cols] = label
            return [
                (int(k), block[label == k].sum(axis=0, dtype=np.float64))
                for k in np.unique(label[label >= 0])
            ]

        for _, _, parts in map_blocks(counts, work):
            for k, part in parts:
                result[k] += part
    return cluster, result


def _features(bands: Bands, typical: float) -> Array:
    """Square roots of the counts in bands, all pixels scaled to the same total."""
    total = bands.sum(axis=-1, dtype=np.float64)
    return np.asarray(np.sqrt(bands * (typical / total)[:, None]))


def _groups(sample: Bands, number: int, typical: float, seed: int) -> Callable[[Bands], Labels]:
    """Learn groups of like pixels from the bands of some."""
    from sklearn.cluster import KMeans

    known = _features(sample[sample.any(axis=1)], typical)
    with warnings.catch_warnings():
        # equal pixels of an almost empty scan make fewer groups, which is no fault
        warnings.filterwarnings("ignore", message="Number of distinct clusters")
        number = min(number, len(known))
        # of a scan almost without counts the sample may hold none of the few: one group
        model = KMeans(number, n_init=2, random_state=seed).fit(known) if number else None

    def label(bands: Bands) -> Labels:
        result = np.full(bands.shape[:2], -1, np.int8)
        counted = bands.any(axis=2)
        if counted.any():
            with threadpool_limits(1):  # OpenMP asks each thread anew
                found = 0 if model is None else model.predict(_features(bands[counted], typical))
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
