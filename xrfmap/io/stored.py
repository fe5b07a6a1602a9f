"""Counts in a file, seen as an array of (y, x, channel) and read on request."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.safe import MAX_CHANNELS, MAX_PIXELS
from xrfmap.numbers import whole

__all__ = ["StoredCounts", "check_counts", "check_size"]


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
    expected = f"1 to {whole(MAX_CHANNELS)} channels and 1 to {whole(MAX_PIXELS)} pixels"
    if not 1 <= nc <= MAX_CHANNELS or ny < 1 or nx < 1 or ny * nx > MAX_PIXELS:
        raise InputError(
            where,
            field,
            found=f"{whole(ny)} x {whole(nx)} pixels of {whole(nc)} channels",
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
    plan : AxisPlan
        File axis of y, x and channel, and what to take of further axes.
    dtype : numpy.dtype
        Type as stored.

    Attributes
    ----------
    shape : tuple of int
        Shape (y, x, channel).
    dtype : numpy.dtype
        Native byte order; half precision is widened.
    chunk : tuple of int or None
        Size along y, x and channel of the pieces that can only be unpacked whole;
        ``None`` if any part can be read alone.
    """

    def __init__(
        self,
        where: str,
        field: str,
        file_shape: Sequence[int],
        plan: AxisPlan,
        dtype: Any,
    ) -> None:
        self.where, self.field, self.plan = where, field, plan
        self.file_shape = tuple(int(n) for n in file_shape)
        self.order = plan.order
        self.shape = tuple(1 if axis is None else self.file_shape[axis] for axis in self.order)
        self.ndim = 3
        self.chunk: tuple[int, int, int] | None = None
        summed = any(index is None for _, index in plan.picks)
        self.dtype = _native(np.dtype(dtype), summed)
        check_size(self.shape, where, field)

    def in_chunks_of(self, file_chunk: Sequence[int] | None) -> None:
        """Set `chunk` from the chunk in the axis order of the file."""
        if file_chunk is not None:
            cy, cx, cc = (1 if axis is None else int(file_chunk[axis]) for axis in self.order)
            self.chunk = (min(cy, self.shape[0]), min(cx, self.shape[1]), min(cc, self.shape[2]))

    @abstractmethod
    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box in the axis order of the file."""

    def __getitem__(self, key: Any) -> npt.NDArray[Any]:
        keys = _full_key(key, self.ndim)
        boxes = [_box(k, n) for k, n in zip(keys, self.shape, strict=True)]
        file_key = [slice(0, 1)] * len(self.file_shape)
        for axis, index in self.plan.picks:
            whole = slice(0, self.file_shape[axis])
            file_key[axis] = whole if index is None else slice(index, index + 1)
        for place, (box, _) in zip(self.order, boxes, strict=True):
            if place is not None:
                file_key[place] = box
        block = self._arrange(self.read(tuple(file_key)), boxes)
        block = np.ascontiguousarray(block, dtype=self.dtype)
        check_counts(block, self.where, self.field, [box.start for box, _ in boxes[:2]])
        for axis, (_, rest) in reversed(list(enumerate(boxes))):
            block = block[(slice(None),) * axis + (rest,)]
        return block

    def _arrange(self, raw: npt.NDArray[Any], boxes: list[tuple[slice, Any]]) -> npt.NDArray[Any]:
        """Bring a box from the order of the file into (y, x, channel)."""
        summed = tuple(axis for axis, index in self.plan.picks if index is None)
        if summed:
            raw = raw.sum(axis=summed, keepdims=True, dtype=self.dtype)
        named = [axis for axis in self.order if axis is not None]
        rest = [axis for axis in range(raw.ndim) if axis not in named]
        flat = raw.transpose(named + rest)
        # axes that the file does not have take a whole box of length one
        return flat.reshape([box.stop - box.start for box, _ in boxes])


def _native(dtype: np.dtype[Any], summed: bool) -> np.dtype[Any]:
    if dtype == np.float16:
        return np.dtype(np.float32)  # sums of half precision numbers overflow at 65504
    if summed and dtype.kind in "iu":  # detectors add up to more than one of them can hold
        return np.dtype(f"{dtype.kind}{min(8, 2 * dtype.itemsize)}")
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
