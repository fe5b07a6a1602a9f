"""Where the packed chunks of an HDF5 dataset lie in its file.

The library finds the facts of a chunk by going through the list of all chunks, under a
lock that all threads share: of a scan in ten thousand chunks, most of the reading would
be this search. Here the list is gone through once, and chunks are then read from the
file as the bytes that they are.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from xrfmap.io.safe import MAX_CHUNK_BYTES, clean_text
from xrfmap.numbers import whole

__all__ = ["GZIP", "SHUFFLE", "SLACK", "ChunkTable", "FileState", "Filters", "state_of", "table_of"]

GZIP, SHUFFLE = 1, 2
SLACK = 65_536  # headers and tables of a packed chunk that does not get smaller

MOST_CHUNKS = 100_000_000
"""Chunks of a dataset: a scan of 1e9 pixels in chunks of ten; listing that many takes seconds
where they were never written, and a small file may declare far more."""

FileState = tuple[int, int, int]
Filters = tuple[tuple[int, tuple[int, ...]], ...]


@dataclass(frozen=True, eq=False)
class ChunkTable:
    """Facts of a packed dataset, kept after its file was closed.

    Attributes
    ----------
    path : Path
        The file.
    name : str
        Path of the dataset.
    shape, chunk : tuple of int
        Shape of the dataset and of a chunk.
    dtype : numpy.dtype
        Type as stored.
    fill : object
        Number that stands for chunks never written.
    filters : tuple
        Code and values of each filter, in the order in which they were applied.
    plain : bool
        Whether unpacked bytes are those of the NumPy type.
    numbers : ndarray of int64, shape (stored,)
        Numbers of the chunks that are stored, counted in C order, rising.
    offset, size, left_out : ndarray of int64, shape (stored,)
        Place in the file and size [bytes], and mask of the filters left out.
    addressed : bool
        Whether the table can be trusted to say which chunk lies where; without, only
        its sizes count.
    state : tuple of int
        What :func:`state_of` gave for the file.
    """

    path: Path
    name: str
    shape: tuple[int, ...]
    chunk: tuple[int, ...]
    dtype: np.dtype[Any]
    fill: Any
    filters: Filters
    plain: bool
    numbers: npt.NDArray[np.int64]
    offset: npt.NDArray[np.int64]
    size: npt.NDArray[np.int64]
    left_out: npt.NDArray[np.int64]
    addressed: bool
    state: FileState

    @property
    def codes(self) -> tuple[int, ...]:
        """Codes of the filters."""
        return tuple(code for code, _ in self.filters)

    @property
    def bytes_of_chunk(self) -> int:
        """Size of a chunk when unpacked, in bytes."""
        return int(math.prod(self.chunk) * self.dtype.itemsize)

    @property
    def simple(self) -> bool:
        """Whether chunks can be unpacked without the HDF5 library."""
        return self.plain and set(self.codes) <= {GZIP, SHUFFLE}

    @property
    def most_bytes(self) -> float:
        """Size in bytes above which a packed chunk is suspicious."""
        return self.bytes_of_chunk * 1.2 + SLACK

    def find(self, corner: tuple[int, ...]) -> int | None:
        """Index of a chunk in this table by its first corner; ``None`` if never written."""
        number = _number(corner, self.shape, self.chunk)
        at = int(np.searchsorted(self.numbers, number))
        return at if at < len(self.numbers) and self.numbers[at] == number else None


def state_of(path: Path) -> FileState:
    """Size, time of change and identity of a file: another one means other content."""
    facts = path.stat()
    return facts.st_size, facts.st_mtime_ns, facts.st_ino


def table_of(dset: h5py.Dataset) -> ChunkTable | None:
    """Go through the list of chunks of a dataset once.

    Parameters
    ----------
    dset : h5py.Dataset
        Open dataset.

    Returns
    -------
    ChunkTable or None
        ``None`` if it is not stored in packed chunks in its own file.

    Raises
    ------
    ValueError
        If the file lists more chunks than the dataset has, as only damage can do, or there
        are more than :data:`MOST_CHUNKS`.
    """
    plist = dset.id.get_create_plist()
    found = [plist.get_filter(i) for i in range(plist.get_nfilters())]
    filters = tuple((code, tuple(values)) for code, _, values, _ in found)
    if dset.chunks is None or not filters or dset.is_virtual:
        return None
    corners, facts = _listed(dset)
    numbers = _number(corners.T, dset.shape, dset.chunks)
    inside = ((corners >= 0) & (corners < np.asarray(dset.shape))).all(axis=1)
    order = np.argsort(numbers, kind="stable")
    on_disk = dset.file.driver == "sec2"
    path = Path(dset.file.filename)
    numbers, corners, facts = numbers[order], corners[order], facts[order]
    sure = on_disk and bool(inside.all()) and bool((np.diff(numbers) > 0).all())
    sure = sure and not _may_be_twisted(dset) and _first_is_there(dset, path, corners, facts)
    return ChunkTable(
        path=path,
        name=clean_text(dset.name),
        shape=tuple(dset.shape),
        chunk=tuple(dset.chunks),
        dtype=dset.dtype,
        fill=dset.fillvalue,
        filters=filters,
        plain=_plain_type(dset),
        numbers=numbers,
        offset=facts[:, 0],
        size=facts[:, 1],
        left_out=facts[:, 2],
        addressed=sure,
        state=state_of(path) if on_disk else (0, 0, 0),
    )


def _listed(dset: h5py.Dataset) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First corners, and offset, size and mask, of all chunks as the file lists them."""
    most = math.prod(-(-n // c) for n, c in zip(dset.shape, dset.chunks, strict=True))
    if most > MOST_CHUNKS:
        raise ValueError(f"{whole(most)} chunks; at most {whole(MOST_CHUNKS)} are listed")
    rank = len(dset.shape)
    numbers = array("q")

    def note(info: Any) -> int | None:
        if len(numbers) >= most * (rank + 3):
            return 1
        offset = -1 if info.byte_offset is None else info.byte_offset
        numbers.extend((*info.chunk_offset, offset, info.size, info.filter_mask))
        return None

    if dset.id.chunk_iter(note) is not None:
        raise ValueError(f"more than the {whole(most)} chunks that the dataset has")
    table = np.frombuffer(numbers, dtype=np.int64).reshape(-1, rank + 3)
    table = table[table[:, rank] >= 0]
    return table[:, :rank], table[:, rank:]


def _number(corner: Any, shape: tuple[int, ...], chunk: tuple[int, ...]) -> Any:
    """Count the chunks before one in C order, from its first corner."""
    number = 0
    for at, n, c in zip(corner, shape, chunk, strict=True):
        number = number * -(-n // c) + at // c
    return number


def _plain_type(dset: h5py.Dataset) -> bool:
    """Tell whether the bytes in the file are those of the NumPy type."""
    if dset.dtype.kind not in "iuf" or dset.dtype.itemsize > 8:
        return False
    return bool(dset.id.get_type() == h5py.h5t.py_create(dset.dtype))


def _may_be_twisted(dset: h5py.Dataset) -> bool:
    """Tell whether the library may name chunks by wrong corners.

    In files of its newer format, of datasets that can grow along one axis, the library lists
    the corners with that axis first (seen with HDF5 1.14 and 2.0): with another axis than
    the first, chunks would change places. It does find them itself when asked to read.
    """
    growing = [axis for axis, most in enumerate(dset.maxshape) if most is None]
    return len(growing) == 1 and growing[0] != 0


def _first_is_there(
    dset: h5py.Dataset,
    path: Path,
    corners: npt.NDArray[np.int64],
    facts: npt.NDArray[np.int64],
) -> bool:
    """Compare one chunk at its stated place with what the library reads of it.

    Files may begin with a block of the user's own, and whether places are counted from
    behind it has not been the same in all versions of the library.
    """
    if not len(facts):
        return True
    offset, size, _ = (int(n) for n in facts[0])
    if size > MAX_CHUNK_BYTES:
        return False
    corner = tuple(int(n) for n in corners[0])
    with path.open("rb") as file:
        file.seek(offset)
        there: bytes = file.read(size)
    return bool(there == dset.id.read_direct_chunk(corner)[1])
