"""Where along a gain drift each component of a summed spectrum was counted.

The peaks of a sum are the peaks of its rows, each at its own scale; but lead that lies at
the foot of a picture was counted at other scales than calcium at its head. Were all
families drawn with the weights of all counts, the fit would make up for the wrong places
by widths, tails and line ratios. So the rows are taken together in a few groups of like
scale, the spectrum of each group is fitted at its scale, and what each family has there
are its weights. Counts stay in their channels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.refine import fit_sum
from xrfmap.row_scales import RowScales, shifted
from xrfmap.sums import row_spectra
from xrfmap.templates import SpectrumModel

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
    """

    drift: RowScales
    spectra: Array
    row_counts: Array

    @classmethod
    def of(cls, scan: xr.Dataset) -> RowMixture | None:
        """Read the rows of a scan once; None where no drift was found."""
        drift = RowScales.of(scan)
        if drift is None:
            return None
        rows, group = row_spectra(scan), drift.sum_groups()
        spectra = np.zeros((group.max() + 1, rows.shape[1]))
        np.add.at(spectra, group, rows)
        return cls(drift, spectra, rows.sum(axis=1))

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
        amount, error = (np.array(part) for part in zip(*fitted, strict=True))
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
            usual = total * part
            spread = UNEVEN * usual
            mine = (amount[:, k] / error[:, k] ** 2 + usual / spread**2) / (
                error[:, k] ** -2 + spread**-2
            )
            # from group to group the share of a family changes gradually; no group loses any
            share = (mine / self.spectra[counted].sum(axis=1))[order]
            in_rows = np.interp(place, middle[order], share) * self.row_counts
            kept = np.bincount(group, in_rows, len(self.spectra))[counted]
            factor = np.zeros(len(self.spectra))
            factor[counted] = mine / np.maximum(kept, 1e-300)
            own[emitter.label] = self.drift.shifts(in_rows * factor[group])
        return replace(model, shifts=self.drift.shifts(self.row_counts), own_shifts=own)

    def _places(self) -> Array:
        """Where a peak at :data:`MIDDLE_KEV` lies in each row against its mean place, in keV."""
        return np.asarray((self.drift.gain_factor - 1) * MIDDLE_KEV + self.drift.zero_shift)

    def _fitted(
        self, model: SpectrumModel, spectrum: Array, rows: npt.NDArray[np.bool_]
    ) -> tuple[Array, Array]:
        """Net counts of every emitter in a group of rows, and errors."""
        weight = self.row_counts[rows]
        gain, zero = (
            float(np.average(part[rows], weights=weight))
            for part in (self.drift.gain_factor, self.drift.zero_shift)
        )
        at = model.at(shifted(model.scale, gain, zero))
        fit = fit_sum(spectrum, at, model_error=FIT_ERROR)
        size = len(model.emitters)
        # an error of nothing: a family whose column lies outside the range
        return fit.amplitude[:size], np.maximum(fit.error[:size], 1.0)
