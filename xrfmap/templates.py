"""Expected spectra of single components: line families, tube scatter, continuum, pile-up.

A family is one column: the relative strengths of its lines follow from the tube
spectrum, the photoionisation cross-sections, the yields with their cascade, the way
out through the paint, and the detector. A column is normalised so that its amplitude
is the family's net counts: the counts in its full-energy peaks, tail included; escape
peaks and shelf come on top of that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.atomic import (
    ENERGY_MIN_KEV,
    Material,
    attenuation,
    edge_energy,
    families,
    family_cross_sections,
    material_attenuation,
    natural_width,
)
from xrfmap.detector import efficiency, escape_lines
from xrfmap.lineshape import EnergyScale, Response, peaks, shelf_shape
from xrfmap.row_scales import Shift, shifted
from xrfmap.scatter import compton_profile, scatter
from xrfmap.settings import Instrument
from xrfmap.stack import Layer, Stack, scatter_angle_deg
from xrfmap.tube import DEFAULT_ANODE, DEFAULT_TUBE_KV, excitation

__all__ = [
    "Emitter",
    "SpectrumModel",
    "continuum_knots",
    "family_emitter",
    "hats",
    "merge_edges",
    "scatter_carrier",
    "scatter_emitters",
    "usable_families",
]

Array = npt.NDArray[np.float64]

COVER_POWER = -2.8  # attenuation of light matter falls about as E^-2.8 between edges
DEFAULT_COVER = 0.3  # a paint layer weakens its own main line by roughly a quarter
PROFILE_STEP_KEV = 0.06  # far below the peak width at the energies where Compton matters
SOFT_KEV = 5.0  # below, a Compton shift is a fraction of a peak width
LIGHT = Material.from_formula("C6H10O5", 1.5, "cellulose")  # stands for all that is organic
CHALK = Material.from_formula("CaCO3", 2.7, "calcium carbonate")
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
    shells : tuple of str
        Shell of the vacancy, per line.
    kind : str
        ``"element"``, ``"rayleigh"`` or ``"compton"``.
    origin : ndarray, shape (m,), optional
        Energy before Compton scatter, of each entry. [keV]
    strength : float
        Detected counts of the whole family from a thin layer of unit mass per area, in
        the same arbitrary unit for all families of an instrument.
    natural : ndarray, shape (m,), optional
        Natural widths; zero where not given. [keV]
    """

    label: str
    element: str
    family: str
    energies: Array
    weights: Array
    lines: tuple[str, ...]
    shells: tuple[str, ...] = ()
    kind: str = "element"
    origin: Array | None = None
    strength: float = 1.0
    natural: Array | None = None

    @property
    def main_energy(self) -> float:
        """Energy of the strongest line, in keV."""
        return float(self.energies[np.argmax(self.weights)])

    def shares(self, cover: float, log_factor: Array | None = None) -> Array:
        """Line shares behind `cover` optical depths (at the main line) of light matter.

        Parameters
        ----------
        cover : float
            Optical depth at the main line; negative values harden less than a thin layer.
        log_factor : ndarray, shape (m,), optional
            Logarithm of a further factor per line.
        """
        depth = cover * ((self.energies / self.main_energy) ** COVER_POWER - 1.0)
        weights = self.weights * np.exp(-depth if log_factor is None else log_factor - depth)
        return np.asarray(weights / weights.sum())

    def groups(self, width_kev: float) -> list[npt.NDArray[np.int64]]:
        """Lines that share a shell and lie within `width_kev` of each other, as indices."""
        found: list[list[int]] = []
        for i in np.argsort(self.energies):
            for group in found:
                last = group[-1]
                near = self.energies[i] - self.energies[last] < width_kev
                if near and self.shells[i] == self.shells[last]:
                    group.append(int(i))
                    break
            else:
                found.append([int(i)])
        return [np.array(g) for g in found]


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
    shells = tuple(line.shell for line, k in zip(lines, keep, strict=True) if k)
    label = f"{element} {family}"
    return Emitter(
        label, element, family, at[keep], weights, names, shells,
        strength=float(rates.sum()),
        natural=np.array([natural_width(line) for line, k in zip(lines, keep, strict=True) if k]),
    )  # fmt: skip


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
        if energy_range[0] - 0.05 < emitter.main_energy < energy_range[1] - 0.2:
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
    """
    beam = excitation(instrument, anode)
    metal = anode or instrument.anode or DEFAULT_ANODE
    found: list[Emitter] = []
    for family in ("K", "L"):
        group = [line for line, _ in beam.lines if line.family == family]
        sent = np.array([n for line, n in beam.lines if line.family == family])
        energy = np.array([line.energy_kev for line in group])
        rate = sent * efficiency(energy, instrument)
        if rate.sum() <= 0 or not energy_range[0] < energy[np.argmax(rate)] < energy_range[1]:
            continue
        natural = np.array([natural_width(line) for line in group])
        names = np.array([line.siegbahn for line in group])
        main = float(energy[np.argmax(rate)])
        soft = main < SOFT_KEV
        for suffix, part in _line_groups(energy, rate, together=soft):
            weights = rate[part] / rate[part].sum()
            head = Emitter(
                f"{metal} {family} Rayleigh{suffix}", metal, family, energy[part], weights,
                tuple(names[part]), (), "rayleigh", natural=natural[part],
            )  # fmt: skip
            found += [head, _compton(head, "Compton" + suffix, instrument, LIGHT)]
            if not suffix and not soft:
                found.append(_compton(head, "Compton broad", instrument, CHALK))
    return tuple(found)


def _line_groups(
    energy: Array, rate: Array, *, together: bool
) -> list[tuple[str, npt.NDArray[np.int64]]]:
    """Alpha, beta, gamma lines of a tube: depth and absorption change their ratios.

    The group of the strongest line has no suffix; groups below a hundredth of the whole
    are left out.
    """
    order = np.argsort(energy)
    if together:
        return [("", order)]
    cuts = np.flatnonzero(np.diff(energy[order]) > 0.05 * energy[order][1:]) + 1
    groups = [g for g in np.split(order, cuts) if rate[g].sum() > 0.01 * rate.sum()]
    strongest = max(range(len(groups)), key=lambda k: rate[groups[k]].sum())
    words = ["", " beta", " gamma", " delta"]
    found = []
    for k, group in enumerate(groups):
        above = k - strongest
        suffix = words[above] if 0 <= above < len(words) else " soft"
        found.append((suffix, group))
    return found


def _compton(source: Emitter, word: str, instrument: Instrument, material: Material) -> Emitter:
    """Compton-scattered lines with the profile that a material's electrons give them.

    Electrons of light atoms give a narrow hump, those of heavier ones a broad one; their
    mixture changes with the paint.
    """
    energy, weights = source.energies, source.weights
    angle = scatter_angle_deg(instrument)
    strong = weights > 0.02 * weights.max()
    after, share, origin = [], [], []
    for e, w in zip(energy[strong], weights[strong], strict=True):
        profile_energy, profile = compton_profile(material, float(e), angle)
        bins = np.arange(profile_energy[0], profile_energy[-1] + PROFILE_STEP_KEV, PROFILE_STEP_KEV)
        binned, _ = np.histogram(profile_energy, bins, weights=profile)
        seen = binned > 1e-4 * binned.max()
        after.append((0.5 * (bins[1:] + bins[:-1]))[seen])
        share.append(w * binned[seen])
        origin.append(np.full(int(seen.sum()), e))
    total = np.concatenate(share) * efficiency(np.concatenate(after), instrument)
    return Emitter(
        f"{source.element} {source.family} {word}", source.element, source.family,
        np.concatenate(after), total / total.sum(), (), (), "compton", np.concatenate(origin),
    )  # fmt: skip


def scatter_carrier(
    instrument: Instrument, anode: str | None, scale: EnergyScale, channels: int
) -> Array:
    """Shape of the tube continuum that light matter scatters into the detector.

    Returns
    -------
    ndarray, shape (channels,)
        Per channel, largest value one; at least 1e-3, so that the basis can also hold
        what is not scatter (charge losses, bremsstrahlung of photoelectrons).
    """
    board = Stack([Layer(LIGHT, 0.2)])
    seen = scatter(board, excitation(instrument, anode), instrument)
    rate = seen.continuum * efficiency(seen.energy_kev, instrument)
    energy = scale.energy(np.arange(channels))
    shape = np.interp(energy, seen.energy_kev, rate, left=0.0, right=0.0)
    return np.asarray(np.maximum(shape / shape.max(), 1e-3))


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


def merge_edges(
    scale: EnergyScale, energy_range: tuple[float, float], channels: int
) -> npt.NDArray[np.int64]:
    """Borders of bins no wider than a third of a peak.

    Returns
    -------
    ndarray of int, shape (bins + 1,)
        First channel of each bin, and the end. Bins of FWHM/3 keep 99.5 % of the
        information on a lone peak that stands out, 97.4 % on one hidden in a background;
        overlaps need more of the shape, see ``tests/test_templates.py``.
    """
    first = int(np.clip(np.ceil(scale.channel(energy_range[0])), 0, channels - 2))
    last = int(np.clip(np.floor(scale.channel(energy_range[1])), first + 1, channels))
    third = scale.fwhm(scale.energy(np.arange(last))) / 3 / scale.kev_per_channel
    widths = np.maximum(third.astype(np.int64), 1).tolist()
    edges = [first]
    while edges[-1] < last:
        edges.append(min(edges[-1] + widths[edges[-1]], last))
    return np.array(edges, dtype=np.int64)


@lru_cache(maxsize=128)
def _relative_absorption(element: str) -> tuple[Array, Array]:
    """Energies [keV] and attenuation of an element relative to light matter.

    Steps of 10 eV: an absorption edge is as sharp as a channel.
    """
    energy = np.arange(ENERGY_MIN_KEV, 80.0, 0.01)
    return energy, attenuation(element, energy) / material_attenuation(LIGHT, energy)


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
    log_factors : mapping of str to ndarray
        Logarithm of a factor per line, by emitter label; 0 where missing.
    compton_shift : float
        Factor on the Compton energy loss (angles are never quite as declared).
    compton_fwhm_kev : float
        Broadening of the Compton hump beyond the detector. [keV]
    carrier : ndarray, shape (channels,), optional
        Shape that the continuum basis modulates; flat by default.
    absorbers : mapping of str to float
        Elements whose absorption edges show in the continuum, each with its mass relative
        to that of light matter.
    knots : ndarray
        Knots of the continuum. [keV]
    pile_up : ndarray, shape (channels,), optional
        Shape of pile-up, summing to one; left out where not given.
    mixed_pile_up : ndarray, shape (channels,), optional
        Shape of pile-up if all pixels were alike, summing to one.
    pile_up_mixing : float
        Share of `mixed_pile_up` in the pile-up; groups of pixels are never quite alike.
    shifts : tuple of (float, float, float)
        Where the gain drifted during the scan: weight, factor on the gain and shift of the
        zero [keV] of each scale that peaks are summed over; empty for one scale.
    """

    scale: EnergyScale
    response: Response
    instrument: Instrument
    emitters: tuple[Emitter, ...]
    channels: int
    energy_range: tuple[float, float]
    knots: Array
    cover: Mapping[str, float]
    log_factors: Mapping[str, Array] = field(default_factory=dict)
    compton_shift: float = 1.0
    compton_fwhm_kev: float = 0.1
    carrier: Array | None = None
    absorbers: Mapping[str, float] = field(default_factory=dict)
    pile_up: Array | None = None
    mixed_pile_up: Array | None = None
    pile_up_mixing: float = 0.0
    shifts: tuple[Shift, ...] = ()

    def with_emitters(self, emitters: Sequence[Emitter]) -> SpectrumModel:
        """Return the same model with other emitters."""
        return replace(self, emitters=tuple(emitters))

    def at(self, scale: EnergyScale) -> SpectrumModel:
        """Return the same model at one energy scale."""
        return replace(self, scale=scale, shifts=())

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of the columns."""
        extra = ["pile-up"] if self.pile_up is not None else []
        pieces = [f"continuum {k:.2f} keV" for k in self.knots]
        return (*(e.label for e in self.emitters), *extra, *pieces)

    def column(self, emitter: Emitter) -> Array:
        """Spectrum of one emitter for one net count, shape (channels,)."""
        if self.shifts:
            parts = [
                weight * self.at(shifted(self.scale, gain, zero)).column(emitter)
                for weight, gain, zero in self.shifts
            ]
            return np.asarray(np.sum(parts, axis=0))
        edges = self.scale.edges(self.channels)
        if emitter.kind == "compton":
            return self._compton(emitter, edges)
        thin = DEFAULT_COVER if emitter.kind == "element" else 0.0
        cover = self.cover.get(emitter.label, thin)
        weights = emitter.shares(cover, self.log_factors.get(emitter.label))
        natural = 0.0 if emitter.natural is None else emitter.natural
        result = peaks(
            edges, emitter.energies, weights, self.scale, self.response, natural_kev=natural
        )
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
        """Hump of Compton-scattered tube lines, moved and widened as the data ask."""
        origin = emitter.energies if emitter.origin is None else emitter.origin
        energies = origin - self.compton_shift * (origin - emitter.energies)
        return peaks(
            edges, energies, emitter.shares(self.cover.get(emitter.label, 0.0)), self.scale,
            self.response, extra_fwhm_kev=self.compton_fwhm_kev,
        )  # fmt: skip

    def pile_up_column(self) -> Array:
        """Shape of pile-up, shape (channels,); zeros where there is none."""
        if self.pile_up is None:
            return np.zeros(self.channels)
        if self.mixed_pile_up is None:
            return self.pile_up
        mixed = self.pile_up_mixing * (self.mixed_pile_up - self.pile_up)
        return np.asarray(np.maximum(self.pile_up + mixed, 0.0))

    def continuum(self) -> Array:
        """Continuum basis, shape (channels, len(knots)): hats times the carrier.

        Scatter from a thick body goes with ``1 / (mu_in + mu_out)``; heavy elements in it
        show by their edges, ``carrier / (1 + sum k mu_element / mu_light)``.
        """
        energy = self.scale.energy(np.arange(self.channels))
        basis = hats(energy, self.knots)
        shape = np.ones(self.channels) if self.carrier is None else self.carrier
        if self.absorbers:
            excess = np.ones(self.channels)
            for element, mass in self.absorbers.items():
                excess += mass * np.interp(energy, *_relative_absorption(element))
            shape = shape / excess
        return np.asarray(basis * shape[:, None])

    def matrix(self) -> Array:
        """All columns, shape (channels, components), in the order of :attr:`labels`."""
        columns = [self.column(e) for e in self.emitters]
        if self.pile_up is not None:
            columns.append(self.pile_up_column())
        # differences of distribution functions may round to -1e-317, which no design takes
        return np.maximum(np.column_stack([*columns, self.continuum()]), 0.0)
