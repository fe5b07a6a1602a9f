"""Automatic areas against simulated pictures whose paints are known.

Agreement of groups with the truth is measured by the adjusted Rand index of scikit-learn
(Hubert and Arabie 1985, from memory): 1 for the same division, 0 for chance.
"""

import numpy as np
import pytest
import xarray as xr
from painted import slow_but
from sklearn.metrics import adjusted_rand_score

from xrfmap.maps.clusters import NONE, UNEVEN, _Scale, cluster_maps

FAMILIES = ("Pb L", "Ca K", "Fe K", "Cu K", "Hg L", "Sn L", "K K", "Mn K")
BACKGROUND = np.array([60.0, 40, 60, 40, 40, 30, 20, 40])  # counts per pixel
GROUND = np.array([0.0, 800, 40, 0, 0, 0, 15, 0])
PAINTS = {  # net counts per pixel
    "sky": np.array([2500.0, 300, 30, 0, 0, 0, 10, 0]),
    "coat": np.array([900.0, 300, 30, 700, 0, 0, 10, 0]),
    "robe": np.array([400.0, 500, 100, 0, 900, 0, 10, 0]),
    "earth": np.array([150.0, 500, 1500, 0, 0, 0, 60, 150]),
}


def maps_from(rng, truth, paints, thickness=0.0, live=1.0):
    """Maps of a label picture; `thickness` spreads all families of a pixel together."""
    shape = truth.shape
    amounts = np.array(paints)[truth]  # y, x, family
    relative = np.exp(thickness * rng.normal(size=shape))[..., None]
    live = np.broadcast_to(live, shape)
    mean = np.moveaxis(amounts * relative, -1, 0) * live
    null = BACKGROUND[:, None, None] * live
    gross = rng.poisson(mean + null)
    dims = ("line", "y", "x")
    return xr.Dataset(
        {
            "net_counts": (dims, np.maximum(gross - null, 0).astype(np.float32)),
            "net_counts_err": (dims, np.sqrt(np.maximum(gross, 1)).astype(np.float32)),
            "decision_threshold": (dims, 1.645 * np.sqrt(null)),
            "fit_ok": (("y", "x"), np.ones(shape, dtype=bool)),
            "live_time": (("y", "x"), live.copy()),
        },
        coords={"line": list(FAMILIES), "y": np.arange(shape[0]), "x": np.arange(shape[1])},
    )


def quarters(side=60):
    """Four paints of unlike size, the last in a tenth of the width."""
    truth = np.zeros((side, side), dtype=int)
    truth[side // 2 :] = 1
    truth[side // 2 :, side // 2 :] = 2
    truth[:, -side // 10 :] = 3
    return truth


def agreement(found, truth):
    return adjusted_rand_score(truth.ravel(), found.labels.ravel())


@pytest.mark.parametrize("thickness", [0.0, 0.25])
def test_four_paints_make_four_areas(thickness):
    rng = np.random.default_rng(1)
    truth = quarters()
    found = cluster_maps(maps_from(rng, truth, list(PAINTS.values()), thickness))
    assert len(found.sizes) == 4
    assert agreement(found, truth) > 0.98
    assert found.sizes == tuple(sorted(found.sizes, reverse=True))
    assert sum(found.sizes) == truth.size


@pytest.mark.parametrize("seed", slow_but((0,), range(5)))
@pytest.mark.parametrize("thickness", [0.0, 0.25, 0.6])
def test_one_paint_is_one_area_however_uneven(seed, thickness):
    rng = np.random.default_rng(seed)
    truth = np.zeros((50, 50), dtype=int)
    found = cluster_maps(maps_from(rng, truth, [PAINTS["sky"]], thickness))
    assert len(found.sizes) == 1, found.because


@pytest.mark.slow
def test_a_slope_of_thickness_is_no_border():
    rng = np.random.default_rng(3)
    truth = np.zeros((60, 60), dtype=int)
    maps = maps_from(rng, truth, [PAINTS["earth"]])
    slope = np.linspace(0.4, 2.5, 60, dtype=np.float32)
    maps["net_counts"] = maps["net_counts"] * xr.DataArray(slope, dims="x")
    assert len(cluster_maps(maps).sizes) == 1


def test_noise_alone_has_no_direction():
    rng = np.random.default_rng(4)
    maps = maps_from(rng, np.zeros((60, 60), dtype=int), [np.zeros(8)])
    found = cluster_maps(maps)
    assert len(found.sizes) == 1
    assert found.families == ()


def test_short_dwell_times_make_no_area_of_their_own():
    rng = np.random.default_rng(5)
    truth = quarters()
    live = np.where(np.arange(60) < 20, 0.5, 2.0)[:, None]  # crosses two paints
    found = cluster_maps(maps_from(rng, truth, list(PAINTS.values()), 0.1, live))
    assert len(found.sizes) == 4
    assert agreement(found, truth) > 0.97


def test_the_same_call_gives_the_same_areas_and_lazy_maps_too():
    rng = np.random.default_rng(6)
    maps = maps_from(rng, quarters(120), list(PAINTS.values()), 0.2)  # more than the sample
    one, two = cluster_maps(maps), cluster_maps(maps)
    lazy = cluster_maps(maps.chunk({"y": 17}))
    assert np.array_equal(one.labels, two.labels)
    assert np.array_equal(one.labels, lazy.labels)


def test_blocks_change_nothing(monkeypatch):
    rng = np.random.default_rng(7)
    maps = maps_from(rng, quarters(), list(PAINTS.values()), 0.2)
    whole = cluster_maps(maps)
    monkeypatch.setattr("xrfmap.maps.clusters.BLOCK_PIXELS", 7 * 60)
    assert np.array_equal(whole.labels, cluster_maps(maps).labels)


def test_a_number_asked_for_is_given():
    rng = np.random.default_rng(8)
    maps = maps_from(rng, quarters(), list(PAINTS.values()), 0.2)
    assert len(cluster_maps(maps, 6).sizes) == 6
    assert cluster_maps(maps, 6).because == "Number of groups as asked."


def test_pixels_without_a_fit_belong_nowhere():
    rng = np.random.default_rng(9)
    maps = maps_from(rng, quarters(), list(PAINTS.values()))
    maps["fit_ok"][:3] = False
    maps["net_counts"][:, :3] = np.nan
    found = cluster_maps(maps)
    assert (found.labels[:3] == NONE).all()
    assert (found.labels[3:] >= 0).all()
    assert len(found.sizes) == 4
    assert sum(int(m.sum()) for m in found.masks().values()) == 57 * 60


def test_the_families_that_part_the_areas_are_named():
    rng = np.random.default_rng(10)
    truth = np.zeros((40, 40), dtype=int)
    truth[:, 20:] = 1
    other = PAINTS["sky"].copy()
    other[3] = 700  # copper alone parts them
    assert cluster_maps(maps_from(rng, truth, [PAINTS["sky"], other])).families[0] == "Cu K"


@pytest.mark.parametrize("number", [0, 13])
def test_impossible_numbers_are_refused(number):
    rng = np.random.default_rng(11)
    maps = maps_from(rng, quarters(), list(PAINTS.values()))
    with pytest.raises(ValueError, match="1 to 12"):
        cluster_maps(maps, number)


def test_maps_without_a_usable_pixel_are_refused():
    maps = maps_from(np.random.default_rng(12), quarters(), list(PAINTS.values()))
    maps["fit_ok"][:] = False
    with pytest.raises(ValueError, match="no pixel"):
        cluster_maps(maps)


def test_a_step_is_the_integral_of_one_over_the_error():
    # closed form against a sum of rectangles of 0.05 counts, whose error is far below 1e-4
    scale = _Scale(("Fe K",), np.array([40.0]), np.array([1.3]), 1.0)
    n = np.arange(0.025, 500, 0.05)
    rough = (0.05 / np.sqrt(40.0 + 1.3 * n + (UNEVEN * n) ** 2)).sum()
    assert scale.steps(np.array([[500.0]]))[0, 0] == pytest.approx(rough, rel=1e-4)


def test_steps_are_those_of_counting_where_paint_is_even(monkeypatch):
    # Anscombe 1948: twice the root of a Poisson count has a variance near 1
    monkeypatch.setattr("xrfmap.maps.clusters.UNEVEN", 1e-3)
    rng = np.random.default_rng(13)
    scale = _Scale(("Fe K",), np.array([100.0]), np.array([1.0]), 1.0)
    for mean in (0.0, 50.0, 1000.0):
        net = rng.poisson(100 + mean, (40000, 1)) - 100.0
        # 40 000 draws know a variance to 0.7 %; the transform itself is good to some percent
        assert scale.steps(net).var() == pytest.approx(1.0, abs=0.05)


def test_a_beam_that_sinks_makes_no_area_of_its_own():
    rng = np.random.default_rng(5)
    truth = quarters()
    beam = np.where(np.arange(60) < 20, 0.4, 1.0)[:, None] * np.ones(60)  # crosses two paints
    maps = maps_from(rng, truth, list(PAINTS.values()), 0.1, beam)
    told = maps.assign(live_time=xr.ones_like(maps["live_time"]), beam=(("y", "x"), beam))
    found = cluster_maps(told)
    assert len(found.sizes) == 4
    assert agreement(found, truth) > 0.97
    # the same counts with nothing said of the beam fall into more groups
    assert len(cluster_maps(told.drop_vars("beam")).sizes) > 4
