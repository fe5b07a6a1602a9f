"""Sources of an element that are no choice of pigment: clay, traces, dirt, mordant, blank."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from xrfmap.pigments.amounts import Within, within
from xrfmap.pigments.matching import Grade, graded
from xrfmap.pigments.schema import Innocent
from xrfmap.pigments.setting import Setting

__all__ = ["Innocence", "innocent_sources"]

_GRADE_COST: Mapping[Grade, float] = {"good": 0.0, "doubtful": 0.25, "named": 0.6}


@dataclass(frozen=True)
class Innocence:
    """A source of an element that is no choice of pigment."""

    key: str
    element: str
    grade: Grade
    text: str
    cost: float


def innocent_sources(setting: Setting) -> list[Innocence]:
    """List sources of the elements seen that are no choice of pigment, the best first."""
    found = []
    for key, entry in setting.rules.innocents.items():
        if entry.element not in setting.present:
            continue
        if not all(e in setting.present for e in entry.beside):
            continue
        if entry.colours and not setting.colours & set(entry.colours):
            continue
        grade = _innocent_grade(entry, setting)
        if grade is not None:
            cost = 0.1 + _GRADE_COST[grade]
            found.append(Innocence(key, entry.element, grade, entry.why, cost))
    return sorted(found, key=lambda i: i.cost)


def _innocent_grade(entry: Innocent, setting: Setting) -> Grade | None:
    fits: list[Within] = []
    if entry.up_to is not None:
        fits.append(within(setting.amounts.ratio(entry.element, entry.beside[0]), entry.up_to))
    if entry.share is not None:
        fits.append(within(setting.amounts.share(entry.element), entry.share))
        if fits[-1] in ("yes", "likely") and _patchy(entry, setting):
            fits[-1] = "unlikely"
    order = ("yes", "likely", "unknown", "unlikely", "no")
    return graded(max(fits, key=order.index), entry.how_often) if fits else "good"


def _patchy(entry: Innocent, setting: Setting) -> bool:
    """Tell a small mean over the area that comes from few pixels: no even trace."""
    share = setting.area.elements[entry.element].share_of_area
    return share is not None and share < 0.2 and not entry.beside
