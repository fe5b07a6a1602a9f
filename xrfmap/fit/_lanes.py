"""Compiled kernel of the Poisson fit: many pixels side by side in vector lanes.

Every array here is laid out ``(row, lane)``, or ``(strip, row, lane)``: one lane is one
pixel, and the innermost loop runs over lanes, so that the compiler turns it into vector
instructions. A strip has as many lanes as a sum in registers: its curvature and the factor
of that stay in the core's own cache through a whole step, which those of all lanes would
leave. All pixels of a scan share the pattern of the design (which line family touches which
bin), therefore the sparse products and the sparse Cholesky factor are lists of row operations
that are written down once.

No lane ever looks at another one: the result of a pixel does not depend on
its neighbours, on the block it came in, or on the number of threads.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from xrfmap.fit._lane_errors import null_moments
from xrfmap.fit._lane_formulas import measure_step, move, rise
from xrfmap.fit._lane_solve import (
    ROUNDS,
    VECTOR,
    chosen_lanes,
    factor,
    inverse,
    newton,
    solve,
    sweep,
)
from xrfmap.fit._lane_sums import (
    BLOCK,
    FLOOR,
    OPTIONS,
    add_up,
    deviance_of,
    flat,
    gather,
    model,
    product,
)
from xrfmap.fit._lane_vectors import WIDE, copy, multiply

LANES = 256
"""Pixels of a group: its strips are closed up as lanes arrive. A whole number of vectors."""

_SCORING = 1  # first steps with the expected curvature alone: it does not overshoot
_ROUGH = 2  # first steps that need not end at the maximum of their model
_ROUGH_ROUNDS = 2  # exchanges of held and free components within one of them
_LATE_ROUNDS = 40  # the same for slow pixels, from the fourth on one component at a time
_SWEEPS = 2  # over the components, that tell most of those to be held
_AHEAD = np.float32(0.06)  # expected size of the step that is not taken, in tolerances
_STRAY = np.float32(12.0)
"""A bin with so many times its expected counts: stray counts, on which some component rests.

The likelihood is flatter there than its expectation says, up to seventy times, so that a step that
is small by its curvature may be large in standard errors. ``_AHEAD_STRAY`` is for such pixels."""
_AHEAD_STRAY = np.float32(0.012)
_BLEND = np.float32(0.03)  # share of the expected curvature mixed into the observed one, at first
_LATE_BLEND = np.float32(0.001)
"""The same later: few counts leave directions with a sixtieth of the expected curvature, along
which the larger share makes steps far too short."""


@njit(**OPTIONS)
def _start(n, a, g, few, start, slopes, lanes):
    """Least squares with the weights of a typical spectrum, kept off zero."""
    weight, inverse_info, scale = start
    ratio, _ = few
    total = np.zeros(lanes, np.float32)
    comps, bins = a.shape[0], n.shape[0]
    for j in range(comps):
        for k in range(lanes):
            g[j, k] = 0.0
    for part in range(len(slopes[0]) - 1):
        begin = part * BLOCK
        for b in range(min(BLOCK, bins - begin)):
            nb, rb, w = n[begin + b], ratio[b], weight[begin + b]
            for k in range(lanes):
                total[k] += nb[k]
                rb[k] = nb[k] * w
        for k in range(0, lanes, WIDE):
            add_up(g, k, part, 0, slopes, ratio)
    product(a, comps, inverse_info, g, lanes, np.float32(0.0))
    for j in range(comps):
        aj, least = a[j], scale[j]
        for k in range(lanes):
            aj[k] = max(aj[k], least * total[k])


@njit(**OPTIONS)
def _retreat(a, old, k, along, slope):
    """Go back along the last step of a lane; returns the slope that is left there."""
    # Along a line the slope of a concave function only falls: its zero lies between.
    t = min(max(slope / (slope - along), np.float32(0.1)), np.float32(0.7))
    for j in range(a.shape[0]):
        a[j, k] = old[j, k] + t * (a[j, k] - old[j, k])
    return slope * t


@njit(**OPTIONS)
def _step(a, old, g, d, h, most, slope, size, active, tries, tol, rows, lanes):
    """Take the Newton step, or half a step back where the last one went too far.

    A lane has arrived when its step is so much smaller than the one before (`size`) that the
    next one would be a small share of the tolerance. Returns the number of lanes still at work.
    """
    along, go, largest, gain = rows
    rise(rows, 0, g, a, old)
    for k in range(lanes):
        too_far = along[k] < -np.float32(0.9) * slope[k] and tries[k] < 20
        go[k] = np.float32(active[k] != 0 and not too_far)
    measure_step(rows, 2, a, d, g, h)
    rise(rows, 3, g, d, a)
    move(a, old, d, rows, 1)
    working = 0
    for k in range(lanes):
        if active[k] == 0:
            continue
        if go[k] == 0:
            slope[k] = _retreat(a, old, k, along[k], slope[k])
            size[k] = np.float32(1e-3)  # says nothing of how fast steps shrink
            tries[k] += 1
            working += 1
            continue
        tries[k] = 0
        slope[k] = max(gain[k], np.float32(0.0))
        ahead = largest[k] * min(largest[k] / size[k], np.float32(1.0))
        size[k] = largest[k]
        enough = _AHEAD if most[0, k] < _STRAY else _AHEAD_STRAY
        near = largest[k] < np.float32(10.0) * tol and ahead < enough * tol
        if near:
            active[k] = 0
        else:
            working += 1
    return working


@njit(**OPTIONS)
def _take(out, source, chosen, wide):
    """Copy some lanes side by side; `out` may be `source`, since they move forward only."""
    for r in range(out.shape[1]):
        for i in range(wide):
            k = chosen[i]
            out[i // VECTOR, r, i % VECTOR] = source[k // VECTOR, r, k % VECTOR]


@njit(inline="always", **OPTIONS)
def _turn(n, a, old, state, blend, rounds, plan, tol, work, lanes):
    """Take one Newton step of a strip of lanes; returns the number of lanes still at work."""
    _, _, columns, slopes, curves, lists, touching, _, _ = plan
    few, g, d, y, h, free, info, chol, most, rows = work
    slope, size, active, tries = state
    diag = lists[7]
    model(n, a, g, info, few, n, False, most, blend, columns, slopes, curves, lanes)
    for j in range(a.shape[0]):
        copy(h, j, 0, info, diag[j])
    sweep(a, g, d, info, h, touching, _SWEEPS, lanes)
    start, step, loose = flat(a), flat(d), flat(free)
    for i in range(len(loose)):
        loose[i] = np.float32(start[i] + step[i] > 0)
    newton(a, g, d, y, info, h, free, chol, lists, touching, rounds, lanes)
    return _step(a, old, g, d, h, most, slope, size, active, tries, tol, rows, lanes)


@njit(inline="always", **OPTIONS)
def _climb(n, fewer, a, old, best, used, left_over, plan, given, tol, max_steps, work, strip):
    """Newton steps from `best` to the maximum; lanes that have arrived drop out.

    `best` becomes the amplitudes, `used` the steps taken, `left_over` 1 where the last
    step was not small.
    """
    strips, lanes = len(n), len(n) * strip
    slope = np.zeros((strips, strip), np.float32)
    size = np.full((strips, strip), np.float32(1e-3))
    active = np.ones((strips, strip), np.int8)
    tries = np.zeros((strips, strip), np.int32)
    remembered = flat(slope), flat(size)
    at_work, retried = flat(active), flat(tries)
    place = np.arange(lanes)
    chosen = np.empty(lanes, np.int64)
    wide = lanes
    a[:] = best
    old[:] = best
    for turn in range(max_steps):
        # not when started from a fit: a first step that the expected curvature makes short
        # would pass for the last one
        blend = _LATE_BLEND
        if turn < _ROUGH and not given:
            blend = np.float32(1.0) if turn < _SCORING else _BLEND
        rounds = _LATE_ROUNDS if given else (_ROUGH_ROUNDS if turn < _ROUGH else ROUNDS)
        for k in range(lanes):
            used[k] += left_over[k]
        working = 0
        for s in range(wide // strip):
            state = slope[s], size[s], active[s], tries[s]
            working += _turn(n[s], a[s], old[s], state, blend, rounds, plan, tol, work, strip)
        for k in range(wide):
            left_over[place[k]] = at_work[k]
        narrower = working + strip <= wide
        if narrower or turn + 1 == max_steps:
            for j in range(a.shape[1]):
                for k in range(wide):
                    p = place[k]
                    best[p // strip, j, p % strip] = a[k // strip, j, k % strip]
        if working == 0:
            break
        if narrower:
            wide = chosen_lanes(at_work, wide, chosen)
            _take(fewer, n, chosen, wide)
            n = fewer
            _take(a, a, chosen, wide)
            _take(old, old, chosen, wide)
            for row in remembered:
                for k in range(wide):
                    row[k] = row[chosen[k]]
            for k in range(wide):
                at_work[k] = 1
                retried[k] = retried[chosen[k]]
                place[k] = place[chosen[k]]


@njit(**OPTIONS)
def _unfold(out, first_pixel, order, lanes, rows, count):
    """Write lanes as pixels, array by array: what is written of one stays in the nearest cache."""
    for j in range(len(order)):
        row, place = lanes[rows[j]], order[j]
        for k in range(count):
            out[first_pixel + k, place] = row[k]


@njit(inline="always", **OPTIONS)
def _finish(n, best, used, left_over, first_pixel, plan, work, out, lanes):
    """Work out errors of a strip of lanes at its maximum; results go into rows of ``out``."""
    _, order, columns, slopes, curves, lists, _, inverse_lists, null_lists = plan
    info_row, row, col, first, upd, left, right, _, by_row = lists
    (few, g, d, _, _, free, info, chol, most, _), mu, open_mu, inv, null, skew, grow = work
    amplitude, onestep, variance, variance0, skewness, slope0, deviance, steps, done = out
    bins, comps = n.shape[0], best.shape[0]
    expected = np.float32(1.0)
    model(n, best, g, info, few, mu, True, most, expected, columns, slopes, curves, lanes)
    for j in range(comps):
        for k in range(lanes):
            free[j, k] = 1.0
            d[j, k] = g[j, k]
    factor(chol, info, info_row, free, row, col, first, upd, left, right, False, lanes)
    solve(chol, row, first, by_row, d, lanes)
    inverse(inv, chol, first, *inverse_lists, lanes)
    for j in range(comps):
        for k in range(lanes):
            d[j, k] += best[j, k]
    product(open_mu, bins, columns, d, lanes, FLOOR)
    null_moments(null, skew, grow, best, d, mu, open_mu, inv, first, null_lists)
    dev = np.empty((1, lanes), np.float32)
    deviance_of(n, mu, dev)

    count = min(lanes, amplitude.shape[0] - first_pixel)
    rows = np.arange(comps)
    for j in range(comps):
        multiply(null, j, 0, inv, first[j])
    _unfold(amplitude, first_pixel, order, best, rows, count)
    _unfold(onestep, first_pixel, order, d, rows, count)
    _unfold(variance, first_pixel, order, inv, first, count)
    _unfold(variance0, first_pixel, order, null, rows, count)
    _unfold(skewness, first_pixel, order, skew, rows, count)
    _unfold(slope0, first_pixel, order, grow, rows, count)
    for k in range(count):
        p = first_pixel + k
        deviance[p] = dev[0, k]
        steps[p] = used[k]
        done[p] = left_over[k] == 0


@njit(inline="always", **OPTIONS)
def _group(counts, first_pixel, plan, start, given, tol, max_steps, work, out, strip):
    """Fit one group of lanes, strip by strip."""
    edges, _, _, slopes, _, _, _, _, _ = plan
    n, fewer, a, old, best, steps_work, final_work = work
    few, g, _, _, _, _, _, _, _, _ = steps_work
    lanes = len(n) * strip
    last = given.shape[0] - 1
    for s in range(len(n)):
        gather(n[s], counts, first_pixel + s * strip, edges, strip)
        if last < 0:
            _start(n[s], best[s], g, few, start, slopes, strip)
        else:
            for k in range(strip):
                for j in range(best.shape[1]):
                    best[s, j, k] = given[min(first_pixel + s * strip + k, last), j]
    used = np.zeros(lanes, np.int32)
    left_over = np.ones(lanes, np.int8)
    _climb(n, fewer, a, old, best, used, left_over, plan, last >= 0, tol, max_steps, steps_work,
           strip)  # fmt: skip
    for s in range(len(n)):
        k = s * strip
        if first_pixel + k < counts.shape[0]:
            _finish(n[s], best[s], used[k:], left_over[k:], first_pixel + k, plan,
                    (steps_work, *final_work), out, strip)  # fmt: skip


@njit(**OPTIONS)
def fit_part(counts, plan, start, given, tol, max_steps, work, out, strip, part, parts):
    """Fit every `parts`-th group of lanes of ``counts``, from `part` on.

    `strip` is an argument, not a constant: loops of known short length would be unrolled
    into scalar instructions before the compiler looks for vectors.
    """
    lanes = len(work[0]) * strip
    groups = (counts.shape[0] + lanes - 1) // lanes
    for group in range(part, groups, parts):
        _group(counts, group * lanes, plan, start, given, tol, max_steps, work, out, strip)


def _aligned(*shape: int) -> npt.NDArray[np.float32]:
    """Array whose rows start where a line of the cache starts: a vector in two lines costs two."""
    size = int(np.prod(shape)) * 4
    raw = np.empty(size + 64, np.uint8)
    start = -raw.ctypes.data % 64
    return raw[start : start + size].view(np.float32).reshape(shape)


def work_arrays(sizes: tuple[int, ...], lanes: int) -> tuple[Any, ...]:
    """Memory for one thread, used for all its groups: fresh memory costs as much as arithmetic."""
    bins, comps, pairs, entries = sizes

    def strips(rows: int) -> npt.NDArray[np.float32]:
        return _aligned(lanes // VECTOR, rows, VECTOR)

    def strip(*rows: int) -> tuple[npt.NDArray[np.float32], ...]:
        return tuple(_aligned(n, VECTOR) for n in rows)

    few = strip(BLOCK, BLOCK)
    (rows,) = strip(4)
    steps = (few, *strip(*[comps] * 5, pairs, entries, 1), rows)
    final = strip(bins, bins, entries, comps, comps, comps)
    return (*(strips(rows) for rows in (bins, bins, comps, comps, comps)), steps, final)
