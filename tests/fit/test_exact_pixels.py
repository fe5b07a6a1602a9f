"""Double precision where single precision does not arrive: proof of the maximum, and its use."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import nnls
from test_fit import awkward, design, reference, typical, varied

from xrfmap.fit import exact_pixels, pixels
from xrfmap.fit.exact_pixels import exact_maximum
from xrfmap.fit.pixels import FIRST_STEPS, fit_counts


@pytest.mark.parametrize("total", [30.0, 300.0, 30000.0])
def test_maximum_is_that_of_another_algorithm_from_a_flat_start(total):
    matrix = design().matrix
    for counts in design().merge(varied(total, 6, seed=7)):
        flat = np.full(matrix.shape[1], counts.sum() / matrix.shape[1])
        found, proved = exact_maximum(matrix, counts, flat)
        assert proved
        error = 1 / np.sqrt((matrix**2).T @ (1 / (matrix @ found + 1e-4)))
        # both stop at steps of 1e-6 standard errors
        assert np.abs((found - reference(matrix, counts, flat)) / error).max() < 1e-5


def test_noiseless_counts_give_back_what_was_put_in():
    matrix = design().matrix
    true = np.abs(np.random.default_rng(3).normal(0, 100, matrix.shape[1]))
    found, proved = exact_maximum(matrix, matrix @ true + 1e-4, np.ones(len(true)))
    assert proved
    assert found == pytest.approx(true, rel=1e-4, abs=1e-4)


def test_many_counts_give_what_least_squares_give():
    # at 1e9 counts weights of the data and of the model are the same to 1e-4
    matrix = design().matrix
    mean = matrix @ np.full(matrix.shape[1], 1e9 / matrix.shape[1])
    counts = np.random.default_rng(4).poisson(mean).astype(float)
    found, proved = exact_maximum(matrix, counts, np.full(matrix.shape[1], 1e7))
    assert proved
    root = np.sqrt(mean)
    expected, _ = nnls(matrix / root[:, None], counts / root)
    error = 1 / np.sqrt((matrix**2).T @ (1 / mean))
    assert np.abs((found - expected) / error).max() < 0.01


@pytest.mark.parametrize("total", [300.0, 6000.0])
def test_pixels_that_have_not_arrived_are_taken_to_the_maximum(total, monkeypatch):
    # no late step at all: so many have not
    monkeypatch.setattr(pixels, "LATE_STEPS", 0)
    data = varied(total, 400, seed=12)
    fit = fit_counts(data, design(), typical(total))
    stuck = np.flatnonzero(fit.steps == FIRST_STEPS)
    assert len(stuck) > 3
    assert fit.converged.all()
    exact = 0
    for k in stuck:
        best = reference(design().matrix, design().merge(data[k]), fit.amplitude[k].astype(float))
        away = (np.abs(fit.amplitude[k] - best) / np.sqrt(fit.variance[k])).max()
        assert away < 1e-3
        exact += away < 1e-5  # rounding of the results alone
    assert exact > 0.5 * len(stuck)  # the others arrived at their last step
    alone = fit_counts(data[stuck[:1]], design(), typical(total))
    assert np.array_equal(alone.null_variance[0], fit.null_variance[stuck[0]])


def test_pixels_that_nothing_brings_to_the_maximum_are_told(monkeypatch):
    monkeypatch.setattr(pixels, "LATE_STEPS", 0)

    def fails(*_args):
        raise RuntimeError("too many rounds")

    monkeypatch.setattr(exact_pixels, "exact_maximum", fails)
    data = varied(300.0, 400, seed=12)
    fit = fit_counts(data, design(), typical(300.0))
    assert 0 < np.count_nonzero(~fit.converged) < 100
    assert np.isfinite(fit.amplitude).all()


def test_pixels_that_once_were_left_on_their_way():
    # drawn at 300 counts with seeds 201 and 211: 0.04 and 0.05 standard errors off, after as many
    # steps as they were given
    data = np.concatenate(
        [varied(300.0, 20_000, seed)[which] for seed, which in ((201, [19714]), (211, [8952]))]
    )
    fit = fit_counts(data, design(), typical(300.0))
    for counts, a, v in zip(design().merge(data), fit.amplitude, fit.variance, strict=True):
        best = reference(design().matrix, counts, a.astype(float))
        assert (np.abs(a - best) / np.sqrt(v)).max() < 1e-3


@pytest.mark.parametrize("name", awkward())
def test_awkward_pixels_end_too(name):
    matrix = design().matrix
    counts = design().merge(awkward()[name])
    found, proved = exact_maximum(matrix, counts, np.ones(matrix.shape[1]))
    assert proved
    assert np.all(np.isfinite(found))
    assert np.all(found >= 0)
    # at the maximum all counts are in the model, and those of the floor beside them
    assert found @ matrix.sum(axis=0) == pytest.approx(counts.sum(), rel=1e-3, abs=0.1)
