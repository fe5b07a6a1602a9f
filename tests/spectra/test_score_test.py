"""Evidence for one component inside the full model: closed forms and repeats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from line_spectra import PAINT, SCATTER, Array, model

from xrfmap.spectra.emitters import family_emitter
from xrfmap.spectra.refine import Refined, refine
from xrfmap.spectra.score_test import Evidence, Judge
from xrfmap.spectra.sum_fit import fit_sum
from xrfmap.spectra.templates import SpectrumModel

FAMILIES = ("Ca K", "Fe K", "Cu K", "Hg L", "Hg M", "Pb L", "Pb M")
NO_ERROR = 1e-9


def spectra() -> SpectrumModel:
    return model(FAMILIES, 12)


def mean_of(total: float, extra: dict[str, float] | None = None) -> Array:
    wide = model((*FAMILIES, "As K", "Co K", "Sr K"), 12)
    net = {**SCATTER, **PAINT, **(extra or {})}
    amplitude = np.array([net.get(label, 0.0) for label in wide.labels])
    amplitude[[label.startswith("continuum") for label in wide.labels]] = 0.5
    mean = wide.matrix() @ amplitude
    return np.asarray(mean * total / mean.sum())


def known(counts: Array, model_error: float = NO_ERROR) -> Refined:
    """Fit with shapes that are taken as known."""
    fit = fit_sum(counts, spectra(), model_error=model_error)
    return Refined(spectra(), fit, {}, np.zeros((len(fit.counts), 0)), np.zeros(0))


def column(judge: Judge, label: str) -> Array:
    emitter = family_emitter(*label.split(), spectra().instrument)
    assert emitter is not None
    return judge.column_of(spectra().column(emitter))


@pytest.fixture(scope="module")
def counts() -> Array:
    return np.random.default_rng(1).poisson(mean_of(1e6)).astype(float)


@pytest.mark.parametrize("label", ["As K", "Co K", "Sr K"])
def test_estimate_is_the_weighted_least_squares_one(counts, label):
    # textbook: the candidate appended to all columns that the fit did not put to zero
    refined = known(counts)
    judge = Judge(refined)
    mine = judge.judge(label, column(judge, label))
    fit = refined.fit
    free = fit.matrix[:, fit.amplitude > 0]
    full = np.column_stack([free, column(judge, label)]) / np.sqrt(fit.variance)[:, None]
    data = fit.counts / np.sqrt(fit.variance)
    covariance = np.linalg.inv(full.T @ full)
    # the inverse of columns that overlap by 0.9999 keeps some nine digits
    assert mine.net == pytest.approx(float((covariance @ full.T @ data)[-1]), rel=1e-5, abs=1e-3)
    assert mine.error == pytest.approx(float(np.sqrt(covariance[-1, -1])), rel=1e-5)
    assert mine.alone == pytest.approx(1 / np.linalg.norm(full[:, -1]), rel=1e-9)
    assert mine.inflation >= 1
    assert mine.z == mine.net / mine.error


@pytest.mark.slow
def test_absent_component_scores_like_a_standard_normal():
    mean = mean_of(2e5)
    rng = np.random.default_rng(2)
    z = []
    for _ in range(150):
        judge = Judge(known(rng.poisson(mean).astype(float)))
        labels = ["As K", "Co K", "Sr K"]
        columns = np.column_stack([column(judge, label) for label in labels])
        z.append([e.z for e in judge.judge_many(labels, columns)])
    scores = np.array(z)
    # 150 repeats: mean within 3 x 0.08, standard deviation within 3 x 0.06; merging and Compton
    # errors, which are granted, make it smaller than one
    assert np.abs(scores.mean(axis=0)).max() < 0.25
    assert scores.std(axis=0).max() < 1.18
    assert scores.std(axis=0).min() > 0.6


@pytest.mark.parametrize("net", [20.0, 100.0])
def test_present_component_is_recovered(net):
    total = 1e6
    mean = mean_of(total, {"As K": net})
    wide = mean_of(total)
    true = net * total / (sum({**SCATTER, **PAINT}.values()) + net)
    counts = np.random.default_rng(3).poisson(mean).astype(float)
    judge = Judge(known(counts))
    mine = judge.judge("As K", column(judge, "As K"))
    # the continuum takes 10 % of the counts or so: the true number only to that
    true *= wide.sum() / total * mean_of(total)[0:].sum() / total
    assert mine.net == pytest.approx(true, rel=0.15, abs=4 * mine.error)
    assert mine.competitor == "Pb L"
    assert mine.overlap > 0.3


def test_judging_many_is_judging_each(counts):
    judge = Judge(known(counts))
    labels = ["As K", "Co K", "Sr K"]
    columns = np.column_stack([column(judge, label) for label in labels])
    together = judge.judge_many(labels, columns)
    for k, label in enumerate(labels):
        alone = judge.judge(label, columns[:, k])
        # several names leave the same components out: none is in the model
        assert together[k].net == pytest.approx(alone.net, rel=1e-9)
        assert together[k].error == pytest.approx(alone.error, rel=1e-9)


def test_component_of_the_model_is_judged_as_if_it_were_new(counts):
    judge = Judge(known(counts))
    mine = judge.judge("Cu K", judge.columns("Cu K"))
    net, error = known(counts).fit.net("Cu K")
    # other components that were put to zero stay out: a small difference in the error
    assert mine.net == pytest.approx(net, rel=1e-3)
    assert mine.error == pytest.approx(error, rel=0.05)


def test_without_a_rival_its_counts_speak_for_the_candidate(counts):
    judge = Judge(known(counts))
    arsenic = column(judge, "As K")
    beside = judge.judge("As K", arsenic)
    instead = judge.judge("As K", arsenic, without=("Pb L",))
    assert abs(beside.z) < 4
    assert instead.z > 100
    assert instead.error < beside.error


def test_uncertain_shapes_of_a_neighbour_widen_the_error(counts):
    sure = Judge(known(counts))
    arsenic = column(sure, "As K")
    fit = known(counts).fit
    lead = spectra().labels.index("Pb L")
    emitter = next(e for e in spectra().emitters if e.label == "Pb L")
    moved = replace(spectra(), cover={"Pb L": 0.8})
    slope = (
        (sure.column_of(moved.column(emitter)) - fit.matrix[:, lead]) / 0.5 * fit.amplitude[lead]
    )
    errors = [sure.judge("As K", arsenic).error]
    for spread in (0.05, 0.5):
        judge = Judge(Refined(spectra(), fit, {}, slope[:, None], np.array([spread])))
        errors.append(judge.judge("As K", arsenic).error)
    assert errors[0] < errors[1] < errors[2]
    # the limit of a very uncertain ratio: a free column more
    free = np.column_stack([fit.matrix[:, fit.amplitude > 0], slope, arsenic])
    free = free / np.linalg.norm(free, axis=0) / np.sqrt(fit.variance)[:, None]
    norm = np.linalg.norm(arsenic)
    exact = np.sqrt(np.linalg.inv(free.T @ free)[-1, -1]) / norm
    judge = Judge(Refined(spectra(), fit, {}, slope[:, None], np.array([1e4])))
    assert judge.judge("As K", arsenic).error == pytest.approx(exact, rel=1e-3)


def test_refined_spectrum_does_not_invent_a_partner(counts):
    judge = Judge(refine(counts, spectra()))
    for label in ("As K", "Co K", "Sr K"):
        assert abs(judge.judge(label, column(judge, label)).z) < 4


def test_likeness_is_a_cosine(counts):
    judge = Judge(known(counts))
    lead, iron = judge.columns("Pb L"), judge.columns("Fe K")
    cosine = judge.likeness(lead, np.column_stack([lead, 3 * lead, iron]))
    assert cosine[:2] == pytest.approx(1.0)
    assert cosine[2] < 0.05


def test_evidence_without_competitor():
    lone = Evidence("Fe K", 30.0, 10.0, 8.0, None, 0.0)
    assert (lone.z, lone.inflation) == (3.0, 1.25)
