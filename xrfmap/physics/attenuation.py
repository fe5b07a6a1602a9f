"""Absorption and scattering of X-rays in elements and materials.

Energies are in keV, cross-sections in cm2/g. Results are cached; the arrays that come
back are shared and therefore read-only.

References
----------
.. [1] T. Schoonjans et al., "The xraylib library for X-ray-matter interactions. Recent
   developments", Spectrochim. Acta B 66, 776 (2011) (from memory): the source of the tables.
.. [2] L. Kissel, "RTAB: the Rayleigh scattering database", Radiat. Phys. Chem. 59, 185 (2000)
   (from memory): partial photoionisation cross-sections.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import xraylib
import xraylib_np

from xrfmap.elements import atomic_number, edge_energy, or_zero, symbol

__all__ = [
    "ENERGY_MAX_KEV",
    "ENERGY_MIN_KEV",
    "Material",
    "attenuation",
    "material_attenuation",
    "mix",
    "named_material",
    "photoabsorption",
    "scattering",
]

Array = npt.NDArray[np.float64]

ENERGY_MIN_KEV = 0.1  # the tables hold no Rayleigh cross-section below
ENERGY_MAX_KEV = 200.0  # far above any tube used on paintings; the tables end at 300
KISSEL_UP_TO_EDGES = 20.0  # see photoabsorption
_SHARPEN_FROM_KEV = 1.0  # softer edges play no part in spectra taken through air
_SHELLS_KNOWN = 31  # K to Q3, the numbers of xraylib


def checked_energy(energy_kev: npt.ArrayLike) -> Array:
    """Energies as an array, refused outside the tables."""
    energy = np.asarray(energy_kev, dtype=np.float64)
    if energy.size and not (energy.min() >= ENERGY_MIN_KEV and energy.max() <= ENERGY_MAX_KEV):
        raise ValueError(
            f"energies must lie within {ENERGY_MIN_KEV} to {ENERGY_MAX_KEV:g} keV, "
            f"found {np.min(energy):g} to {np.max(energy):g}"
        )
    return energy


def table(function: Any, z: int, energy: Array) -> Array:
    """One xraylib table for one element over flat energies."""
    return np.asarray(function(np.array([z]), energy)[0], dtype=np.float64)


@cache
def _edges(z: int) -> tuple[tuple[int, float], ...]:
    """Shells that the element has, by xraylib's number, and their edges [keV]."""
    found = ((s, or_zero(xraylib.EdgeEnergy, z, s)) for s in range(_SHELLS_KNOWN))
    return tuple((shell, edge) for shell, edge in found if edge > 0)


def _kissel(z: int, energy: Array) -> Array:
    """Partial cross-sections from Kissel's table with sharp edges, shape (31, n)."""
    partial = np.zeros((_SHELLS_KNOWN, energy.size))
    for shell, edge in _edges(z):
        above = np.flatnonzero(energy > edge)  # asking below an edge costs xraylib much time
        if above.size:
            partial[shell, above] = _one_shell(z, shell, energy[above])
        ramp = edge * 0.002 + 0.08
        soft = above[energy[above] < edge + ramp]
        if edge >= _SHARPEN_FROM_KEV and soft.size:
            base = edge + ramp * np.array([1.0, 2.0])
            first, second = np.maximum(_one_shell(z, shell, base), 1e-300)
            slope = np.log(second / first) / np.log(base[1] / base[0])
            partial[shell, soft] = first * (energy[soft] / base[0]) ** slope
    return partial


def _one_shell(z: int, shell: int, energy: Array) -> Array:
    found = xraylib_np.CS_Photo_Partial(np.array([z]), np.array([shell]), energy)[0, 0]
    return np.asarray(found, dtype=np.float64)


def partial_photo(z: int, energy: Array) -> Array:
    """Photoionisation of each of the 31 shells of xraylib, shape (31, n).

    The choice of table is documented in :func:`photoabsorption`.
    """
    partial = _kissel(z, energy)
    far = energy > KISSEL_UP_TO_EDGES * edge_energy(symbol(z), "K")
    if far.any():  # keep the shares of the shells, mend the sum
        mended = table(xraylib_np.CS_Photo, z, energy[far])
        partial[:, far] *= mended / np.maximum(partial[:, far].sum(axis=0), 1e-300)
    return partial


@lru_cache(maxsize=4096)
def cached(kind: str, z: int, grid: bytes) -> Array:
    energy = np.frombuffer(grid, dtype=np.float64)
    if kind == "photo":
        values = np.asarray(partial_photo(z, energy).sum(axis=0))
    elif kind == "rayleigh":
        values = table(xraylib_np.CS_Rayl, z, energy)
    elif kind == "compton":
        values = table(xraylib_np.CS_Compt, z, energy)
    else:
        values = cached("photo", z, grid) + cached("rayleigh", z, grid) + cached("compton", z, grid)
    values.flags.writeable = False
    return values


def _of_element(kind: str, element: str, energy_kev: npt.ArrayLike) -> Array:
    energy = checked_energy(energy_kev)
    return cached(kind, atomic_number(element), energy.tobytes()).reshape(energy.shape)


def photoabsorption(element: str, energy_kev: npt.ArrayLike) -> Array:
    """Photoelectric mass absorption coefficient.

    Parameters
    ----------
    element : str
        Symbol.
    energy_kev : array_like, shape (...)
        Energies within 0.1 to 200. [keV]

    Returns
    -------
    ndarray, shape (...)
        Coefficient, read-only. [cm2/g]

    Notes
    -----
    xraylib has two tables. Kissel's, per shell (``CS_Photo_Partial``, ``CS_Photo_Total``),
    keeps the M edges apart but falls to nothing far above the K edge (C at 15 keV: a fifth
    of the true value). The other (``CS_Photo``) is right there but smears M edges (Hg at
    2.5 keV: a fifth too low). So Kissel's is used up to twenty times the K edge and the
    other beyond, where no edge is left to smear; the step there is below 2 %.

    Kissel's thresholds lie up to 80 eV above the tabulated edges, which would let sulfur K
    photons out of vermilion twice too easily. In that gap each shell is carried down to its
    edge by the power law that it follows just above.
    """
    return _of_element("photo", element, energy_kev)


def attenuation(element: str, energy_kev: npt.ArrayLike) -> Array:
    """Total mass attenuation coefficient: photoabsorption, Rayleigh and Compton.

    Arguments, errors and unit as for :func:`photoabsorption`. [cm2/g]
    """
    return _of_element("total", element, energy_kev)


def scattering(element: str, energy_kev: npt.ArrayLike) -> tuple[Array, Array]:
    """Rayleigh and Compton cross-sections over all angles [cm2/g]."""
    return (
        _of_element("rayleigh", element, energy_kev),
        _of_element("compton", element, energy_kev),
    )


# ---------------------------------------------------------------- materials


@dataclass(frozen=True)
class Material:
    """A homogeneous material.

    Parameters
    ----------
    name : str
        For people.
    mass_fractions : mapping of str to float
        Symbol to share of the mass; must sum to one within 0.5 % (typed-in analyses are
        rounded) and is then scaled to exactly one.
    density_g_cm3 : float
        Density. [g/cm3]

    Raises
    ------
    ValueError
        If a share is negative, the sum is not one, or the density is not positive.
    """

    name: str
    mass_fractions: Mapping[str, float]
    density_g_cm3: float

    def __post_init__(self) -> None:
        total = sum(self.mass_fractions.values())
        if min(self.mass_fractions.values(), default=-1.0) < 0 or abs(total - 1) > 0.005:
            raise ValueError(
                f"{self.name}: mass fractions must be >= 0 and sum to 1, found {total:g}"
            )
        if not self.density_g_cm3 > 0:
            raise ValueError(f"{self.name}: density must be > 0, found {self.density_g_cm3:g}")
        for element in self.mass_fractions:
            atomic_number(element)
        scaled = {e: w / total for e, w in sorted(self.mass_fractions.items()) if w > 0}
        object.__setattr__(self, "mass_fractions", MappingProxyType(scaled))

    def __hash__(self) -> int:
        return hash((self.name, tuple(self.mass_fractions.items()), self.density_g_cm3))

    @classmethod
    def from_formula(cls, formula: str, density_g_cm3: float, name: str = "") -> Material:
        """Material of a chemical formula such as ``"2PbCO3"`` or ``"Pb3(CO3)2(OH)2"``.

        Raises
        ------
        ValueError
            If the formula cannot be read.
        """
        try:
            parsed = xraylib.CompoundParser(formula)
        except ValueError as error:
            raise ValueError(f"formula {formula!r} cannot be read: {error}") from None
        shares = zip(parsed["Elements"], parsed["massFractions"], strict=True)
        return cls(name or formula, {symbol(z): w for z, w in shares}, density_g_cm3)


def mix(name: str, parts: Mapping[Material, float]) -> Material:
    """Mixture by mass; the volumes add.

    Parameters
    ----------
    name : str
        Name of the mixture.
    parts : mapping of Material to float
        Masses in any one unit, >= 0.

    Returns
    -------
    Material
        The mixture.
    """
    total = sum(parts.values())
    if min(parts.values(), default=-1.0) < 0 or total <= 0:
        raise ValueError(f"{name}: masses must be >= 0 and not all 0")
    shares: dict[str, float] = {}
    volume = 0.0
    for part, mass in parts.items():
        volume += mass / total / part.density_g_cm3
        for element, fraction in part.mass_fractions.items():
            shares[element] = shares.get(element, 0.0) + mass / total * fraction
    return Material(name, shares, 1 / volume)


@lru_cache(maxsize=1024)
def _material_cached(material: Material, grid: bytes) -> Array:
    energy = np.frombuffer(grid, dtype=np.float64)
    total = np.zeros(energy.size)
    for element, fraction in material.mass_fractions.items():
        total += fraction * attenuation(element, energy)
    total.flags.writeable = False
    return total


def material_attenuation(material: Material, energy_kev: npt.ArrayLike) -> Array:
    """Total mass attenuation coefficient of a material [cm2/g], shape of `energy_kev`."""
    energy = checked_energy(energy_kev)
    return _material_cached(material, energy.tobytes()).reshape(energy.shape)


AIR = Material(  # dry air at 20 degC, 1013 hPa; composition as in the NIST tables
    "air", {"C": 0.000124, "N": 0.755267, "O": 0.231781, "Ar": 0.012827}, 1.2041e-3
)
HELIUM = Material("helium", {"He": 1.0}, 1.664e-4)  # 20 degC, 1013 hPa
KAPTON = Material.from_formula("C22H10N2O5", 1.42, "Kapton")
_NAMED = {"air": AIR, "helium": HELIUM, "kapton": KAPTON, "polyimide": KAPTON}


def named_material(name: str) -> Material:
    """Material of a window, filter or gas: an element, or air, helium, Kapton.

    Raises
    ------
    ValueError
        If the name is not known.
    """
    known = _NAMED.get(name.lower())
    if known is not None:
        return known
    try:
        z = atomic_number(name)
    except ValueError:
        raise ValueError(
            f"material {name!r} is not known; give an element symbol, air, helium or Kapton"
        ) from None
    return Material(name, {name: 1.0}, float(xraylib.ElementDensity(z)))
