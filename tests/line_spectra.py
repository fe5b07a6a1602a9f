"""Models of spectra with known amplitudes, for the tests of the fit and its statistics.

About forty components, as a painting needs them: line families with the overlaps that
decide cases, scatter of the anode lines, argon of air, a continuum in nine pieces.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.fit.pixels import Design
from xrfmap.physics.lineshape import EnergyScale, Response
from xrfmap.settings import Instrument
from xrfmap.spectra.emitters import family_emitter, scatter_emitters
from xrfmap.spectra.templates import SpectrumModel, continuum_knots, merge_edges, scatter_carrier

Array = npt.NDArray[np.float64]

RHODIUM = Instrument(anode="Rh", tube_kv=50.0)
SCALE = EnergyScale(-0.043, 0.0198)
RANGE = (1.5, 38.0)
CHANNELS = 2048
FAMILIES = tuple(
    "S K,Cl K,K K,Ca K,Ti K,Cr K,Mn K,Fe K,Co K,Ni K,Cu K,Zn K,As K,Se K,Sr K,"
    "Cd K,Cd L,Sn K,Sn L,Sb K,Sb L,Ba L,Hg L,Hg M,Pb L,Pb M,Bi L".split(",")
)
PAINT = {  # net counts of a lead white passage with earth, vermilion and copper green
    "Pb L": 3000.0, "Pb M": 200.0, "Ca K": 500.0, "Fe K": 800.0, "Cu K": 300.0, "Hg L": 300.0,
    "Hg M": 20.0,
}  # fmt: skip
SCATTER = {"Rh K Compton": 40.0, "Rh K Rayleigh": 30.0, "Rh L Rayleigh": 20.0}


@lru_cache(maxsize=8)
def model(families: tuple[str, ...] = FAMILIES, pieces: int = 9) -> SpectrumModel:
    """Model with these families beside scatter and continuum."""
    emitters = [family_emitter(*label.split(), RHODIUM) for label in families]
    known = [e for e in emitters if e is not None]
    return SpectrumModel(
        SCALE,
        Response(),
        RHODIUM,
        (*known, *scatter_emitters(RHODIUM, None, RANGE)),
        CHANNELS,
        RANGE,
        continuum_knots(RANGE, pieces),
        cover={},
        carrier=scatter_carrier(RHODIUM, None, SCALE, CHANNELS)[0],
    )


def design_of(spectra: SpectrumModel) -> Design:
    """Design on merged channels."""
    edges = merge_edges(spectra.scale, spectra.energy_range, spectra.channels)
    merged = np.add.reduceat(spectra.matrix()[: edges[-1]], edges[:-1], axis=0)
    return Design(np.ascontiguousarray(merged), edges, spectra.labels)


@lru_cache(maxsize=8)
def design(families: tuple[str, ...] = FAMILIES) -> Design:
    return design_of(model(families))


@lru_cache(maxsize=8)
def matrix(families: tuple[str, ...] = FAMILIES) -> Array:
    return model(families).matrix()


def amplitudes(
    net: dict[str, float], total: float | None = None, families: tuple[str, ...] = FAMILIES
) -> Array:
    """Amplitudes of all components; scaled to `total` counts in the spectrum if given."""
    labels = model(families).labels
    result = np.zeros(len(labels))
    for label, value in {**SCATTER, **net}.items():
        result[labels.index(label)] = value
    result[[name.startswith("continuum") for name in labels]] = 0.5
    if total is not None:
        result *= total / float((matrix(families) @ result).sum())
    return result


def draw(mean: Array, pixels: int, seed: int) -> npt.NDArray[np.uint16]:
    """Poisson counts, shape (pixels, channels), of one mean spectrum."""
    rng = np.random.default_rng(seed)
    drawn = [rng.poisson(mean, (min(1000, pixels - k), len(mean))) for k in range(0, pixels, 1000)]
    return np.concatenate(drawn).astype(np.uint16)


def information(columns: Array, mean: Array) -> Array:
    """Fisher information of Poisson counts with mean `mean` that is linear in `columns`."""
    keep = mean > 0
    return (columns[keep] / mean[keep, None]).T @ columns[keep]
