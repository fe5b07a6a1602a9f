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

from xrfmap.lineshape import EnergyScale

__all__ = ["RowScales", "Shift", "drift_attrs", "shifted", "with_drift", "with_drift_attrs"]

Array = npt.NDArray[np.float64]

Shift = tuple[float, float, float]
"""Weight, factor on the gain, and shift of the zero [keV] of one energy scale."""

REFERENCE_KEV = 20.0
FINE_KEV = 0.015
"""Rows share a design if they agree within this at 20 keV, where a peak is 0.2 keV wide
(FWHM): half of it, an eleventh of the standard deviation, loses less than 0.1 % of a peak."""

COARSE_KEV = 0.04
"""The same for the peaks that a summed spectrum is made of."""

PARTS = 4
"""Scales that a summed spectrum is made of at the least, where rows differ by that much."""

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

    def shifts(self, counts: npt.ArrayLike | None = None) -> tuple[Shift, ...]:
        """Scales that a spectrum summed over rows is made of.

        Parameters
        ----------
        counts : array_like, shape (y,), optional
            Counts that each row brought into the sum; alike by default. [counts]

        Returns
        -------
        tuple of Shift
            Weights sum to one; empty where no row brought a count.
        """
        weight = np.ones(len(self.gain_factor)) if counts is None else np.asarray(counts, float)
        if not weight.sum() > 0:
            return ()
        used = weight > 0
        part = RowScales(self.gain_factor[used], self.zero_shift[used])
        return part._stretched(weight[used], part._grouped(weight[used], part._sum_step())[1])

    def sum_groups(self) -> npt.NDArray[np.intp]:
        """Group of each row, shape (y,), by the steps that a sum of all rows is made of."""
        return self.groups(self._sum_step())[0]

    def _sum_step(self) -> float:
        span = float(np.ptp(self.gain_factor)) * REFERENCE_KEV
        return min(COARSE_KEV, max(span / PARTS * (1 + 1e-9), FINE_KEV))

    def _stretched(self, weight: Array, shifts: list[Shift]) -> tuple[Shift, ...]:
        """Move the scales apart until they spread as much as the rows do.

        Groups leave out the spread within them; peaks summed over too narrow a set would be
        too narrow, and weak lines in their flanks would make up for it.
        """
        share = np.array([s[0] for s in shifts])
        moved = []
        for k, rows in ((1, self.gain_factor), (2, self.zero_shift)):
            mean = float(weight @ rows / weight.sum())
            truth = float(weight @ (rows - mean) ** 2 / weight.sum())
            off = np.array([s[k] for s in shifts]) - mean
            have = float(share @ off**2)
            moved.append(mean + off * (np.sqrt(truth / have) if have > 0 else 1.0))
        return tuple((float(w), float(g), float(z)) for w, g, z in zip(share, *moved, strict=True))

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


def with_drift(scan: xr.Dataset, drift: xr.Dataset) -> xr.Dataset:
    """Put a drift that was found into a scan.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan.
    drift : Dataset
        From :func:`xrfmap.drift.track_gain` on it.

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
