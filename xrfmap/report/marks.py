"""Which lines to name in a spectrum, where, and how to keep the names apart."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["Mark", "family_of", "legible", "line_marks", "spread"]

_FAMILY = re.compile(r"^([A-Z][a-z]?) ([KLM])$")
_GREEK = {"Ka": "Kα", "Kb": "Kβ", "La": "Lα", "Lb": "Lβ", "Lg": "Lγ", "Ma": "Mα"}


@dataclass(frozen=True)
class Mark:
    """Name of a line group at the energy of its strongest member."""

    label: str  # "Pb Lα"
    family: str  # "Pb L"
    energy_kev: float
    order: int  # 0 for the leading group of the family


def family_of(label: str) -> tuple[str, str] | None:
    """Element and family of a component label; None for scatter, continuum and the like."""
    match = _FAMILY.match(label)
    return (match[1], match[2]) if match else None


def line_marks(labels: Iterable[str]) -> list[Mark]:
    """Place the marks of all line families among `labels`, by energy."""
    from xrfmap.physics.atomic import lines

    marks: list[Mark] = []
    for label in labels:
        pair = family_of(label)
        if pair is None:
            continue
        groups: dict[str, tuple[float, float]] = {}
        for line in lines(*pair):
            name = _GREEK.get(line.siegbahn[:2], "")
            if name and line.rate > groups.get(name, (0.0, 0.0))[0]:
                groups[name] = (line.rate, line.energy_kev)
        marks += [
            Mark(f"{pair[0]} {name}", label, energy, order)
            for order, (name, (_, energy)) in enumerate(sorted(groups.items()))
        ]
    return sorted(marks, key=lambda mark: mark.energy_kev)


def legible(
    places: Sequence[float], weights: Sequence[float], gap: float, low: float, high: float
) -> list[int]:
    """Choose which names to show where there is no room for all.

    Parameters
    ----------
    places : sequence of float
        Ascending places of the names.
    weights : sequence of float
        The higher, the sooner a name is taken; zero and less is never taken.
    gap : float
        Room that a name needs.
    low, high : float
        Ends of the row of names.

    Returns
    -------
    list of int
        Ascending indices, such that no name has to move by more than two gaps.
    """
    chosen: list[int] = []
    for index in sorted(range(len(places)), key=lambda i: -weights[i]):
        if weights[index] <= 0:
            break
        trial = sorted([*chosen, index])
        wanted = [places[i] for i in trial]
        moved = spread(wanted, gap, low, high)
        if max(abs(a - b) for a, b in zip(wanted, moved, strict=True)) <= 2 * gap:
            chosen = trial
    return chosen


def spread(places: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move ascending places apart until neighbours keep `gap`, as little as possible.

    Clusters that collide are set about their common middle, then kept within
    `low` to `high`. Where there is no room for all, the gap shrinks evenly.
    """
    if not places:
        return []
    if len(places) > 1:
        gap = min(gap, (high - low) / (len(places) - 1))
    blocks: list[tuple[float, int]] = []  # sum of (place - own offset), members
    for index, place in enumerate(places):
        total, members = place - index * gap, 1
        while blocks and blocks[-1][0] / blocks[-1][1] >= total / members:
            before = blocks.pop()
            total, members = total + before[0], members + before[1]
        blocks.append((total, members))
    moved: list[float] = []
    last = high - (len(places) - 1) * gap
    for total, members in blocks:
        start = min(max(total / members, low), last)
        moved += [start] * members
    return [start + index * gap for index, start in enumerate(moved)]
