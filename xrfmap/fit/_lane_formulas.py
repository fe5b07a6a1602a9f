"""Formulas for many pixels side by side that are worked out in registers from end to end.

Written as loops over lanes, each of their terms would be written to memory and read back, and
the compiler would check each time whether rows overlap.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from xrfmap.fit._lane_registers import (
    EACH,
    Lanes,
    Sums,
    constant,
    each,
    element,
    lanes_of_sums,
    opened,
    pieces,
    place,
    rows_of,
)
from xrfmap.fit.null_model import LEAST_SHARE

__all__ = ["add_deviance", "add_moments", "invert_root", "measure_step", "move", "rise", "weigh"]

_BITS = ir.VectorType(ir.IntType(32), EACH)
_NUMBERS = ir.VectorType(ir.FloatType(), EACH)


@intrinsic
def weigh(
    typing: Any, ratio: Any, weight: Any, b: Any, lane: Any, expected: Any, counts: Any, r: Any,
    blend: Any, most: Any,
) -> Any:  # fmt: skip
    """Weigh the counts n of a bin by its expected counts m.

    ``ratio[b] = n / m - 1``, ``weight[b] = ((1 - blend) n / m + blend) / m`` and
    ``most[0] = max(most[0], n / m)`` with ``n = counts[r]`` and ``m = expected[b]``.
    """
    at = types.intp
    signature = types.void(ratio, weight, at, at, expected, counts, at, types.float32, most)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        ratios, weights, means, data, tops = opened(context, builder, sig, args, (0, 1, 4, 5, 8))
        _, _, b, first, _, _, r, blend, _ = args
        share = Lanes.same(builder, blend)
        rest = Lanes.same(builder, 1.0) - share
        for lane in pieces(builder, first, EACH):
            inverse = Lanes.read(builder, means, b, lane).inverse()
            times = Lanes.read(builder, data, r, lane) * inverse
            top = Lanes.read(builder, tops, constant(0), lane)
            times.at_least(top).write(tops, constant(0), lane)
            (times - 1.0).write(ratios, b, lane)
            ((times * rest + share) * inverse).write(weights, b, lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def invert_root(
    typing: Any, out: Any, r: Any, lane: Any, source: Any, s: Any, free: Any, j: Any, least: Any,
    drop: Any,
) -> Any:  # fmt: skip
    """``out[r] = 1 / sqrt(out[r])``, where nothing is kept below a share of ``source[s]``.

    The share is `least`; with `drop` less becomes 0, and else as much as that. Where ``free[j]``
    is 0 the result is 1.
    """
    at = types.intp
    signature = types.void(out, at, at, source, at, free, at, types.float32, types.boolean)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        target, wholes, loose = opened(context, builder, sig, args, (0, 3, 5))
        _, r, first, _, s, _, j, least, drop = args
        for lane in pieces(builder, first, EACH):
            pivot = Lanes.read(builder, target, r, lane)
            bound = Lanes.read(builder, wholes, s, lane) * Lanes.same(builder, least) + 1e-30
            kept = pivot.at_least(bound).root().inverse()
            gone = Lanes(builder, [builder.select(drop, _none(), x) for x in kept.parts])
            result = pivot.choose(">=", bound, kept, gone)
            is_free = Lanes.read(builder, loose, j, lane)
            is_free.choose(">", 0.0, result, 1.0).write(target, r, lane)
        return context.get_dummy_value()

    return signature, code


def _none() -> Any:
    return ir.Constant(_NUMBERS, None)


@intrinsic
def rise(typing: Any, out: Any, r: Any, slopes: Any, new: Any, old: Any) -> Any:
    """``out[r] = sum_j slopes[j] (new[j] - old[j])``: how far the likelihood rises on the way."""
    signature = types.void(out, types.intp, slopes, new, old)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        arrays = opened(context, builder, sig, args, (0, 2, 3, 4))
        for lane in pieces(builder, constant(0), EACH):
            total = Sums(Lanes.same(builder, 0.0))
            with each(builder, constant(0), rows_of(builder, arrays[1])) as j:
                g, a, before = (Lanes.read(builder, array, j, lane) for array in arrays[1:])
                total.add(g * (a - before))
            total.value.write(arrays[0], args[1], lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def measure_step(
    typing: Any, out: Any, r: Any, a: Any, steps: Any, slopes: Any, curves: Any
) -> Any:
    """Turn steps into new amplitudes >= 0; ``out[r]`` is how far these are, in standard errors.

    A component that is held at zero though it wants to grow counts by its slope.
    """
    signature = types.void(out, types.intp, a, steps, slopes, curves)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        arrays = opened(context, builder, sig, args, (0, 2, 3, 4, 5))
        for lane in pieces(builder, constant(0), EACH):
            largest = Sums(Lanes.same(builder, 0.0))
            with each(builder, constant(0), rows_of(builder, arrays[1])) as j:
                now, step, slope, curve = (Lanes.read(builder, x, j, lane) for x in arrays[1:])
                root = curve.root()
                new = (now + step).at_least(0.0)
                way = new - now
                pull = slope.choose(">", root * 0.01, slope / root, 0.0)
                pull = new.choose(">", 0.0, 0.0, pull)
                far = (way.at_least(-way) * root).at_least(pull)
                largest.keep(far.at_least(largest.value))
                new.write(arrays[2], j, lane)
            largest.value.write(arrays[0], args[1], lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def move(typing: Any, a: Any, old: Any, new: Any, rows: Any, go: Any) -> Any:
    """``old = a`` and ``a = new`` in the lanes where ``rows[go]`` is above 0."""
    signature = types.void(a, old, new, rows, types.intp)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        here, before, there, flags = opened(context, builder, sig, args, (0, 1, 2, 3))
        for lane in pieces(builder, constant(0), EACH):
            goes = Lanes.read(builder, flags, args[4], lane)
            with each(builder, constant(0), rows_of(builder, here)) as j:
                now, last, new = (Lanes.read(builder, x, j, lane) for x in (here, before, there))
                goes.choose(">", 0.0, now, last).write(before, j, lane)
                goes.choose(">", 0.0, new, now).write(here, j, lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def add_moments(
    typing: Any, sums: Any, given: Any, begin: Any, end: Any, bin_of: Any, own: Any, entry: Any,
    idx: Any, val: Any, inv: Any, mu: Any, open_mu: Any,
) -> Any:  # fmt: skip
    """Add what the bins from `begin` to `end` have to say of a family that were absent.

    Rows of `given`, for one family: reciprocal of its variance, amplitude, amplitude without a
    bound, and as much of either as neighbours would take over. Rows of `sums`:
    ``T^2 / mu``, ``T^2 / m``, ``T^2 n / m^2``, ``T^3 n / m^3`` and ``T^2 own / m^2``, where T is
    the family's column less what its neighbours take, m the model without the family, and n its
    counts, see :func:`xrfmap.fit._lane_errors.null_moments`.
    """
    at = types.intp
    signature = types.void(
        sums, given, at, at, bin_of, own, entry, idx, val, inv, mu, open_mu
    )  # fmt: skip

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        arrays = opened(context, builder, sig, args, (0, 1, 4, 5, 6, 7, 8, 9, 10, 11))
        lanes = lanes_of_sums(context, 4)
        for lane in pieces(builder, constant(0), lanes):
            _add_moments(builder, arrays, args[2], args[3], lane, lanes)
        return context.get_dummy_value()

    return signature, code


def _add_moments(
    builder: Any, arrays: list[Any], begin: Any, end: Any, lane: Any, lanes: int
) -> None:
    """Write the code of :func:`add_moments` for some lanes."""
    sums, given, bin_of, own, entry, idx, val, inv, mu, open_mu = arrays

    def read(array: Any, row: Any) -> Lanes:
        return Lanes.read(builder, array, row, lane, lanes)

    ratio, mine, other, taken, open_taken = (read(given, constant(k)) for k in range(5))
    totals = [Sums(read(sums, constant(k))) for k in range(5)]
    now, null, second, third, rise = totals
    with each(builder, begin, end) as q:
        over = Sums(Lanes.same(builder, 0.0, lanes))
        after = builder.add(q, constant(1))
        with each(builder, place(builder, entry, q), place(builder, entry, after)) as e:
            factor = Lanes.same(builder, element(builder, val, e), lanes)
            over.add(factor * read(inv, place(builder, idx, e)))
        share = over.value * ratio
        column = Lanes.same(builder, element(builder, own, q), lanes)
        b = place(builder, bin_of, q)
        expected = read(mu, b)
        model = expected - mine * column - taken * share
        model = model.at_least(expected * LEAST_SHARE)
        counts = read(open_mu, b) - other * column - open_taken * share
        both = (model * expected).inverse()  # one division serves both reciprocals
        inverse = both * expected
        full = column + share
        square = full * full
        now.add(square * both * model)
        square = square * inverse
        null.add(square)
        square = square * inverse
        second.add(square * counts)
        third.add(square * full * inverse * counts.at_least(0.0))
        rise.add(square * column)
    for k, total in enumerate(totals):
        total.value.write(sums, constant(k), lane)


@intrinsic
def add_deviance(typing: Any, out: Any, begin: Any, end: Any, counts: Any, means: Any) -> Any:
    """``out[0] += 2 (n ln(n / m) - n + m)`` over the rows n of counts and m of means."""
    at = types.intp
    signature = types.void(out, at, at, counts, means)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        target, data, models = opened(context, builder, sig, args, (0, 3, 4))
        for lane in pieces(builder, constant(0), EACH):
            total = Sums(Lanes.read(builder, target, constant(0), lane))
            with each(builder, args[1], args[2]) as b:
                n = Lanes.read(builder, data, b, lane)
                m = Lanes.read(builder, models, b, lane)
                total.add((n * _log_ratio(n, m) - n + m) * 2.0)
            total.value.write(target, constant(0), lane)
        return context.get_dummy_value()

    return signature, code


def _log_ratio(n: Lanes, m: Lanes) -> Lanes:
    """Natural logarithm of n / m, finite where n is 0.

    With mantissas a and b of both, ``ln(a / b) = 2 artanh((a - b) / (a + b))``; either is doubled
    where they differ by more than the root of two, which leaves the fifth power of the series
    below 1e-7.
    """
    root = 2.0**0.5
    a, b = _mantissa(n), _mantissa(m)
    exponent = _exponent(n) - _exponent(m)
    above = a.choose(">", b * root, 1.0, 0.0)
    below = b.choose(">", a * root, 1.0, 0.0)
    a, b = a + a * below, b + b * above
    exponent = exponent + above - below
    t = (a - b) / (a + b)
    s = t * t
    series = s * (s * (s * (s * (1 / 9) + 1 / 7) + 0.2) + 1 / 3) + 1.0
    return exponent * 0.69314718 + t * series * 2.0


def _mantissa(x: Lanes) -> Lanes:
    """Between 1 and 2, with 1 for a number that is 0."""
    builder = x.builder
    digits, one = (ir.Constant(_BITS, [k] * EACH) for k in (0x007FFFFF, 0x3F800000))

    def part(number: Any) -> Any:
        bits = builder.bitcast(number, _BITS)
        return builder.bitcast(builder.or_(builder.and_(bits, digits), one), _NUMBERS)

    return x.combined(part)


def _exponent(x: Lanes) -> Lanes:
    """Power of two of positive numbers; -127 for 0."""
    builder = x.builder
    width = ir.Constant(_BITS, [23] * EACH)

    def part(number: Any) -> Any:
        return builder.sitofp(builder.lshr(builder.bitcast(number, _BITS), width), _NUMBERS)

    return x.combined(part) - 127.0
