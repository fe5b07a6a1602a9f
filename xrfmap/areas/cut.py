"""Channels that ran full, left out of the spectra of blocks of two areas that are compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from xrfmap.spectra.sum_fit import merge

if TYPE_CHECKING:
    from xrfmap.fit.map_design import MapDesign
    from xrfmap.identification.identify import Found

__all__ = ["BlockCut", "full_energies"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


def full_energies(full: Mask, found: Found) -> str:
    """Energies of channels that ran full, in words."""
    ends = np.flatnonzero(np.diff(np.concatenate([[False], full, [False]]).astype(np.int8)))
    energy = found.model.scale.energy
    spans = [
        f"{energy(a):.2f}–{energy(b - 1):.2f}" if b - a > 1 else f"{energy(a):.2f}"
        for a, b in ends.reshape(-1, 2)
    ]
    return f"{', '.join(spans)} keV"


@dataclass(frozen=True, eq=False)
class BlockCut:
    """Design of blocks, perhaps without channels that ran full.

    Attributes
    ----------
    whole, plan : MapDesign
        Design before and after.
    lines : ndarray of int
        Families of the whole design that have a number.
    used : ndarray of bool, shape (bins,), or None
        Bins that are left; None for all.
    leakage : ndarray, shape (families, families)
        See :attr:`xrfmap.fit.map_design.MapDesign.leakage`; on the diagonal what a family's own
        line ratio does to its counts, which is little while all its lines are fitted.
    own : ndarray, shape (families,)
        Relative error of each family, as its line ratios vary, that leaving out bins adds.
    """

    whole: MapDesign
    plan: MapDesign
    lines: npt.NDArray[np.intp]
    used: Mask | None  # (bins,)
    leakage: Array
    own: Array

    @classmethod
    def none(cls, plan: MapDesign) -> BlockCut:
        """Leave all as it is."""
        lines = np.arange(len(plan.lines))
        leakage = replace(plan, cut=True, owed=None).leakage
        return cls(plan, plan, lines, None, leakage, np.zeros(len(lines)))

    @classmethod
    def of(cls, plan: MapDesign, full: Mask) -> BlockCut:
        """Leave out channels, shape (channels,)."""
        from xrfmap.fit.full_channels import cut_design, full_bins

        gone = full_bins(full, 1.0, plan.design.edges)
        if not gone.any():
            return cls.none(plan)
        left, lines = cut_design(plan, gone)
        leakage, own = np.zeros_like(plan.leakage), np.zeros(len(plan.lines))
        # a wrong line ratio moves a whole family's counts a little, too: what the cut adds
        before = np.diag(replace(plan, cut=True, owed=None).leakage)[lines]
        own[lines] = np.abs(np.diag(replace(left, owed=None).leakage) - before)
        leakage[np.ix_(lines, lines)] = left.leakage
        leakage[lines, lines] = before
        return cls(plan, left, lines, ~gone, leakage, own)

    @property
    def known(self) -> Mask:
        """Which families have a number, shape (families,)."""
        return np.isin(np.arange(len(self.whole.lines)), self.lines)

    def merged(self, spectrum: Array) -> Array:
        """Merge a spectrum, shape (channels,), into the bins that are left."""
        bins = merge(spectrum, self.whole.design.edges)
        return bins if self.used is None else bins[self.used]

    def spectra(self, sums: Array) -> Array:
        """Give the sums as the design takes them."""
        return sums if self.used is None else self.whole.design.merge(sums)[:, self.used]
