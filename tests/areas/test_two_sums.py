"""Two areas against each other."""

import numpy as np
import pytest
from scipy.stats import norm

from xrfmap.areas.two_sums import RISK, Measure, compare, holm


def test_holm_on_an_example_worked_by_hand():
    # sorted 0.005, 0.01, 0.03, 0.04 times 4, 3, 2, 1, never falling: 0.02, 0.03, 0.06, 0.06
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_holm_leaves_one_test_alone_and_never_exceeds_one():
    assert holm([0.03]) == pytest.approx([0.03])
    assert holm([0.6, 0.7, 0.8]) == pytest.approx([1, 1, 1])


def test_tests_that_could_not_be_made_are_not_counted():
    found = holm([0.01, np.nan, 0.02])
    assert found[[0, 2]] == pytest.approx([0.02, 0.02])
    assert np.isnan(found[1])


def test_difference_and_probability_of_rates():
    # A: 1000 +- 30 in 10 s, B: 800 +- 40 in 10 s: 20 +- 5 per second, 4 standard errors
    row = compare({"Fe K": Measure(1000, 30)}, {"Fe K": Measure(800, 40)}, 10, 10)[0]
    assert (row.difference, row.error, row.z) == pytest.approx((20, 5, 4))
    assert row.p == pytest.approx(2 * norm.sf(4), rel=1e-9)
    assert row.verdict == "more in A"


def test_exposures_are_taken_out():
    row = compare({"Fe K": Measure(1000, 30)}, {"Fe K": Measure(2000, 45)}, 10, 20)[0]
    assert row.difference == pytest.approx(0)
    assert row.verdict == "no difference seen"


def test_a_family_fitted_in_one_area_only_cannot_be_told():
    rows = compare({"S K": Measure(50, 5)}, {"Fe K": Measure(50, 5)}, 1, 1)
    assert [row.verdict for row in rows] == ["cannot tell", "cannot tell"]


def test_false_alarms_over_all_families_keep_to_the_risk():
    rng = np.random.default_rng(5)
    trials, families = 1500, 20
    false = 0
    for _ in range(trials):
        truth = rng.uniform(200, 5000, families)
        a, b = rng.poisson(truth), rng.poisson(2 * truth)
        rows = compare(
            {f"f{i}": Measure(n, n**0.5) for i, n in enumerate(a.tolist())},
            {f"f{i}": Measure(n, n**0.5) for i, n in enumerate(b.tolist())},
            1.0,
            2.0,
        )
        false += any(row.verdict.startswith("more") for row in rows)
    # three binomial standard deviations above the risk; uncorrected it would be 1 - 0.95^20 = 0.64
    assert false / trials < RISK + 3 * (RISK * (1 - RISK) / trials) ** 0.5


@pytest.mark.parametrize("exposure", [0.0, -1.0, float("nan")])
def test_exposures_must_be_above_zero(exposure):
    with pytest.raises(ValueError, match="exposures must be above 0"):
        compare({}, {}, exposure, 1.0)
