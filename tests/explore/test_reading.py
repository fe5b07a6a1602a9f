"""Parts of a scan: right, the same for any blocking, and no more of the file than needed."""

from threading import Event

import dask.array as da
import h5py
import numpy as np
import pytest
import xarray as xr

from xrfmap.areas.members import sum_areas
from xrfmap.explore.reading import Stopped, first_pass, pixel_spectrum, sum_pixels, window_map
from xrfmap.io import open_scan
from xrfmap.io.lazy import stored_of
from xrfmap.io.stored import StoredCounts


def scan_of(counts, chunks=None):
    data = counts if chunks is None else da.from_array(counts, chunks=chunks)
    shape = counts.shape[:2]
    live = np.random.default_rng(2).uniform(0.05, 0.1, shape)
    return xr.Dataset({"counts": (("y", "x", "channel"), data), "live_time": (("y", "x"), live)})


COUNTS = np.random.default_rng(1).poisson(0.7, (23, 17, 100)).astype(np.uint16)
BLOCKINGS = [None, (5, -1, -1), (4, 6, -1), (23, 17, 100)]


@pytest.mark.parametrize("chunks", BLOCKINGS)
def test_a_window_map_is_the_sum_over_its_channels(chunks):
    found = window_map(scan_of(COUNTS, chunks), 13, 48)
    assert np.array_equal(found, COUNTS[..., 13:48].sum(axis=2))


@pytest.mark.parametrize("chunks", BLOCKINGS)
def test_a_sum_spectrum_agrees_with_the_sums_of_the_study(chunks):
    scan = scan_of(COUNTS, chunks)
    mask = np.random.default_rng(3).random(COUNTS.shape[:2]) < 0.2
    found, other = sum_pixels(scan, mask), sum_areas(scan, {"a": mask}).isel(area=0)
    assert np.array_equal(found.counts, other["counts"].values)
    assert found.pixels == int(other["pixels"])
    # the order of adding differs: rounding of a few hundred doubles
    assert found.live_time == pytest.approx(float(other["live_time"]), rel=1e-13)


@pytest.mark.parametrize("chunks", BLOCKINGS)
def test_a_sum_spectrum_tells_where_its_pixels_ran_full(chunks):
    counts = np.minimum(COUNTS, 255).astype(np.uint8)
    mask = np.random.default_rng(3).random(counts.shape[:2]) < 0.2
    counts[mask, 40:44] = 255
    counts[~mask, 70] = 255  # of other pixels
    found, other = (sum_pixels(scan_of(counts, chunks), m) for m in (mask, np.zeros_like(mask)))
    np.testing.assert_array_equal(np.flatnonzero(found.full), np.arange(40, 44))
    assert other.full is None
    assert sum_pixels(scan_of(COUNTS, chunks), mask).full is None


@pytest.mark.parametrize("chunks", BLOCKINGS)
def test_one_pass_gives_totals_sum_and_maximum(chunks):
    bands = first_pass(scan_of(COUNTS, chunks))
    assert np.array_equal(bands.total, COUNTS.sum(axis=2))
    assert np.array_equal(bands.sum_counts, COUNTS.sum(axis=(0, 1)))
    assert np.array_equal(bands.max_counts, COUNTS.max(axis=(0, 1)))
    assert bands.counts.sum() == COUNTS.sum()


def test_bands_are_exact_where_they_end_and_say_so():
    bands = first_pass(scan_of(COUNTS))
    found, exact = bands.window(16, 48)
    assert exact
    assert np.array_equal(found, COUNTS[..., 16:48].sum(axis=2))
    found, exact = bands.window(96, 100)  # the last band is narrower than the others
    assert exact
    assert np.array_equal(found, COUNTS[..., 96:].sum(axis=2))
    found, exact = bands.window(18, 47)
    assert not exact
    # 29 channels of 0.7 counts, of which the bands know all but the spread inside two of them
    assert found.mean() == pytest.approx(COUNTS[..., 18:47].sum(axis=2).mean(), rel=0.05)


def test_bands_keep_to_their_memory():
    bands = first_pass(scan_of(COUNTS), budget=20_000)
    assert bands.counts.nbytes <= 20_000
    assert np.array_equal(bands.window(0, 100)[0], COUNTS.sum(axis=2))


def test_real_counts_are_added_as_real_numbers():
    counts = COUNTS.astype(np.float32) + np.float32(0.25)
    bands = first_pass(scan_of(counts))
    assert np.array_equal(bands.total, counts.sum(axis=2, dtype=np.float64))


def test_a_pass_that_nobody_waits_for_ends():
    stop = Event()
    told = []

    def tell(done, total):
        told.append((done, total))
        stop.set()

    with pytest.raises(Stopped):
        window_map(scan_of(COUNTS, (1, -1, -1)), 0, 10, tell, stop)
    assert told[-1][0] < told[-1][1] == 23 * 17


@pytest.mark.parametrize("span", [(5, 5), (8, 3), (-1, 4), (90, 101)])
def test_an_empty_window_is_refused(span):
    with pytest.raises(ValueError, match="are not a range of 0 to 100"):
        window_map(scan_of(COUNTS), *span)


@pytest.fixture
def reads(monkeypatch):
    """Boxes that are read from any file."""
    boxes = []
    plain = StoredCounts.__getitem__

    def noted(self, key):
        found = plain(self, key)
        boxes.append(found.shape)
        return found

    monkeypatch.setattr(StoredCounts, "__getitem__", noted)
    return boxes


def test_one_pixel_is_read_as_one_pixel(folder, panel, reads):
    scan = open_scan(folder / "front.h5")
    reads.clear()
    found = pixel_spectrum(scan, 7, 11)
    assert reads == [(1, 1, 1024)]
    assert np.array_equal(found.counts, panel.scan["counts"].values[7, 11])


def test_blocks_without_a_marked_pixel_are_not_read(folder, reads):
    scan = open_scan(folder / "front.h5")
    stored = stored_of(scan["counts"].data)  # in smaller blocks than a file of this size has
    scan["counts"] = scan["counts"].copy(data=da.from_array(stored, chunks=(3, 40, -1)))
    assert stored is not None
    mask = np.zeros((30, 40), dtype=bool)
    mask[4:5, 3:9] = True
    reads.clear()
    sum_pixels(scan, mask)
    assert sum(rows * columns for rows, columns, _ in reads) <= 3 * 40


def test_a_window_reads_only_its_channels_where_the_file_is_cut_along_energy(tmp_path, reads):
    counts = np.random.default_rng(4).poisson(2.0, (12, 10, 256)).astype(np.uint16)
    with h5py.File(tmp_path / "planes.h5", "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "counts"})
        data.create_dataset("counts", data=counts, chunks=(12, 10, 16), compression="gzip")
    scan = open_scan(tmp_path / "planes.h5")
    reads.clear()
    found = window_map(scan, 32, 48)
    assert np.array_equal(found, counts[..., 32:48].sum(axis=2))
    assert sum(size for *_, size in reads) <= 4 * 16  # four bands of rows at most
