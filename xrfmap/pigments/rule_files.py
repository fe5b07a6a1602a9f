"""Rule files: read, checked entry by entry, and laid over each other."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from xrfmap.errors import InputError
from xrfmap.physics.atomic import families
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.pigments.schema import Innocent, Material, SourceEntry
from xrfmap.studycheck import explain, read_toml

__all__ = ["RULES_FOLDER", "check_rules", "load_rules"]

RULES_FOLDER = Path(__file__).parent / "rules"
MAX_RULES_BYTES = 2_000_000  # the whole built-in base is a tenth of this
_SECTIONS: dict[str, type[BaseModel]] = {
    "material": Material,
    "innocent": Innocent,
    "source": SourceEntry,
}
_KEY = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,60}")


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
    """List everything that is wrong with a rule file; an empty list where nothing is.

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
        problems += [*_links(joined, new, innocents, where), *_line_families(new, where)]
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
    if not _KEY.fullmatch(key):
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


def _line_families(materials: Mapping[str, Material], where: str) -> Iterator[InputError]:
    """Line families that the element does not have, or that no detector shows."""
    for key, material in materials.items():
        for number, need in enumerate(material.needs, 1):
            known = [f"{need.element} {family}" for family in families(need.element)]
            for label in need.lines:
                if label not in known:
                    yield InputError(
                        f"{where}: material.{key}",
                        f"needs[{number}].lines",
                        found=f'"{label}"',
                        expected="a line family of the element above 0.5 keV: " + ", ".join(known),
                        remedy="correct the family",
                    )


def _cited(material: Material) -> Iterator[tuple[str, str]]:
    for name in ("earliest", "common", "decline"):
        dates = getattr(material, name)
        yield from ((f"{name}.sources", key) for key in (dates.sources if dates else []))
    for region in material.regions:
        yield from ((f"regions ({region.name}).sources", key) for key in region.sources)
    yield from (("sources", key) for key in material.sources)


def _dangling(
    where: str, name: str, found: str, known: Mapping[str, object], what: str
) -> InputError:
    close = difflib.get_close_matches(found, known, n=1, cutoff=0.4)
    return InputError(
        where,
        name,
        found=f'"{found}"',
        expected=f"the key of a {what}",
        remedy=f"did you mean {close[0]}?" if close else f"add {what} or correct the key",
    )
