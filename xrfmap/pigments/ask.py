"""The short door: what do the rules say of some elements."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence

from xrfmap.errors import InputError
from xrfmap.pigments.assess import Assessment, assess
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.settings import ELEMENT_SYMBOLS, Area, Period

__all__ = ["match_pigments"]


def match_pigments(
    elements: Iterable[str] | Mapping[str, float],
    period: Period | tuple[int, int] | None = None,
    *,
    layer: str | None = None,
    colour: str | None = None,
    rules: RuleBase | None = None,
    region: str | None = None,
) -> Assessment:
    """Ask the rules about some elements, as typed in from a report.

    Parameters
    ----------
    elements : iterable of str, or mapping of str to float
        Symbols; with a mapping the values are relative masses.
    period : Period or (int, int), optional
        The stated period.
    layer, colour, region : str, optional
        Role of the layer (``"retouching"``), colour of the area, region of the object.
    rules : RuleBase, optional
        The built-in rules where not given.

    Returns
    -------
    Assessment
        With a single area.

    Raises
    ------
    InputError
        If a symbol is no element, an amount is negative, or the period ends before it begins.

    Examples
    --------
    >>> match_pigments({"Pb", "Sn"}, period=(1630, 1650)).overall
    'compatible'
    """
    symbols = list(elements) if isinstance(elements, Mapping | Sequence) else sorted(elements)
    amounts = dict(elements) if isinstance(elements, Mapping) else None
    _check_symbols(symbols)
    _check_amounts(amounts or {})
    area = Area(
        name="the area in question", elements=symbols, amounts=amounts, layer=layer, colour=colour
    )
    return assess([area], period, (), rules, region=region)


def _check_symbols(symbols: Iterable[str]) -> None:
    for symbol in symbols:
        if symbol not in ELEMENT_SYMBOLS:
            close = difflib.get_close_matches(str(symbol).capitalize(), ELEMENT_SYMBOLS, 1, 0.5)
            raise InputError(
                "elements",
                found=f'"{symbol}"',
                expected="element symbols from H to U",
                remedy=f"did you mean {close[0]}?" if close else "correct the symbol",
            )


def _check_amounts(amounts: Mapping[str, float]) -> None:
    for symbol, amount in amounts.items():
        if not 0 <= amount < math.inf:
            raise InputError(
                "amounts",
                symbol,
                found=str(amount),
                expected="a relative mass of 0 or more",
                remedy="correct the value",
            )
