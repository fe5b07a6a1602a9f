"""Line families that may stand in the spectrum of a painting, as the calibration knows them.

Only strong lines, with relative intensities bracketed between a thin and a covered or thick
source. This is no list of results: which elements are present is found in
:mod:`xrfmap.identification.identify`, on the energy scale that comes out of the calibration.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import Line, edge_energy, families, family_cross_sections
from xrfmap.physics.detector import efficiency
from xrfmap.settings import Instrument

__all__ = ["ANODES", "Family", "Group", "catalogue", "groups_of"]

Array = npt.NDArray[np.float64]

ANODES = ("Rh", "Mo", "Pd", "Ag", "W", "Cr")
COMMON = {
    "K": "Al Si P S Cl Ar K Ca Ti Cr Mn Fe Co Ni Cu Zn As Sr Sn Ba",
    "L": "Ag Cd Sn Sb Ba Au Hg Pb Bi",
    "M": "Au Hg Pb Bi",
}
RARE = {
    "K": "V Ga Se Br Rb Y Zr Nb Mo Ag Cd Sb",
    "L": "Zr Mo La Ce W Pt U",
    "M": "W U",
}
RARE_COST = 6.0  # log-likelihood asked of a family that few paintings show
COMMON_COST = 1.5
THICK_POWER = {"K": 2.5, "L": 2.5, "M": 1.0}  # see `_bracket`
KV_UNKNOWN = 60.0  # common tubes for scanning end at 50 or 60 kV
CLUSTER_GAP_KEV, CLUSTER_GAP = 0.06, 0.01  # lines closer than half a peak width are seen as one
SHARE_MIN = 2e-3  # weaker lines shift nothing
ANODE_SUBSHELLS = 2.0  # L2 and L1 lines of the anode may be that much stronger than by photons
SCATTER_ANGLES = (90.0, 115.0, 140.0, 165.0)  # degrees; the geometry is seldom known
COMPTON_WIDTH = 0.025  # Doppler width (FWHM) over energy, light elements near 20 keV (roughly)
ELECTRON_KEV = 510.999


@dataclass(frozen=True, eq=False)
class Family:
    """Lines that come together.

    Attributes
    ----------
    label : str
        ``"Pb L"``, ``"Rh K scatter"``.
    group : tuple of str
        For each line the group that is seen as one peak, ``"Pb La"``.
    energy : ndarray, shape (n,)
        [keV]
    thin, thick : ndarray, shape (n,)
        Shares of the lines as detected from a thin film, and from a thick or covered source.
    extra : ndarray, shape (n,)
        Broadening beyond the detector's, full width at half maximum. [keV]
    cost : float
        Log-likelihood that the family must bring to count.
    anode : str
        Symbol, where the family comes from the tube; else empty.
    """

    label: str
    group: tuple[str, ...]
    energy: Array
    thin: Array
    thick: Array
    extra: Array
    cost: float
    anode: str = ""


@dataclass(frozen=True)
class Group:
    """Neighbouring lines of a family that are seen as one peak."""

    label: str
    family: int
    energy: float
    spread: float
    thin: float
    thick: float


def _group_names(found: list[Line], share: Array) -> tuple[str, ...]:
    """For each line, by energy, the strongest line of the cluster it belongs to."""
    names = [f"{line.element} {line.siegbahn}" for line in found]
    energy = np.array([line.energy_kev for line in found])
    alpha = np.array([line.siegbahn.startswith("Ka") for line in found])
    apart = np.diff(energy) > np.maximum(CLUSTER_GAP_KEV, CLUSTER_GAP * energy[1:])
    # the two K-alpha lines keep their ratio whatever lies above, and shift as one
    cluster = np.cumsum([0, *(apart & ~(alpha[1:] & alpha[:-1]))])
    leaders = {c: names[max(np.flatnonzero(cluster == c), key=share.__getitem__)] for c in cluster}
    return tuple(leaders[c] for c in cluster)


def _excited(element: str, family: str, kv: float, instrument: Instrument) -> Family | None:
    """Family as excited by a falling continuum up to the tube voltage."""
    if family not in families(element):
        return None
    shells = {"K": ("K",), "L": ("L3", "L2", "L1"), "M": ("M5", "M4", "M3", "M2", "M1")}[family]
    edge = min(e for e in (edge_energy(element, s) for s in shells) if e > 0)
    if edge * 1.1 >= kv:
        return None
    grid = np.geomspace(edge * 1.02, kv * 0.98, 12)
    found, rows = family_cross_sections(element, family, grid)
    rate = rows @ ((kv / grid - 1.0) * grid)  # Kramers per keV times the logarithmic step
    energy = np.array([line.energy_kev for line in found])
    return _bracket(f"{element} {family}", found, energy, rate, instrument)


def _bracket(
    label: str, found: tuple[Line, ...], energy: Array, rate: Array, instrument: Instrument
) -> Family:
    """Shares from thin to thick: absorption falls as E**-2.7, so hard lines gain at most that."""
    seen = rate * efficiency(energy, instrument)
    keep = seen > SHARE_MIN * seen.max() if seen.max() > 0 else seen > 0
    seen, energy = seen[keep], energy[keep]
    kept = [line for line, k in zip(found, keep, strict=True) if k]
    thick = seen * (energy / energy[np.argmax(seen)]) ** THICK_POWER[found[0].family]
    rare = found[0].element in RARE.get(found[0].family, "").split()
    return Family(
        label=label,
        group=_group_names(kept, seen),
        energy=energy,
        thin=seen / seen.sum(),
        thick=thick / thick.sum(),
        extra=np.zeros(len(energy)),
        cost=RARE_COST if rare else COMMON_COST,
    )


def compton_energy(energy_kev: Array, angle_deg: float) -> Array:
    """Energy of a photon after scattering from an electron at rest. [keV]."""
    turn = 1.0 - np.cos(np.radians(angle_deg))
    return np.asarray(energy_kev / (1.0 + energy_kev / ELECTRON_KEV * turn))


def _scatter(source: Family, anode: str) -> list[Family]:
    """Rayleigh and Compton scatter of one family of the anode."""
    base = f"{source.label} scatter"
    thick = source.thick
    if source.label.endswith("L"):  # electrons fill the subshells otherwise than photons
        outer = source.energy > source.energy[np.argmax(source.thin)] + CLUSTER_GAP_KEV
        thick = thick * np.where(outer, ANODE_SUBSHELLS, 1.0)
        thick = thick / thick.sum()
    result = [
        Family(base, source.group, source.energy, source.thin, thick, source.extra,
               COMMON_COST, anode)
    ]  # fmt: skip
    if source.energy.max() < 4.0:
        return result  # Compton shift below 60 eV: inside the Rayleigh peak
    for angle in SCATTER_ANGLES:
        energy = compton_energy(source.energy, angle)
        result.append(
            Family(f"{source.label} Compton {angle:.0f}",
                   tuple(f"{g} Compton" for g in source.group), energy, source.thin, source.thick,
                   COMPTON_WIDTH * np.maximum(energy, 5.0) ** 1.0, COMMON_COST, anode)
        )  # fmt: skip
    return result


@lru_cache(maxsize=16)
def catalogue(instrument: Instrument) -> tuple[Family, ...]:
    """Families to look for.

    Parameters
    ----------
    instrument : Instrument
        The anode, where named, is the only one considered; likewise the voltage. Window, gas
        and sensor give the relative efficiency.

    Returns
    -------
    tuple of Family
        Elements first, then scatter of the anode or of every usual anode.
    """
    kv = instrument.tube_kv or KV_UNKNOWN
    result = []
    for table in (COMMON, RARE):
        for family, symbols in table.items():
            for element in symbols.split():
                one = _excited(element, family, kv, instrument)
                if one is not None:
                    result.append(one)
    for anode in (instrument.anode,) if instrument.anode else ANODES:
        for family in "KLM":
            one = _excited(anode, family, kv, instrument)
            if one is not None and one.energy.max() > 1.5:
                result.extend(_scatter(one, anode))
    return tuple(result)


@lru_cache(maxsize=16)
def groups_of(found: tuple[Family, ...]) -> tuple[Group, ...]:
    """Peaks of the families, each with mean energy and shares, by family."""
    result = []
    for k, family in enumerate(found):
        for name in dict.fromkeys(family.group):
            here = np.array([g == name for g in family.group])
            share = family.thin[here]
            energy = float(np.average(family.energy[here], weights=share))
            spread = float(np.sqrt(np.average((family.energy[here] - energy) ** 2, weights=share)))
            result.append(
                Group(name, k, energy, spread, float(share.sum()), float(family.thick[here].sum()))
            )
    return tuple(result)
