"""The whole judgement on areas: the one path for scans, typed-in lists and questions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from xrfmap.findings import (
    VERDICT_ORDER,
    AreaFinding,
    Candidate,
    ElementAmount,
    Flag,
    Source,
    Verdict,
)
from xrfmap.pigments.alarms import colour_alarm, colours_in, shared_alarm
from xrfmap.pigments.amounts import Amounts
from xrfmap.pigments.dates import date_words, dates_in, decline_remark, region_of
from xrfmap.pigments.evidence import AreaEvidence, ElementEvidence, evidence_from_area
from xrfmap.pigments.matching import (
    Innocence,
    Match,
    Setting,
    innocent_sources,
    match_all,
)
from xrfmap.pigments.rulebase import RuleBase, load_rules
from xrfmap.pigments.sets import Explained, Item, covered_by, find_sets, items_of
from xrfmap.pigments.verdicts import judge
from xrfmap.pigments.words import element_names, join, one_or_more, sentence
from xrfmap.settings import Area, Instrument, LayerEntry, Period

__all__ = ["Assessment", "assess", "match_area", "match_pigments", "overall_verdict"]

_AIR = frozenset({"Ar", "Kr", "Xe", "N", "O"})
_CLASS_SHOWN = 4  # candidates listed of materials that explain the same elements
_ANTIQUITY = 500  # materials older than this bound no easel painting
_BLANK_AREAS, _BLANK_SHARE = 4, 0.005  # a trace alike in so many areas is asked about


@dataclass(frozen=True)
class Assessment:
    """What the rules say of all areas.

    Attributes
    ----------
    areas : tuple of AreaFinding
        In the order given.
    flags : tuple of Flag
        The most serious first.
    overall : Verdict
        The most serious verdict of the flags; ``"cannot_tell"`` where no period was
        stated, because then there is nothing to compare with.
    remarks : tuple of str
        Decline dates, regions, things without weight.
    open_questions : tuple of str
        What stays unexplained or undecided.
    cautions : tuple of str
        On reading the result.
    """

    areas: tuple[AreaFinding, ...]
    flags: tuple[Flag, ...]
    overall: Verdict
    remarks: tuple[str, ...]
    open_questions: tuple[str, ...]
    cautions: tuple[str, ...]


def overall_verdict(flags: Iterable[Flag]) -> Verdict:
    """Pick the most serious verdict of some flags; ``"compatible"`` where there is none."""
    found = {flag.verdict for flag in flags}
    return next((v for v in VERDICT_ORDER if v in found), "compatible")


def assess(
    areas: Sequence[AreaEvidence | Area],
    period: Period | tuple[int, int] | None,
    layers: Sequence[LayerEntry] = (),
    rules: RuleBase | None = None,
    *,
    instrument: Instrument | None = None,
    region: str | None = None,
    ignore: Iterable[str] = (),
) -> Assessment:
    """Judge areas against a period.

    Parameters
    ----------
    areas : sequence of AreaEvidence or Area
        Areas of settings (typed-in elements) are turned into evidence first.
    period : Period, (int, int) or None
        The stated period.
    layers : sequence of LayerEntry
        Layers of the study, for roles.
    rules : RuleBase, optional
        The built-in rules where not given.
    instrument : Instrument, optional
        For turning counts into amounts; defaults where not given.
    region : str, optional
        Where the object is said to come from.
    ignore : iterable of str
        Elements that do not belong to the object (anode, filter). Air is left out anyway.

    Returns
    -------
    Assessment
        A pure result: nothing is read or written.

    Notes
    -----
    Amounts: net counts become thin-film masses with generous intervals (see
    :mod:`xrfmap.pigments.amounts`); typed-in amounts are taken as relative masses.
    """
    rules = rules or load_rules()
    span = (period.start, period.end) if isinstance(period, Period) else period
    if isinstance(period, Period):
        region = region or period.region
    ready = [evidence_from_area(a, layers) if isinstance(a, Area) else a for a in areas]
    left_out = _AIR | frozenset(ignore)
    settings = [
        _setting(a, rules, span, instrument or Instrument(), region, left_out) for a in ready
    ]
    blank, blank_questions = _blanks(settings)
    results = [_area(setting, blank) for setting in settings]
    flags = sorted(
        (flag for result in results for flag in result.flags),
        key=lambda flag: VERDICT_ORDER.index(flag.verdict),
    )
    questions = [*blank_questions, *(q for r in results for q in r.questions)]
    flags = _with_pattern(flags, settings)
    return Assessment(
        areas=tuple(result.finding for result in results),
        flags=tuple(flags),
        overall=overall_verdict(flags) if span is not None else "cannot_tell",
        remarks=_once(r for result in results for r in result.remarks),
        open_questions=_once([*_no_period(span), *questions]),
        cautions=_cautions(ready, flags),
    )


def match_area(
    area: AreaEvidence,
    rules: RuleBase,
    period: Period | tuple[int, int] | None,
    *,
    instrument: Instrument | None = None,
) -> tuple[AreaFinding, list[Flag]]:
    """Judge one area; see :func:`assess`."""
    result = assess([area], period, (), rules, instrument=instrument)
    return result.areas[0], list(result.flags)


def match_pigments(
    elements: Iterable[str] | Mapping[str, float],
    period: Period | tuple[int, int] | None = None,
    *,
    layer: str | None = None,
    colour: str | None = None,
    rules: RuleBase | None = None,
    region: str | None = None,
) -> Assessment:
    """Ask the rules about some elements, as typed in from a report.

    Parameters
    ----------
    elements : iterable of str, or mapping of str to float
        Symbols; with a mapping the values are relative masses.
    period : Period or (int, int), optional
        The stated period.
    layer, colour, region : str, optional
        Role of the layer (``"retouching"``), colour of the area, region of the object.
    rules : RuleBase, optional
        The built-in rules where not given.

    Returns
    -------
    Assessment
        With a single area.

    Raises
    ------
    ValidationError
        If a symbol is no element.

    Examples
    --------
    >>> match_pigments({"Pb", "Sn"}, period=(1630, 1650)).overall
    'compatible'
    """
    symbols = list(elements) if isinstance(elements, Mapping | Sequence) else sorted(elements)
    amounts = dict(elements) if isinstance(elements, Mapping) else None
    area = Area(
        name="the area in question", elements=symbols, amounts=amounts, layer=layer, colour=colour
    )
    return assess([area], period, (), rules, region=region)


@dataclass(frozen=True)
class _Result:
    finding: AreaFinding
    flags: tuple[Flag, ...]
    remarks: tuple[str, ...]
    questions: tuple[str, ...]


def _setting(
    area: AreaEvidence,
    rules: RuleBase,
    period: tuple[int, int] | None,
    instrument: Instrument,
    region: str | None,
    ignore: frozenset[str],
) -> Setting:
    colours = colours_in(area.colour) or colours_in(area.name)
    return Setting(area, rules, period, Amounts(area, instrument), colours, region, ignore)


def _area(setting: Setting, blank: frozenset[str]) -> _Result:
    matches, near = match_all(setting)
    innocents = innocent_sources(setting)
    innocents += [_blank_source(e) for e in sorted(blank) if e in setting.present]
    judged = judge(setting, matches, innocents, near)
    flags = list(judged.flags)
    told = {e for flag in flags for e in flag.elements}
    flags += [f for f in shared_alarm(setting, matches, innocents) if not told & set(f.elements)]
    flags += [] if told else colour_alarm(setting, matches)
    items = items_of(setting, matches, innocents, with_period=setting.area.standing != "later")
    sets = find_sets(items, setting.present)
    finding = _finding(setting, matches, innocents, items, sets, flags)
    remarks = [*judged.remarks, *_remarks(setting, sets)]
    questions = [*judged.questions, *_questions(setting, finding, flags)]
    return _Result(finding, tuple(flags), tuple(remarks), tuple(questions))


def _blanks(settings: Sequence[Setting]) -> tuple[frozenset[str], list[str]]:
    """Traces that are alike in every scanned area, whatever its colour."""
    scanned = [s for s in settings if s.area.origin == "scan"]
    if len(scanned) < _BLANK_AREAS:
        return frozenset(), []
    common = set.intersection(*(set(s.present) for s in scanned))
    blank = set()
    for element in common:
        shares = [s.amounts.share(element) for s in scanned]
        values = [share.value for share in shares if share is not None]
        if len(values) == len(scanned) and max(values) < _BLANK_SHARE:
            blank.add(element)
    text = [
        f"{sentence(element_names(sorted(blank)))}: a trace in every area, whatever its "
        f"colour. That points to instrument, lining, ground or dirt rather than to a pigment; "
        f"measure a blank (the instrument without the object) and the back."
    ]
    return frozenset(blank), text if blank else []


def _blank_source(element: str) -> Innocence:
    text = "a trace alike in every area, whatever its colour"
    return Innocence(f"blank_{element}", element, "good", text, 0.1)


def _finding(
    setting: Setting,
    matches: Sequence[Match],
    innocents: Sequence[Innocence],
    items: Sequence[Item],
    sets: Sequence[Explained],
    flags: Sequence[Flag],
) -> AreaFinding:
    area = setting.area
    covered = covered_by(items)
    unexplained = [e for e in setting.present if e not in covered]
    year, why = _not_before(setting, matches, innocents)
    return AreaFinding(
        name=area.name,
        layer=area.layer,
        elements=[_amount(e, setting) for e in area.elements.values()],
        candidates=_candidates(setting, sets, items, flags, matches),
        sets=[[item.matches[0].material.name for item in s.items if item.matches] for s in sets],
        unexplained=unexplained,
        summary=_summary(setting, sets, flags, unexplained),
        origin=area.origin,
        not_before=year,
        not_before_because=why,
    )


def _amount(element: ElementEvidence, setting: Setting) -> ElementAmount:
    best = element.best
    share = setting.amounts.share(element.symbol)
    notes = [element.note] if element.note else []
    if element.competitor and not element.confirmed_by:
        notes.append(f"may be {element.competitor}")
    if element.symbol in setting.ignore:
        notes.append("air or instrument, not the object")
    elif share is not None and element.detected:
        notes.append(f"about {100 * share.value:.2g} % of the visible mass, order of magnitude")
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
    setting: Setting,
    sets: Sequence[Explained],
    items: Sequence[Item],
    flags: Sequence[Flag],
    matches: Sequence[Match],
) -> list[Candidate]:
    """Materials of the sets, best class first, and those that were flagged."""
    flagged = {flag.pigment for flag in flags}
    shown: dict[str, Match] = {}
    mates: dict[str, tuple[Match, ...]] = {}
    for explained in sets:
        for item in explained.items:
            for match in item.matches[:_CLASS_SHOWN]:
                shown.setdefault(match.key, match)
                mates.setdefault(match.key, item.matches)
    for match in matches:
        if match.material.name in flagged:
            shown.setdefault(match.key, match)
            mates.setdefault(match.key, (match,))
    return [_candidate(setting, match, mates[match.key]) for match in shown.values()]


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
    keys = [*material.sources, *material.earliest.sources]
    sources: list[Source] = setting.rules.references(keys)
    return Candidate(
        pigment=material.name,
        fits_period=match.verdict,
        support=list(match.support),
        against=against,
        look_alikes=list(dict.fromkeys([*alike, *note])),
        sources=sources,
    )


def _not_before(
    setting: Setting, matches: Sequence[Match], innocents: Sequence[Innocence]
) -> tuple[int | None, str]:
    """Find the earliest year that the elements allow, whatever the stated period.

    For each element the most lenient explanation counts; the latest of these years bounds
    the paint. Elements that anything always available may explain bound nothing.
    """
    best: tuple[int | None, str] = (None, "")
    free = {i.element for i in innocents if i.grade != "named"}
    for element in setting.present:
        if element in free or setting.area.elements[element].competitor:
            continue
        options = [m for m in matches if m.explains(element)]
        if not options:
            continue
        first = min(options, key=lambda m: dates_in(m.material, setting.region)[0].low)
        earliest = dates_in(first.material, setting.region)[0]
        if earliest.low > _ANTIQUITY and (best[0] is None or earliest.low > best[0]):
            best = (
                earliest.low,
                f"{element_names([element])} in {setting.area.name} asks at the earliest for "
                f"{first.material.name} ({date_words(first.material, setting.region)})",
            )
    return best


def _summary(
    setting: Setting, sets: Sequence[Explained], flags: Sequence[Flag], unexplained: Sequence[str]
) -> str:
    area = setting.area
    if not setting.present:
        return "No element was detected here; that says nothing on what is present."
    verb = "stated" if area.origin == "typed in" else "found"
    text = f"{element_names(setting.present)} {verb}."
    text = sentence(text)
    named = [item for item in (sets[0].items if sets else ()) if item.matches]
    if named:
        text += f" The simplest reading is {join(_class_words(item) for item in named)}."
    minor = [i.innocence.text for i in (sets[0].items if sets else ()) if i.innocence is not None]
    if minor:
        text += f" Besides: {'; '.join(minor)}."
    if unexplained:
        text += f" Not explained by any rule: {element_names(unexplained)}."
    return f"{text} {_verdict_sentence(setting, flags)}"


def _class_words(item: Item) -> str:
    usual = [m for m in item.matches[1:] if m.material.rarity != "rare"]
    names = [match.material.name for match in (item.matches[0], *usual)]
    if len(names) == 1:
        return names[0]
    return f"{names[0]} (or {one_or_more(names[1:], 3)}, which elements cannot tell apart)"


def _verdict_sentence(setting: Setting, flags: Sequence[Flag]) -> str:
    if setting.period is None:
        return "No period was stated to compare with."
    span = f"{setting.period[0]} to {setting.period[1]}"
    if not flags:
        return f"Nothing here contradicts {span}."
    words = {
        "out_of_period": "does not fit {span}",
        "borderline": "lies at the edge of what {span} allows",
        "later_layer": "is later than {span}, in a layer where a later intervention is likely",
        "cannot_tell": "cannot be decided for {span} by elements",
    }
    told = [f"{flag.pigment} {words[flag.verdict].format(span=span)}" for flag in flags]
    return f"{sentence(join(told))}."


def _remarks(setting: Setting, sets: Sequence[Explained]) -> list[str]:
    remarks = []
    for item in sets[0].items if sets else ():
        declined = [decline_remark(m.material, setting.period) for m in item.matches]
        if item.matches and all(declined):
            remarks.append(f"{setting.area.name}: {declined[0]}")
        for match in item.matches[:1]:
            entry = region_of(match.material, setting.region)
            if entry is not None:
                remarks.append(f"{match.material.name}, {entry.name}: {entry.note}.")
    return remarks


def _questions(setting: Setting, finding: AreaFinding, flags: Sequence[Flag]) -> list[str]:
    questions = []
    if finding.unexplained:
        questions.append(
            f"{setting.area.name}: no rule explains {element_names(finding.unexplained)}; "
            f"something behind or beside the paint, or a material that the rules lack."
        )
    amounts = [e.amount for e in setting.area.present.values() if e.typed_in]
    if any(f.verdict == "cannot_tell" for f in flags) and amounts and None in amounts:
        questions.append(
            f"{setting.area.name}: amounts were not stated; with relative amounts a trace "
            f"could be told from a pigment."
        )
    return questions


def _with_pattern(flags: Sequence[Flag], settings: Sequence[Setting]) -> list[Flag]:
    """Add how the deciding element is spread over the areas."""
    out = []
    for flag in flags:
        lead = flag.elements[0] if flag.elements else None
        if lead is None or len(settings) < 3 or flag.verdict == "cannot_tell":
            out.append(flag)
            continue
        where = [s.area.name for s in settings if lead in s.present]
        if len(where) == len(settings):
            note = (
                f" {lead} shows in all {len(settings)} areas: an even spread under all colours "
                f"points to ground, lining or instrument, so check these first."
            )
        elif len(where) == 1:
            note = f" {lead} shows in this area only, of {len(settings)}."
        else:
            note = f" {lead} shows in {len(where)} of {len(settings)} areas: {join(where)}."
        out.append(flag.model_copy(update={"reason": flag.reason + note}))
    return out


def _no_period(period: tuple[int, int] | None) -> list[str]:
    return [] if period is not None else ["No period was stated, so nothing could be compared."]


def _cautions(areas: Sequence[AreaEvidence], flags: Sequence[Flag]) -> tuple[str, ...]:
    texts = [
        "Elements are not compounds: each pigment named here is an explanation, not an "
        "identification.",
        "An element that was not seen is not thereby absent, and a pigment without heavy "
        "elements is never seen.",
    ]
    if any(area.origin == "typed in" for area in areas):
        texts.append(
            "Elements typed in from an older report count as that report states them; how it "
            "separated overlapping lines is not known here."
        )
    if flags:
        texts.append("A flag is a reason for the next check, not a judgement on the object.")
    return tuple(texts)


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))
