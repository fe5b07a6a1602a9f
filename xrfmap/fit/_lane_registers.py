"""Numbers of several pixels held in the registers of the processor, and arithmetic with them.

Code that is compiled from here is written for vectors of a fixed width; the compiler cuts them to
those of the processor, whichever that is. What these functions get and return are not numbers
but places in the code that is being written: a sum of two of them writes an addition.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from llvmlite import ir
from numba.core import cgutils

__all__ = ["EACH", "WIDE", "Lanes", "Sums", "constant", "each", "element", "lanes_of_sums",
           "opened", "pieces", "place", "pointer", "rows_of"]  # fmt: skip

WIDE = 64
"""Lanes that are worked on together: eight of the sixteen registers of AVX2, four of the 32 of
AVX-512."""

EACH = 16
"""Lanes of a vector: those of AVX-512; where there are fewer, it is cut in two or four."""

_VECTOR = ir.VectorType(ir.FloatType(), EACH)
_WHOLE = ir.VectorType(ir.IntType(32), EACH)
_ROOT = ir.FunctionType(_VECTOR, [_VECTOR])
_FUSED = ("contract",)  # a product may be added without being rounded in between


def lanes_of_sums(context: Any, sums: int) -> int:
    """Lanes for which so many sums fit into registers, with room for what is added to them.

    A sum waits four cycles for each product that is added: the more of them go side by side,
    the less the processor waits. It has 32 registers of 16 numbers, or 16 of 8.
    """
    features = context.codegen().magic_tuple()[-1]  # what compiled code is kept by, too
    numbers = 8 * EACH if "+avx512f" in features else 4 * EACH
    return max(EACH, min(WIDE, 1 << (numbers // sums).bit_length() - 1))


def constant(value: int) -> Any:
    return ir.Constant(cgutils.intp_t, value)


def pieces(builder: Any, lane: Any, lanes: int) -> Iterator[Any]:
    """First lanes of the pieces of :data:`WIDE` lanes, each so many long."""
    for k in range(0, WIDE, lanes):
        yield builder.add(lane, constant(k))


@contextmanager
def each(builder: Any, first: Any, last: Any) -> Iterator[Any]:
    """Write a loop from `first` to `last`; yields its number."""
    with cgutils.for_range_slice(builder, first, last, constant(1), first.type) as (q, _):
        yield q


def opened(context: Any, builder: Any, sig: Any, args: Any, which: tuple[int, ...]) -> list[Any]:
    """Those of the arguments that are arrays."""
    return [context.make_array(sig.args[k])(context, builder, args[k]) for k in which]


def element(builder: Any, array: Any, at: Any) -> Any:
    """Read a number of a one-dimensional array."""
    return builder.load(builder.gep(array.data, [at]))


def place(builder: Any, array: Any, at: Any) -> Any:
    """Read the number of a row from an array of 32-bit integers."""
    return builder.sext(element(builder, array, at), cgutils.intp_t)


def rows_of(builder: Any, array: Any) -> Any:
    return cgutils.unpack_tuple(builder, array.shape)[0]


def pointer(builder: Any, array: Any, row: Any, lane: Any) -> Any:
    """Pointer to a lane of a row of an array of shape (rows, lanes)."""
    _, lanes = cgutils.unpack_tuple(builder, array.shape)
    return builder.gep(array.data, [builder.add(builder.mul(row, lanes), lane)])


def _vectors(builder: Any, start: Any, lanes: int) -> list[Any]:
    """Pointers to the vectors that start at a number."""
    return [
        builder.bitcast(builder.gep(start, [constant(k)]), _VECTOR.as_pointer())
        for k in range(0, lanes, EACH)
    ]


class Lanes:
    """Single-precision numbers of lanes side by side."""

    def __init__(self, builder: Any, parts: list[Any]) -> None:
        self.builder = builder
        self.parts = parts

    @classmethod
    def read(cls, builder: Any, array: Any, row: Any, lane: Any, lanes: int = EACH) -> Lanes:
        """Read some lanes of a row of an array of shape (rows, lanes)."""
        vectors = _vectors(builder, pointer(builder, array, row, lane), lanes)
        return cls(builder, [builder.load(x, align=4) for x in vectors])

    @classmethod
    def same(cls, builder: Any, value: Any, lanes: int = EACH) -> Lanes:
        """One number in all lanes."""
        value = ir.Constant(ir.FloatType(), value) if isinstance(value, float) else value
        nothing = ir.Constant(_VECTOR, ir.Undefined)
        one = builder.insert_element(nothing, value, ir.Constant(ir.IntType(32), 0))
        spread = builder.shuffle_vector(one, nothing, ir.Constant(_WHOLE, [0] * EACH))
        return cls(builder, [spread] * (lanes // EACH))

    def write(self, array: Any, row: Any, lane: Any) -> None:
        """Write the lanes into a row of an array of shape (rows, lanes)."""
        start = pointer(self.builder, array, row, lane)
        targets = _vectors(self.builder, start, len(self.parts) * EACH)
        for part, target in zip(self.parts, targets, strict=True):
            self.builder.store(part, target, align=4)

    def combined(self, write: Callable[..., Any], *others: Lanes | float) -> Lanes:
        """Write an instruction for each vector of this and others; constants are spread."""
        rows = [
            o if isinstance(o, Lanes) else Lanes.same(self.builder, o, len(self.parts) * EACH)
            for o in others
        ]
        vectors = zip(self.parts, *(o.parts for o in rows), strict=True)
        return Lanes(self.builder, [write(*v) for v in vectors])

    def __add__(self, other: Lanes | float) -> Lanes:
        return self.combined(lambda a, b: self.builder.fadd(a, b, flags=_FUSED), other)

    def __sub__(self, other: Lanes | float) -> Lanes:
        return self.combined(lambda a, b: self.builder.fsub(a, b, flags=_FUSED), other)

    def __mul__(self, other: Lanes | float) -> Lanes:
        return self.combined(lambda a, b: self.builder.fmul(a, b, flags=_FUSED), other)

    def __truediv__(self, other: Lanes | float) -> Lanes:
        return self.combined(self.builder.fdiv, other)

    def __neg__(self) -> Lanes:
        return self.combined(self.builder.fneg)

    def inverse(self) -> Lanes:
        return self.combined(lambda a: self.builder.fdiv(_ones(), a))

    def root(self) -> Lanes:
        name = f"llvm.sqrt.v{EACH}f32"
        root = cgutils.get_or_insert_function(self.builder.module, _ROOT, name)
        return self.combined(lambda a: self.builder.call(root, [a]))

    def choose(
        self, sign: str, limit: Lanes | float, yes: Lanes | float, no: Lanes | float
    ) -> Lanes:
        """`yes` where these numbers compare so with a limit, and `no` elsewhere."""

        def chosen(a: Any, bound: Any, one: Any, other: Any) -> Any:
            return self.builder.select(self.builder.fcmp_ordered(sign, a, bound), one, other)

        return self.combined(chosen, limit, yes, no)

    def at_least(self, limit: Lanes | float) -> Lanes:
        return self.choose(">", limit, self, limit)


def _ones() -> Any:
    return ir.Constant(_VECTOR, [1.0] * EACH)


class Sums:
    """Sums that stay in registers: the compiler takes their places in memory away again."""

    def __init__(self, start: Lanes) -> None:
        self.builder = start.builder
        self.held = [cgutils.alloca_once(self.builder, _VECTOR) for _ in start.parts]
        self.keep(start)

    def keep(self, lanes: Lanes) -> None:
        for part, held in zip(lanes.parts, self.held, strict=True):
            self.builder.store(part, held)

    @property
    def value(self) -> Lanes:
        return Lanes(self.builder, [self.builder.load(held) for held in self.held])

    def add(self, more: Lanes) -> None:
        self.keep(self.value + more)
