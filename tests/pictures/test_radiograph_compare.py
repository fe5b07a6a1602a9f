"""A given radiograph against the simulated one: known relations, known differences."""

import numpy as np
import pytest
import xarray as xr
from scipy.ndimage import gaussian_filter
from scipy.stats import spearmanr

from xrfmap.errors import InputError
from xrfmap.pictures.radiograph_compare import LEAST_FIELD, compare_radiographs, differences_of

SHAPE = (80, 100)


def opacity(seed=1):
    """Patchy opacity from 0 to about half a decade, as paint gives it."""
    field = gaussian_filter(np.random.default_rng(seed).standard_normal(SHAPE), 5)
    return 0.2 * (1 + np.tanh(field / field.std()))


def simulated(values):
    places = {n: (n, 1.0 + 2.0 * np.arange(size), {"units": "mm"})
              for n, size in zip("yx", SHAPE, strict=True)}  # fmt: skip
    return xr.Dataset({"opacity": (("y", "x"), values)}, coords=places)


def film(values, seed=2, noise=2.0):
    """Grey of a film, 0 to 255: a curve that nobody tells the program, and grain."""
    grain = np.random.default_rng(seed).normal(0, noise, values.shape)
    return 255 * (1 - np.exp(-4 * values)) + grain


def test_a_film_of_the_same_paint_agrees_whatever_its_curve():
    compared = compare_radiographs(simulated(opacity()), film(opacity()))
    assert compared.attrs["rank_correlation"] > 0.98
    assert compared.attrs["absorbing"] == "light"
    # grain of 2 in patches of 28 pixels is 0.4 of some 150 grey steps
    assert compared.attrs["linear_correlation"] > 0.95
    assert not differences_of(compared)


def test_a_negative_is_told_by_its_sign_and_gives_the_same_differences():
    extra = opacity()
    extra[30:40, 50:60] += 0.3
    light = compare_radiographs(simulated(opacity()), film(extra))
    dark = compare_radiographs(simulated(opacity()), 255 - film(extra))
    assert (light.attrs["absorbing"], dark.attrs["absorbing"]) == ("light", "dark")
    assert dark.attrs["rank_correlation"] == pytest.approx(-light.attrs["rank_correlation"])
    np.testing.assert_allclose(dark["difference"], light["difference"], atol=1e-9)


def test_rank_correlation_is_that_of_scipy():
    compared = compare_radiographs(simulated(opacity()), film(opacity(3) + opacity()))
    soft = [gaussian_filter(v, 1.5) for v in (opacity(), film(opacity(3) + opacity()))]
    other = float(spearmanr(*(v.ravel() for v in soft)).statistic)
    # the edge of the field is weighted anew in the program and mirrored here: an eighth of it
    assert compared.attrs["rank_correlation"] == pytest.approx(other, abs=0.02)
    low, high = (compared.attrs[f"rank_correlation_{end}"] for end in ("low", "high"))
    # some 80 blocks of values that hang together over ten pixels: neither sure nor vague
    assert 0.02 < high - low < 0.6
    assert low < other < high


@pytest.mark.parametrize(("change", "sign"), [(0.3, 1), (-0.15, -1)])
def test_what_only_one_of_them_shows_is_found_where_it_is(change, sign):
    true = np.maximum(opacity(), 0.16)  # enough to take away from
    seen = true.copy()
    seen[30:42, 50:64] += change  # a nail, or a loss: not in the maps
    compared = compare_radiographs(simulated(true), film(seen))
    (place, *others) = differences_of(compared)
    assert place["sign"] == sign
    # corners at pixels 50 and 30 of 2 mm, whose middles lie at 1 + 2 k mm
    assert place["x"] == pytest.approx(1 + 2 * 56.5, abs=3)
    assert place["y"] == pytest.approx(1 + 2 * 35.5, abs=3)
    # the patch widens it by at most three pixels on each side
    assert 28 - 4 <= place["width"] <= 28 + 12
    assert not [p for p in others if p["peak"] > place["peak"] / 2]


def test_edges_misplaced_by_the_stated_error_are_no_difference():
    moved = np.roll(film(opacity()), 3, axis=1)
    moved[:, :3] = np.nan  # what came in from the other side
    strict = compare_radiographs(simulated(opacity()), moved, reach=1)
    aware = compare_radiographs(simulated(opacity()), moved, reach=3)
    beyond = [np.abs(c["difference"].values[3:-3, 3:-3]) > 1 for c in (strict, aware)]
    # every value lies somewhere within three pixels; what is left is grain and the rounded curve
    assert beyond[0].mean() > 0.05
    assert beyond[1].mean() < 0.005
    assert not differences_of(aware)


def test_a_picture_of_something_else_gives_no_direction_and_no_difference():
    """The interval of blocks covers nought in 95 % of such pairs: at most 4 of 20 miss it."""
    wrong = 0
    for seed in range(20):
        compared = compare_radiographs(simulated(opacity(seed)), film(opacity(seed + 100)))
        wrong += compared.attrs["absorbing"] != "cannot tell"
        if compared.attrs["absorbing"] == "cannot tell":
            assert np.isnan(compared["difference"]).all()
            assert differences_of(compared) == []
    # binomial chance of more at 5 %: 0.3 %; at the 10 % that blocks of this size may reach: 4 %
    assert wrong <= 4


def test_what_is_missing_in_one_is_missing_in_the_difference():
    grey = film(opacity())
    grey[:, :20] = np.nan
    compared = compare_radiographs(simulated(opacity()), np.repeat(grey[..., None], 3, axis=2))
    assert np.isnan(compared["difference"].values[:, :20]).all()
    # what lies beyond the maps may belong into their outermost points: nothing is said of them
    assert np.isfinite(compared["difference"].values[3:-3, 20:-3]).all()
    assert np.isnan(compared["difference"].values[[0, 1, 2, -1]]).all()


@pytest.mark.parametrize(
    ("grey", "words"),
    [
        (np.zeros((80, 99)), "shape"),
        (np.full(SHAPE, np.nan), f"{LEAST_FIELD} or more"),
    ],
)
def test_what_cannot_be_compared_is_refused(grey, words):
    with pytest.raises(InputError, match=words):
        compare_radiographs(simulated(opacity()), grey)
