"""Spectra and scans of known composition, from the physics of the other modules.

Nothing here opens a file. The random numbers come from ``numpy.random.default_rng`` with
a seed, so that the same call gives the same counts with the same version of numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.numbers import whole
from xrfmap.physics.lineshape import EnergyScale, Response
from xrfmap.physics.stack import Stack
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.expectation import GEOMETRY_SR2, Expected, expected, spectrum
from xrfmap.simulation.paintings import patches, stacks_of

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
        if drawn.max(initial=0) > (top := np.iinfo(np.uint16).max):
            raise ValueError(f"more than {whole(top)} counts in a channel; shorten the live time")
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
        A name in :data:`xrfmap.simulation.paintings.KINDS`: ``"chalk"`` (a bare ground),
        ``"northern panel"``, ``"gesso with earths"``, ``"southern canvas"``,
        ``"nineteenth century"``, ``"twentieth century"``.
    anode : str
        Anode.
    tube_kv : float
        Tube voltage. [kV]
    kev_per_channel, zero_kev, noise_kev, fano : float
        The energy scale; see :class:`~xrfmap.physics.lineshape.EnergyScale`.
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
