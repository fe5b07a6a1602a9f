"""Files stored plane by plane: unpacked once, whatever is done with them."""

from __future__ import annotations

import errno
import pickle

import h5py
import numpy as np
import pytest
import tifffile

from xrfmap.errors import InputError
from xrfmap.io import chunks, lazy, open_scan, spool
from xrfmap.io.convert import convert, sum_spectrum
from xrfmap.io.describe import describe
from xrfmap.io.lazy import iter_blocks, stored_of, times_read
from xrfmap.io.scratch import sweep
from xrfmap.io.spool import straightened

CUBE = np.random.default_rng(15).poisson(2.0, (30, 20, 64)).astype(np.uint16)


@pytest.fixture
def small_blocks(monkeypatch):
    """Blocks of a few rows, so that a small file behaves like a large one."""
    monkeypatch.setattr(lazy, "BLOCK_PIXELS", 60)
    monkeypatch.setattr(lazy, "MAX_BLOCK_PIXELS", 100)
    monkeypatch.setattr(lazy, "BLOCK_BYTES", 100 * 64 * 2)


def planar(tmp_path, chunks):
    path = tmp_path / "planar.h5"
    with h5py.File(path, "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["energy", "y", "x"]})
        planes = CUBE.transpose(2, 0, 1)
        file.create_dataset("counts", data=planes, chunks=chunks, compression="gzip")
    return path


@pytest.mark.parametrize("chunks", [(1, 30, 20), (5, 30, 20), (3, 29, 17), (64, 30, 20)])
@pytest.mark.parametrize("suffix", [".h5", ".nc"])
def test_a_planar_file_is_turned_round(tmp_path, small_blocks, chunks, suffix):
    path = planar(tmp_path, chunks)
    stored = stored_of(open_scan(path)["counts"].data)
    assert stored is not None
    assert times_read(stored) > 5
    done = convert(path, tmp_path / f"good{suffix}")
    ds = open_scan(done)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    turned = stored_of(ds["counts"].data)
    assert turned is not None
    assert times_read(turned) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([path.name, done.name])


@pytest.fixture
def seen(monkeypatch):
    """One entry for each chunk that was unpacked."""
    unpacked = []
    real = chunks._unpack
    monkeypatch.setattr(chunks, "_unpack", lambda *a: unpacked.append(1) or real(*a))
    return unpacked


def test_each_chunk_is_unpacked_once(tmp_path, small_blocks, seen):
    ds = open_scan(planar(tmp_path, (4, 30, 20)))
    seen.clear()
    total = sum_spectrum(ds)
    np.testing.assert_array_equal(total["counts"].values, CUBE.sum(axis=(0, 1)))
    assert len(seen) == 64 // 4


def test_a_planar_file_is_unpacked_once_for_all_passes(tmp_path, small_blocks, seen):
    path = planar(tmp_path, (4, 30, 20))
    ds = open_scan(path)
    assert len(seen) <= 5  # a look at some planes
    seen.clear()
    with straightened(ds, tmp_path) as turned:
        assert not seen
        for _ in range(3):
            np.testing.assert_array_equal(turned["counts"].values, CUBE)
        for rows, cols, block in iter_blocks(turned["counts"]):
            np.testing.assert_array_equal(block, CUBE[rows, cols])
        assert len(seen) == 64 // 4
        copy = pickle.loads(pickle.dumps(stored_of(turned["counts"].data)))
        np.testing.assert_array_equal(copy[7, 3:9], CUBE[7, 3:9])
        assert len(seen) == 64 // 4
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_what_a_killed_run_left_is_swept(tmp_path, small_blocks):
    path = planar(tmp_path, (4, 30, 20))
    left = tmp_path / ".scratch.left"
    left.mkdir()
    (left / "counts").write_bytes(bytes(100))
    sweep(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_a_full_disk_is_told_with_what_is_needed(tmp_path, small_blocks, monkeypatch):
    ds = open_scan(planar(tmp_path, (4, 30, 20)))

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(spool._Spool, "_write", full)
    with straightened(ds, tmp_path) as turned:
        with pytest.raises(InputError, match=r"No space left on device.* space for a scratch file"):
            turned["counts"].values  # noqa: B018
    with pytest.raises(InputError, match="folder for a scratch file"):
        with straightened(ds, tmp_path / "none"):
            pass


@pytest.mark.parametrize("number", [0, 63])
def test_bad_counts_of_a_planar_file_are_told_when_it_is_opened(tmp_path, small_blocks, number):
    path = tmp_path / "planar.h5"
    planes = CUBE.transpose(2, 0, 1).astype("f4")
    planes[number, 3, 4] = -1
    with h5py.File(path, "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["energy", "y", "x"]})
        file.create_dataset("counts", data=planes, chunks=(1, 30, 20), compression="gzip")
    with pytest.raises(InputError, match=r"found -1 at pixel \(y, x\) = \(3, 4\)"):
        open_scan(path)


def test_an_empty_planar_file_is_refused(tmp_path, small_blocks):
    path = tmp_path / "planar.h5"
    with h5py.File(path, "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["energy", "y", "x"]})
        file.create_dataset(
            "counts", shape=(64, 30, 20), dtype="u2", chunks=(1, 30, 20), compression="gzip"
        )
    with pytest.raises(InputError, match="no count in any of 30 x 20 pixels"):
        open_scan(path)


def test_a_planar_file_is_described_with_a_hint(tmp_path, small_blocks):
    found = describe(planar(tmp_path, (1, 30, 20)))
    assert found["total_counts"] == int(CUBE.sum())
    assert found["zero_pixels"] == 0
    assert any("xrfmap convert" in words for words in found["problems"])


def test_a_packed_tiff_is_turned_round(tmp_path, small_blocks):
    for plane in CUBE.transpose(2, 0, 1):
        tifffile.imwrite(
            tmp_path / "a.tif", plane, append=True, compression="zlib", metadata=None,
            photometric="minisblack",
        )  # fmt: skip
    ds = open_scan(convert(tmp_path / "a.tif", tmp_path / "a.h5"))
    np.testing.assert_array_equal(ds["counts"].values, CUBE)


def test_a_file_stored_by_pixel_is_read_once_anyway(tmp_path):
    path = planar(tmp_path, (64, 1, 20))
    stored = stored_of(open_scan(path)["counts"].data)
    assert stored is not None
    assert times_read(stored) == 1
