"""Residuals of summed spectra at strong lines: told where they are, and only there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from line_spectra import RANGE, SCALE, amplitudes, model
from painted import found_in

from xrfmap.spectra.residuals import LIMIT, MANY, line_residuals, residual_words, too_large
from xrfmap.spectra.sum_fit import fit_sum

FAMILIES = ("Ca K", "Fe K", "Pb L", "Pb M")
NET = {"Ca K": 6e5, "Fe K": 9e5, "Pb L": 4e6, "Pb M": 2e5}


def spectrum(true, seed=3):
    mean = true.matrix() @ amplitudes(NET, families=FAMILIES)
    return np.random.default_rng(seed).poisson(mean).astype(float)


def test_a_right_model_leaves_nothing_at_any_strong_line():
    right = model(FAMILIES)
    found = line_residuals(right, fit_sum(spectrum(right), right))
    names = [one.line for one in found]
    # K-alpha of calcium and iron, L-alpha and L-beta of lead, and M of lead
    assert {n.split()[0] for n in names} == {"Ca", "Fe", "Pb"}
    assert all(one.net_counts > MANY for one in found)
    assert max(abs(one.residual) for one in found) < 0.01
    assert "stay below 3 %" in residual_words(found)


def test_a_line_off_its_place_is_told_with_place_and_size():
    right = model(FAMILIES)
    iron = right.emitters[1]
    # 8 eV where a peak is 150 eV wide (FWHM): the difference of two
    # Gaussians of sigma s at distance d is about d z / s of the local counts at z sigma:
    # 8 / 64 * 2.3 = 0.3 one peak width from the middle, less where continuum adds
    moved = replace(iron, energies=iron.energies + 0.008)
    true = right.with_emitters([moved if e is iron else e for e in right.emitters])
    found = line_residuals(right, fit_sum(spectrum(true), right, model_error=0.004))
    bad = too_large(found)
    assert bad[0].line.startswith("Fe K")
    assert 0.05 < abs(bad[0].residual) < 0.35
    assert {one.line.split()[0] for one in bad} == {"Fe"}
    words = residual_words(found)
    assert "Fe K" in words
    assert "6.40 keV" in words


def test_counting_noise_is_no_structure():
    right = model(FAMILIES)
    worst = [
        max(abs(o.residual) for o in line_residuals(right, fit_sum(spectrum(right, s), right)))
        for s in range(5)
    ]
    assert max(worst) < 0.01


@pytest.mark.parametrize(
    "kind", ["northern panel", pytest.param("southern canvas", marks=pytest.mark.slow)]
)
def test_sums_of_paintings_are_described_within_the_aim_or_it_is_said(kind):
    found = found_in(kind)
    residuals = line_residuals(found.model, found.fit)
    assert residuals
    # the layers of these paintings are not those of the model, and still the aim is met
    assert max(abs(one.residual) for one in residuals) < LIMIT, residual_words(residuals)


def test_no_strong_line_is_a_sentence_of_its_own():
    weak = model(FAMILIES)
    counts = spectrum(weak) // 100
    assert line_residuals(weak, fit_sum(counts, weak)) == []
    assert "no line" in residual_words([])
    assert SCALE.energy(0) < RANGE[0]
