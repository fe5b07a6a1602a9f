"""Bias, variance, coverage, false alarms and misses of single pixels, by simulated repeats.

A quick part for every run and a full part (`slow`, some minutes) over all counts; the
measured table is in `xrfmap/docs/statistics.md`. Targets: variance within 5 % of the
Cramer-Rao bound and bias below 0.1 standard errors for families far from zero, 95 %
intervals that cover 93-97 %, false alarms 5 % +- 1 %, misses at the detection limit
5 % +- 1.5 %. Where counts are so few that one more or less decides, alarms and misses get rarer and
intervals hold more.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from fit_statistics import COUNTS, FAR, SCENES, Row, measure, merged_design, repeats, thresholds
from line_spectra import FAMILIES, PAINT, amplitudes, information

from xrfmap.fit.limits import decision_threshold
from xrfmap.fit.null_model import added_variance, null_spread
from xrfmap.fit.pixels import fit_counts

QUICK = 1500
FULL = 10_000


@lru_cache(maxsize=16)
def rows(scene: str, total: float, pixels: int) -> tuple[Row, ...]:
    return tuple(measure(scene, total, pixels, seed=1))


def sampling(share: float, pixels: int) -> float:
    """Three standard errors of a share counted in so many repeats."""
    return 3 * float(np.sqrt(share * (1 - share) / pixels))


CASES = [
    # each paint and each number of counts once; all of both, and more repeats, are slow
    ("zinc and barytes", 1000.0, QUICK),
    ("lead white", 6000.0, QUICK),
    *(pytest.param(s, t, FULL, marks=pytest.mark.slow) for s in SCENES for t in COUNTS),
]
every_case = pytest.mark.parametrize(("scene", "total", "pixels"), CASES)


@every_case
def test_variance_is_that_of_the_cramer_rao_bound(scene, total, pixels):
    far = [r for r in rows(scene, total, pixels) if r.distance >= FAR]
    assert len(far) >= 2
    for r in far:
        # a control variate leaves less than 0.01 of sampling error in the quick part
        assert r.variance_error < 0.012
        assert r.variance == pytest.approx(1.0, abs=0.05), r
        # and the error that is stated for each pixel is that of the bound, on average
        assert r.error == pytest.approx(1.0, abs=0.03), r


@every_case
def test_bias_is_below_a_tenth_of_a_standard_error(scene, total, pixels):
    for r in rows(scene, total, pixels):
        if r.distance >= FAR:
            assert abs(r.bias) < 0.1, r
        elif total >= 6000:  # also near and at zero
            assert abs(r.bias) < 0.1, r


@every_case
def test_intervals_cover_the_truth(scene, total, pixels):
    slack = sampling(0.05, pixels)
    for r in rows(scene, total, pixels):
        assert r.coverage > 0.93 - slack, r
        if r.distance >= FAR or r.telling > 10:  # elsewhere one count more or less decides
            assert r.coverage < 0.97 + slack, r


@every_case
def test_false_alarms_at_the_decision_threshold(scene, total, pixels):
    absent = [r for r in rows(scene, total, pixels) if r.true == 0]
    # four sampling errors, since the worst of twenty is looked at
    for r in absent:
        assert r.alarm < 0.06 + 4 / 3 * sampling(0.06, pixels), r
    # where ten counts or more tell the variance. With fewer, alarms get rarer: one count more or
    # less decides
    even = [r for r in absent if r.telling > 10]
    assert len(even) >= (15 if total >= 6000 else 5 if total >= 1000 else 1)
    for r in even:
        assert r.alarm > 0.04 - 4 / 3 * sampling(0.04, pixels), r
    if total >= 1000:  # at 300 few counts tell that of nearly all
        assert np.median([r.alarm for r in absent]) == pytest.approx(0.05, abs=0.01)


@pytest.mark.parametrize(("total", "room"), [(1000.0, 0.015), (6000.0, 0.005)])
@pytest.mark.parametrize("scene", SCENES)
def test_threshold_keeps_its_risk_where_variance_and_skewness_are_known(scene, total, room):
    # a weighted sum of Poisson counts has the cumulants sum(w^n mean); its tail beyond the
    # threshold is simulated. What single pixels miss of 5 % comes from estimating both
    pixels = 10_000
    plan = merged_design()
    true = amplitudes(SCENES[scene], total)
    mean = plan.matrix @ true
    weights = (plan.matrix @ np.linalg.inv(information(plan.matrix, mean))) / mean[:, None]
    counts = repeats(mean, pixels, np.random.default_rng(7))
    estimate = (counts - mean) @ weights
    variance = mean @ weights**2
    skewness = mean @ weights**3 / variance**1.5
    alarm = (estimate > decision_threshold(variance, skewness)).mean(axis=0)
    absent = [k for k, name in enumerate(plan.labels[: len(FAMILIES)]) if true[k] == 0]
    assert len(absent) > 15
    # four sampling errors, since the worst of twenty is looked at
    slack = room + 4 / 3 * sampling(0.05, pixels)
    np.testing.assert_allclose(alarm[absent], 0.05, atol=slack)


@every_case
def test_misses_at_the_detection_limit(scene, total, pixels):
    absent = [r for r in rows(scene, total, pixels) if r.true == 0]
    # four sampling errors, since the worst of twenty is looked at
    for r in absent:
        assert r.miss < 0.065 + 4 / 3 * sampling(0.065, pixels), r
    for r in absent:
        if r.telling > 30:
            assert r.miss > 0.035 - 4 / 3 * sampling(0.035, pixels), r


@pytest.mark.parametrize("titanium", [0.0, 600.0])
def test_limit_beside_a_strong_neighbour_is_that_of_its_variance(titanium):
    # Ba L beside Ti K, all three L groups but one under it. ISO 11929 with the variance of the
    # complete model, where v0, its slope s and its growth r in a model without Ba L, which gives
    # the counts of Ba L to the others, are from the Fisher information:
    # y = y* + k sqrt(v0 + s y), y* = k sqrt(v0 + added + r y*)
    plan = merged_design()
    k = plan.labels.index("Ba L")
    column = plan.matrix[:, k]
    mean = plan.matrix @ amplitudes({**PAINT, "Ti K": titanium})
    counts = repeats(mean, 2000, np.random.default_rng(3))
    limit = float(np.median(thresholds(fit_counts(counts, plan, mean), plan, mean)[1][:, k]))

    def bound(spectrum):
        return float(np.linalg.inv(information(plan.matrix, spectrum))[k, k])

    others = np.delete(plan.matrix, k, axis=1)
    given = others.T @ (column / mean)
    into = others @ np.linalg.inv(information(others, mean)) @ given
    zero = bound(mean)
    slope, grow = ((bound(mean + 1e-2 * more) - zero) / 1e-2 for more in (column, into))
    added = float(added_variance(slope, null_spread(plan.matrix, mean, k + 1)[k]))
    half = 1.645**2 * grow / 2
    threshold = half + np.sqrt(half**2 + 1.645**2 * (zero + added))
    half = 1.645**2 * slope / 2
    wanted = threshold + half + np.sqrt(half**2 + 1.645**2 * (zero + slope * threshold))
    # 12 %: skewness is left out here, and bounded neighbours lift the median
    assert limit == pytest.approx(wanted, rel=0.12)
    alone = 2 * 1.645 * np.sqrt(1 / float((column**2 / mean).sum()))
    assert limit > 2 * alone  # what the neighbour costs
