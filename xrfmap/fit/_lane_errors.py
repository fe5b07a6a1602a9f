"""Variance, skewness and slope of the variance of a family's amplitude if it were absent."""

from __future__ import annotations

import numpy as np
from numba import njit

from xrfmap.fit._lane_sums import OPTIONS
from xrfmap.fit._lane_vectors import WIDE, add_products, fill, multiply

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
    # rows of one array of known width: else the compiler checks for each bin whether they overlap
    held = np.empty((10, WIDE), np.float32)
    t, now, null, second, third, rise, mine, other, taken, open_taken = held
    for j in range(a.shape[0]):
        c, r, s, w = inv[first[j]], ratio[j], skew[j], grow[j]
        if ptr[j] == ptr[j + 1]:
            for k in range(lanes):
                r[k] = 1.0
                s[k] = 0.0
                w[k] = 1.0
            continue
        held[1:6] = np.float32(0.0)
        for k in range(lanes):
            r[k] = np.float32(1.0) / c[k]
            mine[k] = a[j, k]
            other[k] = u[j, k]
        for k in range(lanes):
            most = np.float32(3.0) * np.sqrt(c[k])
            taken[k] = min(mine[k], most)
            open_taken[k] = min(other[k], most)
        for q in range(ptr[j], ptr[j + 1]):
            x = own[q]
            fill(held, 0, 0, np.float32(0.0))
            add_products(held, 0, 0, entry[q], entry[q + 1], idx, val, inv)
            multiply(held, 0, 0, ratio, j)
            mb, ob = mu[bin_of[q]], open_mu[bin_of[q]]
            for k in range(lanes):
                share = t[k]
                m = max(mb[k] - mine[k] * x - taken[k] * share, np.float32(0.02) * mb[k])
                inverse = np.float32(1.0) / m
                without = ob[k] - other[k] * x - open_taken[k] * share
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
