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
from dataclasses import dataclass, field
from itertools import pairwise

from xrfmap.findings import AreaFinding, Flag, LayerFinding, Source, Verdict
from xrfmap.layer_stack import Place, stack_of
from xrfmap.pigments.dates import date_words, period_verdict
from xrfmap.pigments.roles import standing
from xrfmap.pigments.rulebase import RuleBase, load_rules
from xrfmap.pigments.words import next_check
from xrfmap.settings import Evidence, Study
from xrfmap.tree_rings import PanelDate, combine, felling

__all__ = ["Bound", "Chronology", "date_layers", "resolve"]

_OLD_BOARD = 60  # years between the panel's bound and the claim that deserve a word
_GAP = 50  # years between two pictures that deserve a word


@dataclass(frozen=True)
class Bound:
    """One limit on the date of a layer.

    Attributes
    ----------
    year : int
        The limit.
    reason : str
        Why, without the year.
    kind : str
        ``"material"``, ``"tree rings"``, ``"document"``, ``"stated"``.
    layer : str
        The layer it was found in.
    """

    year: int
    reason: str
    kind: str
    layer: str


@dataclass
class _Layer:
    place: Place
    before: list[Bound] = field(default_factory=list)  # not before
    after: list[Bound] = field(default_factory=list)  # not after
    notes: list[str] = field(default_factory=list)
    clash: list[str] = field(default_factory=list)
    ways: list[str] = field(default_factory=list)


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
    layers = {place.name: _Layer(place) for place in stack_of(study, findings)}
    made: list[Flag] = []
    remarks: list[str] = []
    _from_entries(study, layers, rules, made)
    _from_areas(layers, findings, list(flags))
    panels = _from_tree_rings(study, layers)
    claims = _from_documents(study, layers)
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


def _from_entries(
    study: Study, layers: dict[str, _Layer], rules: RuleBase, flags: list[Flag]
) -> None:
    """Bounds and flags from what the study says of each layer."""
    for entry in study.layer:
        layer = layers[entry.name]
        if entry.not_before is not None:
            layer.before.append(
                Bound(entry.not_before, "stated in the study", "stated", entry.name)
            )
        if entry.not_after is not None:
            layer.after.append(Bound(entry.not_after, "stated in the study", "stated", entry.name))
        materials = [entry.material] if isinstance(entry.material, str) else entry.material or []
        for text in materials:
            key = rules.named_in(text)
            if key is None:
                continue
            material = rules.materials[key]
            region = study.period.region if study.period else None
            if material.earliest.low > 500:
                words = f"{material.name}, stated for this layer ({date_words(material, region)})"
                layer.before.append(Bound(material.earliest.low, words, "material", entry.name))
            flag = _material_flag(study, layer, key, rules)
            if flag is not None:
                flags.append(flag)


def _material_flag(study: Study, layer: _Layer, key: str, rules: RuleBase) -> Flag | None:
    if study.period is None:
        return None
    material = rules.materials[key]
    span = (study.period.start, study.period.end)
    verdict: Verdict = period_verdict(material, span, study.period.region)
    later = standing(layer.place.role) == "later"
    if verdict == "compatible" or (later and verdict == "borderline"):
        return None
    name = layer.place.name
    reason = (
        f"{material.name} is stated for the layer {name}: "
        f"{date_words(material, study.period.region)}. The stated period ends in {span[1]}."
    )
    if later:
        reason += f" The layer is {layer.place.role}: a later intervention is the likely reason."
    return Flag(
        pigment=material.name,
        elements=list(material.needed),
        area="",
        layer=name,
        verdict="later_layer" if later else verdict,
        reason=reason,
        sources=rules.references([*material.earliest.sources, *material.sources]),
        next_check=next_check([material], material.needed, f"the layer {name}"),
    )


def _from_areas(
    layers: dict[str, _Layer], findings: Sequence[AreaFinding], flags: Sequence[Flag]
) -> None:
    for area in findings:
        layer = layers.get(area.layer or "")
        if layer is None or area.not_before is None:
            continue
        layer.before.append(
            Bound(area.not_before, area.not_before_because, "material", layer.place.name)
        )
    for flag in flags:
        layer = layers.get(flag.layer or "")
        if layer is not None and flag.verdict == "cannot_tell" and flag.area:
            layer.notes.append(f"{flag.pigment} in {flag.area} cannot be told and bounds nothing")


def _from_tree_rings(study: Study, layers: dict[str, _Layer]) -> dict[str, PanelDate]:
    by_layer: dict[str, list[Evidence]] = {}
    for entry in study.evidence:
        if entry.kind == "tree_rings":
            by_layer.setdefault(_home(entry, layers, "support"), []).append(entry)
    panels = {}
    for name, entries in by_layer.items():
        boards = []
        for number, entry in enumerate(entries, 1):
            board = entry.board or (f"board {number}" if len(entries) > 1 else "board")
            boards.append(felling(entry.model_copy(update={"board": board})))
        panel = combine(boards)
        panels[name] = panel
        reason = "tree rings: " + "; ".join(panel.because)
        layers[name].before.append(Bound(panel.not_before, reason, "tree rings", name))
        if panel.likely is not None and panel.likely > panel.not_before:
            layers[name].notes.append(
                f"With median sapwood the panel was ready about {panel.likely} or later: likely, "
                f"not a bound"
            )
    return panels


def _home(entry: Evidence, layers: dict[str, _Layer], role: str) -> str:
    """Layer that evidence belongs to: the one it names, else the one of that role."""
    if entry.layer in layers:
        return str(entry.layer)
    wanted = entry.layer or role
    for name, layer in layers.items():
        if layer.place.role == wanted or layer.place.group == wanted:
            return name
    return next(iter(layers))


def _from_documents(study: Study, layers: dict[str, _Layer]) -> list[tuple[Evidence, str]]:
    """Bounds from documents; inscriptions are returned, because they are claims."""
    claims = []
    for entry in study.evidence:
        if entry.kind in ("tree_rings", "cross_section"):
            continue
        name = _home(entry, layers, "paint")
        if entry.kind == "inscription" and entry.means is None:
            claims.append((entry, name))
            continue
        _bounds_of_document(entry, layers[name])
    return claims


def _bounds_of_document(entry: Evidence, layer: _Layer) -> None:
    name = layer.place.name
    text = entry.text or entry.note or entry.kind
    reason = f"{entry.kind}: {text}"
    first = entry.year_from if entry.year_from is not None else entry.year
    last = entry.year_to if entry.year_to is not None else entry.year
    spans = entry.year_from is not None
    means = entry.means or ("made_in" if spans else "existed_by")
    if means in ("made_in", "not_before") and first is not None:
        layer.before.append(Bound(first, reason, "document", name))
    if means in ("made_in", "existed_by") and last is not None:
        layer.after.append(Bound(last, reason, "document", name))
    if first is None and last is None:
        layer.notes.append(f"{reason} (without a year, so it bounds nothing)")


def _pass_on(order: Sequence[_Layer]) -> None:
    """Pass bounds along the stack: what lies on a layer is not older than it."""
    for lower, upper in pairwise(reversed(order)):
        upper.before += [b for b in lower.before if b not in upper.before]
    for upper, lower in pairwise(order):
        lower.after += [b for b in upper.after if b not in lower.after]


def _latest(layer: _Layer) -> Bound | None:
    return max(layer.before, key=lambda b: b.year, default=None)


def _soonest(layer: _Layer) -> Bound | None:
    return min(layer.after, key=lambda b: b.year, default=None)


def _excluded(order: Sequence[_Layer]) -> None:
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


def _origin(bound: Bound, layer: _Layer) -> str:
    if bound.layer == layer.place.name:
        return bound.reason
    return f"it lies under {bound.layer}: {bound.reason}"


def _ways_out(bound: Bound, layer: _Layer) -> list[str]:
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
    study: Study, layers: dict[str, _Layer], panels: dict[str, PanelDate], flags: list[Flag]
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


def _claimed(layer: _Layer) -> bool:
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
    claims: Sequence[tuple[Evidence, str]], layers: dict[str, _Layer], study: Study
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


def _below(bound: Bound, layer: _Layer) -> str:
    if bound.layer == layer.place.name:
        return bound.reason
    return f"it lies on {bound.layer}: {bound.reason}"


def _normal(study: Study, order: Sequence[_Layer], panels: dict[str, PanelDate]) -> list[str]:
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


def _finding(layer: _Layer) -> LayerFinding:
    low, high = _latest(layer), _soonest(layer)
    because = []
    if low is not None:
        because.append(f"Not before {low.year}: {_below(low, layer)}")
    if high is not None:
        because.append(f"Not after {high.year}: {_origin(high, layer)}")
    because += [
        f"Also not before {b.year}: {_below(b, layer)}"
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


def _open(layer: _Layer) -> list[str]:
    if not layer.clash:
        return []
    return [f"{layer.place.name}: evidence does not agree: {'; '.join(layer.clash)}."]
