"""Counts that stay on disk: picklable stand-ins, read and checked block by block."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from typing import Any

import dask.array as da
import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.safe import MAX_CHANNELS, MAX_PIXELS

__all__ = [
    "BLOCK_BYTES",
    "BLOCK_PIXELS",
    "StoredCounts",
    "block_shape",
    "check_counts",
    "check_size",
    "iter_blocks",
    "lazy_counts",
    "quick_check",
]

BLOCK_PIXELS = 4096  # enough rows for a good matrix product, 33 MB at 2048 channels of 4 bytes
MAX_BLOCK_PIXELS = 8192
BLOCK_BYTES = 64 << 20  # several blocks at a time stay far below the memory target


def check_size(shape_yxc: Sequence[int], where: str, field: str) -> None:
    """Refuse sizes beyond any instrument before memory is asked for.

    Parameters
    ----------
    shape_yxc : sequence of int
        Declared shape (y, x, channel).
    where, field : str
        File and dataset, for the message.

    Raises
    ------
    InputError
        If a size is zero, or there are too many channels or pixels.
    """
    ny, nx, nc = shape_yxc
    expected = f"1 to {MAX_CHANNELS} channels and 1 to {MAX_PIXELS} pixels"
    if not 1 <= nc <= MAX_CHANNELS or ny < 1 or nx < 1 or ny * nx > MAX_PIXELS:
        raise InputError(
            where,
            field,
            found=f"{ny} x {nx} pixels of {nc} channels",
            expected=expected,
            remedy="check which axis is the energy axis, and the sizes that the file declares",
        )


def check_counts(
    block: npt.NDArray[Any], where: str, field: str = "counts", first: Sequence[int] = (0, 0)
) -> npt.NDArray[Any]:
    """Check that a block of counts holds numbers of zero or more.

    Parameters
    ----------
    block : ndarray, shape (..., channel)
        Counts. [counts]
    where, field : str
        File and dataset, for the message.
    first : sequence of int
        Row and column of the first pixel of the block in the scan.

    Returns
    -------
    ndarray
        The same block.

    Raises
    ------
    InputError
        If there is a negative, infinite or missing count, with pixel and channel.
    """
    if block.dtype.kind == "u" or block.size == 0:
        return block
    low = block.min()  # NaN wins every comparison in min, so one pass finds it too
    if low >= 0 and (block.dtype.kind == "i" or np.isfinite(block.max())):
        return block
    bad = ~(block >= 0) if block.dtype.kind == "i" else ~(np.isfinite(block) & (block >= 0))
    at = np.argwhere(bad)[0]
    pixel = tuple(int(i) + int(f) for i, f in zip(at[:-1], first, strict=False))
    place = f"pixel (y, x) = {pixel}, channel {int(at[-1])}" if pixel else f"channel {int(at[-1])}"
    raise InputError(
        where,
        field,
        found=f"{block[tuple(at)]:g} at {place}",
        expected="counts of 0 or more in every channel",
        remedy="export the counts as measured (no background subtracted, no gaps filled with NaN)",
    )


class StoredCounts(ABC):
    """Counts in a file, seen as an array of (y, x, channel) and read on request.

    Nothing is kept open: an instance can be pickled and read by many processes.

    Parameters
    ----------
    where, field : str
        File and place in it, for messages.
    file_shape : sequence of int
        Shape as stored.
    order : sequence of (int or None)
        File axis of y, x and channel; ``None`` for an axis that the file does not
        have. File axes that are not named must have the length one.
    dtype : numpy.dtype
        Type as stored.

    Attributes
    ----------
    shape : tuple of int
        Shape (y, x, channel).
    dtype : numpy.dtype
        Native byte order; half precision is widened.
    """

    def __init__(
        self,
        where: str,
        field: str,
        file_shape: Sequence[int],
        order: Sequence[int | None],
        dtype: Any,
    ) -> None:
        self.where, self.field = where, field
        self.file_shape = tuple(int(n) for n in file_shape)
        self.order = tuple(order)
        self.shape = tuple(1 if axis is None else self.file_shape[axis] for axis in self.order)
        self.ndim = 3
        self.dtype = _native(np.dtype(dtype))
        check_size(self.shape, where, field)

    @abstractmethod
    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box in the axis order of the file."""

    def __getitem__(self, key: Any) -> npt.NDArray[Any]:
        keys = _full_key(key, self.ndim)
        boxes = [_box(k, n) for k, n in zip(keys, self.shape, strict=True)]
        file_key = [slice(0, 1)] * len(self.file_shape)
        for axis, (box, _) in zip(self.order, boxes, strict=True):
            if axis is not None:
                file_key[axis] = box
        block = self._arrange(self.read(tuple(file_key)), boxes)
        block = np.ascontiguousarray(block, dtype=self.dtype)
        check_counts(block, self.where, self.field, [box.start for box, _ in boxes[:2]])
        for axis, (_, rest) in reversed(list(enumerate(boxes))):
            block = block[(slice(None),) * axis + (rest,)]
        return block

    def _arrange(self, raw: npt.NDArray[Any], boxes: list[tuple[slice, Any]]) -> npt.NDArray[Any]:
        """Bring a box from the order of the file into (y, x, channel)."""
        named = [axis for axis in self.order if axis is not None]
        rest = [axis for axis in range(raw.ndim) if axis not in named]
        flat = raw.transpose(named + rest)
        # axes that the file does not have take a whole box of length one
        return flat.reshape([box.stop - box.start for box, _ in boxes])


def _native(dtype: np.dtype[Any]) -> np.dtype[Any]:
    if dtype == np.float16:
        return np.dtype(np.float32)  # sums of half precision numbers overflow at 65504
    return dtype.newbyteorder("=")


def _full_key(key: Any, ndim: int) -> list[Any]:
    keys = list(key) if isinstance(key, tuple) else [key]
    if Ellipsis in [k for k in keys if k is Ellipsis]:
        at = next(i for i, k in enumerate(keys) if k is Ellipsis)
        keys[at : at + 1] = [slice(None)] * (ndim - len(keys) + 1)
    return keys + [slice(None)] * (ndim - len(keys))


def _box(key: Any, size: int) -> tuple[slice, Any]:
    """Smallest plain slice around an index, and the index inside that slice."""
    if isinstance(key, slice):
        wanted = range(size)[key]
        if not wanted:
            return slice(0, 0), slice(0, 0)
        low, high = min(wanted[0], wanted[-1]), max(wanted[0], wanted[-1]) + 1
        return slice(low, high), slice(None, None, wanted.step)
    index = np.asarray(key)
    if index.dtype == bool:
        index = np.flatnonzero(index)
    if index.size == 0:
        return slice(0, 0), index.astype(np.intp)
    if index.min() < -size or index.max() >= size:
        raise IndexError(f"index {key} is outside 0..{size - 1}")
    index = np.where(index < 0, index + size, index)
    low = int(index.min())
    return slice(low, int(index.max()) + 1), int(index) - low if index.ndim == 0 else index - low


def block_shape(
    shape_yxc: Sequence[int], itemsize: int, chunk_yx: tuple[int, int] | None = None
) -> tuple[int, int]:
    """Rows and columns of a block, in whole chunks of the file.

    Parameters
    ----------
    shape_yxc : sequence of int
        Shape (y, x, channel).
    itemsize : int
        Bytes of one number.
    chunk_yx : tuple of int, optional
        Chunk of the file along y and x; one pixel if not given.

    Returns
    -------
    tuple of int
        Rows and columns. About 4096 pixels; whole rows where they fit; fewer where
        a block would take more than `BLOCK_BYTES`. Chunks that would be too large
        as one block are cut, and then read more than once.
    """
    ny, nx, nc = shape_yxc
    most = max(1, min(MAX_BLOCK_PIXELS, BLOCK_BYTES // (nc * itemsize)))
    want = min(BLOCK_PIXELS, most)
    cy, cx = chunk_yx or (1, 1)
    cy, cx = min(cy, ny), min(cx, nx)
    if cy * nx <= most:
        return min(ny, cy * max(1, round(want / (cy * nx)))), nx
    if cy * cx <= 4 * most:  # up to four times the usual memory rather than reading twice
        return cy, min(nx, cx * max(1, want // (cy * cx)))
    columns = min(nx, cx, most)
    return max(1, min(cy, want // columns)), columns


def lazy_counts(stored: StoredCounts, chunk_yx: tuple[int, int] | None, token: str) -> da.Array:
    """Dask array over counts in a file.

    Parameters
    ----------
    stored : StoredCounts
        The stand-in.
    chunk_yx : tuple of int or None
        Chunk of the file along y and x.
    token : str
        Text that changes with the content, such as a hash; it names the tasks, so
        that the same file gives the same names on every run.

    Returns
    -------
    dask.array.Array, shape (y, x, channel)
        Blocks of some thousand pixels with all channels.
    """
    rows, columns = block_shape(stored.shape, stored.dtype.itemsize, chunk_yx)
    name = f"counts-{token}-{math.prod(stored.shape)}"
    array: da.Array = da.from_array(  # type: ignore[no-untyped-call]
        stored,
        chunks=(rows, columns, -1),
        name=name,
        asarray=True,
        fancy=False,
        meta=np.empty((0, 0, 0), dtype=stored.dtype),
    )
    return array


def iter_blocks(
    counts: Any, wanted: npt.NDArray[np.bool_] | None = None
) -> Iterator[tuple[slice, slice, npt.NDArray[Any]]]:
    """Blocks of a lazy cube, one at a time.

    Parameters
    ----------
    counts : DataArray, dask array or ndarray, shape (y, x, channel)
        Counts; only one block is in memory.
    wanted : ndarray of bool, shape (y, x), optional
        Pixels that are needed; blocks without any of them are not read.

    Yields
    ------
    tuple
        Rows, columns, and the block with all channels.
    """
    data = getattr(counts, "data", counts)
    if not hasattr(data, "chunks"):
        ny, nx, _ = data.shape
        step, columns = block_shape(data.shape, data.dtype.itemsize)
        tall = [min(step, ny - y) for y in range(0, ny, step)]
        wide = [min(columns, nx - x) for x in range(0, nx, columns)]
    else:
        tall, wide = data.chunks[0], data.chunks[1]
    y = 0
    for height in tall:
        x = 0
        for width in wide:
            rows, cols = slice(y, y + height), slice(x, x + width)
            if wanted is None or wanted[rows, cols].any():
                yield rows, cols, np.asarray(data[rows, cols])
            x += width
        y += height


def quick_check(stored: StoredCounts, rows: int = 5) -> None:
    """Read a few rows, so that plain mistakes show at once; refuse an empty scan.

    Parameters
    ----------
    stored : StoredCounts
        Counts in a file.
    rows : int
        Rows read, spread evenly.

    Raises
    ------
    InputError
        If a row holds bad counts, or no pixel of the whole scan holds any.
    """
    ny, nx, nc = stored.shape
    columns = max(1, min(nx, BLOCK_BYTES // (nc * stored.dtype.itemsize)))
    seen = False
    for row in np.unique(np.linspace(0, ny - 1, rows).astype(int)):
        seen |= bool(stored[row : row + 1, :columns].any())
    if seen:
        return
    step, columns = block_shape(stored.shape, stored.dtype.itemsize)
    for y in range(0, ny, step):
        for x in range(0, nx, columns):
            if stored[y : y + step, x : x + columns].any():
                return
    raise InputError(
        stored.where,
        stored.field,
        found=f"no count in any of {ny} x {nx} pixels",
        expected="a scan with counts",
        remedy="check that the right dataset was exported and that the shutter was open",
    )
