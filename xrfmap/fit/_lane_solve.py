"""Linear algebra for many pixels side by side, and the step to the maximum under a bound at zero.

The information of all pixels has one sparse pattern: its Cholesky factor, products and inverse are
lists of row operations that are written down once.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from xrfmap.fit._lane_formulas import invert_root
from xrfmap.fit._lane_sums import OPTIONS, flat
from xrfmap.fit._lane_vectors import (
    WIDE,
    copy,
    copy_free,
    fill,
    multiply,
    subtract_products,
)

VECTOR = WIDE
"""Lanes are taken in multiples of this: the remainder of a loop would be rounded otherwise."""

RIDGE = np.float32(1e-5)  # least share of a pivot that is kept: coinciding templates stay finite
ROUNDS = 8  # exchanges of held and free components within one step


@njit(**OPTIONS)
def factor(chol, info, info_row, free, row, col, first, upd, left, right, drop, lanes):
    """Sparse Cholesky of the information, fixed components replaced by the identity.

    The diagonal of the factor is stored as its reciprocal. A component of which the others
    leave nothing (one stray count where the model is nearly zero outweighs all that single
    precision can hold) is left where it is with `drop`, and else keeps a share of its own.
    """
    for k in range(0, lanes, WIDE):
        for e in range(len(row)):
            i, j, h = row[e], col[e], info_row[e]
            if h < 0:  # fill-in: no entry in the information itself
                fill(chol, e, k, np.float32(0.0))
            else:
                copy_free(chol, e, k, info, h, free, i, j)
            subtract_products(chol, e, k, upd[e], upd[e + 1], left, right, chol, chol)
            if i == j:
                invert_root(chol, e, k, info, h, free, j, RIDGE, drop)
            else:
                multiply(chol, e, k, chol, first[j])


@njit(**OPTIONS)
def solve(chol, row, first, by_row, x, lanes):
    """Solve with the factor in place: ``x <- (L L^T)^-1 x``."""
    ptr, entry, col, every = by_row
    n = len(first) - 1
    for k in range(0, lanes, WIDE):
        for j in range(n):
            subtract_products(x, j, k, ptr[j], ptr[j + 1], entry, col, chol, x)
            multiply(x, j, k, chol, first[j])
        for j in range(n - 1, -1, -1):
            subtract_products(x, j, k, first[j] + 1, first[j + 1], every, row, chol, x)
            multiply(x, j, k, chol, first[j])


@njit(**OPTIONS)
def inverse(inv, chol, first, inv_ptr, inv_left, inv_right, lanes):
    """Inverse of ``L L^T`` on the pattern of L (Takahashi recurrences)."""
    for k in range(0, lanes, WIDE):
        for j in range(len(first) - 2, -1, -1):
            c0 = first[j]
            for e in range(first[j + 1] - 1, c0 - 1, -1):
                if e == c0:
                    copy(inv, e, k, chol, c0)
                else:
                    fill(inv, e, k, np.float32(0.0))
                subtract_products(
                    inv, e, k, inv_ptr[e], inv_ptr[e + 1], inv_left, inv_right, chol, inv
                )
                multiply(inv, e, k, chol, c0)


@njit(**OPTIONS)
def _minus_times(out, info, diag, touching, x, lanes):
    """``out = -info @ x`` for the symmetric information."""
    ptr, other, entry = touching
    for j in range(out.shape[0]):
        o, h, xj = out[j], info[diag[j]], x[j]
        for k in range(lanes):
            o[k] = -h[k] * xj[k]
    for k in range(0, lanes, WIDE):
        for j in range(out.shape[0]):
            subtract_products(out, j, k, ptr[j], ptr[j + 1], entry, other, info, x)


@njit(**OPTIONS)
def sweep(a, g, d, info, h, touching, sweeps, lanes):
    """Sweep over the components, each put to its best value >= 0 with the others as they are.

    A cheap way near the maximum of the quadratic model (Gauss-Seidel with a bound), which
    tells most of the components that are at zero there.
    """
    ptr, other, entry = touching
    r = np.empty((1, lanes), np.float32)
    d[:] = np.float32(0.0)
    for _ in range(sweeps):
        for j in range(a.shape[0]):
            aj, dj, gj, hj = a[j], d[j], g[j], h[j]
            for k in range(lanes):
                r[0, k] = gj[k] - hj[k] * dj[k]
            for k in range(0, lanes, WIDE):
                subtract_products(r, 0, k, ptr[j], ptr[j + 1], entry, other, info, d)
            for k in range(lanes):
                dj[k] = max(dj[k] + r[0, k] / hj[k], -aj[k])


@njit(**OPTIONS)
def _exchange(a, d, y, free, h, release):
    """Hold components that would turn negative, free those that want to grow; how many."""
    zero, one = np.float32(0.0), np.float32(1.0)
    may = one if release else zero
    changed = zero
    for i in range(len(a)):
        slack = np.float32(1e-4) * np.sqrt(h[i])
        hold = free[i] * (one if (a[i] + d[i]) * h[i] < -slack else zero)
        loose = (one - free[i]) * (may if y[i] < -slack else zero)
        free[i] = free[i] - hold + loose
        changed += hold + loose
    return changed


@njit(**OPTIONS)
def _exchange_one(a, d, y, free, h):
    """As :func:`_exchange`, but only the last component of each lane that is on the wrong side.

    Slow, and sure to end at the maximum where exchanging all at once runs in a circle
    (Murty's rule).
    """
    changed = 0
    for k in range(a.shape[1]):
        for j in range(a.shape[0] - 1, -1, -1):
            slack = np.float32(1e-4) * np.sqrt(h[j, k])
            if free[j, k] > 0:
                wrong = (a[j, k] + d[j, k]) * h[j, k] < -slack
            else:
                wrong = y[j, k] < -slack
            if wrong:
                free[j, k] = np.float32(1.0) - free[j, k]
                changed += 1
                break
    return changed


@njit(**OPTIONS)
def chosen_lanes(flag, lanes, chosen):
    """Lanes with a flag, in order, the last repeated to a whole number of vectors.

    Returns how many with the repeated ones.
    """
    m = 0
    for k in range(lanes):
        if flag[k] > 0:
            chosen[m] = k
            m += 1
    wide = (m + VECTOR - 1) // VECTOR * VECTOR
    for k in range(m, wide):
        chosen[k] = chosen[m - 1]
    return wide


@njit(**OPTIONS)
def _one_round(a, g, d, y, info, free, chol, lists, touching, lanes):
    """Solve for the free components while the others go to zero; `y` is the slope there."""
    info_row, row, col, first, upd, left, right, diag, by_row = lists
    fa, fg, fd, fy, ff = flat(a), flat(g), flat(d), flat(y), flat(free)
    one, going = np.float32(1.0), np.float32(0.0)
    for i in range(len(fd)):
        fd[i] = -fa[i] * (one - ff[i])
        going -= fd[i]
    if going > 0:
        _minus_times(y, info, diag, touching, d, lanes)
        for i in range(len(fd)):
            fd[i] = (fg[i] + fy[i]) * ff[i]
    else:  # what is held lies at zero already
        for i in range(len(fd)):
            fd[i] = fg[i] * ff[i]
    factor(chol, info, info_row, free, row, col, first, upd, left, right, True, lanes)
    solve(chol, row, first, by_row, d, lanes)
    for i in range(len(fd)):
        fd[i] = fd[i] * ff[i] - fa[i] * (one - ff[i])
    _minus_times(y, info, diag, touching, d, lanes)
    for i in range(len(fd)):
        fy[i] = -fy[i] - fg[i]


@njit(**OPTIONS)
def newton(a, g, d, y, info, h, free, chol, lists, touching, rounds, lanes):
    """Step to the maximum of the quadratic model under ``a + d >= 0``.

    Block principal pivoting: all components on the wrong side change sides at once;
    from the fourth round on they may only be held, which must end, or, where there is
    time for more rounds, go one by one. Lanes where nothing changes come out the same again.
    """
    for round_ in range(rounds):
        _one_round(a, g, d, y, info, free, chol, lists, touching, lanes)
        if round_ + 1 == rounds:
            break
        if round_ >= 3 and rounds > ROUNDS:
            changed = _exchange_one(a, d, y, free, h) > 0
        else:
            rows = flat(a), flat(d), flat(y), flat(free), flat(h)
            changed = _exchange(*rows, round_ < 3) > 0
        if not changed:
            break
