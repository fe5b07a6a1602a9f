"""Planning a scan: the chance to find an element under a cover, against dwell time.

The expected spectrum of a proposed stack is fitted as a pixel of a scan would be; from the
variances of that fit follow decision threshold and chance of detection. Whether these
chances hold is checked by simulation in the tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.special import ndtr

from xrfmap.findings import ElementFinding
from xrfmap.fit.map_design import RATIO_SPREAD, MapDesign
from xrfmap.fit.pixels import fit_counts
from xrfmap.identification.identify import Found, base_model
from xrfmap.maps.element_maps import pixel_values
from xrfmap.physics.atomic import Material, line_cross_section
from xrfmap.physics.detector import efficiency
from xrfmap.physics.layers import layer_emission
from xrfmap.physics.lineshape import EnergyScale, Response
from xrfmap.physics.stack import Layer, Stack
from xrfmap.physics.tube import excitation
from xrfmap.settings import Instrument
from xrfmap.simulation.expectation import GEOMETRY_SR2, expected
from xrfmap.spectra.emitters import Emitter, family_emitter, usable_families
from xrfmap.spectra.sum_fit import fit_sum

__all__ = [
    "CHANCE",
    "PlannedPixel",
    "needed_dwell",
    "plan_detection",
    "planned_pixel",
    "without",
]

Array = npt.NDArray[np.float64]

CHANCE = 0.95
"""Chance of detection that a plan aims at: one miss in twenty, as for detection limits."""

USUAL_SCALE = EnergyScale(0.0, 0.02)
"""20 eV per channel and 80 eV of noise: a usual drift detector (common practice, no source)."""

SUM_COUNTS = 3e6
"""Counts of the summed spectrum that the shapes are taken from."""

LEAST_SHARE = 1e-6
"""Families with less of the spectrum are left out of the fit, the wanted element excepted."""


@dataclass(frozen=True, eq=False)
class PlannedPixel:
    """One stack as a scan would see it.

    Attributes
    ----------
    plan : MapDesign
        Design of the pixel fit.
    per_second : ndarray, shape (channels,)
        Expected counts per second of live time. [counts/s]
    families : dict of str to float
        Net counts per second and family of the whole stack. [counts/s]
    """

    plan: MapDesign
    per_second: Array
    families: dict[str, float]


def without(stack: Stack, element: str) -> Stack:
    """Return the same stack with an element taken out of every layer.

    Parameters
    ----------
    stack : Stack
        The object.
    element : str
        Symbol; the rest of each layer keeps its mass per area.

    Raises
    ------
    ValueError
        If nothing is left.
    """
    layers = []
    for layer in stack.layers:
        share = layer.material.mass_fractions.get(element, 0.0)
        if share >= 1:
            continue
        rest = {e: w for e, w in layer.material.mass_fractions.items() if e != element}
        total = sum(rest.values())
        material = Material(
            layer.material.name, {e: w / total for e, w in rest.items()},
            layer.material.density_g_cm3,
        ) if share else layer.material  # fmt: skip
        layers.append(Layer(material, layer.areal_g_cm2 * (1 - share)))
    if not layers:
        raise ValueError(f"without {element} nothing is left of the stack")
    return Stack(layers)


def planned_pixel(
    stack: Stack,
    wanted: Sequence[str],
    instrument: Instrument,
    *,
    scale: EnergyScale = USUAL_SCALE,
    channels: int = 2048,
    pileup_tau_s: float = 0.0,
    geometry_sr2: float = GEOMETRY_SR2,
    response: Response | None = None,
    ratio_spread: float = RATIO_SPREAD,
) -> PlannedPixel:
    """Compute the expected spectrum of a stack, and the design by which its pixels would be fitted.

    Parameters
    ----------
    stack : Stack
        The object.
    wanted : sequence of str
        Elements whose families are in the fit however weak they are.
    instrument, scale, channels, pileup_tau_s, geometry_sr2, response
        As for :func:`xrfmap.simulation.expectation.expected`.
    ratio_spread : float
        As for :func:`xrfmap.map_elements`.
    """
    shape = response or Response()
    second = expected(
        stack, instrument, scale, live_time_s=1.0, channels=channels, pileup_tau_s=pileup_tau_s,
        geometry_sr2=geometry_sr2, response=shape, secondary=True,
    )  # fmt: skip
    counts = second.counts * (SUM_COUNTS / second.counts.sum())
    model = base_model(counts, scale, instrument)
    labels = {
        label for label, n in second.families.items() if n > LEAST_SHARE * second.counts.sum()
    }
    emitters = _emitters(stack, wanted, labels, instrument, model.energy_range)
    factors = {e.label: _true_factor(e, stack, instrument) for e in emitters}
    model = replace(
        model.with_emitters([*model.emitters, *emitters]),
        response=shape,
        cover=dict.fromkeys(factors, 0.0),
        log_factors=factors,
        compton_fwhm_kev=0.01,
    )
    names = dict.fromkeys(e.element for e in emitters)
    verdicts = tuple(
        ElementFinding(
            symbol=name, verdict="present", because="in the plan",
            lines=[e.label for e in emitters if e.element == name],
        )
        for name in names
    )  # fmt: skip
    fit = fit_sum(counts, model)
    nothing = np.zeros((len(fit.counts), 0))
    found = Found(verdicts, model, fit, counts, {}, nothing, np.zeros(0), instrument.anode)
    pixels = max(int(SUM_COUNTS / max(second.counts.sum(), 1e-9)), 1)
    plan = MapDesign.of(found, pixels=pixels, ratio_spread=ratio_spread)
    return PlannedPixel(plan, second.counts, second.families)


def _emitters(
    stack: Stack,
    wanted: Sequence[str],
    labels: set[str],
    instrument: Instrument,
    energy_range: tuple[float, float],
) -> list[Emitter]:
    found = []
    for element in sorted({*stack.elements, *wanted} - {instrument.anode or ""}):
        for family in usable_families(element, instrument, energy_range):
            emitter = family_emitter(element, family, instrument)
            needed = element in wanted or f"{element} {family}" in labels
            if emitter is not None and needed:
                found.append(emitter)
    return found


def _true_factor(emitter: Emitter, stack: Stack, instrument: Instrument) -> Array:
    """Logarithm of what the stack makes of each line of a family, against a thin layer."""
    from xrfmap.physics.atomic import lines

    beam = excitation(instrument)
    by_name = {x.siegbahn: x for x in lines(emitter.element, emitter.family)}
    which = [by_name[name] for name in emitter.lines]
    at = np.array([line.energy_kev for line in which])
    rates = layer_emission(stack, beam, instrument, which).sum(axis=0) * efficiency(at, instrument)
    if rates.max(initial=0.0) <= 0:
        return np.zeros(len(which))
    energy, photons = beam.all_energies()
    thin = np.array([line_cross_section(x, energy) @ photons for x in which])
    thin *= efficiency(at, instrument)
    logs = np.log(np.maximum(rates, 1e-12 * rates.max()) / thin)
    return np.asarray(logs - logs.max())


def chances(pixel: PlannedPixel, dwell_s: npt.ArrayLike) -> dict[str, Array]:
    """Chance of detection of each family of a planned pixel.

    Parameters
    ----------
    pixel : PlannedPixel
        From :func:`planned_pixel`.
    dwell_s : array_like, shape (t,)
        Live times, > 0. [s]

    Returns
    -------
    dict of str to ndarray, shape (t, lines)
        `chance`, and `net_counts`, `decision_threshold`, `detection_limit` [counts].

    Notes
    -----
    The fit of a pixel is Gaussian about the true net counts with the variance of its
    Fisher information, so that it passes the threshold y* with probability
    ``Phi((net - y*) / sigma)``.
    """
    dwell = np.atleast_1d(np.asarray(dwell_s, dtype=np.float64))
    if not (dwell > 0).all():
        raise ValueError(f"dwell times must be > 0 s, found {dwell.min():g}")
    counts = np.asarray(dwell[:, None] * pixel.per_second, dtype=np.float32)
    values = pixel_values(fit_counts(counts, pixel.plan.design, pixel.plan.typical), pixel.plan)
    names = pixel.plan.lines
    net = dwell[:, None] * np.array([pixel.families.get(name, 0.0) for name in names])
    threshold = values["decision_threshold"].astype(np.float64)
    sigma = np.maximum(values["net_counts_err"].astype(np.float64), 1e-9)
    return {
        "chance": ndtr((net - threshold) / sigma),
        "net_counts": net,
        "decision_threshold": threshold,
        "detection_limit": values["detection_limit"].astype(np.float64),
    }


def plan_detection(
    element: str,
    stack: Stack,
    cover: Material,
    instrument: Instrument,
    *,
    cover_um: npt.ArrayLike,
    dwell_s: npt.ArrayLike,
    **options: Any,
) -> xr.Dataset:
    """Chance to detect an element in one pixel, against cover and dwell time.

    Parameters
    ----------
    element : str
        Symbol.
    stack : Stack
        The object that holds the element, without the cover.
    cover : Material
        Material put on top.
    instrument : Instrument
        Tube, geometry, detector.
    cover_um : array_like, shape (c,)
        Thicknesses of the cover, >= 0. [um]
    dwell_s : array_like, shape (t,)
        Live times of a pixel, > 0. For an area of n pixels multiply by n. [s]
    **options
        As for :func:`planned_pixel`.

    Returns
    -------
    Dataset
        Dims ``cover, dwell, line`` over the element's families: `chance`, `net_counts`,
        `decision_threshold`, `detection_limit`; dims ``cover, dwell``: `best_chance` and
        `best_line`. Coordinates in um and s.

    Raises
    ------
    ValueError
        If the element is the anode, is not in the stack, has no lines within reach, or a
        thickness is negative.
    """
    thickness = np.atleast_1d(np.asarray(cover_um, dtype=np.float64))
    dwell = np.atleast_1d(np.asarray(dwell_s, dtype=np.float64))
    if not (thickness >= 0).all():
        raise ValueError(f"thickness of the cover must be >= 0 µm, found {thickness.min():g}")
    if element == instrument.anode:
        raise ValueError(f"{element} is the anode: its lines come from the tube as well")
    if element not in stack.elements:
        raise ValueError(f"the stack holds no {element}")
    parts = []
    for um in thickness:
        whole = stack.under(Layer.from_thickness(cover, float(um))) if um > 0 else stack
        pixel = planned_pixel(whole, (element,), instrument, **options)
        mine = [k for k, name in enumerate(pixel.plan.lines) if name.split()[0] == element]
        if not mine:
            raise ValueError(f"{element} has no lines within reach of the tube and detector")
        values = chances(pixel, dwell)
        parts.append(
            xr.Dataset(
                {n: (("dwell", "line"), v[:, mine]) for n, v in values.items()},
                coords={"line": [pixel.plan.lines[k] for k in mine]},
            )
        )
    plan = xr.concat(parts, "cover").assign_coords(
        cover=("cover", thickness, {"units": "um"}), dwell=("dwell", dwell, {"units": "s"})
    )
    best = plan["chance"].argmax("line")
    plan["best_chance"] = plan["chance"].max("line")
    plan["best_line"] = plan["line"][best].drop_vars("line")
    return plan.assign_attrs(element=element, cover_material=cover.name)


def needed_dwell(plan: xr.Dataset, chance: float = CHANCE) -> xr.DataArray:
    """Dwell time from which the chance of detection is reached.

    Parameters
    ----------
    plan : Dataset
        From :func:`plan_detection`; its dwell times rising.
    chance : float
        Wanted chance, 0 to 1.

    Returns
    -------
    DataArray
        Dim ``cover`` [s]: between two dwell times interpolated in their logarithms; the
        shortest one if that suffices; NaN if the longest does not.
    """
    logs = np.log(plan["dwell"].values)
    found = []
    for row in plan["best_chance"].transpose("cover", "dwell").values:
        enough = np.flatnonzero(row >= chance)
        if not enough.size:
            found.append(np.nan)
        elif enough[0] == 0:
            found.append(float(np.exp(logs[0])))
        else:
            k = enough[0]
            share = (chance - row[k - 1]) / (row[k] - row[k - 1])
            found.append(float(np.exp(logs[k - 1] + share * (logs[k] - logs[k - 1]))))
    return xr.DataArray(found, dims="cover", coords={"cover": plan["cover"]}, attrs={"units": "s"})
