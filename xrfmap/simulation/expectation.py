"""Expected spectrum of a layered object: all photons, through the whole detector."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import Line, lines, natural_width
from xrfmap.physics.attenuation import AIR
from xrfmap.physics.detector import efficiency, escape_lines
from xrfmap.physics.layers import Layer, Stack, emission, layer_emission, scatter
from xrfmap.physics.lineshape import EnergyScale, Response, peaks, pile_up, shelf_shape
from xrfmap.physics.tube import excitation
from xrfmap.settings import Instrument

__all__ = ["GEOMETRY_SR2", "Expected", "expected", "spectrum"]

Array = npt.NDArray[np.float64]

GEOMETRY_SR2 = 2e-6  # beam times detector solid angle of a close scanner (no source)
DEFAULT_TUBE_MA = 0.5  # (no source)
AIR_SEEN_CM = 1.0  # length of beam in air that the detector sees


class Photons(NamedTuple):
    """Photons towards the detector, in the unit of :mod:`xrfmap.physics.layers`."""

    lines: tuple[tuple[Line, float], ...]  # fluorescence
    scattered: tuple[tuple[Line, float], ...]  # anode lines without loss
    energy_kev: Array  # grid of the rest
    rest: Array  # scattered continuum and Compton peaks


@dataclass(frozen=True, eq=False)
class Expected:
    """Expected spectrum of one stack.

    Attributes
    ----------
    counts : ndarray, shape (channels,)
        Expected counts.
    families : dict of str to float
        Line family label to net counts in full-energy peaks, argon of air included.
    """

    counts: Array
    families: dict[str, float]


@lru_cache(maxsize=256)
def _photons(stack: Stack, instrument: Instrument, secondary: bool) -> Photons:
    """Fluorescence and scatter of a stack and of the air above it."""
    source = excitation(instrument)
    found = emission(stack, source, instrument, secondary=secondary)
    scattered = scatter(stack, source, instrument)
    rest = scattered.continuum.copy()
    rayleigh = dict(scattered.rayleigh)
    parts = [scattered]
    if instrument.atmosphere == "air":
        air = Stack([Layer(AIR, AIR.density_g_cm3 * AIR_SEEN_CM)])
        argon = lines("Ar", "K")
        rates = layer_emission(air, source, instrument, argon)[0]
        found += list(zip(argon, rates.tolist(), strict=True))
        parts.append(scatter(air, source, instrument))
        rest += parts[1].continuum
        for line, rate in parts[1].rayleigh:
            rayleigh[line] = rayleigh.get(line, 0.0) + rate
    grid = scattered.energy_kev
    for part in parts:
        for _, energies, rates in part.compton:
            rest += _shared(grid, energies, rates)
    return Photons(tuple(found), tuple(rayleigh.items()), grid, rest)


def _shared(grid: Array, energies: Array, rates: Array) -> Array:
    """Rates shared between the two nearest points of an even grid."""
    place = (energies - grid[0]) / (grid[1] - grid[0])
    lower = np.clip(np.floor(place).astype(np.intp), 0, grid.size - 2)
    part = np.clip(place - lower, 0.0, 1.0)
    below = np.bincount(lower, (1 - part) * rates, grid.size)
    return np.asarray(below + np.bincount(lower + 1, part * rates, grid.size))


def _peak_counts(
    energies: Array,
    areas: Array,
    natural: Array,
    scale: EnergyScale,
    channels: int,
    sensor: str,
    response: Response,
) -> Array:
    """Full-energy peaks, escape peaks and shelf of detected photons."""
    edges = scale.edges(channels)
    lost, where = escape_lines(np.maximum(energies, 0.2), sensor)
    kept = areas * (1 - lost.sum(axis=0) - response.shelf_fraction)
    result = peaks(edges, energies, kept, scale, response, natural_kev=natural)
    for fraction, energy in zip(lost, where, strict=True):
        result += peaks(edges, energy, areas * fraction, scale, response, natural_kev=natural)
    for energy, area in zip(energies.tolist(), areas.tolist(), strict=True):
        if area * response.shelf_fraction > 0:
            result += area * response.shelf_fraction * shelf_shape(edges, energy, scale)
    return result


@lru_cache(maxsize=8)
def _grid_response(
    grid: bytes, scale: EnergyScale, channels: int, sensor: str, response: Response
) -> Array:
    """Give the counts per channel for one detected photon at each energy of a grid."""
    energies = np.frombuffer(grid, dtype=np.float64)
    one, none = np.ones(1), np.zeros(1)
    return np.array([
        _peak_counts(np.array([e]), one, none, scale, channels, sensor, response) for e in energies
    ])  # fmt: skip


def expected(
    stack: Stack,
    instrument: Instrument,
    scale: EnergyScale,
    *,
    live_time_s: float = 1.0,
    total_counts: float | None = None,
    channels: int = 2048,
    pileup_tau_s: float = 0.0,
    response: Response | None = None,
    secondary: bool = False,
    geometry_sr2: float = GEOMETRY_SR2,
) -> Expected:
    """Spectrum to be expected from a layered object, and its net counts per family.

    Parameters
    ----------
    stack : Stack
        The object.
    instrument : Instrument
        Tube (0.5 mA where the current is not given), geometry, detector.
    scale : EnergyScale
        Energy of the channels and width of the peaks.
    live_time_s : float
        Live time, > 0. [s]
    total_counts : float, optional
        Counts in the spectrum before pile-up; the geometry is scaled to give them.
    channels : int
        Length of the spectrum.
    pileup_tau_s : float
        Time within which two pulses add up. [s]
    response : Response, optional
        Tail, shelf and natural width.
    secondary : bool
        Whether lines that excite other lines are followed.
    geometry_sr2 : float
        Solid angle of the beam times that of the detector. [sr2]

    Returns
    -------
    Expected
        Counts per channel and net counts per line family.
    """
    shape = response or Response()
    photons = _photons(stack, instrument, secondary)
    seconds = (instrument.tube_ma or DEFAULT_TUBE_MA) * geometry_sr2 * live_time_s
    emitted = [*photons.lines, *photons.scattered]
    energies = np.array([line.energy_kev for line, _ in emitted])
    areas = np.array([rate for _, rate in emitted]) * efficiency(energies, instrument) * seconds
    natural = np.array([natural_width(line) if shape.natural_width else 0.0 for line, _ in emitted])
    sensor = instrument.detector.material
    counts = _peak_counts(energies, areas, natural, scale, channels, sensor, shape)
    detected = photons.rest * efficiency(photons.energy_kev, instrument) * seconds
    counts += detected @ _grid_response(
        photons.energy_kev.tobytes(), scale, channels, sensor, shape
    )
    full = areas * (1 - escape_lines(energies, sensor)[0].sum(axis=0) - shape.shelf_fraction)
    factor = 1.0 if total_counts is None else total_counts / float(counts.sum())
    loss = np.exp(-2 * factor * counts.sum() / live_time_s * pileup_tau_s)
    families: dict[str, float] = {}
    for (line, _), area in zip(photons.lines, full.tolist(), strict=False):
        families[line.label] = families.get(line.label, 0.0) + area * factor * float(loss)
    return Expected(pile_up(counts * factor, live_time_s, pileup_tau_s, scale), families)


def spectrum(
    stack: Stack,
    instrument: Instrument,
    scale: EnergyScale,
    *,
    live_time_s: float = 1.0,
    total_counts: float | None = None,
    channels: int = 2048,
    pileup_tau_s: float = 0.0,
    response: Response | None = None,
    secondary: bool = False,
    geometry_sr2: float = GEOMETRY_SR2,
) -> Array:
    """Return only the counts of :func:`expected`, shape (channels,)."""
    return expected(
        stack, instrument, scale, live_time_s=live_time_s, total_counts=total_counts,
        channels=channels, pileup_tau_s=pileup_tau_s, response=response, secondary=secondary,
        geometry_sr2=geometry_sr2,
    ).counts  # fmt: skip
