"""The rule base: read, checked, joined with rules of the user's own, and asked by name."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from xrfmap.errors import InputError
from xrfmap.findings import Source
from xrfmap.pigments.schema import Innocent, Material, SourceEntry
from xrfmap.studycheck import explain, read_toml

__all__ = ["RULES_FOLDER", "RuleBase", "check_rules", "load_rules"]

RULES_FOLDER = Path(__file__).parent / "rules"
MAX_RULES_BYTES = 2_000_000  # the whole built-in base is a tenth of this
_SECTIONS: dict[str, type[BaseModel]] = {
    "material": Material,
    "innocent": Innocent,
    "source": SourceEntry,
}
# Lead white and chalk lie in or under nearly every passage: a compound of lead or
# calcium with something else cannot be told from that something else on top of them.
_EVERYWHERE = frozenset({"Pb", "Ca"})
_Entry = TypeVar("_Entry")


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


def load_rules(extra: Path | Iterable[Path] | None = None) -> RuleBase:
    """Built-in rules, with rule files of the user's own added or laid over them.

    Parameters
    ----------
    extra : Path or iterable of Path, optional
        TOML files with ``[material.KEY]``, ``[innocent.KEY]`` and ``[source.KEY]``
        tables. A key that exists already is overridden field by field; a new key is
        a new entry. Later files win.

    Returns
    -------
    RuleBase
        Everything checked. The built-in part is read once per process.

    Raises
    ------
    InputError
        About the first bad field: file, rule, field, found, expected, remedy.
    """
    base = _builtin()
    paths = [] if extra is None else [extra] if isinstance(extra, str | Path) else list(extra)
    if not paths:
        return base[1]
    raw = {section: dict(entries) for section, entries in base[0].items()}
    rules = base[1]
    for path in paths:
        raw, rules, problems = _join(raw, rules, Path(path))
        if problems:
            raise problems[0]
    return rules


def check_rules(path: Path) -> list[InputError]:
    """Everything that is wrong with a rule file; an empty list where nothing is.

    Parameters
    ----------
    path : Path
        A file of the user's own; it is checked against the built-in rules.
    """
    raw, rules = _builtin()
    try:
        return _join(raw, rules, Path(path))[2]
    except InputError as bad:
        return [bad]


_Raw = dict[str, dict[str, dict[str, Any]]]


@cache
def _builtin() -> tuple[_Raw, RuleBase]:
    raw: _Raw = {section: {} for section in _SECTIONS}
    rules = RuleBase({}, {}, {})
    # sources first, because every other file points at them
    for path in sorted(RULES_FOLDER.glob("*.toml"), key=lambda p: (p.stem != "sources", p.name)):
        raw, rules, problems = _join(raw, rules, path, linked=False)
        if problems:
            raise problems[0]
    for problem in _links(rules, rules.materials, rules.innocents, RULES_FOLDER.name):
        raise problem
    return raw, rules


def _join(
    raw: _Raw, rules: RuleBase, path: Path, linked: bool = True
) -> tuple[_Raw, RuleBase, list[InputError]]:
    """Lay one file over what is known; problems are collected, not raised."""
    data = read_toml(path, MAX_RULES_BYTES)
    where = str(path)
    problems = list(_sections(data, where))
    merged = {section: dict(entries) for section, entries in raw.items()}
    parsed: dict[str, dict[str, Any]] = {
        "material": dict(rules.materials),
        "innocent": dict(rules.innocents),
        "source": dict(rules.sources),
    }
    touched: dict[str, list[str]] = {section: [] for section in _SECTIONS}
    for section, model in _SECTIONS.items():
        for key, entry in _tables(data.get(section)):
            whole = {**merged[section].get(key, {}), **entry}
            try:
                parsed[section][key] = _parse(model, whole, f"{where}: {section}.{key}", key)
            except InputError as bad:
                problems.append(bad)
                continue
            merged[section][key] = whole
            touched[section].append(key)
    files = {**rules.files, **dict.fromkeys(touched["material"], path.name)}
    joined = RuleBase(parsed["material"], parsed["innocent"], parsed["source"], files)
    if linked:
        new = {key: joined.materials[key] for key in touched["material"]}
        innocents = {key: joined.innocents[key] for key in touched["innocent"]}
        problems += _links(joined, new, innocents, where)
    return merged, joined, problems


def _tables(section: object) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(section, Mapping):
        yield from ((key, entry) for key, entry in section.items() if isinstance(entry, dict))


def _sections(data: Mapping[str, Any], where: str) -> Iterator[InputError]:
    for name, content in data.items():
        if name not in _SECTIONS:
            close = difflib.get_close_matches(name, _SECTIONS, n=1, cutoff=0.4)
            yield InputError(
                where,
                name,
                found=f"the unknown table {name}",
                expected="[material.KEY], [innocent.KEY] or [source.KEY]",
                remedy=f"did you mean {close[0]}?" if close else "remove it",
            )
        elif not isinstance(content, Mapping) or not all(
            isinstance(entry, Mapping) for entry in content.values()
        ):
            yield InputError(
                where,
                name,
                found="values without a key of their own",
                expected=f"tables [{name}.KEY]",
                remedy="give each entry a key, such as [material.my_yellow]",
            )


def _parse(model: type[BaseModel], entry: dict[str, Any], where: str, key: str) -> BaseModel:
    if not key.replace("_", "").isalnum():
        raise InputError(
            where, found=f'the key "{key}"', expected="letters, digits and _", remedy="rename it"
        )
    try:
        # strict through JSON, as for a study: "1809" in quotes is a slip to be told
        return model.model_validate_json(json.dumps(entry, default=str), strict=True)
    except ValidationError as bad:
        raise explain(bad, model, entry, where) from None


def _links(
    rules: RuleBase,
    materials: Mapping[str, Material],
    innocents: Mapping[str, Innocent],
    where: str,
) -> Iterator[InputError]:
    """Keys that point at nothing."""
    for key, material in materials.items():
        place = f"{where}: material.{key}"
        for field_name, source in _cited(material):
            if source not in rules.sources:
                yield _dangling(place, field_name, source, rules.sources, "[source.KEY]")
        for other in material.look_alikes:
            if other not in rules.materials:
                yield _dangling(place, "look_alikes", other, rules.materials, "[material.KEY]")
    for key, innocent in innocents.items():
        for source in innocent.sources:
            if source not in rules.sources:
                place = f"{where}: innocent.{key}"
                yield _dangling(place, "sources", source, rules.sources, "[source.KEY]")


def _cited(material: Material) -> Iterator[tuple[str, str]]:
    for name in ("earliest", "common", "decline"):
        dates = getattr(material, name)
        yield from ((f"{name}.sources", key) for key in (dates.sources if dates else []))
    for region in material.regions:
        yield from ((f"regions ({region.name}).sources", key) for key in region.sources)
    yield from (("sources", key) for key in material.sources)


def _dangling(
    where: str, name: str, found: str, known: Mapping[str, _Entry], what: str
) -> InputError:
    close = difflib.get_close_matches(found, known, n=1, cutoff=0.4)
    return InputError(
        where,
        name,
        found=f'"{found}"',
        expected=f"the key of a {what}",
        remedy=f"did you mean {close[0]}?" if close else f"add {what} or correct the key",
    )
