"""Sums over the bins of many pixels side by side: model, gradient, information, deviance."""

from __future__ import annotations

import numpy as np
from numba import njit

BLOCK = 8
"""Bins whose model, gradient and curvature are kept in the nearest cache at a time."""

# Rearrangement of sums lets the compiler use vectors; counts are finite when they come here
# and the model is bounded away from zero, so that no NaN or infinity can arise.
MATH = {"contract", "reassoc", "nsz", "arcp", "nnan", "ninf"}
OPTIONS = {"fastmath": MATH, "error_model": "numpy", "cache": True, "nogil": True}

FLOOR = np.float32(1e-4)  # counts per bin: keeps log(model) finite where all amplitudes are 0


@njit(**OPTIONS)
def _add_row(o, q, end, idx, val, source, lanes):
    """``o += sum_q val[q] source[idx[q]]`` for the entries `q` to `end` of a sparse row."""
    while q + 4 <= end:  # four at a time: one store serves four products
        v0, v1, v2, v3 = val[q], val[q + 1], val[q + 2], val[q + 3]
        s0, s1 = source[idx[q]], source[idx[q + 1]]
        s2, s3 = source[idx[q + 2]], source[idx[q + 3]]
        for k in range(lanes):
            o[k] += (v0 * s0[k] + v1 * s1[k]) + (v2 * s2[k] + v3 * s3[k])
        q += 4
    while q < end:
        v0 = val[q]
        s0 = source[idx[q]]
        for k in range(lanes):
            o[k] += v0 * s0[k]
        q += 1


@njit(**OPTIONS)
def product(out, rows, ptr, idx, val, source, lanes, start):
    """``out[r] = start + sum_q val[q] source[idx[q]]`` for the sparse row r."""
    for r in range(rows):
        o = out[r]
        for k in range(lanes):
            o[k] = start
        _add_row(o, ptr[r], ptr[r + 1], idx, val, source, lanes)


@njit(**OPTIONS)
def add_up(out, begin, end, rows, ptr, idx, val, source, lanes):
    """``out[r] += sum_q val[q] source[idx[q]]`` for the segments `begin` to `end` of rows r."""
    for segment in range(begin, end):
        o = out[rows[segment]]
        _add_row(o, ptr[segment], ptr[segment + 1], idx, val, source, lanes)


@njit(**OPTIONS)
def model(n, a, g, info, few, mu, keep, blend, columns, slopes, curves, lanes):
    """Gradient and information of the likelihood at amplitudes `a`.

    Bins are taken a few at a time: what they have to say is used up while it is still in
    the core's nearest cache, and nothing but sums over them is written. With `keep` the
    model itself goes into `mu`.
    """
    bp, bi, bv = columns
    first_slope, slope_rows, slope_ptr, slope_idx, slope_val = slopes
    first_curve, curve_rows, curve_ptr, curve_idx, curve_val = curves
    m, ratio, weight = few
    for j in range(g.shape[0]):
        for k in range(lanes):
            g[j, k] = 0.0
    for h in range(info.shape[0]):
        for k in range(lanes):
            info[h, k] = 0.0
    bins = n.shape[0]
    for part in range(len(first_slope) - 1):
        begin = part * BLOCK
        count = min(BLOCK, bins - begin)
        product(m, count, bp[begin:], bi, bv, a, lanes, FLOOR)
        for b in range(count):
            nb, mb, rb, wb = n[begin + b], m[b], ratio[b], weight[b]
            for k in range(lanes):
                inv = np.float32(1.0) / mb[k]
                t = nb[k] * inv
                rb[k] = t - np.float32(1.0)
                wb[k] = (t * (np.float32(1.0) - blend) + blend) * inv
        if keep:
            for b in range(count):
                for k in range(lanes):
                    mu[begin + b, k] = m[b, k]
        add_up(g, first_slope[part], first_slope[part + 1], slope_rows, slope_ptr, slope_idx,
                slope_val, ratio, lanes)  # fmt: skip
        add_up(info, first_curve[part], first_curve[part + 1], curve_rows, curve_ptr, curve_idx,
                curve_val, weight, lanes)  # fmt: skip


@njit(**OPTIONS)
def _log(x):
    """Natural logarithm of a positive float32 array, relative error below 1e-6."""
    bits = x.view(np.int32)
    out = np.empty_like(x)
    scratch = np.empty(len(x), np.int32)
    for k in range(len(x)):
        scratch[k] = (bits[k] & 0x007FFFFF) | 0x3F800000
    mantissa = scratch.view(np.float32)
    for k in range(len(x)):
        exponent = np.float32((bits[k] >> 23) - 127)
        m = mantissa[k]
        big = np.float32(m > np.float32(1.4142135))
        m = m * (np.float32(1.0) - np.float32(0.5) * big)
        t = (m - np.float32(1.0)) / (m + np.float32(1.0))
        s = t * t
        series = np.float32(1.0) + s * (
            np.float32(1 / 3)
            + s * (np.float32(0.2) + s * (np.float32(1 / 7) + s * np.float32(1 / 9)))
        )
        out[k] = (exponent + big) * np.float32(0.69314718) + np.float32(2.0) * t * series
    return out


@njit(**OPTIONS)
def deviance_of(n, mu, out, lanes):
    """Poisson deviance ``2 sum(n ln(n/mu) - n + mu)`` per lane."""
    for k in range(lanes):
        out[k] = 0.0
    x = np.empty(lanes, np.float32)
    for b in range(n.shape[0]):
        nb, mb = n[b], mu[b]
        for k in range(lanes):
            x[k] = max(nb[k], np.float32(1e-20)) / mb[k]
        y = _log(x)
        for k in range(lanes):
            out[k] += np.float32(2.0) * (nb[k] * y[k] - nb[k] + mb[k])
