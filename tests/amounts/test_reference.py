"""Amounts from spectra, reference included: simulated with known truth, fitted as measured ones.

Closed forms and independent attenuation data stand in ``test_amounts.py``; here the way from
counts to figures is tested, with its refusals.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from xrfmap.amounts.reference import (
    AmountQuestion,
    ReferenceBody,
    composition_of,
    measure_amounts,
    measure_strength,
    same_instrument,
)
from xrfmap.errors import InputError
from xrfmap.maps.element_maps import fit_spectrum
from xrfmap.physics.atomic import Material
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.paints import paint, pigment
from xrfmap.physics.stack import Layer, Stack
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.simulate import expected

SCALE = EnergyScale(-0.03, 0.02)
HEAD = Instrument(anode="Rh", tube_kv=50)
STEEL = Material("steel", {"Fe": 0.70, "Cr": 0.18, "Ni": 0.12}, 7.9)
BODY = ReferenceBody(STEEL.mass_fractions, density_g_cm3=7.9)


def measured(stack, live, seed):
    """Spectrum as a point file would give it, fitted."""
    # secondary excitation makes a sixth of the iron lines of steel; and the geometry of the
    # simulation is kept, so that only the time says how many counts there are
    made = expected(stack, HEAD, SCALE, live_time_s=live, secondary=True)
    drawn = np.random.default_rng(seed).poisson(made.counts)
    data = make_scan(drawn.astype(np.uint32), live_time=live, instrument=HEAD)
    data = data.assign_attrs(SCALE.to_attrs())
    return data, fit_spectrum(data).found


@lru_cache(maxsize=1)
def strength():
    data, found = measured(Stack([Layer(STEEL, 2.0)]), 20.0, 1)
    return measure_strength(found, data, BODY, "steel.msa")


def of(amounts, element):
    return next(a for a in amounts if a.element == element)


def test_a_thin_layer_of_malachite_is_weighed():
    green = paint({"malachite": 1})
    mass = 150e-6  # g/cm2, of the dry paint
    board = Material.from_formula("C6H10O5", 0.6, "cellulose")
    data, found = measured(Stack([Layer(green, mass), Layer(board, 0.5)]), 60.0, 2)
    told = of(measure_amounts(found, data, strength(), AmountQuestion("thin"), "p01"), "Cu")
    truth = mass * green.mass_fractions["Cu"] * 1e6
    assert told.unit == "ug/cm2"
    assert told.low < truth < told.high
    # copper is not in the reference: tables of K lines count with about 3 %
    assert told.value == pytest.approx(truth, rel=0.08)


def test_fractions_of_a_thick_brass_with_and_without_a_reference():
    brass = Material("brass", {"Cu": 0.63, "Zn": 0.37}, 8.5)
    data, found = measured(Stack([Layer(brass, 2.0)]), 20.0, 3)
    for known in (None, strength()):
        told = measure_amounts(found, data, known, AmountQuestion("thick"), "p02")
        assert of(told, "Cu").low < 0.63 < of(told, "Cu").high
        assert of(told, "Cu").value == pytest.approx(0.63, abs=0.03)


def test_a_covered_element_is_refused_in_plain_words():
    white, blue = paint({"lead white": 1}), paint({"azurite": 1})
    stack = Stack([Layer.from_thickness(white, 25.0), Layer.from_thickness(blue, 3.0)])
    data, found = measured(stack, 60.0, 4)
    copper = of(measure_amounts(found, data, strength(), AmountQuestion("thin"), "p03"), "Cu")
    assert copper.value is None
    assert "its lines disagree" in copper.refused or "not thin" in copper.refused


def test_what_is_missing_is_told():
    data, found = measured(Stack([Layer(pigment("chalk"), 1e-4)]), 20.0, 5)
    with pytest.raises(InputError, match="neither a reference nor a flux"):
        measure_amounts(found, data, None, AmountQuestion("thin"), "p04")
    untimed = data.assign(live_time=np.nan)
    with pytest.raises(InputError, match="live time above 0 s"):
        measure_amounts(found, untimed, strength(), AmountQuestion("thin"), "p04")
    with pytest.raises(InputError, match="check that file and composition belong together"):
        measure_strength(found, data, ReferenceBody({"Zr": 1.0}), "wrong.msa")


def test_compositions_are_read_and_checked():
    assert composition_of("Fe 0.7, Cr 0.2, Ni 0.1") == pytest.approx(
        {"Fe": 0.7, "Cr": 0.2, "Ni": 0.1}
    )
    assert composition_of("Cu 63 %, Zn=37%") == pytest.approx({"Cu": 0.63, "Zn": 0.37})
    for bad, words in (
        ("Fe 0.7, Cr 0.2", "a sum of 0.900"),
        ("Xx 1.0", "unknown Xx"),
        ("Fe 0.5, Fe 0.5", "each element once"),
        ("iron", "each element once"),
    ):
        with pytest.raises(InputError, match=words):
            composition_of(bad)


def test_a_reference_of_another_instrument_is_refused():
    same_instrument(HEAD, Instrument(anode="Rh"), "steel.msa")
    with pytest.raises(InputError, match=r"steel.msa: tube_kv: found 40.0"):
        same_instrument(HEAD, Instrument(tube_kv=40.0), "steel.msa")
