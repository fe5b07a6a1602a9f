"""Pixels in which channels ran full: fitted without these channels.

A counter that stops at its largest number loses counts of the main lines only. The rest of
the spectrum is sound, and the other lines of a family still tell its amount.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from xrfmap.fit import Design
from xrfmap.map_design import MapDesign

__all__ = ["TRUSTED_SHARE", "cut_design", "full_bins"]

TRUSTED_SHARE = 0.05
"""Share of a family's counts that must be left outside the full channels: the K-beta lines
are about a tenth of a K family. With less, the tail of a peak would decide."""


def full_bins(
    largest: npt.ArrayLike, full: float, edges: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Bins with a channel that ran full in some pixel.

    Parameters
    ----------
    largest : array_like, shape (channels,)
        Largest count of any pixel, per channel. [counts]
    full : float
        Count at which a channel is full. [counts]
    edges : ndarray of int, shape (bins + 1,)
        Borders of the bins.

    Returns
    -------
    ndarray of bool, shape (bins,)
        True where any channel of the bin is full.
    """
    over = np.asarray(largest) >= full
    return np.asarray(np.add.reduceat(over[: edges[-1]].astype(np.int64), edges[:-1]) > 0)


def cut_design(
    plan: MapDesign, full: npt.NDArray[np.bool_]
) -> tuple[MapDesign, npt.NDArray[np.intp]]:
    """Design without the full bins.

    Parameters
    ----------
    plan : MapDesign
        Design of the other pixels.
    full : ndarray of bool, shape (bins,)
        Bins to leave out.

    Returns
    -------
    MapDesign, and ndarray of int
        Design whose channels are the bins that are left, merged beforehand; and which lines
        of `plan` it has. Families with less than :data:`TRUSTED_SHARE` of their counts left
        stay in the model, so that neighbours are not wronged, but not among its lines.
    """
    matrix = plan.design.matrix[~full]
    left = matrix.sum(axis=0) / plan.design.matrix.sum(axis=0)
    lines = np.flatnonzero(left[: len(plan.lines)] >= TRUSTED_SHARE)
    others = np.setdiff1d(np.flatnonzero(left > 1e-6), lines)
    columns = np.concatenate([lines, others])
    design = Design(
        np.ascontiguousarray(matrix[:, columns]),
        np.arange(len(matrix) + 1),
        tuple(plan.design.labels[k] for k in columns),
    )
    cut = replace(
        plan,
        design=design,
        lines=tuple(plan.lines[k] for k in lines),
        typical=plan.typical[~full],
        deviations=plan.deviations[~full][:, lines],
        cut=True,
    )
    return cut, lines
