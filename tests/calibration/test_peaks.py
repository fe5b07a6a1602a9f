"""Peak fit and peak search against certified values, closed forms and simulated counts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from xrfmap.calibration.peak_search import FWHM_PER_SIGMA, find_peaks, find_peaks_of_any_width
from xrfmap.calibration.peaks import fit_peaks

NIST = Path(__file__).parent / "data" / "nist_strd"


def read_strd(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Starting values, certified values, their deviations, [RSS, residual sd], and the data."""
    lines = (NIST / f"{name}.dat").read_text(encoding="ascii").splitlines()
    table = np.array([[float(v) for v in line.split("=")[1].split()] for line in lines[40:48]])
    closing = np.array([float(line.split(":")[1]) for line in lines[49:51]])
    data = np.array([[float(v) for v in line.split()] for line in lines[60:310]])
    return table[:, :2].T, table[:, 2], table[:, 3], closing, data


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", ["Gauss1", "Gauss2", "Gauss3"])
def test_peak_fit_meets_the_certified_values_of_nist(name, start):
    # NIST StRD, nonlinear regression, Gauss1-3: y = b1 exp(-b2 x) + b3 exp(-(x-b4)^2/b5^2) + ...
    starts, certified, deviation, (rss, residual_sd), data = read_strd(name)
    b = starts[start]
    fit = fit_peaks(
        data[:, 1],
        data[:, 0],
        height=b[[2, 5]],
        position=b[[3, 6]],
        sigma=b[[4, 7]] / np.sqrt(2),
        background=b[:2],
        background_kind="exponential",
        statistic="least squares",
    )
    found = np.concatenate(
        [fit.background, np.stack([fit.height, fit.position, fit.sigma]).T.ravel()]
    )
    unit = np.array([1, 1, 1, 1, np.sqrt(2), 1, 1, np.sqrt(2)])  # their width is sqrt(2) sigma
    assert fit.converged
    assert fit.dof == 242
    # Certified to 11 digits. The sum of squares is flat to second order at its minimum, so double
    # precision leaves about 8 digits of a parameter; 1e-7 asks for 7.
    np.testing.assert_allclose(found * unit, certified, rtol=1e-7)
    np.testing.assert_allclose(fit.error * unit, deviation, rtol=1e-6)
    assert fit.statistic == pytest.approx(rss, rel=1e-10)
    assert np.sqrt(fit.statistic / fit.dof) == pytest.approx(residual_sd, rel=1e-10)


def doublet(x, amplitude=400.0):
    shape = np.exp(-0.5 * ((x - 50.3) / 3.0) ** 2) + 0.5 * np.exp(-0.5 * ((x - 58.1) / 3.0) ** 2)
    return 20.0 - 0.1 * (x - x.mean()) + amplitude * shape


def test_poisson_fit_has_unbiased_positions_and_honest_errors():
    rng = np.random.default_rng(11)
    x = np.arange(20.0, 90.0)
    pulls = []
    for _ in range(400):
        fit = fit_peaks(
            x,
            rng.poisson(doublet(x, 60.0)),
            height=[50, 30],
            position=[50, 58],
            sigma=[3, 3],
            background=[20, 0],
            shared_width=True,
        )
        assert fit.converged
        pulls.append((fit.position - [50.3, 58.1]) / fit.position_err)
    pulls = np.array(pulls)
    # 400 repeats: mean known to 0.05, standard deviation to 3.5 %; four of each are allowed
    assert np.abs(pulls.mean(axis=0)).max() < 0.2
    assert np.abs(pulls.std(axis=0) - 1).max() < 0.14


def test_poisson_fit_finds_the_maximum_of_the_likelihood_of_an_exact_model():
    x = np.arange(20.0, 90.0)
    fit = fit_peaks(
        x, doublet(x), height=[300, 300], position=[49, 59], sigma=[4, 2], background=[10, 0]
    )
    # counts equal to the model: the deviance vanishes there and nowhere else
    assert fit.statistic == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(fit.position, [50.3, 58.1], atol=1e-5)
    np.testing.assert_allclose(fit.area, np.sqrt(2 * np.pi) * 3 * np.array([400, 200]), rtol=1e-5)
    np.testing.assert_allclose(fit.background, [20.0, -0.1], rtol=1e-4)


@pytest.mark.parametrize(
    ("x", "y", "match"),
    [
        (np.arange(20.0), np.arange(19.0), "of one length"),
        (np.arange(4.0), np.arange(4.0), "too few"),
        (np.arange(20.0), np.full(20, np.nan), "finite"),
    ],
)
def test_unusable_input_to_the_fit_is_refused(x, y, match):
    with pytest.raises(ValueError, match=match):
        fit_peaks(x, y, height=[1], position=[10], sigma=[2], background=[1, 0])


def test_search_finds_peaks_with_right_place_area_and_width():
    x = np.arange(600.0)
    truth = np.array([100.4, 250.0, 400.7])
    expected = 50.0 + sum(3000 * np.exp(-0.5 * ((x - c) / 4.0) ** 2) for c in truth)
    counts = np.random.default_rng(3).poisson(expected)
    peaks = find_peaks(counts, lambda p: np.full_like(p, 4.0 * FWHM_PER_SIGMA))
    np.testing.assert_allclose(peaks.position, truth, atol=0.15)  # 5 sd of a centroid, 4/sqrt(3e4)
    # closed form of the filter response; 2 % for the width steps of the search, 1 % for counts
    np.testing.assert_allclose(peaks.area, 3000 * 4 * np.sqrt(2 * np.pi), rtol=0.03)


@pytest.mark.parametrize("sigma", [1.5, 4.0, 17.0])
def test_search_with_unknown_width_finds_the_width(sigma):
    x = np.arange(1500.0)
    expected = 20.0 + sum(3000 * np.exp(-0.5 * ((x - c) / sigma) ** 2) for c in (300.4, 900.7))
    peaks = find_peaks_of_any_width(np.random.default_rng(3).poisson(expected), threshold=20)
    np.testing.assert_allclose(peaks.position, [300.4, 900.7], atol=0.1 + 0.02 * sigma)
    # steps of 12 % in width, interpolated by a parabola: half a step is allowed, and 2 % for the
    # kernel of the narrowest, which is sampled in steps of 0.7 sigma
    np.testing.assert_allclose(peaks.fwhm, sigma * FWHM_PER_SIGMA, rtol=0.08)


def test_search_finds_no_peaks_in_noise_on_a_sloping_continuum():
    rng = np.random.default_rng(5)
    x = np.arange(2048)
    found = 0
    for _ in range(50):
        counts = rng.poisson(2000 * np.exp(-x / 500) + 1)
        found += len(find_peaks(counts, lambda p: np.full_like(p, 8.0)))
    # 50 x 2048 channels / about 4 channels of correlation at 5 sd (one-sided 3e-7): 0.01 expected;
    # the skewness of small counts raises that, hence two are allowed
    assert found <= 2
