"""Places on the page and pixels of the scan."""

import numpy as np
import pytest
import xarray as xr

from xrfmap.explore.frame import Frame, cut


def scan(x, y):
    mm = {"units": "mm"}
    return xr.Dataset(coords={"x": ("x", x, mm), "y": ("y", y, mm)})


@pytest.mark.parametrize("x", [[1.0, 3, 5, 7], [7.0, 5, 3, 1]])
@pytest.mark.parametrize("y", [[10.0, 11, 12], [12.0, 11, 10]])
def test_the_pixel_under_a_place_has_its_centre_within_half_a_step(x, y):
    frame = Frame.of(scan(x, y))
    for place_x in (0.1, 1.9, 2.1, 7.9):
        for place_y in (9.6, 10.4, 10.6, 12.4):
            row, column = frame.pixel_at(place_x, place_y)
            assert abs(x[column] - place_x) <= 1
            assert abs(y[row] - place_y) <= 0.5


@pytest.mark.parametrize("place", [(-0.1, 10), (8.1, 10), (1, 9.4), (1, 12.6), (np.nan, 10)])
def test_off_the_scan_there_is_no_pixel(place):
    assert Frame.of(scan([1.0, 3, 5, 7], [10.0, 11, 12])).pixel_at(*place) is None


def test_upright_turns_a_scan_that_ran_backwards():
    frame = Frame.of(scan([7.0, 5, 3, 1], [12.0, 11, 10]))
    values = np.arange(12).reshape(3, 4)
    assert frame.upright(values).tolist() == values[::-1, ::-1].tolist()


def test_a_small_map_is_sent_whole_and_unchanged():
    frame = Frame.of(scan(np.arange(4.0), np.arange(3.0)))
    values = np.arange(12.0).reshape(3, 4)
    patch = cut(values, frame.grid)
    assert patch.step == 1
    assert (patch.x, patch.y, patch.width, patch.height) == (-0.5, -0.5, 4, 3)
    assert np.array_equal(patch.values, values)


def test_a_large_map_is_sent_as_means_within_the_budget():
    frame = Frame.of(scan(np.arange(400.0), np.arange(300.0)))
    values = np.random.default_rng(1).random((300, 400))
    patch = cut(values, frame.grid, budget=10_000)
    assert patch.values.size <= 10_000
    # blocks of equal size: the mean of means is the mean, up to 32-bit rounding
    assert patch.values.mean() == pytest.approx(values.mean(), rel=1e-5)


def test_the_closer_one_looks_the_finer_is_what_is_sent():
    frame = Frame.of(scan(np.arange(400.0), np.arange(300.0)))
    values = np.random.default_rng(1).random((300, 400))
    patch = cut(values, frame.grid, (100.0, 149.0), (60.0, 20.0), budget=10_000)
    assert patch.step == 1
    assert patch.x <= 100 <= 149 <= patch.x + patch.width
    assert patch.y <= 20 <= 60 <= patch.y + patch.height
    first_row, first_column = int(patch.y + 0.5), int(patch.x + 0.5)
    rows, columns = patch.values.shape
    expected = values[first_row : first_row + rows, first_column : first_column + columns]
    assert np.array_equal(patch.values, expected.astype(np.float32))
