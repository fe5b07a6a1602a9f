"""The whole judgement on areas: the one path for scans, typed-in lists and questions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from xrfmap.cautions import put_together
from xrfmap.errors import InputError
from xrfmap.findings import VERDICT_ORDER, AreaFinding, Flag, Verdict
from xrfmap.pigments.alarms import colour_alarm, colours_in, shared_alarm
from xrfmap.pigments.amounts import Amounts
from xrfmap.pigments.area_finding import area_finding
from xrfmap.pigments.dates import decline_remark, region_of
from xrfmap.pigments.evidence import AreaEvidence, evidence_from_area
from xrfmap.pigments.flags import judge
from xrfmap.pigments.further import seen_elsewhere
from xrfmap.pigments.innocents import Innocence, innocent_sources
from xrfmap.pigments.matching import match_all
from xrfmap.pigments.rule_files import load_rules
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.pigments.sets import Explained, find_sets, items_of
from xrfmap.pigments.setting import Setting
from xrfmap.pigments.spread import alike_everywhere, with_places
from xrfmap.pigments.words import element_names
from xrfmap.running.one_thread import in_one_thread
from xrfmap.settings import Area, Instrument, LayerEntry, Period

__all__ = ["Assessment", "assess", "match_area", "overall_verdict"]

_AIR = frozenset({"Ar", "Kr", "Xe", "N", "O"})


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


@in_one_thread
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
    span = _span(period)
    if isinstance(period, Period):
        region = region or period.region
    ready = [evidence_from_area(a, layers) if isinstance(a, Area) else a for a in areas]
    left_out = _AIR | frozenset(ignore)
    settings = [
        _setting(a, rules, span, instrument or Instrument(), region, left_out) for a in ready
    ]
    shown = seen_elsewhere(settings)
    settings = [replace(s, elsewhere=e) for s, e in zip(settings, shown, strict=True)]
    blank, blank_questions = alike_everywhere(settings)
    results = [_area(setting, blank) for setting in settings]
    flags = sorted(
        (flag for result in results for flag in result.flags),
        key=lambda flag: VERDICT_ORDER.index(flag.verdict),
    )
    questions = [*blank_questions, *(q for r in results for q in r.questions)]
    flags = with_places(flags, settings, layers)
    names = [area.name for area in ready]
    return Assessment(
        areas=tuple(result.finding for result in results),
        flags=tuple(flags),
        overall=overall_verdict(flags) if span is not None else "cannot_tell",
        remarks=put_together((r for result in results for r in result.remarks), names),
        open_questions=put_together([*_no_period(span), *questions], names),
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


def _span(period: Period | tuple[int, int] | None) -> tuple[int, int] | None:
    if isinstance(period, Period):
        return period.start, period.end
    if period is not None and period[0] > period[1]:
        raise InputError(
            "period",
            found=f"{period[0]} to {period[1]}",
            expected="the first year before the last",
            remedy="swap the two years",
        )
    return period


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
    finding = area_finding(setting, matches, innocents, items, sets, flags)
    remarks = [*judged.remarks, *_remarks(setting, sets)]
    questions = [*judged.questions, *_questions(setting, finding, flags)]
    return _Result(finding, tuple(flags), tuple(remarks), tuple(questions))


def _blank_source(element: str) -> Innocence:
    text = "a trace alike in every area, whatever its colour"
    return Innocence(f"blank_{element}", element, "good", text, 0.1)


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
    if any(area.origin == "typed in" and _stated(area) for area in areas):
        texts.append("Typed-in amounts were taken as relative masses, good to a factor of two.")
    if any(area.origin != "typed in" for area in areas):
        texts.append(
            "Amounts from net counts are thin-film masses: orders of magnitude, which layers "
            "and absorption shift by a factor of two and more."
        )
    if flags:
        texts.append("A flag is a reason for the next check, not a judgement on the object.")
    return tuple(texts)


def _stated(area: AreaEvidence) -> bool:
    return any(element.amount is not None for element in area.elements.values())
