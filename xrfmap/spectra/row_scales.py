"""Energy scales of the rows of a scan whose gain drifts, and what to do with them.

A drift is put into the templates: rows of nearly the same scale share a design, and the
spectrum summed over all rows is described by peaks drawn at each of these scales. Counts
stay in the channels where they were counted, since moving them would spoil their Poisson
statistics. A scan without drift carries none of this.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.physics.lineshape import FWHM_PER_SIGMA, EnergyScale

__all__ = ["RowScales", "Shift", "drift_attrs", "shifted", "with_drift", "with_drift_attrs"]

Array = npt.NDArray[np.float64]

Shift = tuple[float, float, float]
"""Weight, factor on the gain, and shift of the zero [keV] of one energy scale."""

REFERENCE_KEV = 20.0
FINE_KEV = 0.015
"""Rows share a design if they agree within this at 20 keV, where a peak is 0.2 keV wide
(FWHM): half of it, an eleventh of the standard deviation, loses less than 0.1 % of a peak."""

COARSE_KEV = 0.04
"""The same for the groups whose spectra say where each family lies."""

PARTS = 4
"""Groups of that kind at the least, where rows differ by that much."""

USUAL = EnergyScale(0.0, 0.02)
"""Peak width of a usual detector, against which the spread of rows is wide or narrow."""

SPREADS = (0.32, 0.65, 0.95, 1.25)
"""Spread of the places of a peak over the rows, in standard deviations of the peak, up to which
2, 3, 4 and 5 scales draw the peak of a sum to a thousandth of its height: n scales match the
first 2 n - 1 moments, and of evenly spread rows the next one is 0.1 s^4, 0.013 s^6 ... off."""

MOST_SCALES = 12
TINY_KEV = 1e-5

DRIFT = ("gain_factor", "zero_shift")
ATTRIBUTE = "calibration_drift"


def shifted(scale: EnergyScale, gain_factor: float, zero_shift_kev: float) -> EnergyScale:
    """Energy scale with its gain multiplied and its zero moved."""
    return replace(
        scale,
        zero_kev=scale.zero_kev + zero_shift_kev,
        kev_per_channel=scale.kev_per_channel * gain_factor,
    )


@dataclass(frozen=True, eq=False)
class RowScales:
    """Energy scale of each row against that of the scan.

    Attributes
    ----------
    gain_factor : ndarray, shape (y,)
        Factor on the gain.
    zero_shift : ndarray, shape (y,)
        Shift of the zero. [keV]
    """

    gain_factor: Array
    zero_shift: Array

    @classmethod
    def of(cls, scan: xr.Dataset) -> RowScales | None:
        """Row scales of a scan; None where no drift was found."""
        if any(name not in scan for name in DRIFT):
            return None
        return cls(*(np.asarray(scan[name], dtype=np.float64) for name in DRIFT))

    def groups(self, step_kev: float = FINE_KEV) -> tuple[npt.NDArray[np.intp], list[Shift]]:
        """Rows of nearly the same scale.

        Parameters
        ----------
        step_kev : float
            Rows that agree within this at 20 keV and in the zero share a group. [keV]

        Returns
        -------
        ndarray of int, shape (y,), and list of Shift
            Group of each row; mean scale of each group, with its share of the rows.
        """
        return self._grouped(np.ones(len(self.gain_factor)), step_kev)

    def shifts(
        self,
        counts: npt.ArrayLike | None = None,
        energy_kev: float = REFERENCE_KEV,
        extra_fwhm_kev: float = 0.0,
    ) -> tuple[Shift, ...]:
        """Scales that a peak of a spectrum summed over rows is made of.

        Parameters
        ----------
        counts : array_like, shape (y,), optional
            Counts that each row brought into the sum; alike by default. [counts]
        energy_kev : float
            Energy of the peak; those below do with fewer scales. [keV]
        extra_fwhm_kev : float
            Width of the peak beyond that which the detector gives it. [keV]

        Returns
        -------
        tuple of Shift
            As few as draw the peak to about a thousandth of its height, see
            :data:`SPREADS`. Weights sum to one; empty where no row brought a count.

        Notes
        -----
        The scales are the nodes of a Gauss quadrature over the rows, so that place, width,
        skewness and so on of the peak are exactly those of the sum: G. H. Golub and J. H.
        Welsch, "Calculation of Gauss quadrature rules", Math. Comp. 23, 221 (1969), with the
        recurrence of Stieltjes, from memory.
        """
        weight = np.ones(len(self.gain_factor)) if counts is None else np.asarray(counts, float)
        if not weight.sum() > 0:
            return ()
        weight = weight / weight.sum()
        gain, zero = float(weight @ self.gain_factor), float(weight @ self.zero_shift)
        place = (self.gain_factor - gain) * energy_kev + self.zero_shift - zero
        variance = float(weight @ place**2)
        if variance < TINY_KEV**2:
            return ((1.0, gain, zero),)
        width = float(np.hypot(USUAL.fwhm(energy_kev), extra_fwhm_kev))
        spread = np.sqrt(variance) * FWHM_PER_SIGMA / width
        number = int(np.searchsorted(SPREADS, spread)) + 2
        if spread > SPREADS[-1]:
            number = min(int(np.ceil(4 * spread)) + 1, MOST_SCALES)
        at, share = _quadrature(place, weight, number)
        # gain and zero go with the place as they do over the rows
        slope = float(weight @ (place * self.gain_factor)) / variance
        gains = gain + slope * at
        zeros = zero + (1 - slope * energy_kev) * at
        return tuple(
            (float(w), float(g), float(z)) for w, g, z in zip(share, gains, zeros, strict=True)
        )

    def sum_groups(self) -> npt.NDArray[np.intp]:
        """Group of each row, shape (y,), by the steps that a sum of all rows is made of."""
        return self.groups(self._sum_step())[0]

    def _sum_step(self) -> float:
        span = float(np.ptp(self.gain_factor)) * REFERENCE_KEV
        return min(COARSE_KEV, max(span / PARTS * (1 + 1e-9), FINE_KEV))

    def _grouped(self, weight: Array, step_kev: float) -> tuple[npt.NDArray[np.intp], list[Shift]]:
        at = (self.gain_factor - 1.0) * REFERENCE_KEV
        low, zero_low = at.min(), self.zero_shift.min()
        cell = np.stack(
            [np.floor((at - low) / step_kev), np.floor((self.zero_shift - zero_low) / step_kev)]
        )
        _, group = np.unique(cell, axis=1, return_inverse=True)
        group = np.asarray(group, dtype=np.intp).reshape(-1)
        shifts = []
        for k in range(group.max() + 1):
            mine = group == k
            w = weight[mine] / weight[mine].sum()
            share = float(weight[mine].sum() / weight.sum())
            gain, zero = float(w @ self.gain_factor[mine]), float(w @ self.zero_shift[mine])
            shifts.append((share, gain, zero))
        return group, shifts


def _quadrature(place: Array, weight: Array, number: int) -> tuple[Array, Array]:
    """Nodes and weights that have the first moments of many weighted places."""
    unit = float(np.sqrt(weight @ place**2))
    x = place / unit
    diagonal, beside = [], []
    before, now, factor = np.zeros_like(x), np.ones_like(x), 0.0
    for k in range(number):
        diagonal.append(float(weight @ (x * now**2)))
        after = (x - diagonal[-1]) * now - factor * before
        factor = float(np.sqrt(weight @ after**2))
        if k == number - 1 or factor < 1e-6:  # no more places than that
            break
        beside.append(factor)
        before, now = now, after / factor
    jacobi = np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
    at, vectors = np.linalg.eigh(jacobi)
    return np.asarray(unit * at), np.asarray(vectors[0] ** 2)


def with_drift(scan: xr.Dataset, drift: xr.Dataset) -> xr.Dataset:
    """Put a drift that was found into a scan.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan.
    drift : Dataset
        From :func:`xrfmap.calibration.drift.track_gain` on it.

    Returns
    -------
    Dataset
        The scan itself where no drift was found. Else with ``gain_factor(y)`` and
        ``zero_shift(y)`` [keV], the peak width at rest, and ``calibration_drift_because``.
    """
    if not int(drift.attrs["drift_found"]):
        return scan
    scale = EnergyScale.from_attrs(drift.attrs)
    return scan.assign({name: drift[name].variable for name in DRIFT}).assign_attrs(
        {**scale.to_attrs(), f"{ATTRIBUTE}_because": str(drift.attrs["drift_because"])}
    )


def drift_attrs(scan: xr.Dataset) -> dict[str, object]:
    """Drift of a scan as one attribute that JSON can hold; empty where there is none."""
    rows = RowScales.of(scan)
    if rows is None:
        return {}
    parts = dict(zip(DRIFT, (rows.gain_factor.tolist(), rows.zero_shift.tolist()), strict=True))
    return {ATTRIBUTE: json.dumps(parts)}


def with_drift_attrs(scan: xr.Dataset) -> xr.Dataset:
    """Turn the attribute of :func:`drift_attrs` back into variables over the rows."""
    if ATTRIBUTE not in scan.attrs:
        return scan
    parts = json.loads(scan.attrs[ATTRIBUTE])
    attrs = {name: value for name, value in scan.attrs.items() if name != ATTRIBUTE}
    units = {"gain_factor": "1", "zero_shift": "keV"}
    result = scan.assign({n: ("y", np.array(parts[n]), {"units": units[n]}) for n in DRIFT})
    result.attrs = attrs
    return result
