"""Words and numbers: verdict meanings, number formats, what the method cannot see."""

from __future__ import annotations

import math

from xrfmap.findings import Verdict

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

_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
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


def number(value: float | None, digits: int = 3) -> str:
    """Value with `digits` significant digits, plain up to seven figures; a dash for none.

    Five figures and more are set in groups of three with a narrow space.
    """
    if value is None or not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    power = math.floor(math.log10(abs(value)))
    if not -4 <= power < 7:
        mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
        raised = str(int(exponent)).translate(_RAISED)
        return f"{mantissa.replace('-', '−')} × 10{raised}"
    rounded = round(value, digits - 1 - power)
    places = max(0, digits - 1 - power)
    text = f"{rounded:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return _grouped(text)


def _grouped(text: str) -> str:
    whole, point, rest = text.replace("-", "−").partition(".")
    if len(whole.lstrip("−")) > 4:
        sign = whole[: len(whole) - len(whole.lstrip("−"))]
        whole = sign + f"{int(whole.lstrip('−')):,}".replace(",", "\u202f")
    return whole + point + rest


def with_error(value: float | None, err: float | None) -> str:
    """Value and standard error, both to the second digit of the error: ``"1240 ± 35"``."""
    if value is None or not math.isfinite(value):
        return "–"
    if err is None or not math.isfinite(err) or err <= 0:
        return number(value)
    places = 1 - math.floor(math.log10(err))
    if places > 9:
        return f"{number(value)} ± {number(err, 2)}"
    text = f"{round(value, places):.{max(0, places)}f} ± {round(err, places):.{max(0, places)}f}"
    return " ± ".join(_grouped(part) for part in text.split(" ± "))


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
