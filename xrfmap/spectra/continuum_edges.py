"""Absorption edges of the paint in the tube continuum that it scatters into the detector.

A photon passes the paint twice. Scattered without loss it meets an edge at one energy both times.
After Compton scatter it has lost some energy: the edge met on the way in shows at the energy to
which photons of the edge are scattered, a few tenths of a keV below, and only the one met on the
way out at the edge itself. The detector smears both. At the K edge of arsenic, 11.87 keV, a single
sharp step misses the continuum beneath L-beta of lead, which lies there, by several per cent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import ENERGY_MIN_KEV, Material, attenuation, material_attenuation
from xrfmap.physics.lineshape import FWHM_PER_SIGMA, EnergyScale
from xrfmap.physics.scatter import MC2_KEV, differential
from xrfmap.physics.stack import scatter_angle_deg
from xrfmap.settings import Instrument
from xrfmap.spectra.emitters import LIGHT

__all__ = ["REFERENCE_KEV", "USUAL_FILM", "energy_before", "weakened"]

Array = npt.NDArray[np.float64]

STEP_KEV = 0.01
"""An absorption edge is as sharp as a channel."""

TOP_KEV = 80.0
"""Above what tubes for paintings give."""

REFERENCE_KEV = 12.0
"""Energy at which masses of a thin film are compared with light matter."""

USUAL_FILM = -3.0
"""Logarithm of the light matter in some 80 um of paint, in the unit of :func:`weakened`: 9 mg/cm2
at 90 and 45 degrees. 30 um of lead white, ochre or vermilion in oil hold 2 to 4."""


def weakened(
    carrier: Array,
    elastic: Array | None,
    absorbers: Mapping[str, float],
    film_log: float,
    scale: EnergyScale,
    instrument: Instrument,
) -> Array:
    """Scattered continuum of thick light matter below a film that also holds heavy elements.

    Parameters
    ----------
    carrier : ndarray, shape (channels,)
        Without the film.
    elastic : ndarray, shape (channels,), or None
        What of it was scattered without loss; all of it, if not given.
    absorbers : mapping of str to float
        Heavy elements, each with a mass v, see the notes.
    film_log : float
        Logarithm of the light matter s in the film, see the notes.
    scale : EnergyScale
        Energies and widths of the channels.
    instrument : Instrument
        Angles.

    Returns
    -------
    ndarray, shape (channels,)
        Scattered by the film and, through it, by what is below.

    Notes
    -----
    Masses are in units of that of light matter with an optical depth of one, in and out
    together, at :data:`REFERENCE_KEV`. The film holds s of light matter and of an element
    ``v (1 + s)``, together of the depth ``X``. The light matter below scatters ``exp(-X)`` of
    what it would, and the film ``y (1 - exp(-X)) / X``, where ``y`` is the depth of as much light
    matter as would scatter like it. A thin film, s = 0, leaves ``exp(-v mu / mu_light(reference))``
    and a thick body ``1 / (1 + v mu / mu_light)`` times what it scatters: what the edges tell sets
    v in either case. Electrons are taken to be at rest; their motion blurs an edge met on the
    way in by another 0.2 keV or so.
    """
    energy = np.maximum(scale.energy(np.arange(len(carrier))), ENERGY_MIN_KEV)
    # a triangle of this half width has the variance of the Gaussian of the detector
    half = np.sqrt(6.0) * scale.fwhm(energy) / FWHM_PER_SIGMA
    above = energy[-1] + half[-1] + 1  # 1 keV to spare; beyond the grid nothing changes any more
    steps = min(int((above - ENERGY_MIN_KEV) / STEP_KEV), len(_grid()))
    angle = scatter_angle_deg(instrument)
    film = _Film(dict(absorbers), float(np.exp(film_log)), angle, steps)
    after = film.depths(0.0)
    unchanged = _smeared(_seen(film.scattered(after[0], elastic=True), after[1]), energy, half)
    if elastic is None:
        return np.asarray(carrier * unchanged)
    ways = [1 / np.sin(np.radians(a)) for a in (instrument.incidence_deg, instrument.takeoff_deg)]
    share = ways[0] / sum(ways)
    light, whole = (
        share * b + (1 - share) * a for b, a in zip(film.depths(angle), after, strict=True)
    )
    lossy = _smeared(_seen(film.scattered(light, elastic=False), whole), energy, half)
    return np.asarray(elastic * unchanged + (carrier - elastic) * lossy)


@dataclass(frozen=True)
class _Film:
    """Paint on light matter, at fine steps of energy."""

    absorbers: dict[str, float]
    light: float
    angle_deg: float
    steps: int

    def depths(self, angle_deg: float) -> tuple[Array, Array]:
        """Optical depths of light matter of mass one and of the film, before a scatter.

        As they would be if both ways were those of a photon before a scatter by this angle.
        """
        one = _light(angle_deg)[: self.steps]
        heavy = np.zeros(self.steps)
        for element, mass in self.absorbers.items():
            heavy += mass * _heavy(element, angle_deg)[: self.steps]
        return one, (self.light + (1 + self.light) * heavy) * one

    def scattered(self, one: Array, elastic: bool) -> Array:
        """Depth of as much light matter as would scatter like the film."""
        heavy = np.zeros(self.steps)
        for element, mass in self.absorbers.items():
            heavy += mass * _scatter(element, self.angle_deg, elastic)[: self.steps]
        return np.asarray((self.light + (1 + self.light) * heavy) * one)


def energy_before(energy: Array, angle_deg: float) -> Array:
    """Energy before Compton scatter on an electron at rest. [keV].

    Parameters
    ----------
    energy : ndarray
        After it. [keV]
    angle_deg : float
        Scattering angle. [degrees]
    """
    share = np.minimum(energy / MC2_KEV * (1 - np.cos(np.radians(angle_deg))), 0.9)
    return np.asarray(energy / (1 - share))


def _grid() -> Array:
    """Middles of fine steps of energy. [keV]."""
    return np.arange(ENERGY_MIN_KEV, TOP_KEV, STEP_KEV) + STEP_KEV / 2


@lru_cache(maxsize=8)
def _light(angle_deg: float) -> Array:
    """Attenuation of light matter before a scatter by an angle, relative to the reference."""
    energy = energy_before(_grid(), angle_deg)
    return material_attenuation(LIGHT, energy) / material_attenuation(LIGHT, REFERENCE_KEV)


@lru_cache(maxsize=256)
def _heavy(element: str, angle_deg: float) -> Array:
    """Attenuation of an element before a scatter by an angle, relative to light matter there."""
    energy = energy_before(_grid(), angle_deg)
    return attenuation(element, energy) / material_attenuation(LIGHT, energy)


@lru_cache(maxsize=256)
def _scatter(element: str, angle_deg: float, elastic: bool) -> Array:
    """Scatter of an element at fine steps of the energy after it, relative to light matter."""
    energy = _grid() if elastic else energy_before(_grid(), angle_deg)
    part = 0 if elastic else 1
    of, than = (
        differential(m, energy, angle_deg)[part]
        for m in (Material(element, {element: 1.0}, 1.0), LIGHT)
    )
    return np.asarray(of / than)


def _seen(own: Array, whole: Array) -> Array:
    """Return what a film lets through and scatters itself, relative to light matter alone."""
    whole = np.maximum(whole, 1e-12)
    lost = -np.expm1(-whole)
    return np.asarray(1 - lost + own / whole * lost)


def _smeared(values: Array, energy: Array, half: Array) -> Array:
    """Average values at fine steps of energy with a triangle of half widths `half`. [keV]."""
    # a triangle is the second difference of what two integrals make of a sharp line
    steps = values * STEP_KEV
    once = np.concatenate([[0.0], np.cumsum(steps)])
    twice = np.concatenate([[0.0], np.cumsum((once[:-1] + steps / 2) * STEP_KEV)])
    low, high = ENERGY_MIN_KEV + half, ENERGY_MIN_KEV + STEP_KEV * (len(values) - 1) - half
    middle = np.clip(energy, low, high)

    def integral(at: Array) -> Array:
        place = (at - ENERGY_MIN_KEV) / STEP_KEV
        i = np.clip(place.astype(np.int64), 0, len(values) - 1)
        rest = (place - i) * STEP_KEV
        return np.asarray(twice[i] + rest * (once[i] + rest * values[i] / 2))

    second = integral(middle - half) - 2 * integral(middle) + integral(middle + half)
    return np.asarray(second / half**2)
