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

from xrfmap.findings import AreaFinding, Flag, LayerFinding, Source
from xrfmap.layer_bounds import (
    Bound,
    LayerDates,
    bounds_from_areas,
    bounds_from_documents,
    bounds_from_entries,
    bounds_from_tree_rings,
)
from xrfmap.layer_stack import stack_of
from xrfmap.pigments.roles import standing
from xrfmap.pigments.rule_files import load_rules
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.settings import Evidence, Study
from xrfmap.tree_rings import PanelDate

__all__ = ["Bound", "Chronology", "date_layers", "resolve"]

_OLD_BOARD = 60  # years between the panel's bound and the claim that deserve a word
_GAP = 50  # years between two pictures that deserve a word


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
    _excluded(order)
    _against_claim(study, layers, panels, made)
    _check_inscriptions(claims, layers, study)
    remarks += _normal(study, order, panels)
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


def _latest(layer: LayerDates) -> Bound | None:
    return max(layer.before, key=lambda b: b.year, default=None)


def _soonest(layer: LayerDates) -> Bound | None:
    return min(layer.after, key=lambda b: b.year, default=None)


def _excluded(order: Sequence[LayerDates]) -> None:
    """Layers whose bounds exclude each other, told once, where the later bound comes from."""
    for layer in order:
        low, high = _latest(layer), _soonest(layer)
        if low is None or high is None or low.year <= high.year:
            continue
        if low.layer != layer.place.name:
            layer.notes.append(f"Its bounds exclude each other; see {low.layer}")
            continue
        layer.clash.append(
            f"{layer.place.name} is not before {low.year} ({low.reason}), yet not after "
            f"{high.year} ({_origin(high, layer)})"
        )
        layer.ways += _ways_out(low, layer)
        layer.ways += _ways_out(high, layer)
        layer.ways.append("the order of the layers in the cross-section was read wrongly")


def _origin(bound: Bound, layer: LayerDates) -> str:
    if bound.layer == layer.place.name:
        return bound.reason
    return f"it lies under {bound.layer}: {bound.reason}"


def _ways_out(bound: Bound, layer: LayerDates) -> list[str]:
    if bound.kind == "material":
        return [
            "the material belongs to a retouching or filling that was taken for this layer",
            "its signal comes from another layer, from behind or from the instrument",
        ]
    if bound.kind == "tree rings":
        return [
            "a board was replaced or added later",
            "the paint was transferred to a newer support",
            "the last ring or its cross-dating needs a second look by the laboratory",
        ]
    if bound.kind == "document":
        return [
            "the document means another object, or an earlier picture beneath this one",
            "an inscription or entry was added or copied later",
        ]
    return ["the year stated in the study needs its own source"]


def _against_claim(
    study: Study, layers: dict[str, LayerDates], panels: dict[str, PanelDate], flags: list[Flag]
) -> None:
    """Original layers whose own evidence is younger than the claim."""
    if study.period is None:
        return
    end = study.period.end
    for name, layer in layers.items():
        if not _claimed(layer):
            continue
        own = [b for b in layer.before if b.layer == name and b.year > end]
        for bound in sorted(own, key=lambda b: -b.year)[:1]:
            layer.clash.append(
                f"{name} is not before {bound.year} ({bound.reason}), after the stated period "
                f"{study.period.start} to {end}; the same holds for all that lies on it"
            )
            layer.ways += [*_ways_out(bound, layer), "the object is later than stated"]
            if bound.kind == "tree rings":
                flags.append(_panel_flag(name, bound, panels[name], end))


def _claimed(layer: LayerDates) -> bool:
    return layer.place.in_order and standing(layer.place.role) != "later"


def _panel_flag(name: str, bound: Bound, panel: PanelDate, end: int) -> Flag:
    sources = list(panel.sources) or [Source(text="Bark edge", checked="common practice")]
    lone = f" Only {panel.lone_board} is so young." if panel.lone_board else ""
    return Flag(
        pigment="wood of the panel",
        elements=[],
        area="",
        layer=name,
        verdict="out_of_period",
        reason=(
            f"The panel was not ready before {bound.year}; the stated period ends in {end}. "
            f"{bound.reason}.{lone}"
        ),
        sources=sources,
        next_check=(
            "Ask the tree-ring laboratory for the cross-dating statistics of the youngest board "
            "and look on the back for replaced boards, transfer or a cradle; radiocarbon dating "
            "of the wood is the independent test."
        ),
    )


def _check_inscriptions(
    claims: Sequence[tuple[Evidence, str]], layers: dict[str, LayerDates], study: Study
) -> None:
    """Inscribed years against the bounds: claims, never bounds."""
    for entry, name in claims:
        layer = layers[name]
        year = entry.year if entry.year is not None else entry.year_to
        words = f'inscription "{entry.text}"' if entry.text else "inscription"
        if year is None:
            layer.notes.append(f"{words}: no year read from it")
            continue
        low, high = _latest(layer), _soonest(layer)
        if low is not None and year < low.year:
            layer.clash.append(
                f"{words} says {year}, but {name} is not before {low.year} ({_below(low, layer)})"
            )
            layer.ways += [
                "the date was copied with the picture, or names an event",
                "the inscription was added later and its year invented",
                *_ways_out(low, layer),
            ]
        elif high is not None and year > high.year:
            layer.clash.append(
                f"{words} says {year}, but {name} is not after {high.year} ({_origin(high, layer)})"
            )
            layer.ways += [
                "the inscription was added later, over the varnish: look in ultraviolet and with "
                "the stereo microscope whether it runs over cracks",
                "the year is misread",
            ]
        else:
            layer.notes.append(f"{words} says {year}: a claim that the bounds allow, no bound")
        if study.period is not None and not study.period.start <= year <= study.period.end:
            layer.notes.append(f"The year {year} of the {words} lies outside the stated period")


def _below(bound: Bound, layer: LayerDates) -> str:
    if bound.layer == layer.place.name:
        return bound.reason
    return f"it lies on {bound.layer}: {bound.reason}"


def _normal(study: Study, order: Sequence[LayerDates], panels: dict[str, PanelDate]) -> list[str]:
    """Say what looks odd and is not: old boards, pictures over pictures."""
    remarks = []
    if study.period is not None:
        for name, panel in panels.items():
            if study.period.start - panel.not_before > _OLD_BOARD:
                remarks.append(
                    f"{name}: the wood may be {study.period.start - panel.not_before} years or "
                    f"more older than the stated period. Trimmed, stored and reused boards are "
                    f"normal; this is no contradiction."
                )
    for upper, lower in pairwise(order):
        if {upper.place.group, lower.place.group} != {"paint"}:
            continue
        low, high = _latest(upper), _soonest(lower)
        if low is not None and high is not None and low.year - high.year > _GAP:
            remarks.append(
                f"{upper.place.name} is at least {low.year - high.year} years younger than "
                f"{lower.place.name}: a later picture over an older one is normal."
            )
    return remarks


def _finding(layer: LayerDates) -> LayerFinding:
    low, high = _latest(layer), _soonest(layer)
    because = []
    if low is not None:
        because.append(f"Not before {low.year}: {_short(low, layer, 'lies on')}")
    if high is not None:
        because.append(f"Not after {high.year}: {_short(high, layer, 'lies under')}")
    because += [
        f"Also not before {b.year}: {b.reason}"
        for b in sorted(layer.before, key=lambda b: -b.year)
        if b is not low and b.layer == layer.place.name
    ]
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
