"""Counts that stay on disk: how much is read, and when it is checked."""

from __future__ import annotations

import pickle
import tracemalloc

import dask
import h5py
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from xrfmap.errors import InputError
from xrfmap.io import h5counts, open_scan
from xrfmap.io.axes import AxisPlan
from xrfmap.io.chunk_table import table_of
from xrfmap.io.describe import describe_dataset
from xrfmap.io.h5counts import H5Counts
from xrfmap.io.lazy import (
    BLOCK_BYTES,
    MAX_BLOCK_PIXELS,
    block_shape,
    iter_blocks,
    lazy_counts,
    quick_check,
    stored_of,
)
from xrfmap.io.nexus import write_nexus
from xrfmap.io.stored import StoredCounts, check_counts


class Counting(StoredCounts):
    """Counts in memory that keep a record of what is asked for."""

    def __init__(self, data, order=(0, 1, 2)):
        super().__init__("proxy", "counts", data.shape, AxisPlan(tuple(order)), data.dtype)
        self.data, self.asked = data, []

    def read(self, key):
        block = self.data[key]
        self.asked.append(block.size)
        return block


@given(st.data())
def test_indexing_is_that_of_numpy(data):
    cube = np.arange(5 * 4 * 3).reshape(5, 4, 3)
    order = data.draw(st.permutations([0, 1, 2]))
    stored = Counting(cube.transpose(np.argsort(order)), order)
    kinds = [
        st.one_of(
            st.slices(n),
            st.integers(-n, n - 1),
            st.just(slice(None, None, -1)),
        )
        for n in cube.shape
    ]
    key = data.draw(st.one_of(st.tuples(*kinds), st.tuples(kinds[0]), st.just(Ellipsis)))
    np.testing.assert_array_equal(stored[key], cube[key])


def test_one_list_of_indices_works_as_in_numpy():
    cube = np.arange(60).reshape(5, 4, 3)
    np.testing.assert_array_equal(Counting(cube)[[4, 0, 2]], cube[[4, 0, 2]])
    np.testing.assert_array_equal(Counting(cube)[1:, [3, -4]], cube[1:, [3, -4]])
    with pytest.raises(IndexError):
        Counting(cube)[[5]]


def test_nothing_reads_a_whole_cube():
    cube = np.ones((120, 90, 256), dtype=np.uint16)
    stored = Counting(cube)
    stored.chunk = (1, 90, 256)
    array = lazy_counts(stored, "t")
    assert stored.asked == []
    quick_check(stored)
    assert sum(stored.asked) <= 5 * 90 * 256  # five rows
    stored.asked.clear()
    total = sum(int(block.sum()) for *_, block in iter_blocks(array))
    assert total == cube.size
    assert sum(stored.asked) == cube.size  # each number once
    assert max(stored.asked) <= MAX_BLOCK_PIXELS * 256


def test_opening_and_describing_a_scan_takes_the_memory_of_some_blocks(tmp_path):
    # 100 MB in the file's own type, all equal, so that the file is small
    cube = np.broadcast_to(np.arange(1, 1025, dtype=np.uint16), (200, 256, 1024))
    path = write_nexus(tmp_path / "a.h5", cube, 0.1)
    with dask.config.set(scheduler="synchronous"):
        tracemalloc.start()
        ds = open_scan(path)
        opened = tracemalloc.get_traced_memory()[1]
        found = describe_dataset(ds)
        described = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert found["total_counts"] == int(cube.sum(dtype=np.int64))
    # a row is 0.5 MB and a block 8 MB; describing needs a block, a mask of it, and sums
    assert opened < 8e6
    assert described < 40e6


def test_each_block_is_opened_and_closed_again(tmp_path):
    path = write_nexus(tmp_path / "a.h5", np.ones((6, 5, 8), dtype="u2"), 0.1)
    ds = open_scan(path)
    ds["counts"].values  # noqa: B018 (reading is the point)
    with h5py.File(path, "r+") as file:  # would fail were it still open for reading
        assert file["entry/data/counts"].shape == (6, 5, 8)


def test_a_file_that_vanishes_or_changes_is_reported(tmp_path):
    path = write_nexus(tmp_path / "a.h5", np.ones((6, 5, 8), dtype="u2"), 0.1)
    ds = open_scan(path)
    write_nexus(path, np.ones((6, 5, 9), dtype="u2"), 0.1)
    with pytest.raises(InputError, match="another content than when the scan was opened"):
        ds["counts"].values  # noqa: B018
    path.unlink()
    with pytest.raises(InputError, match=r"a\.h5: found no such file"):
        ds["counts"].values  # noqa: B018


def test_the_chunks_of_a_file_are_listed_once(tmp_path, monkeypatch):
    cube = np.arange(6 * 5 * 8, dtype="u2").reshape(6, 5, 8)
    stored = stored_of(open_scan(write_nexus(tmp_path / "a.h5", cube, 0.1))["counts"].data)
    np.testing.assert_array_equal(stored[:2], cube[:2])
    listed = []
    monkeypatch.setattr(
        h5counts, "table_of", lambda dset: listed.append(dset.name) or table_of(dset)
    )
    np.testing.assert_array_equal(stored[1:4, 2:], cube[1:4, 2:])
    assert not listed
    copy = pickle.loads(pickle.dumps(stored))  # each process makes a list of its own
    np.testing.assert_array_equal(copy[5], cube[5])
    assert len(listed) == 1
    write_nexus(tmp_path / "a.h5", cube[::-1], 0.1)  # same shape, other places
    np.testing.assert_array_equal(stored[0], cube[5])
    assert len(listed) == 2


@pytest.mark.parametrize(
    ("value", "dtype"), [(-3, "i4"), (-0.5, "f4"), (np.nan, "f8"), (np.inf, "f4")]
)
def test_a_bad_count_is_named_when_its_block_is_read(tmp_path, value, dtype):
    cube = np.ones((60, 100, 8), dtype=dtype)
    cube[50, 7, 3] = value
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("counts", data=cube, chunks=(1, 100, 8))
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
    ds = open_scan(path)  # rows 0, 14, 29, 44, 59 are looked at
    assert ds["counts"][:40].values.sum() == 40 * 100 * 8
    with pytest.raises(InputError, match=r"pixel \(y, x\) = \(50, 7\), channel 3"):
        ds["counts"].values  # noqa: B018


def test_the_error_comes_home_from_another_process(tmp_path):
    error = InputError("a", "b", found="c", expected="d", remedy="e")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


def test_unsigned_counts_cost_no_check():
    block = np.zeros((2, 2, 4), dtype=np.uint16)
    assert check_counts(block, "w") is block


def test_a_scan_without_a_single_count_is_refused():
    with pytest.raises(InputError, match="no count in any of 40 x 30 pixels"):
        quick_check(Counting(np.zeros((40, 30, 16), dtype=np.uint16)))


def test_one_count_anywhere_is_a_scan():
    cube = np.zeros((40, 30, 16), dtype=np.uint16)
    cube[17, 3, 4] = 1
    quick_check(Counting(cube))


@given(
    ny=st.integers(1, 3000),
    nx=st.integers(1, 3000),
    nc=st.sampled_from([64, 1024, 2048, 4096, 65536]),
    itemsize=st.sampled_from([1, 2, 4, 8]),
    cy=st.integers(1, 40),
    cx=st.integers(1, 3000),
)
def test_blocks_are_whole_chunks_of_bounded_size(ny, nx, nc, itemsize, cy, cx):
    rows, columns = block_shape((ny, nx, nc), itemsize, (cy, cx))
    assert 1 <= rows <= ny
    assert 1 <= columns <= nx
    # four times: a chunk of the file that is somewhat large is read as one block
    assert rows * columns * nc * itemsize <= 4 * BLOCK_BYTES
    cy, cx = min(cy, ny), min(cx, nx)
    most = min(MAX_BLOCK_PIXELS, BLOCK_BYTES // (nc * itemsize))
    if cy * cx <= 4 * most:  # chunks are cut only where one alone is too much
        assert rows % cy == 0 or rows == ny
        assert columns % cx == 0 or columns == nx


def test_the_demo_size_gives_blocks_of_whole_rows():
    assert block_shape((90, 120, 2048), 2, (1, 120)) == (34, 120)


def test_a_stand_in_holds_no_open_file(tmp_path):
    path = write_nexus(tmp_path / "a.h5", np.ones((6, 5, 8), dtype="u2"), 0.1)
    with h5py.File(path) as file:
        stored = H5Counts(path, file["entry/data/counts"], AxisPlan((0, 1, 2)))
    again = pickle.loads(pickle.dumps(stored))
    assert again[0, 0].tolist() == [1] * 8
