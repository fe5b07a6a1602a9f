"""Variance, skewness and slope of the variance of a family's amplitude if it were absent."""

from __future__ import annotations

import numpy as np
from numba import njit

from xrfmap.fit._lane_sums import OPTIONS
from xrfmap.fit._lane_vectors import WIDE, add_products

LEAST = np.float32(0.3)  # of the variance with the bound: what is kept without it


@njit(**OPTIONS)
def null_moments(ratio, skew, grow, a, u, mu, open_mu, inv, first, lists, lanes):
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
    t = np.empty((1, lanes), np.float32)
    now = np.empty(lanes, np.float32)
    null = np.empty(lanes, np.float32)
    second = np.empty(lanes, np.float32)
    third = np.empty(lanes, np.float32)
    rise = np.empty(lanes, np.float32)
    for j in range(a.shape[0]):
        c, aj, uj, r, s, w = inv[first[j]], a[j], u[j], ratio[j], skew[j], grow[j]
        if ptr[j] == ptr[j + 1]:
            for k in range(lanes):
                r[k] = 1.0
                s[k] = 0.0
                w[k] = 1.0
            continue
        for k in range(lanes):
            now[k] = 0.0
            null[k] = 0.0
            second[k] = 0.0
            third[k] = 0.0
            rise[k] = 0.0
        for k in range(lanes):
            r[k] = np.float32(1.0) / c[k]
            w[k] = np.float32(3.0) * np.sqrt(c[k])
            s[k] = min(aj[k], w[k])
            w[k] = min(uj[k], w[k])
        for q in range(ptr[j], ptr[j + 1]):
            x = own[q]
            for k in range(lanes):
                t[0, k] = 0.0
            for k in range(0, lanes, WIDE):
                add_products(t, 0, k, entry[q], entry[q + 1], idx, val, inv)
            b = bin_of[q]
            mb, ob = mu[b], open_mu[b]
            for k in range(lanes):
                share = t[0, k] * r[k]
                m = max(mb[k] - aj[k] * x - s[k] * share, np.float32(0.02) * mb[k])
                inverse = np.float32(1.0) / m
                without = ob[k] - uj[k] * x - w[k] * share
                full = x + share
                square = full * full
                now[k] += square / mb[k]
                square *= inverse
                null[k] += square
                square *= inverse
                second[k] += square * without
                third[k] += square * full * inverse * max(without, np.float32(0.0))
                rise[k] += square * x
        for k in range(lanes):
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
