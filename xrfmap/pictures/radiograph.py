"""What an X-radiograph would show of the elements that a scan has found.

Fluorescence comes from the upper layers and saturates; a radiograph sees everything down to
the support. The two agree only where the paint that was scanned is what absorbs. So the
result is a comparison, not a measurement: its scale rests on one assumed thickness, lead
beyond the reach of its own lines is a lower bound, and what lies under it is missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.elements import atomic_number
from xrfmap.errors import InputError
from xrfmap.physics.attenuation import Material, attenuation, material_attenuation
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.paints import pigment
from xrfmap.physics.stack import Layer, Stack
from xrfmap.physics.tube import continuum
from xrfmap.settings import Instrument
from xrfmap.simulation.expectation import expected

__all__ = ["Exposure", "opacity", "simulated_radiograph"]

Array = npt.NDArray[np.float64]

LEAD_WHITE = Material.from_formula("Pb3(CO3)2(OH)2", 6.8, "lead white")  # density from memory
LEAST_Z = 22  # lighter elements weaken a radiograph of paint hardly at all
AT_ONCE = 2**16  # pixels
SATURATED = 0.95  # of the counts of endless paint, above which the mass is a lower bound
_GRID_UM = np.array([0.5, 1, 2, 4, 7, 11, 16, 22, 30, 40, 60, 90, 150, 300.0])


@dataclass(frozen=True)
class Exposure:
    """Tube and support of a radiograph.

    Attributes
    ----------
    tube_kv : float
        Tube voltage. [kV]
    anode : str
        Anode; tungsten is usual.
    support_material : str
        What the support is made of.
    support_mm : float
        Its thickness. [mm]
    lead_white_um : float
        Assumed thickness of pure lead white that gives the median lead counts. [um]
    """

    tube_kv: float = 30.0  # common practice for panels, no source
    anode: str = "W"
    support_material: str = "cellulose"
    support_mm: float = 8.0
    lead_white_um: float = 10.0  # the pigment of a usual coat, no source: the scan cannot tell


def opacity(
    masses_g_cm2: npt.ArrayLike, elements: tuple[str, ...], exposure: Exposure = Exposure()
) -> Array:
    """Weakening of the exposure by paint, behind its support.

    Parameters
    ----------
    masses_g_cm2 : array_like, shape (k, ...)
        Mass per area of each element. [g/cm2]
    elements : tuple of str
        The k symbols.
    exposure : Exposure
        Tube and support.

    Returns
    -------
    ndarray, shape (...)
        ``-log10`` of the energy that arrives over what arrives without paint; NaN where a
        mass is. [decades]

    Raises
    ------
    ValueError
        If the number of elements does not fit, or a mass is negative.
    """
    masses = np.asarray(masses_g_cm2)
    if len(masses) != len(elements):
        raise ValueError(f"{len(elements)} elements, but masses of {len(masses)}")
    if np.any(masses < 0):
        raise ValueError(f"masses must be >= 0 g/cm2, found {np.nanmin(masses):g}")
    energy = np.arange(4.0, exposure.tube_kv, 0.25)
    support = pigment(exposure.support_material)
    depth = material_attenuation(support, energy) * support.density_g_cm3 * exposure.support_mm / 10
    arriving = continuum(exposure.anode, exposure.tube_kv, energy) * energy * np.exp(-depth)
    arriving /= arriving.sum()
    table = np.array([attenuation(e, energy) for e in elements])
    if not elements:
        return np.zeros(masses.shape[1:])
    flat = masses.reshape(len(elements), -1)
    dark = np.empty(flat.shape[1])
    for k in range(0, len(dark), AT_ONCE):  # one number for each energy and pixel is too many
        left = np.exp(-(table.T @ flat[:, k : k + AT_ONCE].astype(np.float64)))
        dark[k : k + AT_ONCE] = -np.log10(arriving @ left)
    return dark.reshape(masses.shape[1:])


def simulated_radiograph(
    maps: xr.Dataset,
    instrument: Instrument,
    exposure: Exposure = Exposure(),
) -> xr.Dataset:
    """Radiograph that the scanned elements would give.

    Parameters
    ----------
    maps : Dataset
        ``net_counts`` over line, y, x; the energy scale in its attributes is used if there.
    instrument : Instrument
        Tube and geometry of the scan.
    exposure : Exposure
        Tube and support of the radiograph, and the one assumption on thickness.

    Returns
    -------
    Dataset
        Over y, x: ``opacity`` [decades], NaN where a pixel was not measured, and
        ``lower_bound`` (lead near saturation). Over element, y, x: ``mass`` [g/cm2].
        Attribute ``assumption``: the words that belong below it.

    Raises
    ------
    InputError
        If the maps hold no lead, which sets the scale.
    """
    lines = _best_lines(maps, {instrument.anode, instrument.filter_material})
    if "Pb" not in lines:
        raise InputError(
            "maps", "line", found=", ".join(lines) or "no heavy element", expected="lead",
            remedy="without lead there is nothing that sets the scale of a radiograph",
        )  # fmt: skip
    thin = {
        e: _counts(Material(e, {e: 1.0}, 1.0), 1e-6, label, instrument)
        for e, label in lines.items()
        if e != "Pb"
    }
    elements = ("Pb", *(e for e, counts in thin.items() if counts > 0))
    masses = np.empty((len(elements), maps.sizes["y"], maps.sizes["x"]), np.float32)
    lead = np.asarray(maps["net_counts"].sel(line=lines["Pb"]).values, dtype=np.float64)
    masses[0], bound, strength = _lead(lead, lines["Pb"], instrument, exposure)
    for k, element in enumerate(elements[1:], 1):  # one map at a time: all would fill the memory
        values = maps["net_counts"].sel(line=lines[element]).values
        masses[k] = np.maximum(values, 0.0) / (strength * thin[element] / 1e-6)
    dark = opacity(masses, elements, exposure)
    words = (
        f"Simulated for a tube with {exposure.anode} anode at {exposure.tube_kv:g} kV, and a "
        f"support of {exposure.support_mm:g} mm of {exposure.support_material}. The scan does not "
        "tell how thick the paint is: the median of the lead counts is taken to be "
        f"{exposure.lead_white_um:g} µm of lead white, and the other elements to lie in thin "
        "layers at the surface. Where there is more lead than its lines can show "
        f"({100 * float(np.mean(bound)):.0f} % of the pixels), the least that there must be is "
        "taken; what lies deeper is missing."
    )
    return xr.Dataset(
        {
            "opacity": (("y", "x"), dark, {"units": "decades"}),
            "lower_bound": (("y", "x"), bound),
            "mass": (("element", "y", "x"), masses, {"units": "g/cm2"}),
        },
        coords={"element": list(elements), "y": maps["y"], "x": maps["x"]},
        attrs={"assumption": words},
    )


def _best_lines(maps: xr.Dataset, of_the_tube: set[str | None]) -> dict[str, str]:
    """Family with the most counts of each element heavy enough; M lines come from the skin."""
    best: dict[str, tuple[float, str]] = {}
    for label in (str(v) for v in maps["line"].values):
        element, family = label.split()
        if atomic_number(element) < LEAST_Z or family == "M" or element in of_the_tube:
            continue
        total = float(np.nansum(maps["net_counts"].sel(line=label).values))
        best[element] = max(best.get(element, (0.0, "")), (total, label))
    return {element: label for element, (total, label) in best.items() if total > 0}


def _counts(material: Material, areal: float, label: str, instrument: Instrument) -> float:
    """Net counts of a family from one layer, for one unit of strength."""
    scale = EnergyScale(zero_kev=0.0, kev_per_channel=0.02, noise_kev=0.08, fano=0.115)
    families = expected(Stack([Layer(material, areal)]), instrument, scale).families
    return float(families.get(label, 0.0))


def _lead(
    counts: Array, label: str, instrument: Instrument, exposure: Exposure
) -> tuple[Array, npt.NDArray[np.bool_], float]:
    """Mass of lead, where it is a lower bound, and the strength of the scan."""
    per_um = LEAD_WHITE.density_g_cm3 * 1e-4
    curve = np.array([_counts(LEAD_WHITE, um * per_um, label, instrument) for um in _GRID_UM])
    here = counts[np.isfinite(counts) & (counts > 0)]
    strength = float(np.median(here)) / float(np.interp(exposure.lead_white_um, _GRID_UM, curve))
    share = np.maximum(np.nan_to_num(counts), 0.0) / strength
    um = np.interp(share, np.concatenate([[0.0], curve]), np.concatenate([[0.0], _GRID_UM]))
    bound = np.asarray(share > SATURATED * curve[-1])
    um = np.minimum(um, float(np.interp(SATURATED * curve[-1], curve, _GRID_UM)))
    lead = um * per_um * LEAD_WHITE.mass_fractions["Pb"]
    return np.where(np.isfinite(counts), lead, np.nan), bound, strength
