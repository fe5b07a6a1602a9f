"""From explanations to flags: what does not fit the period, and what cannot be judged.

The question asked of each element is whether *any* material or innocent source of the
period accounts for it, in the amount seen. Only where none does is a material flagged, and
then the most lenient of the materials that would explain it gives the verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from xrfmap.findings import Flag, Verdict
from xrfmap.pigments.dates import date_words
from xrfmap.pigments.evidence import OVERLAPS, ElementEvidence
from xrfmap.pigments.matching import Innocence, Match, Setting
from xrfmap.pigments.words import element_names, join, next_check, one_or_more, sentence

__all__ = ["Case", "Judged", "doubts", "judge"]

_RIVAL_SHARE = 0.1  # below this share of the rival's counts a peak rests on the rival's shape
_FAINT_SHARE = 0.03  # below this it is asked about, not flagged


@dataclass(frozen=True)
class Case:
    """One element that no usual material of the period accounts for."""

    element: str
    verdict: Verdict
    suspect: Match
    others: tuple[Match, ...]  # further materials that would explain it
    soft: tuple[str, ...]  # possible explanations of the period that are not enough
    doubt: str | None  # why the element itself is not beyond doubt


@dataclass(frozen=True)
class Judged:
    """Flags of one area with what did not become a flag."""

    flags: tuple[Flag, ...]
    remarks: tuple[str, ...]
    questions: tuple[str, ...]


def doubts(setting: Setting, element: str) -> tuple[str | None, bool]:
    """Why a detected element is not beyond doubt, and whether it is only faint.

    Returns
    -------
    reason : str or None
        ``None`` where a second line or family shows it, where nothing overlaps it, or
        where an older report states it.
    faint : bool
        Whether the counts are so few beside the rival's that only a question remains.
    """
    found = setting.area.elements[element]
    if found.typed_in or found.confirmed_by or found.best is None:
        return None, False
    if found.competitor is not None:
        share = _against(found, setting.area.elements.get(found.competitor.partition(" ")[0]))
        return (
            f"its line may belong to {found.competitor}; no second line confirms it",
            share is not None and share < _FAINT_SHARE,
        )
    for rival in OVERLAPS.get(found.best.family, ()):
        share = _against(found, setting.area.present.get(rival))
        if share is not None and share < _RIVAL_SHARE:
            return (
                f"{found.best.family} overlaps a line of {rival}, which is {1 / share:.0f} times "
                f"stronger here; no second line confirms it",
                share < _FAINT_SHARE,
            )
    return None, False


def _against(found: ElementEvidence, rival: ElementEvidence | None) -> float | None:
    if rival is None or rival.best is None or found.best is None:
        return None
    own, other = found.best.net, rival.best.net
    return own / other if own and other and other > 0 else None


def judge(
    setting: Setting,
    matches: Sequence[Match],
    innocents: Sequence[Innocence],
    near: Sequence[str],
) -> Judged:
    """Make the flags of one area from elements that nothing of the period explains.

    Parameters
    ----------
    setting : Setting
        Area, rules, period.
    matches, innocents
        What would explain its elements.
    near : sequence of str
        Materials of the period that fell short, for the reasons.
    """
    if setting.period is None:
        return Judged((), (), ())
    cases = [c for e in setting.present if (c := _case(setting, e, matches, innocents))]
    flags, remarks, questions = [], [], []
    for suspect, group in _by_suspect(cases).items():
        verdict = _worst(group)
        faint = [doubts(setting, c.element)[1] for c in group]
        if all(c.doubt for c in group) and all(faint):
            questions.append(_faint_question(setting, group))
            continue
        placed, note = _placed(verdict, setting)
        if placed is None:
            remarks.append(_later_remark(setting, suspect, group))
            continue
        flags.append(_flag(setting, placed, group, near, note, matches))
    return Judged(tuple(flags), tuple(remarks), tuple(questions))


def _case(
    setting: Setting, element: str, matches: Sequence[Match], innocents: Sequence[Innocence]
) -> Case | None:
    """Make the case against an element, ``None`` where the period accounts for it."""
    soft = []
    for match in matches:
        cover = match.covers.get(element)
        if cover is None or match.verdict != "compatible":
            continue
        if cover.grade == "good" and match.material.rarity != "rare":
            return None
        soft.append(f"{match.material.name} ({_soft_reason(match, element)})")
    for innocence in innocents:
        if innocence.element == element:
            if innocence.grade == "good":
                return None
            soft.append(f"{innocence.text} ({_GRADE_WORDS[innocence.grade]})")
    suspects = [
        m
        for m in matches
        if m.verdict != "compatible" and m.explains(element) and m.covers[element].role == "need"
    ]
    if not suspects:
        return None
    lenient = min(suspects, key=lambda m: (m.verdict != "borderline", m.cost))
    verdict: Verdict = lenient.verdict
    strong = [m for m in suspects if m.verdict == verdict]
    if verdict == "out_of_period" and _possible(setting, element, matches, innocents):
        verdict = "cannot_tell"
    doubt, _ = doubts(setting, element)
    if doubt is not None:
        verdict = "cannot_tell"
    return Case(element, verdict, strong[0], tuple(strong[1:]), tuple(soft), doubt)


_GRADE_WORDS = {
    "doubtful": "possible, but the amount is not known or rather high",
    "named": "rare, and only in traces",
    "good": "fits",
}


def _soft_reason(match: Match, element: str) -> str:
    if match.material.rarity == "rare" and match.covers[element].grade == "good":
        return "rare"
    return _GRADE_WORDS[match.covers[element].grade]


def _possible(
    setting: Setting, element: str, matches: Sequence[Match], innocents: Sequence[Innocence]
) -> bool:
    """Whether anything of the period is at least a possible explanation."""
    return any(m.verdict == "compatible" and m.explains(element) for m in matches) or any(
        i.element == element and i.grade == "doubtful" for i in innocents
    )


def _by_suspect(cases: Sequence[Case]) -> dict[Match, list[Case]]:
    """Cases grouped so that one material answers for all elements it explains."""
    left = list(cases)
    grouped: dict[Match, list[Case]] = {}
    while left:
        options = {m for case in left for m in (case.suspect, *case.others)}

        def reach(match: Match, open_cases: Sequence[Case] = tuple(left)) -> tuple[float, ...]:
            # most cases, then least odd, then most of the area, then the most lenient date
            covered = sum(match.explains(case.element) for case in open_cases)
            needs = sum(cover.role == "need" for cover in match.covers.values())
            return -covered, match.cost, -needs, match.material.earliest.low

        best = min(options, key=lambda m: (reach(m), m.material.name))
        own = [case for case in left if best.explains(case.element)]
        grouped[best] = [_as_suspect(case, best) for case in own]
        left = [case for case in left if case not in own]
    return grouped


def _as_suspect(case: Case, suspect: Match) -> Case:
    others = tuple(m for m in (case.suspect, *case.others) if m is not suspect)
    return Case(case.element, case.verdict, suspect, others, case.soft, case.doubt)


def _worst(group: Sequence[Case]) -> Verdict:
    order: tuple[Verdict, ...] = ("out_of_period", "borderline", "cannot_tell")
    return min((case.verdict for case in group), key=order.index)


def _placed(verdict: Verdict, setting: Setting) -> tuple[Verdict | None, str]:
    """Verdict by the place of the area; ``None`` where the place takes its weight away."""
    if setting.area.standing != "later":
        return verdict, ""
    place = setting.area.role or setting.area.layer or setting.area.where or "a later layer"
    if verdict == "out_of_period":
        return "later_layer", (
            f"The area is described as {place}: a later intervention is the likely reason."
        )
    return None, ""


def _later_remark(setting: Setting, suspect: Match, group: Sequence[Case]) -> str:
    elements = element_names(case.element for case in group)
    return (
        f"{setting.area.name}: {elements} may come from {suspect.material.name}; in a later "
        f"layer this has no weight for the date of the picture."
    )


def _faint_question(setting: Setting, group: Sequence[Case]) -> str:
    told = join(f"{case.element}: {case.doubt}" for case in group)
    return (
        f"{setting.area.name}: a faint signal was not taken further ({told}). A longer "
        f"measurement at one point would settle whether the element is there."
    )


def _flag(
    setting: Setting,
    verdict: Verdict,
    group: Sequence[Case],
    near: Sequence[str],
    note: str,
    matches: Sequence[Match],
) -> Flag:
    suspect = group[0].suspect
    elements = list(dict.fromkeys(case.element for case in group))
    # elements that only belong to the suspect, such as the lead of chrome yellow
    elements += [e for e in suspect.material.needed if e not in elements and e in setting.present]
    parts = [_seen(setting, group), *_dated(setting, verdict, group)]
    parts += _period_side(group, near, setting)
    if note:
        parts.append(note)
    parts += _place_notes(setting, group)
    keys = [*suspect.material.earliest.sources]
    keys += suspect.material.common.sources if suspect.material.common else []
    keys += suspect.material.sources
    return Flag(
        pigment=suspect.material.name,
        elements=elements,
        area=setting.area.name,
        layer=setting.area.layer,
        verdict=verdict,
        reason=" ".join(parts),
        sources=setting.rules.references(keys),
        next_check=next_check([suspect.material], setting.present, setting.area.name),
    )


def _seen(setting: Setting, group: Sequence[Case]) -> str:
    names = element_names(case.element for case in group)
    verb = "is" if len(group) == 1 else "are"
    names = sentence(names)
    doubtful = [f"{case.element}: {case.doubt}" for case in group if case.doubt]
    if setting.area.origin == "typed in":
        how = "stated by the report from which the area was typed in"
    else:
        how = "detected"
        confirmed = [
            f"{c.element} also by {join(setting.area.elements[c.element].confirmed_by)}"
            for c in group
            if setting.area.elements[c.element].confirmed_by
        ]
        how += f" ({'; '.join(confirmed)})" if confirmed else ""
    text = f"{names} {verb} {how}."
    return text + (f" This is not beyond doubt ({'; '.join(doubtful)})." if doubtful else "")


def _dated(setting: Setting, verdict: Verdict, group: Sequence[Case]) -> list[str]:
    suspect = group[0].suspect.material
    others = list(dict.fromkeys(m.material.name for case in group for m in case.others))
    words = date_words(suspect, setting.region)
    text = f"It would be explained by {suspect.name}: {words}."
    if others:
        text += f" Also by {one_or_more(others)}."
    end = f"The stated period ends in {setting.period[1] if setting.period else None}"
    if verdict == "borderline":
        return [text, f"{end}, between the first reports and common use, or where sources differ."]
    if verdict == "cannot_tell":
        return [text, f"{end}, before it; but that is not the only explanation."]
    return [text, f"{end}, before any of these was available."]


def _period_side(group: Sequence[Case], near: Sequence[str], setting: Setting) -> list[str]:
    soft = list(dict.fromkeys(text for case in group for text in case.soft))
    parts = []
    if soft and any(case.verdict == "cannot_tell" for case in group):
        parts.append(f"Within the period it might come from: {'; '.join(soft)}.")
    elif soft:
        parts.append(f"Considered, and not enough: {'; '.join(soft)}.")
    else:
        parts.append("No material of the period in the rules accounts for it.")
    wanted = {case.element for case in group}
    told = [n for n in near if any(m in n.split() for m in wanted)]
    parts += [f"{sentence(text)}." for text in told]
    innocent = _innocent_words(setting, sorted(wanted))
    return parts + ([innocent] if innocent else [])


def _innocent_words(setting: Setting, elements: Sequence[str]) -> str:
    """Innocent sources of the flagged elements whose host was not seen here."""
    hosts: list[str] = []
    for entry in setting.rules.innocents.values():
        if entry.element in elements and entry.beside:
            missing = [e for e in entry.beside if e not in setting.present]
            if missing:
                hosts.append(f"{entry.why}, but only with {join(missing)} beside it")
    if not hosts:
        return ""
    return f"Not supported by what was seen: {'; '.join(hosts[:2])}."


def _place_notes(setting: Setting, group: Sequence[Case]) -> list[str]:
    notes = []
    shares = [setting.area.elements[c.element].share_of_area for c in group]
    known = [share for share in shares if share is not None]
    if known and max(known) < 0.2:
        notes.append(
            f"It shows in {100 * max(known):.0f} % of the area only: patches may be losses or "
            f"retouching inside it."
        )
    if setting.area.standing == "unassigned" and setting.area.where is None:
        notes.append("No layer was stated for the area, so it is judged as original paint.")
    rivals = [
        f"{c.element} ({join(sorted(needs))})"
        for c in group
        if setting.area.elements[c.element].typed_in
        and (needs := _typed_rivals(setting, c.element))
    ]
    if rivals:
        notes.append(
            f"Caution: the lines of {'; '.join(rivals)} overlap; make sure that the older "
            f"report separated them."
        )
    return notes


def _typed_rivals(setting: Setting, element: str) -> set[str]:
    rivals = OVERLAPS.get(f"{element} K", ()) or OVERLAPS.get(f"{element} L", ())
    return {rival for rival in rivals if rival in setting.present}
