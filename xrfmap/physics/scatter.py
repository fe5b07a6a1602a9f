"""Tube photons scattered by a layered object into the detector.

Single scattering by one fixed angle, unpolarised. Rates are in the unit of
:mod:`xrfmap.physics.layers`.

References
----------
.. [1] R. Ribberfors, "Relationship of the relativistic Compton cross section to the momentum
   distribution of bound electron states", Phys. Rev. B 12, 2067 (1975) (from memory): the
   width of Compton peaks in the impulse approximation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import xraylib
import xraylib_np

from xrfmap.elements import or_zero
from xrfmap.physics.atomic import ENERGY_MIN_KEV, Line, Material, atomic_number
from xrfmap.physics.stack import Optics, Stack, scatter_angle_deg
from xrfmap.physics.tube import Excitation
from xrfmap.settings import Instrument

__all__ = ["Scatter", "compton_energy", "compton_profile", "differential", "scatter"]

Array = npt.NDArray[np.float64]

MC2_KEV = 510.99895  # electron rest energy, CODATA 2018
_ATOMIC_MOMENTUM = 137.035999  # m c in atomic units of momentum, CODATA 2018
_PROFILE_POINTS = 801
_PROFILE_MOMENTUM = 60.0
"""Largest electron momentum followed. [atomic units]. Cut off at 12, the Compton peak of lead ends
in a step of 3 % of its height, for rhodium K-alpha at 135 degrees at 15.8 keV."""

_TABULATED_MOMENTUM = 99.9  # to which profiles are tabulated [atomic units]; nothing is left there
_WEAKEST_LINE = 1e-3  # share of the strongest anode line below which no peak is made


@dataclass(frozen=True, eq=False)
class Scatter:
    """Scattered photons towards the detector.

    Attributes
    ----------
    energy_kev : ndarray, shape (n,)
        Bins of the excitation. [keV]
    continuum : ndarray, shape (n,)
        Scattered tube continuum, Rayleigh and Compton, per bin.
    elastic : ndarray, shape (n,)
        What of it was scattered without loss.
    rayleigh : tuple of (Line, float)
        Anode lines scattered without loss.
    compton : tuple of (Line, ndarray, ndarray)
        Anode line, energies [keV] and rates at them: the Doppler-broadened peak.
    """

    energy_kev: Array
    continuum: Array
    elastic: Array
    rayleigh: tuple[tuple[Line, float], ...]
    compton: tuple[tuple[Line, Array, Array], ...]


def compton_energy(energy_kev: npt.ArrayLike, angle_deg: float) -> Array:
    """Energy after Compton scatter on an electron at rest. [keV]."""
    energy = np.asarray(energy_kev, dtype=np.float64)
    return np.asarray(energy / (1 + energy / MC2_KEV * (1 - np.cos(np.radians(angle_deg)))))


@lru_cache(maxsize=512)
def _differential(element: str, grid: bytes, angle_deg: float) -> tuple[Array, Array]:
    """Rayleigh and Compton cross-sections per steradian at one angle. [cm2/(g sr)]."""
    energy = np.frombuffer(grid, dtype=np.float64)
    z, angle = np.array([atomic_number(element)]), np.array([np.radians(angle_deg)])
    return (
        np.asarray(xraylib_np.DCS_Rayl(z, energy, angle)[0, :, 0], dtype=np.float64),
        np.asarray(xraylib_np.DCS_Compt(z, energy, angle)[0, :, 0], dtype=np.float64),
    )


def differential(material: Material, energy_kev: Array, angle_deg: float) -> tuple[Array, Array]:
    """Differential cross-sections of a material for scatter by one angle.

    Parameters
    ----------
    material : Material
        Scatterer.
    energy_kev : ndarray, shape (n,)
        Energy before. [keV]
    angle_deg : float
        Scattering angle. [degrees]

    Returns
    -------
    rayleigh, compton : ndarray, shape (n,)
        Form factor and incoherent scattering function, as in xraylib. [cm2/(g sr)]
    """
    grid = energy_kev.tobytes()
    both = [
        (share * np.array(_differential(element, grid, angle_deg)))
        for element, share in material.mass_fractions.items()
    ]
    total = np.sum(both, axis=0)
    return total[0], total[1]


@lru_cache(maxsize=4096)
def _shell_profile(element: str, energy_kev: float, angle_deg: float) -> tuple[Array, Array]:
    """Shape of the Compton peak of one element: energies [keV] and density, sum 1.

    Impulse approximation: momentum profile of the atom at the momentum that the energy
    loss needs, less the shells whose binding energy exceeds the loss.
    """
    z = atomic_number(element)
    cos = np.cos(np.radians(angle_deg))
    centre = float(compton_energy(energy_kev, angle_deg))
    transfer = np.sqrt(energy_kev**2 + centre**2 - 2 * energy_kev * centre * cos)
    half = _PROFILE_MOMENTUM / _ATOMIC_MOMENTUM * transfer
    low = max(centre - half, ENERGY_MIN_KEV)
    after = np.linspace(low, min(centre + half, energy_kev), _PROFILE_POINTS)
    q = np.sqrt(energy_kev**2 + after**2 - 2 * energy_kev * after * cos)
    loss = energy_kev - after
    momentum = np.abs(energy_kev * after * (1 - cos) / MC2_KEV - loss) / q * _ATOMIC_MOMENTUM
    momentum = np.minimum(momentum, _TABULATED_MOMENTUM)
    profile = _free_share(z, momentum, loss) * [
        xraylib.ComptonProfile(z, float(p)) for p in momentum
    ]
    profile *= after / (energy_kev * q)
    return after, profile / profile.sum()


def _free_share(z: int, momentum: Array, loss: Array) -> Array:
    """Share of the momentum profile in shells that this energy loss can empty."""
    every, free = np.zeros(momentum.size), np.zeros(momentum.size)
    for shell in range(31):
        try:
            electrons = xraylib.ElectronConfig(z, shell)
            part = [xraylib.ComptonProfile_Partial(z, shell, float(p)) for p in momentum]
        except ValueError:
            continue  # no such shell; light elements lack 2p3/2, but 2p1/2 has the same shape
        binding = or_zero(xraylib.EdgeEnergy, z, shell)
        every += electrons * np.array(part)
        free += electrons * np.array(part) * (loss >= binding)
    return np.asarray(free / np.maximum(every, 1e-300))


def compton_profile(material: Material, energy_kev: float, angle_deg: float) -> tuple[Array, Array]:
    """Energies after Compton scatter in a material, with the motion of its electrons.

    Parameters
    ----------
    material : Material
        Scatterer.
    energy_kev : float
        Energy before. [keV]
    angle_deg : float
        Scattering angle. [degrees]

    Returns
    -------
    energies, weights : ndarray, shape (k,)
        Energies after [keV] and their shares, which sum to one.
    """
    _, parts = zip(*(
        (element, share * _differential(element, np.array([energy_kev]).tobytes(), angle_deg)[1][0])
        for element, share in material.mass_fractions.items()
    ), strict=True)  # fmt: skip
    total = float(sum(parts))
    shapes = [_shell_profile(e, energy_kev, angle_deg) for e in material.mass_fractions]
    grid = shapes[0][0]
    weights = sum(
        (part / total * shape for part, (_, shape) in zip(parts, shapes, strict=True)),
        start=np.zeros(grid.size),
    )
    return grid, weights


def scatter(stack: Stack, excitation: Excitation, instrument: Instrument) -> Scatter:
    """Scatter of the tube's photons by a layered object.

    Parameters
    ----------
    stack : Stack
        Layers from top to bottom.
    excitation : Excitation
        Photons at the object.
    instrument : Instrument
        Angles; the scattering angle is :func:`xrfmap.physics.stack.scatter_angle_deg`.

    Returns
    -------
    Scatter
        Continuum and peaks of the anode lines. Photons that scatter twice are left out,
        which in thick wood or chalk is 10-20 % of the Compton peak (common experience,
        no source).
    """
    angle = scatter_angle_deg(instrument)
    energy, photons = excitation.all_energies()
    after = np.maximum(compton_energy(energy, angle), ENERGY_MIN_KEV)
    elastic = np.zeros((len(stack.layers), energy.size))
    inelastic = np.zeros_like(elastic)
    same = Optics(stack, instrument, energy, energy)
    shifted = Optics(stack, instrument, energy, after)
    for k, layer in enumerate(stack.layers):
        rayleigh, compton = differential(layer.material, energy, angle)
        elastic[k] = photons * rayleigh * same.seen_mass_pairs(k) / same.sin_in
        inelastic[k] = photons * compton * shifted.seen_mass_pairs(k) / same.sin_in
    grid = excitation.energy_kev
    n = grid.size
    borders = compton_energy(_borders(grid), angle)
    unchanged = elastic[:, :n].sum(axis=0)
    continuum = unchanged + _rebinned(grid, borders, inelastic[:, :n].sum(axis=0))
    strongest = max((number for _, number in excitation.lines), default=0.0)
    kept = [i for i, (_, p) in enumerate(excitation.lines) if p > _WEAKEST_LINE * strongest]
    return Scatter(
        excitation.energy_kev,
        continuum,
        unchanged,
        tuple((excitation.lines[i][0], float(elastic[:, n + i].sum())) for i in kept),
        tuple(
            _compton_peak(stack, excitation.lines[i][0], inelastic[:, n + i], angle) for i in kept
        ),
    )


def _compton_peak(
    stack: Stack, line: Line, rates: Array, angle_deg: float
) -> tuple[Line, Array, Array]:
    """Peak of one anode line, the layers added up."""
    shapes = [compton_profile(layer.material, line.energy_kev, angle_deg) for layer in stack.layers]
    total = sum((r * w for r, (_, w) in zip(rates, shapes, strict=True)), np.zeros(_PROFILE_POINTS))
    return line, shapes[0][0], total


def _rebinned(grid: Array, borders: Array, rates: Array) -> Array:
    """Rates of adjoining bins shared among the bins of an even grid that they overlap.

    Shared by what lies between the borders, not by the middles of the bins: scatter brings
    the bins closer together, and middles would fall now one, now two into a bin.
    """
    below = np.concatenate([[0.0], np.cumsum(rates)])
    return np.asarray(np.diff(np.interp(_borders(grid), borders, below)))


def _borders(grid: Array) -> Array:
    """Borders of the bins of an even grid, shape (n + 1,)."""
    step = grid[1] - grid[0] if grid.size > 1 else 1.0
    return np.append(grid - 0.5 * step, grid[-1] + 0.5 * step)
