"""Emission lines and what excites them: a thin layer over xraylib.

Energies are in keV, cross-sections in cm2/g. Everything is cached; arrays that come
back are shared and therefore read-only. Symbols, edges, absorption and materials live
in :mod:`xrfmap.elements` and :mod:`xrfmap.physics.attenuation` and can be taken from here too.

A line of shell S is made with the cross-section ``tau_S omega_S p``: photoionisation of the
shell, its fluorescence yield, and the share of the line among its radiative transitions. For
L and M shells vacancies move up by Coster-Kronig transitions first, for M shells and below
also by what deeper shells leave. All numbers are those of xraylib's tables [1]_, whose yields
and Coster-Kronig factors go back in part to Krause [2]_.

References
----------
.. [1] T. Schoonjans et al., "The xraylib library for X-ray-matter interactions. Recent
   developments", Spectrochim. Acta B 66, 776 (2011) (from memory).
.. [2] M. O. Krause, "Atomic radiative and radiationless yields for K and L shells",
   J. Phys. Chem. Ref. Data 8, 307 (1979) (from memory; its share in the tables likewise).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
import xraylib
from scipy.linalg import solve_triangular

from xrfmap.elements import (
    SHELLS,
    atomic_number,
    edge_energy,
    fluorescence_yield,
    or_zero,
    symbol,
)
from xrfmap.physics.attenuation import (
    ENERGY_MAX_KEV,
    ENERGY_MIN_KEV,
    Array,
    Material,
    attenuation,
    checked_energy,
    material_attenuation,
    mix,
    named_material,
    partial_photo,
    photoabsorption,
    scattering,
)

__all__ = [
    "ENERGY_MAX_KEV",
    "ENERGY_MIN_KEV",
    "SHELLS",
    "Line",
    "Material",
    "atomic_number",
    "attenuation",
    "cascade_matrix",
    "edge_energy",
    "families",
    "family_cross_sections",
    "fluorescence_yield",
    "line_cross_section",
    "lines",
    "material_attenuation",
    "mix",
    "named_material",
    "natural_width",
    "photoabsorption",
    "scattering",
    "symbol",
    "vacancy_cross_sections",
]

_SHELL_IDS = np.array([getattr(xraylib, f"{s}_SHELL") for s in SHELLS])
_FAMILIES = ("K", "L", "M")
_LINE_MIN_KEV = 0.5  # softer lines do not pass the thinnest window in use
_MERGE_BELOW = 5e-4  # share of a shell: 50 counts where the shell gives 1e5

_LINE_NAME = re.compile(r"^(K|L[123]|M[1-5])([LMNOPQ])(\d*)_LINE$")
_SIEGBAHN = {
    "K-L3": "Ka1", "K-L2": "Ka2", "K-M3": "Kb1", "K-M2": "Kb3", "K-N3": "Kb2",
    "K-N2": "Kb2'", "K-M4": "Kb5'", "K-M5": "Kb5",
    "L3-M5": "La1", "L3-M4": "La2", "L2-M4": "Lb1", "L3-N5": "Lb2", "L1-M3": "Lb3",
    "L1-M2": "Lb4", "L3-O45": "Lb5", "L3-N1": "Lb6", "L2-N4": "Lg1", "L1-N2": "Lg2",
    "L1-N3": "Lg3", "L2-N1": "Lg5", "L2-O4": "Lg6", "L3-M1": "Ll", "L2-M1": "Ln",
    "M5-N7": "Ma1", "M5-N6": "Ma2", "M4-N6": "Mb", "M3-N5": "Mg",
}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One emission line.

    Attributes
    ----------
    element : str
        Symbol.
    name : str
        IUPAC name, ``"K-L3"``.
    family : str
        ``"K"``, ``"L"`` or ``"M"``.
    shell : str
        Shell of the vacancy, ``"L3"``.
    energy_kev : float
        Energy. [keV]
    rate : float
        Share of the radiative decays of `shell`.
    """

    element: str
    name: str
    family: str
    shell: str
    energy_kev: float
    rate: float

    @property
    def siegbahn(self) -> str:
        """Name in the older notation, ``"Ka1"``; the IUPAC name where there is none."""
        return _SIEGBAHN.get(self.name, self.name)

    @property
    def label(self) -> str:
        """Line family label, ``"Pb L"``."""
        return f"{self.element} {self.family}"


_GREEK = {"a": "α", "b": "β", "g": "γ", "n": "η"}
# a line's name stands after its element: the first word of "Mn Ka1" is manganese, not M-eta
_LATIN_NAME = re.compile(r"(?<![A-Za-z])([KLM])([abgn])(?![A-Za-z]| [KLM])")


def spelled(text: str) -> str:
    """Text with the older names of lines in their letters, ``"Pb Lα1"`` for ``"Pb La1"``."""
    return _LATIN_NAME.sub(lambda name: name[1] + _GREEK[name[2]], text)


@cache
def _transitions() -> tuple[tuple[str, str, str, int], ...]:
    """All single transitions of xraylib: vacancy shell, filling shell, name, number."""
    found = []
    for name in dir(xraylib):
        match = _LINE_NAME.match(name)
        if match:
            shell, letter, digits = match.groups()
            found.append(
                (shell, letter + digits, f"{shell}-{letter}{digits}", getattr(xraylib, name))
            )
    return tuple(sorted(found))


def _line_energy(z: int, shell: str, outer: str, number: int) -> float:
    """Tabulated line energy, else the difference of the two edges, else 0."""
    energy = or_zero(xraylib.LineEnergy, z, number)
    if energy > 0:
        return energy
    inner_edge = or_zero(xraylib.EdgeEnergy, z, getattr(xraylib, f"{shell}_SHELL"))
    outer_edge = or_zero(xraylib.EdgeEnergy, z, getattr(xraylib, f"{outer}_SHELL", -1))
    return inner_edge - outer_edge if 0 < outer_edge < inner_edge else 0.0


def _merge_weak(found: list[Line]) -> list[Line]:
    """Add lines that hold almost nothing to their nearest strong one of the same shell."""
    strong = [line for line in found if line.rate >= _MERGE_BELOW]
    extra = dict.fromkeys((line.name for line in strong), 0.0)
    for line in found:
        mates = [s for s in strong if s.shell == line.shell]
        if line.rate < _MERGE_BELOW and mates:
            nearest = min(mates, key=lambda s: abs(s.energy_kev - line.energy_kev))
            extra[nearest.name] += line.rate
    return [
        Line(s.element, s.name, s.family, s.shell, s.energy_kev, s.rate + extra[s.name])
        for s in strong
    ]


@cache
def lines(element: str, family: str) -> tuple[Line, ...]:
    """Emission lines of a family, by energy, those above 0.5 keV.

    Parameters
    ----------
    element : str
        Symbol.
    family : str
        ``"K"``, ``"L"`` or ``"M"``.

    Returns
    -------
    tuple of Line
        Empty where the element has no such family. Lines with less than 0.05 % of
        their shell are added to the nearest line of that shell, so that the rates of
        a shell still sum to one where all its lines lie above 0.5 keV.
    """
    if family not in _FAMILIES:
        raise ValueError(f"family must be one of {_FAMILIES}, found {family!r}")
    z = atomic_number(element)
    found = []
    for shell, outer, name, number in _transitions():
        rate = or_zero(xraylib.RadRate, z, number) if shell[0] == family else 0.0
        if rate > 0 and fluorescence_yield(element, shell) > 0:
            energy = _line_energy(z, shell, outer, number)
            if energy >= _LINE_MIN_KEV:
                found.append(Line(element, name, family, shell, energy, rate))
    return tuple(sorted(_merge_weak(found), key=lambda line: line.energy_kev))


@cache
def natural_width(line: Line) -> float:
    """Lorentzian full width of a line, the sum of its two level widths [keV].

    0 where not tabulated.
    """
    z = atomic_number(line.element)
    outer = line.name.split("-")[1][:2]
    levels = (line.shell, outer if len(outer) == 2 else outer + "1")
    return sum(
        or_zero(xraylib.AtomicLevelWidth, z, getattr(xraylib, f"{level}_SHELL")) for level in levels
    )


@cache
def families(element: str) -> tuple[str, ...]:
    """Families of an element that hold at least one line above 0.5 keV."""
    return tuple(family for family in _FAMILIES if lines(element, family))


@cache
def _auger_numbers(shell: str) -> tuple[tuple[str, str, int], ...]:
    """Auger transitions of a shell as (shell left empty, the other one, number)."""
    found = []
    for name in dir(xraylib):
        match = re.match(rf"^{shell}_([LMNOPQ]\d)([LMNOPQ]\d)_AUGER$", name)
        if match:
            found.append((match.group(1), match.group(2), getattr(xraylib, name)))
    return tuple(found)


def _hops(z: int, shell: str) -> dict[str, float]:
    """Vacancies that one vacancy of `shell` leaves in each outer shell, first step only."""
    number = getattr(xraylib, f"{shell}_SHELL")
    radiative = or_zero(xraylib.FluorYield, z, number)
    auger = or_zero(xraylib.AugerYield, z, number)
    to = dict.fromkeys(SHELLS, 0.0)
    for start, outer, _, line in _transitions():
        if start == shell and outer in to:
            to[outer] += radiative * or_zero(xraylib.RadRate, z, line)
    if shell[0] != "M":  # M Auger decays leave vacancies in N and O, which do not matter
        for first, second, transition in _auger_numbers(shell):
            rate = auger * or_zero(xraylib.AugerRate, z, transition)
            for outer in (first, second):
                if outer in to:
                    to[outer] += rate
    for outer in to:
        if outer[0] == shell[0] != "K" and outer > shell:  # Coster-Kronig
            to[outer] += or_zero(
                xraylib.CosKronTransProb, z,
                getattr(xraylib, f"F{shell[0]}{shell[1]}{outer[1]}_TRANS"),
            )  # fmt: skip
    return to


@cache
def cascade_matrix(element: str) -> Array:
    """Vacancies in each shell per first vacancy in each shell.

    Returns
    -------
    ndarray, shape (9, 9)
        ``C[i, j]``: mean number of vacancies in shell i (order of ``SHELLS``) that follow
        from one photoionisation of shell j, itself included. Radiative, Auger and
        Coster-Kronig steps, every path: ``C = (1 - A)^-1`` with A the one-step matrix,
        which is strictly lower triangular.
    """
    z = atomic_number(element)
    step = np.zeros((len(SHELLS), len(SHELLS)))
    for j, shell in enumerate(SHELLS):
        if or_zero(xraylib.EdgeEnergy, z, int(_SHELL_IDS[j])) > 0:
            step[:, j] = list(_hops(z, shell).values())
    one = np.eye(len(SHELLS))
    # by substitution: an inverse with pivots may leave -1e-16 above the diagonal
    full: Array = solve_triangular(one - step, one, lower=True, unit_diagonal=True)
    full.flags.writeable = False
    return full


@lru_cache(maxsize=1024)
def _vacancies(z: int, grid: bytes) -> Array:
    energy = np.frombuffer(grid, dtype=np.float64)
    primary = partial_photo(z, energy)[: len(SHELLS)]  # the first nine of xraylib
    filled: Array = np.asarray(cascade_matrix(symbol(z)) @ primary, dtype=np.float64)
    filled.flags.writeable = False
    return filled


def vacancy_cross_sections(element: str, energy_kev: npt.ArrayLike) -> Array:
    """Vacancies made in each shell, cascade included.

    Parameters
    ----------
    element : str
        Symbol.
    energy_kev : array_like, shape (n,)
        Photon energies. [keV]

    Returns
    -------
    ndarray, shape (9, n)
        Rows in the order of ``SHELLS``, read-only. [cm2/g]
    """
    energy = np.atleast_1d(checked_energy(energy_kev))
    return _vacancies(atomic_number(element), energy.tobytes())


def line_cross_section(line: Line, energy_kev: npt.ArrayLike) -> Array:
    """Production of one line per unit mass of its element.

    Parameters
    ----------
    line : Line
        From :func:`lines`.
    energy_kev : array_like, shape (...)
        Energies of the exciting photons. [keV]

    Returns
    -------
    ndarray, shape (...)
        Cross-section: vacancies in the shell, with cascade, times fluorescence yield,
        times radiative rate. [cm2/g]
    """
    energy = checked_energy(energy_kev)
    row = _vacancies(atomic_number(line.element), energy.tobytes())[SHELLS.index(line.shell)]
    return np.asarray(
        row.reshape(energy.shape) * (fluorescence_yield(line.element, line.shell) * line.rate)
    )


def family_cross_sections(
    element: str, family: str, energy_kev: npt.ArrayLike
) -> tuple[tuple[Line, ...], Array]:
    """Lines of a family and their cross-sections [cm2/g], shape (lines, n)."""
    found = lines(element, family)
    rows = vacancy_cross_sections(element, energy_kev)
    which = [SHELLS.index(line.shell) for line in found]
    weight = np.array([fluorescence_yield(element, line.shell) * line.rate for line in found])
    return found, rows[which] * weight[:, None]
