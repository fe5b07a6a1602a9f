"""Conversion between open formats, and the description of a file."""

from __future__ import annotations

import json

import h5py
import numpy as np
import pytest
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io import open_any, open_point, open_scan
from xrfmap.io.convert import convert, sum_spectrum
from xrfmap.io.describe import describe
from xrfmap.io.emsa import write_emsa
from xrfmap.io.nexus import write_nexus
from xrfmap.settings import Instrument, ScanEntry

CUBE = np.random.default_rng(6).poisson(2.0, (12, 9, 64)).astype(np.uint16)
LIVE = np.random.default_rng(7).uniform(0.1, 0.2, (12, 9))


@pytest.fixture
def scan(tmp_path):
    return write_nexus(
        tmp_path / "scan.h5",
        CUBE,
        LIVE,
        real_time=LIVE + 0.01,
        y_mm=0.5 * np.arange(12),
        x_mm=0.5 * np.arange(9),
        energy_kev=0.02 * np.arange(64),
        instrument=Instrument(anode="Rh", tube_kv=50, atmosphere="helium"),
        title="Mill by a frozen river",
    )


@pytest.fixture
def point(tmp_path):
    spectrum = CUBE.sum(axis=(0, 1)).astype(np.int64)
    return write_emsa(
        tmp_path / "p.msa", spectrum, zero_kev=0.01, kev_per_channel=0.02, live_time_s=60,
        real_time_s=66, title="p01", instrument=Instrument(tube_kv=50, takeoff_deg=40),
    )  # fmt: skip


def same(a: xr.Dataset, b: xr.Dataset) -> None:
    xr.testing.assert_allclose(a, b, rtol=1e-12)  # units are turned over on the way
    assert json.loads(a.attrs["instrument"]) == json.loads(b.attrs["instrument"])
    assert a.attrs["title"] == b.attrs["title"]


@pytest.mark.parametrize(
    "path", [[".nc"], [".nc", ".h5"], [".nxs", ".nc", ".hdf5"], [".zarr"], [".zarr", ".nc"]]
)
def test_a_scan_survives_the_way_through_other_formats(scan, tmp_path, path):
    here = scan
    for i, suffix in enumerate(path):
        here = convert(here, tmp_path / f"step{i}{suffix}")
    same(open_scan(here), open_scan(scan))


@pytest.mark.parametrize(
    "path", [[".h5"], [".nc"], [".h5", ".nc", ".msa"], [".nc", ".h5", ".emsa"]]
)
def test_a_point_survives_the_way_through_other_formats(point, tmp_path, path):
    here = point
    for i, suffix in enumerate(path):
        here = convert(here, tmp_path / f"step{i}{suffix}")
    same(open_point(here), open_point(point))


def test_a_converted_scan_opens_with_xarray_alone(scan, tmp_path):
    with xr.open_dataset(convert(scan, tmp_path / "a.nc")) as ds:
        np.testing.assert_array_equal(ds["counts"].values, CUBE)
        np.testing.assert_array_equal(ds["live_time"].values, LIVE)


def test_a_scan_in_netcdf_stays_lazy_and_takes_what_the_study_says(scan, tmp_path):
    path = convert(scan, tmp_path / "a.nc")
    ds = open_scan(path, ScanEntry(file="a.nc", origin_mm=(5, 7)), Instrument(tube_ma=0.5))
    assert hasattr(ds["counts"].data, "dask")
    assert (ds["x"].values[0], ds["y"].values[0]) == (5, 7)
    assert json.loads(ds.attrs["instrument"])["tube_ma"] == 0.5
    with pytest.raises(InputError, match="anode"):
        open_scan(path, None, Instrument(anode="W"))


def test_the_sum_of_a_scan_as_emsa_only_when_asked(scan, tmp_path):
    with pytest.raises(InputError, match="12 x 9 pixels"):
        convert(scan, tmp_path / "sum.msa")
    ds = open_point(convert(scan, tmp_path / "sum.msa", summed=True))
    np.testing.assert_array_equal(ds["counts"].values, CUBE.sum(axis=(0, 1)))
    assert float(ds["live_time"]) == pytest.approx(LIVE.sum(), rel=1e-11)


def test_sums_do_not_overflow_their_type(tmp_path):
    cube = np.full((300, 300, 4), 60000, dtype=np.uint16)
    ds = sum_spectrum(open_scan(write_nexus(tmp_path / "a.h5", cube, 0.1)))
    assert ds["counts"].values.tolist() == [60000 * 90000] * 4


def test_an_unknown_suffix_and_the_same_file_are_refused(scan, tmp_path):
    with pytest.raises(InputError, match=r"\.h5, \.hdf5"):
        convert(scan, tmp_path / "a.xyz")
    with pytest.raises(InputError, match="the same file"):
        convert(scan, scan)
    assert open_scan(scan)["counts"].shape == CUBE.shape


def test_a_sound_scan_has_no_problems(scan):
    found = describe(scan)
    assert found["kind"] == "scan"
    assert found["shape"] == [12, 9, 64]
    assert found["pixel_mm"] == {"x": 0.5, "y": 0.5}
    assert found["total_counts"] == int(CUBE.sum())
    assert found["live_time_s"]["median"] == np.median(LIVE)
    assert found["count_rate_per_s"]["max"] == (CUBE.sum(axis=2) / LIVE).max()
    assert found["energy_scale"]["kev_per_channel"] == pytest.approx(0.02, rel=1e-12)
    assert "gzip" in found["storage"]
    assert found["notes"] == found["problems"] == []
    json.dumps(found, allow_nan=False)


def test_what_is_wrong_with_a_scan_is_said_in_words(tmp_path):
    cube = CUBE.copy()
    cube[4] = 0
    cube[7, 3] = 0
    cube[8, 8, 5] = 65535
    live = LIVE.copy()
    live[1, 1] = np.nan
    path = write_nexus(
        tmp_path / "a.h5", cube, live, real_time=live * 3, y_mm=np.arange(12), x_mm=np.arange(9) * 2
    )
    found = describe(path)
    assert found["dead_rows"] == [4]
    assert found["zero_pixels"] == 10
    assert (found["saturated_channels"], found["saturated_pixels"]) == (1, 1)
    words = "\n".join(found["problems"])
    for part in (
        "1 channels in 1 pixels hold the largest number",
        "1 rows hold almost no counts: 4",
        "10 of 108 pixels hold no count",
        "pixels are not square: 2 mm across and 1 mm down",
        "1 of 108 pixels have no live time",
        "dead time up to 67 %",
        "up to ",
        "no energy scale",
        "anode is not named",
        "tube_kv",
    ):
        assert part in words
    json.dumps(found, allow_nan=False)


def test_counts_that_are_no_whole_numbers_are_a_problem(tmp_path):
    found = describe(write_nexus(tmp_path / "a.h5", CUBE * 0.37))
    assert "not whole numbers" in found["problems"][0]
    assert "no live time" in "\n".join(found["problems"])
    assert found["live_time_s"] is None


def test_a_point_is_described(point):
    found = describe(point)
    assert (found["kind"], found["shape"]) == ("point spectrum", [64])
    assert found["live_time_s"]["median"] == 60
    assert found["dead_time_share"]["max"] == pytest.approx(0.1 / 1.1)
    assert found["dead_rows"] == []


def test_anything_that_holds_spectra_opens(scan, point):
    assert open_any(scan)["counts"].ndim == 3
    assert open_any(point)["counts"].ndim == 1


def test_positions_that_are_no_numbers_are_passed_over(tmp_path, scan):
    with h5py.File(scan, "r+") as file:
        file["entry/data/x"][3] = np.nan
    assert "passed over" in describe(scan)["notes"][0]
