"""Sums of a scan from one pass on several threads: what they hold, and how often is read."""

from __future__ import annotations

import gc
import threading
import time
import zlib

import h5py
import numpy as np
import pytest

from xrfmap.areas.members import sum_areas
from xrfmap.calibration.calibrate import calibrate
from xrfmap.errors import InputError
from xrfmap.io import lazy, open_scan
from xrfmap.io.axes import AxisPlan
from xrfmap.io.blocks import Here, as_it_is, boxes_of
from xrfmap.io.lazy import iter_blocks, lazy_counts, map_blocks
from xrfmap.io.nexus import write_nexus
from xrfmap.io.stored import StoredCounts
from xrfmap.scan import make_scan
from xrfmap.simulation.simulate import painting
from xrfmap.spectra.summary import summarise
from xrfmap.spectra.sums import _KEPT, forget_sums, row_spectra, scan_sums, sum_spectra


class Told(StoredCounts):
    """Counts in memory that keep a record of what is read."""

    def __init__(self, data, chunk):
        super().__init__("told", "counts", data.shape, AxisPlan((0, 1, 2)), data.dtype)
        self.data, self.chunk, self.read_numbers = data, chunk, 0
        self.lock = threading.Lock()

    def read(self, key):
        with self.lock:
            self.read_numbers += self.data[key].size
        return self.data[key]


def lazily(data):
    """Scan over counts in memory, in blocks of three rows, and who reads them."""
    stored = Told(data, (1, data.shape[1], data.shape[2]))
    scan = make_scan(np.abs(np.nan_to_num(data)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lazy, "BLOCK_PIXELS", 3 * data.shape[1])
        array = lazy_counts(stored, "told")
    return scan.assign(counts=(scan["counts"].dims, array)), stored


@pytest.fixture
def four_readers(monkeypatch):
    monkeypatch.setattr(lazy, "_cores", lambda: 4)


CUBE = np.random.default_rng(1).poisson(3.0, (22, 19, 130))


@pytest.mark.parametrize("dtype", ["u1", "u2", "i4", "u8", "f4", "f8"])
def test_sums_are_those_of_the_cube(dtype, four_readers):
    cube = CUBE.astype(dtype)
    scan, _ = lazily(cube)
    wide = cube.astype(np.float64)  # whole numbers: sums are exact
    np.testing.assert_array_equal(row_spectra(scan), wide.sum(axis=1))
    made = sum_spectra(scan)
    np.testing.assert_array_equal(made["sum_counts"], wide.sum(axis=(0, 1)))
    np.testing.assert_array_equal(made["max_pixel_counts"], wide.max(axis=(0, 1)))
    np.testing.assert_array_equal(scan_sums(scan).total, wide.sum(axis=2))


def test_rows_of_the_largest_counts_do_not_wrap():
    # 66 000 pixels of 65 535 counts exceed 32 bits, which 65 536 pixels do not
    for width in (1 << 16, 66_000):
        rows = row_spectra(make_scan(np.full((1, width, 3), 65_535, np.uint16)))
        np.testing.assert_array_equal(rows, np.full((1, 3), 65_535.0 * width))


def everything(scan):
    summary = summarise(scan)
    masks = {"a": summary.total > np.median(summary.total), "b": summary.cluster == 1}
    parts = {name: getattr(summary, name) for name in vars(summary)}
    return parts | {"rows": row_spectra(scan), "areas": sum_areas(scan, masks)["counts"].values}


def test_results_are_those_of_one_thread_to_the_last_bit(monkeypatch):
    # counts that are no whole numbers: another order of addition would show
    uneven = np.random.default_rng(2).gamma(2.0, 1.7, (60, 40, 96))
    results = []
    for cores in (1, 2, 5):
        monkeypatch.setattr(lazy, "_cores", lambda n=cores: n)
        results.append(everything(lazily(uneven)[0]))
    for other in results[1:]:
        for name, value in results[0].items():
            np.testing.assert_array_equal(value, other[name], err_msg=name)


def test_clusters_are_those_of_the_plain_way(four_readers):
    # the way before passes were shared: block after block, means of groups by their labels
    scan = painting("northern panel", shape=(24, 30), total_counts=2000, seed=3).scan
    cube = scan["counts"].values
    summary = summarise(lazily(cube)[0])
    np.testing.assert_array_equal(summary.cluster, summarise(scan).cluster)
    for k, counts in enumerate(summary.cluster_counts):
        np.testing.assert_array_equal(counts, cube[summary.cluster == k].sum(axis=0))


def test_scale_and_elements_read_each_number_twice_until_traces(four_readers):
    # once for all sums; once more for the groups of like pixels, which the sums tell apart
    scan, stored = lazily(painting("northern panel", shape=(24, 30), seed=3).scan["counts"].values)
    calibrated = calibrate(scan)
    assert stored.read_numbers == stored.data.size
    summarise(calibrated)
    assert stored.read_numbers == 2 * stored.data.size


def test_what_is_kept_goes_with_its_scan():
    gc.collect()
    scan, _ = lazily(CUBE.astype("u2"))
    before = len(_KEPT)
    scan_sums(scan)
    assert len(_KEPT) == before + 1
    del scan
    gc.collect()
    assert len(_KEPT) == before


def test_counts_in_memory_may_change_between_two_sums():
    counts = CUBE.astype("u2")
    scan = make_scan(counts)
    first = row_spectra(scan)
    scan["counts"].values[0] += 1
    assert row_spectra(scan)[0].sum() == first[0].sum() + counts[0].size


@pytest.mark.parametrize("threads", [1, 3])
def test_blocks_come_in_order_whoever_is_quickest(threads):
    scan, _ = lazily(CUBE.astype("u2"))

    def slow_at_first(rows, cols, block):
        time.sleep(0.02 if rows.start == 0 else 0.0)
        return int(block.sum())

    found = list(map_blocks(scan["counts"], slow_at_first, threads=threads))
    assert [rows.start for rows, _, _ in found] == list(range(0, 22, 3))
    assert sum(total for *_, total in found) == CUBE.sum()


def test_blocks_without_a_wanted_pixel_are_not_read(four_readers):
    scan, stored = lazily(CUBE.astype("u2"))
    wanted = np.zeros((22, 19), bool)
    wanted[7, 5] = True
    assert [rows for rows, _, _ in iter_blocks(scan["counts"], wanted)] == [slice(6, 9)]
    assert stored.read_numbers == 3 * 19 * 130


def test_a_pass_that_is_given_up_reads_no_more(four_readers):
    scan, stored = lazily(CUBE.astype("u2"))
    for _ in iter_blocks(scan["counts"]):
        break
    done = stored.read_numbers
    assert not [t for t in threading.enumerate() if t.name.startswith("blocks")]
    assert done < CUBE.size  # some of eight blocks
    time.sleep(0.02)
    assert stored.read_numbers == done


def test_few_blocks_are_in_memory_at_a_time(monkeypatch):
    monkeypatch.setattr(lazy, "_cores", lambda: 64)
    small, _ = lazily(CUBE.astype("u2"))
    assert lazy.readers(small["counts"].data) == lazy.MOST_READERS
    large = np.broadcast_to(np.ones(4096, np.uint32), (4096, 512, 4096))
    array = lazy_counts(Told(large, (8, 512, 4096)), "large")
    number = lazy.readers(array)
    tall, wide = max(array.chunks[0]), max(array.chunks[1])
    assert (number + 1) * 2 * tall * wide * 4096 * 4 <= lazy.AHEAD_BYTES


def spoiled(path, rows):
    """Scan of 40 rows with chunks of a row, some of which cannot be unpacked."""
    cube = np.random.default_rng(3).poisson(2.0, (40, 300, 64)).astype("u2")
    write_nexus(path, cube, 0.1)
    with h5py.File(path, "r+") as file:
        old = file["entry/data/counts"]
        attrs = dict(old.attrs)
        del file["entry/data/counts"]
        new = file.create_dataset(
            "entry/data/counts", data=cube, chunks=(1, 300, 64), compression="gzip", shuffle=True
        )
        new.attrs.update(attrs)
        for row in rows:
            new.id.write_direct_chunk((row, 0, 0), zlib.compress(bytes(10)))
    return open_scan(path)


def test_the_first_bad_chunk_is_told_with_its_place(tmp_path, four_readers):
    scan = spoiled(tmp_path / "a.h5", [17, 33])
    scan = scan.assign(counts=scan["counts"].chunk({"y": 4}))
    for ask in (scan_sums, summarise, lambda s: list(iter_blocks(s["counts"]))):
        with pytest.raises(InputError, match=r"a\.h5: /entry/data/counts: .* at index \(17, 0, 0"):
            ask(scan)
    with pytest.raises(InputError, match=r"at index \(17, 0, 0"):
        list(Here().run(scan["counts"], boxes_of(scan["counts"]), lambda b, _: 0, as_it_is))


def test_a_bad_count_is_told_with_its_pixel(four_readers):
    cube = CUBE.astype("f8")
    cube[13, 4, 99] = -2
    cube[20, 0, 0] = np.nan
    scan, _ = lazily(cube)
    with pytest.raises(InputError, match=r"found -2 at pixel \(y, x\) = \(13, 4\), channel 99"):
        scan_sums(scan)


def test_the_runner_gives_all_blocks_in_order_and_reads_ahead(four_readers):
    scan, _ = lazily(CUBE.astype("u2"))
    boxes = boxes_of(scan["counts"])
    made = Here().run(scan["counts"], boxes, lambda block, box: (box, int(block.sum())), as_it_is)
    found = list(made)
    assert [number for number, _ in found] == list(range(len(boxes)))
    assert [box for _, (box, _) in found] == boxes
    assert sum(total for _, (_, total) in found) == CUBE.sum()
    assert list(Here().run(scan["counts"], [], lambda b, _: b, as_it_is)) == []


def test_many_threads_give_the_same_as_one(monkeypatch):
    scan, _ = lazily(CUBE.astype("u2"))
    boxes = boxes_of(scan["counts"])
    uneven = np.random.default_rng(4).gamma(2.0, size=130)

    def made(cores):
        monkeypatch.setattr(lazy, "_cores", lambda: cores)
        run = Here().run(scan["counts"], boxes, lambda block, _: block @ uneven, np.sqrt)
        return np.concatenate([part for _, part in run])

    np.testing.assert_array_equal(made(1), made(4))
    np.testing.assert_array_equal(made(1), np.sqrt(CUBE.astype("u2") @ uneven))


def test_a_study_of_one_block_uses_all_cores_and_one_of_many_shares_them(four_readers):
    from numba import get_num_threads

    scan, _ = lazily(np.tile(CUBE, (6, 1, 1)).astype("u2"))
    boxes = boxes_of(scan["counts"])
    all_cores = get_num_threads()

    def ask(some):
        run = Here().run(scan["counts"], some, lambda *_: get_num_threads(), as_it_is)
        return {cores for _, cores in run}

    assert ask(boxes[:1]) == {all_cores}
    assert ask(boxes) == {max(1, all_cores // 4)}
    assert get_num_threads() == all_cores


def test_sums_are_kept_until_they_are_forgotten(tmp_path):
    scan = open_scan(write_nexus(tmp_path / "a.h5", CUBE.astype("u2"), 0.1))
    first = scan_sums(scan)
    assert scan_sums(scan) is first
    forget_sums()
    again = scan_sums(scan)
    assert again is not first
    np.testing.assert_array_equal(again.rows, first.rows)
