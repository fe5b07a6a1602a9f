"""Sums of products over rows of lanes that stay in the registers of the processor.

A plain loop over lanes reads and writes its sums once for every few products, and checks each
time that its rows do not overlap; here a sum is read once, all its products are added, and it is
written once.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from xrfmap.fit._lane_registers import (
    EACH,
    WIDE,
    Lanes,
    Sums,
    constant,
    each,
    element,
    lanes_of_sums,
    opened,
    pieces,
    place,
    pointer,
)

__all__ = [
    "TILE",
    "WIDE",
    "add_pair",
    "add_products",
    "add_rows",
    "copy",
    "copy_free",
    "fill",
    "multiply",
    "subtract_products",
    "turn",
]

TILE = 16
"""Pixels that are turned into lanes at a time: a line of the cache."""

_TURN = 8  # pixels and channels that are turned at a time
_TURNED = ir.VectorType(ir.FloatType(), _TURN)


@intrinsic
def add_products(
    typing: Any, out: Any, r: Any, lane: Any, begin: Any, end: Any, idx: Any, val: Any, source: Any
) -> Any:
    """``out[r] += sum_q val[q] source[idx[q]]`` for q from `begin` to `end`.

    Arrays `out` and `source` have shape (rows, lanes); only the :data:`WIDE` lanes from `lane`
    on are touched.
    """
    at = types.intp
    signature = types.void(out, at, at, at, at, idx, val, source)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, index, value, s = opened(context, builder, sig, args, (0, 5, 6, 7))
        _, row, lane, first, last = args[:5]
        total = Sums(Lanes.read(builder, o, row, lane, WIDE))
        with each(builder, first, last) as q:
            factor = Lanes.same(builder, element(builder, value, q), WIDE)
            total.add(factor * Lanes.read(builder, s, place(builder, index, q), lane, WIDE))
        total.value.write(o, row, lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def add_pair(
    typing: Any, out: Any, rows: Any, p: Any, shift: Any, lane: Any, begin: Any, end: Any, idx: Any,
    val: Any, source: Any,
) -> Any:  # fmt: skip
    """Two sums at once: ``out[rows[p, i] - shift] += sum_q val[q, i] source[idx[q]]``, i = 0, 1.

    What is read of `source` serves both: the processor can read no more numbers in a cycle
    than it can multiply, and reads the lists besides. A row left over goes with itself: the
    first of two that are the same counts. As :func:`add_products` otherwise.
    """
    at = types.intp
    signature = types.void(out, rows, at, at, at, at, at, idx, val, source)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        arrays = opened(context, builder, sig, args, (0, 1, 7, 8, 9))
        _, _, p, shift, start, first, last = args[:7]
        lanes = lanes_of_sums(context, 2)
        for lane in pieces(builder, start, lanes):
            _add_pair(builder, arrays, p, shift, (lane, lanes), first, last)
        return context.get_dummy_value()

    return signature, code


def _add_pair(
    builder: Any, arrays: list[Any], p: Any, shift: Any, some: tuple[Any, int], first: Any,
    last: Any,
) -> None:  # fmt: skip
    """Write the code of :func:`add_pair` for `some` lanes: the first one and how many."""
    out, rows, index, values, source = arrays
    _, lanes = some

    def both(q: Any) -> list[Any]:
        twice = builder.shl(q, constant(1))
        return [twice, builder.add(twice, constant(1))]

    targets = [builder.sub(place(builder, rows, r), shift) for r in both(p)]
    sums = [Sums(Lanes.read(builder, out, r, *some)) for r in targets]
    with each(builder, first, last) as q:
        factors = [Lanes.same(builder, element(builder, values, k), lanes) for k in both(q)]
        read = Lanes.read(builder, source, place(builder, index, q), *some)
        for one, factor in zip(sums, factors, strict=True):
            one.add(factor * read)
    for one, r in reversed(list(zip(sums, targets, strict=True))):
        one.value.write(out, r, some[0])


@intrinsic
def subtract_products(
    typing: Any, out: Any, r: Any, lane: Any, begin: Any, end: Any, left: Any, right: Any, a: Any,
    b: Any,
) -> Any:  # fmt: skip
    """``out[r] -= sum_q a[left[q]] b[right[q]]``, lane by lane; else as :func:`add_products`."""
    at = types.intp
    signature = types.void(out, at, at, at, at, left, right, a, b)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, i, j, x, y = opened(context, builder, sig, args, (0, 5, 6, 7, 8))
        _, row, lane, first, last = args[:5]
        total = Sums(Lanes.read(builder, o, row, lane, WIDE))
        with each(builder, first, last) as q:
            one = Lanes.read(builder, x, place(builder, i, q), lane, WIDE)
            other = Lanes.read(builder, y, place(builder, j, q), lane, WIDE)
            total.add(-one * other)
        total.value.write(o, row, lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def fill(typing: Any, out: Any, r: Any, lane: Any, value: Any) -> Any:
    """``out[r] = value``."""
    signature = types.void(out, types.intp, types.intp, types.float32)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        (o,) = opened(context, builder, sig, args, (0,))
        Lanes.same(builder, args[3], WIDE).write(o, args[1], args[2])
        return context.get_dummy_value()

    return signature, code


@intrinsic
def copy(typing: Any, out: Any, r: Any, lane: Any, source: Any, s: Any) -> Any:
    """``out[r] = source[s]``."""
    signature = types.void(out, types.intp, types.intp, source, types.intp)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = opened(context, builder, sig, args, (0, 3))
        _, row, first, _, other = args
        for lane in pieces(builder, first, EACH):
            Lanes.read(builder, x, other, lane).write(o, row, lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def copy_free(
    typing: Any, out: Any, r: Any, lane: Any, source: Any, s: Any, free: Any, i: Any, j: Any
) -> Any:
    """``out[r] = source[s] * free[i] * free[j]``."""
    at = types.intp
    signature = types.void(out, at, at, source, at, free, at, at)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x, f = opened(context, builder, sig, args, (0, 3, 5))
        _, r, first, _, s, _, i, j = args
        for lane in pieces(builder, first, EACH):
            value, one, other = (
                Lanes.read(builder, array, row, lane) for array, row in ((x, s), (f, i), (f, j))
            )
            (value * one * other).write(o, r, lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def multiply(typing: Any, out: Any, r: Any, lane: Any, by: Any, s: Any) -> Any:
    """``out[r] *= by[s]``, lane by lane."""
    signature = types.void(out, types.intp, types.intp, by, types.intp)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = opened(context, builder, sig, args, (0, 3))
        _, row, first, _, other = args
        for lane in pieces(builder, first, EACH):
            product = Lanes.read(builder, o, row, lane) * Lanes.read(builder, x, other, lane)
            product.write(o, row, lane)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def turn(
    typing: Any, out: Any, r: Any, lane: Any, counts: Any, pixel: Any, last: Any, channel: Any
) -> Any:
    """``out[r + c, lane + k] = counts[pixel + k, channel + c]`` for eight of both.

    Pixels after `last` are taken as `last`. One by one these numbers would take longer than
    all that is done with them until they are bins.
    """
    at = types.intp
    signature = types.void(out, at, at, counts, at, at, at)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = opened(context, builder, sig, args, (0, 3))
        _, r, lane, _, pixel, last, channel = args
        rows = []
        for k in _constants(_TURN):
            one = builder.add(pixel, k)
            one = builder.select(builder.icmp_signed("<", one, last), one, last)
            start = pointer(builder, x, one, channel)
            kind = ir.VectorType(start.type.pointee, _TURN)
            rows.append(builder.load(builder.bitcast(start, kind.as_pointer()), align=1))
        for k, column in zip(_constants(_TURN), _turned(builder, rows), strict=True):
            if not isinstance(sig.args[3].dtype, types.Float):
                column = builder.uitofp(column, _TURNED)
            target = pointer(builder, o, builder.add(r, k), lane)
            builder.store(column, builder.bitcast(target, _TURNED.as_pointer()), align=4)
        return context.get_dummy_value()

    return signature, code


def _constants(count: int) -> list[Any]:
    return [constant(k) for k in range(count)]


def _turned(builder: Any, rows: list[Any]) -> list[Any]:
    """Transpose eight vectors of eight: three rounds mix the first half with the second."""
    half = _TURN // 2
    low, high = (
        ir.Constant(
            ir.VectorType(ir.IntType(32), _TURN),
            [at + k + _TURN * other for k in range(half) for other in (0, 1)],
        )
        for at in (0, half)
    )
    for _ in range(3):
        pairs = [(rows[k], rows[k + half]) for k in range(half)]
        rows = [builder.shuffle_vector(*pair, order) for pair in pairs for order in (low, high)]
    return rows


@intrinsic
def add_rows(
    typing: Any, out: Any, r: Any, lane: Any, source: Any, begin: Any, end: Any, fresh: Any
) -> Any:
    """Add rows of `source` from `begin` to `end` to lanes of ``out[r]``, or to 0 if `fresh`.

    As many lanes from `lane` on as `source` has, which is :data:`TILE`.
    """
    at = types.intp
    signature = types.void(out, at, at, source, at, at, types.boolean)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = opened(context, builder, sig, args, (0, 3))
        _, r, lane, _, begin, end, fresh = args
        held = Lanes.read(builder, o, r, lane, TILE)
        total = Sums(held.combined(lambda a: builder.select(fresh, ir.Constant(a.type, None), a)))
        with each(builder, begin, end) as q:
            total.add(Lanes.read(builder, x, q, constant(0), TILE))
        total.value.write(o, r, lane)
        return context.get_dummy_value()

    return signature, code
