"""Groups of pixels outside the areas."""

import numpy as np
import xarray as xr

from xrfmap.areas.outside import groups_outside

LINES = ["Pb L", "Ti K", "Zn K", "Fe K"]


def invented_maps(ny=40, nx=50):
    """Lead everywhere, iron in a corner, and a spot of titanium with zinc and no lead."""
    rng = np.random.default_rng(11)
    spot = np.zeros((ny, nx), dtype=bool)
    spot[30:36, 4:12] = True
    iron = np.zeros((ny, nx), dtype=bool)
    iron[:10, 40:] = True
    truth = np.zeros((4, ny, nx))
    truth[0] = np.where(spot, 0, 500)
    truth[1] = np.where(spot, 300, 0)
    truth[2] = np.where(spot, 600, 0)
    truth[3] = np.where(iron, 200, 0)
    noise = 8.0  # an empty family's standard error, so the threshold is 1.645 of it
    net = np.clip(truth + rng.normal(0, noise, truth.shape), 0, None)
    dims = ("line", "y", "x")
    return xr.Dataset(
        {
            "net_counts": (dims, net),
            "net_counts_err": (dims, np.sqrt(truth + noise**2)),
            "decision_threshold": (dims, np.full(truth.shape, 1.645 * noise)),
            "fit_ok": (("y", "x"), np.ones((ny, nx), dtype=bool)),
        },
        coords={
            "line": LINES,
            "y": ("y", np.arange(ny) * 1.0, {"units": "mm"}),
            "x": ("x", np.arange(nx) * 1.0, {"units": "mm"}),
        },
    ), spot


def test_a_spot_nobody_drew_is_found_with_what_it_holds():
    maps, _ = invented_maps()
    everywhere = np.ones((40, 50), dtype=bool)
    groups = {g.name.split(":")[1].split()[0]: g for g in groups_outside(maps, everywhere)}
    assert set(groups) == {"Ti", "Fe"}  # zinc shares the titanium's pixels; lead is everywhere
    spot_group = groups["Ti"]
    assert set(spot_group.present) == {"Ti", "Zn"}
    assert spot_group.layer is None
    assert "x 4 to 11, y 30 to 35 mm" in spot_group.name
    # 48 pixels of 300 counts with an error of 8 to 19 each: sum 14400, error below 150
    best = spot_group.elements["Ti"].best
    assert best is not None
    assert abs(best.net - 48 * 300) < 4 * best.err
    assert best.err < 150


def test_what_an_area_holds_is_left_out():
    maps, spot = invented_maps()
    names = [group.name for group in groups_outside(maps, ~spot)]
    assert len(names) == 1
    assert ": Fe at" in names[0]


def test_noise_makes_no_group():
    maps, spot = invented_maps()
    empty = maps.where(~spot, 0).isel(y=slice(10, None), x=slice(0, 40))
    left = np.ones((30, 40), dtype=bool)
    assert list(groups_outside(empty.assign(fit_ok=maps.fit_ok[10:, :40]), left)) == []
