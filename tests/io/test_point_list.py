"""Scans stored as a list of points: laid out by their positions."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from xrfmap.io import open_scan
from xrfmap.io.point_list import grid_of_points
from xrfmap.scan import notes_of

NY, NX, NC = 9, 7, 64
CUBE = np.random.default_rng(17).poisson(2.0, (NY, NX, NC)).astype(np.uint16)


def write(path, pixels, jitter=0.0, units="mm"):
    """Pixels (i, j) in the order in which they were measured."""
    rows, columns = np.array(pixels).T
    noise = np.random.default_rng(18).uniform(-jitter, jitter, (2, len(pixels)))
    with h5py.File(path, "w") as file:
        group = file.create_group("entry/data")
        group.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": [".", "energy"]})
        group.create_dataset("counts", data=CUBE[rows, columns], chunks=(5, NC), compression="gzip")
        for name, values in (("y", 0.5 * rows + noise[0]), ("x", 10 - 0.4 * columns + noise[1])):
            group[name] = values
            group[name].attrs["units"] = units
        group["live_time"] = 0.1 + 0.001 * (rows * NX + columns)
        group["live_time"].attrs["units"] = "s"
    return path


def order(kind):
    if kind == "rows":
        return [(i, j) for i in range(NY) for j in range(NX)]
    if kind == "columns":
        return [(i, j) for j in range(NX) for i in range(NY)]
    if kind == "to and fro":
        return [(i, j if i % 2 == 0 else NX - 1 - j) for i in range(NY) for j in range(NX)]
    return [divmod(int(k), NX) for k in np.random.default_rng(19).permutation(NY * NX)]


@pytest.mark.parametrize("kind", ["rows", "columns", "to and fro", "any"])
@pytest.mark.parametrize("jitter", [0.0, 0.03])
def test_points_find_their_pixels(tmp_path, kind, jitter):
    ds = open_scan(write(tmp_path / "a.h5", order(kind), jitter))
    # x falls along the columns of the cube, so the map is turned
    np.testing.assert_array_equal(ds["counts"].values, CUBE[:, ::-1])
    live = 0.1 + 0.001 * np.arange(NY * NX).reshape(NY, NX)[:, ::-1]
    np.testing.assert_allclose(ds["live_time"].values, live)
    # the mean of seven or nine positions that stray by at most 0.03 mm
    np.testing.assert_allclose(ds["y"].values, 0.5 * np.arange(NY), atol=0.03)
    assert "9 x 7 pixels from a list of 63 points" in notes_of(ds)
    np.testing.assert_array_equal(ds["counts"][2:5, 1:3, 7].values, CUBE[2:5, ::-1, 7][:, 1:3])


def test_pixels_without_a_point_are_empty_and_noted(tmp_path):
    pixels = [p for p in order("rows") if p not in ((3, 3), (8, 5), (8, 6))]
    ds = open_scan(write(tmp_path / "a.h5", pixels))
    assert ds["counts"].values[3, NX - 1 - 3].sum() == 0
    assert np.isnan(ds["live_time"].values[3, NX - 1 - 3])
    assert "3 pixels have no point" in notes_of(ds)


def test_points_that_make_no_grid_stay_a_line(tmp_path):
    ds = open_scan(write(tmp_path / "a.h5", [(i, i % NX) for i in range(NY)]))
    assert ds["counts"].shape == (1, NY, NC)
    assert "positions of the points make no grid" in notes_of(ds)


def test_positions_without_a_unit_are_not_used(tmp_path):
    ds = open_scan(write(tmp_path / "a.h5", order("rows"), units="steps"))
    assert ds["counts"].shape == (1, NY * NX, NC)


def test_two_points_on_one_place_make_no_grid():
    y, x = np.array([0.0, 0, 1, 1, 1]), np.array([0.0, 1, 0, 1, 1])
    assert grid_of_points(y, x) is None
    assert grid_of_points(y, x + np.nan) is None
