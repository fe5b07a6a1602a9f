"""Mass fractions of a thick homogeneous layer by fundamental parameters.

The composition is changed until the computed lines are those that were counted. What has
no lines (oxygen, carbonate, binder) comes in by stoichiometry, or as the rest to one when
the strength of tube and geometry is known.

References
----------
.. [1] J. W. Criss and L. S. Birks, "Calculation methods for fluorescent X-ray spectrometry:
   empirical coefficients vs. fundamental parameters", Anal. Chem. 40, 1080 (1968) (from
   memory): the iteration.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xrfmap.amounts.strength import SEEN, Combined, Strength, combined
from xrfmap.amounts.thin import DISAGREE, Amount, disagreeing
from xrfmap.depth.line_groups import GroupCounts
from xrfmap.depth.stack_yields import StackYields
from xrfmap.physics.atomic import Material
from xrfmap.physics.tube import Excitation
from xrfmap.settings import Instrument

__all__ = ["ThickResult", "thick_fractions"]

Array = npt.NDArray[np.float64]

STEPS = 60
"""Steps of the iteration; usual mixtures need about ten."""

SETTLED = 1e-5
"""Largest relative change of a step at which the composition counts as found."""

OFF = 0.1
"""Distance of the sum of the fractions from one, beyond its error, that is not accepted."""

_HALF = 1.959964


@dataclass(frozen=True, eq=False)
class ThickResult:
    """Composition of a thick body.

    Attributes
    ----------
    amounts : tuple of Amount
        Mass fraction of each element with lines; refused where lines disagree.
    material : Material or None
        The whole composition, parts without lines included; None where nothing is seen.
    total : float
        What all fractions come to by the strength, over what they should: one when reference,
        geometry and composition hold. Exactly one without a strength; with a `rest`, the
        share that the compounds have.
    """

    amounts: tuple[Amount, ...]
    material: Material | None
    total: float


def thick_fractions(
    counts: GroupCounts,
    instrument: Instrument,
    *,
    live_time_s: float = 1.0,
    strength: Strength | None = None,
    compounds: Mapping[str, Material] | None = None,
    medium: tuple[Material, float] | None = None,
    rest: Material | None = None,
    anode: str | None = None,
    beam: Excitation | None = None,
) -> ThickResult:
    """Mass fractions of the elements of a thick, homogeneous body.

    Parameters
    ----------
    counts : GroupCounts
        n = 1: groups of all its elements that have lines.
    instrument : Instrument
        Tube, angles, detector.
    live_time_s : float
        Live time; needed with a strength. [s]
    strength : Strength, optional
        From a reference or the flux: checks that the fractions come to one, or with a
        `rest` finds its share.
    compounds : mapping of str to Material, optional
        The compound that brings each element (``{"Pb": lead white}``); the pure element by
        default. The compound must hold its element.
    medium : (Material, float), optional
        A binder, and its share of the whole mass.
    rest : Material, optional
        With a strength: what makes up the rest to one.
    anode : str, optional
        Anode, where the instrument does not name it.
    beam : Excitation, optional
        Photons at the object; those of the instrument's tube by default.

    Returns
    -------
    ThickResult
        Amounts of elements whose lines disagree are refused. If with a strength all
        together do not come to one (with a `rest`: to more than one), every amount is
        refused.

    Raises
    ------
    ValueError
        If a compound lacks its element, or the share of the medium is not within 0 to 1.
    """
    body = _Body(counts, instrument, live_time_s, strength, compounds, medium, rest, anode, beam)
    if not body.solve():
        return ThickResult(tuple(body.unseen(e) for e in body.elements), None, 0.0)
    return body.result()


class _Body:
    """A thick mixture of compounds, one for each element with lines."""

    def __init__(
        self,
        counts: GroupCounts,
        instrument: Instrument,
        live_time_s: float,
        strength: Strength | None,
        compounds: Mapping[str, Material] | None,
        medium: tuple[Material, float] | None,
        rest: Material | None,
        anode: str | None,
        beam: Excitation | None,
    ) -> None:
        self.counts, self.instrument, self.live = counts, instrument, live_time_s
        self.strength, self.medium, self.rest = strength, medium, rest
        self.anode, self.beam = anode, beam
        self.open = strength is not None and rest is not None  # the rest takes up the difference
        self.elements = tuple(dict.fromkeys(g.element for g in counts.groups))
        self.rows = {
            e: [k for k, g in enumerate(counts.groups) if g.element == e] for e in self.elements
        }
        given = compounds or {}
        self.compound = {e: given.get(e, Material(e, {e: 1.0}, 1.0)) for e in self.elements}
        for e, material in self.compound.items():
            if e not in material.mass_fractions:
                raise ValueError(f"the compound {material.name} given for {e} does not hold it")
        if medium is not None and not 0 <= medium[1] < 1:
            raise ValueError(f"share of the medium must be 0 to 1, found {medium[1]:g}")

    # ------------------------------------------------------------ composition

    def material(self, parts: Array) -> Material:
        """Composition from the parts of the compounds, medium and rest added."""
        shares: dict[str, float] = {}
        self._add(shares, dict(zip(self.elements, parts, strict=True)))
        room = 1.0 - (self.medium[1] if self.medium else 0.0)
        total = sum(shares.values())
        if not self.open or self.rest is None or total >= room:
            shares = {e: s * room / total for e, s in shares.items()}
        else:
            for e, s in self.rest.mass_fractions.items():
                shares[e] = shares.get(e, 0.0) + s * (room - total)
        if self.medium is not None:
            for e, s in self.medium[0].mass_fractions.items():
                shares[e] = shares.get(e, 0.0) + s * self.medium[1]
        return Material("thick body", {e: s for e, s in shares.items() if s > 0}, 1.0)

    def _add(self, shares: dict[str, float], parts: Mapping[str, float]) -> None:
        for element, part in parts.items():
            for e, s in self.compound[element].mass_fractions.items():
                shares[e] = shares.get(e, 0.0) + part * s

    def factors(self, parts: Array) -> dict[str, Combined]:
        """Divide the counts by those expected, per element."""
        material = self.material(parts)
        yields = StackYields(
            self.counts.groups, [material], self.instrument, anode=self.anode, beam=self.beam
        )
        thick = np.array([np.inf])
        yields.refresh(thick)
        made = yields.at(thick) * self.live
        result = {}
        for e in self.elements:
            strength = self.strength.of(e)[0] if self.strength is not None else 1.0
            known = self.strength is not None and e in self.strength.per_element
            result[e] = combined(self.counts, self.rows[e], made * strength, families=not known)
        return result

    def solve(self) -> bool:
        """Change the parts until counts and expectation agree; False if nothing is seen."""
        net = np.array([self.counts.net[0, self.rows[e]].sum() for e in self.elements])
        if net.max(initial=0.0) <= 0:
            return False
        self.parts = np.maximum(net, 1e-6 * net.max()) / net.clip(0).sum()
        for _ in range(STEPS):
            self.found = self.factors(self.parts)
            ratio = np.array([self.found[e].value for e in self.elements])
            new = self.parts * np.maximum(ratio, 1e-12)
            if not self.open:
                new /= new.sum()
            new = np.minimum(new, 10.0)
            change = np.abs(new - self.parts) / new.max()
            self.parts = new
            if change.max() < SETTLED:
                break
        self.found = self.factors(self.parts)
        return True

    # ------------------------------------------------------------ errors and answers

    def errors(self) -> Array:
        """Relative standard errors of the parts.

        A change of the counts changes the parts by the inverse of how the computed counts
        follow the parts, all elements together.
        """
        n = len(self.elements)
        base = np.log([max(self._strength_of(e), 1e-300) for e in self.elements])
        follow = np.empty((n, n))
        for k in range(n):
            moved = self.parts.copy()
            moved[k] *= 1.01
            factors = self.factors(moved)
            logs = np.log([max(factors[e].value, 1e-300) for e in self.elements])
            follow[:, k] = -(logs - base) / np.log(1.01)
        spread = np.diag([self._spread(e) ** 2 for e in self.elements])
        if self.strength is not None:
            shared = np.array([e not in self.strength.per_element for e in self.elements])
            spread += np.outer(shared, shared) * self.strength.error**2
        # without a rest one direction, all parts alike, is fixed by the sum of one
        inverse = np.linalg.pinv(follow, rcond=1e-3)
        if not self.open:
            shares = self.parts / self.parts.sum()
            inverse = (np.eye(n) - np.outer(np.ones(n), shares)) @ inverse
        return np.asarray(np.sqrt(np.diag(inverse @ spread @ inverse.T)))

    def _strength_of(self, element: str) -> float:
        return self.found[element].value

    def _spread(self, element: str) -> float:
        """Relative error of one element's counts against their expectation."""
        part = self.found[element]
        counting = part.error / max(part.value, 1e-300)
        if self.strength is not None and element in self.strength.per_element:
            return float(np.hypot(counting, self.strength.per_element[element][1]))
        return counting

    def result(self) -> ThickResult:
        """Amounts, composition and sum."""
        room = 1.0 - (self.medium[1] if self.medium else 0.0)
        errors = self.errors()
        total, doubt = self._total(errors, room)
        off = total - 1 if self.open else abs(total - 1)
        wrong = self.strength is not None and off > OFF + 2 * doubt
        scale = 1.0 if self.open else room
        answers = []
        for e, part, error in zip(self.elements, self.parts, errors, strict=True):
            share = float(part) * scale * self.compound[e].mass_fractions[e]
            answers.append(self._amount(e, share, float(error), total if wrong else None))
        return ThickResult(tuple(answers), self.material(self.parts), total)

    def _total(self, errors: Array, room: float) -> tuple[float, float]:
        """Say what the fractions come to, and its error."""
        if self.strength is None:
            return 1.0, 0.0
        if self.open:
            return float(self.parts.sum()) / room, float(errors @ self.parts) / room
        weight = self.parts / self.parts.sum()
        values = np.array([self.found[e].value for e in self.elements])
        spread = np.array([self._spread(e) for e in self.elements])
        return float(weight @ values), float(np.hypot(weight @ spread, self.strength.error))

    def _labels(self, element: str) -> tuple[str, ...]:
        return tuple(self.counts.groups[k].label for k in self.rows[element])

    def _amount(self, element: str, share: float, error: float, over: float | None) -> Amount:
        part = self.found[element]
        labels = self._labels(element)
        if part.value <= SEEN * part.error:
            return self.unseen(element, share * (1 + 1.645 * part.error / max(part.value, 1e-12)))
        if part.p < DISAGREE:
            return disagreeing(element, labels, part.p, "mass fraction")
        if over is not None:
            return Amount(
                element, None, None, None, "mass fraction", labels,
                refused=f"the fractions come to {over:.2f} in all: reference, geometry or "
                "composition is not what was said",
            )  # fmt: skip
        low, high = share * np.exp(-_HALF * error), share * np.exp(_HALF * error)
        return Amount(element, share, float(low), float(min(high, 1.0)), "mass fraction", labels)

    def unseen(self, element: str, limit: float | None = None) -> Amount:
        """Amount of an element that is not seen: a limit where one can be given."""
        return Amount(
            element, 0.0, 0.0, limit, "mass fraction", self._labels(element), note="not seen"
        )
