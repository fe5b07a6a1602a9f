"""Numbers as they are read: rounded to what they are worth, in groups of three."""

from __future__ import annotations

import math

__all__ = ["number", "signed", "unit_text", "whole", "with_error"]

_UNITS = {"um": "µm", "ug/cm2": "µg/cm²", "mg/cm2": "mg/cm²"}
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


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


def whole(value: float) -> str:
    """Whole number with all its figures, in groups of three from five figures on."""
    return _grouped(f"{value:z.0f}")


def signed(value: float, places: int = 1) -> str:
    """Value with its sign, a true minus, to `places` decimals: ``"−0.9"``, ``"+1.0"``."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:+z.{places}f}"  # z: no minus before nought
    return text[0].replace("-", "−") + _grouped(text[1:])


def unit_text(unit: str) -> str:
    """Write a unit of machine files as people do: ``"ug/cm2"`` as ``"µg/cm²"``."""
    return _UNITS.get(unit, unit)


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
