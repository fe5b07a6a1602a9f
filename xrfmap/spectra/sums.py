"""Sums of a scan, all from one pass: sum and maximum spectra, rows, pixels, a sample.

The energy scale asks for the sum, its drift for the rows, the elements for all of it: a
scan on disk is read once for the three, and what was found is kept as long as the scan.
"""

from __future__ import annotations

import weakref
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.lazy import map_blocks
from xrfmap.spectra.left_out import Tops

__all__ = [
    "BANDS",
    "Bands",
    "Sample",
    "ScanSums",
    "band_starts",
    "bands_of",
    "forget_sums",
    "row_spectra",
    "scan_sums",
    "sum_spectra",
]

Array = npt.NDArray[np.float64]
Bands = npt.NDArray[np.float32]

BANDS = 64
"""Bands of equal width in which pixels are compared."""

SAMPLE = 20_000
"""Pixels that groups of like pixels are learnt from."""

POOL = 3 * SAMPLE
"""Pixels drawn beforehand, of which some may turn out to be without counts."""


@dataclass(frozen=True, eq=False)
class ScanSums:
    """What one pass over a scan leaves.

    Attributes
    ----------
    rows : ndarray, shape (y, channel)
        Spectrum of each row of pixels; 32-bit where that is exact. [counts]
    largest : ndarray, shape (channel,)
        Largest count of any pixel, channel by channel. [counts]
    total : ndarray, shape (y, x)
        Counts of each pixel. [counts]
    sample : Sample
        Some pixels in bands of channels.
    full : ndarray of bool, shape (channel,)
        Channels in which many pixels ran full, see :meth:`xrfmap.spectra.left_out.Tops.full`.
    """

    rows: npt.NDArray[Any]
    largest: Array
    total: Array
    sample: Sample
    full: npt.NDArray[np.bool_]

    @property
    def spectrum(self) -> Array:
        """Sum over all pixels, shape (channel,), in counts."""
        return np.asarray(self.rows.sum(axis=0, dtype=np.float64))


class Sample:
    """Pixels drawn by chance before the scan is read, whose bands are kept.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the scan.
    bands : int
        Bands of channels.
    seed : int
        Of the drawing.

    Attributes
    ----------
    bands : ndarray, shape (pixels, bands)
        Counts, in the order of the scan. [counts]
    rank : ndarray of int, shape (pixels,)
        Order in which they were drawn.
    """

    def __init__(self, shape: tuple[int, int], bands: int, seed: int) -> None:
        pixels = shape[0] * shape[1]
        # in the order of their rank, which says who comes first
        drawn = np.random.default_rng(seed).choice(pixels, min(POOL, pixels), replace=False)
        self.rank = np.argsort(drawn, kind="stable")
        self.y, self.x = np.divmod(drawn[self.rank], shape[1])  # in the order of the scan
        self.bands = np.zeros((len(drawn), bands), np.float32)

    def take(self, rows: slice, cols: slice, block: npt.NDArray[Any], starts: Any) -> None:
        """Keep the bands of those pixels that lie in a block; each block once, any thread."""
        low, high = np.searchsorted(self.y, [rows.start, rows.stop])
        mine = np.arange(low, high)
        mine = mine[(self.x[mine] >= cols.start) & (self.x[mine] < cols.stop)]
        chosen = block[self.y[mine] - rows.start, self.x[mine] - cols.start]
        self.bands[mine] = bands_of(chosen, starts)

    def first(self) -> Bands:
        """Those drawn first that hold counts, shape (pixels, bands), in the order of the scan."""
        alive = np.flatnonzero(self.bands.any(axis=1))
        alive = alive[np.argsort(self.rank[alive])[:SAMPLE]]
        return self.bands[np.sort(alive)]


def band_starts(channels: int) -> npt.NDArray[np.int64]:
    """First channel of each band."""
    return np.arange(0, channels, -(-channels // BANDS))


def bands_of(counts: npt.NDArray[Any], starts: npt.NDArray[np.int64]) -> Bands:
    """Sum channels, the last axis, into bands that begin at `starts`."""
    return np.asarray(np.add.reduceat(counts, starts, axis=-1, dtype=np.float32))


def scan_sums(scan: xr.Dataset, *, seed: int = 0) -> ScanSums:
    """Sum up a scan in one pass.

    Parameters
    ----------
    scan : Dataset
        ``counts(y, x, channel)``; only a few blocks of a lazy scan are in memory. What a
        lazy one gave is kept as long as its array lives.
    seed : int
        Seed of the sample.

    Returns
    -------
    ScanSums
        Not to be changed. The same for any number of threads and, for whole counts below
        2**53, any blocking of the scan.

    Raises
    ------
    InputError
        If counts are negative or not finite, or a block cannot be read.
    """
    counts = scan["counts"]
    data = counts.data
    key = (id(data), seed)
    with _LOCK:
        known = _KEPT.get(key)
    if known is not None:
        return known
    sums = _read(counts, str(scan.attrs.get("source") or "scan"), seed)
    if hasattr(data, "dask"):  # an array in memory might be changed
        with _LOCK:
            _KEPT[key] = sums
        weakref.finalize(data, _KEPT.pop, key, None)
    return sums


_KEPT: dict[tuple[int, int], ScanSums] = {}
_LOCK = Lock()


def forget_sums() -> None:
    """Drop the sums that are kept for scans on disk; they are made anew if asked for."""
    with _LOCK:
        _KEPT.clear()


def _read(counts: xr.DataArray, where: str, seed: int) -> ScanSums:
    ny, nx, channels = counts.shape
    starts = band_starts(channels)
    sample = Sample((ny, nx), len(starts), seed)
    # 65 536 pixels of 16 bits are the most that 32 bits hold
    small = counts.dtype.kind == "u" and counts.dtype.itemsize <= 2 and nx <= 1 << 16
    kind: type[Any] = np.uint32 if small else np.float64
    rows_sum = np.zeros((ny, channels), kind)
    tops = Tops.none(channels)
    total = np.zeros((ny, nx))

    def work(rows: slice, cols: slice, block: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], Tops]:
        flat = _checked(block, where)
        total[rows, cols] = block.sum(axis=2, dtype=np.float64)
        sample.take(rows, cols, block, starts)
        return block.sum(axis=1, dtype=kind), Tops.of(flat)

    for rows, _, (part, top) in map_blocks(counts, work):
        rows_sum[rows] += part
        tops = tops.joined(top)
    full = tops.full(counts.dtype, rows_sum.sum(axis=0, dtype=np.float64))
    return ScanSums(rows_sum, tops.largest, total, sample, full)


def sum_spectra(scan: xr.Dataset) -> xr.Dataset:
    """Sum spectrum and maximum-pixel spectrum.

    Parameters
    ----------
    scan : xarray.Dataset
        Scan, or point spectrum; only a few blocks of a lazy scan are in memory at a time.

    Returns
    -------
    xarray.Dataset
        ``sum_counts(channel)``, summed over the pixels, and ``max_pixel_counts(channel)``,
        the largest of any pixel, channel by channel, which shows what sits in few pixels.
        [counts] The energy coordinate and the attributes come along.

    Raises
    ------
    InputError
        If counts are negative or not finite.
    """
    counts = scan["counts"]
    if counts.ndim == 1:
        one = _checked(np.asarray(counts.values)[None], str(scan.attrs.get("source") or "scan"))
        total = largest = one[0].astype(np.float64)
    else:
        sums = scan_sums(scan)
        total, largest = sums.spectrum, sums.largest.copy()
    coords = {"energy": scan["energy"]} if "energy" in scan.coords else None
    return xr.Dataset(
        {
            "sum_counts": ("channel", total, {"units": "counts"}),
            "max_pixel_counts": ("channel", largest, {"units": "counts"}),
        },
        coords=coords,
        attrs=dict(scan.attrs),
    )


def row_spectra(scan: xr.Dataset) -> Array:
    """Spectrum of each row of pixels, in the order of `y`.

    Parameters
    ----------
    scan : xarray.Dataset
        Scan; only a few blocks of a lazy one are in memory at a time.

    Returns
    -------
    ndarray, shape (y, channel)
        Counts summed along x. [counts]

    Raises
    ------
    InputError
        If counts are negative or not finite.
    """
    return scan_sums(scan).rows.astype(np.float64)


def _checked(block: npt.NDArray[Any], where: str) -> npt.NDArray[Any]:
    """Flatten the pixels of a block; refuse what no detector counts."""
    flat = block.reshape(-1, block.shape[-1])
    if flat.dtype.kind != "u" and flat.size:
        low = flat.min()  # NaN if any is NaN
        if not (low >= 0 and np.isfinite(flat.max())):
            raise InputError(
                where,
                "counts",
                found=f"a smallest value of {low:g}",
                expected="counts of 0 or more",
                remedy="export the raw counts, not corrected or background-subtracted ones",
            )
    return flat
