"""Materials of paint layers from the words of a study file.

``"lead white"``, ``"2 lead white + 1 vermilion"``, ``"verdigris in linseed oil"``,
``"chalk in glue"``, ``"resin"`` (a medium alone: varnish): parts by mass, names of
:mod:`xrfmap.physics.paints`.
"""

from __future__ import annotations

import difflib
import re
from functools import lru_cache

from xrfmap.errors import InputError
from xrfmap.physics.atomic import Material
from xrfmap.physics.paints import PIGMENTS, paint, pigment

__all__ = ["known_materials", "paint_of"]

_MEDIA = {
    "oil": "linseed oil",
    "linseed oil": "linseed oil",
    "glue": "glue",
    "resin": "resin",
}
_WORDS = {
    "earth": "yellow ochre",
    "ochre": "yellow ochre",
    "varnish": "resin",
    "copper green": "verdigris",
}
_VOLUME = {"linseed oil": 0.4, "glue": 0.6, "resin": 0.3}  # share of pigment (no source)
_PART = re.compile(r"^(?:(\d+(?:\.\d+)?)\s+)?(.+)$")


def known_materials() -> tuple[str, ...]:
    """Names that :func:`paint_of` knows, sorted."""
    from xrfmap.physics.paints import _MIXED

    return tuple(sorted({*PIGMENTS, *_MIXED, *_WORDS}))


@lru_cache(maxsize=512)
def paint_of(text: str, where: str = "study", field: str = "material") -> Material:
    """Dry paint, or bare medium, that some words name.

    Parameters
    ----------
    text : str
        Parts by mass joined by ``+``, each with or without a number before it, and
        ``in`` a medium; linseed oil where none is named.
    where, field : str
        File and field, for the message.

    Returns
    -------
    Material
        Named after `text`.

    Raises
    ------
    InputError
        If a part or the medium is not known.
    """
    words = " ".join(text.split())
    body, _, medium = words.partition(" in ")
    parts: dict[str, float] = {}
    for piece in re.split(r"\s*\+\s*", body):
        match = _PART.match(piece)
        amount, name = match.groups() if match else (None, piece)
        name = _name(name, where, field, text)
        parts[name] = parts.get(name, 0.0) + float(amount or 1.0)
    if min(parts.values()) <= 0:
        raise InputError(where, field, found=repr(text), expected="parts above zero",
                         remedy="leave out what is not there")  # fmt: skip
    if not medium and list(parts) == ["resin"]:
        return _renamed(pigment("resin"), words)
    binder = _medium(medium, where, field, text)
    return _renamed(paint(parts, volume_share=_VOLUME[binder], medium=binder), words)


def _renamed(material: Material, name: str) -> Material:
    return Material(name, material.mass_fractions, material.density_g_cm3)


def _medium(name: str, where: str, field: str, text: str) -> str:
    found = _MEDIA.get(name or "oil")
    if found is None:
        raise InputError(
            where, field, found=f"{text!r} with the medium {name!r}",
            expected=f"one of {', '.join(sorted(_MEDIA))}", remedy="name the nearest of them",
        )  # fmt: skip
    return found


def _name(name: str, where: str, field: str, text: str) -> str:
    known = known_materials()
    lower = {k.lower(): k for k in known}
    found = lower.get(name.lower())
    if found is not None:
        return _WORDS.get(found, found)
    close = difflib.get_close_matches(name.lower(), lower, n=1, cutoff=0.6)
    hint = f"did you mean {lower[close[0]]!r}?" if close else "see the list of materials"
    raise InputError(
        where, field, found=f"{name!r} in {text!r}",
        expected="pigments or fillers that are known, joined by +", remedy=hint,
    )  # fmt: skip
