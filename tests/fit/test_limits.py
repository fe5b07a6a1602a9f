"""Thresholds, detection limits and intervals: closed forms, printed tables, simulation."""

import numpy as np
import pytest
from scipy.stats import gamma, norm, poisson
from scipy.stats import t as student

from xrfmap.fit._pixel_limits import pixel_limits
from xrfmap.fit.limits import (
    COVERAGE,
    RISK,
    currie_decision_threshold,
    currie_detection_limit,
    decision_threshold,
    detection_limit,
    interval,
    of_spectrum,
    quantiles,
    unified_upper,
    variance_slope,
)
from xrfmap.fit.null_model import added_variance, taken_over

BACKGROUNDS = np.array([1.0, 10.0, 100.0, 2500.0])

# Currie 1968, table II (working formulas for 5 % risks); the numbers from memory.
# Printed with three digits, hence 0.3 % on each factor.
PRINTED = 3e-3


def test_currie_decision_threshold_of_paired_and_known_backgrounds():
    root = np.sqrt(BACKGROUNDS)
    paired = currie_decision_threshold(BACKGROUNDS)
    known = currie_decision_threshold(BACKGROUNDS, paired=False)
    assert paired == pytest.approx(2.33 * root, rel=PRINTED)
    assert known == pytest.approx(1.645 * root, rel=PRINTED)


def test_currie_detection_limit_of_paired_and_known_backgrounds():
    root = np.sqrt(BACKGROUNDS)
    paired = currie_detection_limit(BACKGROUNDS)
    known = currie_detection_limit(BACKGROUNDS, paired=False)
    assert paired == pytest.approx(2.71 + 4.65 * root, rel=PRINTED)
    assert known == pytest.approx(2.71 + 3.29 * root, rel=PRINTED)
    # B = 100, paired: 49.21 counts; 0.05: the printed factors are rounded to 0.005 each
    assert currie_detection_limit(100.0) == pytest.approx(49.21, abs=0.05)


@pytest.mark.parametrize("bad", [-1.0, [4.0, -0.5], [np.nan, -2.0]])
@pytest.mark.parametrize("formula", [currie_decision_threshold, currie_detection_limit])
def test_negative_background_is_refused(formula, bad):
    with pytest.raises(ValueError, match=r"background must be >= 0 counts, found -"):
        formula(bad)


def test_unknown_stays_unknown():
    assert np.isnan(currie_detection_limit([np.nan, 4.0])).tolist() == [True, False]
    assert np.isnan(currie_decision_threshold(np.nan))
    assert np.isnan(decision_threshold(np.nan))
    assert np.isnan(detection_limit([np.nan, 1.0])).tolist() == [True, False]
    low, high = interval([np.nan, 1.0], [1.0, 1.0])
    assert np.isnan(low).tolist() == np.isnan(high).tolist() == [True, False]
    assert np.all(np.isnan(interval(1.0, np.nan)))


@pytest.mark.parametrize("background", [100.0, 900.0])
def test_currie_limits_hold_in_simulation(background):
    # gross count and blank over an equal region, both drawn; no formula of the module in it
    rng = np.random.default_rng(3)
    repeats = 200_000
    threshold = currie_decision_threshold(background)
    limit = currie_detection_limit(background)

    def seen(true: float) -> float:
        net = rng.poisson(background + true, repeats) - rng.poisson(background, repeats)
        return float((net > threshold).mean())

    # 0.5 %: counts are whole, and one count of 14 to 42 (a standard deviation) is worth
    # up to 0.4 % of probability here; sampling adds 0.05 %
    assert seen(0.0) == pytest.approx(RISK, abs=0.005)
    assert seen(float(limit)) == pytest.approx(1 - RISK, abs=0.005)


@pytest.mark.parametrize("null", [0.5, 20.0, 4000.0])
def test_iso_11929_form_is_curries_for_slope_one(null):
    # with v(a) = v0 + a both describe a known background B = v0
    assert decision_threshold(null) == pytest.approx(currie_decision_threshold(null, paired=False))
    assert detection_limit(null) == pytest.approx(currie_detection_limit(null, paired=False))
    assert detection_limit(2 * null) == pytest.approx(currie_detection_limit(null))


@pytest.mark.parametrize("slope", [1.0, 3.0, 12.0])
@pytest.mark.parametrize("skewness", [0.0, 0.4])
def test_detection_limit_solves_its_own_equation(slope, skewness):
    # ISO 11929: y# = y* + k sqrt(v(y#)), the definition; k = 1.6449 from tables. The lower tail
    # of a skewed estimate is shorter by the first term of Cornish and Fisher
    null = np.array([1.0, 30.0, 1000.0])
    limit = detection_limit(null, slope, skewness) + 0.2843 * skewness * np.sqrt(null)
    right = decision_threshold(null, skewness) + 1.6448536 * np.sqrt(null + slope * limit)
    assert limit == pytest.approx(right, rel=1e-4 if skewness else 1e-7)  # 0.2843 is rounded
    # a v0 that grows by r for each count of the family, up to the threshold: y* solves its own
    # equation too. The variance of the estimate is not what is added to the threshold
    added, taken = 0.4, 0.7 * slope
    limit = detection_limit(null, slope, 0.0, added, taken)
    threshold = limit - 1.6448536 * np.sqrt(null + slope * limit)
    right = 1.6448536 * np.sqrt(null + added + taken * threshold)
    assert threshold == pytest.approx(right, rel=1e-6)


def test_detection_limit_of_any_estimate_is_above_its_threshold():
    # hardly any counts below a line, and weights that one stray count makes huge
    null, skewness = np.array([1e-6, 1e-3, 0.1]), np.array([3e4, 90.0, 30.0])
    limit = detection_limit(null, 1.0, skewness)
    assert np.all(limit >= decision_threshold(null, skewness))


@pytest.mark.parametrize("mean", [4.0, 16.0, 100.0])
def test_skewness_correction_gives_the_risk_of_a_skewed_estimate(mean):
    # a gamma variable is skewed as Poisson counts are, but continuous: its tail is exact
    skewness = 2 / np.sqrt(mean)  # of a gamma variable with this shape
    risk = gamma.sf(mean + decision_threshold(mean, skewness), mean)
    plain = gamma.sf(mean + decision_threshold(mean), mean)
    # the next terms of the expansion, (k^3 - 3 k) 1.5 g^2 / 24 - (2 k^3 - 5 k) g^2 / 36, are
    # 0.05 g^2 standard deviations, worth 10 % of probability each: 0.5 % at a skewness of one
    assert risk == pytest.approx(RISK, abs=5e-3 * skewness**2)
    assert abs(risk - RISK) < 0.25 * abs(plain - RISK)


@pytest.mark.parametrize("background", [0.5, 1.0, 2.0, 4.0, 9.0])
def test_threshold_keeps_its_risk_for_whole_counts(background):
    # net counts n - B over a known background, the threshold anywhere within a step: the exact
    # Poisson tail, averaged over the step. With 1/12 of the slope (Sheppard) it is 5 %; 0.3 % for
    # the next terms of the expansion, which are those of the test above at a skewness of 1.4
    place = (np.arange(1000) + 0.5) / 1000 - 0.5
    added = added_variance(1.0, 0.0)
    assert float(added) == pytest.approx(1 / 12)

    def risk(threshold):
        return poisson.sf(np.floor(background + threshold - place), background).mean()

    skewness = background**-0.5
    whole = risk(float(decision_threshold(background, skewness, added)))
    smooth = risk(float(decision_threshold(background, skewness)))
    assert whole == pytest.approx(RISK, abs=3e-3)
    assert whole < smooth


@pytest.mark.parametrize("freedom", [10.0, 30.0])
def test_interval_of_an_estimated_variance_is_students(freedom):
    # the quantile of Student's distribution, printed in every table (10: 2.228, 30: 2.042); the
    # next terms of its expansion are 2.82 / f^2 and 2.55 / f^3 (Abramowitz and Stegun 26.7.5)
    half = float(interval(50.0, 1.0, 1e-9, freedom)[1]) - 50
    assert half == pytest.approx(student.ppf(0.975, freedom), abs=3 / freedom**2 + 3 / freedom**3)


def test_slope_of_the_variance_never_falls_below_a_counts_own():
    assert variance_slope([10.0, 10.0, 0.2], [60.0, 15.0, 9.0], [20.0, 20.0, 3.0]).tolist() == [
        4.0, 1.0, 1.0,
    ]  # fmt: skip


def test_slope_near_zero_is_that_of_zero():
    """A family with a neighbour that may take its counts varies by more than they do."""
    slope = variance_slope([0.0, 10.0, 0.0], [3.0, 60.0, 3.0], [3.0, 20.0, 3.0], [2.5, 2.5, 0.7])
    assert slope.tolist() == [2.5, 4.0, 1.0]


# G. J. Feldman and R. D. Cousins, Phys. Rev. D 57, 3873 (1998), table X (a Gaussian with a
# bound at zero), column 95 %; from memory. Printed with two digits.
TABLE_X = {
    -3.0: (0.00, 0.42), -2.0: (0.00, 0.62), -1.0: (0.00, 1.10), 0.0: (0.00, 1.96),
    1.0: (0.00, 2.96), 2.0: (0.35, 3.96),
}  # fmt: skip


@pytest.mark.parametrize(("seen", "ends"), TABLE_X.items())
def test_interval_agrees_with_the_printed_table(seen, ends):
    # a slope near zero leaves a Gaussian of constant width, as in the table
    low, high = interval(seen, 1.0, 1e-9)
    # 0.01: half a unit of the last printed digit, and 0.002 to 0.005 of the table's own grid
    assert (float(low), float(high)) == pytest.approx(ends, abs=0.01)


@pytest.mark.parametrize("true", [0.4, 1.14, 2.5])
def test_interval_is_that_of_a_construction_by_sorting(true):
    # the recipe of the paper on a fine grid: take estimates in order of the likelihood ratio
    # to the best allowed value until they hold 95 %
    x = np.arange(-9.0, 12.0, 1e-3)
    best = np.maximum(x, 0.0)
    order = np.argsort(norm.logpdf(x, best) - norm.logpdf(x, true))
    held = np.cumsum(norm.pdf(x[order], true)) * 1e-3
    accepted = x[order[: int(np.searchsorted(held, COVERAGE))]]
    ends = np.array([accepted.min(), accepted.max()])
    low, high = interval(ends, 1.0, 1e-9)
    # an accepted estimate lies at the border: its interval ends at the truth (grid 0.01)
    assert high[0] == pytest.approx(true, abs=0.02)
    assert low[1] == pytest.approx(true, abs=0.02)


@pytest.mark.parametrize("true", [0.0, 0.3, 1.0, 2.0, 3.5, 6.0])
def test_interval_covers_a_gaussian_at_every_true_value(true):
    # no drawing: the exact probability of all estimates whose interval holds the truth
    seen = np.arange(-8.0, 16.0, 1e-3) + true
    low, high = interval(seen, 1.0, 1e-9)
    inside = (low <= true) & (true <= high)
    covered = float((norm.pdf(seen - true) * inside).sum() * 1e-3)
    assert covered == pytest.approx(COVERAGE, abs=2e-3)  # grid of the table: 0.01 sd


@pytest.mark.parametrize("background", [30.0, 400.0])
@pytest.mark.parametrize("signal", [0.0, 0.5, 2.0, 8.0])
def test_interval_covers_counts_over_a_known_background(background, signal):
    # Poisson counts n, estimate n - B, v(a) = B + a: coverage summed over all n, no drawing
    true = signal * np.sqrt(background)
    n = np.arange(int(background + true + 12 * np.sqrt(background + true)) + 20)
    low, high = interval(n - background, background)
    inside = (low <= true) & (true <= high)
    covered = float(poisson.pmf(n, background + true)[inside].sum())
    # 2 %: counts are whole and skewed; at B = 30 one count more or less is up to 1 %
    assert covered == pytest.approx(COVERAGE, abs=0.02)


def test_interval_is_that_of_the_normal_distribution_far_from_zero():
    # 1.96 standard errors, the textbook interval; v = 400 + 2 x 1e5
    low, high = interval(1e5, 400.0, 2.0)
    sigma = np.sqrt(400 + 2e5)
    assert high - 1e5 == pytest.approx(1.96 * sigma, rel=0.01)  # v differs at the two ends
    assert 1e5 - low == pytest.approx(1.96 * sigma, rel=0.01)


def test_interval_ends_are_ordered_and_grow_with_the_estimate():
    seen = np.linspace(-5, 12, 400)
    low, high = interval(seen, 1.0)
    assert np.all(low >= 0)
    assert np.all(high > low)
    assert np.all(np.diff(high) > 0)
    assert np.all(np.diff(low) >= 0)


@pytest.mark.parametrize("net", [-300.0, -50.0, 0.0, 40.0])
def test_a_larger_stated_error_is_nothing_to_an_absent_family_of_a_sum(net):
    error = 100.0
    null, upper = of_spectrum(net, error, float(np.hypot(error, 0.003 * max(net, 0))))
    assert null == pytest.approx(error**2 - max(net, 0))
    # Feldman and Cousins 1998, table X: upper ends at -3, -0.5, 0 and 0.4 sigma; from memory
    ends = {-300.0: 0.42, -50.0: 1.49, 0.0: 1.96, 40.0: 2.36}
    assert upper == pytest.approx(ends[net] * error, rel=0.03)  # two digits of the table


def test_a_strong_family_of_a_sum_is_bounded_by_its_stated_error():
    net = 1e6
    error, stated = 1.2e3, float(np.hypot(1.2e3, 3e3))
    null, upper = of_spectrum(net, error, stated)
    assert null == pytest.approx(error**2 - net)
    # 1.96 standard errors, the textbook interval; the variance differs by a thousandth at its ends
    assert upper - net == pytest.approx(1.96 * stated, rel=2e-3)


def test_compiled_limits_are_the_formulas():
    rng = np.random.default_rng(8)
    shape = (400, 7)
    null = rng.uniform(0.5, 500, shape)
    amplitude = np.maximum(rng.normal(0, 5, shape), 0) ** 3
    estimate = amplitude + rng.normal(0, 3, shape) * np.sqrt(null)
    variance = null + rng.uniform(0.8, 3, shape) * amplitude
    leakage = rng.exponential(1e-4, (shape[1], shape[1]))
    feigned = amplitude**2 @ leakage
    skewness, rise = rng.uniform(0, 0.8, shape), rng.uniform(0.5, 4, shape)
    estimate[3, 2] = np.nan  # missing stays missing
    fit = (estimate, amplitude, variance, null, skewness, rise)
    single = [a.astype(np.float32) for a in fit]
    spread = rng.uniform(0.1, 3, shape[1])
    out = np.empty((5, *shape), np.float32)
    pixel_limits(*single, spread, leakage, *quantiles(), *unified_upper(), out, 0, len(single[0]))

    total = null + feigned
    skew, rise = skewness * (null / total) ** 1.5, np.maximum(rise, 1)  # counting is skewed only
    taken = taken_over(null, rise, skewness)
    wide = total + added_variance(rise, 0.0)
    freedom = 2 * wide**2 / (spread * null)  # what is feigned is known; var(null) = spread null
    near = added_variance(rise, spread, amplitude / np.sqrt(variance))
    slope = variance_slope(amplitude, variance, null, rise)
    expected = (
        np.maximum(estimate, 0), np.sqrt(variance + feigned),
        interval(estimate, wide, slope, freedom)[1],
        decision_threshold(total, skew, near),
        detection_limit(total, rise, skew, added_variance(rise, spread), taken),
    )  # fmt: skip
    for compiled, formula in zip(out[1:], expected[1:], strict=True):
        # inputs rounded to 1e-7, differences of variances lose a digit or two more
        np.testing.assert_allclose(compiled, formula, rtol=2e-4)
    np.testing.assert_allclose(out[0], np.where(np.isnan(estimate), np.nan, expected[0]), rtol=1e-6)


def test_nothing_at_all_has_a_threshold_of_nought():
    assert decision_threshold(0.0) == 0.0
    assert detection_limit(0.0) == pytest.approx(1.6448536**2)  # Currie: k^2 counts, B = 0
    assert np.isnan(decision_threshold(np.nan))
