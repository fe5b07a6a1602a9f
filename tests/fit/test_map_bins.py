"""Bins for single pixels: what they cost in information, beside closed forms and other spectra."""

from __future__ import annotations

import numpy as np
import pytest
from fit_statistics import SCENES
from line_spectra import FAMILIES, RANGE, SCALE, amplitudes, design, matrix
from scipy.stats import norm

from xrfmap.fit.map_bins import LOSS, WIDEST, information_loss, map_edges
from xrfmap.spectra.templates import merge_edges

ROUGH = design().edges
INSIDE = slice(int(ROUGH[0]), int(ROUGH[-1]))
COLUMNS = matrix()[INSIDE]
FWHM = SCALE.fwhm(SCALE.energy(np.arange(INSIDE.start, INSIDE.stop))) / SCALE.kev_per_channel


def expected(scene: str, total: float = 6000.0) -> np.ndarray:
    return COLUMNS @ amplitudes(SCENES[scene], total)


def bins_for(*scenes: str, times: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(2)
    counts = rng.poisson([3000 * expected(scene) for scene in scenes]).astype(float)
    return map_edges(COLUMNS, times * counts, FWHM, len(FAMILIES), ROUGH - ROUGH[0])


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.5])
def test_loss_of_a_lone_peak_is_that_of_the_closed_form(phase):
    # a Gaussian hidden in a background that is known: of the information on its height bins of
    # width h take h^2 / (24 sigma^2), 2.6 % for a third of the FWHM (series in h)
    fine = np.linspace(-4, 4, 4801)
    peak = np.diff(norm.cdf(fine, 0, 1 / 2.3548))[:, None]
    edges = np.arange(int(phase * 200), 4800, 200)
    edges = np.unique(np.r_[0, edges, 4800])
    (loss,) = information_loss(peak, np.ones(4800), edges, 1)
    assert loss == pytest.approx(0.0257, abs=0.0005)


@pytest.mark.parametrize("scene", SCENES)
def test_no_family_loses_more_than_a_twentieth(scene):
    # Cramer-Rao bound with all 43 components free, on bins and on single channels. Bins of a third
    # of a peak take up to 12 % of Sb L beside Ca K
    edges, mu = bins_for(scene), expected(scene)
    loss = information_loss(COLUMNS, mu, edges, len(FAMILIES))
    third = information_loss(COLUMNS, mu, ROUGH - ROUGH[0], len(FAMILIES))
    assert loss.min() > -1e-9
    assert loss.max() < LOSS
    assert loss.max() < third.max()
    assert np.median(loss) < np.median(third)
    assert len(edges) < 0.85 * len(ROUGH)


def test_bins_of_some_spectra_suit_those_between_them():
    edges = bins_for(*SCENES)
    first, second = (expected(scene) for scene in SCENES)
    for share in (0.05, 0.3, 0.7, 0.95):
        mu = share * first + (1 - share) * second
        assert information_loss(COLUMNS, mu, edges, len(FAMILIES)).max() < LOSS + 0.005


def test_bins_depend_on_shapes_and_not_on_how_long_was_measured():
    np.testing.assert_array_equal(bins_for("lead white"), bins_for("lead white", times=16.0))


@pytest.mark.parametrize("scene", SCENES)
def test_bins_make_up_the_range_and_are_no_wider_than_half_a_peak(scene):
    edges = bins_for(scene)
    width = np.diff(edges)
    assert (edges[0], edges[-1]) == (0, len(COLUMNS))
    assert width.min() >= 1
    assert np.all(width <= np.maximum(WIDEST * FWHM[edges[:-1]], 1))


def test_coinciding_columns_and_empty_channels_do_no_harm():
    twice = np.column_stack([COLUMNS[:, :3], COLUMNS[:, :1], COLUMNS[:, -9:]])
    counts = np.zeros((2, len(COLUMNS)))
    counts[0, 200] = 1.0  # one stray count
    counts[1] = 1000 * COLUMNS[:, 0]
    edges = map_edges(twice, counts, FWHM, 4, merge_edges(SCALE, RANGE, 2048) - ROUGH[0])
    assert edges[-1] == len(COLUMNS)
    assert np.all(np.diff(edges) > 0)
