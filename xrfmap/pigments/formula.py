"""Mass fractions from chemical formulas, hydrates and mixtures included."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache

import xraylib

from xrfmap.elements import atomic_number

__all__ = ["atomic_weight", "atoms", "formula_mass", "mass_fractions", "mixture_fractions"]

_TOKEN = re.compile(r"([A-Z][a-z]?)|(\d+(?:\.\d+)?)|([()\[\]])")
_LEADING = re.compile(r"^(\d+(?:\.\d+)?)(.*)$", re.DOTALL)
_SUBSCRIPTS = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
MAX_FORMULA = 200  # characters; the longest mineral formula in use is far shorter


@cache
def atomic_weight(element: str) -> float:
    """Weigh an element: standard atomic weight [g/mol] of the element with this symbol (H to U)."""
    return float(xraylib.AtomicWeight(atomic_number(element)))


def atoms(formula: str) -> dict[str, float]:
    """Atoms in one formula unit.

    Parameters
    ----------
    formula : str
        Such as ``"Pb2SnO4"``, ``"2PbCO3·Pb(OH)2"`` or ``"CaSO4·2H2O"``; a raised dot
        or ``*`` joins parts, each with its own leading number. Decimal numbers are
        allowed, ``"PbSn0.76Si0.24O3"``.

    Returns
    -------
    dict of str to float
        Symbol to number of atoms, in order of first appearance.

    Raises
    ------
    ValueError
        If the text is not a formula.
    """
    if not 0 < len(formula) <= MAX_FORMULA:
        raise ValueError(f"a formula of 1 to {MAX_FORMULA} characters, found {len(formula)}")
    total: dict[str, float] = {}
    for part in re.split("[·*]", formula.translate(_SUBSCRIPTS).replace(" ", "")):
        leading = _LEADING.match(part)
        factor, rest = (float(leading[1]), leading[2]) if leading else (1.0, part)
        for element, number in _part(rest, formula).items():
            total[element] = total.get(element, 0.0) + factor * number
    return total


def _part(text: str, formula: str) -> dict[str, float]:
    """Atoms of one part without dots, brackets resolved with a stack."""
    stack: list[dict[str, float]] = [{}]
    pending: dict[str, float] = {}  # last element or bracket, which a number may follow
    at = 0
    while at < len(text):
        token = _TOKEN.match(text, at)
        if token is None:
            raise ValueError(f"formula {formula!r} cannot be read at {text[at:]!r}")
        at = token.end()
        element, number, bracket = token.groups()
        factor = float(number) if number else 1.0
        if number and not pending:
            raise ValueError(f"formula {formula!r}: the number {number} follows nothing")
        _add(stack[-1], pending, factor)
        pending = {}
        if element:
            atomic_number(element)
            pending = {element: 1.0}
        elif bracket and bracket in "([":
            stack.append({})
        elif bracket:
            if len(stack) == 1:
                raise ValueError(f"formula {formula!r}: a bracket closes that never opened")
            pending = stack.pop()
    if len(stack) > 1:
        raise ValueError(f"formula {formula!r}: a bracket is not closed")
    _add(stack[0], pending, 1.0)
    if not stack[0]:
        raise ValueError(f"formula {formula!r} has an empty part")
    return stack[0]


def _add(into: dict[str, float], group: dict[str, float], factor: float) -> None:
    for element, number in group.items():
        into[element] = into.get(element, 0.0) + factor * number


def formula_mass(formula: str) -> float:
    """Mass of one formula unit in g/mol."""
    return sum(number * atomic_weight(element) for element, number in atoms(formula).items())


def mass_fractions(formula: str) -> dict[str, float]:
    """Share of the mass of each element in a compound; shares sum to one."""
    parts = {element: n * atomic_weight(element) for element, n in atoms(formula).items()}
    whole = sum(parts.values())
    return {element: mass / whole for element, mass in parts.items()}


def mixture_fractions(parts: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Share of the mass of each element in a mixture of compounds.

    Parameters
    ----------
    parts : iterable of (formula, mass)
        Masses in any one unit; zero or more, not all zero.

    Returns
    -------
    dict of str to float
        Shares that sum to one.
    """
    known = list(parts)
    whole = sum(mass for _, mass in known)
    if whole <= 0 or any(mass < 0 for _, mass in known):
        raise ValueError("masses of a mixture must be >= 0 and not all zero")
    total: dict[str, float] = {}
    for formula, mass in known:
        _add(total, mass_fractions(formula), mass / whole)
    return total
