"""What may be wrong about the counts of one area and right in another one, or wrong otherwise.

Two areas need not hold the same of what nobody sees: sulfur may lie in the vermilion of one and
not in that of the other, and then all that it adds to mercury M of the one is a difference of
the two. Nor need its counts lie where the family lies, as for the maps is thought: what a whole
scan leaves room for may lie in one small area. That area's own sum says how much of it may.

Nor need they have the same cover. Lead of the same amount below it in one of them has other line
ratios there, and beside it arsenic seems more or less than it is. The sum of the area says by how
much its ratios are off, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from xrfmap.areas.cut import weighted_fit
from xrfmap.depth.line_doubts import taken_for
from xrfmap.identification.may_be_there import MayBe, may_be_there, tested
from xrfmap.spectra.refine import refine
from xrfmap.spectra.sum_fit import inverse

if TYPE_CHECKING:
    from xrfmap.areas.cut import BlockCut
    from xrfmap.identification.identify import Found

__all__ = ["owed_in_area", "ratios_in_area"]

Array = npt.NDArray[np.float64]

SURE = 2.0
"""Standard errors up to which more than its measured counts may be owed by a family."""


def owed_in_area(
    found: Found, cut: BlockCut, counts: Array, net: Array, variance: Array,
    row_counts: Array | None = None, full: npt.NDArray[np.bool_] | None = None,
) -> Array:  # fmt: skip
    """Tell the counts of each family in an area that others may have, as a standard deviation.

    Parameters
    ----------
    found : Found
        Elements and shapes of the scan.
    cut : BlockCut
        Design of the area's sum, see :meth:`xrfmap.areas.cut.BlockCut.of_area`.
    counts : ndarray, shape (channels,)
        Sum spectrum of the area. [counts]
    net, variance : ndarray, shape (families,)
        Net counts of the families of `cut.whole` in the area and their counting variance; NaN
        where they are not known. [counts], [counts squared]
    row_counts : ndarray, shape (y,), optional
        Counts that each row brought into the sum, where the gain drifted. [counts]
    full : ndarray of bool, shape (channels,), optional
        Channels that ran full.

    Returns
    -------
    ndarray, shape (families,)
        Zero for a family without a number. [counts]

    Notes
    -----
    Of each element outside the design the area holds at most what the whole scan leaves room
    for, and at most what its own sum does; the test with the smaller error is taken. Nobody
    owes more counts than it has: the sum over all is cut there, give or take :data:`SURE`
    standard errors.
    """
    lines, plan = cut.lines, cut.plan
    result = np.zeros(len(cut.whole.lines))
    whole = may_be_there(found, cut.whole.lines)
    if not whole or not len(lines) or counts.sum() <= 0:
        return result
    spread = np.array([m.spread for m in _smaller(whole, _of_area(found, whole, counts, row_counts,
                                                                  full))])  # fmt: skip
    columns = np.column_stack([cut.column(found.model, m.emitter) for m in whole])
    gained = taken_for(plan.design.matrix, cut.merged(counts), columns, len(lines)) * spread
    most = np.maximum(net[lines], 0.0) + SURE * np.sqrt(variance[lines])
    result[lines] = np.fmin(np.sqrt((gained**2).sum(axis=1)), most)
    return result


def ratios_in_area(found: Found, cut: BlockCut, counts: Array) -> Array:
    """Tell by how much the line ratios of each family in an area are off the model's.

    Parameters
    ----------
    found : Found
        Elements and shapes of the scan.
    cut : BlockCut
        Design of the area's sum, see :meth:`xrfmap.areas.cut.BlockCut.of_area`.
    counts : ndarray, shape (channels,)
        Sum spectrum of the area. [counts]

    Returns
    -------
    ndarray, shape (2, families)
        In units of :data:`xrfmap.fit.map_design.RATIO_SPREAD`, and the standard error: least
        squares of the area's sum by the design and by the change of each family with its cover,
        which before any count is known to be 0 +- 1. That is left where there are no counts.
    """
    result = np.zeros((2, len(cut.whole.lines)))
    result[1] = 1.0
    matrix, lines, data = cut.plan.design.matrix, cut.lines, cut.merged(counts)
    if not len(lines) or data.sum() <= 0:
        return result
    fit = found.fit
    centre, at = (0.5 * (e[1:] + e[:-1]) for e in (fit.edges, cut.whole.design.edges))
    relative = np.interp(at if cut.used is None else at[cut.used], centre, fit.model_error)
    amplitude = weighted_fit(matrix, data, relative)
    expected = np.maximum(matrix @ amplitude, 1e-3 * data.mean())
    root = 1 / np.sqrt(expected + (relative * expected) ** 2)
    columns = np.hstack([matrix, cut.plan.deviations * amplitude[: len(lines)]]) * root[:, None]
    info = columns.T @ columns
    free = np.arange(matrix.shape[1], len(info))
    info[free, free] += 1.0
    covariance = inverse(info)
    result[0, lines] = (covariance @ (columns.T @ (data * root)))[free]
    result[1, lines] = np.sqrt(np.diag(covariance)[free])
    return result


def _of_area(
    found: Found, whole: Sequence[MayBe], counts: Array, row_counts: Array | None,
    full: npt.NDArray[np.bool_] | None,
) -> list[MayBe]:  # fmt: skip
    """Test the same families on the sum of the area, its shapes as uncertain as before data."""
    model = found.model if full is None else replace(found.model, left_out=full)
    if found.drift is not None and row_counts is not None:
        model = replace(model, shifts=found.drift.shifts(row_counts), own_shifts={})
    return tested(refine(counts, model, steps=0), [m.emitter for m in whole])


def _smaller(one: Sequence[MayBe], two: Sequence[MayBe]) -> list[MayBe]:
    return [b if b.error < a.error else a for a, b in zip(one, two, strict=True)]
