"""Cautions of a study: what holds for many places is said once, with their names.

A dozen areas with the same fault would otherwise give a dozen cautions, among which the
others drown.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from xrfmap.numbers import whole

__all__ = ["Cautions", "by_place", "listed", "put_together"]

NUMBERED = re.compile(r"automatic area (\d+)((?: of .+)?)")
BUT = 2
"""Places that may be missing from "all but"."""

MOST = 12
"""Names in a sentence; of more, the first are told and how many others there are."""


@dataclass
class Cautions:
    """Cautions in the order in which they were first given, each once."""

    _plain: dict[tuple[str, Any], list[tuple[str, Any]]] = field(default_factory=dict)

    def add(self, text: str) -> None:
        """Give a caution as it is to be read."""
        self._plain.setdefault(("text", text), [])

    def about(self, name: str, words: str) -> None:
        """Give a caution on a place; places with the same words share one."""
        self._take(("words", words), name, words)

    def gather(
        self, together: Callable[[Sequence[tuple[str, Any]]], str], name: str, told: Any
    ) -> None:
        """Give what is to be said of a place together with others of its kind.

        Parameters
        ----------
        together : callable
            Makes one sentence of names and what was told of each; says which kind it is.
        name : str
            The place.
        told : object
            For `together`.
        """
        self._take(("kind", together), name, told)

    def told(self, together: Callable[[Sequence[tuple[str, Any]]], str], name: str) -> list[Any]:
        """Give back what was gathered of a kind on a place."""
        return [told for one, told in self._plain.get(("kind", together), []) if one == name]

    def _take(self, key: tuple[str, Any], name: str, told: Any) -> None:
        places = self._plain.setdefault(key, [])
        if (name, told) not in places:
            places.append((name, told))

    def sentences(self) -> list[str]:
        """All cautions."""
        made = []
        for (kind, what), places in self._plain.items():
            if kind == "text":
                made.append(what)
            elif kind == "words":
                made.append(f"{listed([name for name, _ in places])}: {what}")
            else:
                made.append(what(places))
        return list(dict.fromkeys(made))


def listed(names: Iterable[str]) -> str:
    """Names as in a sentence: ``"sky, sledge and automatic areas 1, 3 and 4"``."""
    named = list(names)
    others = len(named) - MOST
    parts: dict[str, list[str]] = {}
    for name in named if others < 2 else named[:MOST]:
        found = NUMBERED.fullmatch(name)
        # a number for a group of pixels, else the name alone
        parts.setdefault(f"automatic {found[2]}" if found else f"name {name}", []).append(
            found[1] if found else name
        )
    words = []
    for key, held in parts.items():
        if key.startswith("name "):
            words.append(held[0])
        else:
            s = "s" if len(held) > 1 else ""
            words.append(f"automatic area{s} {_joined(held)}{key.removeprefix('automatic ')}")
    return _joined(words if others < 2 else [*words, f"{whole(others)} others"])


def _joined(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def by_place(
    marks: Mapping[str, Mapping[str, float]], name: Callable[[str, float, float], str]
) -> str:
    """Say what holds in which places, with the places that share it named once.

    Parameters
    ----------
    marks : mapping of str to mapping of str to float
        For each place, in order, a number by what is told: ``{"sky": {"Fe K": 0.4}}``.
    name : callable
        Makes words of what is told and the lowest and highest number of these places.

    Returns
    -------
    str
        ``"Fe K (23 to 45 %) in all of them; Ca K (60 %) in sky and sledge"``.
    """
    where: dict[str, list[str]] = {}
    for place, held in marks.items():
        for what in held:
            where.setdefault(what, []).append(place)
    same: dict[tuple[str, ...], list[str]] = {}
    for what, places in where.items():
        same.setdefault(tuple(places), []).append(what)
    said = []
    for shared, whats in same.items():
        numbers = {what: [marks[place][what] for place in shared] for what in whats}
        words = _joined([name(what, min(n), max(n)) for what, n in numbers.items()])
        said.append(f"{words} in {_where(shared, list(marks))}")
    return "; ".join(said)


def _where(places: Sequence[str], every: Sequence[str]) -> str:
    missing = [name for name in every if name not in places]
    if not missing:
        return "all of them"
    if len(missing) <= BUT and len(places) > 2 * BUT:
        return f"all but {listed(missing)}"
    return listed(places)


def put_together(texts: Iterable[str], names: Iterable[str]) -> tuple[str, ...]:
    """Join texts that say the same of several places.

    Parameters
    ----------
    texts : iterable of str
        Some of them ``"NAME: words"``.
    names : iterable of str
        The names that may stand there.

    Returns
    -------
    tuple of str
        Each once, in order of the first: ``"NAME and NAME: words"``.
    """
    cautions, known = Cautions(), sorted(names, key=len, reverse=True)
    for text in texts:
        name = next((n for n in known if text.startswith(f"{n}: ")), None)
        if name is None:
            cautions.add(text)
        else:
            cautions.about(name, text.removeprefix(f"{name}: "))
    return tuple(cautions.sentences())
