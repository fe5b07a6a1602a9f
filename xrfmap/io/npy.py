"""NumPy ``.npy`` files, without objects."""

from __future__ import annotations

import tokenize
from pathlib import Path

import numpy as np

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, require_file
from xrfmap.io.strided import Layout, Number
from xrfmap.numbers import whole

__all__ = ["npy_layout"]

# what NumPy raises on damaged headers, which are Python text
_DAMAGE = (
    ValueError, OSError, TypeError, SyntaxError, RecursionError, MemoryError, KeyError,
    tokenize.TokenError,
)  # fmt: skip


def npy_layout(path: Path) -> Layout:
    """Where the numbers of a ``.npy`` file lie.

    Parameters
    ----------
    path : Path
        File of an array of integers or real numbers.

    Returns
    -------
    Layout
        Offset, shape and strides.

    Raises
    ------
    InputError
        If the header is damaged, the array holds objects or other than numbers, or the
        file is shorter than the header says.
    """
    where = clean_text(path.name)
    size = require_file(path).stat().st_size
    try:
        with path.open("rb") as stream:
            version = np.lib.format.read_magic(stream)
            read = np.lib.format.read_array_header_1_0
            if version >= (2, 0):
                read = np.lib.format.read_array_header_2_0
            shape, fortran, dtype = read(stream)
            offset = stream.tell()
    except _DAMAGE as err:
        raise InputError(
            where,
            found=f"a header that cannot be read ({clean_text(err, 120)})",
            expected="a .npy file of numbers",
            remedy="save the array again with numpy.save",
        ) from err
    if dtype.kind not in "iuf" or dtype.hasobject or dtype.itemsize > 8 or not shape:
        raise InputError(
            where,
            found=f"type {clean_text(dtype, 60)}, shape {shape}",
            expected="an array of integers or real numbers of up to 8 bytes",
            remedy="save the counts alone, as integers",
        )
    strides, unit = [0] * len(shape), dtype.itemsize
    for axis in range(len(shape)) if fortran else reversed(range(len(shape))):
        strides[axis] = unit
        unit *= int(shape[axis])
    if offset + unit > size or any(n < 0 for n in shape):
        raise InputError(
            where,
            found=f"{whole(size - offset)} bytes of numbers",
            expected=f"{whole(unit)} bytes for shape {shape} of {dtype}",
            remedy="the file was cut off: copy or save it again",
        )
    return Layout(offset, tuple(int(n) for n in shape), tuple(strides), Number.of(dtype))
