"""Spectra and scans of known composition, from the physics of the other modules.

Nothing here opens a file. The random numbers come from ``numpy.random.default_rng`` with
a seed, so that the same call gives the same counts with the same version of numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.atomic import Line, lines, natural_width
from xrfmap.attenuation import AIR
from xrfmap.detector import efficiency, escape_lines
from xrfmap.layers import Layer, Stack, emission, layer_emission, scatter
from xrfmap.lineshape import EnergyScale, Response, peaks, pile_up, shelf_shape
from xrfmap.paintings import patches, stacks_of
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.tube import excitation

__all__ = [
    "GEOMETRY_SR2",
    "Expected",
    "Simulated",
    "expected",
    "painting",
    "poisson",
    "scan",
    "spectrum",
]

Array = npt.NDArray[np.float64]

GEOMETRY_SR2 = 2e-6  # beam times detector solid angle of a close scanner (no source)
DEFAULT_TUBE_MA = 0.5  # (no source)
AIR_SEEN_CM = 1.0  # length of beam in air that the detector sees


class Photons(NamedTuple):
    """Photons towards the detector, in the unit of :mod:`xrfmap.layers`."""

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


def poisson(mean: npt.ArrayLike, seed: int) -> npt.NDArray[np.int64]:
    """Poisson counts around expected counts, the same for the same seed."""
    return np.random.default_rng(np.random.SeedSequence(seed)).poisson(
        np.asarray(mean, dtype=np.float64)
    )


@dataclass(frozen=True, eq=False)
class Simulated:
    """A simulated scan and what it was made from.

    Attributes
    ----------
    scan : xarray.Dataset
        As read from a file; without energies.
    truth : xarray.Dataset
        ``net_counts(line, y, x)``: expected net counts per family and pixel.
    scale : EnergyScale
        The energy scale of the channels.
    """

    scan: xr.Dataset
    truth: xr.Dataset
    scale: EnergyScale


def scan(
    stacks: Sequence[Stack],
    weights: npt.ArrayLike,
    instrument: Instrument,
    scale: EnergyScale,
    *,
    live_time_s: float | Array = 0.1,
    total_counts: float | None = None,
    channels: int = 2048,
    pileup_tau_s: float = 0.0,
    response: Response | None = None,
    secondary: bool = False,
    step_mm: float = 1.0,
    seed: int = 0,
    title: str = "",
) -> Simulated:
    """Scan over a map of layered structures.

    Parameters
    ----------
    stacks : sequence of Stack
        The k different structures; each is computed once.
    weights : array_like, shape (k, y, x)
        Share of each structure in each pixel, >= 0, normally summing to one. A pixel is a
        side-by-side mixture; its pile-up is the mean of the structures' own.
    instrument, scale, channels, pileup_tau_s, response, secondary
        As for :func:`expected`.
    live_time_s : float or ndarray, shape (y, x)
        Live time. [s]
    total_counts : float, optional
        Mean counts per pixel before pile-up; the geometry is scaled to give them.
    step_mm : float
        Distance of pixels; the first has its centre at half of it. [mm]
    seed : int
        Seed of the Poisson counts.
    title : str
        Title of the scan.

    Returns
    -------
    Simulated
        Scan (``uint16`` counts, clipped nowhere), truth and scale.
    """
    share = np.asarray(weights, dtype=np.float64)
    if share.ndim != 3 or len(share) != len(stacks):
        raise ValueError(f"weights must be ({len(stacks)}, y, x), found shape {share.shape}")
    shape = share.shape[1:]
    live = np.broadcast_to(np.asarray(live_time_s, dtype=np.float64), shape)
    mean_live = float(live.mean())
    geometry = _geometry(stacks, share, instrument, scale, mean_live, channels, total_counts)
    parts = [
        expected(s, instrument, scale, live_time_s=mean_live, channels=channels,
                 pileup_tau_s=pileup_tau_s, response=response, secondary=secondary,
                 geometry_sr2=geometry)
        for s in stacks
    ]  # fmt: skip
    labels = sorted({label for part in parts for label in part.families})
    amounts = np.array([[part.families.get(label, 0.0) for label in labels] for part in parts])
    spectra = np.array([part.counts for part in parts])
    relative = share * (live / mean_live)
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    counts = np.empty((*shape, channels), dtype=np.uint16)
    for row in range(shape[0]):  # a row at a time keeps the memory small
        drawn = rng.poisson(relative[:, row].T @ spectra)
        if drawn.max(initial=0) > np.iinfo(np.uint16).max:
            raise ValueError("more than 65535 counts in a channel; shorten the live time")
        counts[row] = drawn
    y, x = ((np.arange(n) + 0.5) * step_mm for n in shape)
    dataset = make_scan(
        counts, live_time=np.array(live), y=y, x=x, instrument=instrument, title=title
    )
    truth = xr.Dataset(
        {"net_counts": (("line", "y", "x"), np.einsum("kl,kyx->lyx", amounts, relative))},
        coords={"line": labels, "y": dataset.y, "x": dataset.x},
    )
    return Simulated(dataset, truth, scale)


def _geometry(
    stacks: Sequence[Stack],
    share: Array,
    instrument: Instrument,
    scale: EnergyScale,
    live_time_s: float,
    channels: int,
    total_counts: float | None,
) -> float:
    """Solid angles that give the wanted mean counts per pixel."""
    if total_counts is None:
        return GEOMETRY_SR2
    sums = np.array([
        spectrum(s, instrument, scale, live_time_s=live_time_s, channels=channels).sum()
        for s in stacks
    ])  # fmt: skip
    mean = float(sums @ share.mean(axis=(1, 2)))
    return GEOMETRY_SR2 * total_counts / mean


def painting(
    kind: str,
    *,
    anode: str = "Rh",
    tube_kv: float = 50.0,
    kev_per_channel: float = 0.02,
    zero_kev: float = 0.0,
    noise_kev: float = 0.08,
    fano: float = 0.115,
    channels: int | None = None,
    shape: tuple[int, int] = (24, 20),
    total_counts: float = 6000.0,
    live_time_s: float = 0.1,
    pileup_tau_s: float = 2e-7,
    response: Response | None = None,
    told: bool = True,
    seed: int = 0,
) -> Simulated:
    """Scan of one of a few unlike paintings, for tests and planning.

    Parameters
    ----------
    kind : str
        A name in :data:`xrfmap.paintings.KINDS`: ``"chalk"`` (a bare ground), ``"northern
        panel"``, ``"gesso with earths"``, ``"southern canvas"``, ``"nineteenth century"``,
        ``"twentieth century"``.
    anode : str
        Anode.
    tube_kv : float
        Tube voltage. [kV]
    kev_per_channel, zero_kev, noise_kev, fano : float
        The energy scale; see :class:`~xrfmap.lineshape.EnergyScale`.
    channels : int, optional
        By default the power of two, at most 4096, that takes the spectrum to 41 keV.
    shape : tuple of int
        Rows and columns.
    total_counts : float
        Mean counts per pixel before pile-up.
    live_time_s, pileup_tau_s : float
        Per pixel. [s]
    response : Response, optional
        Tail, shelf and natural width.
    told : bool
        Whether the scan says which tube it was made with.
    seed : int
        Seed of the patches and the counts.

    Returns
    -------
    Simulated
        Scan, truth and scale.
    """
    wanted = 2 ** int(np.ceil(np.log2((41.0 - zero_kev) / kev_per_channel)))
    stacks = stacks_of(kind)
    made = scan(
        stacks,
        patches(len(stacks), shape, seed),
        Instrument(anode=anode, tube_kv=tube_kv),
        EnergyScale(zero_kev, kev_per_channel, noise_kev, fano),
        live_time_s=live_time_s,
        total_counts=total_counts,
        channels=channels or min(wanted, 4096),
        pileup_tau_s=pileup_tau_s,
        response=response,
        seed=seed,
        title=kind,
    )
    if told:
        return made
    silent = made.scan.assign_attrs(instrument="{}")
    return Simulated(silent, made.truth, made.scale)
