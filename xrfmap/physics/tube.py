"""Photons that an X-ray tube sends to the object: continuum and lines of the anode.

Ebel's parametric model [1]_, then tube window, filter and the gas between tube and
object. Its constants are given here from memory.

References
----------
.. [1] H. Ebel, "X-ray tube spectra", X-Ray Spectrom. 28, 255 (1999).
.. [2] H. Ebel, "Fundamental parameter programs: algorithms for the description of K, L and
   M spectra of X-ray tubes", Adv. X-Ray Anal. 49, 267 (2006): constants of the L shells.
.. [3] G. Love and V. D. Scott, "Evaluation of a new correction procedure for quantitative
   electron probe microanalysis", J. Phys. D 11, 1369 (1978): mean depth of ionisation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import xraylib

from xrfmap.errors import InputError
from xrfmap.physics.atomic import (
    Line,
    atomic_number,
    edge_energy,
    fluorescence_yield,
    lines,
    named_material,
    photoabsorption,
)
from xrfmap.physics.detector import gas_transmission, transmission
from xrfmap.settings import Instrument

__all__ = [
    "DEFAULT_ANODE",
    "DEFAULT_TUBE_KV",
    "Excitation",
    "anode_lines",
    "continuum",
    "excitation",
    "excitation_from_table",
]

Array = npt.NDArray[np.float64]

DEFAULT_ANODE = "Rh"  # the usual anode of scanners for paintings (common practice, no source)
DEFAULT_TUBE_KV = 50.0  # their usual voltage (common practice, no source)
TUBE_WINDOW_UM = 125.0  # beryllium; a usual exit window (common practice, no source)
ELECTRON_INCIDENCE_DEG = 70.0  # electrons to anode surface, side-window tube (no source)
ANODE_TAKEOFF_DEG = 20.0  # X-rays to anode surface, side-window tube (no source)
E_MIN_KEV = 1.0  # below, window and air let nothing through

_CONTINUUM = 1.35e9  # 1/(s mA sr keV)
_SHELL_CONSTANT = {"K": 5.0e13, "L1": 0.71e13, "L2": 2.70e13, "L3": 4.94e13}  # 1/(s mA sr)
_ELECTRONS = {"K": 2.0, "L": 8.0}  # z of the stopping-power factor
_BETHE = {"K": 0.35, "L": 0.25}  # b of the stopping-power factor


@dataclass(frozen=True, eq=False)
class Excitation:
    """Photons that reach the object.

    Attributes
    ----------
    energy_kev : ndarray, shape (n,)
        Centres of the energy bins, evenly spaced. [keV]
    photons : ndarray, shape (n,)
        Continuum photons per bin. [1/(s mA sr)]
    lines : tuple of (Line, float)
        Lines of the anode and their photons. [1/(s mA sr)]
    """

    energy_kev: Array
    photons: Array
    lines: tuple[tuple[Line, float], ...] = ()

    def all_energies(self) -> tuple[Array, Array]:
        """Energies [keV] and photons of the continuum bins followed by the lines."""
        energies = np.array([line.energy_kev for line, _ in self.lines])
        photons = np.array([number for _, number in self.lines])
        return np.append(self.energy_kev, energies), np.append(self.photons, photons)


def _mean_depth(z: int, tube_kv: float, overvoltage: Array) -> Array:
    """Mean depth of X-ray production in the anode [g/cm2], after Love and Scott."""
    log_z = np.log(z)
    exponent = 0.1382 - 0.9211 / np.sqrt(z)
    backscatter = tube_kv**exponent * (
        0.1904 - 0.2236 * log_z + 0.1292 * log_z**2 - 0.0149 * log_z**3
    )
    ionisation = 0.0135 * z  # mean ionisation potential [keV]
    weight = float(xraylib.AtomicWeight(z))
    largest = weight / z * (0.787e-5 * np.sqrt(ionisation) * tube_kv**1.5 + 0.735e-6 * tube_kv**2)
    log_u = np.log(overvoltage)
    top = 0.49269 - 1.0987 * backscatter + 0.78557 * backscatter**2
    bottom = 0.70256 - 1.09865 * backscatter + 1.0046 * backscatter**2 + log_u
    return np.asarray(largest * log_u * top / bottom)


def _escape_from_anode(anode: str, tube_kv: float, overvoltage: Array, energy_kev: Array) -> Array:
    """Share of photons that leave the anode: Ebel's f(chi)."""
    depth = _mean_depth(atomic_number(anode), tube_kv, overvoltage)
    path = np.sin(np.radians(ELECTRON_INCIDENCE_DEG)) / np.sin(np.radians(ANODE_TAKEOFF_DEG))
    chi = 2 * photoabsorption(anode, energy_kev) * depth * path
    return np.asarray(np.where(chi > 1e-9, -np.expm1(-chi) / np.maximum(chi, 1e-9), 1.0))


def continuum(anode: str, tube_kv: float, energy_kev: npt.ArrayLike) -> Array:
    """Continuum that leaves the anode.

    Parameters
    ----------
    anode : str
        Symbol.
    tube_kv : float
        Tube voltage. [kV]
    energy_kev : array_like, shape (n,)
        Photon energies within 0.1 to 200. [keV]

    Returns
    -------
    ndarray, shape (n,)
        Photons, 0 at and above the tube voltage. [1/(s mA sr keV)]

    Notes
    -----
    ``1.35e9 Z (E0/E - 1)^x f(chi)`` with ``x = 1.109 - 0.00435 Z + 0.00175 E0``.
    """
    energy = np.asarray(energy_kev, dtype=np.float64)
    z = atomic_number(anode)
    over = np.maximum(tube_kv / energy, 1.0)
    power = 1.109 - 0.00435 * z + 0.00175 * tube_kv
    made = _CONTINUUM * z * (over - 1) ** power
    return np.asarray(made * _escape_from_anode(anode, tube_kv, over, energy))


def _stopping(z: int, shell: str, edge: float, over: float) -> float:
    """Ebel's 1/S: ionisations of a shell along the path of a slowing electron."""
    base = over * np.log(over) + 1 - over
    root = np.sqrt(over)
    correction = 16.05 * np.sqrt(0.0135 * z / edge) * (root * np.log(over) + 2 * (1 - root)) / base
    return float(_ELECTRONS[shell[0]] * _BETHE[shell[0]] / z * base * (1 + correction))


def _backscatter_loss(z: int, tube_kv: float, over: float) -> float:
    """Ebel's R: share of the ionisations left after backscattered electrons are gone."""
    return float(
        1 - 0.0081517 * z + 3.613e-5 * z**2 + 0.009583 * z * np.exp(-over) + 0.001141 * tube_kv
    )


@lru_cache(maxsize=256)
def anode_lines(anode: str, tube_kv: float) -> tuple[tuple[Line, float], ...]:
    """K and L lines that leave the anode.

    Returns
    -------
    tuple of (Line, float)
        Photons per line. [1/(s mA sr)] M lines are left out: no window passes them.
    """
    z = atomic_number(anode)
    found = []
    for family in ("K", "L"):
        for line in lines(anode, family):
            edge = edge_energy(anode, line.shell)
            if tube_kv <= edge * 1.0001 or line.energy_kev < E_MIN_KEV:
                continue
            over = tube_kv / edge
            leaves = _escape_from_anode(
                anode, tube_kv, np.array([over]), np.array([line.energy_kev])
            )
            made = (
                _SHELL_CONSTANT[line.shell]
                * _stopping(z, line.shell, edge, over)
                * _backscatter_loss(z, tube_kv, over)
                * fluorescence_yield(anode, line.shell)
                * line.rate
            )
            found.append((line, float(made * leaves[0])))
    return tuple(found)


def _passed(energy_kev: Array, instrument: Instrument) -> Array:
    """Share of photons that pass tube window, filter and the gas before the object."""
    share = transmission(named_material("Be"), TUBE_WINDOW_UM * 1e-4, energy_kev)
    share = share * gas_transmission(energy_kev, instrument, instrument.beam_path_cm)
    if instrument.filter_material is not None and instrument.filter_um > 0:
        try:
            sheet = named_material(instrument.filter_material)
        except ValueError as error:
            raise InputError(
                "instrument", "filter_material", found=repr(instrument.filter_material),
                expected="an element symbol, air, helium or Kapton", remedy="correct the name",
            ) from error  # fmt: skip
        share = share * transmission(sheet, instrument.filter_um * 1e-4, energy_kev)
    return share


@lru_cache(maxsize=128)
def excitation(
    instrument: Instrument, anode: str | None = None, step_kev: float = 0.05
) -> Excitation:
    """Photons that reach the object.

    Parameters
    ----------
    instrument : Instrument
        Anode and voltage (50 kV where not given), filter, gas and path.
    anode : str, optional
        Takes the place of the instrument's anode; Rh where neither is given.
    step_kev : float
        Width of the bins. [keV]

    Returns
    -------
    Excitation
        From 1 keV to the tube voltage; the result is cached, do not write to it.

    Raises
    ------
    InputError
        If the filter material is not known.
    """
    metal = anode or instrument.anode or DEFAULT_ANODE
    tube_kv = instrument.tube_kv or DEFAULT_TUBE_KV
    bins = max(1, int(np.ceil((tube_kv - E_MIN_KEV) / step_kev - 1e-9)))
    energy: Array = np.asarray(E_MIN_KEV + step_kev * (np.arange(bins) + 0.5), dtype=np.float64)
    photons: Array = continuum(metal, tube_kv, energy) * step_kev * _passed(energy, instrument)
    found = []
    for line, number in anode_lines(metal, tube_kv):
        share = _passed(np.array([line.energy_kev]), instrument)[0]
        found.append((line, float(number * share)))
    return Excitation(energy, photons, tuple(found))


def excitation_from_table(energy_kev: npt.ArrayLike, photons: npt.ArrayLike) -> Excitation:
    """Excitation from a measured or calculated spectrum at the object.

    Parameters
    ----------
    energy_kev : array_like, shape (n,)
        Evenly spaced energies, rising, n >= 2. [keV]
    photons : array_like, shape (n,)
        Photons per bin, >= 0, anode lines included. [1/(s mA sr)]

    Raises
    ------
    ValueError
        If the shapes disagree, the energies are not even, or a value is negative or NaN.
    """
    energy = np.asarray(energy_kev, dtype=np.float64)
    number = np.asarray(photons, dtype=np.float64)
    steps = np.diff(energy)
    if energy.shape != number.shape or energy.ndim != 1 or energy.size < 2:
        raise ValueError(f"need two equal rows, found shapes {energy.shape} and {number.shape}")
    if not (steps.min() > 0 and np.ptp(steps) < 1e-3 * steps.mean()):
        raise ValueError("energies must rise in even steps")
    if not number.min() >= 0:
        raise ValueError(f"photons must be >= 0, found {number.min():g}")
    return Excitation(energy, number)
