"""Whether an element is needed: its families judged inside a model that holds the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xrfmap.elements import symbol
from xrfmap.spectra.emitters import Emitter, family_emitter, usable_families
from xrfmap.spectra.score_test import Evidence, Judge
from xrfmap.spectra.templates import SpectrumModel

__all__ = [
    "CLEAR_LEAD",
    "COMMON",
    "USUAL",
    "Z_UNUSUAL",
    "Z_USUAL",
    "Library",
    "evidence_of",
    "library_of",
    "margin_of",
    "needed",
    "rivals",
]

Library = dict[str, tuple[Emitter, ...]]
"""Families of every element that could be seen, by symbol."""

COMMON = "Al Si P S Cl K Ca Ti Cr Mn Fe Co Ni Cu Zn As Sr Cd Sn Sb Ba Au Hg Pb".split()
"""Elements of the pigments, fillers, driers and metals that most paintings hold."""

USUAL = (*COMMON, *"V Se Br Rb Y Zr Nb Mo Ag In Bi U".split())
"""With those of rarer pigments and of usual impurities."""

EXCLUDED = {"Ne", "Ar", "Kr", "Xe", "Rn", "Tc", "Pm", "Po", "At", "Fr", "Ra", "Ac", "Pa"}
"""Noble gases and elements without a lasting isotope: never in a painting."""

Z_USUAL = 5.0
"""Standard errors a usual element must reach: 3e-7 by chance, times about 40 elements."""

Z_UNUSUAL = 9.0
"""For any other element: what looks like one is more often a flaw of the model."""

LIKENESS = 0.6
"""Cosine between two shapes, on the scale of the noise, above which each is tried for the other."""

CLEAR_LEAD = 9.0
"""Chi-square by which one of two like shapes must be the better: three standard errors."""


def library_of(model: SpectrumModel, metal: str, anode: str | None) -> Library:
    """Families of every element that could be seen, sodium to uranium."""
    found = {}
    for z in range(11, 93):
        element = symbol(z)
        if element in EXCLUDED or element == metal:
            continue
        names = usable_families(element, model.instrument, model.energy_range)
        emitters = [family_emitter(element, f, model.instrument, anode) for f in names]
        usable = tuple(e for e in emitters if e is not None)
        if usable:
            found[element] = usable
    return found


def rivals(
    element: str,
    judge: Judge,
    model: SpectrumModel,
    library: Library,
    chosen: Sequence[str],
) -> list[tuple[str, float]]:
    """Elements outside the model that could take the place of one inside.

    Returns
    -------
    list of (str, float)
        Element, and how much better (in chi-square) it would explain the counts.
    """
    own = {e.label: judge.column_of(model.column(e)) for e in library[element]}
    best = max((judge.judge(k, c) for k, c in own.items()), key=lambda v: v.z)
    shape = own[best.label]
    tests = [
        e for c in USUAL if c in library and c not in chosen for e in library[c]
        if abs(e.main_energy - _energy_of(best.label, library[element])) < 0.5
    ]  # fmt: skip
    if not tests:
        return []
    columns = np.column_stack([judge.column_of(model.column(e)) for e in tests])
    alike = judge.likeness(shape, columns)
    without = tuple(own)
    verdicts = judge.judge_many([e.label for e in tests], columns, without)
    alone = judge.judge(best.label, shape, without).z
    found = [
        (e.element, v.z * abs(v.z) - alone**2)
        for e, v, a in zip(tests, verdicts, alike, strict=True)
        if a > LIKENESS
    ]
    return sorted(found, key=lambda pair: -pair[1])


def _energy_of(label: str, emitters: Sequence[Emitter]) -> float:
    return next(e.main_energy for e in emitters if e.label == label)


def evidence_of(
    judge: Judge, emitters: Sequence[Emitter], model: SpectrumModel
) -> dict[str, Evidence]:
    """Each family of an element judged with the element's other families left in."""
    return {e.label: judge.judge(e.label, judge.column_of(model.column(e))) for e in emitters}


def margin_of(
    element: str, judge: Judge, emitters: Sequence[Emitter], model: SpectrumModel
) -> float:
    """Tell by how many standard errors the best sound family exceeds the threshold."""
    evidence = evidence_of(judge, emitters, model)
    sound = sound_families(emitters, evidence)
    return max((evidence[e.label].z for e in sound), default=-np.inf) - needed(element)


def needed(element: str) -> float:
    """Tell how many standard errors are asked of an element before it is called found."""
    return Z_USUAL if element in USUAL else Z_UNUSUAL


def sound_families(emitters: Sequence[Emitter], evidence: dict[str, Evidence]) -> list[Emitter]:
    """Families that the element's harder families do not contradict.

    Soft lines may be lost in the paint, hard ones may not: from a soft family follows
    how many counts a hard one must have at the least (those of a thin layer). The hard
    family must not lie far below that.
    """
    found = []
    for emitter in emitters:
        mine = evidence[emitter.label]
        contradicted = False
        for other in emitters:
            if other.main_energy <= emitter.main_energy:
                continue
            theirs = evidence[other.label]
            least = 0.3 * mine.net * other.strength / emitter.strength
            contradicted |= least > theirs.net + 3 * theirs.error
        if not contradicted:
            found.append(emitter)
    return found
