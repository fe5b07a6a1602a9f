"""Where the bounds of layers come from: study entries, areas, tree rings, documents."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from xrfmap.dating.tree_rings import PanelDate, combine, felling
from xrfmap.findings import AreaFinding, Flag, Verdict
from xrfmap.layer_stack import Place, place_of
from xrfmap.pigments.dates import date_words, period_verdict
from xrfmap.pigments.roles import standing
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.pigments.words import next_check
from xrfmap.settings import Evidence, Study

__all__ = [
    "Bound",
    "LayerDates",
    "bounds_from_areas",
    "bounds_from_documents",
    "bounds_from_entries",
    "bounds_from_tree_rings",
]


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
class LayerDates:
    """One layer with its bounds and what is said of it; filled step by step."""

    place: Place
    before: list[Bound] = field(default_factory=list)  # not before
    after: list[Bound] = field(default_factory=list)  # not after
    notes: list[str] = field(default_factory=list)
    clash: list[str] = field(default_factory=list)
    ways: list[str] = field(default_factory=list)


def bounds_from_entries(
    study: Study, layers: dict[str, LayerDates], rules: RuleBase, flags: list[Flag]
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


def _material_flag(study: Study, layer: LayerDates, key: str, rules: RuleBase) -> Flag | None:
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


def bounds_from_areas(
    layers: dict[str, LayerDates], findings: Sequence[AreaFinding], flags: Sequence[Flag]
) -> None:
    """Bounds from the elements of areas; what cannot be told bounds nothing."""
    for area in findings:
        layer = _layer_of(area.layer, layers)
        if layer is None or area.not_before is None:
            continue
        layer.before.append(
            Bound(area.not_before, area.not_before_because, "material", layer.place.name)
        )
    for flag in flags:
        layer = _layer_of(flag.layer, layers)
        if layer is not None and flag.verdict == "cannot_tell" and flag.area:
            layer.notes.append(f"{flag.pigment} in {flag.area} cannot be told and bounds nothing")


def bounds_from_tree_rings(study: Study, layers: dict[str, LayerDates]) -> dict[str, PanelDate]:
    """Bound the layers of dated wood; returns what each panel says."""
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


def _layer_of(name: str | None, layers: dict[str, LayerDates]) -> LayerDates | None:
    """Layer of this name, or the uppermost one that a role word fits."""
    if name is None:
        return None
    found = place_of(name, [layer.place for layer in layers.values()])
    return layers[found.name] if found is not None else None


def _home(entry: Evidence, layers: dict[str, LayerDates], role: str) -> str:
    """Layer that evidence belongs to: the one it names, else the one of that role."""
    layer = _layer_of(entry.layer or role, layers)
    return layer.place.name if layer is not None else next(iter(layers))


def bounds_from_documents(
    study: Study, layers: dict[str, LayerDates]
) -> list[tuple[Evidence, str]]:
    """Bounds from documents; inscriptions are returned, because they are claims."""
    claims = []
    for entry in study.evidence:
        if entry.kind == "tree_rings":
            continue
        if entry.kind == "cross_section":
            _note_section(entry, layers)
            continue
        name = _home(entry, layers, "paint")
        if entry.kind == "inscription" and entry.means is None:
            claims.append((entry, name))
            continue
        _bounds_of_document(entry, layers[name])
    return claims


def _note_section(entry: Evidence, layers: dict[str, LayerDates]) -> None:
    """Keep the words on a cross-section with its layer; what it shows is the order."""
    layer = _layer_of(entry.layer, layers)
    text = entry.text or entry.note
    if layer is not None and text:
        layer.notes.append(f"cross-section: {text}")


def _bounds_of_document(entry: Evidence, layer: LayerDates) -> None:
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
