"""Whether bounds of layers agree with each other, with the claim, and with inscriptions."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from xrfmap.dating.layer_bounds import Bound, LayerDates
from xrfmap.dating.tree_rings import PanelDate
from xrfmap.findings import Flag, Source
from xrfmap.pigments.roles import standing
from xrfmap.settings import Evidence, Study

__all__ = [
    "check_bounds",
    "check_claim",
    "check_inscriptions",
    "latest",
    "normal_remarks",
    "soonest",
]

_OLD_BOARD = 60  # years between the panel's bound and the claim that deserve a word
_GAP = 50  # years between two pictures that deserve a word


def latest(layer: LayerDates) -> Bound | None:
    """Pick the "not before" bound that binds."""
    return max(layer.before, key=lambda b: b.year, default=None)


def soonest(layer: LayerDates) -> Bound | None:
    """Pick the "not after" bound that binds."""
    return min(layer.after, key=lambda b: b.year, default=None)


def check_bounds(order: Sequence[LayerDates]) -> None:
    """Layers whose bounds exclude each other, told once, where the later bound comes from."""
    for layer in order:
        low, high = latest(layer), soonest(layer)
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


def check_claim(
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


def check_inscriptions(
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
        low, high = latest(layer), soonest(layer)
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


def normal_remarks(
    study: Study, order: Sequence[LayerDates], panels: dict[str, PanelDate]
) -> list[str]:
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
        low, high = latest(upper), soonest(lower)
        if low is not None and high is not None and low.year - high.year > _GAP:
            remarks.append(
                f"{upper.place.name} is at least {low.year - high.year} years younger than "
                f"{lower.place.name}: a later picture over an older one is normal."
            )
    return remarks
