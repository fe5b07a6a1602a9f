"""Strength of tube and geometry: what turns computed rates into counts.

It comes from a reference of known composition, or from current and solid angles.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from xrfmap.depth.cover_model import FAMILY_ERROR, table_covariance
from xrfmap.depth.line_groups import GroupCounts
from xrfmap.depth.stack_yields import StackYields
from xrfmap.physics.atomic import Material
from xrfmap.physics.tube import Excitation
from xrfmap.settings import Instrument

__all__ = [
    "SEEN",
    "Combined",
    "Strength",
    "combined",
    "strength_from_flux",
    "strength_from_reference",
]

Array = npt.NDArray[np.float64]

SEEN = 3.0
"""Standard errors an element must reach for an amount; below there is an upper limit."""


@dataclass(frozen=True)
class Strength:
    """Tube current times both solid angles: what turns computed rates into counts.

    Attributes
    ----------
    value : float
        Strength. [mA sr2]
    error : float
        Relative standard error.
    per_element : mapping of str to (float, float)
        Strength and relative error for elements that a reference held: errors of their
        tabulated constants cancel.
    """

    value: float
    error: float
    per_element: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def of(self, element: str) -> tuple[float, float]:
        """Strength and relative error for one element."""
        return self.per_element.get(element, (self.value, self.error))


def strength_from_flux(tube_ma: float, geometry_sr2: float, error: float) -> Strength:
    """Strength from the current and the solid angles.

    Parameters
    ----------
    tube_ma : float
        Tube current, > 0. [mA]
    geometry_sr2 : float
        Solid angle of the beam times that of the detector, > 0. [sr2]
    error : float
        Relative standard error of their product and of the computed tube output.
    """
    if not (tube_ma > 0 and geometry_sr2 > 0 and error >= 0):
        raise ValueError(
            f"current and solid angles must be > 0 and the error >= 0, found {tube_ma:g} mA, "
            f"{geometry_sr2:g} sr2, {error:g}"
        )
    return Strength(tube_ma * geometry_sr2, error)


def strength_from_reference(
    counts: GroupCounts,
    materials: Sequence[Material],
    thickness_um: Sequence[float],
    live_time_s: float,
    instrument: Instrument,
    *,
    anode: str | None = None,
    beam: Excitation | None = None,
) -> Strength:
    """Strength from a spectrum of a body of known composition.

    Parameters
    ----------
    counts : GroupCounts
        n = 1: groups of the elements of the reference.
    materials : sequence of Material
        Its layers from top to bottom.
    thickness_um : sequence of float
        Their thicknesses; infinite for a thick body. [um]
    live_time_s : float
        Live time of the spectrum, > 0. [s]
    instrument : Instrument
        Tube, angles, detector.
    anode : str, optional
        Anode, where the instrument does not name it.
    beam : Excitation, optional
        Photons at the object; those of the instrument's tube by default.

    Returns
    -------
    Strength
        Mean over the elements, weighted, tables taken into account; and one for each
        element that the reference shows by more than three standard errors.

    Raises
    ------
    ValueError
        If no element of the reference is seen, or the live time is not positive.
    """
    if not live_time_s > 0:
        raise ValueError(f"live time must be > 0 s, found {live_time_s:g}")
    yields = StackYields(counts.groups, materials, instrument, anode=anode, beam=beam)
    thick = np.asarray(thickness_um, dtype=np.float64)
    yields.refresh(thick)
    made = yields.at(thick) * live_time_s
    found: dict[str, tuple[float, float]] = {}
    for element in dict.fromkeys(g.element for g in counts.groups):
        rows = [k for k, g in enumerate(counts.groups) if g.element == element and made[k] > 0]
        part = combined(counts, rows, made, families=False) if rows else None
        if part is not None and part.value > SEEN * part.error:
            found[element] = (part.value, part.error / part.value)
    if not found:
        raise ValueError("no element of the reference is seen in its spectrum")
    logs = np.log([value for value, _ in found.values()])
    family = {g.element: FAMILY_ERROR[g.family] for g in counts.groups}
    spread = np.array([np.hypot(e, family[n]) for n, (_, e) in found.items()])
    weight = spread**-2 / np.sum(spread**-2)
    return Strength(float(np.exp(weight @ logs)), float(np.sum(spread**-2) ** -0.5), found)


@dataclass(frozen=True)
class Combined:
    """Factor between counts and expectation over the groups of one element."""

    value: float
    error: float
    p: float  # chance of such a disagreement among the groups; 1 for a single one


def combined(
    counts: GroupCounts,
    rows: Sequence[int],
    made: Array,
    *,
    table_error: float = 1.0,
    families: bool = True,
) -> Combined:
    """Fit one factor to several groups of lines.

    Parameters
    ----------
    counts : GroupCounts
        n = 1.
    rows : sequence of int
        Groups that take part.
    made : ndarray, shape (g,)
        Expected counts for a factor of one.
    table_error : float
        Factor on the errors of tabulated strengths.
    families : bool
        Whether errors that a whole family shares count: not where a reference of the same
        element cancels them.

    Returns
    -------
    Combined
        Weighted least squares; the errors of tables are those of the expected counts, so
        that weak groups do not pull.
    """
    index = np.array(rows)
    net = counts.net[0, index]
    covariance = counts.covariance[0][np.ix_(index, index)]
    groups = [counts.groups[k] for k in rows]
    table = table_covariance(groups, table_error, families=families)
    expected = made[index]
    factor = max(float(net.sum() / expected.sum()), 0.0)
    for _ in range(4):
        total = covariance + table * np.outer(expected, expected) * factor**2
        weighted = np.linalg.solve(total, expected)
        factor = max(float(net @ weighted) / float(expected @ weighted), 0.0)
    residual = net - factor * expected
    chi2 = float(residual @ np.linalg.solve(total, residual))
    p = float(chdtrc(len(rows) - 1, chi2)) if len(rows) > 1 else 1.0
    return Combined(factor, float(expected @ weighted) ** -0.5, p)
