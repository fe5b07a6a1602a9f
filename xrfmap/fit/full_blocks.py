"""Blocks of pixels in which channels ran full: found while the blocks are summed.

A scan says beforehand whether any of its pixels ran full, and in which channels. Only these
are looked at again, so that a scan without any costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.spectra.faults import full_count
from xrfmap.spectra.left_out import full_runs
from xrfmap.spectra.sums import scan_sums

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = ["FullKinds", "FullWatch"]

Mask = npt.NDArray[np.bool_]

MOST_KINDS = 8
"""Sets of peaks for which blocks are fitted apart; each takes a design of its own."""

ROWS = 2000
"""Blocks judged at once; bounds the memory."""


@dataclass(frozen=True, eq=False)
class FullKinds:
    """Which channels each of many blocks is fitted without.

    Attributes
    ----------
    masks : ndarray of bool, shape (kinds, channels)
        Channels to leave out; none in the first kind.
    kind : ndarray of int, shape (blocks,)
        Kind of each block.
    """

    masks: Mask
    kind: npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class FullWatch:
    """Where pixels of a scan ran full, and how to count them block by block.

    Attributes
    ----------
    count : float
        Count at which a channel is full. [counts]
    channels : ndarray of int, shape (watched,)
        Channels in which any pixel ran full, rising.
    size : int
        Channels of the scan.
    """

    count: float
    channels: npt.NDArray[np.intp]
    size: int

    @classmethod
    def of(cls, scan: xr.Dataset, found: Found) -> FullWatch | None:
        """Look for full channels.

        Parameters
        ----------
        scan : Dataset
            ``counts(y, x, channel)``.
        found : Found
            Its elements; their summary tells. Without one the scan is gone through. Channels
            outside the fitted range are of no concern.

        Returns
        -------
        FullWatch or None
            None where no such channel of any pixel ran full.
        """
        counts, summary = scan["counts"], found.summary
        if summary is not None and summary.total.shape == (scan.sizes["y"], scan.sizes["x"]):
            largest = np.asarray(summary.max_counts)
        else:
            largest = scan_sums(scan).largest
        full = full_count(counts.dtype, largest)
        if full is None:
            return None
        first, last = int(found.fit.edges[0]), int(found.fit.edges[-1])
        channels = first + np.flatnonzero(largest[first:last] >= full)
        return cls(full, channels, len(largest)) if len(channels) else None

    def at_full(self, block: npt.NDArray[Any]) -> Mask:
        """Tell which pixels, shape (..., channels), are full in the watched channels."""
        return np.asarray(block[..., self.channels] >= self.count)

    def left_out(self, number: npt.NDArray[Any], sums: npt.NDArray[Any]) -> Mask:
        """Watched channels that sums should do without.

        Parameters
        ----------
        number : ndarray of int, shape (sums, watched)
            Pixels that ran full.
        sums : ndarray, shape (sums, channels)
            Their sums. [counts]

        Returns
        -------
        ndarray of bool, shape (sums, watched)
            By the rule of :meth:`xrfmap.spectra.left_out.Tops.full`.
        """
        apart = np.concatenate([[False], np.diff(self.channels) > 1])
        place = np.arange(len(self.channels)) + np.cumsum(apart)  # gaps between the runs
        result = np.zeros(number.shape, dtype=bool)
        for first in range(0, len(number), ROWS):
            rows = slice(first, first + ROWS)
            shape = len(number[rows]), int(place[-1]) + 1
            held, total = np.zeros((2, *shape))
            held[:, place] = number[rows] * self.count
            total[:, place] = sums[rows][:, self.channels]
            result[rows] = full_runs(held > 0, held, total)[:, place]
        return result

    def spread(self, watched: Mask) -> Mask:
        """Lay watched channels, shape (..., watched), out over all channels."""
        result = np.zeros((*watched.shape[:-1], self.size), dtype=bool)
        result[..., self.channels] = watched
        return result

    def kinds(self, left_out: Mask) -> FullKinds | None:
        """Sort blocks by the peaks that ran full in them.

        Parameters
        ----------
        left_out : ndarray of bool, shape (blocks, watched)
            From :meth:`left_out`.

        Returns
        -------
        FullKinds or None
            None where no block has any. A peak is a run of channels that any block does
            without. Blocks that lost more than half of it do without all of it, and the others
            without what these others lost together: a channel that was just not full by chance,
            beside others that were, would pull the peak down. Of more than :data:`MOST_KINDS`
            sets of peaks the rare ones do without all of them.
        """
        every = left_out.any(axis=0)
        if not every.any():
            return None
        marked = np.flatnonzero(every)
        peak = np.cumsum(np.concatenate([[True], np.diff(self.channels[marked]) > 1])) - 1
        level = np.zeros((len(left_out), int(peak[-1]) + 1), dtype=np.int8)
        masks = np.zeros((3, len(self.channels)), dtype=bool)  # by level: none, a part, all
        masks[2] = every
        for number in range(level.shape[1]):
            own = marked[peak == number]
            lost = left_out[:, own].sum(axis=1)
            level[:, number] = np.where(lost == 0, 0, np.where(2 * lost <= len(own), 1, 2))
            masks[1, own] = left_out[np.ix_(level[:, number] == 1, own)].any(axis=0)
        sets, kind, many = np.unique(level, axis=0, return_inverse=True, return_counts=True)
        kind = kind.reshape(-1)
        rare = np.argsort(-many, kind="stable")[MOST_KINDS - 1 :]
        if len(rare) > 1:
            level[np.isin(kind, rare) & level.any(axis=1)] = 2
            sets, kind = np.unique(level, axis=0, return_inverse=True)
            kind = kind.reshape(-1)
        if sets[0].any():  # the first is that of no peak
            sets, kind = np.concatenate([np.zeros_like(sets[:1]), sets]), kind + 1
        watched = np.zeros((len(sets), len(self.channels)), dtype=bool)
        watched[:, marked] = masks[sets[:, peak], marked]
        return FullKinds(self.spread(watched), kind)
