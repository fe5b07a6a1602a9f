"""How elements are spread over all areas: in one colour, in every white, everywhere alike."""

from __future__ import annotations

from collections.abc import Sequence

from xrfmap.findings import Flag
from xrfmap.layer_stack import lies_over_varnish
from xrfmap.pigments.setting import Setting
from xrfmap.pigments.words import element_names, join, sentence
from xrfmap.settings import LayerEntry

__all__ = ["alike_everywhere", "with_places"]

_PATTERN_AREAS = 3  # fewer areas show no pattern
_BLANK_AREAS, _BLANK_SHARE = 4, 0.005  # a trace alike in so many areas is asked about


def alike_everywhere(settings: Sequence[Setting]) -> tuple[frozenset[str], list[str]]:
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


def with_places(
    flags: Sequence[Flag], settings: Sequence[Setting], layers: Sequence[LayerEntry]
) -> list[Flag]:
    """Add to each flag how its element is spread over the areas and what its layer lies on."""
    return [_over_varnish(flag, layers) for flag in _with_pattern(flags, settings)]


def _with_pattern(flags: Sequence[Flag], settings: Sequence[Setting]) -> list[Flag]:
    """Add how the deciding element is spread over the areas: place decides beside amount."""
    out = []
    for flag in flags:
        lead = flag.elements[0] if flag.elements else None
        if lead is None or len(settings) < _PATTERN_AREAS or flag.verdict == "cannot_tell":
            out.append(flag)
        else:
            odd = {f.area for f in flags if lead in f.elements}
            reason = f"{flag.reason} {_spread(lead, settings, odd)}"
            out.append(flag.model_copy(update={"reason": reason}))
    return out


def _spread(element: str, settings: Sequence[Setting], odd: set[str]) -> str:
    """Where an element shows; `odd` are the areas where the period does not account for it."""
    seen = [s for s in settings if element in s.present]
    explained = [s.area.name for s in seen if s.area.name not in odd]
    if explained:
        return (
            f"{element} shows in {len(seen)} of {len(settings)} areas; in {join(explained)} it "
            f"is not out of place."
        )
    if len(seen) == len(settings):
        return (
            f"{element} shows in all {len(settings)} areas: an even spread under all colours "
            f"points to ground, lining or instrument, so check these first."
        )
    if len(seen) == 1:
        return f"{element} shows in this area only, of {len(settings)}."
    text = f"{element} shows in {len(seen)} of {len(settings)} areas: "
    text += f"{join(s.area.name for s in seen)}."
    shared = frozenset[str].intersection(*(s.colours for s in seen))
    for colour in sorted(shared):
        alike = [s for s in settings if colour in s.colours]
        if len(alike) == len(seen):
            return (
                f"{text} These are all the {colour} areas and no others: a pigment, not a ground."
            )
    return text


def _over_varnish(flag: Flag, layers: Sequence[LayerEntry]) -> Flag:
    """Say so where the layer of a flag lies over a varnish: then it came after the picture."""
    varnish = lies_over_varnish(flag.layer or "", layers)
    if varnish is None or flag.verdict == "later_layer":
        return flag
    note = (
        f"The layer {flag.layer} lies over {varnish}, so it was put on after the picture below "
        f"was finished: a later addition, unless the stated period is meant for this layer."
    )
    return flag.model_copy(update={"reason": f"{flag.reason} {note}"})
