"""Parameters of shapes: what is asked of a spectrum, and how they act on the model."""

from __future__ import annotations

import numpy as np
import pytest
import xraylib
from line_spectra import Array, model

from xrfmap.spectra.shape_knobs import Knob, knobs_of
from xrfmap.spectra.templates import SpectrumModel

FAMILIES = ("Ca K", "Fe K", "Hg L", "Pb L")


def spectra() -> SpectrumModel:
    return model(FAMILIES, 12)


def counts_of(net: dict[str, float]) -> Array:
    amplitude = np.array([net.get(label, 0.0) for label in spectra().labels])
    amplitude[[label.startswith("continuum") for label in spectra().labels]] = 2e4
    return np.asarray(spectra().matrix() @ amplitude)


def absorbers_of(counts: Array, of: SpectrumModel) -> dict[str, Knob]:
    knobs = knobs_of(counts, of, detector_known=True)
    return {k.name.removeprefix("absorber "): k for k in knobs if k.name.startswith("absorber ")}


def with_usual(of: SpectrumModel, knobs: dict[str, Knob]) -> SpectrumModel:
    for knob in knobs.values():
        of = knob.act(of, knob.start)
    return of


def test_absorbers_beside_the_strongest_have_the_masses_that_their_counts_tell():
    counts = counts_of({"Pb L": 3e6, "Hg L": 6e5, "Fe K": 1e5, "Ca K": 1e5})
    knobs = absorbers_of(counts, spectra())
    assert list(knobs)[:2] == ["Pb", "Hg"]
    usual = with_usual(spectra(), knobs).absorbers
    # counts of a thin layer go with photoionisation and yield of the L3 shell, nearly the same for
    # neighbours in the periodic system: at 20 keV, numbers of xraylib 4 (its L-alpha alone)
    per_mass = [xraylib.CS_FluorLine_Kissel(z, xraylib.LA1_LINE, 20.0) for z in (82, 80)]
    # a fifth: the whole tube spectrum excites, and air and window take their part of each
    assert usual["Hg"] / usual["Pb"] == pytest.approx(0.2 * per_mass[0] / per_mass[1], rel=0.2)


def test_what_was_found_of_absorbers_is_where_the_next_search_begins():
    counts = counts_of({"Pb L": 3e6, "Hg L": 6e5})
    first = absorbers_of(counts, spectra())
    found = first["Hg"].act(first["Pb"].act(spectra(), 0.02), 0.7)
    again = absorbers_of(counts, found)
    assert again["Pb"].now == pytest.approx(0.02)
    assert again["Hg"].now == pytest.approx(0.7, abs=0.02)  # counts are fitted with other edges
    assert again["Hg"].act(found, again["Hg"].now).absorbers["Hg"] == pytest.approx(
        found.absorbers["Hg"]
    )


def test_an_absorber_of_no_mass_leaves_none_to_the_others():
    counts = counts_of({"Pb L": 3e6, "Hg L": 6e5})
    nothing = absorbers_of(counts, spectra())["Pb"].act(spectra(), 0.0)
    again = absorbers_of(counts, nothing)
    assert again["Hg"].now is None
    assert again["Hg"].act(nothing, 0.0).absorbers["Hg"] == 0.0
