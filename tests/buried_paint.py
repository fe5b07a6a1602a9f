"""Simulated paint under a cover, fitted with known elements: for the tests of layer order."""

from __future__ import annotations

from functools import cache

import numpy as np

from xrfmap import simulate
from xrfmap.findings import ElementFinding
from xrfmap.identify import Found, base_model
from xrfmap.layers import Layer, Stack
from xrfmap.lineshape import EnergyScale
from xrfmap.paints import paint
from xrfmap.refine import refine
from xrfmap.settings import Instrument
from xrfmap.templates import family_emitter, usable_families

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
