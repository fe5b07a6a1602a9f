"""Groups of lines of a buried element: what a cover and the layer's own depth make of them.

One layer holds the element; a cover of a named material lies on it. Both absorb, the own
layer too, so that a thick bare layer already looks a little covered. How thick it is, and
what else is in it, is not known: the model is a table over the cover and over a range of
own layers, which the likelihood in :mod:`xrfmap.depth.area_depth` averages over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.depth.line_groups import LineGroup
from xrfmap.physics.atomic import (
    ENERGY_MIN_KEV,
    Line,
    Material,
    family_cross_sections,
    material_attenuation,
)
from xrfmap.physics.detector import efficiency, escape_lines
from xrfmap.physics.enhancement import secondary_emission
from xrfmap.physics.stack import Layer, Optics, Stack
from xrfmap.physics.tube import Excitation, excitation
from xrfmap.settings import Instrument

__all__ = [
    "CoverModel",
    "OwnLayers",
    "cover_model",
    "group_lines",
    "kept_in_peak",
    "table_covariance",
]

Array = npt.NDArray[np.float64]

OWN_THICKNESS_UM = (5.0, 100.0)
"""Range of the own layer, glaze to light impasto (common practice, no source)."""

OWN_MARGIN = 1.3
"""Factor by which the table goes beyond both ends of the range.

An average over a range with sharp ends would be wrong too often for layers at the ends.
"""

OWN_NODES = 16
"""Own thicknesses in the table, even in the logarithm."""

COVER_MAX_MG_CM2 = 100.0
"""Heaviest cover that is considered: 0.3 mm of lead white paint."""

COVER_NODES = 240

SURFACE_DEPTH = 1.0
"""Optical depth, for the softest group, to which covers below zero are continued.

A negative cover is not physical; without it an estimate at zero could not scatter to both
sides, and intervals near zero would be too narrow.
"""

GROUP_ERROR = {"K": 0.02, "L": 0.05, "M": 0.10}
"""Relative error of the tabulated strength of one group within its family.

xraylib's K-beta to K-alpha ratios differ from Elam's table by 1 to 9 % (Ca to Sb), strong
L groups within a shell by 1 to 6 % (Sn to Pb); measured K ratios scatter by 2 to 3 %,
more with the compound (from memory, no source).
"""

FAMILY_ERROR = {"K": 0.05, "L": 0.08, "M": 0.20}
"""The same for a whole family: yields, efficiency of the detector, spectrum of the tube."""

_SUBLAYERS = 12  # secondary excitation is a few per cent; a per cent of that is good enough
_SECONDARY_MG_CM2 = (1e-3, 3.0, 12.0, COVER_MAX_MG_CM2)


def table_covariance(
    groups: Sequence[LineGroup], factor: float = 1.0, *, families: bool = True
) -> Array:
    """Covariance of the relative errors that tables leave on groups of lines.

    Parameters
    ----------
    groups : sequence of LineGroup
        g groups.
    factor : float
        On all errors; 0 where tables are taken as exact.
    families : bool
        Whether the errors that whole families share are in it.

    Returns
    -------
    ndarray, shape (g, g)
        An error of each group for itself, and one of each family of an element as a whole.
    """
    own = np.diag([GROUP_ERROR[g.family] ** 2 for g in groups])
    family = [(g.element, g.family) for g in groups]
    same = np.array([[a == b for b in family] for a in family])
    whole = np.array([FAMILY_ERROR[g.family] if families else 0.0 for g in groups])
    return np.asarray(factor**2 * (own + same * np.outer(whole, whole)))


@dataclass(frozen=True)
class OwnLayers:
    """What the layer that holds the element may be.

    Attributes
    ----------
    materials : tuple of Material
        Paints, each as likely as the next.
    thickness_um : tuple of float
        Thinnest and thickest; every thickness between is as likely in the logarithm. [um]
    nodes : int
        Thicknesses in the table.
    """

    materials: tuple[Material, ...]
    thickness_um: tuple[float, float] = OWN_THICKNESS_UM
    nodes: int = OWN_NODES

    def __post_init__(self) -> None:
        low, high = self.thickness_um
        if not 0 < low <= high < np.inf:
            raise ValueError(f"thickness of the own layer must be 0 < low <= high µm, "
                             f"found {low:g} to {high:g}")  # fmt: skip
        if not self.materials or self.nodes < 1:
            raise ValueError("the own layer needs at least one material and one node")


@dataclass(frozen=True, eq=False)
class CoverModel:
    """Expected shares of the groups against the cover.

    Attributes
    ----------
    groups : tuple of LineGroup
        g groups.
    cover : Material
        Covering material.
    areal : ndarray, shape (c,)
        Cover, rising, from a little below zero. [g/cm2]
    log_yield : ndarray, shape (c, nodes, g)
        Logarithm of the detected photons per group, same unit throughout.
    weight : ndarray, shape (nodes,)
        Probability of each own layer; sums to one.
    own : tuple of (Material, float)
        The own layers: material and thickness [um].
    own_um : tuple of float
        Thinnest and thickest own layer. [um]
    table : ndarray, shape (g, g)
        Covariance of relative errors of the groups, see :func:`table_covariance`.
    offset : ndarray, shape (g,)
        Correction to `log_yield` from a bare reference; zeros without one.
    """

    groups: tuple[LineGroup, ...]
    cover: Material
    areal: Array
    log_yield: Array
    weight: Array
    own: tuple[tuple[Material, float], ...]
    own_um: tuple[float, float]
    table: Array
    offset: Array = field(default_factory=lambda: np.zeros(0))

    def at(self, areal: Array) -> Array:
        """Logarithm of the yields at covers [g/cm2] of shape (...): (..., nodes, g)."""
        place = np.clip(np.searchsorted(self.areal, areal) - 1, 0, len(self.areal) - 2)
        low, high = self.areal[place], self.areal[place + 1]
        part = ((areal - low) / (high - low))[..., None, None]
        result = self.log_yield[place] * (1 - part) + self.log_yield[place + 1] * part
        return np.asarray(result + self.offset if self.offset.size else result)

    def only(self, groups: Sequence[LineGroup]) -> CoverModel:
        """Table of some of the groups, in the order of the model."""
        places = [k for k, g in enumerate(self.groups) if g in groups]
        return replace(
            self, groups=tuple(self.groups[k] for k in places),
            log_yield=self.log_yield[..., places], table=self.table[np.ix_(places, places)],
            offset=self.offset[places] if self.offset.size else self.offset,
        )  # fmt: skip

    def um(self, areal_g_cm2: float) -> float:
        """Thickness of the covering material that has a mass per area. [um]."""
        return areal_g_cm2 / self.cover.density_g_cm3 * 1e4


def _cover_grid(lowest: float) -> Array:
    """Covers, fine near zero and even in the logarithm further on. [g/cm2]."""
    top = COVER_MAX_MG_CM2 * 1e-3
    near = 2e-4
    rising = near * np.sinh(np.linspace(0, np.arcsinh(top / near), COVER_NODES))
    below = -np.linspace(lowest, 0, 9)[:-1]
    return np.concatenate([below, rising])


@lru_cache(maxsize=256)
def cover_model(
    groups: tuple[LineGroup, ...],
    instrument: Instrument,
    cover: Material,
    own: OwnLayers,
    *,
    anode: str | None = None,
    table_error: float = 1.0,
    secondary: bool = True,
) -> CoverModel:
    """Table of the groups of one element under a cover.

    Parameters
    ----------
    groups : tuple of LineGroup
        Groups of one element.
    instrument : Instrument
        Tube, angles, detector.
    cover : Material
        Covering material; must not hold the element.
    own : OwnLayers
        What holds the element.
    anode : str, optional
        Anode, where the instrument does not name it.
    table_error : float
        Factor on the errors of tabulated strengths.
    secondary : bool
        Whether lines of cover and own layer that excite the element are followed. K lines
        alone are left as they are: all of them gain the same.

    Returns
    -------
    CoverModel
        Primary emission by the Sherman equation at every node; secondary emission as a
        factor, on a coarser grid of covers and own layers.

    Raises
    ------
    ValueError
        If a material of `own` lacks the element, or the cover holds it.
    """
    element = groups[0].element
    if element in cover.mass_fractions:
        raise ValueError(f"{cover.name} holds {element} itself and cannot be its cover")
    for material in own.materials:
        if element not in material.mass_fractions:
            raise ValueError(f"{material.name} holds no {element}")
    beam = excitation(instrument, anode)
    found, sigma, group_of = group_lines(groups, beam)
    at = np.array([line.energy_kev for line in found])
    sin_out = np.sin(np.radians(instrument.takeoff_deg))
    softest = float(material_attenuation(cover, at).max() / sin_out)
    areal = _cover_grid(min(SURFACE_DEPTH / softest, 2e-3))
    thickness = _own_thickness(own)
    nodes = [(m, float(t)) for m in own.materials for t in thickness]
    way_in, way_out = _ways(cover, areal, beam, at, instrument)
    counted = efficiency(at, instrument) * kept_in_peak(at, instrument)
    yields = np.empty((len(areal), len(nodes), len(groups)))
    for j, (material, t) in enumerate(nodes):
        layer = Layer.from_thickness(material, t)
        made = _own_emission(layer, beam, sigma, at, instrument) * counted[:, None]
        rates = (way_in @ made.T) * way_out
        if secondary and any(g.family != "K" for g in groups):
            rates *= 1 + _enhancement(cover, areal, layer, beam, instrument, found, own)
        for g in range(len(groups)):
            yields[:, j, g] = rates[:, group_of == g].sum(axis=1)
    weight = np.full(len(nodes), 1 / len(nodes))
    log_yield = np.log(np.maximum(yields, 1e-300))
    log_yield -= log_yield[np.searchsorted(areal, 0.0)].max()
    table = table_covariance(groups, table_error)
    return CoverModel(
        groups, cover, areal, log_yield, weight, tuple(nodes), own.thickness_um, table
    )


def _own_thickness(own: OwnLayers) -> Array:
    low, high = own.thickness_um
    if low == high:
        return np.array([low])
    low, high = low / OWN_MARGIN, high * OWN_MARGIN
    # centres of equal shares of the logarithm, so that equal weights give the stated range
    share = (np.arange(own.nodes) + 0.5) / own.nodes
    return np.asarray(low * (high / low) ** share)


def group_lines(
    groups: Sequence[LineGroup], beam: Excitation
) -> tuple[list[Line], Array, npt.NDArray[np.int64]]:
    """Lines of the groups, their cross-sections (m, n), and the group of each."""
    energy, _ = beam.all_energies()
    found: list[Line] = []
    rows: list[Array] = []
    group_of: list[int] = []
    for g, group in enumerate(groups):
        every, sigma = family_cross_sections(group.element, group.family, energy)
        wanted = set(group.lines)
        for k, line in enumerate(every):
            if line.siegbahn in wanted:
                found.append(line)
                rows.append(sigma[k])
                group_of.append(g)
    return found, np.array(rows), np.array(group_of)


def kept_in_peak(at: Array, instrument: Instrument) -> Array:
    """Share of the detected photons that stay in the full-energy peak."""
    fraction, _ = escape_lines(at, instrument.detector.material)
    return np.asarray(1 - fraction.sum(axis=0))


def _ways(
    cover: Material, areal: Array, beam: Excitation, at: Array, instrument: Instrument
) -> tuple[Array, Array]:
    """Transmission of the cover inward (c, n) and outward (c, m)."""
    energy, _ = beam.all_energies()
    sin_in = np.sin(np.radians(instrument.incidence_deg))
    sin_out = np.sin(np.radians(instrument.takeoff_deg))
    mu_in = material_attenuation(cover, energy) / sin_in
    mu_out = material_attenuation(cover, np.maximum(at, ENERGY_MIN_KEV)) / sin_out
    # soft photons excite nothing here, but a negative cover would blow them up
    depth_in = np.maximum(-areal[:, None] * mu_in, -700.0)
    return np.exp(np.minimum(depth_in, 5.0)), np.exp(-areal[:, None] * mu_out)


def _own_emission(
    layer: Layer, beam: Excitation, sigma: Array, at: Array, instrument: Instrument
) -> Array:
    """Lines from the bare own layer per exciting energy, shape (m, n)."""
    energy, photons = beam.all_energies()
    optics = Optics(Stack([layer]), instrument, energy, at)
    useful = np.flatnonzero(sigma.any(axis=0))
    made = np.zeros_like(sigma)
    seen = optics.seen_mass(0, useful, range(len(at)))
    made[:, useful] = sigma[:, useful] * photons[useful] / optics.sin_in * seen
    return made


def _enhancement(
    cover: Material,
    areal: Array,
    layer: Layer,
    beam: Excitation,
    instrument: Instrument,
    found: Sequence[Line],
    own: OwnLayers,
) -> Array:
    """Secondary over primary emission of each line, shape (c, m)."""
    ratio, coarse = _enhancement_table(cover, layer.material, own, beam, instrument, tuple(found))
    low, high = own.thickness_um
    part = 0.0 if high == low else np.log(layer.thickness_um / low) / np.log(high / low)
    place = np.clip(part, 0.0, 1.0) * (ratio.shape[0] - 1)
    first = min(int(place), ratio.shape[0] - 2) if ratio.shape[0] > 1 else 0
    second = min(first + 1, ratio.shape[0] - 1)
    at_own = ratio[first] + (place - first) * (ratio[second] - ratio[first])
    logs = np.log1p(np.maximum(areal, 0.0) * 1e3)
    return np.stack(
        [np.interp(logs, np.log1p(coarse), at_own[:, m]) for m in range(at_own.shape[1])], axis=1
    )


@lru_cache(maxsize=64)
def _enhancement_table(
    cover: Material,
    material: Material,
    own: OwnLayers,
    beam: Excitation,
    instrument: Instrument,
    found: tuple[Line, ...],
) -> tuple[Array, Array]:
    """Secondary over primary for a few own thicknesses and covers, shape (t, c, m)."""
    from xrfmap.physics.layers import layer_emission

    low, high = own.thickness_um
    steps = np.array([low]) if low == high else np.geomspace(low, high, 2)
    ratio = np.zeros((len(steps), len(_SECONDARY_MG_CM2), len(found)))
    for i, t in enumerate(steps):
        for k, mass in enumerate(_SECONDARY_MG_CM2):
            stack = Stack([Layer(cover, mass * 1e-3), Layer.from_thickness(material, float(t))])
            first = layer_emission(stack, beam, instrument, found).sum(axis=0)
            second = secondary_emission(stack, beam, instrument, found, sublayers=_SUBLAYERS)
            # deep under the cover both vanish; the ratio then no longer matters
            ratio[i, k] = np.minimum(second / np.maximum(first, 1e-300), 1.0)
    return ratio, np.array(_SECONDARY_MG_CM2)
