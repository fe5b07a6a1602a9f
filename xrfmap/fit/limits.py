"""Decision thresholds, detection limits and intervals for fitted net counts.

Two families of formulas. For a single region of a spectrum with a known or paired
background there are Currie's [1]_. For an amplitude of a fit, ISO 11929 [2]_: the
variance of the estimate, as a function of the true value, is ``v(a) = v0 + s a``, with
``v0`` the variance when the amplitude is zero; background, its uncertainty and the
correlation with overlapping families are all in ``v0``.

References
----------
.. [1] L. A. Currie, "Limits for qualitative detection and quantitative determination",
   Anal. Chem. 40, 586 (1968). From memory.
.. [2] ISO 11929-1:2019, Determination of the characteristic limits, part 1. From memory.
.. [3] G. J. Feldman and R. D. Cousins, "Unified approach to the classical statistical
   analysis of small signals", Phys. Rev. D 57, 3873 (1998). From memory.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

__all__ = [
    "COVERAGE",
    "RISK",
    "currie_decision_threshold",
    "currie_detection_limit",
    "decision_threshold",
    "detection_limit",
    "interval",
    "of_spectrum",
    "quantiles",
    "unified_upper",
    "variance_slope",
]

Array = npt.NDArray[np.float64]

RISK = 0.05
"""Risk of a false alarm at the decision threshold, and of a miss at the detection limit."""

COVERAGE = 0.95
"""Share of intervals that hold the true value."""


def _background(background: npt.ArrayLike) -> Array:
    bkg = np.asarray(background, dtype=np.float64)
    if np.any(bkg < 0):
        raise ValueError(f"background must be >= 0 counts, found {np.nanmin(bkg):g}")
    return bkg


def currie_decision_threshold(background: npt.ArrayLike, *, paired: bool = True) -> Array:
    """Net counts above which a line counts as detected (Currie's critical level).

    Parameters
    ----------
    background : array_like, shape (...)
        Expected counts under the line. [counts]
    paired : bool
        True: the background is itself a count over an equal region (variance 2 B);
        False: it is known well (variance B).

    Returns
    -------
    ndarray, shape (...)
        ``2.33 sqrt(B)`` or ``1.645 sqrt(B)``; NaN where `background` is NaN. [counts]

    Raises
    ------
    ValueError
        If any background is negative.
    """
    bkg = _background(background)
    return np.asarray(_normal(RISK) * np.sqrt((2.0 if paired else 1.0) * bkg))


def currie_detection_limit(background: npt.ArrayLike, *, paired: bool = True) -> Array:
    """Smallest net counts that are detected with 95 % probability.

    Parameters
    ----------
    background : array_like, shape (...)
        Expected counts under the line. [counts]
    paired : bool
        As in :func:`currie_decision_threshold`.

    Returns
    -------
    ndarray, shape (...)
        ``2.71 + 4.65 sqrt(B)`` or ``2.71 + 3.29 sqrt(B)``; NaN where `background` is
        NaN. [counts]

    Raises
    ------
    ValueError
        If any background is negative.
    """
    k = _normal(RISK)
    return np.asarray(k**2 + 2 * currie_decision_threshold(background, paired=paired))


def variance_slope(
    amplitude: npt.ArrayLike,
    variance: npt.ArrayLike,
    null: npt.ArrayLike,
    at_zero: npt.ArrayLike = 1.0,
) -> Array:
    """Slope s of ``v(a) = v0 + s a`` from the variances at the estimate and at zero.

    Parameters
    ----------
    amplitude, variance, null : array_like, shape (...)
        Estimate >= 0 [counts], its variance, the variance if it were zero [counts2].
    at_zero : array_like, shape (...)
        Slope at zero. [counts]

    Returns
    -------
    ndarray, shape (...)
        Slope, at least 1 (a counted line has at least its own Poisson variance); that at
        zero, which the others tend to, where the estimate is too small to tell. [counts]
    """
    a = np.asarray(amplitude, dtype=np.float64)
    rise = np.asarray(variance, dtype=np.float64) - np.asarray(null, dtype=np.float64)
    near = np.asarray(at_zero, dtype=np.float64)
    slope = np.divide(rise, a, out=np.broadcast_to(near, rise.shape).copy(), where=a > 1.0)
    return np.maximum(slope, 1.0)


def decision_threshold(
    null: npt.ArrayLike, skewness: npt.ArrayLike = 0.0, added: npt.ArrayLike = 0.0
) -> Array:
    """Net counts above which a family counts as detected: ``k sqrt(v0)`` (ISO 11929).

    Parameters
    ----------
    null : array_like, shape (...)
        Variance v0 of the estimate if the family were absent. [counts2]
    skewness : array_like, shape (...)
        Skewness of the estimate in that case; with few counts it is not small.
    added : array_like, shape (...)
        Variance to be added to v0 for the decision, see
        :func:`xrfmap.fit.null_model.added_variance`; it is not skewed. [counts2]

    Returns
    -------
    ndarray, shape (...)
        Threshold with :data:`RISK` of a false alarm; NaN where `null` is NaN. [counts]

    Notes
    -----
    The quantile k of the normal distribution is corrected for skewness g by the first
    term of the Cornish-Fisher expansion, ``k + (k^2 - 1) g / 6`` (Abramowitz and Stegun
    26.2.49, from memory). No quantile of Student's distribution: counts that raise the
    estimated v0 raise the scatter of the estimate about zero just as much.
    """
    k = _normal(RISK)
    v0 = np.asarray(null, dtype=np.float64)
    total = v0 + np.asarray(added, dtype=np.float64)
    third = np.asarray(skewness, dtype=np.float64) * v0 * np.sqrt(v0)
    skewed = np.divide(
        third, total, out=np.zeros(np.broadcast(third, total).shape), where=total != 0
    )
    return np.asarray(k * np.sqrt(total) + (k**2 - 1) / 6 * skewed)


def detection_limit(
    null: npt.ArrayLike,
    slope: npt.ArrayLike = 1.0,
    skewness: npt.ArrayLike = 0.0,
    added: npt.ArrayLike = 0.0,
    taken: npt.ArrayLike = 0.0,
) -> Array:
    """Smallest true net counts that pass the threshold with 95 % probability.

    Parameters
    ----------
    null : array_like, shape (...)
        Variance v0 of the estimate if the family were absent. [counts2]
    slope : array_like, shape (...)
        Slope s of the variance with the true value, from zero on. [counts]
    skewness, added : array_like, shape (...)
        As for :func:`decision_threshold`; `added` raises the threshold only.
    taken : array_like, shape (...)
        Growth r of the estimated v0 with the counts of the family, see
        :func:`xrfmap.fit.null_model.taken_over`. [counts]

    Returns
    -------
    ndarray, shape (...)
        Solution of ``y = y* + k sqrt(v0 + s y)`` with the decision threshold ``y*``, less
        ``(k^2 - 1) g sqrt(v0) / 6`` for skewness; with nothing skewed, added or taken ``2 k
        sqrt(v0) + s k^2``. At least y*; NaN where `null` is NaN. [counts]

    Notes
    -----
    Pixels that just miss have an estimate near the threshold: there the counts under the
    family are y* above those of v0, whatever the true value, and ``y* = k sqrt(v0 + r y*)``.
    Skewness shortens the lower tail as it lengthens the upper one; g sqrt(v0) is what a count
    is worth in the estimate, on the average, and counts of the family are worth about as much.
    """
    k = _normal(RISK)
    v0, g = np.asarray(null, dtype=np.float64), np.asarray(skewness, dtype=np.float64)
    more, r = np.asarray(added, dtype=np.float64), np.asarray(taken, dtype=np.float64)
    half = k**2 * r / 2
    near = half + np.sqrt(half**2 + k**2 * (v0 + more))
    threshold = decision_threshold(v0, g, more + r * near)
    s = np.asarray(slope, dtype=np.float64)
    half = k**2 * s / 2
    above = half + np.sqrt(half**2 + k**2 * (v0 + s * threshold))
    return threshold + np.maximum(above - (k**2 - 1) / 6 * g * np.sqrt(v0), 0.0)


def interval(
    estimate: npt.ArrayLike,
    null: npt.ArrayLike,
    slope: npt.ArrayLike = 1.0,
    freedom: npt.ArrayLike = np.inf,
) -> tuple[Array, Array]:
    """95 % interval of an amplitude that cannot be negative.

    Parameters
    ----------
    estimate : array_like, shape (...)
        Unbounded estimate, may be negative. [counts]
    null : array_like, shape (...)
        Variance v0 of the estimate if the true value were zero, > 0. Of few counts take a
        twelfth of the slope more, see :func:`xrfmap.fit.null_model.added_variance`. [counts2]
    slope : array_like, shape (...)
        Slope s of the variance with the true value. [counts]
    freedom : array_like, shape (...)
        Degrees of freedom of `null`, where it is itself estimated from few counts; taken as
        at least 1. It is widened as Student's distribution is wider than the normal one at the
        ends of the interval (Abramowitz and Stegun 26.7.5, from memory).

    Returns
    -------
    low, high : ndarray, shape (...)
        Ends of the interval, >= 0; NaN where an input is NaN. [counts]

    Notes
    -----
    Feldman-Cousins interval [3]_ of a Gaussian with a bound at zero, built on the scale
    ``h(a) = 2 (sqrt(v0 + s a) - sqrt(v0)) / s`` on which the estimate has unit variance.
    It runs over from an upper limit to a two-sided interval without a choice by the user,
    and covers 95 % at every true value, zero included.
    """
    x = np.asarray(estimate, dtype=np.float64)
    half = _normal((1 - COVERAGE) / 2)
    wider = 1 + (half**2 + 1) / 4 / np.maximum(np.asarray(freedom, dtype=np.float64), 1.0)
    sigma0 = np.sqrt(np.asarray(null, dtype=np.float64)) * wider
    s = np.asarray(slope, dtype=np.float64)
    scaled = np.where(x > 0, _stabilised(np.maximum(x, 0), sigma0, s), x / sigma0)
    grid, low, high = _unified_table()
    # beyond the table the bound plays no part: the central interval
    low_z = np.where(scaled > grid[-1], scaled - half, np.interp(scaled, grid, low))
    high_z = np.where(scaled > grid[-1], scaled + half, np.interp(scaled, grid, high))
    missing = np.isnan(scaled)
    return tuple(  # type: ignore[return-value]
        np.where(missing, np.nan, sigma0 * z + s * z * z / 4) for z in (low_z, high_z)
    )


def of_spectrum(net: float, error: float, stated: float) -> tuple[float, float]:
    """Variance without the family, and upper limit, of net counts of a whole spectrum.

    Parameters
    ----------
    net, error : float
        Unbounded estimate, and its standard error in the test for presence. [counts]
    stated : float
        Standard error that is stated with the counts: at least `error`. [counts]

    Returns
    -------
    null : float
        Variance of the estimate if the family were absent. [counts2]
    upper : float
        End of the interval of :func:`interval`, and beyond it what the stated error adds: nothing
        to an absent family, and ``net + 1.96 stated`` to one that is far from zero. [counts]
    """
    # the family's own counts are part of the variance; without it less remains
    null = max(error**2 - max(net, 0.0), 0.25 * error**2)
    upper = float(interval(net, null, 1.0)[1])
    return null, upper + _normal((1 - COVERAGE) / 2) * (stated - error)


def quantiles() -> tuple[float, float]:
    """Quantiles of the normal distribution for :data:`RISK` and for both sides of an interval."""
    return _normal(RISK), _normal((1 - COVERAGE) / 2)


def unified_upper() -> tuple[Array, Array]:
    """Upper ends of the interval at zero slope, against the estimate, for compiled code.

    Returns
    -------
    estimate, upper : ndarray, shape (n,)
        Both in standard deviations; estimates evenly spaced.
    """
    grid, _, high = _unified_table()
    return grid, high


def _normal(risk: float) -> float:
    """Upper quantile of the standard normal distribution."""
    return float(-ndtri(risk))


def _stabilised(a: Array, sigma0: Array, s: Array) -> Array:
    """Scale on which an estimate with variance ``sigma0^2 + s a`` has unit variance."""
    return np.asarray(2 * (np.sqrt(sigma0**2 + s * a) - sigma0) / s)


@lru_cache(maxsize=1)
def _unified_table() -> tuple[Array, Array, Array]:
    """Interval ends against the estimate, both in standard deviations.

    For each true value m the accepted estimates are those with the largest likelihood
    ratio to the best allowed value, ``max(0, x)``, until they hold 95 %.
    """
    truth = np.arange(0.0, 7.0, 0.002)
    starts = np.array([_acceptance(m) for m in truth])
    grid = np.arange(-6.0, 4.0, 0.01)
    high = np.interp(grid, starts[:, 0], truth)
    # the upper ends rise with m: an estimate excludes every m whose range ends below it
    low = np.interp(grid, starts[:, 1], truth, left=0.0)
    return grid, low, high


def _acceptance(m: float) -> tuple[float, float]:
    """Range of estimates accepted for a true value m, in standard deviations."""

    # log ratio: -(x-m)^2/2 for x >= 0, x m - m^2/2 for x < 0. The range's ends share it.
    def ends(drop: float) -> tuple[float, float]:
        high = m + np.sqrt(2 * drop)
        low = m - np.sqrt(2 * drop)
        if low < 0:
            low = (m * m / 2 - drop) / m if m > 0 else -np.inf
        return low, high

    small, large = 0.0, 20.0
    for _ in range(60):
        drop = 0.5 * (small + large)
        low, high = ends(drop)
        if ndtr(high - m) - ndtr(low - m) < COVERAGE:
            small = drop
        else:
            large = drop
    return ends(0.5 * (small + large))
