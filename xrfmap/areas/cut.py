"""Designs of the blocks of two areas that are compared, and of an area's sum.

Without channels that ran full, and where the gain drifted as its rows have it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from xrfmap.spectra.sum_fit import merge, nonnegative

if TYPE_CHECKING:
    from xrfmap.fit.map_design import MapDesign
    from xrfmap.identification.identify import Found
    from xrfmap.physics.lineshape import EnergyScale
    from xrfmap.spectra.emitters import Emitter
    from xrfmap.spectra.templates import SpectrumModel

__all__ = ["BlockCut", "full_energies", "weighted_fit"]

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
    scales : tuple of (float, EnergyScale)
        Share of the counts at each energy scale, where the gain drifted; else empty.
    """

    whole: MapDesign
    plan: MapDesign
    lines: npt.NDArray[np.intp]
    used: Mask | None  # (bins,)
    leakage: Array
    own: Array
    scales: tuple[tuple[float, EnergyScale], ...] = ()

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

    @classmethod
    def of_area(cls, cuts: Sequence[BlockCut], sums: Array) -> BlockCut:
        """Give the design of the sum of an area over rows of several energy scales.

        Parameters
        ----------
        cuts : sequence of BlockCut
            Designs of the groups of rows.
        sums : ndarray, shape (groups, channels)
            What each of them brings into the sum. [counts]

        Returns
        -------
        BlockCut
            Each column is the mean of those of the groups, weighted by the counts that it has
            in each of them: lead lies where its rows have it, though more of it may lie in some
            of them than of iron. So are leakage and `own`.
        """
        merged = [cut.merged(one) for cut, one in zip(cuts, sums, strict=True)]
        held = [(cut, data) for cut, data in zip(cuts, merged, strict=True) if data.any()]
        if len(held) < 2:
            return held[0][0] if held else cuts[0]
        used, total = [cut for cut, _ in held], np.array([data.sum() for _, data in held])
        first = used[0]
        lines = np.flatnonzero(np.all([cut.known for cut in cuts], axis=0))
        names = _in_all([cut.plan.design.labels for cut in used], first.whole.lines, lines)
        places = [[cut.plan.design.labels.index(n) for n in names] for cut in used]
        parts = [cut.plan.design.matrix[:, at] for cut, at in zip(used, places, strict=True)]
        share = np.array([weighted_fit(m, d) for m, (_, d) in zip(parts, held, strict=True)])
        share[:, share.sum(axis=0) <= 0] = total[:, None]
        share /= share.sum(axis=0)
        changes = [
            cut.plan.deviations[:, at[: len(lines)]] for cut, at in zip(used, places, strict=True)
        ]
        by_family = np.tile((total / total.sum())[:, None], len(first.whole.lines))
        by_family[:, lines] = share[:, : len(lines)]
        design = replace(
            first.plan.design, matrix=np.ascontiguousarray(_mean(parts, share)),
            labels=tuple(names), judged=len(lines),
        )  # fmt: skip
        plan = replace(
            first.plan, design=design, lines=tuple(names[: len(lines)]),
            deviations=_mean(changes, share[:, : len(lines)]), owed=None,
        )  # fmt: skip
        scales = zip(total / total.sum(), used, strict=True)
        return cls(
            first.whole, plan, lines, first.used,
            _mean([cut.leakage for cut in used], by_family),
            _mean([cut.own for cut in used], by_family),
            tuple((float(w), cut.whole.scale) for w, cut in scales if cut.whole.scale is not None),
        )  # fmt: skip

    @property
    def known(self) -> Mask:
        """Which families have a number, shape (families,)."""
        return np.isin(np.arange(len(self.whole.lines)), self.lines)

    def merged(self, spectrum: Array) -> Array:
        """Merge a spectrum, shape (channels,), into the bins that are left."""
        bins = merge(spectrum, self.whole.design.edges)
        return bins if self.used is None else bins[self.used]

    def column(self, model: SpectrumModel, emitter: Emitter) -> Array:
        """Spectrum of an emitter for one net count, in the bins that are left, shape (bins,)."""
        scales = self.scales or ((1.0, self.whole.scale or model.scale),)
        parts = [share * self.merged(model.at(one).column(emitter)) for share, one in scales]
        return np.asarray(np.sum(parts, axis=0))

    def spectra(self, sums: Array) -> Array:
        """Give the sums as the design takes them."""
        return sums if self.used is None else self.whole.design.merge(sums)[:, self.used]


def _mean(parts: Sequence[Array], share: Array) -> Array:
    """Mean of the columns of parts, each with its own shares, shape (parts, columns)."""
    return np.asarray(np.sum([one * w for one, w in zip(parts, share, strict=True)], axis=0))


def _in_all(
    labels: Sequence[Sequence[str]], families: Sequence[str], lines: npt.NDArray[np.intp]
) -> list[str]:
    """Names of columns that all designs have, these lines first."""
    names = [families[k] for k in lines]
    return names + [n for n in labels[0] if n not in names and all(n in other for other in labels)]


def weighted_fit(matrix: Array, data: Array, relative: Array | float = 0.0) -> Array:
    """Amplitudes of least squares, at zero or above, shape (columns,).

    Parameters
    ----------
    matrix : ndarray, shape (bins, columns)
        Columns.
    data : ndarray, shape (bins,)
        Counts, not all zero. [counts]
    relative : ndarray, shape (bins,), or float
        Relative error of the columns.

    Returns
    -------
    ndarray, shape (columns,)
        Weighted by the counts, then by what is fitted to them.
    """
    expected = np.maximum(data, 1e-3 * data.mean())
    amplitude = np.zeros(matrix.shape[1])
    for _ in range(2):
        root = 1 / np.sqrt(expected + (relative * expected) ** 2)
        amplitude = nonnegative(matrix * root[:, None], data * root)
        expected = np.maximum(matrix @ amplitude, 1e-3 * data.mean())
    return amplitude
