"""Sums of products over rows of lanes that stay in the registers of the processor.

A plain loop over lanes reads and writes its sums once for every few products, and checks each
time that its rows do not overlap; here a sum is read once, all its products are added, and it is
written once. The compiler is given vectors of a fixed width and cuts them to those of the
processor, whichever that is.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

__all__ = [
    "TILE",
    "WIDE",
    "add_pair",
    "add_products",
    "add_rows",
    "copy",
    "copy_free",
    "fill",
    "invert_root",
    "multiply",
    "subtract_products",
    "turn",
    "weigh",
]

WIDE = 64
"""Lanes of a sum: eight of the sixteen registers of AVX2, four of the 32 of AVX-512."""

TILE = 16
"""Pixels that are turned into lanes at a time: a line of the cache."""

_EACH = 16  # lanes of a vector: those of AVX-512; where there are fewer, it is cut in two or four
_TURN = 8  # pixels and channels that are turned at a time
_HALF = WIDE // 2  # lanes of two sums side by side: as many registers again
_VECTOR = ir.VectorType(ir.FloatType(), _EACH)
_TURNED = ir.VectorType(ir.FloatType(), _TURN)
_ROOT = ir.FunctionType(_VECTOR, [_VECTOR])
_FUSED = ("contract",)  # a product may be added without being rounded in between


def _row(builder: Any, array: Any, row: Any, lane: Any) -> Any:
    """Pointer to a lane of a row of an array of shape (rows, lanes)."""
    _, lanes = cgutils.unpack_tuple(builder, array.shape)
    return builder.gep(array.data, [builder.add(builder.mul(row, lanes), lane)])


def _vectors(builder: Any, pointer: Any, lanes: int = WIDE) -> list[Any]:
    """Pointers to the vectors that start at a number."""
    return [
        builder.bitcast(
            builder.gep(pointer, [ir.Constant(cgutils.intp_t, k)]), _VECTOR.as_pointer()
        )
        for k in range(0, lanes, _EACH)
    ]


def _side_by_side(builder: Any, rows: Any, lane: Any) -> Any:
    """Pointers to the vectors of several rows, given as pairs of array and row, side by side."""
    return zip(*(_vectors(builder, _row(builder, *row, lane)) for row in rows), strict=True)


def _load(builder: Any, pointer: Any) -> Any:
    return builder.load(pointer, align=4)


def _spread(builder: Any, value: Any) -> Any:
    """Vector of which every lane is `value`."""
    nothing = ir.Constant(_VECTOR, ir.Undefined)
    one = builder.insert_element(nothing, value, ir.Constant(ir.IntType(32), 0))
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), _EACH), [0] * _EACH)
    return builder.shuffle_vector(one, nothing, zeros)


def _number(builder: Any, array: Any, place: Any) -> Any:
    return builder.load(builder.gep(array.data, [place]))


def _place(builder: Any, array: Any, place: Any) -> Any:
    """Read the number of a row from an array of 32-bit integers."""
    return builder.sext(_number(builder, array, place), cgutils.intp_t)


@intrinsic
def add_products(
    typing: Any, out: Any, r: Any, lane: Any, begin: Any, end: Any, idx: Any, val: Any, source: Any
) -> Any:
    """``out[r] += sum_q val[q] source[idx[q]]`` for q from `begin` to `end`.

    Arrays `out` and `source` have shape (rows, lanes); only the :data:`WIDE` lanes from `lane`
    on are touched.
    """
    signature = types.void(out, types.intp, types.intp, types.intp, types.intp, idx, val, source)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, index, value, s = _opened(context, builder, sig, args, (0, 5, 6, 7))
        _, row, at, first, last = args[:5]
        sums = _Sums(builder, _row(builder, o, row, at))
        with cgutils.for_range_slice(
            builder, first, last, ir.Constant(first.type, 1), first.type
        ) as (q, _):
            factor = _spread(builder, _number(builder, value, q))
            rows = _vectors(builder, _row(builder, s, _place(builder, index, q), at))
            sums.add([builder.fmul(factor, _load(builder, x), flags=_FUSED) for x in rows])
        sums.store()
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
    place = types.intp
    signature = types.void(out, rows, place, place, place, place, place, idx, val, source)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        arrays = _opened(context, builder, sig, args, (0, 1, 7, 8, 9))
        _, _, p, shift, at, first, last = args[:7]
        for k in range(0, WIDE, _HALF):
            lane = builder.add(at, ir.Constant(at.type, k))
            _add_pair(builder, arrays, p, shift, lane, first, last)
        return context.get_dummy_value()

    return signature, code


def _add_pair(
    builder: Any, arrays: list[Any], p: Any, shift: Any, lane: Any, first: Any, last: Any
) -> None:
    """Write the code of :func:`add_pair` for half of the lanes."""
    out, rows, index, values, source = arrays

    def both(q: Any) -> list[Any]:
        twice = builder.shl(q, ir.Constant(q.type, 1))
        return [twice, builder.add(twice, ir.Constant(q.type, 1))]

    targets = [builder.sub(_place(builder, rows, r), shift) for r in both(p)]
    sums = [_Sums(builder, _row(builder, out, r, lane), _HALF) for r in targets]
    with cgutils.for_range_slice(builder, first, last, ir.Constant(first.type, 1), first.type) as (
        q,
        _,
    ):
        factors = [_spread(builder, _number(builder, values, k)) for k in both(q)]
        row = _vectors(builder, _row(builder, source, _place(builder, index, q), lane), _HALF)
        loaded = [_load(builder, x) for x in row]
        for one, factor in zip(sums, factors, strict=True):
            one.add([builder.fmul(factor, x, flags=_FUSED) for x in loaded])
    for one in reversed(sums):
        one.store()


@intrinsic
def subtract_products(
    typing: Any, out: Any, r: Any, lane: Any, begin: Any, end: Any, left: Any, right: Any, a: Any,
    b: Any,
) -> Any:  # fmt: skip
    """``out[r] -= sum_q a[left[q]] b[right[q]]``, lane by lane; else as :func:`add_products`."""
    place = types.intp
    signature = types.void(out, place, place, place, place, left, right, a, b)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, i, j, x, y = _opened(context, builder, sig, args, (0, 5, 6, 7, 8))
        _, row, at, first, last = args[:5]
        sums = _Sums(builder, _row(builder, o, row, at))
        with cgutils.for_range_slice(
            builder, first, last, ir.Constant(first.type, 1), first.type
        ) as (q, _):
            one = _vectors(builder, _row(builder, x, _place(builder, i, q), at))
            two = _vectors(builder, _row(builder, y, _place(builder, j, q), at))
            pairs = zip(one, two, strict=True)
            sums.add(
                [
                    builder.fmul(builder.fneg(_load(builder, v)), _load(builder, w), flags=_FUSED)
                    for v, w in pairs
                ]
            )
        sums.store()
        return context.get_dummy_value()

    return signature, code


@intrinsic
def fill(typing: Any, out: Any, r: Any, lane: Any, value: Any) -> Any:
    """``out[r] = value``."""
    signature = types.void(out, types.intp, types.intp, types.float32)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        (o,) = _opened(context, builder, sig, args, (0,))
        same = _spread(builder, args[3])
        for place in _vectors(builder, _row(builder, o, args[1], args[2])):
            builder.store(same, place, align=4)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def copy(typing: Any, out: Any, r: Any, lane: Any, source: Any, s: Any) -> Any:
    """``out[r] = source[s]``."""
    signature = types.void(out, types.intp, types.intp, source, types.intp)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = _opened(context, builder, sig, args, (0, 3))
        _, row, at, _, other = args
        for place, held in _side_by_side(builder, ((o, row), (x, other)), at):
            builder.store(_load(builder, held), place, align=4)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def copy_free(
    typing: Any, out: Any, r: Any, lane: Any, source: Any, s: Any, free: Any, i: Any, j: Any
) -> Any:
    """``out[r] = source[s] * free[i] * free[j]``."""
    place = types.intp
    signature = types.void(out, place, place, source, place, free, place, place)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x, f = _opened(context, builder, sig, args, (0, 3, 5))
        _, r, at, _, s, _, i, j = args
        rows = ((o, r), (x, s), (f, i), (f, j))
        for target, *held in _side_by_side(builder, rows, at):
            value, one, other = (_load(builder, place) for place in held)
            builder.store(builder.fmul(builder.fmul(value, one), other), target, align=4)
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
    place = types.intp
    signature = types.void(
        out, place, place, source, place, free, place, types.float32, types.boolean
    )

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x, f = _opened(context, builder, sig, args, (0, 3, 5))
        _, r, at, _, s, _, j, least, drop = args
        one = _spread(builder, ir.Constant(ir.FloatType(), 1.0))
        none = ir.Constant(_VECTOR, None)
        tiny = _spread(builder, ir.Constant(ir.FloatType(), 1e-30))
        share = _spread(builder, least)
        root = cgutils.get_or_insert_function(builder.module, _ROOT, f"llvm.sqrt.v{_EACH}f32")
        for target, whole, loose in _side_by_side(builder, ((o, r), (x, s), (f, j)), at):
            c = _load(builder, target)
            bound = builder.fadd(builder.fmul(share, _load(builder, whole)), tiny)
            enough = builder.fcmp_ordered(">=", c, bound)
            kept = builder.fdiv(one, builder.call(root, [builder.select(enough, c, bound)]))
            gone = builder.select(drop, none, kept)
            is_free = builder.fcmp_ordered(">", _load(builder, loose), none)
            result = builder.select(is_free, builder.select(enough, kept, gone), one)
            builder.store(result, target, align=4)
        return context.get_dummy_value()

    return signature, code


@intrinsic
def multiply(typing: Any, out: Any, r: Any, lane: Any, by: Any, s: Any) -> Any:
    """``out[r] *= by[s]``, lane by lane."""
    signature = types.void(out, types.intp, types.intp, by, types.intp)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = _opened(context, builder, sig, args, (0, 3))
        _, row, at, _, other = args
        for place, factor in _side_by_side(builder, ((o, row), (x, other)), at):
            product = builder.fmul(_load(builder, place), _load(builder, factor))
            builder.store(product, place, align=4)
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
    place = types.intp
    signature = types.void(out, place, place, counts, place, place, place)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = _opened(context, builder, sig, args, (0, 3))
        _, r, at, _, pixel, last, channel = args
        rows = []
        for k in _constants(_TURN):
            one = builder.add(pixel, k)
            one = builder.select(builder.icmp_signed("<", one, last), one, last)
            start = _row(builder, x, one, channel)
            kind = ir.VectorType(start.type.pointee, _TURN)
            rows.append(builder.load(builder.bitcast(start, kind.as_pointer()), align=1))
        for k, column in zip(_constants(_TURN), _turned(builder, rows), strict=True):
            if not isinstance(sig.args[3].dtype, types.Float):
                column = builder.uitofp(column, _TURNED)
            place = _row(builder, o, builder.add(r, k), at)
            builder.store(column, builder.bitcast(place, _TURNED.as_pointer()), align=4)
        return context.get_dummy_value()

    return signature, code


def _constants(count: int) -> list[Any]:
    return [ir.Constant(cgutils.intp_t, k) for k in range(count)]


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
    place = types.intp
    signature = types.void(out, place, place, source, place, place, types.boolean)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        o, x = _opened(context, builder, sig, args, (0, 3))
        _, r, at, _, begin, end, fresh = args
        zero = ir.Constant(cgutils.intp_t, 0)
        sums = _Sums(builder, _row(builder, o, r, at), TILE)
        sums.clear(fresh)
        with cgutils.for_range_slice(
            builder, begin, end, ir.Constant(begin.type, 1), begin.type
        ) as (q, _):
            sums.add(
                [_load(builder, v) for v in _vectors(builder, _row(builder, x, q, zero), TILE)]
            )
        sums.store()
        return context.get_dummy_value()

    return signature, code


@intrinsic
def weigh(
    typing: Any, ratio: Any, weight: Any, b: Any, lane: Any, expected: Any, counts: Any, r: Any,
    blend: Any, most: Any,
) -> Any:  # fmt: skip
    """Weigh the counts n of a bin by its expected counts m.

    ``ratio[b] = n / m - 1``, ``weight[b] = ((1 - blend) n / m + blend) / m`` and
    ``most[0] = max(most[0], n / m)`` with ``n = counts[r]`` and ``m = expected[b]``.
    """
    place = types.intp
    signature = types.void(ratio, weight, place, place, expected, counts, place, types.float32,
                           most)  # fmt: skip

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        arrays = _opened(context, builder, sig, args, (0, 1, 4, 5, 8))
        _, _, b, at, _, _, r, blend, _ = args
        one = _spread(builder, ir.Constant(ir.FloatType(), 1.0))
        share = _spread(builder, blend)
        rest = builder.fsub(one, share)
        rows = zip(arrays, (b, b, b, r, ir.Constant(b.type, 0)), strict=True)
        for ratios, weights, m, n, top in _side_by_side(builder, rows, at):
            inverse = builder.fdiv(one, _load(builder, m))
            t = builder.fmul(_load(builder, n), inverse)
            so_far = _load(builder, top)
            more = builder.fcmp_ordered(">", t, so_far)
            builder.store(builder.select(more, t, so_far), top, align=4)
            builder.store(builder.fsub(t, one), ratios, align=4)
            mixed = builder.fadd(builder.fmul(t, rest, flags=_FUSED), share, flags=_FUSED)
            builder.store(builder.fmul(mixed, inverse), weights, align=4)
        return context.get_dummy_value()

    return signature, code


def _opened(context: Any, builder: Any, sig: Any, args: Any, which: tuple[int, ...]) -> list[Any]:
    return [context.make_array(sig.args[k])(context, builder, args[k]) for k in which]


class _Sums:
    """Sums that stay in registers: the compiler takes their places in memory away again."""

    def __init__(self, builder: Any, pointer: Any, lanes: int = WIDE) -> None:
        self.builder = builder
        self.target = _vectors(builder, pointer, lanes)
        self.held = [cgutils.alloca_once(builder, _VECTOR) for _ in self.target]
        for held, place in zip(self.held, self.target, strict=True):
            builder.store(_load(builder, place), held)

    def clear(self, condition: Any) -> None:
        none = ir.Constant(_VECTOR, None)
        for held in self.held:
            kept = self.builder.select(condition, none, self.builder.load(held))
            self.builder.store(kept, held)

    def add(self, products: list[Any]) -> None:
        for held, product in zip(self.held, products, strict=True):
            more = self.builder.fadd(self.builder.load(held), product, flags=_FUSED)
            self.builder.store(more, held)

    def store(self) -> None:
        for held, place in zip(self.held, self.target, strict=True):
            self.builder.store(self.builder.load(held), place, align=4)
