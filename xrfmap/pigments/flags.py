"""Flags of an area, in sentences that a curator can read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from xrfmap.findings import Flag, Verdict
from xrfmap.pigments.cases import Case, cases_of, group_cases, worst
from xrfmap.pigments.dates import date_words
from xrfmap.pigments.evidence import OVERLAPS
from xrfmap.pigments.innocents import Innocence
from xrfmap.pigments.matching import Match, NearMiss
from xrfmap.pigments.setting import Setting
from xrfmap.pigments.words import element_names, join, next_check, one_or_more, sentence

__all__ = ["Judged", "judge"]

_PATCHY = 0.2  # of the area's pixels; below, the element sits in patches


@dataclass(frozen=True)
class Judged:
    """Flags of one area with what did not become a flag."""

    flags: tuple[Flag, ...]
    remarks: tuple[str, ...]
    questions: tuple[str, ...]


def judge(
    setting: Setting,
    matches: Sequence[Match],
    innocents: Sequence[Innocence],
    near: Sequence[NearMiss],
) -> Judged:
    """Make the flags of one area from elements that nothing of the period explains.

    Parameters
    ----------
    setting : Setting
        Area, rules, period.
    matches, innocents
        What would explain its elements.
    near : sequence of NearMiss
        Materials of the period that fell short, for the reasons.

    Returns
    -------
    Judged
        An overlap that was not ruled out gives ``"cannot_tell"``, or a question where the
        signal is faint; what lies in a later layer gives ``"later_layer"`` or a remark.
    """
    flags, remarks, questions = [], [], []
    for group in group_cases(cases_of(setting, matches, innocents)):
        if all(case.doubt is not None and case.doubt.faint for case in group):
            questions.append(_faint(setting, group))
            continue
        verdict, note = _placed(worst(group), setting)
        if verdict is None:
            remarks.append(_without_weight(setting, group))
        else:
            flags.append(_flag(setting, verdict, group, near, note))
    return Judged(tuple(flags), tuple(remarks), tuple(questions))


def _placed(verdict: Verdict, setting: Setting) -> tuple[Verdict | None, str]:
    """Verdict by the place of the area; ``None`` where the place takes its weight away."""
    if setting.area.standing != "later":
        return verdict, ""
    place = setting.area.role or setting.area.layer or setting.area.where or "a later layer"
    if verdict != "out_of_period":
        return None, ""
    return "later_layer", (
        f"The area is described as {place}: a later intervention is the likely reason."
    )


def _without_weight(setting: Setting, group: Sequence[Case]) -> str:
    elements = element_names(case.element for case in group)
    return (
        f"{setting.area.name}: {elements} may come from {group[0].suspect.material.name}; in a "
        f"later layer this has no weight for the date of the picture."
    )


def _faint(setting: Setting, group: Sequence[Case]) -> str:
    told = join(f"{case.element}: {case.doubt.reason}" for case in group if case.doubt)
    return (
        f"{setting.area.name}: a faint signal was not taken further ({told}). A longer "
        f"measurement at one point would settle whether the element is there."
    )


def _flag(
    setting: Setting, verdict: Verdict, group: Sequence[Case], near: Sequence[NearMiss], note: str
) -> Flag:
    material = group[0].suspect.material
    elements = [case.element for case in group]
    # elements that belong to the suspect as well, such as the lead of chrome yellow
    elements += [e for e in material.needed if e not in elements and e in setting.present]
    parts = [
        _seen(setting, group),
        *_dated(setting, verdict, group),
        *_period_side(setting, verdict, group, near),
        note,
        *_place_notes(setting, group),
        _amount_note(setting),
    ]
    keys = [*material.earliest.sources, *(material.common.sources if material.common else [])]
    return Flag(
        pigment=material.name,
        elements=elements,
        area=setting.area.name,
        layer=setting.area.layer,
        verdict=verdict,
        reason=" ".join(part for part in parts if part),
        sources=setting.rules.references([*keys, *material.sources]),
        next_check=next_check([material], setting.present, setting.area.name),
        also=_others(group),
    )


def _seen(setting: Setting, group: Sequence[Case]) -> str:
    names = sentence(element_names(case.element for case in group))
    verb = "is" if len(group) == 1 else "are"
    if setting.area.origin == "typed in":
        text = f"{names} {verb} stated by the report from which the area was typed in."
    else:
        further = {c.element: setting.area.elements[c.element].confirmed_by for c in group}
        told = [f"{e} by {join(lines)}" for e, lines in further.items() if lines]
        text = f"{names} {verb} detected{f' ({join(told)})' if told else ''}."
    doubtful = [f"{case.element}: {case.doubt.reason}" for case in group if case.doubt]
    return text + (f" This is not beyond doubt ({'; '.join(doubtful)})." if doubtful else "")


def _others(group: Sequence[Case]) -> list[str]:
    """Name other materials out of period that the elements would come from as well."""
    others = {m.material.name: m.material for case in group for m in case.others}
    return [name for name, m in others.items() if m.kind != "alteration"]


def _dated(setting: Setting, verdict: Verdict, group: Sequence[Case]) -> list[str]:
    suspect, usual = group[0].suspect.material, _others(group)
    it = "It" if len(group) == 1 else "They"
    text = f"{it} would be explained by {suspect.name}: {date_words(suspect, setting.region)}."
    if usual:
        text += f" Also by {one_or_more(usual)}."
    end = setting.period[1] if setting.period else 0
    if verdict == "borderline":
        return [text, f"The stated period ends in {end}, where first reports and common use part."]
    if verdict == "cannot_tell":
        return [text, f"The stated period ends in {end}, but that is not the only explanation."]
    return [text, f"The stated period ends in {end}, before any of these was available."]


def _period_side(
    setting: Setting, verdict: Verdict, group: Sequence[Case], near: Sequence[NearMiss]
) -> list[str]:
    """Say what the period has to offer, and why it is not enough."""
    soft = list(dict.fromkeys(text for case in group for text in case.soft))
    if soft and verdict == "cannot_tell":
        parts = [f"Within the period it might come from: {'; '.join(soft)}."]
    elif soft:
        parts = [f"Considered, and not enough: {'; '.join(soft)}."]
    else:
        parts = ["No material of the period in the rules accounts for it."]
    wanted = {case.element for case in group}
    parts += [f"{sentence(miss.text)}." for miss in near if wanted & set(miss.elements)]
    return [*parts, _hosts(setting, wanted)]


def _hosts(setting: Setting, elements: set[str]) -> str:
    """Innocent sources of the flagged elements that would need other elements beside them."""
    told = [
        f"{entry.why} (with {join(missing)})"
        for entry in setting.rules.innocents.values()
        if entry.element in elements
        and (missing := [e for e in entry.beside if e not in setting.present])
    ]
    if not told:
        return ""
    return f"Innocent sources would show other elements beside it: {'; '.join(told[:2])}."


def _place_notes(setting: Setting, group: Sequence[Case]) -> list[str]:
    notes = []
    area = setting.area
    shares = [area.elements[c.element].share_of_area for c in group]
    known = [share for share in shares if share is not None]
    if known and max(known) < _PATCHY:
        notes.append(
            f"It shows in {100 * max(known):.0f} % of the area only: patches may be losses or "
            f"retouching inside it."
        )
    if area.standing == "unassigned" and area.where is None:
        notes.append("No layer was stated for the area, so it is judged as original paint.")
    rivals = {c.element: _typed_rivals(setting, c.element) for c in group}
    told = [f"{e} and {join(others)}" for e, others in rivals.items() if others]
    if told:
        notes.append(
            f"Caution: lines of {'; of '.join(told)} overlap; make sure that the older report "
            f"separated them."
        )
    return notes


def _typed_rivals(setting: Setting, element: str) -> list[str]:
    if not setting.area.elements[element].typed_in:
        return []
    rivals = OVERLAPS.get(f"{element} K", ()) or OVERLAPS.get(f"{element} L", ())
    return [rival for rival in rivals if rival in setting.present]


def _amount_note(setting: Setting) -> str:
    if not any(setting.amounts.share(e) for e in setting.present):
        return ""
    if setting.area.origin == "typed in":
        return "Amounts were taken as relative masses, good to a factor of two."
    return (
        "Amounts are thin-film masses from the net counts; layers may shift them by a factor of "
        "two and more."
    )
