"""Chunks of HDF5 datasets, unpacked with a limit on what may come out.

HDF5 and most of its filters believe the size that a packed chunk states, or let the
output grow as long as the stream goes on: a few kilobytes can ask for gigabytes.
Here a chunk that would unpack to more than its declared size is refused. The most
usual packing (gzip, with or without byte shuffle) is unpacked outside the lock of
the HDF5 library, so that several threads can do it at a time.
"""

from __future__ import annotations

import bz2
import itertools
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
from zlib_ng import zlib_ng

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text

__all__ = ["check_packed", "read_box"]

GZIP, SHUFFLE, CHECKSUM = 1, 2, 3
LZ4, BLOSC, BITSHUFFLE, ZSTD, BLOSC2, BZIP2 = 32004, 32001, 32008, 32015, 32026, 307
_BAD_STREAM: type[Exception] = zlib_ng.error  # type: ignore[assignment]  # its stub says instance
SLACK = 65_536  # headers and tables of a packed chunk that does not get smaller


Buffer = bytes | memoryview


class _BombError(ValueError):
    """A chunk that does not hold what it should."""


def read_box(dset: h5py.Dataset, key: tuple[slice, ...]) -> npt.NDArray[Any]:
    """Read a box of a dataset; like ``dset[key]``, with bounded memory.

    Parameters
    ----------
    dset : h5py.Dataset
        Dataset of numbers.
    key : tuple of slice
        Box in plain slices with start and stop, one for each dimension.

    Returns
    -------
    ndarray
        The box.

    Raises
    ------
    InputError
        If a chunk would unpack to more than its declared size.
    """
    filters = _filters(dset)
    if dset.chunks is None or not filters or dset.is_virtual:
        return np.asarray(dset[key])
    codes = [code for code, _ in filters]
    fast = set(codes) <= {GZIP, SHUFFLE} and _plain_type(dset)
    out = np.empty([k.stop - k.start for k in key], dtype=dset.dtype) if fast else None
    at: tuple[int, ...] = ()
    try:
        for corner in _corners(dset, key):
            at = corner
            raw, mask = _raw(dset, corner)
            if out is None:
                if raw is not None:
                    _check(raw, mask, filters, _size(dset))
            else:
                _paste(dset, key, corner, _unpack(dset, raw, mask, codes), out)
    except _BombError as err:
        raise InputError(
            clean_text(dset.file.filename),
            clean_text(dset.name),
            found=f"{err}, at index {at}",
            expected=f"chunks of {_size(dset)} bytes when unpacked",
            remedy="the file is damaged or hostile: export the data again",
        ) from err
    return np.asarray(dset[key]) if out is None else out


def _filters(dset: h5py.Dataset) -> list[tuple[int, tuple[int, ...]]]:
    plist = dset.id.get_create_plist()
    found = [plist.get_filter(i) for i in range(plist.get_nfilters())]
    return [(code, tuple(values)) for code, _, values, _ in found]


def _plain_type(dset: h5py.Dataset) -> bool:
    """Tell whether the bytes in the file are those of the NumPy type."""
    if dset.dtype.kind not in "iuf":
        return False
    return bool(dset.id.get_type() == h5py.h5t.py_create(dset.dtype))


def _size(dset: h5py.Dataset) -> int:
    return int(math.prod(dset.chunks) * dset.dtype.itemsize)


def _corners(dset: h5py.Dataset, key: tuple[slice, ...]) -> Iterator[tuple[int, ...]]:
    """First corners of the chunks that a box touches."""
    ranges = [
        range(k.start // c * c, k.stop, c) if k.stop > k.start else range(0)
        for k, c in zip(key, dset.chunks, strict=True)
    ]
    yield from itertools.product(*ranges)


def _raw(dset: h5py.Dataset, corner: tuple[int, ...]) -> tuple[bytes | None, int]:
    """Packed bytes of a chunk and the mask of filters left out; ``None`` if never written."""
    info = dset.id.get_chunk_info_by_coord(corner)
    if info.byte_offset is None:
        return None, 0
    if info.size > _size(dset) * 1.2 + SLACK:
        raise _BombError(f"a packed chunk of {info.size} bytes")
    # the mask that read_direct_chunk returns itself is 0 whatever stands in the file
    return dset.id.read_direct_chunk(corner)[1], info.filter_mask


def _unpack(dset: h5py.Dataset, raw: bytes | None, mask: int, codes: list[int]) -> npt.NDArray[Any]:
    """Unpack a chunk; shape of the chunk, or (bytes of a number, *chunk) while still shuffled."""
    if raw is None:
        return np.full(dset.chunks, dset.fillvalue, dtype=dset.dtype)
    size, width = _size(dset), dset.dtype.itemsize
    data: Buffer = raw
    shuffled = False
    for i, code in reversed(list(enumerate(codes))):
        if mask >> i & 1:
            continue
        if shuffled:  # packed or shuffled again, which nobody does on purpose
            data, shuffled = _unshuffle(data, width), False
        if code == GZIP:
            data = _inflate(data, size)
        elif len(data) == size and width > 1:
            shuffled = True
    if len(data) != size:
        raise _BombError(f"a chunk that unpacks to {len(data)} bytes")
    if shuffled:
        return np.frombuffer(data, dtype=np.uint8).reshape(width, *dset.chunks)
    return np.frombuffer(data, dtype=dset.dtype).reshape(dset.chunks)


def _unshuffle(data: Buffer, itemsize: int) -> Buffer:
    """Undo the byte shuffle: first all first bytes, then all second bytes, and so on."""
    planes = np.frombuffer(data, dtype=np.uint8).reshape(itemsize, -1)
    out = np.empty((planes.shape[1], itemsize), dtype=np.uint8)
    for i, plane in enumerate(planes):  # twenty times faster than one transposed copy
        out[:, i] = plane
    return out.reshape(-1).data


def check_packed(codecs: Sequence[str], file: Path, size: int) -> None:
    """Refuse a file that holds one packed chunk and would unpack to more than its size.

    Parameters
    ----------
    codecs : sequence of str
        Packings of a Zarr array, in the order in which they were applied, with at most
        one compressor.
    file : Path
        File of the chunk.
    size : int
        Size of the chunk when unpacked. [bytes]

    Raises
    ------
    ValueError
        If it is larger.
    """
    if file.stat().st_size > size * 1.2 + SLACK:
        raise _BombError(f"a packed chunk of {file.stat().st_size} bytes")
    raw = file.read_bytes()
    for codec in reversed(codecs):
        if codec == "crc32c":
            raw = raw[:-4]
        elif codec == "gzip":
            _inflate(raw, size + SLACK, 31)
        elif codec in ("zlib", "bz2", "zstd", "blosc"):
            codes = {"zlib": GZIP, "bz2": BZIP2, "zstd": ZSTD, "blosc": BLOSC}
            _check(raw, 0, [(codes[codec], ())], size)
        elif codec == "lz4" and int.from_bytes(raw[:4], "little") > size + SLACK:
            raise _BombError("a chunk that states more than its size")


def _inflate(data: Buffer, size: int, form: int = 15) -> bytes:
    unpacker = zlib_ng.decompressobj(form)
    try:
        out: bytes = unpacker.decompress(data, size + 1)
    except _BAD_STREAM as err:
        raise _BombError(f"a chunk that cannot be unpacked ({err})") from err
    if len(out) > size:
        raise _BombError("a chunk that unpacks to more than its size")
    return out


def _paste(
    dset: h5py.Dataset,
    key: tuple[slice, ...],
    corner: tuple[int, ...],
    chunk: npt.NDArray[Any],
    out: npt.NDArray[Any],
) -> None:
    """Copy the part of a chunk that lies in the box; undo the byte shuffle on the way."""
    source, target = [], []
    for k, first, length in zip(key, corner, dset.chunks, strict=True):
        low, high = max(k.start, first), min(k.stop, first + length)
        source.append(slice(low - first, high - first))
        target.append(slice(low - k.start, high - k.start))
    if chunk.ndim == out.ndim:
        out[tuple(target)] = chunk[tuple(source)]
        return
    places = out.view(np.uint8).reshape(*out.shape, len(chunk))  # the bytes of each number
    for i, plane in enumerate(chunk):
        places[..., i][tuple(target)] = plane[tuple(source)]


def _check(raw: bytes, mask: int, filters: list[tuple[int, tuple[int, ...]]], size: int) -> None:
    """Compare the size that the outermost packing states with the declared one."""
    for i, (code, values) in reversed(list(enumerate(filters))):
        if mask >> i & 1:
            continue
        if code == CHECKSUM:
            raw = raw[:-4]
            continue
        states = _stated_size(code, values, raw, size)
        # checksums and padding of inner filters make it a little larger
        if states is not None and states > size + SLACK:
            raise _BombError(f"a chunk that states {states} bytes")
        return


def _stated_size(code: int, values: tuple[int, ...], raw: bytes, size: int) -> int | None:
    """Size after unpacking, as far as the header tells; ``None`` for bounded packings."""
    if code == GZIP:
        return len(_inflate(raw, size + SLACK))
    if code == BZIP2:
        try:
            return len(bz2.BZ2Decompressor().decompress(raw, size + SLACK + 1))
        except OSError as err:
            raise _BombError(f"a chunk that cannot be unpacked ({err})") from err
    if code == LZ4 or (code == BITSHUFFLE and len(values) > 4 and values[4] != 0):
        return int.from_bytes(raw[:8], "big")
    if code == BLOSC:
        return int.from_bytes(raw[4:8], "little")
    if code == BLOSC2:  # a frame: the size stands behind magic, lengths and flags
        return int.from_bytes(raw[30:38], "big")
    return _zstd_size(raw) if code == ZSTD else None


def _zstd_size(raw: bytes) -> int:
    """Content size in the header of a Zstandard frame (RFC 8878, section 3.1.1.1)."""
    if len(raw) < 6 or raw[:4] != b"\x28\xb5\x2f\xfd":
        raise _BombError("a chunk that is no Zstandard frame")
    flags = raw[4]
    single = flags >> 5 & 1
    at = 5 + (0 if single else 1) + (0, 1, 2, 4)[flags & 3]
    width = (1 if single else 0, 2, 4, 8)[flags >> 6]
    stated = int.from_bytes(raw[at : at + width], "little")
    return stated + (256 if width == 2 else 0)
