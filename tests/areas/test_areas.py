"""Areas: pixels inside, sums, shares."""

import dask.array as da
import numpy as np
import pytest
import xarray as xr
from matplotlib.path import Path as Outline

from xrfmap.areas import members
from xrfmap.areas.members import (
    area_mask,
    line_shares,
    outside_share,
    polygon_mask,
    polygon_surface,
    sum_areas,
)
from xrfmap.errors import InputError
from xrfmap.settings import Area, AreaSettings
from xrfmap.spectra.sums import scan_sums


def grid_scan(ny=6, nx=8, channels=5, units="mm", lazy=False):
    rng = np.random.default_rng(3)
    counts = rng.poisson(4.0, (ny, nx, channels)).astype(np.uint32)
    data = da.from_array(counts, chunks=(2, nx, channels)) if lazy else counts
    return xr.Dataset(
        {
            "counts": (("y", "x", "channel"), data, {"units": "counts"}),
            "live_time": (("y", "x"), np.full((ny, nx), 0.25), {"units": "s"}),
        },
        coords={
            "y": ("y", 0.5 * np.arange(ny), {"units": units}),
            "x": ("x", 0.5 * np.arange(nx), {"units": units}),
        },
        attrs={"source": "front.h5"},
    )


def test_a_square_holds_the_pixels_whose_centres_lie_in_it():
    mask = polygon_mask(
        np.arange(5.0), np.arange(4.0), [(0.5, 0.5), (2.5, 0.5), (2.5, 1.5), (0.5, 1.5)]
    )
    assert mask.sum() == 2
    assert mask[1, 1]
    assert mask[1, 2]


@pytest.mark.parametrize("seed", range(5))
def test_pixels_inside_agree_with_an_independent_library(seed):
    # matplotlib.path.Path.contains_points; random corners, so no centre lies on an edge
    # and the outline crosses itself: matplotlib's non-zero rule equals even-odd for stars only,
    # hence corners sorted by angle.
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
    radius = rng.uniform(3, 9, 9)
    corners = np.column_stack([10 + radius * np.cos(angle), 10 + radius * np.sin(angle)])
    x = y = np.linspace(0, 20, 101)
    centres = np.column_stack([a.ravel() for a in np.meshgrid(x, y)])
    expected = Outline(corners).contains_points(centres).reshape(101, 101)
    np.testing.assert_array_equal(polygon_mask(x, y, corners), expected)


def test_falling_axes_give_the_mirrored_mask():
    triangle = [(0.2, 0.1), (5.3, 1.2), (2.2, 4.4)]
    x, y = np.arange(6.0), np.arange(5.0)
    np.testing.assert_array_equal(
        polygon_mask(x[::-1], y[::-1], triangle), polygon_mask(x, y, triangle)[::-1, ::-1]
    )


def test_neighbours_share_no_pixel_and_lose_none():
    # The square 0..10 cut along a diagonal that runs through pixel centres.
    x = y = np.arange(0.0, 10.0)
    square = polygon_mask(x, y, [(0, 0), (10, 0), (10, 10), (0, 10)])
    one = polygon_mask(x, y, [(0, 0), (10, 0), (10, 10)])
    two = polygon_mask(x, y, [(0, 0), (10, 10), (0, 10)])
    assert not (one & two).any()
    np.testing.assert_array_equal(one | two, square)
    assert square.sum() == 100


def test_the_count_of_fine_pixels_tends_to_the_surface():
    # Closed form: triangle with legs 3 and 4 -> 6 mm2. 0.01 mm pixels err by at most
    # outline * pixel / 2 = 12 * 0.005 = 0.06 mm2.
    triangle = [(1.0, 1.0), (4.0, 1.0), (1.0, 5.0)]
    axis = np.arange(0, 6, 0.01) + 0.003
    assert polygon_surface(triangle) == pytest.approx(6.0, abs=1e-12)
    assert polygon_mask(axis, axis, triangle).sum() * 1e-4 == pytest.approx(6.0, abs=0.06)


@pytest.mark.parametrize("bad", [[(0, 0), (1, 1)], [(0, 0), (1, np.nan), (2, 2)]])
def test_what_is_no_polygon_is_refused(bad):
    with pytest.raises(ValueError, match="polygon"):
        polygon_mask([0.0], [0.0], bad)


def test_the_part_of_a_polygon_beyond_the_scan_is_found():
    scan = grid_scan()  # centres 0..3.5 in x, 0..2.5 in y, so edges at -0.25..3.75 and -0.25..2.75
    on = [(0, 0), (3, 0), (3, 2), (0, 2)]
    half = [(1.75, 0), (5.75, 0), (5.75, 2), (1.75, 2)]  # 2 of 4 mm beyond x = 3.75
    off = [(10, 10), (11, 10), (11, 11)]
    assert outside_share(scan, on) == 0.0
    assert outside_share(scan, half) == pytest.approx(0.5, abs=0.01)  # grid of 200
    assert outside_share(scan, off) == 1.0


def test_a_polygon_outside_the_scan_is_refused_with_both_extents():
    area = Area(name="sky", polygon_mm=[(100, 100), (120, 100), (120, 120)])
    with pytest.raises(InputError) as caught:
        area_mask(grid_scan(), area)
    error = caught.value
    assert error.where == "front.h5"
    assert error.field == "area sky"
    assert "x 100 to 120 mm" in error.found
    assert "x 0 to 3.5 mm" in error.expected


def test_a_polygon_in_mm_needs_a_scan_in_mm():
    area = Area(name="sky", polygon_mm=[(0, 0), (2, 0), (2, 2)])
    with pytest.raises(InputError, match="pixel_mm"):
        area_mask(grid_scan(units="pixel"), area)


def test_a_mask_picture_marks_every_pixel_that_is_not_black():
    picture = np.zeros((6, 8, 3), dtype=np.uint8)
    picture[1, 2] = (0, 0, 7)
    picture[4, 5] = (255, 255, 255)
    mask = area_mask(grid_scan(), Area(name="a", mask="a.png"), picture)
    assert sorted(zip(*np.nonzero(mask), strict=True)) == [(1, 2), (4, 5)]


def test_a_mask_picture_of_another_size_is_refused():
    with pytest.raises(InputError, match="5 x 8") as caught:
        area_mask(grid_scan(), Area(name="a", mask="a.png"), np.ones((5, 8)))
    assert "6 x 8" in caught.value.expected


def test_an_area_may_ask_for_more_pixels():
    area = Area(name="a", polygon_mm=[(-0.1, -0.1), (0.1, -0.1), (0.1, 0.1)])
    assert area_mask(grid_scan(), area).sum() == 1
    with pytest.raises(InputError, match="1 pixels"):
        area_mask(grid_scan(), area, settings=AreaSettings(min_pixels=2))


@pytest.mark.parametrize("lazy", [False, True])
def test_sums_are_exact_and_lazy_scans_give_the_same(lazy):
    scan = grid_scan(lazy=lazy)
    one = np.zeros((6, 8), dtype=bool)
    one[2:4, 1:5] = True
    sums = sum_areas(scan, {"one": one, "all": np.ones((6, 8), dtype=bool)})
    counts = scan["counts"].values
    np.testing.assert_array_equal(sums["counts"].sel(area="one"), counts[one].sum(axis=0))
    np.testing.assert_array_equal(sums["counts"].sel(area="all"), counts.sum(axis=(0, 1)))
    assert sums["pixels"].values.tolist() == [8, 48]
    # 8 and 48 pixels of 0.25 s, exact in binary
    assert sums["live_time"].values.tolist() == [2.0, 12.0]


def test_rows_without_a_marked_pixel_are_not_read():
    scan = grid_scan(lazy=True)
    touched = []

    def watch(block, block_info=None):
        touched.append(block_info[0]["chunk-location"][0])
        return block

    scan["counts"].data = scan["counts"].data.map_blocks(watch, dtype=np.uint32, meta=np.empty(0))
    mask = np.zeros((6, 8), dtype=bool)
    mask[3, 3] = True
    sum_areas(scan, {"spot": mask})
    assert set(touched) == {1}


def test_the_whole_scan_is_not_summed_anew(monkeypatch):
    scan = grid_scan(lazy=True)
    every, half = np.ones((6, 8), dtype=bool), np.zeros((6, 8), dtype=bool)
    half[:, :4] = True
    parts = sum_areas(scan, {"left": half, "right": ~half})  # read pixel by pixel
    known = scan_sums(scan)
    monkeypatch.setattr(members, "map_blocks", None)
    whole = sum_areas(scan, {"all": every})
    np.testing.assert_array_equal(whole["counts"].values[0], known.spectrum)
    xr.testing.assert_equal(whole["counts"].isel(area=0, drop=True),
                            parts["counts"].sum("area"))  # fmt: skip


def test_an_unknown_live_time_stays_unknown():
    scan = grid_scan()
    scan["live_time"].values[0, 0] = np.nan
    sums = sum_areas(scan, {"all": np.ones((6, 8), dtype=bool)})
    assert np.isnan(sums["live_time"].item())


def test_a_mask_of_another_shape_is_refused():
    with pytest.raises(ValueError, match="shape"):
        sum_areas(grid_scan(), {"a": np.ones((2, 2), dtype=bool)})


def test_shares_count_fitted_pixels_only():
    net = np.zeros((2, 2, 2))
    net[0] = [[5, 5], [1, 5]]
    maps = xr.Dataset(
        {
            "net_counts": (("line", "y", "x"), net),
            "decision_threshold": (("line", "y", "x"), np.full((2, 2, 2), 2.0)),
            "fit_ok": (("y", "x"), np.array([[True, False], [True, True]])),
        },
        coords={"line": ["Pb L", "Fe K"]},
    )
    shares = line_shares(maps, np.ones((2, 2), dtype=bool))
    # three fitted pixels, two of them above
    assert shares == {"Pb L": pytest.approx(2 / 3, abs=1e-12), "Fe K": 0.0}
    nothing = line_shares(maps, np.array([[False, True], [False, False]]))
    assert np.isnan(nothing["Pb L"])
