"""Relative masses in an area, each ratio with the interval that layers and errors leave.

Net counts are not mass. They are turned into thin-film masses by the sensitivity of each
line family; a factor of two either way covers composition and calibration, the depth from
which the softer line comes widens the interval on its side, and counting error comes on
top (twice the relative standard error). Typed-in amounts are taken as relative masses,
with a factor of two either way: an older report seldom says how they were got.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from xrfmap.elements import atomic_number
from xrfmap.pigments.evidence import AreaEvidence, ElementEvidence
from xrfmap.pigments.sensitivity import depth_factor, sensitivity
from xrfmap.settings import Instrument

__all__ = ["LAYER_FACTOR", "TYPED_FACTOR", "Amounts", "Ratio", "Within", "within"]

LAYER_FACTOR = 2.0  # composition, calibration, uneven layers; a convention of this rule base
TYPED_FACTOR = 2.0  # the same for amounts of an older report
_LIGHTEST = 19  # below potassium, counts say next to nothing on mass in air

Within = Literal["yes", "likely", "unlikely", "no", "unknown"]


@dataclass(frozen=True)
class Ratio:
    """A mass ratio and its interval, or a share of the visible mass."""

    low: float
    value: float
    high: float

    def words(self) -> str:
        """Value with interval, two digits."""
        return f"{_short(self.value)} ({_short(self.low)} to {_short(self.high)})"


def _short(number: float) -> str:
    return f"{number:.2g}" if 0 < number < 100 else f"{number:.0f}"


def within(ratio: Ratio | None, limit: float) -> Within:
    """How a ratio stands to an upper limit: its interval decides, its value leans."""
    if ratio is None:
        return "unknown"
    if ratio.high <= limit:
        return "yes"
    if ratio.low > limit:
        return "no"
    return "likely" if ratio.value <= limit else "unlikely"


class Amounts:
    """Mass ratios of the elements of one area.

    Parameters
    ----------
    area : AreaEvidence
        With counts per line family, or typed-in amounts.
    instrument : Instrument
        For the sensitivities; unused for typed-in areas.
    """

    def __init__(self, area: AreaEvidence, instrument: Instrument) -> None:
        self._elements: Mapping[str, ElementEvidence] = area.elements
        self._instrument = instrument
        self._heavy = [s for s in area.present if atomic_number(s) >= _LIGHTEST]
        self._ratios: dict[tuple[str, str], Ratio | None] = {}
        self._shares: dict[str, Ratio | None] = {}

    def _mass(self, element: ElementEvidence | None) -> float | None:
        if element is None or not element.detected:
            return None
        if element.typed_in:
            return element.amount
        best = element.best
        if best is None or best.net is None or best.net <= 0:
            return None
        counts_per_mass = sensitivity(best.family, self._instrument)
        return best.net / counts_per_mass if counts_per_mass > 0 else None

    def ratio(self, element: str, other: str) -> Ratio | None:
        """Mass of `element` relative to `other`; ``None`` where amounts are not known."""
        if (element, other) not in self._ratios:
            self._ratios[element, other] = self._ratio(element, other)
        return self._ratios[element, other]

    def _ratio(self, element: str, other: str) -> Ratio | None:
        a, b = self._elements.get(element), self._elements.get(other)
        mass, reference = self._mass(a), self._mass(b)
        if a is None or b is None or not mass or not reference or a.typed_in != b.typed_in:
            return None
        value = mass / reference
        if a.best is None or b.best is None:
            return Ratio(value / TYPED_FACTOR, value, value * TYPED_FACTOR)
        counting = math.exp(2 * math.hypot(_relative_error(a), _relative_error(b)))
        up = LAYER_FACTOR * counting * depth_factor(a.best.family, b.best.family)
        down = LAYER_FACTOR * counting * depth_factor(b.best.family, a.best.family)
        return Ratio(value / down, value, value * up)

    def share(self, element: str) -> Ratio | None:
        """Share of the visible mass (elements from potassium on); ``None`` if not known."""
        if element not in self._shares:
            self._shares[element] = self._share(element)
        return self._shares[element]

    def _share(self, element: str) -> Ratio | None:
        others = [self.ratio(other, element) for other in self._heavy if other != element]
        if (
            any(ratio is None for ratio in others)
            or self._mass(self._elements.get(element)) is None
        ):
            return None
        known = [ratio for ratio in others if ratio is not None]
        if not known:
            # nothing to compare with: alone in the list, or alone in the spectrum
            return Ratio(1.0, 1.0, 1.0)
        low, value, high = (
            1 / (1 + sum(getattr(r, name) for r in known)) for name in ("high", "value", "low")
        )
        return Ratio(low, value, high)

    def limit(self, element: str, other: str) -> float | None:
        """Largest mass of an undetected element relative to a detected one, from its limit.

        ``None`` where no upper limit is known: an element that nobody looked for says
        nothing.
        """
        a, b = self._elements.get(element), self._elements.get(other)
        if a is None or a.detected or b is None or b.best is None or not b.best.net:
            return None
        best = None
        for line in a.lines:
            counts_per_mass = sensitivity(line.family, self._instrument)
            own = sensitivity(b.best.family, self._instrument)
            if line.ul is None or counts_per_mass <= 0 or own <= 0:
                continue
            found = (line.ul / counts_per_mass) / (b.best.net / own)
            found *= LAYER_FACTOR * depth_factor(line.family, b.best.family)
            best = found if best is None else min(best, found)
        return best


def _relative_error(element: ElementEvidence) -> float:
    line = element.best
    if line is None or not line.net or line.err is None:
        return 0.0
    return min(line.err / line.net, 1.0)
