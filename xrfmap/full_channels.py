"""Pixels in which channels ran full: fitted without these channels.

A counter that stops at its largest number loses counts of the main lines only. The rest of
the spectrum is sound, and the other lines of a family still tell its amount. A single
spectrum in which that happened is fitted as it is, and the families that lost counts are
named: it was measured too long, and can be measured again.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.faults import full_count
from xrfmap.fit import Design
from xrfmap.map_design import MapDesign
from xrfmap.numbers import whole

__all__ = ["TOUCHED_SHARE", "TRUSTED_SHARE", "cut_design", "full_bins", "full_words"]

TRUSTED_SHARE = 0.05
"""Share of a family's counts that must be left outside the full channels: the K-beta lines
are about a tenth of a K family. With less, the tail of a peak would decide."""

TOUCHED_SHARE = 0.05
"""Share of a family's counts in full channels from which its net counts are called too low."""


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
        len(lines),
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


def full_words(counts: npt.NDArray[Any], spectra: xr.Dataset) -> str:
    """Say where a single spectrum ran full, and which families lost counts by that.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Counts as stored. [counts]
    spectra : Dataset
        Its fit, see :func:`xrfmap.maps.summed_spectra`.

    Returns
    -------
    str
        Empty where no channel ran full, see :func:`xrfmap.faults.full_count`.
    """
    full = full_count(counts.dtype, counts)
    if full is None:
        return ""
    over = np.greater_equal(counts, full)
    energy = spectra["energy"].values[over]
    number = int(over.sum())
    where = (
        f"{number} channels from {energy[0]:.2f} to {energy[-1]:.2f} keV"
        if number > 1
        else f"the channel at {energy[0]:.2f} keV"
    )
    parts = np.nan_to_num(spectra["component_counts"].transpose("component", "channel").values)
    total = parts.sum(axis=1)
    share = np.divide(parts[:, over].sum(axis=1), total, out=np.zeros(len(total)), where=total > 0)
    names = [str(n) for n in spectra["component"].values[share >= TOUCHED_SHARE]]
    lost = f"; net counts of {', '.join(n for n in names if n != 'continuum')} are too low" * any(
        n != "continuum" for n in names
    )
    return (
        f"{where} ran full at {whole(full)} counts{lost}, and their neighbours and the energy "
        "scale are less sure: measure again for a shorter time or with less current"
    )
