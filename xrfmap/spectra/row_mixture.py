"""Where along a gain drift each component of a summed spectrum was counted.

The peaks of a sum are the peaks of its rows, each at its own scale; but lead that lies at
the foot of a picture was counted at other scales than calcium at its head. Were all
families drawn with the weights of all counts, the fit would make up for the wrong places
by widths, tails and line ratios. So the rows are taken together in a few groups of like
scale, the spectrum of each group is fitted at its scale, and what each family has there
are its weights. Within a group the rows themselves say where the family lies: families
that are placed 0.05 eV wrong against each other make a trace beside them wrong by a few per
cent. Counts stay in their channels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.row_scales import RowScales, shifted
from xrfmap.spectra.sum_fit import SumFit, fit_sum, merge
from xrfmap.spectra.sums import row_spectra
from xrfmap.spectra.templates import SpectrumModel

__all__ = ["RowMixture"]

Array = npt.NDArray[np.float64]

SURE = 5.0
"""Standard errors from which a family has a place of its own; else it lies where all does."""

FIT_ERROR = 0.01
"""Relative error granted to shapes that are not refined yet."""

MIDDLE_KEV = 8.0
"""Energy by which rows are put in order, from those whose peaks lie low to those with high."""

UNEVEN = 1.0
"""How unevenly a family is expected to lie, before its counts are seen: relative spread of
its share of a group of rows about the share that the group has of all counts."""


COMPTON_KEV = 0.3
"""Width (FWHM) of a Compton hump beyond the detector's, at the least."""


@dataclass(frozen=True, eq=False)
class RowMixture:
    """Spectra of groups of rows of like scale.

    Attributes
    ----------
    drift : RowScales
        Energy scale of each row.
    spectra : ndarray, shape (groups, channels)
        Counts of each group of rows, see :meth:`RowScales.sum_groups`. [counts]
    row_counts : ndarray, shape (y,)
        Counts of each row. [counts]
    rows : ndarray, shape (y, channels), optional
        Spectrum of each row; without them a family is taken to change gradually along the
        drift within a group. [counts]
    """

    drift: RowScales
    spectra: Array
    row_counts: Array
    rows: Array | None = None

    @classmethod
    def of(cls, scan: xr.Dataset) -> RowMixture | None:
        """Read the rows of a scan once; None where no drift was found."""
        drift = RowScales.of(scan)
        if drift is None:
            return None
        rows, group = row_spectra(scan), drift.sum_groups()
        spectra = np.zeros((group.max() + 1, rows.shape[1]))
        np.add.at(spectra, group, rows)
        return cls(drift, spectra, rows.sum(axis=1), rows)

    def placed(self, model: SpectrumModel) -> SpectrumModel:
        """Give each emitter of a model the scales that it was counted at.

        Parameters
        ----------
        model : SpectrumModel
            Model of the sum of all rows.

        Returns
        -------
        SpectrumModel
            With `shifts` for what is weak, and `own_shifts` for each emitter whose counts
            are sure. A share of a group is the mean of the fitted one and of the share that
            the group has of all counts, weighed by their errors.
        """
        group = self.drift.sum_groups()
        counted = np.flatnonzero(np.bincount(group, self.row_counts, len(self.spectra)) > 0)
        fitted = [self._fitted(model, self.spectra[g], group == g) for g in counted]
        amount, error = (np.array([getattr(f, n) for f in fitted]) for n in ("amount", "error"))
        part = self.spectra[counted].sum(axis=1) / self.spectra.sum()
        place = self._places()
        middle = np.array([np.average(place[group == g], weights=self.row_counts[group == g])
                           for g in counted])  # fmt: skip
        order = np.argsort(middle)
        own = {}
        for k, emitter in enumerate(model.emitters):
            total = float(amount[:, k].sum())
            if total < SURE * float(np.sqrt(np.sum(error[:, k] ** 2))):
                continue
            mine = _between(amount[:, k], error[:, k], total * part)
            # from group to group the share of a family changes gradually; no group loses any
            share = (mine / self.spectra[counted].sum(axis=1))[order]
            in_rows = np.interp(place, middle[order], share) * self.row_counts
            for g, fit, whole in zip(counted, fitted, mine, strict=True):
                in_rows[group == g] = _within(in_rows[group == g], fit, k, whole)
            wide = COMPTON_KEV if emitter.kind == "compton" else 0.0
            own[emitter.label] = self.drift.shifts(in_rows, _highest(emitter), wide)
        return replace(model, shifts=self.drift.shifts(self.row_counts), own_shifts=own)

    def _places(self) -> Array:
        """Where a peak at :data:`MIDDLE_KEV` lies in each row against its mean place, in keV."""
        return np.asarray((self.drift.gain_factor - 1) * MIDDLE_KEV + self.drift.zero_shift)

    def _fitted(self, model: SpectrumModel, spectrum: Array, rows: npt.NDArray[np.bool_]) -> _Group:
        """Net counts of every emitter in a group of rows, and in each of its rows."""
        weight = self.row_counts[rows]
        gain, zero = (
            float(np.average(part[rows], weights=weight))
            for part in (self.drift.gain_factor, self.drift.zero_shift)
        )
        at = model.at(shifted(model.scale, gain, zero))
        fit = fit_sum(spectrum, at, model_error=FIT_ERROR)
        size = len(model.emitters)
        # an error of nothing: a family whose column lies outside the range
        whole = _Group(fit.amplitude[:size], np.maximum(fit.error[:size], 1.0))
        if self.rows is None or rows.sum() < 2:
            return whole
        off = np.outer(self.drift.gain_factor[rows] / gain - 1, np.arange(model.channels))
        off += (self.drift.zero_shift[rows] - zero)[:, None] / at.scale.kev_per_channel
        return replace(whole, rows=_in_rows(fit, self.rows[rows], off, at.channels, size))


@dataclass(frozen=True, eq=False)
class _Group:
    """Net counts and errors of every emitter in a group of rows.

    `rows`: the same in each row, two arrays of shape (rows, emitters).
    """

    amount: Array
    error: Array
    rows: tuple[Array, Array] | None = None


def _between(amount: Array, error: Array, usual: Array) -> Array:
    """Mean of what was found and what is usual, weighed by their errors."""
    spread = np.maximum(UNEVEN * usual, 1e-3)
    return np.asarray((amount / error**2 + usual / spread**2) / (error**-2 + spread**-2))


def _within(smooth: Array, fit: _Group, k: int, whole: float) -> Array:
    """Spread `whole` counts of an emitter over the rows of a group."""
    total = float(smooth.sum())
    if total <= 0:
        return smooth
    smooth = smooth * (whole / total)
    if fit.rows is None:
        return np.asarray(smooth)
    amount, error = (part[:, k] for part in fit.rows)
    seen = np.maximum(_between(amount, error, smooth), 0.0)
    return np.asarray(seen * (whole / max(float(seen.sum()), 1e-300)))


def _in_rows(
    fit: SumFit, spectra: Array, off: Array, channels: int, size: int
) -> tuple[Array, Array]:
    """Net counts of the first `size` components in rows, and errors from counting.

    Least squares with the weights of the group and with its components. That a row's scale
    differs from the mean of the group by `off` channels is put right to first order: twice,
    since the slope is that of the row's own fit.
    """
    free = fit.amplitude > 0
    design = fit.matrix[:, free]
    weighed = design / fit.variance[:, None]
    solve = np.linalg.pinv(weighed.T @ design, hermitian=True) @ weighed.T
    data = np.stack([merge(row, fit.edges) for row in spectra])
    width = np.diff(fit.edges)
    centre = 0.5 * (fit.edges[1:] + fit.edges[:-1] - 1)
    at = np.minimum(centre.astype(np.intp), channels - 1)
    found = data @ solve.T
    for _ in range(2):
        density = (found @ design.T) / width
        slope = np.gradient(density, centre, axis=1)
        moved = width * slope * off[:, at]
        found = (data - moved) @ solve.T
    amount, error = np.zeros((2, len(spectra), len(free)))
    amount[:, free] = found
    error[:, free] = np.sqrt(np.maximum(data, 1.0) @ (solve.T**2))
    return amount[:, :size], np.maximum(error[:, :size], 1.0)


def _highest(emitter: Emitter) -> float:
    """Highest energy of the lines that count. [keV]."""
    counts = emitter.weights > 0.02 * emitter.weights.max()
    return float(emitter.energies[counts].max())
