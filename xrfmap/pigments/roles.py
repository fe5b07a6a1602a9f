"""What a layer is by its name or role: original, later, or nobody said."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

from xrfmap.settings import LayerEntry

__all__ = ["PLACE_LATER", "Standing", "role_of", "standing", "standing_of_place"]

Standing = Literal["later", "original", "unassigned"]

# Word beginnings, so that "retouched", "retouching" and "retouches" are one.
_LATER = (
    "retouch", "overpaint", "repaint", "inpaint", "infill", "filling", "restor", "repair",
    "varnish", "label", "stamp", "lining", "relin", "cradle", "frame", "later", "addition",
    "touch-up", "touching", "dirt", "facing", "strainer", "stretcher", "nail", "tape",
    "stopping", "putty",
)  # fmt: skip
_ORIGINAL = (
    "original", "picture", "paint", "ground", "priming", "imprimatura", "underdraw",
    "underpaint", "support", "panel", "canvas", "gesso", "sketch", "design", "glaze",
    "gilding", "dead colour", "undermodel",
)  # fmt: skip
PLACE_LATER = (
    "loss", "retouch", "overpaint", "repair", "restor", "filling", "edge", "label", "lining",
    "over the varnish", "on the varnish", "above the varnish", "over varnish", "on varnish",
    "on top of the varnish", "above varnish", "frame", "tape", "stamp", "tear",
)  # fmt: skip
# "away from losses", "under the varnish": the word names where the area is not
_NOT_THERE = re.compile(
    r"\b(?:under|below|beneath|outside|beside|away from|far from|free of|without|not|no|between)"
    r"\b(?:\s+(?:the|a|an|any|in|at|on|of|all))*\s+[\w-]+(?:\s+(?:or|and)\s+[\w-]+)*"
)


def _starts(text: str, words: Sequence[str]) -> bool:
    return any(re.search(rf"\b{re.escape(word)}", text) for word in words)


def standing(role: str | None) -> Standing:
    """Whether a layer of this role or name is later than the picture.

    Parameters
    ----------
    role : str or None
        Such as ``"retouching"``, ``"original paint"``, ``"old varnish"``.

    Returns
    -------
    {"later", "original", "unassigned"}
        Retouching, overpaint, varnish, fillings, labels and the like are later;
        "original" anywhere in the words outweighs them.
    """
    if role is None:
        return "unassigned"
    text = role.lower()
    if "original" in text:
        return "original"
    if _starts(text, _LATER):
        return "later"
    return "original" if _starts(text, _ORIGINAL) else "unassigned"


def standing_of_place(where: str | None) -> bool:
    """Whether free words on the place (over a loss, at the edge) make a later layer likely."""
    if where is None:
        return False
    return _starts(_NOT_THERE.sub(" ", where.lower()), PLACE_LATER)


def role_of(layer: str | None, layers: Sequence[LayerEntry]) -> str | None:
    """Role of a layer of that name, its own name where no role is given.

    Parameters
    ----------
    layer : str or None
        Name of a ``[[layer]]`` entry, or a role word.
    layers : sequence of LayerEntry
        Layers of the study.
    """
    if layer is None:
        return None
    for entry in layers:
        if entry.name == layer:
            return entry.role or entry.name
    return layer
