"""Overlaps that decide cases: both partners recovered, with honest errors, or not separable.

Three looks at each pair: single pixels with shapes as in the model; summed spectra whose
line ratios, cover and scale differ from the model's start (the shapes are refined); and the
search for elements, where a partner may be missing altogether.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pytest
from line_spectra import (
    CHANNELS,
    RANGE,
    RHODIUM,
    SCALE,
    SCATTER,
    Array,
    design_of,
    information,
    model,
)

from xrfmap.fit.pixels import Design, fit_counts
from xrfmap.identification.identify import Found, base_model, identify
from xrfmap.physics.lineshape import self_convolution
from xrfmap.spectra.emitters import family_emitter, usable_families
from xrfmap.spectra.refine import refine
from xrfmap.spectra.score_test import Evidence, Judge
from xrfmap.spectra.templates import SpectrumModel

PAIRS = [  # the stronger partner first, as a case would have it
    ("Pb L", "As K"), ("Pb M", "S K"), ("Pb M", "Hg M"), ("Hg M", "S K"), ("Ba L", "Ti K"),
    ("Ti K", "Ba L"), ("Fe K", "Co K"), ("Fe K", "Mn K"), ("Mn K", "Fe K"), ("Cr K", "Mn K"),
    ("Ti K", "V K"), ("Cu K", "Zn K"), ("Zn K", "Cu K"), ("Zn K", "Au L"), ("Zn K", "Hg L"),
    ("Sn L", "Sb L"), ("Ca K", "Sn L"), ("Ca K", "Sb L"), ("K K", "Sn L"), ("Cd L", "K K"),
    ("Cd L", "Ar K"), ("Pb L", "Bi L"), ("Pb L", "Se K"), ("Hg L", "Se K"), ("pile-up", "Sr K"),
    ("Rh L Rayleigh", "Cl K"), ("K K", "Sb L"), ("Sb L", "Ca K"), ("K K", "Ar K"),
]  # fmt: skip
GROUPS = [  # three and four at once, the first the strongest
    ("Pb M", "S K", "Hg M"), ("Hg M", "S K", "Pb M"), ("Sn L", "Sb L", "Ca K", "K K"),
    ("Cd L", "K K", "Ar K"), ("Zn K", "Hg L", "Au L"), ("Pb L", "Hg L", "Se K"),
    ("Pb L", "As K", "Bi L"), ("Fe K", "Mn K", "Co K"),
]  # fmt: skip
COMPANY = {"Ca K": 600.0, "Fe K": 500.0, "Pb L": 800.0, "Pb M": 60.0}  # of a painting
NAMES = ["/".join(pair) for pair in PAIRS]


@dataclass(frozen=True, eq=False)
class Case:
    """A spectrum with two partners: model, true model, true amplitudes."""

    model: SpectrumModel
    true: SpectrumModel
    amplitude: Array

    @property
    def mean(self) -> Array:
        return self.true.matrix() @ self.amplitude

    def of(self, label: str) -> float:
        return float(self.amplitude[self.model.labels.index(label)])


def case(
    partners: tuple[str, ...],
    ratio: float,
    counts: float,
    seed: int | None = None,
    pieces: int = 9,
) -> Case:
    """Spectrum of `counts` counts, the other partners `ratio` times below the first one.

    With a seed the truth has line ratios, cover and energy scale of its own: groups of lines
    6 % (a standard deviation) off, which is what tables disagree by, and half a channel.
    """
    strong = partners[0]
    net = {**SCATTER, **COMPANY}
    families = [label for label in (*COMPANY, *partners) if label.split()[-1] in "KLM"]
    plain = model(tuple(dict.fromkeys(families)), pieces)
    if "pile-up" in partners:
        plain = replace(plain, pile_up=_pairs())
    true = plain if seed is None else _elsewhere(plain, seed)
    amplitude = np.zeros(len(plain.labels))
    net[strong] = max(net.get(strong, 0.0), 800.0)
    net |= dict.fromkeys(partners[1:], net[strong] / ratio)
    for label, value in net.items():
        amplitude[plain.labels.index(label)] = value
    amplitude[[label.startswith("continuum") for label in plain.labels]] = 0.5
    return Case(plain, true, amplitude * counts / float((true.matrix() @ amplitude).sum()))


@lru_cache(maxsize=1)
def _pairs() -> Array:
    """Shape of pile-up of calcium, iron and lead; Ca K with Pb L falls on Sr K."""
    m = model(("Ca K", "Fe K", "Pb L"))
    single = m.matrix()[:, :3] @ np.array([600.0, 500.0, 800.0])
    both = self_convolution(single, single, SCALE)
    return np.asarray(both / both.sum())


def _elsewhere(plain: SpectrumModel, seed: int) -> SpectrumModel:
    rng = np.random.default_rng(seed)
    factors, cover = {}, {}
    for e in plain.emitters:
        if e.kind == "element":
            factor = np.zeros(len(e.energies))
            for group in e.groups(float(SCALE.fwhm(e.main_energy))):
                factor[group] = rng.normal(0, 0.06)
            factors[e.label] = factor
            cover[e.label] = 0.3 + rng.normal(0, 0.2)
    scale = replace(
        SCALE,
        zero_kev=SCALE.zero_kev + rng.normal(0, 0.003),
        kev_per_channel=SCALE.kev_per_channel * (1 + rng.normal(0, 1e-4)),
        noise_kev=SCALE.noise_kev + rng.normal(0, 0.003),
    )
    return replace(plain, log_factors=factors, cover=cover, scale=scale)


# ------------------------------------------------------------------ single pixels


def pixel_repeats(found: Case, pixels: int, seed: int) -> tuple[Array, Array, Array, list[int]]:
    """Unbounded estimates, those of the ideal estimator, and bounds, for both partners."""
    bins = design_of(found.model)
    flat = Design(bins.matrix, np.arange(len(bins.matrix) + 1), bins.labels)
    mean = flat.matrix @ found.amplitude
    counts = np.random.default_rng(seed).poisson(np.broadcast_to(mean, (pixels, len(mean))))
    fit = fit_counts(counts, flat, mean)
    assert fit.converged.mean() > 0.99
    inverse = np.linalg.inv(information(flat.matrix, mean))
    ideal = found.amplitude + (counts / mean - 1) @ (flat.matrix @ inverse)
    return fit.unbounded.astype(float), ideal, np.sqrt(np.diag(inverse)), np.sqrt(fit.variance)


@pytest.mark.parametrize(
    ("ratio", "counts", "pixels"),
    [
        (10.0, 6000.0, 300),
        *(
            pytest.param(r, n, 3000, marks=pytest.mark.slow)
            for r in (1.0, 10.0, 100.0)
            for n in (1000.0, 6000.0, 30000.0)
        ),
    ],
)
@pytest.mark.parametrize("pair", [*PAIRS, *GROUPS], ids="/".join)
def test_pixels_give_all_partners_without_bias(pair, ratio, counts, pixels):
    found = case(pair, ratio, counts)
    seen, ideal, bound, stated = pixel_repeats(found, pixels, seed=7)
    for label in pair:
        k = found.model.labels.index(label)
        # the ideal estimator has exactly the true mean and the bound as variance, so that only
        # the difference from it is uncertain (control variate)
        gap = (seen[:, k] - ideal[:, k]) / bound[k]
        known = (ideal[:, k] - found.amplitude[k]) / bound[k]
        bias = gap.mean()
        spread = np.sqrt(1 + ((known + gap - bias) ** 2 - known**2).mean())
        few = found.amplitude[k] < 10 or counts < 2000
        # 0.1 standard errors is the aim; below ten true counts skewness takes its part
        assert abs(bias) < (0.15 if few else 0.1), label
        assert spread == pytest.approx(1.0, abs=0.12 if few else 0.05), label
        if found.amplitude[k] > 5 * bound[k]:
            # the error stated per pixel is the one the repeats show
            assert np.mean(stated[:, k]) / bound[k] == pytest.approx(1.0, abs=0.05), label


# ------------------------------------------------------------------ summed spectra


def judged(found: Case, seed: int) -> dict[str, Evidence]:
    """Refine shapes on a drawn spectrum and judge every component."""
    counts = np.random.default_rng(seed + 1000).poisson(found.mean).astype(float)
    refined = refine(counts, found.model)
    judge = Judge(refined)
    return {label: judge.judge(label, judge.columns(label)) for label in found.model.labels}


SUM_COUNTS = 3e6
# equal energies, groups within a family, the K-beta of a neighbour, two L groups; all are slow
KEY = {"Pb L/As K", "Ba L/Ti K", "Fe K/Co K", "Zn K/Hg L"}


@pytest.mark.parametrize(
    ("pair", "ratio"),
    [
        *((p, 10.0) for p, name in zip(PAIRS, NAMES, strict=True) if name in KEY),
        *(
            pytest.param(p, r, marks=pytest.mark.slow)
            for p in (*PAIRS, *GROUPS)
            for r in (1.0, 10.0, 100.0)
        ),
    ],
    ids=lambda value: "/".join(value) if isinstance(value, tuple) else f"{value:.0f}",
)
def test_sums_give_all_partners_though_line_ratios_differ(pair, ratio):
    pulls = []
    for seed in (1, 2):
        found = case(pair, ratio, SUM_COUNTS, seed, pieces=18)
        evidence = judged(found, seed)
        for label in pair:
            true, mine = found.of(label), evidence[label]
            pulls.append((mine.net - true) / mine.error)
            # an error so wide that it says nothing would pass any test of honesty: within 3 %
            # of the stronger partner (tables disagree by 5-10 % on a line's share)
            strong = found.of(pair[0])
            assert mine.error < max(0.05 * true, 0.03 * strong), (label, mine)
    # four standard errors: four pulls here, some hundred over all pairs
    assert np.abs(pulls).max() < 4, pulls


def test_a_step_too_far_behind_an_edge_is_found_back_from():
    # K-beta of iron beyond the K edge of manganese goes down as the exponential of six times the
    # depth: the first steps once ended where none of it was left, 580 of chi-square too high
    found = case(("Mn K", "Fe K"), 100.0, SUM_COUNTS, seed=2, pieces=18)
    refined = refine(found.mean, found.model)
    depth, error = refined.parameters["edges Fe K"]
    assert abs(depth) < 0.3
    assert error < 0.1
    # without noise: a fifth of an error is what the prior of line ratios 3 spreads off leaves
    judge = Judge(refined)
    iron = judge.judge("Fe K", judge.columns("Fe K"))
    assert abs(iron.net - found.of("Fe K")) < 0.2 * iron.error


@pytest.mark.slow
def test_errors_of_sums_are_honest_over_all_pairs():
    pulls = []
    # of the truths with seeds 5 to 9 the two that once gave vanadium beside titanium and arsenic
    # beside lead ten and four errors too little
    for pair, seed in ((p, s) for p in PAIRS for s in (5, 9)):
        found = case(pair, 10.0, SUM_COUNTS, seed=seed, pieces=18)
        evidence = judged(found, seed=seed)
        pulls += [
            (evidence[label].net - found.of(label)) / evidence[label].error
            for label in found.model.labels
            if label.split()[-1] in "KLM"
        ]
    # standard normal if errors are honest; too small if shape errors are granted too much,
    # which costs sensitivity but accuses nobody
    assert 0.5 < np.sqrt(np.mean(np.square(pulls))) < 1.25
    assert abs(np.mean(pulls)) < 0.3
    assert np.mean(np.abs(pulls) > 2) < 0.08
    # the largest of 322 standard normal numbers exceeds 4 once in fifty times
    assert np.abs(pulls).max() < 4


# ------------------------------------------------------------------ search for elements


def paint(elements: dict[str, float], counts: float, seed: int) -> Array:
    """Counts of a paint with these elements, all families as a thin layer gives them.

    The number is net counts of the strongest family; soft families lose two thirds on the
    way out of the paint. Line ratios are off as in `_elsewhere`.
    """
    everything = {"Ca": 600.0, "Fe": 500.0, **elements}
    net: dict[str, float] = {}
    for element, strongest in everything.items():
        found = [
            family_emitter(element, f, RHODIUM) for f in usable_families(element, RHODIUM, RANGE)
        ]
        known = [e for e in found if e is not None]
        most = max(e.strength for e in known)
        hard = max(e.main_energy for e in known)
        for e in known:
            lost = 1.0 if e.main_energy > 0.6 * hard or e.main_energy > 4 else 0.33
            net[e.label] = strongest * lost * e.strength / most
    plain = model(tuple(net), 18)
    true = _elsewhere(plain, seed)
    amplitude = np.zeros(len(plain.labels))
    for label, value in {**SCATTER, **net}.items():
        amplitude[plain.labels.index(label)] = value
    amplitude[[label.startswith("continuum") for label in plain.labels]] = 0.5
    mean = true.matrix() @ amplitude
    mean *= counts / mean.sum()
    return np.random.default_rng(seed).poisson(mean).astype(float)


def search(elements: dict[str, float], counts: float, seed: int) -> Found:
    spectrum = paint(elements, counts, seed)
    return identify(spectrum, base_model(spectrum, SCALE, RHODIUM, energy_range=RANGE))


PARTNERS = [
    ("Pb", "As"), ("Hg", "S"), ("Ba", "Ti"), ("Fe", "Co"), ("Fe", "Mn"), ("Cr", "Mn"),
    ("Ti", "V"), ("Cu", "Zn"), ("Zn", "Hg"), ("Sn", "Sb"), ("Ca", "Sn"), ("Cd", "K"),
    ("Pb", "Bi"), ("Pb", "Se"), ("Pb", "Sr"),
]  # fmt: skip


def verdicts(found: Found) -> dict[str, str]:
    return {e.symbol: e.verdict for e in found.elements}


def accused(found: Found, allowed: set[str]) -> set[str]:
    """Elements that are called present without being there."""
    return set(found.present) - allowed


@pytest.mark.parametrize(
    "pair",
    [
        *(p for p in PARTNERS if p in {("Pb", "As"), ("Ba", "Ti")}),
        *(pytest.param(p, marks=pytest.mark.slow) for p in PARTNERS),
    ],
    ids="/".join,
)
def test_neither_partner_is_called_present_for_the_other(pair):
    for mine, other in (pair, pair[::-1]):
        found = search({mine: 800.0}, SUM_COUNTS, seed=11)
        assert mine in found.present
        assert accused(found, {"Ca", "Fe", mine}) == set(), verdicts(found)
        told = next((e for e in found.elements if e.symbol == other), None)
        if told is not None and other not in {"Ca", "Fe"}:
            assert told.verdict in {"not detected", "not separable"}
            # the limit holds the truth, which is nothing, and is below a tenth of the partner
            limit = told.evidence.get("upper_limit", 0.0)
            assert 0 <= float(limit) < 0.1 * 800 / 3000 * SUM_COUNTS


@pytest.mark.parametrize(
    "pair",
    [
        *(p for p in PARTNERS if p == ("Fe", "Co")),
        *(pytest.param(p, marks=pytest.mark.slow) for p in PARTNERS),
    ],
    ids="/".join,
)
def test_both_partners_are_found_when_both_are_there(pair):
    found = search({pair[0]: 800.0, pair[1]: 250.0}, SUM_COUNTS, seed=12)
    told = verdicts(found)
    for element in pair:
        assert told[element] in {"present", "not separable"}, told
    assert accused(found, {"Ca", "Fe", *pair}) == set(), told


def test_channels_suffice():
    assert SCALE.energy(CHANNELS - 1) > RANGE[1]
