"""Compiled form of the formulas of :mod:`xrfmap.fit.limits` for all pixels and families of a block.

The formulas, their sources and the tests of their statistics are there; a test keeps both
forms equal. Written out here since every array that numpy makes on the way costs as much
time as the arithmetic itself.
"""

from __future__ import annotations

import numpy as np
from numba import njit

NORMAL = {"error_model": "numpy", "cache": True, "nogil": True}


@njit(**NORMAL)
def pixel_limits(unbounded, amplitude, variance, null, skewness, null_slope, spread, leakage,
                 k, half, grid, upper, out, begin, end):  # fmt: skip
    """Fill ``out`` of shape (5, pixels, lines) for the pixels from `begin` to `end`.

    Rows: counts, error, upper limit, decision threshold, detection limit. ``spread[j]``: see
    :func:`xrfmap.fit.null_model.null_spread`. ``leakage[i, j]``: variance that counts of family i
    feign in family j, per square of those counts. `k` and `half` are normal quantiles; `grid`
    and `upper` the table of the unified interval.

    The sum over neighbours is written out as well: the order in which a library multiplies
    matrices depends on their size, and with it the last digit on how pixels are blocked.
    """
    net, err, high, threshold, detectable = out
    first, step = grid[0], grid[1] - grid[0]
    last = len(grid) - 1
    lines = net.shape[1]
    for p in range(begin, end):
        feigned = np.zeros(lines)
        for i in range(lines):
            square = np.float64(amplitude[p, i]) ** 2
            for j in range(lines):
                feigned[j] += square * leakage[i, j]
        for j in range(lines):
            x = np.float64(unbounded[p, j])
            v0 = np.float64(null[p, j])
            extra = feigned[j]
            total = v0 + extra
            rise = max(np.float64(null_slope[p, j]), 1.0)
            least = total + rise / 12  # counts are whole: null_model.added_variance
            net[p, j] = max(x, 0.0)
            err[p, j] = np.sqrt(variance[p, j] + extra)

            slope = rise
            if amplitude[p, j] > 1.0:
                slope = max((np.float64(variance[p, j]) - v0) / amplitude[p, j], 1.0)
            scarce = min(spread[j] * v0 / (2 * least * least), 1.0)  # 1 / degrees of freedom
            wide = np.sqrt(least) * (1 + (half * half + 1) / 4 * scarce)
            z = 2.0 * (np.sqrt(wide * wide + slope * x) - wide) / slope if x > 0 else x / wide
            place = (z - first) / step
            if z > grid[last]:
                top = z + half
            elif place > 0:
                i = min(int(place), last - 1)
                top = upper[i] + (place - i) * (upper[i + 1] - upper[i])
            else:
                top = upper[0] if place <= 0 else z  # the last: no number
            high[p, j] = wide * top + slope * top * top / 4

            bent = 2 * spread[j]  # v0 is bent by the amplitude, see there
            near = least + bent * min(np.float64(amplitude[p, j]) ** 2 / variance[p, j], k * k)
            # what is added is not skewed: only the counting part is
            root = np.sqrt(v0)
            third = (k * k - 1) / 6 * np.float64(skewness[p, j]) * v0 * root
            threshold[p, j] = k * np.sqrt(near) + third / near
            taken = max(rise - skewness[p, j] * root, 0.0)
            middle = k * k * taken / 2
            # k times the root of (far + taken times itself)
            far = middle + np.sqrt(middle * middle + k * k * (least + bent * k * k))
            far += third * k * k / (far * far)
            middle = k * k * rise / 2
            above = middle + np.sqrt(middle * middle + k * k * (total + rise * far))
            detectable[p, j] = far + max(above - third / total, 0.0)
