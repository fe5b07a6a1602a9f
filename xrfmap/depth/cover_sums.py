"""Spectra summed over square blocks of pixels, for maps of cover, with what ran full in them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.fit.full_blocks import FullKinds, FullWatch
from xrfmap.io.lazy import map_blocks

__all__ = ["block_sums"]


def block_sums(
    scan: xr.Dataset, side: int, watch: FullWatch | None = None
) -> tuple[npt.NDArray[np.uint32], FullKinds | None]:
    """Sum the spectra of square blocks of pixels.

    Parameters
    ----------
    scan : Dataset
        ``counts(y, x, channel)``, which may be lazy. [counts]
    side : int
        Pixels a side of a block; those at the far edges may hold fewer.
    watch : FullWatch, optional
        Channels in which pixels of the scan ran full.

    Returns
    -------
    sums : ndarray of uint32, shape (rows, columns, channels)
        Sums. [counts]
    full : FullKinds or None
        Which channels each block, row after row, should be fitted without; None where no
        block has any.
    """
    ny, nx, channels = scan["counts"].shape
    shape = -(-ny // side), -(-nx // side)
    total = np.zeros((*shape, channels), np.uint32)
    # of the few channels that ran full anywhere, in numbers that just hold a block's pixels
    kind = np.min_scalar_type(side**2)
    number = np.zeros((*shape, 0 if watch is None else len(watch.channels)), kind)

    def added(part: npt.NDArray[Any], rows: slice, cols: slice, dtype: Any) -> npt.NDArray[Any]:
        summed = np.add.reduceat(part, _firsts(cols, side), axis=1, dtype=dtype)
        return np.asarray(np.add.reduceat(summed, _firsts(rows, side), axis=0, dtype=dtype))

    def work(
        rows: slice, cols: slice, part: npt.NDArray[Any]
    ) -> tuple[npt.NDArray[Any], npt.NDArray[Any] | None]:
        full = None if watch is None else added(watch.at_full(part), rows, cols, kind)
        return added(part, rows, cols, np.uint32), full

    for rows, cols, (part, full) in map_blocks(scan["counts"], work):
        down, across = rows.start // side, cols.start // side
        here = slice(down, down + part.shape[0]), slice(across, across + part.shape[1])
        total[here] += part
        if full is not None:
            number[here] += full
    if watch is None:
        return total, None
    flat = number.reshape(-1, len(watch.channels))
    return total, watch.kinds(watch.left_out(flat, total.reshape(len(flat), channels)))


def _firsts(pixels: slice, side: int) -> npt.NDArray[np.intp]:
    """First of those pixels in each block that they lie in."""
    block = np.arange(pixels.start, pixels.stop) // side
    return np.flatnonzero(np.diff(block, prepend=-1))
