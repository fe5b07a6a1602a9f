"""Words of a report: what verdicts mean, names, what the method cannot see."""

from __future__ import annotations

import math

from xrfmap.findings import Verdict
from xrfmap.numbers import number, signed, whole, with_error

__all__ = [
    "BLIND",
    "BOUNDS",
    "CAUTIONS",
    "ELEMENT_VERDICTS",
    "STACK_VERDICTS",
    "STATES",
    "VERDICT_MEANINGS",
    "VERDICT_NAMES",
    "VERDICT_SIGNS",
    "element_name",
    "number",
    "share",
    "signed",
    "whole",
    "with_error",
    "year_span",
]

VERDICT_NAMES: dict[Verdict, str] = {
    "out_of_period": "Out of period",
    "borderline": "Borderline",
    "later_layer": "In a later layer",
    "cannot_tell": "Cannot tell",
    "compatible": "Compatible",
}
VERDICT_MEANINGS: dict[Verdict, str] = {
    "out_of_period": (
        "Element evidence in original or unassigned paint points to a material that was not "
        "available by the end of the stated period. It needs confirmation by a method that "
        "identifies the compound."
    ),
    "borderline": (
        "A material lies between its first report and its common use in the stated period, "
        "or the sources disagree about its date."
    ),
    "later_layer": (
        "A material of later date is present, but where it sits makes a later intervention "
        "the likely reason. It says nothing against the original paint."
    ),
    "cannot_tell": (
        "The material that would decide is invisible to X-ray fluorescence, or shares all its "
        "elements with materials of the period."
    ),
    "compatible": (
        "Nothing was found that contradicts the stated period. Materials of the period may also "
        "have been used later: this is not proof of a date, a place or a hand."
    ),
}
# shape and word carry the meaning, colour only repeats it
VERDICT_SIGNS: dict[Verdict, str] = {
    "out_of_period": "◆",
    "borderline": "◈",
    "later_layer": "▲",
    "cannot_tell": "○",
    "compatible": "●",
}
ELEMENT_VERDICTS = {
    "present": "present",
    "not detected": "not detected",
    "not separable": "not separable",
}
STATES = {
    "at_surface": "at the surface",
    "covered": "under a cover",
    "cannot_tell": "cannot tell",
}
BOUNDS = {
    "both": "both ends",
    "lower_end_only": "lower end only",
    "neither": "neither end",
}
STACK_VERDICTS = {
    "best": "explains it best",
    "possible": "possible",
    "excluded": "excluded",
    "cannot_tell": "cannot tell",
}
BLIND = (
    "Elements lighter than about silicon hardly show in air: carbon, nitrogen, oxygen, sodium, "
    "and usually magnesium and aluminium.",
    "Organic colours and binders (lakes without a metal, indigo, carbon and bone blacks by their "
    "carbon, oils, resins, synthetic organic pigments) leave no line of their own.",
    "The element is seen, never the compound: lead white, red lead and lead-tin yellow all show "
    "lead; ultramarine shows almost nothing.",
    "The signal comes from a depth that differs from line to line: soft lines from the topmost "
    "micrometres, hard lines from ground and support as well.",
    "Everything in the beam adds up: a map shows paint, ground, panel, earlier pictures, nails and "
    "what lies behind.",
    "An element below its detection limit is not an absent element; the limits stand beside each "
    "map.",
)
CAUTIONS = (
    "Materials that fit a period do not prove it: they stayed in use, and old stock can be bought.",
    "A finding from element data is a reason for a next check, not the end of an argument. Confirm "
    "with a method that identifies compounds or layers before anything is published or acted upon.",
    "An X-ray beam is ionising radiation: work under the radiation protection rules of the place, "
    "with interlocks, and keep the dose on light-sensitive glass, paper and resin in mind.",
    "Lead, arsenic, mercury, cadmium and chromium pigments are toxic: no dust, gloves, no scraping "
    "outside a hood.",
    "Sampling is irreversible and needs the owner's consent; look for an existing cross-section "
    "first.",
)

_NAMES = (
    "hydrogen helium lithium beryllium boron carbon nitrogen oxygen fluorine neon sodium "
    "magnesium aluminium silicon phosphorus sulfur chlorine argon potassium calcium scandium "
    "titanium vanadium chromium manganese iron cobalt nickel copper zinc gallium germanium "
    "arsenic selenium bromine krypton rubidium strontium yttrium zirconium niobium molybdenum "
    "technetium ruthenium rhodium palladium silver cadmium indium tin antimony tellurium iodine "
    "xenon caesium barium lanthanum cerium praseodymium neodymium promethium samarium europium "
    "gadolinium terbium dysprosium holmium erbium thulium ytterbium lutetium hafnium tantalum "
    "tungsten rhenium osmium iridium platinum gold mercury thallium lead bismuth polonium "
    "astatine radon francium radium actinium thorium protactinium uranium"
).split()


def element_name(symbol: str) -> str:
    """English name of an element; the symbol itself where it is none."""
    from xrfmap.elements import atomic_number

    try:
        return _NAMES[atomic_number(symbol) - 1]
    except ValueError:
        return symbol


def share(fraction: float) -> str:
    """Fraction as a percentage, without pretending to more than the eye can use."""
    if not math.isfinite(fraction):
        return "an unknown share"
    percent = 100 * fraction
    if 0 < percent < 0.1:
        return "under 0.1 %"
    if 99.9 < percent < 100:
        return "over 99.9 %"
    return f"{percent:.1f} %" if percent < 10 else f"{percent:.0f} %"


def year_span(start: int | None, end: int | None) -> str:
    """Two bounds in words."""
    if start is None and end is None:
        return "no bound"
    if end is None:
        return f"not before {start}"
    if start is None:
        return f"not after {end}"
    return f"{start} to {end}" if start != end else f"{start}"
