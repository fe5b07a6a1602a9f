"""Elements that no test has found and that may yet be there are in the errors of others."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from line_spectra import RHODIUM, amplitudes, design, model
from painted import found_in

import xrfmap
from xrfmap.findings import ElementFinding
from xrfmap.fit.map_design import MapDesign
from xrfmap.identification import may_be_there as may_be
from xrfmap.identification.identify import Found, elements_of_sum
from xrfmap.identification.may_be_there import (
    ENHANCED,
    NOTED_SHARE,
    MayBe,
    may_be_there,
    owed,
    with_may_be,
)
from xrfmap.maps.element_maps import fit_spectrum
from xrfmap.physics.atomic import Material, families, lines
from xrfmap.physics.detector import efficiency
from xrfmap.physics.layers import Layer, Stack, emission
from xrfmap.physics.lineshape import EnergyScale, Response
from xrfmap.physics.paints import paint
from xrfmap.physics.tube import excitation
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.expectation import expected
from xrfmap.simulation.paintings import stacks_of
from xrfmap.spectra.emitters import family_emitter
from xrfmap.spectra.refine import Refined, refine
from xrfmap.spectra.score_test import Judge


def test_what_may_be_there_is_held_in_errors_like_a_component_with_a_prior():
    # closed form: least squares of data and of one more observation, 0 +- limit, of the hidden one
    names = ("Ca K", "Fe K", "Pb L", "Pb M")
    plain = model(names, 9)
    amplitude = amplitudes({"Pb L": 3000.0, "Pb M": 300.0, "Ca K": 500.0}, 1e6, names)
    counts = np.random.default_rng(3).poisson(plain.matrix() @ amplitude).astype(float)
    refined = refine(counts, plain, steps=2, detector_known=True)
    refined = Refined(
        refined.model, refined.fit, {}, np.zeros((len(refined.fit.counts), 0)), np.zeros(0)
    )
    hidden = model(("S K",), 9).emitters[0]
    fit = refined.fit
    column = Judge(refined).column_of(plain.column(hidden))
    active = fit.amplitude > 0
    for limit in (30.0, 3000.0):
        judge = Judge(with_may_be(refined, [MayBe(hidden, 0.0, limit / 1.645)]))
        mine = judge.judge("Pb M", judge.columns("Pb M"))
        matrix = np.column_stack([fit.matrix[:, active], column])
        info = (matrix / fit.variance[:, None]).T @ matrix
        info[-1, -1] += 1 / limit**2
        covariance = np.linalg.inv(info)
        best = covariance @ (matrix / fit.variance[:, None]).T @ fit.counts
        k = [name for name, a in zip(fit.labels, active, strict=True) if a].index("Pb M")
        assert mine.net == pytest.approx(best[k], rel=1e-6)
        assert mine.error == pytest.approx(np.sqrt(covariance[k, k]), rel=1e-6)
    # an element that is well excluded costs nothing
    alone = Judge(refined).judge("Pb M", judge.columns("Pb M")).error
    tight = Judge(with_may_be(refined, [MayBe(hidden, 0.0, 0.1 * alone / 1.645)]))
    assert tight.judge("Pb M", judge.columns("Pb M")).error < 1.01 * alone


def test_share_owed_is_the_whole_of_a_family_of_the_same_shape():
    # closed form: what has the very shape of a line goes to it, count for count
    bins = design(("Ca K", "Fe K"))
    net = np.array([400.0, 100.0])
    typical = bins.matrix[:, :2] @ net + bins.matrix[:, 2:].sum(axis=1)
    same = bins.matrix[:, [1]]
    share = owed(bins.matrix, typical, net, same, np.array([20.0]))
    assert share[1, 0] == pytest.approx(0.2, rel=1e-6)
    assert share[0, 0] == pytest.approx(0.0, abs=1e-9)
    # and never more than all of it
    assert owed(bins.matrix, typical, net, same, np.array([1e6]))[1, 0] == 1.0


def test_each_family_is_tested_by_itself_and_soft_ones_by_harder_ones_too():
    names = ("Ca K", "Pb L", "Pb M")
    plain = model(names, 9)
    amplitude = amplitudes({"Pb L": 3000.0, "Pb M": 300.0, "Ca K": 5000.0}, 1e6, names)
    counts = np.random.default_rng(3).poisson(plain.matrix() @ amplitude).astype(float)
    refined = refine(counts, plain, steps=2, detector_known=True)

    def told(symbol, line, net, verdict="not detected"):
        numbers = {"net_counts": net, "net_counts_err": 50.0, "upper_limit": max(net, 0) + 82.0}
        return ElementFinding(
            symbol=symbol, lines=[line], verdict=verdict, because="", evidence=numbers
        )

    elements = (
        told("Sb", "Sb K", 10.0), told("Y", "Y K", 10.0), told("Nb", "Nb K", 130.0),
        told("Pb", "Pb L", 9e4, "present"),
    )  # fmt: skip
    found = Found(
        elements, refined.model, refined.fit, counts, refined.parameters, refined.slopes,
        refined.spreads, "Rh",
    )  # fmt: skip
    by = {f.emitter.label: f for f in may_be_there(found)}
    # yttrium is rare and not hinted at, niobium is hinted at, lead is in the model
    assert {e.split()[0] for e in by} == {"Sb", "Nb"}
    assert by["Nb K"].seen
    assert not by["Sb K"].seen
    judge = Judge(refined)
    hard, soft = (
        judge.judge(label, judge.column_of(plain.column(by[label].emitter)))
        for label in ("Sb K", "Sb L")
    )
    # the hard family by nothing but its own test, whatever was told of the soft one
    assert by["Sb K"].net == pytest.approx(hard.net)
    assert by["Sb K"].error == pytest.approx(hard.error)
    assert by["Sb K"].limit == pytest.approx(max(hard.net, 0.0) + 1.645 * hard.error)
    assert by["Sb K"].spread == pytest.approx(np.hypot(max(hard.net, 0.0), hard.error))
    # the soft one by the smaller error: its own, or the hard one's by the ratio of a thin layer
    ratio = ENHANCED * by["Sb L"].emitter.strength / by["Sb K"].emitter.strength
    assert by["Sb L"].error == pytest.approx(min(soft.error, ratio * hard.error))


def test_a_guessed_tube_voltage_bounds_no_soft_family_by_a_hard_one():
    names = ("Ca K", "Pb L", "Pb M")
    plain = model(names, 9)
    amplitude = amplitudes({"Pb L": 3000.0, "Pb M": 300.0, "Ca K": 5000.0}, 1e6, names)
    counts = np.random.default_rng(3).poisson(plain.matrix() @ amplitude).astype(float)
    refined = refine(counts, plain, steps=2, detector_known=True)
    emitters = [family_emitter("Ba", f, RHODIUM) for f in ("K", "L")]
    judge = Judge(refined)
    hard, soft = (judge.judge(e.label, judge.column_of(plain.column(e))) for e in emitters)
    # as if the soft family were hardly to be told from the rest, so that the bound would be used
    weak = replace(emitters[1], strength=0.1 * soft.error / hard.error * emitters[0].strength)
    for tube_kv, wanted in ((50.0, ENHANCED * 0.1 * soft.error), (None, soft.error)):
        tube = RHODIUM.model_copy(update={"tube_kv": tube_kv})
        known = replace(refined, model=replace(refined.model, instrument=tube))
        told = may_be.tested(known, [emitters[0], weak])
        assert told[0].error == pytest.approx(hard.error, rel=1e-6)
        assert told[1].error == pytest.approx(wanted, rel=1e-6)


def rates(stack, tube, element):
    """Detected photons of each family of an element, with those that other lines excite."""
    lines_of = [line for family in families(element) for line in lines(element, family)]
    total = {}
    for line, rate in emission(stack, excitation(tube), tube, lines_of, secondary=True):
        seen = rate * float(efficiency(np.array([line.energy_kev]), tube)[0])
        total[line.family] = total.get(line.family, 0.0) + seen
    return total


@pytest.mark.parametrize(
    ("anode", "element", "soft", "hard", "below"),
    [
        ("Rh", "Ba", "L", "K", "haematite"),
        ("W", "Ba", "L", "K", "haematite"),
        pytest.param("W", "Sn", "L", "K", "haematite", marks=pytest.mark.slow),
        pytest.param("Rh", "Sb", "L", "K", "titanium white", marks=pytest.mark.slow),
        pytest.param("W", "Bi", "M", "L", "haematite", marks=pytest.mark.slow),
        pytest.param("Rh", "Hg", "M", "L", "chalk", marks=pytest.mark.slow),
    ],
)
def test_no_paint_raises_a_soft_family_further_above_a_hard_one(anode, element, soft, hard, below):
    # Sherman's equation with secondary excitation, of which the strengths know nothing
    tube = Instrument(anode=anode, tube_kv=50.0)
    thin = family_emitter(element, soft, tube).strength
    thin /= family_emitter(element, hard, tube).strength
    film = Layer(Material(element, {element: 1.0}, 1.0), 1e-6)
    thick = Layer.from_thickness(paint({below: 1}), 300)

    def ratio(*layers):
        seen = rates(Stack(layers), tube, element)
        return seen[soft] / seen[hard] / thin

    on, bare = ratio(film, thick), ratio(film)
    # alone it is a thin layer: of film and tables nothing but rounding is left
    assert bare == pytest.approx(1.0, rel=0.01)
    assert on < ENHANCED
    if (element, anode) == ("Ba", "W"):
        assert on > 1.3  # the factor is needed
    # below paint little of it is left
    assert ratio(Layer.from_thickness(paint({below: 1}), 60), film) < 0.2


SCALE = EnergyScale(-0.03, 0.02)
COVERED = Stack([
    Layer.from_thickness(paint({"zinc white": 1}), 30),
    Layer.from_thickness(paint({"lead antimonate": 1, "zinc white": 40}), 20),
    Layer.from_thickness(paint({"chalk": 1}, medium="glue"), 400),
])  # fmt: skip
"""Yellow with some lead antimonate below zinc white."""


@pytest.mark.parametrize(
    "seeds", [(2, 3), pytest.param(tuple(range(3, 23)), marks=pytest.mark.slow)], ids=len
)
def test_antimony_below_a_cover_has_the_k_lines_that_its_own_test_allows(seeds):
    mean = expected(
        COVERED, RHODIUM, SCALE, live_time_s=100.0, total_counts=1e6, channels=2048,
        response=Response(0.01, 0.2, 0.002),
    )  # fmt: skip
    held, by_thin, hinted = [], [], 0
    for seed in seeds:
        counts = np.random.default_rng(seed).poisson(mean.counts)
        point = make_scan(counts, live_time=100.0, instrument=RHODIUM)
        found = elements_of_sum(point.assign_attrs(SCALE.to_attrs()))
        told = next(e for e in found.elements if e.symbol == "Sb")
        if told.verdict == "present":
            continue
        by = {m.emitter.label: m for m in may_be_there(found)}
        hard = by["Sb K"].net / by["Sb K"].error
        if hard >= 3:  # then the K lines say more than any limit, and are told
            assert told.lines == ["Sb K"]
            assert told.evidence["net_counts"] == pytest.approx(by["Sb K"].net)
            assert f"{hard:.1f} standard errors of the 5 that are asked for" in told.because
            assert by["Sb K"].seen
            assert by["Sb L"].seen
            hinted += 1
        else:
            assert told.lines == ["Sb L"]  # of a thin layer they would tell more
            assert "asked for" not in told.because
            ratio = by["Sb K"].emitter.strength / by["Sb L"].emitter.strength
            by_thin.append(ratio * told.evidence["upper_limit"])
        held.append([by[label].limit >= mean.families[label] for label in ("Sb K", "Sb L")])
        # the limit says something: five errors would be needed to find it
        assert by["Sb K"].limit < 10 * by["Sb K"].error
    assert len(held) >= len(seeds) / 2
    assert by_thin
    assert hinted
    # the ratio of a thin layer allows 2 to 4 counts of K lines, where there are 81
    assert max(by_thin) < 0.1 * mean.families["Sb K"]
    # 95 % hold the truth, less three binomial errors
    share = np.mean(held, axis=0)
    assert (share >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(held))).all()


@pytest.mark.parametrize(
    ("family", "hidden", "told"),
    [
        ("Pb M", "S K", True),
        ("Pb L", "As K", True),
        ("K K", "Cd L", True),
        ("Sn K", "Cd K", False),  # K-beta of cadmium, 26.1 keV, is three widths from tin, 25.3
        ("Sn K", "Br K", False),  # 12 keV
        ("Fe K", "Zn K", False),
    ],
)
def test_a_family_is_told_to_be_another_only_where_their_lines_meet(family, hidden, told):
    plain = model((family, hidden), 9)
    one, other = (next(e for e in plain.emitters if e.label == x) for x in (family, hidden))
    assert may_be._overlap(plain, one, other) == told


def test_findings_and_maps_tell_the_share_that_another_element_may_have():
    found = found_in("northern panel")
    sulfur = next(e for e in found.elements if e.symbol == "S")
    assert sulfur.verdict != "present"
    assert "% of Hg M may be S K" in sulfur.because
    plan = MapDesign.of(found, pixels=256)
    share = dict(zip(plan.lines, plan.owed, strict=True))
    assert 0.05 < share["Hg M"] < 0.3
    # what others hardly touch keeps its precision
    assert max(share[line] for line in ("Pb L", "Hg L", "Ca K", "Fe K", "Cu K")) < 0.01


@pytest.mark.parametrize(
    "seeds", [(11,), pytest.param(tuple(range(11, 23)), marks=pytest.mark.slow)], ids=len
)
def test_lead_is_honest_where_too_few_counts_show_the_sulfur_beside_it(seeds):
    # an oil ground with lead white, barite and chalk: S K has an eighth of the counts of Pb M
    ground = expected(
        stacks_of("nineteenth century")[0], RHODIUM, SCALE, live_time_s=200.0, total_counts=5e4,
        channels=2048, response=Response(0.01, 0.2, 0.002),
    )  # fmt: skip
    true, plain, held = ground.families["Pb M"], [], []
    for seed in seeds:
        counts = np.random.default_rng(seed).poisson(ground.counts)
        point = make_scan(counts, live_time=200.0, instrument=RHODIUM)
        fit = fit_spectrum(point.assign_attrs(SCALE.to_attrs()))
        found, mine = fit.found, fit.table.sel(line="Pb M")
        if "S" in found.present:
            continue
        held.append((float(mine["net_counts"]) - true) / float(mine["net_counts_err"]))
        judge = Judge(
            Refined(found.model, found.fit, found.parameters, found.slopes, found.spreads)
        )
        alone = judge.judge("Pb M", judge.columns("Pb M"))
        plain.append((alone.net - true) / alone.error)
        # the error says something: it is less than the sulfur that may be there
        assert mine["net_counts_err"] < 0.08 * true
    assert len(held) >= len(seeds) / 2
    # by itself lead takes the sulfur's counts; two errors: one is chance, as much again what a
    # prior about nothing holds back of the sulfur
    assert np.sqrt(np.mean(np.square(plain))) > 3
    assert np.sqrt(np.mean(np.square(held))) < 2


def test_the_page_on_findings_says_from_which_share_on_it_is_said():
    page = Path(xrfmap.__file__).parent / "docs" / "reading-findings.md"
    assert f"It is said from {100 * NOTED_SHARE:.0f} % on." in page.read_text(encoding="utf-8")
