"""Which materials would explain which elements of an area, and how well.

A material is matched where all its needed elements are seen. It then *covers* elements:
its needed ones as far as the formula allows (an excess of lead over lead-tin yellow stays
open), and the companions it may bring, up to their amounts. Nothing is ever concluded from
an element that was not seen, except where an upper limit lies below what the material
would bring.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from xrfmap.findings import Verdict
from xrfmap.pigments.amounts import Within, within
from xrfmap.pigments.dates import known_in, period_verdict
from xrfmap.pigments.further import Further, further_elements
from xrfmap.pigments.schema import Companion, Material
from xrfmap.pigments.setting import Setting

__all__ = ["Cover", "Grade", "Match", "NearMiss", "graded", "match_all"]

Grade = Literal["good", "doubtful", "named"]
_BY_HOW_OFTEN: Mapping[str, Grade] = {
    "often": "good",
    "sometimes": "doubtful",
    "rarely": "named",
}
# What one more assumption of each kind costs beside the 1.0 of a material: small against 1,
# so that the number of materials decides first.
_RARITY_COST = {"staple": -0.1, "usual": 0.0, "occasional": 0.2, "rare": 0.5}
_MIXED_COST = 0.05  # a pigment that goes into mixtures of the stated colour
_COLOUR_COST, _CONFLICT_COST, _WEAK_COST, _DOUBT_COST = 0.35, 0.5, 0.3, 0.3
_COMPANION_COST = 0.05


@dataclass(frozen=True)
class Cover:
    """How one material accounts for one element."""

    role: Literal["need", "companion"]
    grade: Grade
    text: str


@dataclass(frozen=True, eq=False)
class Match:
    """A material that would explain elements of an area."""

    key: str
    material: Material
    verdict: Verdict
    covers: Mapping[str, Cover]
    support: tuple[str, ...]
    against: tuple[str, ...]
    cost: float
    excess: tuple[str, ...] = ()  # needed elements of which there is more than it explains

    def explains(self, element: str) -> bool:
        """Whether it accounts for this element, at least doubtfully."""
        return element in self.covers and self.covers[element].grade != "named"


@dataclass(frozen=True)
class NearMiss:
    """A material of the period that lacks further elements which it would bring."""

    elements: tuple[str, ...]  # its needed elements, all seen
    text: str


def match_all(setting: Setting) -> tuple[list[Match], list[NearMiss]]:
    """Match every visible material against an area.

    Returns
    -------
    matches : list of Match
        By cost, the fewest assumptions first.
    near_misses : list of NearMiss
        Materials of the period whose needed elements are all seen but which lack the
        further elements that they would bring.
    """
    matches, near = [], []
    here = setting.present
    for key, material in setting.rules.materials.items():
        if not material.needs or not all(e in here for e in material.needed):
            continue
        if not known_in(material, setting.region):
            continue
        further = further_elements(key, material, setting)
        if further.rules_out:
            if period_verdict(material, setting.period, setting.region) != "out_of_period":
                text = f"{material.name} falls short: {further.text}"
                near.append(NearMiss(material.needed, text))
            continue
        found = _match(key, material, setting, further)
        if found is not None:
            matches.append(found)
    return sorted(matches, key=lambda m: (m.cost, m.material.earliest.low, m.material.name)), near


def _match(key: str, material: Material, setting: Setting, further: Further) -> Match | None:
    covers, support, against, excess = _needs(material, setting, further)
    if not covers:
        return None
    if further.text:
        (against if further.status == "open" else support).append(further.text)
    companions = _companions(material, setting)
    support += [f"{e} fits: {cover.text}" for e, cover in companions.items()]
    odd, odd_cost = _oddities(material, setting)
    cost = 1.0 + odd_cost + _COMPANION_COST * len(companions)
    cost += _DOUBT_COST * any(cover.grade == "doubtful" for cover in covers.values())
    return Match(
        key,
        material,
        period_verdict(material, setting.period, setting.region),
        {**covers, **companions},
        tuple(support),
        (*against, *odd),
        cost,
        tuple(excess),
    )


def _oddities(material: Material, setting: Setting) -> tuple[list[str], float]:
    """Tell what makes a material less likely here, in words and as a cost."""
    conflicts = [
        f"{conflict.element} is present: {conflict.why}"
        for conflict in material.conflicts
        if conflict.element in setting.present and not _is_trace(setting, conflict.element)
    ]
    lacking = _lacking(material, setting)
    hue = _hue_cost(material, setting)
    colour = [f"the area is called {', '.join(sorted(setting.colours))}"]
    cost = _RARITY_COST[material.rarity] + hue + _MIXED_COST * len(lacking)
    cost += _CONFLICT_COST * bool(conflicts) + _WEAK_COST * (material.visibility == "weak")
    cost += _DOUBT_COST * (material.kind == "alteration")
    return [*conflicts, *lacking, *(colour if hue == _COLOUR_COST else [])], cost


def _lacking(material: Material, setting: Setting) -> list[str]:
    """List elements that it usually brings and that an upper limit keeps below that."""
    lead = material.needed[0]
    told = []
    for expected in material.expects:
        limit = setting.amounts.limit(expected.element, lead)
        if limit is not None and limit < expected.at_least:
            told.append(
                f"{expected.element} stays below {limit:.2g} of the {lead} by mass: {expected.why}"
            )
    return told


def _needs(
    material: Material, setting: Setting, further: Further
) -> tuple[dict[str, Cover], list[str], list[str], list[str]]:
    covers: dict[str, Cover] = {}
    support, against, excess = [], [], []
    grade: Grade = "doubtful" if further.leaves_doubt else "good"
    for need in material.needs:
        text = f"{need.element} is present"
        fit, ratio_text = _ratio_fit(material, need.element, setting)
        if ratio_text:
            text = f"{text}; {ratio_text}"
        if fit == "no":
            excess.append(need.element)
            against.append(ratio_text)
            continue
        size = _size(material, need.element, setting)
        if size in ("no", "unlikely") and material.max_share is not None:
            against.append(
                f"more {need.element} than {material.name} leaves "
                f"(at most about {100 * material.max_share:.2g} % of what is seen)"
            )
            if size == "no":
                continue
        # an additive whose amount nobody stated is a possibility, not an explanation; so is
        # a ratio that only the outer half of its interval allows
        poor = fit == "unlikely" or size in ("unlikely", "unknown")
        own: Grade = "doubtful" if poor else grade
        covers[need.element] = Cover("need", own, text)
        support.append(text)
    return covers, support, against, excess


def _ratio_fit(material: Material, element: str, setting: Setting) -> tuple[Within, str]:
    """Whether the material leaves an excess of one needed element over the others."""
    if not material.has_ratio:
        return "yes", ""
    shares = material.expected()
    worst: Within = "unknown"
    text = ""
    for other in material.needed:
        if other == element:
            continue
        ratio = setting.amounts.ratio(element, other)
        expected = shares[element] / shares[other]
        fit = within(ratio, expected * material.ratio_spread)
        if ratio is None:
            continue
        text = f"{element} to {other} is {ratio.words()} by mass, the formula asks {expected:.2g}"
        if fit == "no":
            return "no", f"more {element} than it explains: {text}"
        worst = "unlikely" if "unlikely" in (fit, worst) else fit
    return worst, text


def _size(material: Material, element: str, setting: Setting) -> Within:
    """How an additive's amount stands to what additives leave."""
    if material.max_share is None:
        return "yes"
    if setting.colours & set(material.colours) - {"colourless"}:
        # in a lake or a black the paint itself shows nothing, so the drier's share is larger
        return within(setting.amounts.share(element), 3 * material.max_share)
    return within(setting.amounts.share(element), material.max_share)


def _companions(material: Material, setting: Setting) -> dict[str, Cover]:
    found: dict[str, Cover] = {}
    for companion in material.companions:
        if companion.element not in setting.present or companion.element in material.needed:
            continue
        grade = _companion_grade(companion, material.needed[0], setting)
        if grade is not None:
            text = f"{companion.why}{_amount_text(companion, material, setting)}"
            found[companion.element] = Cover("companion", grade, text)
    return found


def _companion_grade(companion: Companion, lead: str, setting: Setting) -> Grade | None:
    fit = within(setting.amounts.ratio(companion.element, lead), companion.up_to)
    return graded(fit, companion.how_often)


def graded(fit: Within, how_often: str) -> Grade | None:
    """Grade an explanation by its amount, or by how usual it is where no amount is known."""
    if fit == "no":
        return None
    if fit == "unknown":
        return _BY_HOW_OFTEN[how_often]
    return "doubtful" if fit == "unlikely" else "good"


def _amount_text(companion: Companion, material: Material, setting: Setting) -> str:
    ratio = setting.amounts.ratio(companion.element, material.needed[0])
    if ratio is None:
        return ""
    return (
        f" ({companion.element} to {material.needed[0]} is {ratio.words()} by mass, "
        f"up to about {companion.up_to:g} is usual)"
    )


def _is_trace(setting: Setting, element: str) -> bool:
    share = setting.amounts.share(element)
    return share is not None and share.high < 0.01


def _hue_cost(material: Material, setting: Setting) -> float:
    """Reckon what the stated colour costs: fillers, driers and white go into every colour."""
    if setting.colours and material.kind == "metal":
        return 0.0 if setting.colours & {"gold", "silver"} else _COLOUR_COST
    if not setting.colours or material.kind != "pigment" or "white" in material.colours:
        return 0.0
    if material.colours[0] in setting.colours:
        return 0.0
    return _MIXED_COST if setting.colours & set(material.colours) else _COLOUR_COST
