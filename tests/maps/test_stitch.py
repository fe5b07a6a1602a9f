"""Scans put together: counts, seams and stage errors against simulated truth."""

import dask.array as da
import numpy as np
import pytest
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.maps.stitch import stitch

STEP = 0.5  # mm
FAMILIES = ("Pb L", "Ca K", "Fe K", "Cu K")
RATES = np.array([3000.0, 800.0, 400.0, 200.0])  # counts per second where the paint is full
# corners of four tiles of 44 x 50 pixels on a panel of 80 x 90: strips of 8 and 10 pixels
CORNERS = {"upper left": (0, 0), "upper right": (0, 40), "lower left": (36, 0),
           "lower right": (36, 40)}  # fmt: skip
SHAPE = (44, 50)


def paint(x, y, family):
    """Amount of a family at a place of a made-up panel [mm], 0 to about 2: soft shapes."""
    hill = 0.5 * (1 + np.tanh((y - 20 - 5 * np.sin(x / 6 + family)) / 0.8))
    dots = 0.5 * (1 + np.sin(x / (1.7 + 0.3 * family)) * np.cos(y / (1.3 + 0.2 * family)))
    return 0.3 + hill * (0.4 + 0.3 * family / 3) + dots


def rate(x, y):
    """Counts per second, averaged over pixels centred on x and y, shape (families, y, x)."""
    fine = (np.arange(4) - 1.5) / 4 * STEP
    mean = 0.0
    for dx in fine:
        for dy in fine:
            gx, gy = np.meshgrid(x + dx, y + dy)
            mean = mean + np.array([paint(gx, gy, k) for k in range(len(FAMILIES))])
    return mean / 16 * RATES[:, None, None]


def tile(rng, corner, error_mm=(0.0, 0.0), live=0.4, shape=SHAPE, step=STEP):
    """Maps of one tile whose stage is off by `error_mm` (y, x)."""
    y, x = ((corner[i] + np.arange(shape[i])) * step for i in (0, 1))
    want = live * rate(x + error_mm[1], y + error_mm[0])
    background = live * 200.0
    gross = rng.poisson(want + background)
    dims = ("line", "y", "x")
    maps = xr.Dataset(
        {
            "net_counts": (dims, np.maximum(gross - background, 0.0).astype(np.float32)),
            "net_counts_err": (dims, np.sqrt(np.maximum(gross, 1)).astype(np.float32)),
            "fit_ok": (("y", "x"), np.ones(shape, dtype=bool)),
            "live_time": (("y", "x"), np.full(shape, live)),
        },
        coords={"line": list(FAMILIES), "y": ("y", y, {"units": "mm"}),
                "x": ("x", x, {"units": "mm"})},
        attrs={"zero_kev": 0.0},
    )  # fmt: skip
    return maps, want


def panel(seed, spread_mm=0.4, **how):
    """Four tiles with random stage errors, and these errors (y, x); the first has none."""
    rng = np.random.default_rng(seed)
    errors = {name: rng.normal(0, spread_mm, 2) for name in CORNERS}
    errors["upper left"] = np.zeros(2)
    made = {n: tile(rng, c, errors[n], **how) for n, c in CORNERS.items()}
    return {n: m for n, (m, _) in made.items()}, errors


def test_four_tiles_give_the_counts_of_the_whole_panel():
    tiles, _ = panel(1)
    whole = stitch(tiles, stage_error_mm=0.5).maps
    y, x = whole["y"].values, whole["x"].values
    tile_of, net = whole["tile"].values, whole["net_counts"].values
    assert (tile_of >= 0).mean() > 0.95
    for number, name in enumerate(tiles):
        mine = tile_of == number
        assert mine.sum() > 1000
        # where the beam was when the pixel was measured: half a pixel at most from the grid
        want = 0.4 * rate(x, y)
        for k in range(len(FAMILIES)):
            total, truth = net[k][mine].sum(), want[k][mine].sum()
            error = (whole["net_counts_err"].values[k][mine] ** 2).sum() ** 0.5
            # four standard errors, and 1.5 % for paint that is half a pixel off at outlines
            assert total == pytest.approx(truth, abs=4 * error + 0.015 * truth), (name, k)


def test_stage_errors_are_found_within_their_stated_errors():
    # stated errors are standard errors; of 48 values three at most may lie beyond two of
    # them (expected 2.2 for a normal law; six would happen once in fifty), none beyond four
    pulls = []
    for seed in range(8):
        tiles, errors = panel(100 + seed)
        for place in stitch(tiles, stage_error_mm=0.5).places[1:]:
            truth = errors[place.name]
            pulls += [(place.y_mm - truth[0]) / place.y_err_mm,
                      (place.x_mm - truth[1]) / place.x_err_mm]  # fmt: skip
            assert place.x_err_mm < 0.2 * STEP  # the overlaps and not the stage decide
    pulls = np.abs(pulls)
    assert (pulls > 2).sum() <= 5
    assert pulls.max() < 4


def test_the_seam_lies_in_the_middle_of_the_overlap():
    rng = np.random.default_rng(2)
    left, _ = tile(rng, (0, 0))
    right, _ = tile(rng, (0, 40))
    found = stitch({"left": left, "right": right}, place="stage")
    # columns 40 to 49 are in both: 45 is as far from one edge as 44 from the other
    rows, columns = np.nonzero(found.seams)
    assert set(columns) == {44}
    assert rows.size == 44
    assert found.maps.sizes == {"line": 4, "y": 44, "x": 90}


def test_pieces_of_one_map_give_it_back_to_the_last_bit():
    maps, _ = tile(np.random.default_rng(14), (0, 0), shape=(16, 16))
    for name in ("net_counts_ul", "decision_threshold", "detection_limit"):
        maps[name] = maps["net_counts"] + 1
    maps["total_counts"] = maps["net_counts"].sum("line").astype(np.float64)
    maps["pixel_state"] = (("y", "x"), np.arange(256, dtype=np.uint8).reshape(16, 16) % 6)
    maps = maps.assign_coords(energy=("energy", np.arange(64.0)))  # no part of the pixels
    pieces = {
        f"{r}{c}": maps.isel(y=slice(r, r + 10), x=slice(c, c + 10)) for r in (0, 6) for c in (0, 6)
    }
    whole = stitch(pieces, place="stage").maps
    for name in ("net_counts", "net_counts_err", "net_counts_ul", "decision_threshold",
                 "live_time", "total_counts", "fit_ok", "pixel_state"):  # fmt: skip
        assert np.array_equal(whole[name].values, maps[name].values), name
        assert whole[name].dtype == maps[name].dtype
    assert np.allclose(whole["x"].values, maps["x"].values)
    assert whole["x"].attrs["units"] == "mm"
    assert "zero_kev" not in whole.attrs


def test_lazy_maps_stay_lazy_and_give_the_same():
    tiles, _ = panel(3)
    lazy = {n: t.chunk({"y": 11}) for n, t in tiles.items()}
    whole, same = stitch(lazy).maps, stitch(tiles).maps
    assert isinstance(whole["net_counts"].data, da.Array)
    assert np.array_equal(whole["net_counts"].values, same["net_counts"].values, equal_nan=True)


def test_stages_that_run_backwards_are_put_right():
    tiles, _ = panel(4)
    back = {n: t.isel(y=slice(None, None, -1), x=slice(None, None, -1)) for n, t in tiles.items()}
    one, two = stitch(tiles).maps, stitch(back).maps
    assert np.array_equal(one["net_counts"].values, two["net_counts"].values, equal_nan=True)


def test_a_dead_pixel_leaves_its_place_to_the_other_scan():
    rng = np.random.default_rng(5)
    left, _ = tile(rng, (0, 0))
    right, _ = tile(rng, (0, 40))
    left["fit_ok"][20, 42] = False
    whole = stitch({"left": left, "right": right}, place="stage").maps
    assert int(whole["tile"][20, 42]) == 1
    assert bool(whole["fit_ok"][20, 42])


def test_unequal_dwell_times_keep_their_own_counts_and_times():
    rng = np.random.default_rng(6)
    left, _ = tile(rng, (0, 0), live=0.2)
    right, _ = tile(rng, (0, 40), live=1.0)
    found = stitch({"left": left, "right": right})
    times = found.maps["live_time"].values
    assert set(np.unique(times[np.isfinite(times)])) == {0.2, 1.0}
    (overlap,) = found.overlaps
    # rates agree although counts are as 1 to 5
    assert overlap.rate_ratio == pytest.approx(1, abs=4 * overlap.rate_ratio_err)
    assert not any("per second" in note for note in found.notes)


def test_a_weaker_tube_in_one_scan_is_told_and_not_scaled_away():
    rng = np.random.default_rng(7)
    left, _ = tile(rng, (0, 0))
    right, _ = tile(rng, (0, 40))
    for name in ("net_counts", "net_counts_err"):
        right[name] = right[name] * np.float32(0.9)
    found = stitch({"left": left, "right": right})
    (note,) = (n for n in found.notes if "per second" in n)
    assert "−10" in note or "−9." in note
    edge = found.maps["net_counts"].sel(line="Pb L").values[:, -1]
    assert np.array_equal(edge, right["net_counts"].sel(line="Pb L").values[:, -1])


def test_a_weak_beam_that_a_monitor_tells_of_makes_no_difference_of_rates():
    rng = np.random.default_rng(7)
    left, _ = tile(rng, (0, 0))
    right, _ = tile(rng, (0, 40))
    for name in ("net_counts", "net_counts_err"):
        right[name] = right[name] * np.float32(0.9)
    right["beam"] = (("y", "x"), np.full(right["fit_ok"].shape, 0.9))
    found = stitch({"left": left, "right": right})
    assert not any("per second" in note for note in found.notes)
    beam = found.maps["beam"].values
    # the scan that says nothing of its beam counts as steady
    np.testing.assert_array_equal(beam, np.where(found.maps["tile"].values == 1, 0.9, 1.0))


def test_bare_ground_tells_no_place_and_says_so():
    rng = np.random.default_rng(8)
    tiles = {}
    for name, corner in (("left", (0, 0)), ("right", (0, 40))):
        maps, _ = tile(rng, corner)
        maps["net_counts"][:] = rng.poisson(400, maps["net_counts"].shape)
        maps["net_counts_err"][:] = 20.0
        tiles[name] = maps
    found = stitch(tiles, stage_error_mm=0.7)
    assert found.places[1].x_mm == 0
    assert found.places[1].x_err_mm == pytest.approx(0.7)  # what the stage is trusted with
    assert any("no structure" in note for note in found.notes)


def test_a_family_of_one_scan_only_is_empty_in_the_other():
    rng = np.random.default_rng(9)
    left, _ = tile(rng, (0, 0))
    right, _ = tile(rng, (0, 40))
    whole = stitch({"left": left.sel(line=["Cu K", "Pb L", "Ca K"]), "right": right}).maps
    assert [str(v) for v in whole["line"].values] == ["Cu K", "Pb L", "Ca K", "Fe K"]
    assert np.isnan(whole["net_counts"].sel(line="Fe K").values[:, 0]).all()
    assert np.isfinite(whole["net_counts"].sel(line="Fe K").values[:, -1]).all()


def test_unlike_pixel_sizes_are_refused():
    rng = np.random.default_rng(10)
    left, _ = tile(rng, (0, 0))
    right, _ = tile(rng, (0, 40), step=0.75)
    with pytest.raises(InputError, match=r"right.*0\.75.*0\.5.*inventing"):
        stitch({"left": left, "right": right})


def test_scans_far_apart_are_refused():
    rng = np.random.default_rng(11)
    left, _ = tile(rng, (0, 0))
    right, _ = tile(rng, (0, 4000))
    with pytest.raises(InputError, match="so far apart"):
        stitch({"left": left, "right": right})


def test_positions_without_a_size_are_refused():
    rng = np.random.default_rng(12)
    left, _ = tile(rng, (0, 0))
    left["x"].attrs["units"] = "pixel"
    with pytest.raises(InputError, match="pixel_mm and origin_mm"):
        stitch({"left": left, "right": tile(rng, (0, 40))[0]})


@pytest.mark.parametrize(("count", "error"), [(1, 1.0), (2, 0.0)])
def test_nothing_to_stitch_is_refused(count, error):
    tiles, _ = panel(13)
    some = dict(list(tiles.items())[:count])
    with pytest.raises(ValueError, match=r"two or more|above 0"):
        stitch(some, stage_error_mm=error)
