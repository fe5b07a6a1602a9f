"""What the kernel of the fit needs to know about a design: lists of row operations, made once.

All pixels share the pattern of the design, that is which component touches which bin. So the
sparse products, the Cholesky factor and the inverse are written down as lists of rows that
:mod:`xrfmap.fit._lanes` walks through.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Plan", "row_pairs"]

Float = npt.NDArray[np.float64]
Index = npt.NDArray[np.int32]
_Sparse = tuple[Index, Index, npt.NDArray[np.float32]]  # row pointers, columns, values
_Row = tuple[int, Index, npt.NDArray[np.float32]]  # its number, columns, values

PATTERN_CUT = 1e-3
"""Entries of a column below this share of its largest are left out of the information.

They stay in the model itself. A shelf of 1e-3 of the peak carries about 1e-6 of
the information on its amplitude, yet would fill the whole Cholesky factor.
"""

LINE_CUT = 3e-3
"""The same for the bins that tell the variance of a component that is absent."""


@dataclass(frozen=True)
class Plan:
    """What the kernel needs to know about a design, worked out once."""

    order: npt.NDArray[np.int64]  # component at each place of the elimination order
    arrays: tuple[Any, ...]  # as `_group` of the kernel takes them
    sizes: tuple[int, ...]  # bins, components, pairs that touch, entries of the factor

    @classmethod
    def of(cls, matrix: Float, edges: npt.NDArray[np.int64], judged: int) -> Plan:
        """Make the plan of a design of which the first `judged` components are line families."""
        strong = np.where(matrix >= PATTERN_CUT * matrix.max(axis=0), matrix, 0.0)
        touching = (strong.T @ strong) > 0
        order = _elimination_order(touching)
        t = matrix[:, order]
        pattern = _factor_pattern(touching[np.ix_(order, order)])
        pairs, pair_of = _pair_rows(strong[:, order])
        factor, inverse = _factor_lists(pattern, pair_of)
        diag = np.array([pair_of[j, j] for j in range(t.shape[1])], np.int32)
        arrays: tuple[Any, ...] = (
            edges.astype(np.int64),
            order,
            row_pairs(t),
            _in_blocks(_sparse_rows(t.T), len(t)),
            _in_blocks(pairs, len(t)),
            (*factor, diag, _by_row(pattern)),
            _touching_lists(pair_of),
            inverse,
            _null_lists(strong[:, order], pattern, order < judged),
        )
        return cls(order, arrays, (*t.shape, int(pair_of.max()) + 1, len(factor[0])))


def row_pairs(t: Float, dense: bool = False) -> tuple[npt.NDArray[Any], ...]:
    """Rows of a matrix, two and two, for sums over its columns: see :func:`_paired`.

    With `dense` all entries are kept.
    """
    from xrfmap.fit._lane_sums import BLOCK

    ptr, idx, val = _entries(t, np.ones(t.shape, np.bool_)) if dense else _sparse_rows(t)
    rows = [(r, idx[ptr[r] : ptr[r + 1]], val[ptr[r] : ptr[r + 1]]) for r in range(len(t))]
    return _paired([rows[k : k + BLOCK] for k in range(0, len(t), BLOCK)])


def _elimination_order(touching: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Minimum-degree order: eliminate first what touches least (keeps the factor sparse)."""
    neighbours = [set(np.flatnonzero(row)) - {k} for k, row in enumerate(touching)]
    left = set(range(len(touching)))
    order = []
    while left:
        k = min(left, key=lambda i: (len(neighbours[i]), i))
        order.append(k)
        left.remove(k)
        for m in neighbours[k]:
            neighbours[m] |= neighbours[k]
            neighbours[m] -= {k, m}
    return np.array(order, dtype=np.int64)


def _factor_pattern(touching: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Pattern of the Cholesky factor, fill-in included."""
    pattern = np.tril(touching)
    for j in range(len(pattern)):
        rows = np.flatnonzero(pattern[j + 1 :, j]) + j + 1
        for r in rows:
            pattern[r, rows[rows <= r]] = True
    return pattern


def _sparse_rows(t: Float) -> _Sparse:
    """Row pointers, column indices and values of the nonzero entries."""
    # far tails: at 1e-7 of the whole matrix's largest entry the continuum of a pixel with 30000
    # counts moved by 2e-3 standard errors; at 1e-10 nothing does, for 1 % more entries
    return _entries(t, t > 1e-10 * t.max())


def _entries(t: Float, keep: npt.NDArray[np.bool_]) -> _Sparse:
    ptr = np.concatenate([[0], np.cumsum(keep.sum(axis=1))]).astype(np.int32)
    idx = np.nonzero(keep)[1].astype(np.int32)
    return ptr, idx, t[keep].astype(np.float32)


def _in_blocks(rows: _Sparse, bins: int) -> tuple[npt.NDArray[Any], ...]:
    """Sparse rows over bins cut into segments, one for each row in a block of bins, in pairs."""
    from xrfmap.fit._lane_sums import BLOCK

    ptr, idx, val = rows
    row = np.repeat(np.arange(len(ptr) - 1), np.diff(ptr))
    place = np.lexsort((idx, row, idx // BLOCK))
    row, idx, val = row[place], idx[place], val[place]
    block = idx // BLOCK
    new = np.flatnonzero(np.r_[True, (np.diff(row) != 0) | (np.diff(block) != 0)])
    parts: list[list[_Row]] = [[] for _ in range(-(-bins // BLOCK))]
    for begin, end in zip(new, [*new[1:], len(idx)], strict=True):
        inside = slice(begin, end)
        parts[block[begin]].append((int(row[begin]), idx[inside] % BLOCK, val[inside]))
    for part in parts:  # neighbours have most of their bins in common
        part.sort(key=lambda segment: (segment[1][0], len(segment[1])))
    return _paired(parts)


def _paired(parts: list[list[_Row]]) -> tuple[npt.NDArray[Any], ...]:
    """Sparse rows of each part of the bins, two and two; one left over goes with itself.

    Returns the first pair of each part, the two rows of each pair, where its entries begin,
    the place that each entry reads, and its two values, of which one may be 0.
    """
    first, rows, places, values = [0], [], [], []
    for part in parts:
        pairs = []
        for k in range(0, len(part), 2):
            two = part[k : k + 2]
            place = np.unique(np.concatenate([idx for _, idx, _ in two]))
            value = np.zeros((len(place), 2), np.float32)
            for i, (_, idx, val) in enumerate(two):
                value[np.searchsorted(place, idx), i] = val
            pairs.append(((two[0][0], two[-1][0]), place, value))
        # by their length: the processor foresees where a short loop ends
        for pair, place, value in sorted(pairs, key=lambda pair: len(pair[1])):
            rows.append(pair)
            places.append(place)
            values.append(value)
        first.append(len(rows))
    return (
        np.array(first, np.int32),
        np.array(rows, np.int32),
        np.cumsum([0, *(len(place) for place in places)], dtype=np.int32),
        np.concatenate(places).astype(np.int32),
        np.concatenate(values),
    )


def _pair_rows(
    t: Float,
) -> tuple[_Sparse, npt.NDArray[np.int32]]:
    """Products of touching columns, one sparse row a pair, and the row of each pair."""
    comps = t.shape[1]
    pair_of = np.full((comps, comps), -1, np.int32)
    ptr, idx, val = [0], [], []
    for j in range(comps):
        for i in range(j, comps):
            product = t[:, i] * t[:, j]
            bins = np.flatnonzero(product)
            if len(bins) == 0:
                continue
            pair_of[i, j] = len(ptr) - 1
            idx.append(bins)
            val.append(product[bins])
            ptr.append(ptr[-1] + len(bins))
    rows = (
        np.array(ptr, np.int32),
        np.concatenate(idx).astype(np.int32),
        np.concatenate(val).astype(np.float32),
    )
    return rows, pair_of


def _touching_lists(pair_of: npt.NDArray[np.int32]) -> tuple[Index, ...]:
    """For each component the others that it overlaps, and the row of each pair."""
    rows = np.maximum(pair_of, pair_of.T)
    np.fill_diagonal(rows, -1)
    found = rows >= 0
    ptr = np.concatenate([[0], np.cumsum(found.sum(axis=1))]).astype(np.int32)
    return ptr, np.nonzero(found)[1].astype(np.int32), rows[found]


def _null_lists(
    t: Float, pattern: npt.NDArray[np.bool_], judged: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[Any], ...]:
    """For each judged component and each bin of its lines: which others touch it, and how."""
    comps = t.shape[1]
    entry_of = np.full((comps, comps), -1, np.int32)
    for e, (i, j) in enumerate(_places(pattern)):
        entry_of[i, j] = entry_of[j, i] = e
    ptr, bins, own, entry, idx, val = [0], [], [], [0], [], []
    for j in range(comps):
        lines = t[:, j] >= LINE_CUT * t[:, j].max()
        for b in np.flatnonzero(lines & judged[j]):
            others = np.flatnonzero(t[b])
            others = others[others != j]
            bins.append(b)
            own.append(t[b, j])
            idx.extend(entry_of[j, others])
            val.extend(t[b, others])
            entry.append(len(idx))
        ptr.append(len(bins))
    return (
        np.array(ptr, np.int32),
        np.array(bins, np.int32),
        np.array(own, np.float32),
        np.array(entry, np.int32),
        np.array(idx, np.int32),
        np.array(val, np.float32),
    )


def _places(pattern: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Row and column of each entry of the factor, column by column."""
    return [(int(i), j) for j in range(len(pattern)) for i in np.flatnonzero(pattern[:, j])]


def _factor_lists(
    pattern: npt.NDArray[np.bool_], pair_of: npt.NDArray[np.int32]
) -> tuple[tuple[Index, ...], tuple[Index, ...]]:
    """Index lists that the factorisation and the inverse walk through."""
    comps = len(pattern)
    entry = np.full((comps, comps), -1, np.int32)
    places = _places(pattern)
    for e, (i, j) in enumerate(places):
        entry[i, j] = e
    first = [0, *np.cumsum(pattern.sum(axis=0))]
    upd: list[int] = [0]
    left: list[int] = []
    right: list[int] = []
    inv_ptr: list[int] = [0]
    inv_left: list[int] = []
    inv_right: list[int] = []
    for i, j in places:
        for k in range(j):
            if pattern[i, k] and pattern[j, k]:
                left.append(entry[i, k])
                right.append(entry[j, k])
        upd.append(len(left))
        below = np.flatnonzero(pattern[:, j])[1:]
        inv_left.extend(entry[m, j] for m in below)
        inv_right.extend(entry[max(i, m), min(i, m)] for m in below)
        inv_ptr.append(len(inv_right))
    factor = [pair_of[i, j] for i, j in places], [i for i, _ in places], [j for _, j in places]
    return (
        tuple(np.array(x, np.int32) for x in (*factor, first, upd, left, right)),
        tuple(np.array(x, np.int32) for x in (inv_ptr, inv_left, inv_right)),
    )


def _by_row(pattern: npt.NDArray[np.bool_]) -> tuple[Index, ...]:
    """Entries of the factor by row, without the diagonal, their columns, and all their numbers."""
    places = np.array(_places(pattern), dtype=np.int32)
    row, col = places.T
    below = np.flatnonzero(row != col)
    below = below[np.lexsort((col[below], row[below]))]
    ptr = np.searchsorted(row[below], np.arange(len(pattern) + 1))
    numbers = np.arange(len(places))
    return tuple(x.astype(np.int32) for x in (ptr, below, col[below], numbers))
