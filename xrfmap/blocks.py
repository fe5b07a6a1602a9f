"""Work on a scan block by block: reading, computing and what comes after overlap.

The blocks and what is computed on each depend on the scan alone, not on who computes:
this process (:class:`Here`) or many machines (:mod:`xrfmap.cluster`) give the same numbers.
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
    """Works in this process: while a block is computed, the next ones are read.

    What comes after the computation (packing, writing) has threads of its own too. How many
    blocks are in memory at a time, :func:`xrfmap.io.lazy.readers` says.
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
            Computation on a block, and what follows it.
        in_order : bool
            Without meaning here: blocks always come in order.

        Yields
        ------
        tuple
            Number of the box, and what `finish` gave.
        """
        number = readers(counts.data)
        reader, writer = ThreadPoolExecutor(number), ThreadPoolExecutor(number)
        going: deque[tuple[int, Future[U]]] = deque()
        try:
            coming = deque(reader.submit(read_box, counts, box) for box in boxes[:number])
            for at, box in enumerate(boxes):
                block = coming.popleft().result()
                if at + number < len(boxes):
                    coming.append(reader.submit(read_box, counts, boxes[at + number]))
                done = work(block, box)
                del block  # what is read next takes its place
                going.append((at, writer.submit(finish, done)))
                del done
                if len(going) > number:
                    first, ready = going.popleft()
                    yield first, ready.result()
            for first, ready in going:
                yield first, ready.result()
        finally:  # also where nobody wants the rest
            for pool in (reader, writer):
                pool.shutdown(wait=True, cancel_futures=True)


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
