"""What channels that ran full leave of a design whose families are split into groups of lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from xrfmap.depth.line_doubts import taken_for
from xrfmap.fit.full_channels import full_bins
from xrfmap.fit.pixels import Design
from xrfmap.spectra.left_out import TRUSTED_SHARE

if TYPE_CHECKING:
    from xrfmap.depth.line_ratios import SplitDesign

__all__ = ["SplitCut", "without"]

Array = npt.NDArray[np.float64]

NOTHING = 1e-6
"""Share of a column's counts below which it goes from the fit."""


@dataclass(frozen=True, eq=False)
class SplitCut:
    """Bins and columns that are left of a design.

    Attributes
    ----------
    whole : Design
        The design before.
    used : ndarray of bool, shape (bins,)
        Bins that are left.
    columns : ndarray of int
        Columns of the whole design that are left.
    groups : ndarray of int
        The first of them: groups of lines. Those with too little left are among them, so
        that neighbours are not wronged, but get no number.
    left : ndarray, shape (all groups,)
        Share of each group's counts in the bins that are left.
    """

    whole: Design
    used: npt.NDArray[np.bool_]
    columns: npt.NDArray[np.intp]
    groups: npt.NDArray[np.intp]
    left: Array

    @classmethod
    def of(cls, whole: Design, channels: npt.NDArray[np.bool_], groups: int) -> SplitCut | None:
        """Leave out channels of a design whose first columns are `groups`; None without any."""
        used = ~full_bins(channels, 1.0, whole.edges)
        if used.all():
            return None
        share = whole.matrix[used].sum(axis=0) / whole.matrix.sum(axis=0)
        columns = np.flatnonzero(share > NOTHING)
        return cls(whole, used, columns, columns[columns < groups], share[:groups])

    def spectra(self, counts: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Merge counts, shape (n, channels), into the bins that are left."""
        merged = self.whole.merge(counts)[:, self.used]
        # as whole numbers: real ones would be rounded from 2^24 on, and want another kernel
        return merged.astype(np.uint32) if counts.dtype.kind in "iu" else merged

    def spread(self, net: Array, covariance: Array) -> tuple[Array, Array]:
        """Put the fitted groups at their places among all; NaN where there is no number."""
        number, many = len(net), len(self.left)
        wide, square = np.full((number, many), np.nan), np.full((number, many, many), np.nan)
        wide[:, self.groups] = net
        square[np.ix_(np.arange(number), self.groups, self.groups)] = covariance
        blind = self.left < TRUSTED_SHARE
        wide[:, blind] = np.nan
        square[:, blind], square[:, :, blind] = np.nan, np.nan
        return wide, square


def without(split: SplitDesign, channels: npt.NDArray[np.bool_]) -> SplitDesign:
    """Take channels that ran full from a design.

    Parameters
    ----------
    split : SplitDesign
        Design of whole spectra.
    channels : ndarray of bool, shape (channels,)
        Channels to leave out.

    Returns
    -------
    SplitDesign
        With the doubts that it means to know a peak by its flanks alone: their share of the
        peak hangs on its width and tail.
    """
    changes, whole = split.changes, split.design
    every = len(changes.same)
    cut = SplitCut.of(whole, channels, every)
    if cut is None:
        return split
    columns, groups, used = cut.columns, cut.groups, cut.used
    matrix = np.ascontiguousarray(whole.matrix[np.ix_(used, columns)])
    typical, many = split.typical[used], len(groups)
    wrong = taken_for(matrix, typical, changes.foreign[used], many)
    wrong[changes.same[groups]] = 0.0
    there = np.isin(split.wrong_of, columns)
    # of a whole peak a wrong width or tail hardly changes the counts, of its flanks it does
    before = taken_for(whole.matrix, split.typical, changes.own, every)[groups]
    added = taken_for(matrix, typical, changes.own[used], many) - before
    doubt = split.doubt[np.ix_(groups, columns)] / cut.left[groups, None]
    doubt[:, :many] = np.sqrt(doubt[:, :many] ** 2 + (added**2).sum(axis=1)[:, groups])
    labels = tuple(whole.labels[k] for k in columns)
    return replace(
        split,
        design=Design(matrix, np.arange(len(matrix) + 1), labels),
        typical=typical, model_error=split.model_error[used], wrong=wrong[:, there],
        wrong_of=np.searchsorted(columns, split.wrong_of[there]), doubt=doubt, cut=cut,
    )  # fmt: skip
