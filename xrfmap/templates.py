"""Expected spectra of single components: line families, tube scatter, continuum, pile-up.

A family is one column: the relative strengths of its lines follow from the tube
spectrum, the photoionisation cross-sections, the yields with their cascade, the way
out through the paint, and the detector. A column is normalised so that its amplitude
is the family's net counts: the counts in its full-energy peaks, tail included; escape
peaks and shelf come on top of that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.atomic import edge_energy, families, family_cross_sections
from xrfmap.detector import efficiency, escape_lines
from xrfmap.lineshape import EnergyScale, Response, peaks, shelf_shape
from xrfmap.settings import Instrument
from xrfmap.tube import DEFAULT_ANODE, DEFAULT_TUBE_KV, excitation

__all__ = [
    "ELECTRON_REST_KEV",
    "Emitter",
    "SpectrumModel",
    "continuum_knots",
    "family_emitter",
    "hats",
    "merge_edges",
    "scatter_emitters",
    "usable_families",
]

Array = npt.NDArray[np.float64]

ELECTRON_REST_KEV = 510.999  # CODATA 2018
COVER_POWER = -2.8  # attenuation of light matter falls about as E^-2.8 between edges
DEFAULT_COVER = 0.3  # a paint layer weakens its own main line by roughly a quarter
WEAK_LINE = 2e-4  # lines below this share of their family are left out of a column


@dataclass(frozen=True, eq=False)
class Emitter:
    """Peaks that always come together.

    Attributes
    ----------
    label : str
        ``"Pb L"``, or ``"Rh K Compton"`` for scatter of the tube lines.
    element, family : str
        Element and family the lines belong to.
    energies : ndarray, shape (m,)
        Energies. [keV]
    weights : ndarray, shape (m,)
        Shares of the detected full-energy counts before `cover` acts; sum to one.
    lines : tuple of str
        Older (Siegbahn) names of the lines.
    kind : str
        ``"element"``, ``"rayleigh"`` or ``"compton"``.
    """

    label: str
    element: str
    family: str
    energies: Array
    weights: Array
    lines: tuple[str, ...]
    kind: str = "element"

    @property
    def main_energy(self) -> float:
        """Energy of the strongest line. [keV]"""
        return float(self.energies[np.argmax(self.weights)])

    def covered(self, cover: float) -> Array:
        """Line shares behind `cover` optical depths (at the main line) of light matter."""
        depth = cover * ((self.energies / self.main_energy) ** COVER_POWER - 1.0)
        weights = self.weights * np.exp(-depth)
        return np.asarray(weights / weights.sum())


@lru_cache(maxsize=512)
def family_emitter(
    element: str, family: str, instrument: Instrument, anode: str | None = None
) -> Emitter | None:
    """Lines of one family as a thin layer of the element would show them.

    Parameters
    ----------
    element, family : str
        Symbol and ``"K"``, ``"L"`` or ``"M"``.
    instrument : Instrument
        Tube, geometry and detector.
    anode : str, optional
        Anode, where the instrument does not name it.

    Returns
    -------
    Emitter or None
        None where the tube cannot excite the family or no line reaches the detector.
    """
    beam = excitation(instrument, anode)
    energy, photons = beam.all_energies()
    lines, sigma = family_cross_sections(element, family, energy)
    if len(lines) == 0:
        return None
    at = np.array([line.energy_kev for line in lines])
    rates = (sigma @ photons) * efficiency(at, instrument)
    if rates.max(initial=0.0) <= 0:
        return None
    keep = rates > WEAK_LINE * rates.sum()
    names = tuple(line.siegbahn for line, k in zip(lines, keep, strict=True) if k)
    weights = rates[keep] / rates[keep].sum()
    return Emitter(f"{element} {family}", element, family, at[keep], weights, names)


def usable_families(
    element: str, instrument: Instrument, energy_range: tuple[float, float]
) -> tuple[str, ...]:
    """Families whose main line the tube excites and the fitted range holds.

    Parameters
    ----------
    element : str
        Symbol.
    instrument : Instrument
        For the tube voltage.
    energy_range : tuple of float
        Lowest and highest fitted energy. [keV]
    """
    tube_kv = instrument.tube_kv or DEFAULT_TUBE_KV
    shell = {"K": "K", "L": "L3", "M": "M5"}
    found = []
    for family in families(element):
        emitter = family_emitter(element, family, instrument)
        if emitter is None or edge_energy(element, shell[family]) > 0.97 * tube_kv:
            continue  # just above its edge a shell is hardly excited
        if energy_range[0] + 0.1 < emitter.main_energy < energy_range[1] - 0.2:
            found.append(family)
    return tuple(found)


def scatter_emitters(
    instrument: Instrument, anode: str | None, energy_range: tuple[float, float]
) -> tuple[Emitter, ...]:
    """Anode lines scattered by the object: Rayleigh peaks and the Compton hump per family.

    Parameters
    ----------
    instrument : Instrument
        Tube, geometry and detector.
    anode : str, optional
        Anode, where the instrument does not name it.
    energy_range : tuple of float
        Lowest and highest fitted energy. [keV]

    Notes
    -----
    ``E' = E / (1 + E (1 - cos t) / m c^2)``, the scattering angle t being the sum of
    incidence and take-off angle for a beam and detector in one plane.
    """
    beam = excitation(instrument, anode)
    metal = anode or instrument.anode or DEFAULT_ANODE
    angle = np.radians(instrument.incidence_deg + instrument.takeoff_deg)
    found = []
    for family in ("K", "L"):
        group = [(line, n) for line, n in beam.lines if line.family == family]
        if not group:
            continue
        energy = np.array([line.energy_kev for line, _ in group])
        rate = np.array([n for _, n in group]) * efficiency(energy, instrument)
        names = tuple(line.siegbahn for line, _ in group)
        if rate.sum() <= 0 or not energy_range[0] < energy[np.argmax(rate)] < energy_range[1]:
            continue
        weights = rate / rate.sum()
        label = f"{metal} {family}"
        found.append(
            Emitter(f"{label} Rayleigh", metal, family, energy, weights, names, "rayleigh")
        )
        if energy[np.argmax(rate)] > 5.0:  # below, the shift is less than a tenth of a width
            shifted = energy / (1 + energy * (1 - np.cos(angle)) / ELECTRON_REST_KEV)
            found.append(
                Emitter(f"{label} Compton", metal, family, shifted, weights, names, "compton")
            )
    return tuple(found)


def continuum_knots(energy_range: tuple[float, float], pieces: int) -> Array:
    """Knots [keV] spread evenly in the square root of the energy, ends included.

    Peaks widen and features of the continuum stretch about as the root of the energy.
    """
    low, high = np.sqrt(energy_range[0]), np.sqrt(energy_range[1])
    return np.asarray(np.linspace(low, high, pieces) ** 2)


def hats(energy_kev: Array, knots: Array) -> Array:
    """Piecewise linear basis over `knots`, shape (n, len(knots)); sums to one inside."""
    eye = np.eye(len(knots))
    columns = [np.interp(energy_kev, knots, row) for row in eye]
    return np.asarray(np.stack(columns, axis=1))


def merge_edges(scale: EnergyScale, energy_range: tuple[float, float], channels: int) -> Array:
    """Borders of bins no wider than a third of a peak.

    Returns
    -------
    ndarray of int, shape (bins + 1,)
        First channel of each bin, and the end. Bins of FWHM/3 keep 99.5 % of the
        information on an isolated peak, see ``tests/test_templates.py``.
    """
    first = int(np.clip(np.ceil(scale.channel(energy_range[0])), 0, channels - 2))
    last = int(np.clip(np.floor(scale.channel(energy_range[1])), first + 1, channels))
    edges = [first]
    while edges[-1] < last:
        width = scale.fwhm(scale.energy(edges[-1])) / 3 / scale.kev_per_channel
        edges.append(min(edges[-1] + max(1, int(width)), last))
    return np.array(edges, dtype=np.int64)


@dataclass(frozen=True, eq=False)
class SpectrumModel:
    """Everything that turns amplitudes into an expected spectrum.

    Attributes
    ----------
    scale : EnergyScale
        Energy scale and peak width.
    response : Response
        Tail and shelf.
    instrument : Instrument
        For escape and efficiency.
    emitters : tuple of Emitter
        Line families and scatter peaks, one column each.
    channels : int
        Length of a spectrum.
    energy_range : tuple of float
        Fitted range. [keV]
    cover : mapping of str to float
        Optical depth before each emitter, by label; :data:`DEFAULT_COVER` where missing.
    compton_shift : float
        Factor on the Compton energy loss (angles are never quite as declared).
    compton_fwhm_kev : float
        Broadening of the Compton hump beyond the detector. [keV]
    carrier : ndarray, shape (channels,), optional
        Shape that the continuum basis modulates; flat by default.
    knots : ndarray
        Knots of the continuum. [keV]
    pile_up : ndarray, shape (channels,), optional
        Shape of pile-up, summing to one; left out where not given.
    """

    scale: EnergyScale
    response: Response
    instrument: Instrument
    emitters: tuple[Emitter, ...]
    channels: int
    energy_range: tuple[float, float]
    knots: Array
    cover: Mapping[str, float]
    compton_shift: float = 1.0
    compton_fwhm_kev: float = 0.3
    carrier: Array | None = None
    pile_up: Array | None = None

    def with_emitters(self, emitters: Sequence[Emitter]) -> SpectrumModel:
        """Return the same model with other emitters."""
        return replace(self, emitters=tuple(emitters))

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of the columns."""
        extra = ["pile-up"] if self.pile_up is not None else []
        pieces = [f"continuum {k:.2f} keV" for k in self.knots]
        return (*(e.label for e in self.emitters), *extra, *pieces)

    def column(self, emitter: Emitter) -> Array:
        """Spectrum of one emitter for one net count, shape (channels,)."""
        edges = self.scale.edges(self.channels)
        if emitter.kind == "compton":
            return self._compton(emitter, edges)
        weights = emitter.covered(
            self.cover.get(emitter.label, DEFAULT_COVER) if emitter.kind == "element" else 0.0
        )
        result = peaks(edges, emitter.energies, weights, self.scale, self.response)
        if emitter.kind == "rayleigh" and emitter.main_energy < 5.0:
            return result
        material = self.instrument.detector.material
        fraction, at = escape_lines(emitter.energies, material)
        lost = fraction.sum(axis=0)
        for f, e in zip(fraction, at, strict=True):
            seen = (f > 1e-6) & (e > 0.3)
            if seen.any():
                area = (weights * f / (1 - lost))[seen]
                result += peaks(edges, e[seen], area, self.scale, self.response)
        shelf = self.response.shelf_fraction
        if shelf > 0:
            result += shelf / (1 - shelf) * shelf_shape(edges, emitter.main_energy, self.scale)
        return result

    def _compton(self, emitter: Emitter, edges: Array) -> Array:
        """Hump of Compton-scattered tube lines, broadened by the electrons' motion."""
        metal_lines = self._unshifted(emitter)
        energies = metal_lines - self.compton_shift * (metal_lines - emitter.energies)
        return peaks(
            edges, energies, emitter.weights, self.scale, self.response,
            extra_fwhm_kev=self.compton_fwhm_kev,
        )  # fmt: skip

    def _unshifted(self, emitter: Emitter) -> Array:
        angle = np.radians(self.instrument.incidence_deg + self.instrument.takeoff_deg)
        shrink = (1 - np.cos(angle)) / ELECTRON_REST_KEV
        return np.asarray(emitter.energies / (1 - emitter.energies * shrink))

    def continuum(self) -> Array:
        """Continuum basis, shape (channels, len(knots)): hats times the carrier."""
        energy = self.scale.energy(np.arange(self.channels))
        basis = hats(energy, self.knots)
        return basis if self.carrier is None else basis * self.carrier[:, None]

    def matrix(self) -> Array:
        """All columns, shape (channels, components), in the order of :attr:`labels`."""
        columns = [self.column(e) for e in self.emitters]
        if self.pile_up is not None:
            columns.append(self.pile_up)
        return np.column_stack([*columns, self.continuum()])
