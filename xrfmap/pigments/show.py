"""Rules for people: a list, and one rule in full."""

from __future__ import annotations

from xrfmap.pigments.dates import date_words
from xrfmap.pigments.rule_files import load_rules
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.pigments.schema import Material
from xrfmap.pigments.words import METHODS, element_names, join

__all__ = ["expected_ratios", "list_rules", "show_rule"]


def list_rules(rules: RuleBase | None = None) -> list[dict[str, str]]:
    """One row per material.

    Returns
    -------
    list of dict
        With `key`, `name`, `colours`, `elements`, `earliest`, `common`, in the order of
        the rule files.
    """
    rules = rules or load_rules()
    return [
        {
            "key": key,
            "name": material.name,
            "colours": ", ".join(material.colours),
            "elements": ", ".join(material.needed) or "not visible",
            "earliest": material.earliest.words(),
            "common": material.common.words() if material.common else "",
        }
        for key, material in rules.materials.items()
    ]


def expected_ratios(material: Material) -> dict[str, float]:
    """Mass ratios of needed elements by formula weights, ``{"Pb:Sn": 3.49}``."""
    if not material.has_ratio:
        return {}
    shares = material.expected()
    needed = sorted(material.needed, key=lambda e: -shares[e])
    return {f"{needed[0]}:{e}": shares[needed[0]] / shares[e] for e in needed[1:]}


def show_rule(name: str, rules: RuleBase | None = None) -> str:
    """Everything a rule says, as plain text with its sources.

    Parameters
    ----------
    name : str
        Key, name or other name of a material.
    rules : RuleBase, optional
        The built-in rules where not given.

    Raises
    ------
    InputError
        If there is no such material; the remedy names the nearest.
    """
    rules = rules or load_rules()
    key = rules.find(name)
    material = rules.materials[key]
    lines = [*_head(key, material, rules), *_elements(material), *_dates(material)]
    if material.needs:
        lead = material.needed[0]
        lines += _block(f"Other sources of {lead}", rules.innocent_sources(lead))
    alike = [rules.materials[other].name for other in rules.look_alikes(key)]
    if material.look_alike_note:
        alike.append(material.look_alike_note)
    lines += _block("Cannot be told from", alike)
    lines += _block("To confirm", [METHODS[method] for method in material.confirm])
    lines += _block("Note", [material.note] if material.note else [])
    used = [*material.sources, *material.earliest.sources]
    for dates in (material.common, material.decline):
        used += dates.sources if dates else []
    for region in material.regions:
        used += region.sources
    sources = [f"{source.text} ({source.checked})" for source in rules.references(used)]
    return "\n".join([*lines, *_block("Sources", sources)])


def _block(title: str, texts: list[str]) -> list[str]:
    return [f"{title}:", *(f"  - {text}" for text in texts)] if texts else []


def _head(key: str, material: Material, rules: RuleBase) -> list[str]:
    lines = [f"{material.name}  [{key}]", f"  rule file: {rules.files.get(key, '')}"]
    if material.also:
        lines.append(f"  also called: {', '.join(material.also)}")
    lines.append(f"  {material.kind}; colour: {', '.join(material.colours)}; {material.rarity}")
    lines.append(f"  formula: {material.formula}; confidence of the dates: {material.confidence}")
    return lines


def _elements(material: Material) -> list[str]:
    if not material.needs:
        return ["Elements: not visible to X-ray fluorescence in air"]
    lines = ["Needs:"]
    for need in material.needs:
        caution = f"; {need.caution}" if need.caution else ""
        lines.append(f"  - {element_names([need.element])} by {join(need.lines, 'or')}{caution}")
    if material.any_of:
        group = material.any_of
        lines.append(f"  - one of {join(group.any, 'or')}: {group.why}")
    if material.visibility == "weak":
        lines.append("  weakly visible: its elements never prove it")
    ratios = expected_ratios(material)
    told = [f"{pair} = {value:.2f} by mass" for pair, value in ratios.items()]
    lines += _block(f"By the formula (spread of a factor {material.ratio_spread:g})", told)
    lines += _block(
        "May bring",
        [
            f"{c.element} up to {c.up_to:g} of the {material.needed[0]} ({c.how_often}): {c.why}"
            for c in material.companions
        ],
    )
    lines += _block("Usually brings", [f"{e.element}: {e.why}" for e in material.expects])
    lines += _block("Speaks against it", [f"{c.element}: {c.why}" for c in material.conflicts])
    return lines


def _dates(material: Material) -> list[str]:
    lines = ["Dates:", f"  - {date_words(material)}"]
    if material.decline:
        decline = material.decline
        lines.append(f"  - goes out of use {decline.words()} (a remark, never a reason for a flag)")
        lines += [f"    {text}" for text in (decline.note, decline.revival) if text]
    lines += [f"  - {region.name}: {region.note}" for region in material.regions]
    return lines
