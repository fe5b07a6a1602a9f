"""Global heaps of HDF5 files are looked over before the library steps through them."""

from __future__ import annotations

import hashlib

import pytest

from xrfmap.errors import InputError
from xrfmap.io import open_scan
from xrfmap.io.nexus import write_nexus
from xrfmap.io.vet import PIECE, vetted_hash


@pytest.fixture
def scan(tmp_path):
    return write_nexus(tmp_path / "a.h5", [[[1, 2], [3, 4]]], 0.1)


def heap_objects(data: bytes) -> list[tuple[int, int, int]]:
    """Place, index and length of each object (HDF5 File Format, III.E, from memory)."""
    start = data.index(b"GCOL")
    size = int.from_bytes(data[start + 8 : start + 16], "little")
    found, place = [], start + 16
    while place + 16 <= start + size:
        index = int.from_bytes(data[place : place + 2], "little")
        length = int.from_bytes(data[place + 8 : place + 16], "little")
        found.append((place, index, length))
        place += length if index == 0 else 16 + -(-length // 8) * 8
    return found


def test_a_sound_file_gives_its_hash(scan):
    assert vetted_hash(scan) == hashlib.sha256(scan.read_bytes()).hexdigest()
    assert any(index == 0 for _, index, _ in heap_objects(scan.read_bytes()))


@pytest.mark.parametrize("length", [0, 8, 2**63, 2**64 - 1])
def test_a_free_object_that_traps_the_library_is_refused(scan, length):
    data = bytearray(scan.read_bytes())
    place = next(p for p, index, _ in heap_objects(bytes(data)) if index == 0)
    data[place + 8 : place + 16] = length.to_bytes(8, "little")
    scan.write_bytes(data)
    with pytest.raises(InputError, match="a damaged heap of texts"):
        open_scan(scan)  # without the check this does not end for a length of 0


def test_a_text_longer_than_its_heap_is_refused(scan):
    data = bytearray(scan.read_bytes())
    place = next(p for p, index, _ in heap_objects(bytes(data)) if index)
    data[place + 8 : place + 16] = (2**32).to_bytes(8, "little")
    scan.write_bytes(data)
    with pytest.raises(InputError, match="a damaged heap of texts"):
        vetted_hash(scan)


def test_a_heap_across_two_pieces_is_found(tmp_path):
    path = tmp_path / "a.bin"
    heap = b"GCOL\x01\x00\x00\x00" + (4096).to_bytes(8, "little") + bytes(4080)
    for shift in range(8):
        path.write_bytes(bytes(PIECE - shift) + heap)
        with pytest.raises(InputError, match=f"at byte {PIECE - shift}"):
            vetted_hash(path)


def test_a_changed_file_is_read_again(scan):
    before = vetted_hash(scan)
    scan.write_bytes(scan.read_bytes() + b" ")
    assert vetted_hash(scan) != before
