"""Packed chunks: read as HDF5 reads them, and refused where they would unpack to too much."""

from __future__ import annotations

import bz2
import gzip
import io
import itertools
import zlib
from pathlib import Path
from tempfile import TemporaryDirectory

import h5py
import hdf5plugin
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xrfmap.errors import InputError
from xrfmap.io.chunk_table import table_of
from xrfmap.io.chunks import check_packed, read_box, read_chunks

CUBE = np.random.default_rng(9).poisson(1.0, (9, 10, 40))
BOMBS = {
    "gzip": ({"compression": "gzip", "shuffle": True}, zlib.compress(bytes(50_000_000), 9)),
    "gzip with checksum": (
        {"compression": "gzip", "fletcher32": True},
        zlib.compress(bytes(50_000_000), 9) + b"1234",
    ),
    "bzip2": (dict(hdf5plugin.BZip2()), bz2.compress(bytes(50_000_000))),
    "bitshuffle": (dict(hdf5plugin.Bitshuffle()), (1 << 40).to_bytes(8, "big") + bytes(60)),
    "lz4": (dict(hdf5plugin.LZ4()), (1 << 40).to_bytes(8, "big") + bytes(60)),
    "blosc": (
        dict(hdf5plugin.Blosc()),
        b"\2\1\x21\2" + (1 << 31).to_bytes(4, "little") + bytes(60),
    ),
    # single segment, content size in 8 bytes (RFC 8878)
    "zstd": (
        dict(hdf5plugin.Zstd()),
        b"\x28\xb5\x2f\xfd\xe0" + (1 << 40).to_bytes(8, "little") + bytes(60),
    ),
}


OPTIONS = [
    {},
    {"compression": "gzip"},
    {"compression": "gzip", "shuffle": True},
    {"shuffle": True},
    {"compression": "gzip", "fletcher32": True},
    {"compression": "lzf", "shuffle": True},
    dict(hdf5plugin.Bitshuffle()),
    dict(hdf5plugin.Blosc2()),
]


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_any_box_of_any_chunking_is_what_hdf5_reads(data):
    dtype = data.draw(st.sampled_from(["u1", "<u2", ">u4", "<i8", ">f4", "f8"]))
    chunks = tuple(data.draw(st.integers(1, n)) for n in CUBE.shape)
    grows = tuple(data.draw(st.sampled_from([n, None])) for n in CUBE.shape)
    library = data.draw(st.sampled_from(["earliest", "latest"]))
    block = data.draw(st.sampled_from([0, 512]))
    options = data.draw(st.sampled_from(OPTIONS))
    key = []
    for n in CUBE.shape:
        low = data.draw(st.integers(0, n))
        key.append(slice(low, data.draw(st.integers(low, n))))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.h5"
        with h5py.File(path, "w", libver=library, userblock_size=block) as file:
            file.create_dataset(
                "d", data=CUBE.astype(dtype), chunks=chunks, maxshape=grows, **options
            )
        with h5py.File(path) as file:
            box = read_box(file["d"], tuple(key))
            np.testing.assert_array_equal(box, file["d"][tuple(key)])
            np.testing.assert_array_equal(box, CUBE.astype(dtype)[tuple(key)])


def test_a_file_in_memory_is_read_through_the_library():
    with h5py.File(io.BytesIO(), "w") as file:
        dset = file.create_dataset("d", data=CUBE, chunks=(2, 3, 40), compression="gzip")
        table = table_of(dset)
        assert not table.addressed
        key = (slice(1, 8), slice(0, 5), slice(3, 40))
        np.testing.assert_array_equal(read_box(dset, key), CUBE[key])


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_chunks_keep_their_places_in_a_dataset_that_can_grow(tmp_path, axis):
    # the library lists the corners of such chunks with the growing axis first
    grows = [n if i != axis else None for i, n in enumerate(CUBE.shape)]
    with h5py.File(tmp_path / "a.h5", "w", libver="latest") as file:
        file.create_dataset(
            "d", data=CUBE, chunks=(2, 3, 10), maxshape=grows, compression="gzip", shuffle=True
        )
    with h5py.File(tmp_path / "a.h5") as file:
        assert table_of(file["d"]).addressed == (axis == 0)
        key = (slice(0, 9), slice(2, 10), slice(5, 40))
        np.testing.assert_array_equal(read_box(file["d"], key), CUBE[key])


def test_a_chunk_beyond_the_end_of_the_file_is_refused(tmp_path):
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("d", data=CUBE, chunks=(3, 10, 40), compression="gzip")
    with h5py.File(path) as file:
        table = table_of(file["d"])
    assert table.addressed
    assert table.simple
    path.write_bytes(path.read_bytes()[: int(table.offset[-1]) + 5])
    with pytest.raises(InputError, match=r"beyond the end of the file, at index \(6, 0, 0\)"):
        read_chunks(table, tuple(slice(0, n) for n in CUBE.shape))


def zstd(data):
    from numcodecs import Zstd

    return bytes(Zstd().encode(data))


@pytest.mark.parametrize("codec", ["gzip", "bz2", "zstd"])
def test_a_second_stream_behind_the_first_is_refused(tmp_path, codec):
    pack = {"gzip": gzip.compress, "bz2": bz2.compress, "zstd": zstd}[codec]
    file = tmp_path / "0.0.0"
    file.write_bytes(pack(bytes(1000)))
    check_packed([codec], file, 1000)
    file.write_bytes(pack(bytes(1000)) + pack(bytes(50_000_000)))
    with pytest.raises(ValueError, match="behind its end"):
        check_packed([codec], file, 1000)


@pytest.mark.parametrize("grows", [(4, 4), (None, 4), (4, None)])
@pytest.mark.parametrize("packing", ["gzip", "lzf"])
def test_chunks_that_were_never_written_hold_the_fill_value(tmp_path, grows, packing):
    with h5py.File(tmp_path / "a.h5", "w", libver="latest") as file:
        dset = file.create_dataset(
            "d",
            shape=(4, 4),
            maxshape=grows,
            chunks=(2, 2),
            dtype="u2",
            compression=packing,
            fillvalue=7,
        )
        dset[0, 2] = 1
    with h5py.File(tmp_path / "a.h5") as file:
        box = read_box(file["d"], (slice(0, 4), slice(0, 4)))
        np.testing.assert_array_equal(box, [[7, 7, 1, 7]] + [[7] * 4] * 3)


@pytest.mark.parametrize("name", BOMBS)
def test_chunks_that_would_unpack_to_too_much_are_refused(name):
    options, packed = BOMBS[name]
    with h5py.File(io.BytesIO(), "w") as file:
        # 500 times smaller than what comes out, so the packed chunk is not suspicious by size
        dset = file.create_dataset(
            "d", shape=(1, 50_000), chunks=(1, 50_000), dtype="u2", **options
        )
        dset.id.write_direct_chunk((0, 0), packed)
        with pytest.raises(InputError, match="expected chunks of 100\u202f000 bytes when unpacked"):
            read_box(dset, (slice(0, 1), slice(0, 50_000)))


def test_a_packed_chunk_larger_than_the_chunk_is_refused():
    with h5py.File(io.BytesIO(), "w") as file:
        # of chunks of fewer than 256 bytes older HDF5 libraries cannot write such a size
        dset = file.create_dataset("d", shape=(300,), chunks=(300,), dtype="u1", compression="gzip")
        dset.id.write_direct_chunk((0,), bytes(200_000))
        with pytest.raises(InputError, match="a packed chunk of 200\u202f000 bytes"):
            read_box(dset, (slice(0, 300),))


def test_a_chunk_that_is_too_short_or_no_stream_is_refused():
    for packed in (zlib.compress(bytes(10)), b"no stream at all"):
        with h5py.File(io.BytesIO(), "w") as file:
            dset = file.create_dataset(
                "d", shape=(80,), chunks=(80,), dtype="u1", compression="gzip"
            )
            dset.id.write_direct_chunk((0,), packed)
            with pytest.raises(InputError):
                read_box(dset, (slice(0, 80),))


def test_a_filter_that_one_chunk_leaves_out_is_left_out(tmp_path):
    data = np.arange(40, dtype="u2")
    # filter 0 is shuffle, filter 1 gzip; the mask names those not applied
    for mask, packed in ((0b11, data.tobytes()), (0b01, zlib.compress(data.tobytes()))):
        with h5py.File(tmp_path / "a.h5", "w") as file:
            dset = file.create_dataset(
                "d", shape=(40,), chunks=(40,), dtype="u2", compression="gzip", shuffle=True
            )
            dset.id.write_direct_chunk((0,), packed, filter_mask=mask)
        with h5py.File(tmp_path / "a.h5") as file:
            np.testing.assert_array_equal(read_box(file["d"], (slice(0, 40),)), data)
            np.testing.assert_array_equal(file["d"][...], data)


def test_sizes_in_zstandard_headers():
    # RFC 8878, 3.1.1: every width of the content size, with and without window byte and checksum;
    # one raw block of 9 bytes, the last
    from xrfmap.io.chunks import _zstd_size

    block = (9 << 3 | 1).to_bytes(3, "little") + bytes(9)
    for single, (flag, width), check in itertools.product((0, 1), enumerate((1, 2, 4, 8)), (0, 1)):
        if width == 1 and not single:
            continue
        header = bytes([flag << 6 | single << 5 | check << 2]) + (b"" if single else b"\x50")
        header += (200).to_bytes(width, "little")
        want = 200 + (256 if width == 2 else 0)
        frame = b"\x28\xb5\x2f\xfd" + header + block + bytes(4 * check)
        assert _zstd_size(frame) == want
        with pytest.raises(ValueError, match="6 bytes behind its end"):
            _zstd_size(frame + b"second")
    with pytest.raises(ValueError, match="does not state its size"):
        _zstd_size(b"\x28\xb5\x2f\xfd\x00\x50" + block)
