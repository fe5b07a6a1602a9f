"""Look an HDF5 file over before the HDF5 library does, in the pass that takes its hash.

A damaged global heap (where texts of any length lie) can send the library into an
endless loop: it steps from object to object by their sizes, and a free object of size
zero never ends. HDF5 File Format Specification, section III.E (global heap), from
memory; the loop was found by damaging files at random, with HDF5 2.0.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, require_file

__all__ = ["vetted_hash"]

PIECE = 1 << 20
MARK = b"GCOL\x01\x00\x00\x00"  # signature, version 1, three reserved bytes
HEADER = 16  # of a collection, and of an object in it, with lengths of 8 bytes
MAX_HEAP = 64 << 20


def vetted_hash(path: Path) -> str:
    """SHA-256 of an HDF5 file whose global heaps are sound.

    Parameters
    ----------
    path : Path
        File to read; read once more only if it has changed.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    InputError
        If the file cannot be read, or a heap would trap the library.
    """
    require_file(path)
    info = path.stat()
    return _vetted(path.resolve(), info.st_size, info.st_mtime_ns, info.st_ino)


@lru_cache(maxsize=64)
def _vetted(path: Path, size: int, mtime_ns: int, inode: int) -> str:
    total = hashlib.sha256()
    heaps: list[int] = []
    tail, at = b"", 0
    try:
        with path.open("rb") as stream:
            while piece := stream.read(PIECE):
                total.update(piece)
                window = tail + piece
                heaps += _marks(window, at - len(tail))
                tail = window[1 - len(MARK) :]
                at += len(piece)
            for heap in heaps:
                _check_heap(path, stream, heap, size)
    except OSError as err:
        raise InputError(
            clean_text(path.name),
            found=clean_text(err.strerror or err),
            expected="a file that can be read to its end",
            remedy="check the permissions and the disk",
        ) from err
    return total.hexdigest()


def _marks(window: bytes, start: int) -> list[int]:
    found = []
    place = window.find(MARK)
    while place >= 0:
        found.append(start + place)
        place = window.find(MARK, place + 1)
    return found


def _check_heap(path: Path, stream: BinaryIO, at: int, file_size: int) -> None:
    """Step through a collection as the library would."""
    stream.seek(at)
    data = stream.read(HEADER)
    size = int.from_bytes(data[8:16], "little")
    if not 4096 <= size <= min(MAX_HEAP, file_size - at):
        return  # no heap of this file: the library checks the size itself
    data += stream.read(size - HEADER)
    place = HEADER
    while place + HEADER <= size:
        index = int.from_bytes(data[place : place + 2], "little")
        length = int.from_bytes(data[place + 8 : place + 16], "little")
        step = HEADER + (length + 7) // 8 * 8 if index else length
        if step < HEADER or place + step > size:
            raise InputError(
                clean_text(path.name),
                found=f"a damaged heap of texts at byte {at}",
                expected="a sound HDF5 file",
                remedy="copy or export the file again",
            )
        place += step
