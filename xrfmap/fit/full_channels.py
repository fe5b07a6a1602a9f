"""Pixels in which channels ran full, fitted without these channels; and words for spectra.

A counter that stops at its largest number loses counts of the main lines only. The rest of
the spectrum is sound, and the other lines of a family still tell its amount. Single spectra
are fitted without these channels by :mod:`xrfmap.spectra.left_out`; what that means for them
is said here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.fit.map_design import MapDesign
from xrfmap.fit.pixels import Design
from xrfmap.identification.identify import Found
from xrfmap.numbers import whole
from xrfmap.spectra.left_out import TRUSTED_SHARE, FullChannels

__all__ = ["TOUCHED_SHARE", "cut_design", "full_bins", "full_words"]

TOUCHED_SHARE = 0.05
"""Share of a family's counts in channels left out from which it is told."""


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
        owed=None if plan.owed is None else plan.owed[lines],
        cut=True,
    )
    return cut, lines


def full_words(spectrum: xr.Dataset, found: Found) -> str:
    """Say where a single spectrum ran full, and what that does to its families.

    Parameters
    ----------
    spectrum : Dataset
        ``counts(channel)`` as stored [counts], or a sum with ``left_out(channel)``.
    found : Found
        Its fit.

    Returns
    -------
    str
        Empty where no channel ran full.
    """
    full = FullChannels.of(spectrum)
    if full is None:
        return ""
    energy = found.model.scale.energy(np.flatnonzero(full.channels))
    at = f" at {whole(full.count)} counts" if full.count is not None else ""
    one = f"the channel at {energy[0]:.2f} keV"
    many = f"{len(energy)} channels from {energy[0]:.2f} to {energy[-1]:.2f} keV"
    where, are = (many, "are") if len(energy) > 1 else (one, "is")
    inside = "" if full.count is not None else " in some of the pixels"
    left = {e.label: found.fit.left(e.label) for e in found.model.emitters if e.kind == "element"}
    none = [name for name, share in left.items() if share < TRUSTED_SHARE]
    less = [name for name, share in left.items() if TRUSTED_SHARE <= share < 1 - TOUCHED_SHARE]
    parts = [f"{where} ran full{at}{inside} and {are} left out of the fit"]
    if less:
        shares = ", ".join(f"{name} ({100 * left[name]:.0f} %)" for name in less)
        parts.append(
            f"net counts rest on what is left of the counts for {shares}, with a larger error"
        )
    if none:
        have, their = ("have", "their") if len(none) > 1 else ("has", "its")
        parts.append(
            f"{', '.join(none)} {have} no net counts, since less than "
            f"{100 * TRUSTED_SHARE:.0f} % of {their} counts are left"
        )
    parts.append("pile-up is worked out with the counts that the fit expects there")
    parts.append("for better figures measure again for a shorter time or with less current")
    return "; ".join(parts)
