"""Chunks of HDF5 datasets, unpacked with a limit on what may come out.

HDF5 and most of its filters believe the size that a packed chunk states, or let the
output grow as long as the stream goes on: a few kilobytes can ask for gigabytes.
Here a chunk that would unpack to more than its declared size is refused. The most
usual packing (gzip, with or without byte shuffle) is read and unpacked without the
HDF5 library and its lock, so that several threads can do it at a time.
"""

from __future__ import annotations

import bz2
import itertools
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import deflate
import h5py
import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.chunk_table import GZIP, SLACK, ChunkTable, Filters, table_of
from xrfmap.io.safe import clean_text
from xrfmap.numbers import whole

__all__ = ["check_packed", "read_box", "read_chunks"]

CHECKSUM = 3
LZ4, BLOSC, BITSHUFFLE, ZSTD, BLOSC2, BZIP2 = 32004, 32001, 32008, 32015, 32026, 307

Buffer = bytes | bytearray | memoryview
Corner = tuple[int, ...]
Stored = tuple[bytes, int]  # packed bytes, and the mask of filters that the chunk leaves out


class _BombError(ValueError):
    """A chunk that does not hold what it should."""


def read_box(
    dset: h5py.Dataset, key: tuple[slice, ...], table: ChunkTable | None = None
) -> npt.NDArray[Any]:
    """Read a box of a dataset; like ``dset[key]``, with bounded memory.

    Parameters
    ----------
    dset : h5py.Dataset
        Dataset of numbers.
    key : tuple of slice
        Box in plain slices with start and stop, one for each dimension.
    table : ChunkTable, optional
        Its chunks, where they were listed before.

    Returns
    -------
    ndarray
        The box.

    Raises
    ------
    InputError
        If a chunk would unpack to more than its declared size.
    """
    table = table_of(dset) if table is None else table
    if table is None:
        return np.asarray(dset[key])
    if table.addressed and table.simple:
        return read_chunks(table, key)
    with _told(table) as at:
        if len(table.size) and table.size.max() > table.most_bytes:
            raise _BombError(f"a packed chunk of {whole(table.size.max())} bytes")
        if table.simple:
            return _assembled(table, key, partial(_asked, dset), at)
        for at[0] in _corners(table, key):
            stored = _asked(dset, at[0])
            if stored is not None:
                _check(*stored, table.filters, table.bytes_of_chunk)
    return np.asarray(dset[key])


def read_chunks(table: ChunkTable, key: tuple[slice, ...]) -> npt.NDArray[Any]:
    """Read a box of a dataset by the places of its chunks, without the HDF5 library.

    Parameters
    ----------
    table : ChunkTable
        The chunks; it must be addressed and simple.
    key : tuple of slice
        Box in plain slices with start and stop, one for each dimension.

    Returns
    -------
    ndarray
        The box.

    Raises
    ------
    InputError
        If a chunk is damaged or would unpack to more than its declared size.
    OSError
        If the file cannot be read.
    """
    with table.path.open("rb") as file, _told(table) as at:
        return _assembled(table, key, partial(_seek, file, table), at)


def _assembled(
    table: ChunkTable,
    key: tuple[slice, ...],
    fetch: Callable[[Corner], Stored | None],
    at: list[Corner],
) -> npt.NDArray[Any]:
    """Put a box together from its chunks; `at` tells the one at hand."""
    out = np.empty([k.stop - k.start for k in key], dtype=table.dtype)
    for at[0] in _corners(table, key):
        stored = fetch(at[0])
        if stored is None:
            chunk = np.full(table.chunk, table.fill, dtype=table.dtype)
        else:
            chunk = _unpack(table, *stored)
        _paste(table, key, at[0], chunk, out)
    return out


@contextmanager
def _told(table: ChunkTable) -> Iterator[list[Corner]]:
    """Say where a bad chunk is: at the corner in the list."""
    at: list[Corner] = [(0,) * len(table.shape)]
    try:
        yield at
    except _BombError as err:
        raise InputError(
            clean_text(table.path),
            table.name,
            found=f"{err}, at index {at[0]}",
            expected=f"chunks of {whole(table.bytes_of_chunk)} bytes when unpacked",
            remedy="the file is damaged or hostile: export the data again",
        ) from err


def _corners(table: ChunkTable, key: tuple[slice, ...]) -> Iterator[Corner]:
    """First corners of the chunks that a box touches."""
    ranges = [
        range(k.start // c * c, k.stop, c) if k.stop > k.start else range(0)
        for k, c in zip(key, table.chunk, strict=True)
    ]
    yield from itertools.product(*ranges)


def _seek(file: BinaryIO, table: ChunkTable, corner: Corner) -> Stored | None:
    """Packed bytes of a chunk at its place in the file; ``None`` if never written."""
    index = table.find(corner)
    if index is None:
        return None
    size = int(table.size[index])
    if size > table.most_bytes:
        raise _BombError(f"a packed chunk of {whole(size)} bytes")
    file.seek(int(table.offset[index]))
    raw = file.read(size)
    if len(raw) < size:
        raise _BombError("a chunk beyond the end of the file")
    return raw, int(table.left_out[index])


def _asked(dset: h5py.Dataset, corner: Corner) -> Stored | None:
    """Packed bytes of a chunk as the library finds it; ``None`` if never written."""
    try:
        mask, raw = dset.id.read_direct_chunk(corner)
    except (OSError, RuntimeError) as err:
        if "not allocated" in str(err):
            return None
        raise _BombError(f"a chunk that cannot be read ({clean_text(err, 120)})") from err
    return raw, mask


def _unpack(table: ChunkTable, raw: bytes, mask: int) -> npt.NDArray[Any]:
    """Unpack a chunk; shape of the chunk, or (bytes of a number, *chunk) while still shuffled."""
    size, width = table.bytes_of_chunk, table.dtype.itemsize
    data: Buffer = raw
    shuffled = False
    for i, code in reversed(list(enumerate(table.codes))):
        if mask >> i & 1:
            continue
        if shuffled:  # packed or shuffled again, which nobody does on purpose
            data, shuffled = _unshuffle(data, width), False
        if code == GZIP:
            data = _inflate(data, size)
        elif len(data) == size and width > 1:
            shuffled = True
    if len(data) != size:
        raise _BombError(f"a chunk that unpacks to {whole(len(data))} bytes")
    if shuffled:
        return np.frombuffer(data, dtype=np.uint8).reshape(width, *table.chunk)
    return np.frombuffer(data, dtype=table.dtype).reshape(table.chunk)


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
        raise _BombError(f"a packed chunk of {whole(file.stat().st_size)} bytes")
    raw = file.read_bytes()
    for codec in reversed(codecs):
        if codec == "crc32c":
            raw = raw[:-4]
        elif codec == "gzip":
            _at_most(raw, size + SLACK, 31)
        elif codec in ("zlib", "bz2", "zstd", "blosc"):
            codes = {"zlib": GZIP, "bz2": BZIP2, "zstd": ZSTD, "blosc": BLOSC}
            _check(raw, 0, ((codes[codec], ()),), size)
        elif codec == "lz4" and int.from_bytes(raw[:4], "little") > size + SLACK:
            raise _BombError("a chunk that states more than its size")


def _inflate(data: Buffer, size: int) -> Buffer:
    try:
        out: bytearray = deflate.zlib_decompress(data, size)
    except deflate.DeflateError as err:
        raise _BombError(_what_is_wrong(data, size)) from err
    return out


def _what_is_wrong(data: Buffer, size: int) -> str:
    """Say why a stream cannot be unpacked to at most so many bytes."""
    try:
        _at_most(data, size, 15)
    except _BombError as err:
        return str(err)
    return "a chunk that cannot be unpacked (its stream has no end)"


def _at_most(data: Buffer, size: int, form: int) -> int:
    """Bytes that come out of a stream of zlib (`form` 15) or gzip (31)."""
    unpacker = zlib.decompressobj(form)
    try:
        out = unpacker.decompress(data, size + 1)
    except zlib.error as err:
        raise _BombError(f"a chunk that cannot be unpacked ({err})") from err
    if len(out) > size:
        raise _BombError("a chunk that unpacks to more than its size")
    _nothing_behind(unpacker.unused_data if form > 15 else b"")
    return len(out)


def _nothing_behind(rest: bytes) -> None:
    """Refuse a second stream behind the first, which some readers unpack as well."""
    if rest:
        raise _BombError(f"a chunk with {whole(len(rest))} bytes behind its end")


def _paste(
    table: ChunkTable,
    key: tuple[slice, ...],
    corner: tuple[int, ...],
    chunk: npt.NDArray[Any],
    out: npt.NDArray[Any],
) -> None:
    """Copy the part of a chunk that lies in the box; undo the byte shuffle on the way."""
    source, target = [], []
    for k, first, length in zip(key, corner, table.chunk, strict=True):
        low, high = max(k.start, first), min(k.stop, first + length)
        source.append(slice(low - first, high - first))
        target.append(slice(low - k.start, high - k.start))
    if chunk.ndim == out.ndim:
        out[tuple(target)] = chunk[tuple(source)]
        return
    # whole rows of numbers, shifted and joined, are quicker than every other byte of them
    order = out.dtype.str[0]
    whole = out.view(f"{order}u{len(chunk)}")[tuple(target)]
    planes = chunk if order == ">" else chunk[::-1]
    whole[...] = planes[0][tuple(source)]
    for plane in planes[1:]:
        whole <<= 8
        whole |= plane[tuple(source)]


def _check(raw: bytes, mask: int, filters: Filters, size: int) -> None:
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
            raise _BombError(f"a chunk that states {whole(states)} bytes")
        return


def _stated_size(code: int, values: tuple[int, ...], raw: bytes, size: int) -> int | None:
    """Size after unpacking, as far as the header tells; ``None`` for bounded packings."""
    if code == GZIP:
        return _at_most(raw, size + SLACK, 15)
    if code == BZIP2:
        unpacker = bz2.BZ2Decompressor()
        try:
            out = unpacker.decompress(raw, size + SLACK + 1)
        except OSError as err:
            raise _BombError(f"a chunk that cannot be unpacked ({err})") from err
        _nothing_behind(unpacker.unused_data)
        return len(out)
    if code == LZ4 or (code == BITSHUFFLE and len(values) > 4 and values[4] != 0):
        return int.from_bytes(raw[:8], "big")
    if code == BLOSC:
        return int.from_bytes(raw[4:8], "little")
    if code == BLOSC2:  # a frame: the size stands behind magic, lengths and flags
        return int.from_bytes(raw[30:38], "big")
    return _zstd_size(raw) if code == ZSTD else None


def _zstd_size(raw: bytes) -> int:
    """Content size in the header of a Zstandard frame, the only one (RFC 8878, section 3.1.1)."""
    if len(raw) < 6 or raw[:4] != b"\x28\xb5\x2f\xfd":
        raise _BombError("a chunk that is no Zstandard frame")
    flags = raw[4]
    single = flags >> 5 & 1
    at = 5 + (0 if single else 1) + (0, 1, 2, 4)[flags & 3]
    width = (1 if single else 0, 2, 4, 8)[flags >> 6]
    if width == 0:  # some readers then unpack as long as it goes on
        raise _BombError("a Zstandard frame that does not state its size")
    stated = int.from_bytes(raw[at : at + width], "little")
    _nothing_behind(raw[_zstd_end(raw, at + width) + (4 if flags >> 2 & 1 else 0) :])
    return stated + (256 if width == 2 else 0)


def _zstd_end(raw: bytes, at: int) -> int:
    """Place behind the last block of a Zstandard frame whose first one is `at`."""
    last = False
    while not last and at + 3 <= len(raw):
        head = int.from_bytes(raw[at : at + 3], "little")
        last, kind, size = bool(head & 1), head >> 1 & 3, head >> 3
        at += 3 + (1 if kind == 1 else size)  # a repeated byte stands there once
    return at
