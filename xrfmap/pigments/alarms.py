"""Cases that element data cannot decide.

One modern material against several of the period, and colours whose pigments leave no line.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from xrfmap.findings import Flag
from xrfmap.pigments.dates import date_words, known_in, period_verdict
from xrfmap.pigments.innocents import Innocence
from xrfmap.pigments.matching import Match
from xrfmap.pigments.schema import Material
from xrfmap.pigments.sets import cheapest, covered_by, items_of
from xrfmap.pigments.setting import Setting
from xrfmap.pigments.words import element_names, join, next_check, one_or_more, sentence

__all__ = ["COLOUR_WORDS", "colour_alarm", "colours_in", "shared_alarm"]

# An out-of-period material is worth a flag when it saves nearly a whole assumption.
_SAVED = 0.8

HINT = 3.0
"""Standard errors from which counts of an element that is not found are told as a hint, as in the
table of elements."""

COLOUR_WORDS = {
    "white": "white", "whites": "white", "black": "black", "grey": "grey", "gray": "grey",
    "brown": "brown", "red": "red", "reds": "red", "crimson": "red", "scarlet": "red",
    "orange": "orange", "ochre": "yellow", "pink": "pink", "flesh": "pink", "yellow": "yellow",
    "green": "green",
    "blue": "blue", "turquoise": "blue", "violet": "violet", "purple": "violet", "mauve": "violet",
    "gold": "gold", "golden": "gold", "silver": "silver",
}  # fmt: skip
# colours whose decision may hang on a material without lines of its own
_DECIDED_BY_LIGHT = ("blue", "red", "yellow", "violet", "green")


def colours_in(text: str | None) -> frozenset[str]:
    """Colours named in free words, ``"light blue-green"`` -> blue and green."""
    if not text:
        return frozenset()
    words = re.findall(r"[a-z]+", text.lower())
    return frozenset(COLOUR_WORDS[word] for word in words if word in COLOUR_WORDS)


def shared_alarm(
    setting: Setting, matches: Sequence[Match], innocents: Sequence[Innocence]
) -> list[Flag]:
    """Flag what one material out of period explains as well as several of the period.

    Returns
    -------
    list of Flag
        ``"cannot_tell"`` flags; empty where the period explains the area about as simply,
        and where neither colour nor amounts point to the material.
    """
    if setting.period is None or setting.area.standing == "later":
        return []
    period = [m for m in matches if m.verdict != "out_of_period"]
    fits = items_of(setting, period, innocents, with_period=False)
    every = items_of(setting, matches, innocents, with_period=False)
    elements = covered_by(fits) & frozenset(setting.present)
    modest, simple = cheapest(fits, elements), cheapest(every, elements)
    if modest is None or simple is None or modest.cost - simple.cost < _SAVED:
        return []
    names = [item.matches[0].material.name for item in modest.items if item.matches]
    flags = []
    for item in simple.items:
        suspect = next((m for m in item.matches if m.verdict == "out_of_period"), None)
        if suspect is None or any(m.verdict != "out_of_period" for m in item.matches):
            continue
        needed = [e for e in suspect.material.needed if suspect.covers.get(e)]
        if len(needed) > 1 and _speaks_for_itself(setting, suspect.material):
            flags.append(_shared_flag(setting, suspect, item.matches, needed, names))
    return flags


def _speaks_for_itself(setting: Setting, material: Material) -> bool:
    """Whether colour or a known ratio points to the material; a bare list of elements does not."""
    if setting.colours:
        return material.colours[0] in setting.colours
    first, *rest = material.needed
    return any(setting.amounts.ratio(first, other) is not None for other in rest)


def _shared_flag(
    setting: Setting,
    suspect: Match,
    members: Sequence[Match],
    needed: Sequence[str],
    names: Sequence[str],
) -> Flag:
    material = suspect.material
    others = [m.material.name for m in members if m is not suspect]
    own = [name for name in names if name not in others]
    ratio = "; ".join(suspect.support)
    reason = (
        f"{sentence(element_names(needed))} together would be explained at one stroke by "
        f"{material.name}: {date_words(material, setting.region)}."
        + (f" Also by {one_or_more(others)}." if others else "")
        + f" The period has the same elements in separate materials ({join(own)}), so that "
        f"elements alone do not decide. ({ratio}.)"
    )
    return Flag(
        pigment=material.name,
        elements=list(needed),
        area=setting.area.name,
        layer=setting.area.layer,
        verdict="cannot_tell",
        reason=reason,
        sources=setting.rules.references([*material.earliest.sources, *material.sources]),
        next_check=next_check([material], setting.present, setting.area.name),
        also=others,
    )


def colour_alarm(setting: Setting, matches: Sequence[Match]) -> list[Flag]:
    """Flag a coloured area without any visible pigment of its colour.

    Notes
    -----
    Raised only where the colour is stated, no matched material of the period gives it, and
    materials of that colour that leave no line (or share theirs with earths or copper
    pigments) lie on both sides of the stated period: then they decide, and stay unseen.
    Greens and violets are mixed: a visible blue does for a green, a blue or red for a violet.
    """
    if setting.period is None or setting.area.standing == "later" or not setting.area.present:
        return []
    flags = []
    for colour in _DECIDED_BY_LIGHT:
        if colour in setting.colours and not _accounted(colour, matches):
            flag = _colour_flag(setting, colour)
            if flag is not None:
                flags.append(flag)
    return flags[:1]


def _accounted(colour: str, matches: Sequence[Match]) -> bool:
    wanted = {"green": {"green", "blue"}, "violet": {"violet", "red", "blue"}}.get(colour, {colour})
    return any(
        m.material.colours[0] in wanted  # its own hue; the others are mixtures it goes into
        and m.material.kind in ("pigment", "metal")
        and m.material.visibility == "good"
        for m in matches
        if m.material.rarity != "rare" and m.verdict == "compatible"
    )


def _colour_flag(setting: Setting, colour: str) -> Flag | None:
    fits, late = [], []
    for material in setting.rules.materials.values():
        if colour not in material.colours or not _hidden(material, setting):
            continue
        if not known_in(material, setting.region):
            continue
        verdict = period_verdict(material, setting.period, setting.region)
        if verdict != "compatible":
            late.append(material)
        elif material.rarity != "rare":
            fits.append(material)
    if not fits or not late:
        return None
    late.sort(key=lambda m: m.earliest.low)
    first = late[0]
    dated = "; ".join(f"{m.name} ({m.earliest.words()})" for m in late)
    reason = (
        f"The area is {colour}, but no visible pigment of that colour was matched. Materials "
        f"of the period that X-ray fluorescence does not see would do "
        f"({join((m.name for m in fits), 'or')}), and so would later ones: {dated}. Elements "
        f"do not decide between them.{_hint_words(setting, colour)}"
    )
    return Flag(
        pigment=first.name,
        elements=[e for e in first.needed if e in setting.present],
        area=setting.area.name,
        layer=setting.area.layer,
        verdict="cannot_tell",
        reason=reason,
        sources=setting.rules.references(
            key for material in late for key in material.earliest.sources
        ),
        next_check=next_check([*late[:2], *fits[:1]], setting.present, setting.area.name),
    )


def _hint_words(setting: Setting, colour: str) -> str:
    """Name the visible pigments of the period that would do if a hint of an element were true."""
    hints = {
        symbol: line.net / line.err
        for symbol, element in setting.area.elements.items()
        if symbol not in setting.ignore and not element.detected and element.competitor is None
        for line in element.lines[:1]
        if line.net and line.err and line.net > HINT * line.err
    }
    named: dict[str, list[str]] = {}
    for material in setting.rules.materials.values():
        missing = [e for e in material.needed if e not in setting.present]
        usual = material.kind == "pigment" and material.rarity != "rare"
        if (
            usual
            and material.colours[0] == colour
            and len(missing) == 1
            and missing[0] in hints
            and known_in(material, setting.region)
            and period_verdict(material, setting.period, setting.region) == "compatible"
        ):
            named.setdefault(missing[0], []).append(material.name)
    words = [
        f" There is a hint of {element_names([symbol])}, {hints[symbol]:.1f} standard errors, "
        f"too little to count as found: a little {one_or_more(names)} would do, too, unless it is "
        f"chance."
        for symbol, names in named.items()
    ]
    return "".join(words)


def _hidden(material: Material, setting: Setting) -> bool:
    """Without lines of its own, or with lines that period materials share and that are seen."""
    if material.visibility == "none":
        return material.kind == "pigment"
    return material.visibility == "weak" and all(e in setting.present for e in material.needed)
