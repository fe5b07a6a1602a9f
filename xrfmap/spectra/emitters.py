"""Peaks that always come together: line families of elements, scattered lines of the tube."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import (
    Material,
    edge_energy,
    families,
    family_cross_sections,
    natural_width,
)
from xrfmap.physics.detector import efficiency
from xrfmap.physics.scatter import compton_profile
from xrfmap.physics.stack import scatter_angle_deg
from xrfmap.physics.tube import DEFAULT_ANODE, DEFAULT_TUBE_KV, excitation
from xrfmap.settings import Instrument
from xrfmap.spectra.m_lines import MLines, MState, m_lines

__all__ = ["LIGHT", "Emitter", "family_emitter", "scatter_emitters", "usable_families"]

Array = npt.NDArray[np.float64]

COVER_POWER = -2.8  # attenuation of light matter falls about as E^-2.8 between edges
HUMP_SHARE = 1e-3
"""Density below which a Compton hump ends, as a share of its highest: further wings are smooth, and
pieces of the continuum describe them."""

PROFILE_STEP_KEV = 0.06  # far below the peak width at the energies where Compton matters
SOFT_KEV = 5.0  # below, a Compton shift is a fraction of a peak width
LIGHT = Material.from_formula("C6H10O5", 1.5, "cellulose")
"""Stands for all that is organic."""

CHALK = Material.from_formula("CaCO3", 2.7, "calcium carbonate")
WEAK_LINE = 2e-5  # share of a family: 40 counts where the family has two millions


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
    m : MLines, optional
        What paint does to the lines of an M family beyond `cover`.
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
    m: MLines | None = None

    @property
    def main_energy(self) -> float:
        """Energy of the strongest line, in keV."""
        return float(self.energies[np.argmax(self.weights)])

    def shares(
        self, cover: float, log_factor: Array | None = None, state: MState | None = None
    ) -> Array:
        """Line shares behind `cover` optical depths (at the main line) of light matter.

        Parameters
        ----------
        cover : float
            Optical depth at the main line; negative values harden less than a thin layer, but
            raise no line of less than half the energy of the main one, which light matter stops
            many times as strongly.
        log_factor : ndarray, shape (m,), optional
            Logarithm of a further factor per line.
        state : MState, optional
            Of an M family: what the paint does to its lines; nothing by default.
        """
        depth = cover * ((self.energies / self.main_energy) ** COVER_POWER - 1.0)
        if cover < 0:
            depth[self.energies < 0.5 * self.main_energy] = 0.0
        if self.m is not None and state is not None:
            depth = depth - self.m.log_factor(state)
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
    in_paint = None
    if family == "M":
        main = int(np.argmax(weights))
        in_paint = m_lines(element, at[keep], main, shells, (energy, photons), instrument, LIGHT)
    return Emitter(
        label, element, family, at[keep], weights, names, shells,
        strength=float(rates.sum()), m=in_paint,
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


@lru_cache(maxsize=16)
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
        shells = np.array([line.shell for line in group])
        main = float(energy[np.argmax(rate)])
        soft = main < SOFT_KEV
        for suffix, part in _line_groups(energy, rate, together=soft):
            weights = rate[part] / rate[part].sum()
            head = Emitter(
                f"{metal} {family} Rayleigh{suffix}", metal, family, energy[part], weights,
                tuple(names[part]), () if soft else tuple(shells[part]), "rayleigh",
                natural=natural[part],
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
        seen = binned > HUMP_SHARE * binned.max()
        after.append((0.5 * (bins[1:] + bins[:-1]))[seen])
        share.append(w * binned[seen])
        origin.append(np.full(int(seen.sum()), e))
    total = np.concatenate(share) * efficiency(np.concatenate(after), instrument)
    return Emitter(
        f"{source.element} {source.family} {word}", source.element, source.family,
        np.concatenate(after), total / total.sum(), (), (), "compton", np.concatenate(origin),
    )  # fmt: skip
