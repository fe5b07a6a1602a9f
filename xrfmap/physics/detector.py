"""What an energy-dispersive detector makes of a photon of known energy.

Efficiency and escape here; the energy scale, the shape of a peak in channels, the shelf
below it and pile-up come from :mod:`xrfmap.physics.lineshape` and can be taken from here too.
Energies are in keV.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import (
    ENERGY_MIN_KEV,
    attenuation,
    edge_energy,
    fluorescence_yield,
    lines,
    material_attenuation,
    named_material,
    photoabsorption,
)
from xrfmap.physics.attenuation import Material
from xrfmap.physics.lineshape import (
    EPSILON_KEV,
    FWHM_PER_SIGMA,
    Array,
    EnergyScale,
    Response,
    line_shape,
    peaks,
    pile_up,
    self_convolution,
    shelf_shape,
)
from xrfmap.settings import Instrument

__all__ = [
    "EPSILON_KEV",
    "FWHM_PER_SIGMA",
    "EnergyScale",
    "Response",
    "efficiency",
    "escape",
    "escape_lines",
    "gas_transmission",
    "line_shape",
    "peaks",
    "pile_up",
    "self_convolution",
    "shelf_shape",
    "transmission",
]

_UM = 1e-4  # cm


def transmission(material: Material, thickness_cm: float, energy_kev: npt.ArrayLike) -> Array:
    """Share of photons that pass a sheet unaffected: Beer-Lambert, total attenuation."""
    mass = material.density_g_cm3 * thickness_cm
    return np.asarray(np.exp(-mass * material_attenuation(material, energy_kev)))


def gas_transmission(energy_kev: npt.ArrayLike, instrument: Instrument, path_cm: float) -> Array:
    """Share of photons that pass `path_cm` of the instrument's atmosphere."""
    if instrument.atmosphere == "vacuum":
        return np.ones(np.shape(energy_kev))
    return transmission(named_material(instrument.atmosphere), path_cm, energy_kev)


def efficiency(energy_kev: npt.ArrayLike, instrument: Instrument) -> Array:
    """Share of the photons headed for the detector that are absorbed in it.

    Parameters
    ----------
    energy_kev : array_like, shape (...)
        Photon energies; below 0.1 keV nothing passes and the result is 0. [keV]
    instrument : Instrument
        Detector, gas and path from the object to the detector.

    Returns
    -------
    ndarray, shape (...)
        Transmission of gas, window and dead layer times photoelectric absorption in the
        sensor. Photons that scatter inside the sensor and leave it are not counted;
        escape is not taken off here.
    """
    energy = np.asarray(energy_kev, dtype=np.float64)
    seen = energy >= ENERGY_MIN_KEV
    result = np.zeros(energy.shape)
    grid = energy[seen]
    detector = instrument.detector
    sensor = named_material(detector.material)
    window = named_material(detector.window_material)
    total = attenuation(detector.material, grid)
    depth = detector.thickness_mm * 0.1 * sensor.density_g_cm3
    result[seen] = (
        gas_transmission(grid, instrument, instrument.detector_path_cm)
        * transmission(window, detector.window_um * _UM, grid)
        * transmission(sensor, detector.dead_layer_um * _UM, grid)
        * -np.expm1(-total * depth)
        * photoabsorption(detector.material, grid)
        / total
    )
    return result


def escape_lines(energy_kev: npt.ArrayLike, material: str = "Si") -> tuple[Array, Array]:
    """Escape of the sensor's own K photons, per line.

    Parameters
    ----------
    energy_kev : array_like, shape (...)
        Photon energies. [keV]
    material : str
        Sensor: symbol of an element.

    Returns
    -------
    fraction : ndarray, shape (2, ...)
        Share of the absorbed photons that lose a K-alpha, a K-beta photon; 0 below the
        K edge.
    energies : ndarray, shape (2, ...)
        Energies where those counts appear. [keV]

    Notes
    -----
    Normal incidence on a thick sensor:
    ``f = 1/2 w (1 - 1/r) [1 - (m/M) ln(1 + M/m)]`` with w the K yield, r the jump ratio,
    M and m the absorption of the incident and of the K photon [1]_ (formula from memory).

    References
    ----------
    .. [1] S. J. B. Reed and N. G. Ware, "Escape peaks and internal fluorescence in X-ray
       spectra recorded with lithium drifted silicon detectors", J. Phys. E 5, 582 (1972).
    """
    energy = np.asarray(energy_kev, dtype=np.float64)
    edge = edge_energy(material, "K")
    above = energy > edge
    incident = attenuation(material, np.maximum(energy, edge * 1.001))
    jump = photoabsorption(material, edge * 1.001) / photoabsorption(material, edge * 0.999)
    made = 0.5 * fluorescence_yield(material, "K") * (1 - 1 / float(jump))
    fractions, energies = [], []
    for part in ("L", "M"):  # K-alpha is filled from L, K-beta from M
        group = [line for line in lines(material, "K") if line.name[2] == part]
        rate = sum(line.rate for line in group)
        lost = sum(line.rate * line.energy_kev for line in group) / rate
        ratio = incident / attenuation(material, lost)
        fractions.append(np.where(above, made * rate * (1 - np.log1p(ratio) / ratio), 0.0))
        energies.append(energy - lost)
    return np.array(fractions), np.array(energies)


def escape(energy_kev: npt.ArrayLike, material: str = "Si") -> tuple[Array, Array]:
    """Escape of the sensor's K photons, both lines as one.

    Returns
    -------
    fraction, energies : ndarray, shape (...)
        Share of the absorbed photons in the escape peak, and its energy [keV]. In silicon
        the two lines lie 0.1 keV apart; for germanium use :func:`escape_lines`.
    """
    fractions, energies = escape_lines(energy_kev, material)
    total = fractions.sum(axis=0)
    weight = fractions[:, ...] / np.where(total > 0, total, 1.0)
    mean = np.where(total > 0, (weight * energies).sum(axis=0), energies[0])
    return total, mean
