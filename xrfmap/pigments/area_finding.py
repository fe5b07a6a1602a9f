"""What is said of one area: amounts, candidate materials, sets, a sentence, a bound."""

from __future__ import annotations

from collections.abc import Sequence

from xrfmap.findings import AreaFinding, Candidate, ElementAmount, Flag
from xrfmap.pigments.cases import doubt_of
from xrfmap.pigments.dates import date_words, dates_in
from xrfmap.pigments.evidence import ElementEvidence
from xrfmap.pigments.innocents import Innocence
from xrfmap.pigments.matching import Match
from xrfmap.pigments.sets import Explained, Item, covered_by
from xrfmap.pigments.setting import Setting
from xrfmap.pigments.words import element_names, join, one_or_more, sentence

__all__ = ["area_finding"]

_CLASS_SHOWN = 4  # candidates listed of materials that explain the same elements
_ANTIQUITY = 500  # materials older than this bound no easel painting


def area_finding(
    setting: Setting,
    matches: Sequence[Match],
    innocents: Sequence[Innocence],
    items: Sequence[Item],
    sets: Sequence[Explained],
    flags: Sequence[Flag],
) -> AreaFinding:
    """Put together what is said of one area.

    Parameters
    ----------
    setting : Setting
        Area, rules, period.
    matches, innocents, items, sets
        What explains its elements, grouped, and joined to sets.
    flags : sequence of Flag
        Of this area.
    """
    area = setting.area
    covered = covered_by(items)
    unexplained = [e for e in setting.present if e not in covered]
    year, why = _not_before(setting, matches, innocents)
    return AreaFinding(
        name=area.name,
        layer=area.layer,
        elements=[_amount(e, setting) for e in area.elements.values()],
        candidates=_candidates(setting, sets, flags, matches),
        sets=[[item.matches[0].material.name for item in s.items if item.matches] for s in sets],
        unexplained=unexplained,
        summary=_summary(setting, sets, flags, unexplained),
        origin=area.origin,
        not_before=year,
        not_before_because=why,
    )


def _amount(element: ElementEvidence, setting: Setting) -> ElementAmount:
    best = element.best
    notes = [element.note] if element.note else []
    if element.symbol in setting.ignore:
        notes.append("air or instrument, not the object")
    elif element.detected:
        doubt = doubt_of(setting, element.symbol)
        share = setting.amounts.share(element.symbol)
        if doubt is not None:
            notes.append(doubt.reason)
        if share is not None:
            notes.append(f"about {100 * share.value:.2g} % of the visible mass, roughly")
    return ElementAmount(
        symbol=element.symbol,
        line=best.family if best else "typed in",
        net_counts=best.net if best else None,
        net_counts_err=best.err if best else None,
        net_counts_ul=best.ul if best else None,
        detected=element.detected,
        share_of_area=element.share_of_area,
        note="; ".join(notes) or None,
    )


def _candidates(
    setting: Setting, sets: Sequence[Explained], flags: Sequence[Flag], matches: Sequence[Match]
) -> list[Candidate]:
    """Materials of the sets, best class first, and those that were flagged."""
    flagged = {flag.pigment for flag in flags}
    shown: dict[str, tuple[Match, Sequence[Match]]] = {}
    for explained in sets:
        for item in explained.items:
            for match in item.matches[:_CLASS_SHOWN]:
                shown.setdefault(match.key, (match, item.matches))
    for match in matches:
        if match.material.name in flagged:
            shown.setdefault(match.key, (match, (match,)))
    return [_candidate(setting, match, mates) for match, mates in shown.values()]


def _candidate(setting: Setting, match: Match, mates: Sequence[Match]) -> Candidate:
    material = match.material
    alike = [m.material.name for m in mates if m is not match]
    alike += [setting.rules.materials[k].name for k in setting.rules.look_alikes(match.key)]
    note = [material.look_alike_note] if material.look_alike_note else []
    against = list(match.against)
    if match.verdict != "compatible":
        against.append(f"dates: {date_words(material, setting.region)}")
    if material.rarity == "rare":
        against.append("rarely used")
    return Candidate(
        pigment=material.name,
        fits_period=match.verdict,
        support=list(match.support),
        against=against,
        look_alikes=list(dict.fromkeys([*alike, *note])),
        sources=setting.rules.references([*material.sources, *material.earliest.sources]),
    )


def _not_before(
    setting: Setting, matches: Sequence[Match], innocents: Sequence[Innocence]
) -> tuple[int | None, str]:
    """Find the earliest year that the elements allow, whatever the stated period.

    For each element the most lenient explanation counts; the latest of these years bounds
    the paint. Elements in doubt, or that an innocent source may explain, bound nothing.
    """
    year: int | None = None
    why = ""
    free = {i.element for i in innocents if i.grade != "named"}
    for element in setting.present:
        options = [m for m in matches if m.explains(element)]
        if element in free or not options or doubt_of(setting, element) is not None:
            continue
        first = min(options, key=lambda m: dates_in(m.material, setting.region)[0].low)
        low = dates_in(first.material, setting.region)[0].low
        if low > _ANTIQUITY and (year is None or low > year):
            year = low
            why = (
                f"{element_names([element])} in {setting.area.name} asks at the earliest for "
                f"{first.material.name}: {date_words(first.material, setting.region)}"
            )
    return year, why


def _summary(
    setting: Setting, sets: Sequence[Explained], flags: Sequence[Flag], unexplained: Sequence[str]
) -> str:
    if not setting.present:
        return "No element was detected here; that says nothing on what is present."
    verb = "stated" if setting.area.origin == "typed in" else "found"
    were = "was" if len(setting.present) == 1 else "were"
    parts = [f"{sentence(element_names(setting.present))} {were} {verb}."]
    best = sets[0].items if sets else ()
    named = [_class_words(item) for item in best if item.matches]
    if named:
        parts.append(f"The simplest reading is {join(named)}.")
    minor = [item.innocence.text for item in best if item.innocence is not None]
    if minor:
        parts.append(f"Besides: {'; '.join(minor)}.")
    if unexplained:
        parts.append(f"Not explained by any rule: {element_names(unexplained)}.")
    return " ".join([*parts, _verdict_sentence(setting, flags)])


def _class_words(item: Item) -> str:
    usual = [
        m.material.name
        for m in item.matches[1:]
        if m.material.rarity != "rare" and m.material.kind != "alteration"
    ]
    name = item.matches[0].material.name
    return f"{name} (elements would also allow {one_or_more(usual, 3)})" if usual else name


def _verdict_sentence(setting: Setting, flags: Sequence[Flag]) -> str:
    if setting.period is None:
        return "No period was stated to compare with."
    start, end = setting.period
    years = f"{start}" if start == end else f"{start} to {end}"
    span = f"the stated period ({years})"
    if not flags:
        return f"Nothing here contradicts {span}."
    words = {
        "out_of_period": "does not fit {span}",
        "borderline": "lies at the edge of what {span} allows",
        "later_layer": "is later than {span}, but lies where a later intervention is likely",
        "cannot_tell": "cannot be decided for {span} by elements",
    }
    told = [f"{flag.pigment} {words[flag.verdict].format(span=span)}" for flag in flags]
    return f"{sentence(join(told))}."
