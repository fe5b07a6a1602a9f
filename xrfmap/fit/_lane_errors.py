"""Variance, skewness and slope of the variance of a family's amplitude if it were absent."""

from __future__ import annotations

import numpy as np
from numba import njit

from xrfmap.fit._lane_formulas import add_moments
from xrfmap.fit._lane_sums import OPTIONS
from xrfmap.fit._lane_vectors import WIDE

LEAST = np.float32(0.3)  # of the variance with the bound: what is kept without it


@njit(**OPTIONS)
def null_moments(ratio, skew, grow, a, u, mu, open_mu, inv, first, lists):
    """Variance (as a ratio), skewness and slope of the variance if the true value were zero.

    The estimate is a weighted sum of counts with weights in proportion to ``t / mu``, t
    being the component's column with everything subtracted that its neighbours would
    take over. Without the component the model is ``mu - a T``, plus what the neighbours
    then take over, of at most three standard errors (more the data would not allow): it
    sets the weights. The counts that they weigh are those of the model `open_mu` with the
    amplitudes `u` that know no bound at zero, the component taken out again: with the
    bound, absent families only ever take counts away from what lies under a line, and
    the variance would be too small by up to a sixth where counts are few. With the
    weights as they are, counts of the component itself raise the variance by
    ``sum(weight^2 column)`` each: the slope.
    """
    ptr, bin_of, own, entry, idx, val = lists
    given, sums = np.empty((5, WIDE), np.float32), np.empty((5, WIDE), np.float32)
    for j in range(a.shape[0]):
        r, s, w = ratio[j], skew[j], grow[j]
        if ptr[j] == ptr[j + 1]:
            r[:] = np.float32(1.0)
            s[:] = np.float32(0.0)
            w[:] = np.float32(1.0)
            continue
        _given(given, inv[first[j]], a[j], u[j])
        sums[:] = np.float32(0.0)
        add_moments(sums, given, ptr[j], ptr[j + 1], bin_of, own, entry, idx, val, inv, mu, open_mu)
        _moments(r, s, w, inv[first[j]], sums)


@njit(**OPTIONS)
def _given(given, c, mine, other):
    """Fill in what :func:`xrfmap.fit._lane_formulas.add_moments` asks of one family."""
    for k in range(WIDE):
        most = np.float32(3.0) * np.sqrt(c[k])
        given[0, k] = np.float32(1.0) / c[k]
        given[1, k] = mine[k]
        given[2, k] = other[k]
        given[3, k] = min(mine[k], most)
        given[4, k] = min(other[k], most)


@njit(**OPTIONS)
def _moments(r, s, w, c, sums):
    """Turn the sums over a family's bins into its variance, skewness and slope."""
    now, null, second, third, rise = sums
    for k in range(WIDE):
        # bins beside the family's own: there its change leaves the model as it is, nearly,
        # but they bear a share of the variance (1 / c is the sum over all bins)
        rest = max(np.float32(1.0) / c[k] - now[k], np.float32(0.0))
        whole = null[k] + rest
        v0 = np.float32(1.0) / whole
        # a few counts below nothing must not make the variance vanish
        more = max((second[k] + rest) / whole, LEAST)
        r[k] = v0 / c[k] * more
        s[k] = third[k] * v0 * v0 / (np.sqrt(v0 * more) * more)
        w[k] = rise[k] * v0 * v0  # in this order nothing overflows
