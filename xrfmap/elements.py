"""Symbols, absorption edges and fluorescence yields of the elements, from xraylib."""

from __future__ import annotations

from functools import cache
from typing import Any

import xraylib

__all__ = [
    "SHELLS",
    "Z_MAX",
    "atomic_number",
    "edge_energy",
    "fluorescence_yield",
    "or_zero",
    "symbol",
]

SHELLS = ("K", "L1", "L2", "L3", "M1", "M2", "M3", "M4", "M5")
Z_MAX = 92  # uranium


@cache
def symbol(z: int) -> str:
    """Symbol of the element of atomic number `z`."""
    if not 1 <= z <= Z_MAX:
        raise ValueError(f"atomic number must be 1 to {Z_MAX}, found {z}")
    return str(xraylib.AtomicNumberToSymbol(z))


@cache
def _numbers() -> dict[str, int]:
    return {symbol(z): z for z in range(1, Z_MAX + 1)}


def atomic_number(element: str) -> int:
    """Atomic number of the element with this symbol (H to U).

    Raises
    ------
    ValueError
        If there is no such element.
    """
    try:
        return _numbers()[element]
    except KeyError:
        raise ValueError(f"no element has the symbol {element!r} (H to U are known)") from None


def or_zero(function: Any, *args: Any) -> float:
    """Value of an xraylib function, 0 where its table has no entry."""
    try:
        return float(function(*args))
    except ValueError:
        return 0.0


@cache
def edge_energy(element: str, shell: str) -> float:
    """Absorption edge of a shell.

    Returns
    -------
    float
        Energy. [keV]

    Raises
    ------
    ValueError
        If the element has no such shell.
    """
    z = atomic_number(element)
    edge = or_zero(xraylib.EdgeEnergy, z, getattr(xraylib, f"{shell}_SHELL", -1))
    if edge <= 0:
        raise ValueError(f"{element} has no absorption edge {shell!r}")
    return edge


@cache
def fluorescence_yield(element: str, shell: str) -> float:
    """Share of the vacancies of a shell that end in a photon; 0 where not tabulated."""
    return or_zero(xraylib.FluorYield, atomic_number(element), getattr(xraylib, f"{shell}_SHELL"))
