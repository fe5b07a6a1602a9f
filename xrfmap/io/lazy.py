"""Counts that stay on disk: picklable stand-ins, read and checked block by block."""

from __future__ import annotations

import itertools
import math
import os
import weakref
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeVar

import dask.array as da
import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.stored import StoredCounts
from xrfmap.numbers import whole

__all__ = [
    "BLOCK_BYTES",
    "BLOCK_PIXELS",
    "block_grid",
    "block_shape",
    "boxes_of_file",
    "iter_blocks",
    "iter_boxes",
    "lazy_counts",
    "map_blocks",
    "quick_check",
    "read_block",
    "readers",
    "stored_of",
    "times_read",
]

# behind the name of a lazy array, as long as either lives
_STORED: weakref.WeakValueDictionary[str, StoredCounts] = weakref.WeakValueDictionary()

BLOCK_PIXELS = 4096  # enough rows for a good matrix product, 33 MB at 2048 channels of 4 bytes
MAX_BLOCK_PIXELS = 8192
BLOCK_BYTES = 64 << 20  # several blocks at a time stay far below the memory target
AHEAD_BYTES = 384 << 20  # all blocks in memory at a time, a quarter of the memory target
MOST_READERS = 8  # beyond these the disk is the limit

T = TypeVar("T")


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


def lazy_counts(stored: StoredCounts, token: str) -> da.Array:
    """Dask array over counts in a file.

    Parameters
    ----------
    stored : StoredCounts
        The stand-in.
    token : str
        Text that changes with the content, such as a hash; it names the tasks, so
        that the same file gives the same names on every run.

    Returns
    -------
    dask.array.Array, shape (y, x, channel)
        Blocks of some thousand pixels with all channels.
    """
    rows, columns = _block_of(stored)
    name = f"counts-{token}-{math.prod(stored.shape)}"
    array: da.Array = da.from_array(  # type: ignore[no-untyped-call]
        stored,
        chunks=(rows, columns, -1),
        name=name,
        asarray=True,
        fancy=False,
        meta=np.empty((0, 0, 0), dtype=stored.dtype),
    )
    _STORED[array.name] = stored
    return array


def _block_of(stored: StoredCounts) -> tuple[int, int]:
    chunk_yx = None if stored.chunk is None else stored.chunk[:2]
    return block_shape(stored.shape, stored.dtype.itemsize, chunk_yx)


def stored_of(array: Any) -> StoredCounts | None:
    """Stand-in behind a lazy array of this process; ``None`` for other arrays."""
    return _STORED.get(getattr(array, "name", ""))


def times_read(stored: StoredCounts) -> int:
    """How often each chunk of a file is unpacked when the scan is read block by block."""
    if stored.chunk is None:
        return 1
    return math.prod(-(-c // b) for c, b in zip(stored.chunk, _block_of(stored), strict=False))


def iter_boxes(counts: Any) -> Iterator[tuple[slice, slice, slice, npt.NDArray[Any]]]:
    """Boxes that together make up a cube, in the way that is quickest for its file.

    Parameters
    ----------
    counts : DataArray, dask array or ndarray, shape (y, x, channel)
        Counts; only one box is in memory.

    Yields
    ------
    tuple
        Rows, columns, channels, and the box; each chunk of the file is unpacked once,
        so boxes need not hold all channels.
    """
    data = _array_of(counts)
    stored = stored_of(data)
    if stored is None or stored.chunk is None or times_read(stored) == 1:
        for rows, cols, block in iter_blocks(counts):
            yield rows, cols, slice(0, block.shape[2]), block
        return
    for (rows, cols, channels), block in boxes_of_file(stored):
        yield rows, cols, channels, block


def boxes_of_file(
    stored: StoredCounts,
) -> Iterator[tuple[tuple[slice, slice, slice], npt.NDArray[Any]]]:
    """Boxes of whole chunks that together make up the counts in a file.

    Parameters
    ----------
    stored : StoredCounts
        Counts in chunks.

    Yields
    ------
    tuple
        Rows, columns and channels of a box, and the box.
    """
    cy, cx, cc = stored.chunk or stored.shape
    deep = cc * max(1, BLOCK_BYTES // (cy * cx * cc * stored.dtype.itemsize))
    steps = (cy, cx, min(deep, stored.shape[2]))
    starts = (range(0, n, s) for n, s in zip(stored.shape, steps, strict=True))
    for corner in itertools.product(*starts):
        y, x, c = (
            slice(a, min(a + s, n)) for a, s, n in zip(corner, steps, stored.shape, strict=True)
        )
        yield (y, x, c), stored[y, x, c]


def iter_blocks(
    counts: Any, wanted: npt.NDArray[np.bool_] | None = None
) -> Iterator[tuple[slice, slice, npt.NDArray[Any]]]:
    """Blocks of a lazy cube, in order; the next ones are read meanwhile.

    Parameters
    ----------
    counts : DataArray, dask array or ndarray, shape (y, x, channel)
        Counts; only a few blocks are in memory.
    wanted : ndarray of bool, shape (y, x), optional
        Pixels that are needed; blocks without any of them are not read.

    Yields
    ------
    tuple
        Rows, columns, and the block with all channels.
    """
    yield from map_blocks(counts, _as_read, wanted)


def _as_read(_rows: slice, _cols: slice, block: npt.NDArray[Any]) -> npt.NDArray[Any]:
    return block


def map_blocks(
    counts: Any,
    work: Callable[[slice, slice, npt.NDArray[Any]], T],
    wanted: npt.NDArray[np.bool_] | None = None,
    *,
    threads: int | None = None,
) -> Iterator[tuple[slice, slice, T]]:
    """Do something with each block of a cube, on several threads.

    Parameters
    ----------
    counts : DataArray, dask array or ndarray, shape (y, x, channel)
        Counts; only a few blocks are in memory.
    work : callable
        Called with rows, columns and block, from any thread; NumPy lets go of Python's
        lock in what matters here, and so does unpacking.
    wanted : ndarray of bool, shape (y, x), optional
        Pixels that are needed; blocks without any of them are not read.
    threads : int, optional
        As many as :func:`readers` says by default.

    Yields
    ------
    tuple
        Rows, columns, and what `work` gave. Always in the order of the blocks, so that
        sums come out the same for any number of threads.

    Raises
    ------
    InputError
        For the first bad block in this order.
    """
    data = _array_of(counts)
    places = _places(counts, wanted)
    number = readers(data) if threads is None else threads
    if number < 2 or not hasattr(data, "dask"):
        for rows, cols in places:
            yield rows, cols, work(rows, cols, read_block(data, rows, cols))
        return

    def one(rows: slice, cols: slice) -> T:
        return work(rows, cols, read_block(data, rows, cols))

    going: deque[tuple[slice, slice, Future[T]]] = deque()
    pool = ThreadPoolExecutor(number, thread_name_prefix="blocks")
    try:
        for rows, cols in places:
            going.append((rows, cols, pool.submit(one, rows, cols)))
            if len(going) > number:
                yield _first_of(going)
        while going:
            yield _first_of(going)
    finally:  # also where nobody wants the rest
        pool.shutdown(wait=True, cancel_futures=True)


def _first_of(going: deque[tuple[slice, slice, Future[T]]]) -> tuple[slice, slice, T]:
    rows, cols, future = going.popleft()
    return rows, cols, future.result()


def _places(counts: Any, wanted: npt.NDArray[np.bool_] | None) -> Iterator[tuple[slice, slice]]:
    """Rows and columns of the blocks that hold wanted pixels, row after row."""
    tall, wide = block_grid(counts)
    y = 0
    for height in tall:
        x = 0
        for width in wide:
            rows, cols = slice(y, y + height), slice(x, x + width)
            if wanted is None or wanted[rows, cols].any():
                yield rows, cols
            x += width
        y += height


def read_block(data: Any, rows: slice, cols: slice) -> npt.NDArray[Any]:
    """Read a block of a cube in this thread.

    Parameters
    ----------
    data : dask array or ndarray, shape (y, x, channel)
        Counts.
    rows, cols : slice
        Its place.

    Returns
    -------
    ndarray, shape (rows, columns, channel)
        The block. [counts]
    """
    stored = stored_of(data)
    if stored is not None:  # without the detour over a graph of tasks
        return stored[rows, cols]
    block = data[rows, cols]
    if hasattr(block, "dask"):
        block = block.compute(scheduler="synchronous")
    return np.asarray(block)


def readers(data: Any) -> int:
    """Threads that may read blocks of a cube at a time.

    Parameters
    ----------
    data : dask array or ndarray, shape (y, x, channel)
        Counts.

    Returns
    -------
    int
        One for each core that this process may use, up to `MOST_READERS`, and fewer
        where so many blocks would not fit into `AHEAD_BYTES`. One where a scheduler of
        Dask was asked to keep to one.
    """
    from dask import config

    if config.get("scheduler", None) in ("synchronous", "sync", "single-threaded"):
        return 1
    tall, wide = block_grid(data)
    # a block as read and as unpacked
    block = 2 * max(tall) * max(wide) * data.shape[2] * data.dtype.itemsize
    return max(1, min(_cores(), MOST_READERS, AHEAD_BYTES // max(int(block), 1) - 1))


def _cores() -> int:
    """Cores that this process may use: those left to it where several share the machine."""
    there = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    left = os.environ.get("NUMBA_NUM_THREADS", "")
    return min(there or 1, int(left)) if left.isdigit() and int(left) > 0 else there or 1


def _array_of(counts: Any) -> Any:
    """Array of a DataArray; ``data`` of an ndarray is something else."""
    return counts.data if hasattr(counts, "dims") else counts


def block_grid(counts: Any) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Heights and widths of the blocks of a cube.

    Parameters
    ----------
    counts : DataArray, dask array or ndarray, shape (y, x, channel)
        Counts.

    Returns
    -------
    tuple of tuple of int
        Those of the chunks of a lazy array. Each block has all channels.
    """
    data = _array_of(counts)
    if hasattr(data, "chunks"):
        return tuple(data.chunks[0]), tuple(data.chunks[1])
    ny, nx, _ = data.shape
    step, columns = block_shape(data.shape, data.dtype.itemsize)
    return (
        tuple(min(step, ny - y) for y in range(0, ny, step)),
        tuple(min(columns, nx - x) for x in range(0, nx, columns)),
    )


def quick_check(stored: StoredCounts, rows: int = 5) -> None:
    """Read a few rows or planes, so that plain mistakes show at once; refuse an empty scan.

    Parameters
    ----------
    stored : StoredCounts
        Counts in a file.
    rows : int
        Rows or planes read, spread evenly.

    Raises
    ------
    InputError
        If one holds bad counts, or no pixel of the whole scan holds any.
    """
    if _any_of_some(stored, rows):
        return
    if times_read(stored) > 1:
        boxes = (block for _, block in boxes_of_file(stored))
    else:
        step, columns = block_shape(stored.shape, stored.dtype.itemsize)
        ny, nx, _ = stored.shape
        boxes = (
            stored[y : y + step, x : x + columns]
            for y, x in itertools.product(range(0, ny, step), range(0, nx, columns))
        )
    if any(block.any() for block in boxes):
        return
    ny, nx, _ = stored.shape
    raise InputError(
        stored.where,
        stored.field,
        found=f"no count in any of {whole(ny)} x {whole(nx)} pixels",
        expected="a scan with counts",
        remedy="check that the right dataset was exported and that the shutter was open",
    )


def _any_of_some(stored: StoredCounts, number: int) -> bool:
    """Read and check some rows, or some planes where rows lie in all chunks; any counts in them."""
    ny, nx, nc = stored.shape
    seen = False
    if times_read(stored) > 1 and stored.chunk is not None:
        cy, cx, cc = stored.chunk
        for first in np.unique(np.linspace(0, nc - 1, number).astype(int) // cc * cc):
            seen |= bool(stored[:cy, :cx, first : first + cc].any())
        return seen
    columns = max(1, min(nx, BLOCK_BYTES // (nc * stored.dtype.itemsize)))
    for row in np.unique(np.linspace(0, ny - 1, number).astype(int)):
        seen |= bool(stored[row : row + 1, :columns].any())
    return seen
