"""Compiled form of the formulas of :mod:`xrfmap.fit.limits` for all pixels and families of a block.

The formulas, their sources and the tests of their statistics are there; a test keeps both
forms equal. Written out here since every array that numpy makes on the way costs as much
time as the arithmetic itself.
"""

from __future__ import annotations

import numpy as np
from numba import njit

NORMAL = {"error_model": "numpy", "cache": True, "nogil": True}


TOGETHER = 64
"""Lines worked on together, in rows of one array of known width: only then does the compiler see
that what is written is not read again as something else, and use vectors."""

_EACH = 16  # lines are filled up to multiples of this: single ones left over cost as much as many
_HELD = 16  # rows: six given numbers of a line, five on the way, five results


@njit(**NORMAL)
def pixel_limits(unbounded, amplitude, variance, null, skewness, null_slope, spread, leakage,
                 k, half, grid, upper, out, begin, end):  # fmt: skip
    """Fill ``out`` of shape (5, pixels, lines) for the pixels from `begin` to `end`.

    Rows: counts, error, upper limit, decision threshold, detection limit. ``spread[j]``: see
    :func:`xrfmap.fit.null_model.null_spread`. ``leakage[i, j]``: variance that counts of family i
    feign in family j, per square of those counts. `k` and `half` are normal quantiles; `grid`
    and `upper` the table of the unified interval.

    Single precision, as what comes in and goes out: of differences, only that of two variances
    may lose a digit. The sum over neighbours is written out as well: the order in which a
    library multiplies matrices depends on their size, and with it the last digit on how pixels
    are blocked.
    """
    lines = out.shape[2]
    full = (lines + _EACH - 1) // _EACH * _EACH
    held = np.ones((_HELD, TOGETHER), np.float32)
    leak, squares = np.zeros((full, full), np.float32), np.zeros(full, np.float32)
    leak[:lines, :lines] = leakage
    spreads = np.zeros(full, np.float32)
    spreads[:lines] = spread
    table, k, half = upper.astype(np.float32), np.float32(k), np.float32(half)
    first, step = np.float32(grid[0]), np.float32(grid[1] - grid[0])
    for p in range(begin, end):
        for i in range(lines):
            squares[i] = amplitude[p, i] * amplitude[p, i]
        for j in range(0, lines, TOGETHER):
            m, wide = min(TOGETHER, lines - j), min(TOGETHER, full - j)
            fields = (unbounded, amplitude, variance, null, skewness, null_slope)
            for row in range(6):
                for i in range(m):
                    held[row, i] = fields[row][p, j + i]
            _feign(held[6], squares, leak, j, wide)
            _measure(held, spreads[j:], half, wide)
            _look_up(held[9], held[10], half, first, step, table, m)
            _limit(held, spreads[j:], k, wide)
            for field in range(5):
                for i in range(m):
                    out[field, p, j + i] = held[11 + field, i]


@njit(inline="always", **NORMAL)
def _feign(extra, squares, leak, j, wide):
    """Variance that other families feign: four of them at a time for each sum that is read."""
    for i in range(wide):
        extra[i] = 0.0
    for o in range(0, len(squares), 4):
        one, two, three, four = squares[o], squares[o + 1], squares[o + 2], squares[o + 3]
        a, b, c, d = (leak[o, j:], leak[o + 1, j:], leak[o + 2, j:], leak[o + 3, j:])
        for i in range(wide):
            extra[i] += (one * a[i] + two * b[i]) + (three * c[i] + four * d[i])


@njit(inline="always", **NORMAL)
def _measure(held, spread, half, together):
    """Find counts and error, and the estimate in standard deviations for the upper limit."""
    x, a, v, v0, _, s0, extra, slope, wide, z, _, net, err, _, _, _ = held
    zero, one, two, twelfth = np.float32(0), np.float32(1), np.float32(2), np.float32(1 / 12)
    widening = (half * half + one) / np.float32(4)
    for i in range(together):
        net[i] = max(x[i], zero)
        err[i] = np.sqrt(v[i] + extra[i])
        rise = max(s0[i], one)
        s0[i] = rise
        least = v0[i] + extra[i] + rise * twelfth  # counts are whole: null_model.added_variance
        steeper = max((v[i] - v0[i]) / max(a[i], one), one)
        steep = steeper if a[i] > one else rise
        scarce = min(spread[i] * (v0[i] / least) / (two * least), one)  # 1 / degrees of freedom
        w = np.sqrt(least) * (one + widening * scarce)
        # 2 (sqrt(w^2 + s x) - w) / s without a difference
        above = two * net[i] / (np.sqrt(w * w + steep * net[i]) + w)
        z[i] = above if x[i] > zero else x[i] / w
        slope[i] = steep
        wide[i] = w


@njit(inline="always", **NORMAL)
def _look_up(z, top, half, first, step, upper, m):
    """Upper ends from the table of the unified interval; beyond it the normal quantile."""
    last = len(upper) - 1
    end = first + step * np.float32(last)
    for i in range(m):
        place = (min(max(z[i], first), end) - first) / step  # not a number stays that
        at = min(max(int(place), 0), last - 1)
        inside = upper[at] + (place - np.float32(at)) * (upper[at + 1] - upper[at])
        top[i] = z[i] + half if z[i] > end else inside


@njit(inline="always", **NORMAL)
def _limit(held, spread, k, together):
    """Upper limit, decision threshold and detection limit."""
    _, a, v, v0, skew, rise, extra, slope, wide, _, top, _, _, high, threshold, detectable = held
    zero, two, twelfth = np.float32(0), np.float32(2), np.float32(1 / 12)
    square, skewing = k * k, (k * k - np.float32(1)) / np.float32(6)
    for i in range(together):
        high[i] = wide[i] * top[i] + slope[i] * top[i] * top[i] / np.float32(4)
        total = v0[i] + extra[i]
        least = total + rise[i] * twelfth
        bent = two * spread[i]  # v0 is bent by the amplitude, see null_model.added_variance
        near = least + bent * min(a[i] * a[i] / v[i], square)
        # what is added is not skewed: only the counting part is
        root = np.sqrt(v0[i])
        third = skewing * skew[i] * v0[i] * root
        threshold[i] = k * np.sqrt(near) + third / near
        taken = max(rise[i] - skew[i] * root, zero)
        middle = square * taken / two
        # k times the root of (far + taken times itself)
        far = middle + np.sqrt(middle * middle + square * (least + bent * square))
        far += third * square / (far * far)
        middle = square * rise[i] / two
        above = middle + np.sqrt(middle * middle + square * (total + rise[i] * far))
        detectable[i] = far + max(above - third / total, zero)
