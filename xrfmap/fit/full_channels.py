"""Pixels in which channels ran full, fitted without these channels; and words for spectra.

A counter that stops at its largest number loses counts of the main lines only. The rest of
the spectrum is sound, and the other lines of a family still tell its amount. Single spectra
are fitted without these channels by :mod:`xrfmap.spectra.left_out`; what that means for them
is said here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.cautions import by_place, listed
from xrfmap.fit.map_design import MapDesign
from xrfmap.fit.pixels import Design
from xrfmap.identification.identify import Found
from xrfmap.numbers import whole
from xrfmap.spectra.left_out import TRUSTED_SHARE, FullChannels

__all__ = [
    "TOUCHED_SHARE", "FullFacts", "amounts_together", "cut_design", "full_bins", "full_together",
]  # fmt: skip

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


@dataclass(frozen=True)
class FullFacts:
    """Where a single spectrum ran full, and what that does to its families.

    Attributes
    ----------
    channels : int
        How many channels were left out of its fit.
    low_kev, high_kev : float
        Energies of the first and the last of them. [keV]
    count : float or None
        At which count they ran full; None for a sum, in which some of the pixels did. [counts]
    less : dict of str to float
        Families of whose counts a part is left, and which share.
    none : list of str
        Families of which less than :data:`TRUSTED_SHARE` is left, so that they have no counts.
    """

    channels: int
    low_kev: float
    high_kev: float
    count: float | None
    less: dict[str, float]
    none: list[str]

    @classmethod
    def of(cls, spectrum: xr.Dataset, found: Found) -> FullFacts | None:
        """Look for them.

        Parameters
        ----------
        spectrum : Dataset
            ``counts(channel)`` as stored [counts], or a sum with ``left_out(channel)``.
        found : Found
            Its fit.

        Returns
        -------
        FullFacts or None
            None where no channel ran full.
        """
        full = FullChannels.of(spectrum)
        if full is None:
            return None
        energy = found.model.scale.energy(np.flatnonzero(full.channels))
        emitters = [e.label for e in found.model.emitters if e.kind == "element"]
        left = {label: float(found.fit.left(label)) for label in emitters}
        return cls(
            len(energy), float(energy[0]), float(energy[-1]), full.count,
            {n: s for n, s in left.items() if TRUSTED_SHARE <= s < 1 - TOUCHED_SHARE},
            [name for name, share in left.items() if share < TRUSTED_SHARE],
        )  # fmt: skip

    def words(self) -> str:
        """Say it of this one spectrum."""
        at = f" at {whole(self.count)} counts" if self.count is not None else ""
        one = f"the channel at {self.low_kev:.2f} keV"
        many = f"{whole(self.channels)} channels from {self.low_kev:.2f} to {self.high_kev:.2f} keV"
        where, are = (many, "are") if self.channels > 1 else (one, "is")
        inside = "" if self.count is not None else " in some of the pixels"
        parts = [f"{where} ran full{at}{inside} and {are} left out of the fit"]
        if self.less:
            shares = ", ".join(f"{n} ({100 * share:.0f} %)" for n, share in self.less.items())
            parts.append(
                f"net counts rest on what is left of the counts for {shares}, with a larger error"
            )
        if self.none:
            have, their = ("have", "their") if len(self.none) > 1 else ("has", "its")
            parts.append(
                f"{', '.join(self.none)} {have} no net counts, since less than "
                f"{100 * TRUSTED_SHARE:.0f} % of {their} counts are left"
            )
        return "; ".join([*parts, PILE_UP, AGAIN])


PILE_UP = "pile-up is worked out with the counts that the fit expects there"
AGAIN = "for better figures measure again for a shorter time or with less current"


def full_together(places: Sequence[tuple[str, FullFacts]]) -> str:
    """One caution on all areas and points of a study in which channels ran full.

    Parameters
    ----------
    places : sequence of (str, FullFacts)
        Name of each, and what is to be said of it.

    Returns
    -------
    str
        Of a single place in the words of :meth:`FullFacts.words`; of several with the
        elements that it touches, and in which of the places.
    """
    if len(places) == 1:
        return f"{places[0][0]}: {places[0][1].words()}"
    names = listed(name for name, _ in places)
    parts = [f"channels that ran full are left out of the fits of {names}"]
    less = {name: full.less for name, full in places}
    if any(less.values()):
        parts.append(
            "net counts rest on what is left of the counts, with a larger error, for "
            f"{by_place(less, _shares)}"
        )
    none = {name: dict.fromkeys(full.none, 0.0) for name, full in places}
    if any(none.values()):
        parts.append(
            f"less than {100 * TRUSTED_SHARE:.0f} % of the counts are left, and so there are no "
            f"net counts, for {by_place(none, lambda family, low, high: family)}"
        )
    return "; ".join([*parts, PILE_UP, AGAIN])


def amounts_together(places: Sequence[tuple[str, FullFacts]]) -> str:
    """Say the same of fits that were made for amounts alone."""
    return f"amounts of {full_together(places)}" if len(places) == 1 else (
        f"amounts: {full_together(places)}"
    )  # fmt: skip


def _shares(family: str, low: float, high: float) -> str:
    low, high = round(100 * low), round(100 * high)
    return f"{family} ({low} %)" if low == high else f"{family} ({low} to {high} %)"
