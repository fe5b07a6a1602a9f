"""What is told of a sum after elements of some pixels joined its model: by that model, once."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from xrfmap.findings import ElementFinding
from xrfmap.identification.identify import Found, elements_of_sum
from xrfmap.maps.local_elements import with_traces
from xrfmap.numbers import with_error
from xrfmap.physics.layers import Layer, Stack
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.paints import paint, pigment
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.expectation import expected

RHODIUM = Instrument(anode="Rh", tube_kv=50.0, atmosphere="air")
SCALE = EnergyScale(-0.03, 0.02)
TIN = ElementFinding(symbol="Sn", lines=["Sn K"], verdict="present", because="in some pixels")
CHALK = Layer.from_thickness(paint({"natural chalk": 1}, volume_share=0.6, medium="glue"), 200.0)
LEAD = Layer.from_thickness(paint({"lead white": 1}), 200.0)
OAK = Layer.from_thickness(pigment("cellulose"), 8000.0)


@lru_cache(maxsize=4)
def sum_without_tin(ground: Layer, time_s: float) -> tuple[Found, dict[str, float]]:
    """Sum with potassium and, for a tenth of the time, lead-tin yellow; true counts.

    As the sum alone would be read if tin were not thought of: its L lines at 3.44 and 3.66 keV
    lie beside K-beta of potassium and K-alpha of calcium.
    """
    parts = [
        expected(
            Stack([Layer.from_thickness(paint(pigments), 28.0), ground, OAK]), RHODIUM, SCALE,
            live_time_s=time, channels=2048,
        )
        for pigments, time in (
            ({"lead white": 8, "potash glass": 3}, time_s),
            ({"lead white": 4, "lead-tin yellow": 4}, 0.1 * time_s),
        )
    ]  # fmt: skip
    counts = np.random.default_rng(7).poisson(sum(p.counts for p in parts))
    scan = make_scan(counts, live_time=100.0, instrument=RHODIUM)
    scan = scan.assign_attrs(SCALE.to_attrs())
    true: dict[str, float] = {}
    for part in parts:
        for line, net in part.families.items():
            true[line] = true.get(line, 0.0) + net
    found = elements_of_sum(scan, [e for e in "Si K Ca Fe Sr Pb".split() if e in seen(true)])
    return replace(found, given=()), true


def seen(true: dict[str, float]) -> set[str]:
    """Elements there; and calcium, which tin passes for."""
    return {line.split()[0] for line in true} | {"Ca"}


def of(found: Found, symbol: str) -> ElementFinding:
    return next(e for e in found.elements if e.symbol == symbol)


def counts_of(finding: ElementFinding) -> tuple[float, float]:
    net, error = (finding.evidence[n] for n in ("net_counts", "net_counts_err"))
    assert isinstance(net, float)
    assert isinstance(error, float)
    return net, error


def as_if_sure(found: Found, symbol: str) -> Found:
    """The same sum, had its own test called an element found."""
    elements = tuple(
        e.model_copy(update={"verdict": "present", "evidence": {**e.evidence, "rival": None}})
        if e.symbol == symbol else e
        for e in found.elements
    )  # fmt: skip
    return replace(found, elements=elements)


def test_counts_are_told_by_the_model_that_holds_all_elements():
    alone, true = sum_without_tin(CHALK, 4000.0)
    found = with_traces(alone, [TIN])
    for symbol, within in (("K", 0.01), ("Ca", 0.3)):
        finding, line = of(found, symbol), f"{symbol} K"
        net, error = counts_of(finding)
        assert finding.verdict == "present"
        # within three standard errors, which are small enough to say something
        assert abs(net - true[line]) < 3 * error < 3 * within * true[line]
        # one number for one thing: words, evidence and the fit that maps and figures show
        assert f"{line} with {with_error(net, error)} net counts" in finding.because
        assert abs(net - found.fit.net(line)[0]) < error
    # the sum alone had taken tin for calcium; what it said is not said any more
    before, error = counts_of(of(alone, "Ca"))
    assert before > 2 * true["Ca K"]
    assert with_error(before, error) not in of(found, "Ca").because
    assert of(found, "Sn") == TIN
    # in their order; the anode is not named where elements are given, as they were for the sum
    assert [e.symbol for e in found.elements if e.lines] == [e.symbol for e in alone.elements]


def test_what_tin_would_have_explained_as_well_is_told_from_it():
    # longer, and the sum tells calcium from tin by itself
    alone, true = sum_without_tin(CHALK, 1600.0)
    assert of(alone, "Ca").verdict == "not separable"
    assert "Sn would explain" in of(alone, "Ca").because
    found = with_traces(alone, [TIN])
    calcium = of(found, "Ca")
    assert calcium.verdict == "present"
    assert "would explain" not in calcium.because
    assert len(set(found.model.labels)) == len(found.model.labels)
    net, error = counts_of(calcium)
    assert abs(net - true["Ca K"]) < 3 * error
    # what is kept of this for a later run leads to the same, word for word
    again = with_traces(alone, found.elements)
    assert again.elements == found.elements
    assert again.model.labels == found.model.labels


def test_an_element_that_was_tin_all_along_is_no_longer_found():
    alone, true = sum_without_tin(LEAD, 4000.0)
    assert "Ca K" not in true
    sure = as_if_sure(alone, "Ca")
    found = with_traces(sure, [TIN])
    calcium = of(found, "Ca")
    assert calcium.verdict != "present"
    assert "Ca K" not in found.model.labels
    z = of(sure, "Ca").evidence["standard_errors"]
    assert f"the {z:.0f} standard errors that the sum alone seemed to show" in calcium.because
    assert "no longer there with Sn, which some pixels hold, in the fit" in calcium.because
    limit = calcium.evidence["upper_limit"]
    assert isinstance(limit, float)
    assert limit < 0.5 * counts_of(of(alone, "Ca"))[0]
    net, error = counts_of(of(found, "K"))
    assert net == pytest.approx(true["K K"], abs=3 * error)
    # nothing that the sum could not tell from another element is said to have been sure
    unsure = with_traces(alone, [TIN])
    assert of(unsure, "Ca").verdict != "present"
    assert "seemed to show" not in of(unsure, "Ca").because


def test_an_element_found_before_stays_found_and_is_said_to_be_less_sure():
    # long enough to show a hint of calcium, too short to find it
    alone, true = sum_without_tin(CHALK, 350.0)
    found = with_traces(as_if_sure(alone, "Ca"), [TIN])
    calcium = of(found, "Ca")
    z = calcium.evidence["standard_errors"]
    assert isinstance(z, float)
    assert 3 < z < 5  # else this simulation is not of the case in question
    assert calcium.verdict == "present"
    assert "less sure than before the lines of Sn, which some pixels hold" in calcium.because
    net, error = counts_of(calcium)
    assert abs(net - true["Ca K"]) < 3 * error
    # the same counts are no discovery
    assert of(with_traces(alone, [TIN]), "Ca").verdict != "present"
