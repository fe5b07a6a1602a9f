"""Numbers in a file at even steps, read by position: raw blocks, ``.npy``, plain TIFF."""

from __future__ import annotations

import itertools
import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.safe import clean_text
from xrfmap.io.stored import StoredCounts
from xrfmap.numbers import whole

__all__ = ["Layout", "Number", "StridedCounts", "read_strided"]

MAX_SPAN = 64 << 20  # longest piece of a file read at one go


@dataclass(frozen=True)
class Number:
    """How a number is stored: kind, width in bytes and byte order.

    Parameters
    ----------
    kind : {"u", "i", "f"}
        Without sign, with sign, real.
    width : int
        1 to 8 bytes; 2, 4 or 8 for real numbers.
    big : bool
        Most significant byte first.
    """

    kind: str
    width: int
    big: bool = False

    @classmethod
    def named(cls, name: str, byte_order: str) -> Number:
        """Build from ``uint24`` and ``little`` or ``big``."""
        match = re.fullmatch(r"(uint|int|float)(\d+)", name)
        if match is None or int(match[2]) % 8 or not 8 <= int(match[2]) <= 64:
            raise ValueError(f"{name!r} is no type of number")
        return cls({"uint": "u", "int": "i", "float": "f"}[match[1]], int(match[2]) // 8,
                   byte_order == "big")  # fmt: skip

    @classmethod
    def of(cls, dtype: np.dtype[Any]) -> Number:
        """Build from a NumPy type."""
        return cls(dtype.kind, dtype.itemsize, dtype.str[0] == ">")

    @property
    def dtype(self) -> np.dtype[Any]:
        """NumPy type that holds the number, in native byte order."""
        width = next(w for w in (1, 2, 4, 8) if w >= self.width)
        return np.dtype(f"{self.kind}{width}")

    def decode(self, raw: npt.NDArray[np.uint8]) -> npt.NDArray[Any]:
        """Numbers from bytes of shape (..., width)."""
        if self.width == self.dtype.itemsize:
            flat = np.ascontiguousarray(raw)
            typed = flat.view(self.dtype.newbyteorder(">" if self.big else "<"))[..., 0]
            return typed.astype(self.dtype, copy=False)
        places = reversed(range(self.width)) if self.big else range(self.width)
        wide = np.dtype(f"u{self.dtype.itemsize}")
        value = np.zeros(raw.shape[:-1], dtype=wide)
        for shift, place in enumerate(places):
            value |= raw[..., place].astype(wide) << wide.type(8 * shift)
        if self.kind == "u":
            return value
        spare = wide.type(8 * (wide.itemsize - self.width))  # move the sign to the top and back
        signed: npt.NDArray[Any] = (value << spare).view(self.dtype) >> spare.astype(self.dtype)
        return signed


@dataclass(frozen=True)
class Layout:
    """Where the numbers of an array lie in a file.

    Parameters
    ----------
    offset : int
        Byte of the first number.
    shape : tuple of int
        Sizes, in the order of the file.
    strides : tuple of int
        Bytes from one step along an axis to the next.
    number : Number
        How a number is stored.
    """

    offset: int
    shape: tuple[int, ...]
    strides: tuple[int, ...]
    number: Number

    @property
    def end(self) -> int:
        """First byte after the last number."""
        steps = sum((n - 1) * s for n, s in zip(self.shape, self.strides, strict=True))
        return self.offset + steps + self.number.width


def read_strided(
    descriptor: int, layout: Layout, key: Sequence[slice], where: str
) -> npt.NDArray[Any]:
    """Read a box.

    Parameters
    ----------
    descriptor : int
        Open file.
    layout : Layout
        Where the numbers lie.
    key : sequence of slice
        Box in plain slices with start and stop.
    where : str
        File, for the message.

    Returns
    -------
    ndarray
        The box, in native byte order.

    Raises
    ------
    InputError
        If the file ends before the box does.
    """
    sizes = [k.stop - k.start for k in key]
    out = np.empty(sizes, dtype=layout.number.dtype)
    if out.size == 0:
        return out
    first = layout.offset + sum(k.start * s for k, s in zip(key, layout.strides, strict=True))
    deep = _pieces(sizes, layout)
    inner, strides = sizes[deep:], layout.strides[deep:]
    width = layout.number.width
    span = sum((n - 1) * s for n, s in zip(inner, strides, strict=True)) + width
    for index in itertools.product(*map(range, sizes[:deep])):
        at = first + sum(i * s for i, s in zip(index, layout.strides[:deep], strict=True))
        data = _read_exactly(descriptor, at, span, where)
        raw = np.ndarray((*inner, width), dtype=np.uint8, buffer=data, strides=(*strides, 1))
        out[index] = layout.number.decode(raw)
    return out


def _pieces(sizes: list[int], layout: Layout) -> int:
    """Count the leading axes to step along, so that each piece is mostly wanted bytes."""
    for deep in range(len(sizes)):
        inner, strides = sizes[deep:], layout.strides[deep:]
        span = sum((n - 1) * s for n, s in zip(inner, strides, strict=True)) + layout.number.width
        wanted = math.prod(inner) * layout.number.width
        if span <= min(MAX_SPAN, 2 * wanted + 4096):
            return deep
    return len(sizes)


def _read_exactly(descriptor: int, at: int, size: int, where: str) -> bytes:
    parts = []
    left = size
    while left:
        part = os.pread(descriptor, left, at)
        if not part:
            raise InputError(
                where,
                found=f"the end of the file at byte {at}",
                expected=f"{whole(left)} more bytes",
                remedy="the file was cut off or changed: copy or export it again",
            )
        parts.append(part)
        left -= len(part)
        at += len(part)
    return parts[0] if len(parts) == 1 else b"".join(parts)


class StridedCounts(StoredCounts):
    """Counts at even steps in a file, opened anew for each read."""

    def __init__(self, path: Path, field: str, layout: Layout, plan: AxisPlan) -> None:
        super().__init__(clean_text(path.name), field, layout.shape, plan, layout.number.dtype)
        self.path, self.layout = path.resolve(), layout

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box in the axis order of the file."""
        try:
            # not mapped into memory: a file that shrinks would kill the process
            descriptor = os.open(self.path, os.O_RDONLY)
        except OSError as err:
            raise InputError(
                self.where,
                found=clean_text(err.strerror or err),
                expected="the file that was opened",
                remedy="do not move the file during a run; start again",
            ) from err
        try:
            return read_strided(descriptor, self.layout, key, self.where)
        finally:
            os.close(descriptor)
