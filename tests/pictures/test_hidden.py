"""Hidden design on scans whose hidden part is known, and on scans that have none."""

from functools import lru_cache

import numpy as np
import pytest
import xarray as xr
from hidden_scenes import colours, figure, paints, scan_of
from scipy.ndimage import gaussian_filter

from xrfmap.errors import InputError
from xrfmap.pictures.colour_model import FOLDS, colour_features, explain, folds_of_blocks
from xrfmap.pictures.hidden import HiddenSettings, hidden_design, shapes_of
from xrfmap.pictures.hidden_marks import level_for

SHAPE = (90, 110)


@lru_cache(maxsize=8)
def found(seed, counts, *, hides=False):
    """Split of a scan with or without the figure; only read."""
    shares = paints(SHAPE, seed)
    maps = scan_of(shares, counts, seed, figure(SHAPE) if hides else None)
    return hidden_design(maps, colours(shares, seed), placement_error=0.3)


def likeness(result, line, truth):
    part = result["unexplained"].sel(line=line).values
    known = np.isfinite(part)
    return np.corrcoef(part[known], truth[known])[0, 1]


# A figure that adds 0.6 of a paint's counts, at 5, 30 and 300 counts: the noise of one patch
# (1.5 pixels: 28 pixels' worth) is then 0.3, 0.1 and 0.04 of the figure, so that even the
# poorest leaves a correlation above 0.8 where the rest is even.
@pytest.mark.parametrize("counts", [5, 30, 300])
def test_a_hidden_figure_comes_out(counts):
    truth = figure(SHAPE)
    result = found(1, counts, hides=True)
    assert likeness(result, "Cu K", truth) > 0.8
    free = [s for s in shapes_of(result) if not s["follows_picture"]]
    assert {s["line"] for s in free} == {"Cu K"}
    assert free[0]["sign"] == 1
    # the level admits one false shape in twenty scans; the patch rounds the outline by 2 pixels
    named = result["shape"].sel(line="Cu K").values == 1
    near = gaussian_filter(truth, 2.0) > 0.05
    assert (named & ~near).sum() <= 0.01 * named.sum()
    # Half of it is named where counts are many. With few, the spread of like-coloured places
    # (which the figure itself widens) leaves fewer pixels sure; the picture still shows them.
    assert (named & (truth > 0.5)).sum() > (0.5 if counts >= 300 else 0.2) * (truth > 0.5).sum()


def test_the_figure_is_not_in_the_other_elements():
    truth = figure(SHAPE)
    result = found(1, 100, hides=True)
    for line in ("Pb L", "Fe K"):
        # 9900 pixels in patches of 28 are about 350 independent ones: 3.5 standard errors
        assert abs(likeness(result, line, truth)) < 3.5 / np.sqrt(350)


def test_joint_picture_shows_the_figure_bright_and_says_what_it_is_made_of():
    truth = figure(SHAPE)
    result = found(1, 100, hides=True)
    joint = result["joint"].values
    known = np.isfinite(joint)
    assert np.corrcoef(joint[known], truth[known])[0, 1] > 0.8
    assert result["loading"].sel(line="Cu K") == pytest.approx(1.0)  # the only family with one
    assert (result["loading"].drop_sel(line="Cu K") == 0).all()


def test_nothing_hidden_no_joint_picture():
    result = found(3, 100)
    assert not shapes_of(result)
    assert np.isnan(result["joint"].values).all()


@pytest.mark.slow
@pytest.mark.parametrize(("counts", "unevenness"), [(5, 0.0), (100, 0.0), (1000, 0.0), (100, 0.1)])
def test_nothing_is_invented_where_nothing_is_hidden(counts, unevenness):
    """At a nominal 5 % a scan, at most 6 of 40 scans: binomial chance of more 0.3 %."""
    small = (60, 70)
    false = 0
    for seed in range(40):
        shares = paints(small, 100 + seed, size=5)
        maps = scan_of(shares, counts, 100 + seed, unevenness=unevenness)
        result = hidden_design(maps, colours(shares, 100 + seed), placement_error=0.3)
        false += any(not s["follows_picture"] for s in shapes_of(result))
    assert false <= 6


def test_an_edge_misplaced_by_the_stated_error_is_not_hidden():
    shares = paints(SHAPE, 4)
    maps = scan_of(shares, 1000, 4)
    picture = np.roll(colours(shares, 4), 1, axis=1)  # by a pixel, 1 mm
    result = hidden_design(maps, picture, placement_error=1.0)
    assert not [s for s in shapes_of(result) if not s["follows_picture"]]
    # the same edges taken for exact leave at least four times the unexplained counts
    strict = hidden_design(maps, picture, placement_error=0.05)
    left = [float(np.nanstd(r["unexplained"].sel(line="Pb L"))) for r in (result, strict)]
    assert left[1] > 1.5 * left[0]


def test_a_colour_that_occurs_once_is_left_open():
    shares = paints(SHAPE, 5)
    picture = colours(shares, 5)
    maps = scan_of(shares, 100, 5)
    picture[40:55, 50:65] = (0.8, 0.1, 0.1)  # a red cloak, and its mercury, nowhere else
    maps["net_counts"][0, 40:55, 50:65] += 200.0
    result = hidden_design(maps, picture, placement_error=0.3)
    assert not result["colour_elsewhere"].values[42:53, 52:63].any()
    assert np.isnan(result["significance"].values[:, 42:53, 52:63]).all()
    assert not [s for s in shapes_of(result) if not s["follows_picture"]]


def test_dead_pixels_teach_nothing_and_spread_nowhere():
    shares = paints(SHAPE, 1)
    dead = scan_of(shares, 100, 1, hidden=figure(SHAPE))
    dead["net_counts"][:, 30, :] = np.nan
    one = found(1, 100, hides=True)
    other = hidden_design(dead, colours(shares, 1), placement_error=0.3)
    assert np.isnan(other["unexplained"].values[:, 30]).all()
    both = np.isfinite(one["unexplained"].values[0]) & np.isfinite(other["unexplained"].values[0])
    pair = [r["unexplained"].values[0][both] for r in (one, other)]
    assert np.corrcoef(*pair)[0, 1] > 0.97  # a dead row in ninety


def test_large_scans_are_binned_and_say_so():
    shares = paints(SHAPE, 1)
    maps = scan_of(shares, 100, 1, hidden=figure(SHAPE))
    result = hidden_design(
        maps, colours(shares, 1), placement_error=0.3, settings=HiddenSettings(max_pixels=3000)
    )
    assert result.attrs["binned"] == 2
    assert dict(result.sizes) == {"line": 3, "y": 45, "x": 55}
    assert result["x"].values[0] == pytest.approx(1.0)  # between the first two points


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda m, p: (m.drop_vars("net_counts_err"), p), "net_counts_err"),
        (lambda m, p: (m, p[:-1]), "shape"),
        (lambda m, p: (m, np.full_like(p, np.nan)), "pixels with both colour and counts"),
    ],
)
def test_what_cannot_be_split_is_refused(change, words):
    shares = paints((40, 40), 1)
    maps, picture = change(scan_of(shares, 50, 1), colours(shares, 1))
    with pytest.raises(InputError, match=words):
        hidden_design(maps, picture)


def test_level_is_exceeded_by_noise_as_often_as_stated():
    """Worsley 1992 against simulated fields: 200 fields at 20 % risk, three standard errors."""
    sigma, shape = 1.5, (60, 70)
    level = level_for(shape, sigma, maps=1, risk=0.2)
    rng = np.random.default_rng(3)
    over = 0
    for _ in range(200):
        noise = gaussian_filter(rng.standard_normal((shape[0] + 20, shape[1] + 20)), sigma)
        noise = noise[10:-10, 10:-10] * np.sqrt(4 * np.pi) * sigma  # unit spread
        over += np.abs(noise).max() > level
    # the Euler characteristic of a lattice field is a little above the truth: one-sided below
    assert 0.05 < over / 200 < 0.2 + 3 * np.sqrt(0.2 * 0.8 / 200)


def test_each_block_is_predicted_by_others():
    """Counts that depend on the block alone cannot be predicted from colours."""
    shares = paints((80, 80), 2)
    features = colour_features(colours(shares, 2))
    fold = folds_of_blocks((80, 80), 16)
    assert set(np.unique(fold)) == set(range(FOLDS))
    rng = np.random.default_rng(0)
    block = np.kron(rng.normal(0, 10, (5, 5)), np.ones((16, 16)))
    told = explain(block[None], np.ones((1, 80, 80)), features, block=16)
    # 25 blocks: the correlation of independent ones is within 3 / 5
    assert np.corrcoef(told.predicted[0].ravel(), block.ravel())[0, 1] < 0.6


def test_a_beam_that_wavered_hides_nothing_and_shows_nothing():
    shares = paints(SHAPE, 1)
    maps = scan_of(shares, 30, 1, figure(SHAPE))
    beam = 1 + 0.4 * np.sin(np.arange(SHAPE[0]) / 3.0)
    wavered = maps.copy()
    for name in ("net_counts", "net_counts_err"):
        wavered[name] = maps[name] * xr.DataArray(beam, dims="y")
    strength = np.broadcast_to(beam[:, None], SHAPE).copy()
    wavered["beam"] = (("y", "x"), strength)
    steady = found(1, 30, hides=True)
    freed = hidden_design(wavered, colours(shares, 1), placement_error=0.3)
    # at the mean exposure: all values change by one factor, none by its row
    known = np.isfinite(steady["unexplained"].values)
    before, after = (r["unexplained"].values[known] for r in (steady, freed))
    assert after == pytest.approx(before * strength.mean(), rel=1e-6, abs=1e-6 * abs(before).max())
