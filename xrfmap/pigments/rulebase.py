"""The rule base in memory: materials by key and name, look-alikes, references."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from xrfmap.errors import InputError
from xrfmap.findings import Source
from xrfmap.pigments.schema import Innocent, Material, SourceEntry

__all__ = ["RuleBase"]

# Lead white and chalk lie in or under nearly every passage: a compound of lead or
# calcium with something else cannot be told from that something else on top of them.
_EVERYWHERE = frozenset({"Pb", "Ca"})


@dataclass(frozen=True)
class RuleBase:
    """Materials, innocent sources and references, by key.

    Attributes
    ----------
    materials, innocents, sources : mapping of str
        Checked entries.
    files : mapping of str to str
        Key of a material to the file it came from.
    """

    materials: Mapping[str, Material]
    innocents: Mapping[str, Innocent]
    sources: Mapping[str, SourceEntry]
    files: Mapping[str, str] = field(default_factory=dict)

    def find(self, name: str) -> str:
        """Key of the material that is called by this key, name or other name.

        Raises
        ------
        InputError
            If no material is; the remedy names the nearest.
        """
        wanted = _plain(name)
        if wanted in self._names:
            return self._names[wanted]
        close = difflib.get_close_matches(wanted, self._names, n=3, cutoff=0.6)
        near = list(dict.fromkeys(self.materials[self._names[c]].name for c in close))
        raise InputError(
            "pigment rules",
            "name",
            found=f'"{name}"',
            expected="a material of the rule base",
            remedy=f"did you mean {' or '.join(near)}?" if near else "list them to see all names",
        )

    def get(self, name: str) -> Material | None:
        """Material of this key or name, ``None`` where there is none."""
        key = self._names.get(_plain(name))
        return self.materials[key] if key is not None else None

    def named_in(self, text: str) -> str | None:
        """Key of the material that free words name, the longest name winning.

        ``"lead white in oil"`` gives the key of lead white, ``"oak"`` gives ``None``.
        """
        plain = f" {_plain(text)} "
        found = [name for name in self._names if len(name) > 3 and f" {name} " in plain]
        return self._names[max(found, key=len)] if found else None

    @cached_property
    def _names(self) -> dict[str, str]:
        names: dict[str, str] = {}
        for key, material in self.materials.items():
            names.setdefault(_plain(material.name), key)
        for key, material in self.materials.items():
            for other in (key, *material.also):
                names.setdefault(_plain(other), key)
        return names

    def references(self, keys: Iterable[str]) -> list[Source]:
        """Look up the references behind source keys, each once, in the order given."""
        return [self.sources[key].source(key) for key in dict.fromkeys(keys)]

    @cached_property
    def kernels(self) -> dict[str, frozenset[str]]:
        """Deciding elements of each visible material.

        The needed ones without lead and calcium, unless nothing would be left.
        """
        kernels = {}
        for key, material in self.materials.items():
            needed = frozenset(material.needed)
            if needed:
                kernels[key] = (needed - _EVERYWHERE) or needed
        return kernels

    @cached_property
    def _alike(self) -> dict[str, tuple[str, ...]]:
        by_kernel: dict[frozenset[str], list[str]] = {}
        for key, kernel in self.kernels.items():
            by_kernel.setdefault(kernel, []).append(key)
        alike: dict[str, list[str]] = {}
        for key, material in self.materials.items():
            same = by_kernel.get(self.kernels.get(key, frozenset()), [])
            alike[key] = list(dict.fromkeys([*material.look_alikes, *same]))
        for key, material in self.materials.items():  # what is stated holds both ways
            for other in material.look_alikes:
                if key not in alike[other]:
                    alike[other].append(key)
        return {key: tuple(k for k in others if k != key) for key, others in alike.items()}

    def look_alikes(self, key: str) -> tuple[str, ...]:
        """Keys of materials that element data cannot tell from this one.

        Those stated in the rules (in either entry) come first, then those computed:
        materials with the same deciding elements.
        """
        return self._alike[key]

    def innocent_sources(self, element: str) -> list[str]:
        """Sentences on what else brings an element: companions first, then other sources."""
        found = [
            f"{material.name}: {companion.why} ({companion.how_often})"
            for material in self.materials.values()
            for companion in material.companions
            if companion.element == element
        ]
        return found + [e.why for e in self.innocents.values() if e.element == element]


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").replace("-", " ").split())
