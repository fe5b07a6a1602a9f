"""The order of layers: those of the cross-section, with the others put where they belong."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from xrfmap.findings import AreaFinding
from xrfmap.settings import LayerEntry, Study
from xrfmap.studycheck import ROLE_WORDS

__all__ = ["Place", "group_of", "lies_over_varnish", "place_of", "stack_of"]

# From top to bottom. A word begins the match, the first group that fits wins, and the words
# of a lower group may hold those of an upper one ("underpaint", "paint").
_GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("aside", ("lining", "cradle", "frame", "strainer", "stretcher", "label", "stamp", "back")),
    ("retouching", ("retouch", "inpaint", "filling", "infill", "repair", "restor", "touch")),
    ("overpaint", ("overpaint", "repaint")),
    ("underdrawing", ("underdraw", "drawing")),
    ("varnish", ("varnish", "dirt", "wax")),
    ("ground", ("ground", "priming", "imprimatura", "gesso", "size", "bole")),
    ("support", ("support", "panel", "board", "canvas", "copper plate", "wood")),
    ("paint", ("paint", "picture", "original", "underpaint", "glaze", "sketch", "gilding")),
)
_RANK = {
    "varnish": 1, "retouching": 2, "overpaint": 3, "paint": 4, "underdrawing": 5, "ground": 6,
    "support": 7,
}  # fmt: skip


@dataclass(frozen=True)
class Place:
    """Where a layer stands.

    Attributes
    ----------
    name, role : str
        Of the layer; the role is its name where none is given.
    group : str
        ``"varnish"``, ``"retouching"``, ``"overpaint"``, ``"paint"``, ``"underdrawing"``,
        ``"ground"``, ``"support"``, ``"aside"`` or ``"other"``.
    in_order : bool
        Whether it belongs to the stack; a lining or a label does not.
    over_varnish : str or None
        Name of a varnish below it, where there is one.
    """

    name: str
    role: str
    group: str
    in_order: bool = True
    over_varnish: str | None = None


def group_of(role: str) -> str:
    """Sort a role or name into one of the groups of layers."""
    text = role.lower()
    for group, words in _GROUPS:
        if any(re.search(rf"\b{re.escape(word)}", text) for word in words):
            return group
    return "other"


def lies_over_varnish(name: str, layers: Sequence[LayerEntry]) -> str | None:
    """Name the varnish that lies somewhere below a layer of the cross-section, if one does."""
    names = [entry.name for entry in layers]
    if name not in names:
        return None
    for entry in layers[names.index(name) + 1 :]:
        if group_of(entry.role or entry.name) == "varnish":
            return entry.name
    return None


def stack_of(study: Study, findings: Iterable[AreaFinding] = ()) -> list[Place]:
    """Layers of a study from top to bottom.

    Parameters
    ----------
    study : Study
        Its ``[[layer]]`` entries keep their order. Role words used by areas and evidence
        are added where such a layer usually lies, unless a listed layer has that role.
    findings : iterable of AreaFinding
        Judged areas, for their layers.
    """
    places = [
        _place(e.name, e.role or e.name, lies_over_varnish(e.name, study.layer))
        for e in study.layer
    ]
    for name in _named(study, findings):
        if place_of(name, places) is None:
            _insert(places, _place(name, name, None))
    return places


def place_of(name: str, places: Sequence[Place]) -> Place | None:
    """Find the layer that a name means.

    The layer of that name or role; for a role word (``"paint"``, ``"original paint"``,
    ``"ground"`` ...) also the uppermost layer of that kind.
    """
    for place in places:
        if name in (place.name, place.role):
            return place
    if name.lower() in ROLE_WORDS:
        group = group_of(name)
        return next((place for place in places if place.group == group), None)
    return None


def _place(name: str, role: str, varnish: str | None) -> Place:
    group = group_of(role)
    return Place(name, role, group, group != "aside", varnish)


def _named(study: Study, findings: Iterable[AreaFinding]) -> list[str]:
    """Layers that areas and evidence speak of, without those that fit a listed one."""
    names = [area.layer for area in study.area if area.layer]
    names += [finding.layer for finding in findings if finding.layer]
    for entry in study.evidence:
        if entry.kind == "tree_rings":
            names.append(entry.layer or "support")
        elif entry.kind in ("document", "inscription", "other"):
            names.append(entry.layer or "paint")
    return list(dict.fromkeys(names))


def _insert(places: list[Place], new: Place) -> None:
    rank = _RANK.get(new.group, _RANK["paint"])
    for index, place in enumerate(places):
        if place.in_order and _RANK.get(place.group, _RANK["paint"]) > rank:
            places.insert(index, new)
            return
    places.append(new)
