"""Simulated paint under a cover, fitted with known elements: for the tests of layer order."""

from __future__ import annotations

from functools import cache
from unittest.mock import patch

import numpy as np

import xrfmap.physics.layers
from xrfmap.depth.cover_choice import SOURCES
from xrfmap.depth.cover_model import OWN_THICKNESS_UM, table_covariance
from xrfmap.depth.line_groups import line_groups
from xrfmap.findings import ElementFinding
from xrfmap.identification.identify import Found, base_model
from xrfmap.physics.layers import Layer, Stack
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.material_names import paint_of
from xrfmap.physics.paints import paint
from xrfmap.settings import Instrument
from xrfmap.simulation import simulate
from xrfmap.spectra.emitters import family_emitter, usable_families
from xrfmap.spectra.refine import refine

HEAD = Instrument(anode="Rh", tube_kv=50.0)
SCALE = EnergyScale(0.0, 0.02)
GROUND = Layer.from_thickness(paint({"natural chalk": 1}, volume_share=0.6, medium="glue"), 250)
PAINTS = {
    "Hg": paint({"vermilion": 1}),
    "Cu": paint({"verdigris": 1}),
    "Sn": paint({"lead-tin yellow": 1}),
}
COVERS = {"lead white": paint({"lead white": 1}), "earth": paint({"yellow ochre": 1})}
UNSEEN = {"H", "C", "N", "O"}


def stack(element: str, own_um: float, cover: str, cover_um: float) -> Stack:
    under = Stack([Layer.from_thickness(PAINTS[element], own_um), GROUND])
    if cover_um == 0:
        return under
    return under.under(Layer.from_thickness(COVERS[cover], cover_um))


@cache
def spectrum(element: str, own_um: float, cover: str, cover_um: float, counts: float):
    """Expected counts; secondary excitation and pile-up included."""
    return simulate.spectrum(
        stack(element, own_um, cover, cover_um), HEAD, SCALE, live_time_s=counts / 3e4,
        total_counts=counts, pileup_tau_s=2e-7, secondary=True,
    )  # fmt: skip


def known(counts: np.ndarray, elements: set[str]) -> Found:
    """Model with given elements, shapes refined; what finding elements would lead to."""
    model = base_model(counts, SCALE, HEAD)
    emitters = [
        e for name in sorted(elements)
        for f in usable_families(name, HEAD, model.energy_range)
        if (e := family_emitter(name, f, HEAD)) is not None
    ]  # fmt: skip
    refined = refine(counts, model.with_emitters([*model.emitters, *emitters]))
    verdicts = tuple(
        ElementFinding(
            symbol=name, verdict="present", because="given",
            lines=[e.label for e in emitters if e.element == name],
        )
        for name in sorted({e.element for e in emitters})
    )  # fmt: skip
    return Found(
        verdicts, refined.model, refined.fit, counts, refined.parameters, refined.slopes,
        refined.spreads, "Rh",
    )  # fmt: skip


@cache
def fitted(element: str, cover: str, cover_um: float, counts: float, own_um: float = 22.0) -> Found:
    """Fit of the expected spectrum of one case."""
    layers = stack(element, own_um, cover, cover_um).layers
    elements = {e for layer in layers for e in layer.material.mass_fractions} - UNSEEN
    return known(spectrum(element, own_um, cover, cover_um, counts), elements)


# ---------------------------------------------------------------- nothing known for sure


def table_factors(element: str, rng: np.random.Generator) -> dict[str, float]:
    """Factor on each tabulated line of an element, drawn from the errors granted to tables."""
    factors = {}
    emitters = [
        e for f in usable_families(element, HEAD, (1.5, 50.0))
        if (e := family_emitter(element, f, HEAD)) is not None
    ]  # fmt: skip
    groups = [g for e in emitters for g in line_groups(e, float(SCALE.fwhm(e.main_energy)))]
    wrong = rng.multivariate_normal(np.zeros(len(groups)), table_covariance(groups))
    for group, log in zip(groups, wrong, strict=True):
        factors |= dict.fromkeys(group.lines, float(np.exp(log)))
    return factors


def drawn_stack(element: str, cover: str, cover_um: float, rng: np.random.Generator) -> Stack:
    """Stack whose own layer is any that is taken for granted: paint and thickness by chance."""
    names = SOURCES[element]
    own = paint_of(names[rng.integers(len(names))])
    thick = float(np.exp(rng.uniform(*np.log(OWN_THICKNESS_UM))))
    under = Stack([Layer.from_thickness(own, thick), GROUND])
    if cover_um == 0:
        return under
    return under.under(Layer.from_thickness(COVERS[cover], cover_um))


def drawn(element: str, cover: str, cover_um: float, counts: float, seed: int) -> Found:
    """Fit of one spectrum in which everything that is not known is drawn.

    Own paint and thickness within what the table averages over, the strengths of tabulated
    lines within their errors, and the counts.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, int(cover_um), len(cover)]))
    factors = table_factors(element, rng)
    layers = drawn_stack(element, cover, cover_um, rng)
    true_section = xrfmap.physics.layers.line_cross_section

    def wrong_section(line, energy):
        right = true_section(line, energy)
        return right * factors.get(line.siegbahn, 1.0) if line.element == element else right

    with patch.object(xrfmap.physics.layers, "line_cross_section", wrong_section):
        mean = simulate.spectrum(
            layers, HEAD, SCALE, live_time_s=counts / 3e4, total_counts=counts,
            pileup_tau_s=2e-7, secondary=True,
        )  # fmt: skip
    return known(rng.poisson(mean), set(layers.elements) - UNSEEN)
