"""Which elements of an area the period leaves unexplained, and how sure the element is.

The question asked of each element is whether *any* material or innocent source of the
period accounts for it, in the amount seen. Only where none does is there a case, and then
the most lenient of the materials that would explain it gives the verdict.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from xrfmap.findings import Verdict
from xrfmap.pigments.evidence import OVERLAPS, ElementEvidence
from xrfmap.pigments.innocents import Innocence
from xrfmap.pigments.matching import Match
from xrfmap.pigments.setting import Setting

__all__ = ["Case", "Doubt", "cases_of", "doubt_of", "group_cases", "worst"]

_RIVAL_SHARE = 0.1  # below this share of the rival's counts a peak rests on the rival's shape
_FAINT_SHARE = 0.03  # below this it is asked about, not flagged
_ORDER: tuple[Verdict, ...] = ("out_of_period", "borderline", "cannot_tell")
_GRADE_WORDS: Mapping[str, str] = {
    "doubtful": "possible, but the amount is not known or rather high",
    "named": "rare, and only in traces",
    "good": "fits",
}


@dataclass(frozen=True)
class Doubt:
    """Why a detected element is not beyond doubt.

    Attributes
    ----------
    reason : str
        In words.
    faint : bool
        Whether its counts are so few beside the rival's that only a question remains.
    """

    reason: str
    faint: bool


@dataclass(frozen=True, eq=False)
class Case:
    """One element that no usual material of the period accounts for."""

    element: str
    verdict: Verdict
    suspect: Match
    others: tuple[Match, ...]  # further materials that would explain it
    soft: tuple[str, ...]  # explanations of the period that are possible, or not enough
    doubt: Doubt | None


def doubt_of(setting: Setting, element: str) -> Doubt | None:
    """Doubt about a detected element that another element's line could explain.

    Returns
    -------
    Doubt or None
        ``None`` where a second line or family shows it, where nothing that overlaps it is
        ten times stronger, or where an older report states it.
    """
    found = setting.area.elements[element]
    if found.typed_in or found.confirmed_by or found.best is None:
        return None
    if found.competitor is not None:
        rival = setting.area.elements.get(found.competitor.partition(" ")[0])
        share = _against(found, rival)
        return Doubt(
            f"its line may belong to {found.competitor}; no second line confirms it",
            share is not None and share < _FAINT_SHARE,
        )
    for symbol in OVERLAPS.get(found.best.family, ()):
        share = _against(found, setting.area.present.get(symbol))
        if share is not None and share < _RIVAL_SHARE:
            return Doubt(
                f"{found.best.family} overlaps a line of {symbol}, which is {1 / share:.0f} "
                f"times stronger here; no second line confirms it",
                share < _FAINT_SHARE,
            )
    return None


def _against(found: ElementEvidence, rival: ElementEvidence | None) -> float | None:
    if rival is None or rival.best is None or found.best is None:
        return None
    own, other = found.best.net, rival.best.net
    return own / other if own and other and other > 0 else None


def cases_of(
    setting: Setting, matches: Sequence[Match], innocents: Sequence[Innocence]
) -> list[Case]:
    """Make the case against each element that the period does not account for.

    Parameters
    ----------
    setting : Setting
        Area, rules, period; no case without a period.
    matches, innocents
        What would explain the elements of the area.
    """
    if setting.period is None:
        return []
    made = (_case(setting, element, matches, innocents) for element in setting.present)
    return [case for case in made if case is not None]


def _case(
    setting: Setting, element: str, matches: Sequence[Match], innocents: Sequence[Innocence]
) -> Case | None:
    own = [i for i in innocents if i.element == element]
    period = [m for m in matches if m.verdict == "compatible" and element in m.covers]
    if any(i.grade == "good" for i in own) or any(_accounts(setting, m, element) for m in period):
        return None
    suspects = [
        m
        for m in matches
        if m.verdict != "compatible" and m.explains(element) and m.covers[element].role == "need"
    ]
    if not suspects:
        return None
    suspects.sort(key=lambda m: (m.verdict != "borderline", m.cost))
    verdict: Verdict = suspects[0].verdict
    strong = [m for m in suspects if m.verdict == verdict]
    able = [m for m in period if m.explains(element)]
    traces = any(i.grade == "doubtful" for i in own)
    possible = bool(able) or traces
    if traces or any(m.material.rarity != "rare" for m in able):
        suspects = [m for m in suspects if m.material.rarity != "rare"]
        if not suspects:
            return None  # nobody takes a rare material for what a common one may bring
    doubt = doubt_of(setting, element)
    if doubt is not None or (verdict == "out_of_period" and possible):
        verdict = "cannot_tell"
    soft = [f"{m.material.name} ({_soft(m, element)})" for m in period]
    soft += [f"{i.text} ({_GRADE_WORDS[i.grade]})" for i in own]
    return Case(element, verdict, strong[0], tuple(strong[1:]), tuple(soft), doubt)


def _accounts(setting: Setting, match: Match, element: str) -> bool:
    """Whether a material of the period silences a case.

    A rare one does only where the area has its colour; else it merely makes the case one
    that cannot be told.
    """
    if match.covers[element].grade != "good":
        return False
    return match.material.rarity != "rare" or match.material.colours[0] in setting.colours


def _soft(match: Match, element: str) -> str:
    if match.material.rarity == "rare" and match.covers[element].grade == "good":
        return "rare"
    return _GRADE_WORDS[match.covers[element].grade]


def group_cases(cases: Sequence[Case]) -> list[list[Case]]:
    """Group cases so that one suspect answers for all elements it explains.

    The suspect of a group explains most of the open cases; then the least odd one counts,
    then the one that explains most of the area, then the one with the most lenient date.
    Elements in doubt are grouped among themselves, so that they carry no sure case along.
    """
    unsure = frozenset(case.element for case in cases if case.doubt is not None)
    groups: list[list[Case]] = []
    for doubted in (False, True):
        left = [case for case in cases if (case.doubt is not None) == doubted]
        while left:
            elements = [case.element for case in left]
            options = {m for case in left for m in (case.suspect, *case.others)}
            best = min(options, key=lambda m: _rank(m, elements, unsure - set(elements)))
            own = [case for case in left if best.explains(case.element)]
            groups.append([_with_suspect(case, best) for case in own])
            left = [case for case in left if case not in own]
    return groups


def _rank(
    match: Match, elements: Sequence[str], unsure: frozenset[str]
) -> tuple[int, int, float, int, int, str]:
    explained = sum(match.explains(element) for element in elements)
    needs = sum(cover.role == "need" for cover in match.covers.values())
    return (
        len(unsure & set(match.material.needed)),
        -explained,
        match.cost,
        -needs,
        match.material.earliest.low,
        match.material.name,
    )


def _with_suspect(case: Case, suspect: Match) -> Case:
    others = tuple(m for m in (case.suspect, *case.others) if m is not suspect)
    return replace(case, suspect=suspect, others=others)


def worst(cases: Sequence[Case]) -> Verdict:
    """Pick the most serious verdict of a group."""
    return min((case.verdict for case in cases), key=_ORDER.index)
