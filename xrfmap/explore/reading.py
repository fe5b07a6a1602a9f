"""Parts of a scan, read from the file only where they are shown.

A pass over many blocks is shared among threads: unpacking does not hold Python's
lock, so that two cores take half the time. Only a few blocks are in memory at once.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from threading import Event, Lock
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.io.lazy import BLOCK_BYTES, map_blocks, readers, stored_of
from xrfmap.io.stored import StoredCounts
from xrfmap.spectra.left_out import Tops

__all__ = [
    "Bands",
    "Stopped",
    "SumSpectrum",
    "first_pass",
    "pixel_spectrum",
    "sum_pixels",
    "window_map",
]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Tell = Callable[[int, int], None]

BANDS_BYTES = 128 << 20
"""Most memory for the bands kept of a scan: a twelfth of the memory target."""

LEAST_BAND = 8
"""Channels of the narrowest band: about a peak width at usual scales."""

MOST_THREADS = 4  # beyond these the disk is the limit


class Stopped(Exception):  # noqa: N818 - not an error: the reader asked for something else
    """Raised in a pass that nobody waits for any more."""


def _quiet(done: int, total: int) -> None:
    """Tell nobody."""


@dataclass
class _Pass:
    """Counts the pixels read by all threads of a pass."""

    total: int
    tell: Tell
    stop: Event | None
    done: int = 0

    def __post_init__(self) -> None:
        self._lock = Lock()

    def add(self, pixels: int) -> None:
        if self.stop is not None and self.stop.is_set():
            raise Stopped
        with self._lock:
            self.done += pixels
            done = self.done
        self.tell(min(done, self.total), self.total)


def _over_blocks(
    counts: xr.DataArray,
    work: Callable[[slice, slice, npt.NDArray[Any]], None],
    wanted: Mask | None,
    tell: Tell,
    stop: Event | None,
) -> None:
    """Call `work` on every block with a wanted pixel, from several threads."""
    marked = np.ones(counts.shape[:2], dtype=bool) if wanted is None else wanted
    going = _Pass(int(marked.sum()), tell, stop)

    def run(rows: slice, columns: slice, block: npt.NDArray[Any]) -> None:
        work(rows, columns, block)
        going.add(int(marked[rows, columns].sum()))

    for _ in map_blocks(counts, run, marked, threads=min(MOST_THREADS, readers(counts.data))):
        pass


def _in_threads(jobs: Sequence[Callable[[], None]]) -> None:
    if len(jobs) == 1:
        jobs[0]()
        return
    with ThreadPoolExecutor(max(1, min(MOST_THREADS, os.cpu_count() or 1))) as pool:
        for result in [pool.submit(job) for job in jobs]:
            result.result()


def window_map(
    scan: xr.Dataset,
    low: int,
    high: int,
    tell: Tell = _quiet,
    stop: Event | None = None,
) -> Array:
    """Count the events of every pixel in a range of channels.

    Parameters
    ----------
    scan : Dataset
        ``counts(y, x, channel)``, lazy or not.
    low, high : int
        First channel, and the one after the last.
    tell : callable
        Called with pixels done and pixels in all.
    stop : Event, optional
        Set it to have the pass given up.

    Returns
    -------
    ndarray, shape (y, x)
        Counts, background and overlaps included. [counts]

    Raises
    ------
    Stopped
        If `stop` was set.
    ValueError
        If the range is empty or lies outside the channels.
    """
    counts = scan["counts"]
    if not 0 <= low < high <= counts.shape[2]:
        raise ValueError(f"channels {low} to {high} are not a range of 0 to {counts.shape[2]}")
    result = np.zeros(counts.shape[:2])
    stored = stored_of(counts.data)
    if stored is not None and stored.chunk is not None and stored.chunk[2] < stored.shape[2]:
        _over_channels(stored, low, high, result, _Pass(result.size, tell, stop))
        return result

    def work(rows: slice, columns: slice, block: npt.NDArray[Any]) -> None:
        result[rows, columns] = block[..., low:high].sum(axis=2, dtype=np.float64)

    _over_blocks(counts, work, None, tell, stop)
    return result


def _over_channels(stored: StoredCounts, low: int, high: int, result: Array, going: _Pass) -> None:
    """Read no more than the wanted channels of a file whose chunks do not hold them all."""
    ny, nx, _ = stored.shape
    tall = 1 if stored.chunk is None else stored.chunk[0]
    fit = BLOCK_BYTES // (2 * nx * (high - low) * stored.dtype.itemsize)
    step = max(tall, min(fit, -(-ny // MOST_THREADS)) // tall * tall)

    def read(first: int) -> None:
        rows = slice(first, min(first + step, ny))
        block = stored[rows, :, low:high]
        result[rows] = block.sum(axis=2, dtype=np.float64)
        going.add(block.shape[0] * nx)

    _in_threads([partial(read, first) for first in range(0, ny, step)])


@dataclass(frozen=True, eq=False)
class SumSpectrum:
    """Spectrum summed over some pixels.

    Attributes
    ----------
    counts : ndarray, shape (channels,)
        Sum. [counts]
    pixels : int
        Pixels summed.
    live_time : float
        Their live time; NaN where that of any is unknown. [s]
    full : ndarray of bool, shape (channels,), optional
        Channels in which they ran full, which a fit should not look at, see
        :meth:`xrfmap.spectra.left_out.Tops.full`; None where there are none.
    """

    counts: Array
    pixels: int
    live_time: float
    full: Mask | None = None

    @property
    def total(self) -> float:
        """Counts in all channels."""
        return float(self.counts.sum())


def sum_pixels(
    scan: xr.Dataset, mask: Mask, tell: Tell = _quiet, stop: Event | None = None
) -> SumSpectrum:
    """Sum the spectra of marked pixels; blocks without one are not read.

    Parameters
    ----------
    scan : Dataset
        ``counts(y, x, channel)`` and ``live_time(y, x)``.
    mask : ndarray of bool, shape (y, x)
        Pixels to sum, in the order of the scan.
    tell, stop
        As in :func:`window_map`.

    Returns
    -------
    SumSpectrum
        Exact for whole counts below 2**53.
    """
    total = np.zeros(scan.sizes["channel"])
    tops = [Tops.none(len(total))]
    lock = Lock()

    def work(rows: slice, columns: slice, block: npt.NDArray[Any]) -> None:
        pixels = block[mask[rows, columns]]
        if not len(pixels):
            return
        part, top = pixels.sum(axis=0, dtype=np.float64), Tops.of(pixels)
        with lock:
            np.add(total, part, out=total)
            tops[0] = tops[0].joined(top)

    _over_blocks(scan["counts"], work, mask, tell, stop)
    live = float(scan["live_time"].values[mask].sum()) if mask.any() else float("nan")
    full = tops[0].full(scan["counts"].dtype, total)
    return SumSpectrum(total, int(mask.sum()), live, full if full.any() else None)


def pixel_spectrum(scan: xr.Dataset, row: int, column: int) -> SumSpectrum:
    """Spectrum of one pixel; reads no more of the file than the chunk it lies in."""
    data = scan["counts"].data
    source = stored_of(data)  # a slice of the lazy array would read a whole block
    one = (data if source is None else source)[row : row + 1, column : column + 1]
    if hasattr(one, "compute"):
        one = one.compute(scheduler="synchronous")
    live = float(scan["live_time"].values[row, column])
    return SumSpectrum(np.asarray(one, dtype=np.float64).reshape(-1), 1, live)


@dataclass(frozen=True, eq=False)
class Bands:
    """Counts of every pixel in bands of channels, kept so that a window shows at once.

    Attributes
    ----------
    counts : ndarray, shape (bands, y, x)
        [counts]
    width : int
        Channels of a band; the last may be narrower.
    channels : int
        Channels of the scan.
    total : ndarray, shape (y, x)
        Counts in all channels. [counts]
    sum_counts, max_counts : ndarray, shape (channels,)
        Sum and maximum over pixels. [counts]
    """

    counts: npt.NDArray[np.uint32] | npt.NDArray[np.float32]
    width: int
    channels: int
    total: Array
    sum_counts: Array
    max_counts: Array

    def window(self, low: int, high: int) -> tuple[Array, bool]:
        """Count events in a range of channels, from the bands alone.

        Parameters
        ----------
        low, high : int
            First channel, and the one after the last.

        Returns
        -------
        ndarray, shape (y, x)
            Counts; a band that is cut by the window adds its share by width. [counts]
        bool
            Whether that is exact: the window ends where bands do.
        """
        starts = np.arange(0, self.channels, self.width)
        ends = np.minimum(starts + self.width, self.channels)
        share = np.clip(np.minimum(ends, high) - np.maximum(starts, low), 0, None) / (ends - starts)
        touched = np.flatnonzero(share)
        result = np.zeros(self.counts.shape[1:])
        for band in touched:
            result += share[band] * self.counts[band]
        return result, bool(np.all(share[touched] == 1))


def first_pass(
    scan: xr.Dataset,
    tell: Tell = _quiet,
    stop: Event | None = None,
    budget: int = BANDS_BYTES,
) -> Bands:
    """Read a scan once: sum, maximum, and counts in bands.

    Parameters
    ----------
    scan : Dataset
        ``counts(y, x, channel)``.
    tell, stop
        As in :func:`window_map`.
    budget : int
        Most memory for the bands; the larger the scan, the wider they are. [bytes]

    Returns
    -------
    Bands
        The same for any blocking of the scan.
    """
    counts = scan["counts"]
    ny, nx, channels = counts.shape
    width = LEAST_BAND
    while ny * nx * -(-channels // width) * 4 > budget and width < channels:
        width *= 2
    starts = np.arange(0, channels, width)
    # 16-bit counts of 65 536 channels still fit into 32 bits; wider types may not
    small = counts.dtype.kind == "u" and counts.dtype.itemsize <= 2
    kind: type[Any] = np.uint32 if small else np.float32
    bands = np.zeros((len(starts), ny, nx), kind)
    total = np.zeros((ny, nx))
    summed, largest = np.zeros(channels), np.zeros(channels)
    lock = Lock()

    def work(rows: slice, columns: slice, block: npt.NDArray[Any]) -> None:
        part = np.add.reduceat(block, starts, axis=2, dtype=kind)
        bands[:, rows, columns] = np.moveaxis(part, 2, 0)
        total[rows, columns] = block.sum(axis=2, dtype=np.float64)
        added, top = block.sum(axis=(0, 1), dtype=np.float64), block.max(axis=(0, 1))
        with lock:
            np.add(summed, added, out=summed)
            np.maximum(largest, top, out=largest)

    _over_blocks(counts, work, None, tell, stop)
    return Bands(bands, width, channels, total, summed, largest)
