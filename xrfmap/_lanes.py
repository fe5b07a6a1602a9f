"""Compiled kernel of the Poisson fit: many pixels side by side in vector lanes.

Every array here is laid out ``(row, lane)``: one lane is one pixel, and the
innermost loop runs over lanes, so that the compiler turns it into vector
instructions. All pixels of a scan share the pattern of the design (which line
family touches which bin), therefore the sparse products and the sparse
Cholesky factor are lists of row operations that are written down once.

No lane ever looks at another one: the result of a pixel does not depend on
its neighbours, on the block it came in, or on the number of threads.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

LANES = 128
"""Pixels worked on together: more share the cost of each short loop, until a group's work
arrays leave the core's own cache. Measured on 512 KiB of it: 64 lanes 37-40, 96 lanes 40-44,
128 lanes 45-47 thousand pixels a second."""

# Rearrangement of sums lets the compiler use vectors; counts are finite when they come here
# and the model is bounded away from zero, so that no NaN or infinity can arise.
_MATH = {"contract", "reassoc", "nsz", "arcp", "nnan", "ninf"}
_OPTIONS = {"fastmath": _MATH, "error_model": "numpy", "cache": True, "nogil": True}

_FLOOR = np.float32(1e-4)  # counts per bin: keeps log(model) finite where all amplitudes are 0
_RIDGE = np.float32(1e-5)  # least share of a pivot that is kept: coinciding templates stay finite
_SCORING = 1  # first steps with the expected curvature alone: it does not overshoot
_ROUNDS = 8  # exchanges of held and free components within one step
_LATE_ROUNDS = 40  # the same for slow pixels, from the fourth on one component at a time
_ROUGH = 3  # steps with `_BLEND`, that are safe far from the maximum
_BLEND = np.float32(0.03)  # share of the expected curvature mixed into the observed one
_LATE_BLEND = np.float32(0.003)
"""The same for slow pixels: few counts leave directions with a sixtieth of the expected
curvature, along which the larger share makes steps far too short."""


@njit(**_OPTIONS)
def _product(out, rows, ptr, idx, val, source, lanes, start):
    """``out[r] = start + sum_q val[q] source[idx[q]]`` for the sparse row r."""
    for r in range(rows):
        o = out[r]
        for k in range(lanes):
            o[k] = start
        q = ptr[r]
        end = ptr[r + 1]
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


@njit(**_OPTIONS)
def _factor(chol, info, info_row, free, row, col, first, upd, left, right, lanes):
    """Sparse Cholesky of the information, fixed components replaced by the identity.

    The diagonal of the factor is stored as its reciprocal.
    """
    for e in range(len(row)):
        c = chol[e]
        i = row[e]
        j = col[e]
        h = info_row[e]
        if h < 0:  # fill-in: no entry in the information itself
            for k in range(lanes):
                c[k] = 0.0
        else:
            source = info[h]
            fi = free[i]
            fj = free[j]
            if i == j:
                for k in range(lanes):
                    c[k] = source[k] * fi[k] + (np.float32(1.0) - fi[k])
            else:
                for k in range(lanes):
                    c[k] = source[k] * fi[k] * fj[k]
        q = upd[e]
        end = upd[e + 1]
        while q + 2 <= end:
            x0, y0 = chol[left[q]], chol[right[q]]
            x1, y1 = chol[left[q + 1]], chol[right[q + 1]]
            for k in range(lanes):
                c[k] -= x0[k] * y0[k] + x1[k] * y1[k]
            q += 2
        if q < end:
            x0, y0 = chol[left[q]], chol[right[q]]
            for k in range(lanes):
                c[k] -= x0[k] * y0[k]
        if i == j:
            source = info[h]
            for k in range(lanes):
                c[k] = np.float32(1.0) / np.sqrt(max(c[k], _RIDGE * source[k] + np.float32(1e-30)))
        else:
            d = chol[first[j]]
            for k in range(lanes):
                c[k] *= d[k]


@njit(**_OPTIONS)
def _solve(chol, row, first, x, lanes):
    """Solve with the factor in place: ``x <- (L L^T)^-1 x``."""
    n = len(first) - 1
    for j in range(n):
        xj = x[j]
        d = chol[first[j]]
        for k in range(lanes):
            xj[k] *= d[k]
        for e in range(first[j] + 1, first[j + 1]):
            c = chol[e]
            xi = x[row[e]]
            for k in range(lanes):
                xi[k] -= c[k] * xj[k]
    for j in range(n - 1, -1, -1):
        xj = x[j]
        for e in range(first[j] + 1, first[j + 1]):
            c = chol[e]
            xi = x[row[e]]
            for k in range(lanes):
                xj[k] -= c[k] * xi[k]
        d = chol[first[j]]
        for k in range(lanes):
            xj[k] *= d[k]


@njit(**_OPTIONS)
def _inverse(inv, chol, first, inv_ptr, inv_idx, lanes):
    """Inverse of ``L L^T`` on the pattern of L (Takahashi recurrences)."""
    for j in range(len(first) - 2, -1, -1):
        c0 = first[j]
        n = first[j + 1] - c0
        d = chol[c0]
        for i in range(n - 1, -1, -1):
            z = inv[c0 + i]
            if i == 0:
                for k in range(lanes):
                    z[k] = d[k]
            else:
                for k in range(lanes):
                    z[k] = 0.0
            base = inv_ptr[c0 + i]
            for m in range(1, n):
                c = chol[c0 + m]
                other = inv[inv_idx[base + m - 1]]
                for k in range(lanes):
                    z[k] -= c[k] * other[k]
            for k in range(lanes):
                z[k] *= d[k]


@njit(**_OPTIONS)
def _gather(n, counts, first_pixel, edges, lanes):
    """Sum channels into bins and turn pixels into lanes; the last pixel fills spare lanes."""
    last = counts.shape[0] - 1
    for k in range(lanes):
        pixel = counts[min(first_pixel + k, last)]
        for b in range(len(edges) - 1):
            s = pixel[edges[b]] + 0  # whole counts add up as 64-bit integers, in one cycle each
            for c in range(edges[b] + 1, edges[b + 1]):
                s += pixel[c]
            n[b, k] = s


@njit(**_OPTIONS)
def _residual(n, mu, ratio, weight, blend, lanes):
    """``n/mu - 1`` (gradient) and the blended curvature per bin."""
    for b in range(n.shape[0]):
        nb, mb, rb, wb = n[b], mu[b], ratio[b], weight[b]
        for k in range(lanes):
            inv = np.float32(1.0) / mb[k]
            t = nb[k] * inv
            rb[k] = t - np.float32(1.0)
            wb[k] = (t * (np.float32(1.0) - blend) + blend) * inv


@njit(**_OPTIONS)
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


@njit(**_OPTIONS)
def _deviance(n, mu, out, lanes):
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


@njit(**_OPTIONS)
def _null_moments(ratio, skew, grow, a, mu, inv, first, lists, lanes):
    """Variance (as a ratio), skewness and slope of the variance if the true value were zero.

    The estimate is a weighted sum of counts with weights in proportion to ``t / mu``, t
    being the component's column with everything subtracted that its neighbours would
    take over. Without the component the model is ``mu - a T``, plus what the neighbours
    then take over, of at most three standard errors (more the data would not allow). With
    the weights as they are, counts of the component itself raise the variance by
    ``sum(weight^2 column)`` each: the slope.
    """
    ptr, bin_of, own, entry, idx, val = lists
    t = np.empty(lanes, np.float32)
    now = np.empty(lanes, np.float32)
    null = np.empty(lanes, np.float32)
    third = np.empty(lanes, np.float32)
    rise = np.empty(lanes, np.float32)
    for j in range(a.shape[0]):
        c, aj, r, s, w = inv[first[j]], a[j], ratio[j], skew[j], grow[j]
        for k in range(lanes):
            now[k] = 0.0
            null[k] = 0.0
            third[k] = 0.0
            rise[k] = 0.0
        for k in range(lanes):
            r[k] = np.float32(1.0) / c[k]
            s[k] = min(aj[k], np.float32(3.0) * np.sqrt(c[k]))
        for q in range(ptr[j], ptr[j + 1]):
            x = own[q]
            for k in range(lanes):
                t[k] = 0.0
            for e in range(entry[q], entry[q + 1]):
                v, z = val[e], inv[idx[e]]
                for k in range(lanes):
                    t[k] += v * z[k]
            mb = mu[bin_of[q]]
            for k in range(lanes):
                share = t[k] * r[k]
                m = max(mb[k] - aj[k] * x - s[k] * share, np.float32(0.02) * mb[k])
                full = x + share
                square = full * full
                inverse = np.float32(1.0) / m
                now[k] += square / mb[k]
                null[k] += square * inverse
                square *= inverse * inverse
                third[k] += square * full
                rise[k] += square * x
        for k in range(lanes):
            r[k] = now[k] / null[k]
            v0 = c[k] * r[k]
            s[k] = third[k] * v0 * np.sqrt(v0)
            w[k] = rise[k] * v0 * v0  # in this order nothing overflows


@njit(**_OPTIONS)
def _times(out, info, pair_row, pair_col, x, lanes):
    """``out = info @ x`` for the symmetric information."""
    for j in range(out.shape[0]):
        o = out[j]
        for k in range(lanes):
            o[k] = 0.0
    for h in range(len(pair_row)):
        i, j = pair_row[h], pair_col[h]
        v, oi, xj = info[h], out[i], x[j]
        for k in range(lanes):
            oi[k] += v[k] * xj[k]
        if i != j:
            oj, xi = out[j], x[i]
            for k in range(lanes):
                oj[k] += v[k] * xi[k]


@njit(**_OPTIONS)
def _exchange(a, d, y, free, info, diag, release, lanes):
    """Hold components that would turn negative, free those that want to grow.

    Returns how many changed sides.
    """
    changed = 0
    for j in range(a.shape[0]):
        h = info[diag[j]]
        for k in range(lanes):
            slack = np.float32(1e-4) * np.sqrt(h[k])
            if free[j, k] > 0:
                if (a[j, k] + d[j, k]) * h[k] < -slack:
                    free[j, k] = 0.0
                    changed += 1
            elif release and y[j, k] < -slack:
                free[j, k] = 1.0
                changed += 1
    return changed


@njit(**_OPTIONS)
def _exchange_one(a, d, y, free, info, diag, lanes):
    """As :func:`_exchange`, but only the last component that is on the wrong side.

    Slow, and sure to end at the maximum where exchanging all at once runs in a circle
    (Murty's rule).
    """
    changed = 0
    for k in range(lanes):
        for j in range(a.shape[0] - 1, -1, -1):
            h = info[diag[j], k]
            slack = np.float32(1e-4) * np.sqrt(h)
            if free[j, k] > 0:
                wrong = (a[j, k] + d[j, k]) * h < -slack
            else:
                wrong = y[j, k] < -slack
            if wrong:
                free[j, k] = np.float32(1.0) - free[j, k]
                changed += 1
                break
    return changed


@njit(**_OPTIONS)
def _newton(a, g, d, y, info, free, chol, lists, rounds, lanes):
    """Step to the maximum of the quadratic model under ``a + d >= 0``.

    Block principal pivoting: all components on the wrong side change sides at once;
    from the fourth round on they may only be held, which must end, or, where there is
    time for more rounds, go one by one.
    """
    (pair_row, pair_col, info_row, row, col, first, upd, left, right, diag) = lists
    comps = a.shape[0]
    for round_ in range(rounds):
        for j in range(comps):
            for k in range(lanes):
                d[j, k] = -a[j, k] * (np.float32(1.0) - free[j, k])
        _times(y, info, pair_row, pair_col, d, lanes)
        for j in range(comps):
            for k in range(lanes):
                d[j, k] = (g[j, k] - y[j, k]) * free[j, k]
        _factor(chol, info, info_row, free, row, col, first, upd, left, right, lanes)
        _solve(chol, row, first, d, lanes)
        for j in range(comps):
            for k in range(lanes):
                f = free[j, k]
                d[j, k] = d[j, k] * f - a[j, k] * (np.float32(1.0) - f)
        _times(y, info, pair_row, pair_col, d, lanes)
        for j in range(comps):
            for k in range(lanes):
                y[j, k] -= g[j, k]
        if round_ >= 3 and rounds > _ROUNDS:
            changed = _exchange_one(a, d, y, free, info, diag, lanes)
        else:
            changed = _exchange(a, d, y, free, info, diag, round_ < 3, lanes)
        if changed == 0:
            break


@njit(**_OPTIONS)
def _step(a, old, g, d, info, diag, free, slope, active, tries, tol, lanes):
    """Take the Newton step, or half a step back where the last one went too far.

    Returns the number of lanes still at work.
    """
    n = a.shape[0]
    working = 0
    for k in range(lanes):
        if active[k] == 0:
            continue
        along = np.float32(0.0)
        for j in range(n):
            along += g[j, k] * (a[j, k] - old[j, k])
        if along < -np.float32(0.9) * slope[k] and tries[k] < 20:
            # Along a line the slope of a concave function only falls: its zero lies between.
            t = min(max(slope[k] / (slope[k] - along), np.float32(0.1)), np.float32(0.7))
            for j in range(n):
                a[j, k] = old[j, k] + t * (a[j, k] - old[j, k])
            slope[k] *= t
            tries[k] += 1
            working += 1
            continue
        tries[k] = 0
        largest = np.float32(0.0)
        rise = np.float32(0.0)
        for j in range(n):
            new = max(a[j, k] + d[j, k], np.float32(0.0))
            move = new - a[j, k]
            root = np.sqrt(info[diag[j], k])
            largest = max(largest, abs(move) * root)
            if new == 0 and g[j, k] > np.float32(0.01) * root:
                largest = max(largest, g[j, k] / root)  # held, though it wants to grow
            rise += g[j, k] * move
            old[j, k] = a[j, k]
            a[j, k] = new
        slope[k] = max(rise, np.float32(0.0))
        if largest < tol:
            active[k] = 0
        else:
            working += 1
    return working


@njit(**_OPTIONS)
def _start(n, a, old, start_matrix, scale, lanes):
    """Least squares with the weights of a typical spectrum, kept off zero."""
    total = np.zeros(lanes, np.float32)
    for b in range(n.shape[0]):
        nb = n[b]
        for k in range(lanes):
            total[k] += nb[k]
    for j in range(a.shape[0]):
        aj, oj = a[j], old[j]
        for k in range(lanes):
            aj[k] = 0.0
        for b in range(n.shape[0]):
            s = start_matrix[j, b]
            nb = n[b]
            for k in range(lanes):
                aj[k] += s * nb[k]
        for k in range(lanes):
            aj[k] = max(aj[k], scale[j] * total[k])
            oj[k] = aj[k]


@njit(**_OPTIONS)
def _group(counts, first_pixel, plan, start_matrix, scale, given, tol, max_steps, work, out, lanes):
    """Fit one group of lanes; results go into rows of ``out``."""
    (edges, bp, bi, bv, cp, ci, cv, hp, hi, hv, info_row, row, col, first, upd, left, right,
     inv_ptr, inv_idx, pair_row, pair_col, diag,
     nl_ptr, nl_bin, nl_own, nl_entry, nl_idx, nl_val) = plan  # fmt: skip
    null_lists = (nl_ptr, nl_bin, nl_own, nl_entry, nl_idx, nl_val)
    lists = (pair_row, pair_col, info_row, row, col, first, upd, left, right, diag)
    n, mu, ratio, weight, a, old, g, d, y, free, info, chol, inv, null, skew, grow = work
    amplitude, onestep, variance, variance0, skewness, slope0, deviance, steps, done = out
    bins = n.shape[0]
    comps = a.shape[0]
    _gather(n, counts, first_pixel, edges, lanes)

    if given.shape[0] > 0:
        last = given.shape[0] - 1
        for k in range(lanes):
            for j in range(comps):
                a[j, k] = given[min(first_pixel + k, last), j]
                old[j, k] = a[j, k]
    else:
        _start(n, a, old, start_matrix, scale, lanes)

    slope = np.zeros(lanes, np.float32)
    active = np.ones(lanes, np.int8)
    tries = np.zeros(lanes, np.int32)
    used = np.zeros(lanes, np.int32)
    for turn in range(max_steps):
        # not when started from a fit: a first step that the expected curvature makes short
        # would pass for the last one
        again = given.shape[0] > 0
        scoring = turn < _SCORING and not again
        blend = (
            np.float32(1.0) if scoring else (_BLEND if turn < _ROUGH and not again else _LATE_BLEND)
        )
        _product(mu, bins, bp, bi, bv, a, lanes, _FLOOR)
        _residual(n, mu, ratio, weight, blend, lanes)
        _product(g, comps, cp, ci, cv, ratio, lanes, np.float32(0.0))
        _product(info, len(hp) - 1, hp, hi, hv, weight, lanes, np.float32(0.0))
        for j in range(comps):
            for k in range(lanes):
                free[j, k] = np.float32((a[j, k] > 0) | (g[j, k] > 0))
        _newton(a, g, d, y, info, free, chol, lists, _LATE_ROUNDS if again else _ROUNDS, lanes)
        for k in range(lanes):
            used[k] += active[k]
        if _step(a, old, g, d, info, diag, free, slope, active, tries, tol, lanes) == 0:
            break

    _product(mu, bins, bp, bi, bv, a, lanes, _FLOOR)
    _residual(n, mu, ratio, weight, _BLEND, lanes)
    _product(g, comps, cp, ci, cv, ratio, lanes, np.float32(0.0))
    for b in range(bins):
        for k in range(lanes):
            weight[b, k] = np.float32(1.0) / mu[b, k]
    _product(info, len(hp) - 1, hp, hi, hv, weight, lanes, np.float32(0.0))
    for j in range(comps):
        for k in range(lanes):
            free[j, k] = 1.0
            d[j, k] = g[j, k]
    _factor(chol, info, info_row, free, row, col, first, upd, left, right, lanes)
    _solve(chol, row, first, d, lanes)
    _inverse(inv, chol, first, inv_ptr, inv_idx, lanes)
    _null_moments(null, skew, grow, a, mu, inv, first, null_lists, lanes)
    dev = np.empty(lanes, np.float32)
    _deviance(n, mu, dev, lanes)

    for k in range(min(lanes, counts.shape[0] - first_pixel)):
        p = first_pixel + k
        for j in range(comps):
            amplitude[p, j] = a[j, k]
            onestep[p, j] = a[j, k] + d[j, k]
            v = inv[first[j], k]
            variance[p, j] = v
            variance0[p, j] = v * null[j, k]
            skewness[p, j] = skew[j, k]
            slope0[p, j] = grow[j, k]
        deviance[p] = dev[k]
        steps[p] = used[k]
        done[p] = active[k] == 0


@njit(parallel=True, **{k: v for k, v in _OPTIONS.items() if k != "nogil"})
def fit_lanes(counts, plan, start_matrix, scale, given, tol, max_steps, out, lanes):
    """Fit all rows of ``counts``; groups of lanes are shared among threads.

    `lanes` is an argument, not a constant: loops of known short length would be unrolled
    into scalar instructions before the compiler looks for vectors.
    """
    bins = len(plan[0]) - 1
    comps = len(plan[21])
    pairs = len(plan[7]) - 1
    entries = len(plan[11])
    groups = (counts.shape[0] + lanes - 1) // lanes
    for group in prange(groups):
        work = (
            np.empty((bins, lanes), np.float32),
            np.empty((bins, lanes), np.float32),
            np.empty((bins, lanes), np.float32),
            np.empty((bins, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((pairs, lanes), np.float32),
            np.empty((entries, lanes), np.float32),
            np.empty((entries, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
            np.empty((comps, lanes), np.float32),
        )
        _group(
            counts,
            group * lanes,
            plan,
            start_matrix,
            scale,
            given,
            tol,
            max_steps,
            work,
            out,
            lanes,
        )
