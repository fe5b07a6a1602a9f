"""Amounts by fundamental parameters: mass per area of thin layers.

What a tube and a detector make of a known mass is computed; one factor, the strength of
tube and geometry, comes from a reference of known composition or from the known flux.
Where the lines of an element disagree about its amount it lies under something, or in more
than one layer, or in a layer that is not thin: then no figure is given, but the reason.

Mass fractions of thick layers are in :mod:`xrfmap.amounts.thick`.

References
----------
.. [1] J. Sherman, Spectrochim. Acta 7, 283 (1955) (from memory).
.. [2] A. A. Markowicz, in R. Van Grieken and A. Markowicz (eds.), Handbook of X-Ray
   Spectrometry, 2nd ed. (2002), chapter 6 (from memory): a layer counts as thin when the
   sum of its absorption on both ways is below 0.1, and then errs by less than 5 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xrfmap.amounts.strength import SEEN, Combined, Strength, combined
from xrfmap.depth.line_groups import GroupCounts
from xrfmap.depth.stack_yields import StackYields
from xrfmap.physics.atomic import Material
from xrfmap.physics.tube import Excitation
from xrfmap.settings import Instrument

__all__ = ["Amount", "disagreeing", "thin_amounts"]

Array = npt.NDArray[np.float64]

DISAGREE = 1e-3
"""Chance below which the lines of one element are said to contradict each other."""

THIN = 0.1
"""Optical depth, in and out together, up to which a layer is thin [2]_."""

NOT_THIN = 2.0
"""Optical depth above which the counts hardly grow with the mass any more."""

_HALF = 1.959964


@dataclass(frozen=True)
class Amount:
    """Amount of one element, or why there is none.

    Attributes
    ----------
    element : str
        Symbol.
    value, low, high : float or None
        Amount and 95 % interval; None where refused. Not seen: `value` 0, `high` the limit.
    unit : str
        ``"ug/cm2"`` or ``"mass fraction"``.
    lines : tuple of str
        Groups of lines it rests on.
    refused : str
        Reason, where there is no amount; else empty.
    note : str
        What to keep in mind.
    """

    element: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    lines: tuple[str, ...]
    refused: str = ""
    note: str = ""


def thin_amounts(
    counts: GroupCounts,
    live_time_s: float,
    strength: Strength,
    instrument: Instrument,
    *,
    unseen: tuple[Material, float] | None = None,
    anode: str | None = None,
    beam: Excitation | None = None,
) -> list[Amount]:
    """Mass per area of each element of a thin layer.

    Parameters
    ----------
    counts : GroupCounts
        n = 1: groups of all elements of the layer, from
        :func:`xrfmap.depth.line_ratios.area_counts`.
    live_time_s : float
        Live time, > 0. [s]
    strength : Strength
        From a reference or from the flux.
    instrument : Instrument
        Tube, angles, detector.
    unseen : (Material, float), optional
        What else is in the layer (binder, oxygen), and its mass per mass of the elements
        that are seen.
    anode : str, optional
        Anode, where the instrument does not name it.
    beam : Excitation, optional
        Photons at the object; those of the instrument's tube by default.

    Returns
    -------
    list of Amount
        In ug/cm2. Absorption in the layer itself is followed, up to :data:`NOT_THIN`
        optical depths; beyond, and where the lines of an element disagree, the amount is
        refused.

    Raises
    ------
    ValueError
        If the live time is not positive.
    """
    if not live_time_s > 0:
        raise ValueError(f"live time must be > 0 s, found {live_time_s:g}")
    layer = _ThinLayer(counts, live_time_s, strength, instrument, unseen, anode, beam)
    layer.solve()
    return [layer.amount(element) for element in layer.elements]


class _ThinLayer:
    """Masses of the elements of one layer, each absorbing the others' lines."""

    def __init__(
        self,
        counts: GroupCounts,
        live_time_s: float,
        strength: Strength,
        instrument: Instrument,
        unseen: tuple[Material, float] | None,
        anode: str | None,
        beam: Excitation | None,
    ) -> None:
        self.counts, self.live, self.strength = counts, live_time_s, strength
        self.instrument, self.unseen = instrument, unseen
        self.anode, self.beam = anode, beam
        self.elements = tuple(dict.fromkeys(g.element for g in counts.groups))
        self.rows = {
            e: [k for k, g in enumerate(counts.groups) if g.element == e] for e in self.elements
        }
        self.thin = {e: self._yields(Material(e, {e: 1.0}, 1.0), 1e-10) for e in self.elements}
        self.made = dict(self.thin)
        self.found = self._factors()

    def _yields(self, material: Material, areal: float) -> Array:
        """Give the counts per unit mass per area [g/cm2] of the material."""
        yields = StackYields(
            self.counts.groups, [material], self.instrument, anode=self.anode,
            secondary=areal > 1e-7, beam=self.beam,
        )  # fmt: skip
        thickness = np.array([areal / material.density_g_cm3 * 1e4])
        yields.refresh(thickness)
        return np.asarray(yields.at(thickness) / areal * self.live)

    def _factors(self) -> dict[str, Combined]:
        """Mass per area of each element, from its groups. [g/cm2]."""
        return {
            e: combined(
                self.counts,
                self.rows[e],
                self.made[e] * self.strength.of(e)[0],
                families=e not in self.strength.per_element,
            )
            for e in self.elements
        }

    def solve(self) -> None:
        """Let absorption and masses settle."""
        for _ in range(30):
            before = np.array([self.found[e].value for e in self.elements])
            total = float(before.sum())
            if total <= 0:
                return
            self.made = self._absorbed(before, total)
            self.found = self._factors()
            after = np.array([self.found[e].value for e in self.elements])
            if self.depth() > NOT_THIN or np.abs(after - before).max() < 1e-4 * total:
                return

    def _absorbed(self, masses: Array, total: float) -> dict[str, Array]:
        """Give the counts per unit mass of each element inside the layer of all of them."""
        shares = {e: m / total for e, m in zip(self.elements, masses, strict=True) if m > 0}
        other, ratio = self.unseen if self.unseen is not None else (None, 0.0)
        whole = {e: s / (1 + ratio) for e, s in shares.items()}
        if other is not None:
            for e, s in other.mass_fractions.items():
                whole[e] = whole.get(e, 0.0) + s * ratio / (1 + ratio)
        self.layer = Material("layer", whole, 1.0)
        self.areal = total * (1 + ratio)
        made = self._yields(self.layer, self.areal)
        result = {}
        for e in self.elements:
            share = self.layer.mass_fractions.get(e, 0.0)
            result[e] = made / share if share > 0 else self.thin[e]
        return result

    def depth(self) -> float:
        """Largest loss of any element's lines in the layer, as an optical depth."""
        losses = []
        for e in self.elements:
            rows = self.rows[e]
            main = rows[int(np.argmax(self.thin[e][rows]))]
            left = self.made[e][main] / self.thin[e][main]
            losses.append(_depth_of(float(left)))
        return max(losses)

    def amount(self, element: str) -> Amount:
        """Amount of one element, or the reason why there is none."""
        part = self.found[element]
        rows = self.rows[element]
        labels = tuple(self.counts.groups[k].label for k in rows)
        _, strength_error = self.strength.of(element)
        if part.value <= SEEN * part.error:
            limit = (max(part.value, 0.0) + 1.645 * part.error) * (1 + _HALF * strength_error)
            return Amount(element, 0.0, 0.0, limit * 1e6, "ug/cm2", labels, note="not seen; limit")
        if part.p < DISAGREE:
            return disagreeing(element, labels, part.p)
        depth = self.depth()
        if depth > NOT_THIN:
            return Amount(
                element, None, None, None, "ug/cm2", labels,
                refused=f"the layer is not thin (about {depth:.1f} optical depths): its counts "
                "hardly grow with its mass",
            )  # fmt: skip
        spread = float(np.hypot(part.error / part.value, strength_error))
        value = part.value * 1e6
        note = "" if depth < THIN else f"absorption in the layer corrected ({depth:.2f} depths)"
        return Amount(
            element, value, value * float(np.exp(-_HALF * spread)),
            value * float(np.exp(_HALF * spread)), "ug/cm2", labels, note=note,
        )  # fmt: skip


def disagreeing(element: str, labels: tuple[str, ...], p: float, unit: str = "ug/cm2") -> Amount:
    """Refuse an amount whose lines contradict each other with chance `p`."""
    return Amount(
        element, None, None, None, unit, labels,
        refused=f"its lines disagree (chance {p:.1g}): it lies under something, or in more "
        "than one layer, so that one figure would mean nothing",
    )  # fmt: skip


def _depth_of(left: float) -> float:
    """Optical depth x for which (1 - exp(-x)) / x is what is left."""
    if left >= 1:
        return 0.0
    low, high = 0.0, 1e3
    for _ in range(60):
        middle = 0.5 * (low + high)
        if -np.expm1(-middle) / max(middle, 1e-12) > left:
            low = middle
        else:
            high = middle
    return middle
