"""Bins of many pixels side by side, and sums over them: model, gradient, information, deviance."""

from __future__ import annotations

import numpy as np
from numba import njit

from xrfmap.fit._lane_formulas import add_deviance, weigh
from xrfmap.fit._lane_vectors import TILE, WIDE, add_pair, add_rows, copy, fill, turn

BLOCK = 48
"""Bins of which what goes into gradient and curvature is kept in the nearest cache at a time.

More of them make longer sums, which are read and written less often; an even number, since rows
go in pairs.
"""

# Rearrangement of sums lets the compiler use vectors; counts are finite when they come here
# and the model is bounded away from zero, so that no NaN or infinity can arise.
MATH = {"contract", "reassoc", "nsz", "arcp", "nnan", "ninf"}
OPTIONS = {"fastmath": MATH, "error_model": "numpy", "cache": True, "nogil": True}

_CHANNELS = 128  # taken at a time: a quarter of the nearest cache

FLOOR = np.float32(1e-4)  # counts per bin: keeps log(model) finite where all amplitudes are 0


@njit(**OPTIONS)
def flat(rows):
    """Rows as one: a loop checks once whether its arrays overlap, and not for every row."""
    return rows.reshape(rows.size)


@njit(**OPTIONS)
def _turn(few, counts, pixel, begin, end):
    """Channels from `begin` to `end` as rows, pixels from `pixel` on as lanes; the last goes on.

    Single precision holds whole counts up to 16 million, and the fit asks for no more.
    """
    last = counts.shape[0] - 1
    whole = min((end - begin + 7) // 8 * 8, (counts.shape[1] - begin) // 8 * 8)
    for k in range(0, TILE, 8):
        for c in range(0, whole, 8):
            turn(few, c, k, counts, pixel + k, last, begin + c)
    for c in range(whole, end - begin):  # those after which a row ends
        for k in range(TILE):
            few[c, k] = counts[min(pixel + k, last), begin + c]


@njit(**OPTIONS)
def gather(n, counts, first_pixel, edges, lanes):
    """Sum channels into bins and turn pixels into lanes; the last pixel fills spare lanes."""
    few = np.empty((_CHANNELS, TILE), np.float32)
    bins = n.shape[0]
    for k in range(0, lanes, TILE):
        b = 0
        for begin in range(edges[0], edges[bins], _CHANNELS):
            end = min(begin + _CHANNELS, edges[bins])
            _turn(few, counts, first_pixel + k, begin, end)
            while b < bins and edges[b] < end:
                new = edges[b] >= begin
                add_rows(
                    n, b, k, few, max(edges[b] - begin, 0), min(edges[b + 1], end) - begin, new
                )
                if edges[b + 1] > end:  # goes on in the next channels
                    break
                b += 1


@njit(**OPTIONS)
def product(out, rows, columns, source, lanes, start):
    """``out[r] = start + sum_q val[q] source[idx[q]]`` for the first sparse rows r."""
    for k in range(0, lanes, WIDE):
        for r in range(rows):
            fill(out, r, k, start)
        for part in range(len(columns[0]) - 1):
            add_up(out, k, part, 0, columns, source)


@njit(**OPTIONS)
def add_up(out, k, part, shift, pairs, source):
    """``out[r - shift] += sum_q val[q] source[idx[q]]`` for the rows r of a part of the bins.

    Only for the lanes from `k` on. Rows go in pairs, see :func:`xrfmap.fit.fit_plan.Plan`.
    """
    first, rows, ptr, idx, val = pairs
    for p in range(first[part], first[part + 1]):
        add_pair(out, rows, p, shift, k, ptr[p], ptr[p + 1], idx, val, source)


@njit(**OPTIONS)
def model(n, a, g, info, few, mu, keep, most, blend, columns, slopes, curves, lanes):
    """Gradient and information of the likelihood at amplitudes `a`.

    Bins are taken a few at a time, and of the lanes as many as a sum holds: what they have to
    say is used up while it is still in the core's nearest cache, and nothing but sums over
    them is written. With `keep` the model itself goes into `mu`. How many times the expected
    counts a bin has at most goes into `most`.
    """
    expected, weight = few
    ratio = expected  # which is of no more use then
    zero = np.float32(0.0)
    bins = n.shape[0]
    for k in range(0, lanes, WIDE):
        for j in range(g.shape[0]):
            fill(g, j, k, zero)
        for h in range(info.shape[0]):
            fill(info, h, k, zero)
        fill(most, 0, k, zero)
        for part in range(len(slopes[0]) - 1):
            begin = part * BLOCK
            count = min(BLOCK, bins - begin)
            for b in range(count):
                fill(expected, b, k, FLOOR)
            add_up(expected, k, part, begin, columns, a)
            for b in range(count):
                if keep:
                    copy(mu, begin + b, k, expected, b)
                weigh(ratio, weight, b, k, expected, n, begin + b, blend, most)
            add_up(g, k, part, 0, slopes, ratio)
            add_up(info, k, part, 0, curves, weight)


@njit(**OPTIONS)
def deviance_of(n, mu, out):
    """Poisson deviance ``2 sum(n ln(n/mu) - n + mu)`` per lane, into the one row of `out`."""
    out[:] = np.float32(0.0)
    add_deviance(out, 0, n.shape[0], n, mu)
