"""Parameters of shapes: what is asked of a spectrum, and how they act on the model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xraylib
from line_spectra import Array, model

from xrfmap.spectra.refine import refine
from xrfmap.spectra.shape_knobs import ABSORBER, LEAST_MASS, Knob, knobs_of
from xrfmap.spectra.shape_slopes import slopes_of
from xrfmap.spectra.sum_fit import fit_sum, merge
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
    return {k.name.split()[1]: k for k in knobs if k.name.startswith(ABSORBER)}


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


def test_slopes_of_absorbers_are_those_of_all_that_moves_with_them():
    net = {"Pb L": 3e6, "Hg L": 6e5, "Fe K": 1.5e6}
    knobs = [
        k for k in knobs_of(counts_of(net), spectra(), detector_known=True)
        if k.name.startswith(ABSORBER) or k.name == "paint film"
    ]  # fmt: skip
    theta = np.array([0.1 if k.name == "absorber Pb" else k.start + 0.3 for k in knobs])
    assert {k.name for k in knobs} >= {"absorber Pb", "absorber Hg beside Pb", "paint film"}

    def applied(values: Array) -> SpectrumModel:
        of = spectra()
        for knob, value in zip(knobs, values, strict=True):
            of = knob.act(of, float(value))
        return of

    fit = fit_sum(counts_of(net), applied(theta))
    slopes = slopes_of(applied(theta), fit, knobs, theta)
    for k, knob in enumerate(knobs):
        by = np.zeros(len(knobs))
        by[k] = 1e-4 * max(abs(theta[k]), 0.1)
        up, down = (
            merge(applied(theta + d).matrix(), fit.edges) @ fit.amplitude for d in (by, -by)
        )
        exact = (up - down) / (2 * by[k])
        # 2 %: the slope is a difference over one step to one side, a hundredth of the parameter
        assert np.linalg.norm(slopes[:, k] - exact) < 0.02 * np.linalg.norm(exact), knob.name


def test_absorbers_found_elsewhere_are_brought_within_their_bounds():
    # lead all over the scan, and an area of iron: beside it the lead has far too much mass
    counts = counts_of({"Pb L": 4e5, "Fe K": 4e6})
    other = replace(spectra(), absorbers={"Pb": 0.15, "Fe": 0.002})
    found = refine(np.round(counts), other, steps=6, detector_known=True)
    for name, (value, _) in found.parameters.items():
        if name.startswith(ABSORBER):
            assert value <= 5
    assert found.model.absorbers["Fe"] >= LEAST_MASS
    # and the search has moved on from there, to what the counts tell within a factor of e^2
    beside = found.parameters["absorber Pb beside Fe"][0]
    assert abs(beside) < 2
