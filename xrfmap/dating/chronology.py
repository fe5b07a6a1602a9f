"""Dates over layers: bounds of each layer, passed on by the order of layers, with reasons.

Each layer has "not before" bounds (its materials, tree rings, documents, what lies below)
and "not after" bounds (documents, what lies above). The stated period is a claim under
test, never a bound. A layer whose bounds exclude each other, or exclude the claim for
original paint, is a contradiction, told with the reasons of both sides and the ways out
that practice knows. Old boards under young paint, and later pictures over older ones, are
normal and no contradiction.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from xrfmap.dating.layer_bounds import (
    Bound,
    LayerDates,
    bounds_from_areas,
    bounds_from_documents,
    bounds_from_entries,
    bounds_from_tree_rings,
)
from xrfmap.dating.layer_checks import (
    check_bounds,
    check_claim,
    check_inscriptions,
    latest,
    normal_remarks,
    soonest,
)
from xrfmap.findings import VERDICT_ORDER, AreaFinding, Flag, LayerFinding, Verdict
from xrfmap.layer_stack import stack_of
from xrfmap.pigments.assess import assess, overall_verdict
from xrfmap.pigments.evidence import AreaEvidence
from xrfmap.pigments.rule_files import load_rules
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.running.one_thread import in_one_thread
from xrfmap.settings import Instrument, Study

__all__ = ["Bound", "Chronology", "Conclusion", "conclude", "date_layers", "resolve"]


@dataclass(frozen=True)
class Chronology:
    """Bounds of all layers, and what follows for the claim.

    Attributes
    ----------
    layers : tuple of LayerFinding
        From top to bottom.
    flags : tuple of Flag
        From materials stated for a layer and from tree rings, where they do not fit the
        stated period; flags from element data are made elsewhere.
    remarks, open_questions : tuple of str
        Normal but noteworthy; what stays open.
    """

    layers: tuple[LayerFinding, ...]
    flags: tuple[Flag, ...]
    remarks: tuple[str, ...]
    open_questions: tuple[str, ...]


def resolve(
    study: Study,
    area_findings: Iterable[AreaFinding] = (),
    flags: Iterable[Flag] = (),
    rules: RuleBase | None = None,
) -> list[LayerFinding]:
    """Bounds of each layer with the chain of reasons; see :func:`date_layers`."""
    return list(date_layers(study, area_findings, flags, rules).layers)


def date_layers(
    study: Study,
    area_findings: Iterable[AreaFinding] = (),
    flags: Iterable[Flag] = (),
    rules: RuleBase | None = None,
) -> Chronology:
    """Date the layers of a study.

    Parameters
    ----------
    study : Study
        Layers from top to bottom, areas, evidence, period.
    area_findings : iterable of AreaFinding
        Judged areas; the bound that their elements set counts for their layer.
    flags : iterable of Flag
        Flags of the areas: a material that cannot be told does not bound a layer.
    rules : RuleBase, optional
        The built-in rules where not given.

    Returns
    -------
    Chronology
        A pure result.

    Raises
    ------
    InputError
        If evidence contradicts itself (a boundary ring after the last ring).
    """
    rules = rules or load_rules()
    findings = list(area_findings)
    layers = {place.name: LayerDates(place) for place in stack_of(study, findings)}
    made: list[Flag] = []
    remarks: list[str] = []
    bounds_from_entries(study, layers, rules, made)
    bounds_from_areas(layers, findings, list(flags))
    panels = bounds_from_tree_rings(study, layers)
    claims = bounds_from_documents(study, layers)
    order = [layer for layer in layers.values() if layer.place.in_order]
    _pass_on(order)
    check_bounds(order)
    check_claim(study, layers, panels, made)
    check_inscriptions(claims, layers, study)
    remarks += normal_remarks(study, order, panels)
    return Chronology(
        tuple(_finding(layer) for layer in layers.values()),
        tuple(made),
        tuple(remarks),
        tuple(text for layer in layers.values() for text in _open(layer)),
    )


def _pass_on(order: Sequence[LayerDates]) -> None:
    """Pass bounds along the stack: what lies on a layer is not older than it."""
    for lower, upper in pairwise(reversed(order)):
        upper.before += [b for b in lower.before if b not in upper.before]
    for upper, lower in pairwise(order):
        lower.after += [b for b in upper.after if b not in lower.after]


def _finding(layer: LayerDates) -> LayerFinding:
    low, high = latest(layer), soonest(layer)
    because = []
    if low is not None:
        because.append(f"Not before {low.year}: {_short(low, layer, 'lies on')}")
    if high is not None:
        because.append(f"Not after {high.year}: {_short(high, layer, 'lies under')}")
    own = {b.year: b for b in layer.before if b.layer == layer.place.name and b != low}
    because += [f"Also not before {year}: {own[year].reason}" for year in sorted(own, reverse=True)]
    if layer.place.over_varnish:
        because.append(
            f"Lies over {layer.place.over_varnish}: put on after the picture below it was "
            f"finished and varnished"
        )
    because += layer.notes
    return LayerFinding(
        name=layer.place.name,
        not_before=low.year if low is not None else None,
        not_after=high.year if high is not None else None,
        because=because or ["Nothing in the study bounds this layer"],
        contradiction="; ".join(layer.clash) or None,
        ways_out=list(dict.fromkeys(layer.ways)),
        role=layer.place.role,
    )


def _short(bound: Bound, layer: LayerDates, lies: str) -> str:
    """Reason of a bound, in full where it was found, by reference elsewhere."""
    if bound.layer == layer.place.name:
        return bound.reason
    return f"it {lies} {bound.layer} ({bound.kind}, see there)"


def _open(layer: LayerDates) -> list[str]:
    if not layer.clash:
        return []
    return [f"{layer.place.name}: evidence does not agree: {'; '.join(layer.clash)}."]


@dataclass(frozen=True)
class Conclusion:
    """Everything that areas, layers and other evidence say of a study.

    Attributes
    ----------
    areas, flags, layers : tuple
        As in the findings file; the most serious flag first.
    overall : Verdict
        The most serious verdict of the flags; ``"cannot_tell"`` without a stated period.
    remarks, open_questions, cautions : tuple of str
        For the report.
    """

    areas: tuple[AreaFinding, ...]
    flags: tuple[Flag, ...]
    layers: tuple[LayerFinding, ...]
    overall: Verdict
    remarks: tuple[str, ...]
    open_questions: tuple[str, ...]
    cautions: tuple[str, ...]


@in_one_thread
def conclude(
    study: Study,
    areas: Sequence[AreaEvidence] | None = None,
    rules: RuleBase | None = None,
    *,
    instrument: Instrument | None = None,
    ignore: Iterable[str] = (),
) -> Conclusion:
    """Judge the areas of a study, date its layers, and put both together.

    Parameters
    ----------
    study : Study
        Period, layers, evidence; its typed-in areas are used where `areas` is not given.
    areas : sequence of AreaEvidence, optional
        Evidence of all areas, measured and typed in.
    rules : RuleBase, optional
        The built-in rules where not given.
    instrument : Instrument, optional
        For turning counts into amounts; that of the study where not given.
    ignore : iterable of str
        Elements of tube and filter.

    Returns
    -------
    Conclusion
        A pure result.
    """
    rules = rules or load_rules()
    given = areas if areas is not None else [a for a in study.area if a.elements]
    judged = assess(
        given,
        study.period,
        study.layer,
        rules,
        instrument=instrument or study.instrument,
        ignore=ignore,
    )
    dated = date_layers(study, judged.areas, judged.flags, rules)
    flags = sorted(
        [*judged.flags, *dated.flags], key=lambda flag: VERDICT_ORDER.index(flag.verdict)
    )
    return Conclusion(
        judged.areas,
        tuple(flags),
        dated.layers,
        overall_verdict(flags) if study.period is not None else "cannot_tell",
        (*judged.remarks, *dated.remarks),
        (*judged.open_questions, *dated.open_questions),
        judged.cautions,
    )
