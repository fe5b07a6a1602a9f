"""Work on a scan block by block: reading, computing and what comes after overlap.

The blocks and what is computed on each depend on the scan alone, not on who computes:
this process (:class:`Here`) or many machines (:mod:`xrfmap.maps.many_machines`) give the same
numbers.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import pairwise
from typing import Protocol, TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.io.lazy import block_grid, read_block, readers

__all__ = ["Block", "Box", "Here", "Runner", "as_it_is", "boxes_of", "read_box", "stretches"]

Box = tuple[slice, slice]
"""Rows and columns of a block."""

Block = npt.NDArray[np.generic]
"""Counts of a block, shape (rows, columns, channel)."""

EVEN = 4
"""Blocks a thread from which on it does not matter that some threads end sooner."""

T = TypeVar("T")
U = TypeVar("U")


class Runner(Protocol):
    """Works on blocks, somewhere."""

    def run(
        self,
        counts: xr.DataArray,
        boxes: Sequence[Box],
        work: Callable[[Block, Box], T],
        finish: Callable[[T], U],
        *,
        in_order: bool = True,
    ) -> Iterator[tuple[int, U]]:
        """Give ``finish(work(block, box))`` for each box, with the number of the box."""


def boxes_of(counts: xr.DataArray) -> list[Box]:
    """Rows and columns of every block of a scan, row after row.

    Parameters
    ----------
    counts : DataArray, shape (y, x, channel)
        Counts, lazy or not.

    Returns
    -------
    list of tuple of slice
        Whole chunks of the file wherever they fit into memory.
    """
    tall, wide = block_grid(counts)
    downs = np.concatenate([[0], np.cumsum(tall)])
    across = np.concatenate([[0], np.cumsum(wide)])
    return [
        (slice(int(y0), int(y1)), slice(int(x0), int(x1)))
        for y0, y1 in pairwise(downs)
        for x0, x1 in pairwise(across)
    ]


def read_box(counts: xr.DataArray, box: Box) -> Block:
    """Read the counts of one block, shape (rows, columns, channel)."""
    return read_block(counts.data, *box)


class Here:
    """Works in this process: some blocks are read while others are computed and packed.

    A block stays with one thread from the file to what is kept of it, so that no core waits
    for another. How many blocks are in memory at a time, :func:`xrfmap.io.lazy.readers` says.
    """

    def run(
        self,
        counts: xr.DataArray,
        boxes: Sequence[Box],
        work: Callable[[Block, Box], T],
        finish: Callable[[T], U],
        *,
        in_order: bool = True,
    ) -> Iterator[tuple[int, U]]:
        """Give ``finish(work(block, box))`` for each box.

        Parameters
        ----------
        counts : DataArray, shape (y, x, channel)
            Counts; only a few blocks of a lazy array are in memory.
        boxes : sequence of tuple of slice
            Rows and columns of the blocks.
        work, finish : callable
            Computation on a block, and what follows it; called from several threads, each
            with its share of the cores for what numba shares out.
        in_order : bool
            Without meaning here: blocks always come in order.

        Yields
        ------
        tuple
            Number of the box, and what `finish` gave.
        """
        from numba import get_num_threads

        cores = get_num_threads()
        # with two, one can wait for the disk while the other one computes
        threads = max(1, min(max(readers(counts.data), 2), len(boxes)))
        # few blocks: the last ones would keep some of the cores only
        share = cores if len(boxes) < EVEN * threads else max(1, cores // threads)

        def one(box: Box) -> U:
            return finish(work(read_box(counts, box), box))

        pool = ThreadPoolExecutor(threads, "blocks", initializer=_take, initargs=(share,))
        going: deque[tuple[int, Future[U]]] = deque()
        try:
            for number, box in enumerate(boxes):
                going.append((number, pool.submit(one, box)))
                if len(going) > 2 * threads:
                    yield _result(going)
            while going:
                yield _result(going)
        finally:  # also where nobody wants the rest
            pool.shutdown(wait=True, cancel_futures=True)


def _take(cores: int) -> None:
    """Let this thread use so many cores."""
    from numba import set_num_threads

    set_num_threads(cores)


def _result(going: deque[tuple[int, Future[U]]]) -> tuple[int, U]:
    number, future = going.popleft()
    return number, future.result()


def as_it_is(value: T) -> T:
    """Leave what the computation gave, where nothing comes after it."""
    return value


def stretches(group: npt.NDArray[np.intp] | None, rows: slice) -> list[tuple[slice, int]]:
    """Rows of a block that are treated alike.

    Parameters
    ----------
    group : ndarray of int, shape (y,), or None
        Group of each row of the scan; None where all are alike.
    rows : slice
        Rows of the block in the scan.

    Returns
    -------
    list of tuple
        Rows within the block, and their group, in order.
    """
    if group is None:
        return [(slice(0, rows.stop - rows.start), 0)]
    mine = group[rows]
    edges = [0, *(np.flatnonzero(np.diff(mine)) + 1).tolist(), len(mine)]
    return [(slice(a, b), int(mine[a])) for a, b in pairwise(edges)]
