"""Files stored plane by plane: unpacked once, whatever is done with them."""

from __future__ import annotations

import h5py
import numpy as np
import pytest
import tifffile

from xrfmap.io import lazy, open_scan
from xrfmap.io.convert import convert, sum_spectrum
from xrfmap.io.describe import describe
from xrfmap.io.lazy import stored_of, times_read

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


def test_each_chunk_is_unpacked_once(tmp_path, small_blocks, monkeypatch):
    path = planar(tmp_path, (4, 30, 20))
    seen = []
    from xrfmap.io import chunks

    real = chunks._unpack
    monkeypatch.setattr(chunks, "_unpack", lambda *a: seen.append(1) or real(*a))
    ds = open_scan(path)
    seen.clear()
    total = sum_spectrum(ds)
    np.testing.assert_array_equal(total["counts"].values, CUBE.sum(axis=(0, 1)))
    assert len(seen) == 64 // 4


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
