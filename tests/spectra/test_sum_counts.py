"""Net counts of sum spectra of unlike paintings, whose content is known."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from xrfmap.identification.identify import Found, elements_of_sum
from xrfmap.simulation.simulate import painting
from xrfmap.spectra.refine import Refined
from xrfmap.spectra.score_test import Judge

GAIN, ZERO = 0.0198, -0.043


@cache
def simulated(kind: str, anode: str = "Rh", seed: int = 3):
    sim = painting(
        kind, anode=anode, shape=(40, 40), kev_per_channel=GAIN, zero_kev=ZERO,
        channels=2048, seed=seed,
    )  # fmt: skip
    return sim.scan.assign_attrs(sim.scale.to_attrs()), sim.truth


@cache
def found_in(kind: str, anode: str = "Rh") -> Found:
    return elements_of_sum(simulated(kind, anode)[0])


def true_counts(truth) -> dict[str, float]:
    sums = truth["net_counts"].sum(("y", "x"))
    return {str(line): float(sums.sel(line=line)) for line in truth["line"].values}


KINDS_OF_PAINTING = (
    "northern panel",
    "gesso with earths",
    "southern canvas",
    "nineteenth century",
    "twentieth century",
)
KINDS = [
    pytest.param("northern panel", marks=pytest.mark.slow),
    pytest.param("gesso with earths", marks=pytest.mark.slow),
    pytest.param("nineteenth century", marks=pytest.mark.slow),
    "twentieth century",
]


@pytest.mark.parametrize("kind", KINDS)
def test_net_counts_of_the_sum_are_those_that_were_simulated(kind):
    # net counts: full-energy peaks; escape and shelf counts are no part of them on either
    # side. The errors of the judge hold overlaps, line ratios and model error; five of them,
    # and 2 % for paint whose line ratios differ over the picture. M families are left out:
    # S K (2.31 keV) lies between Hg M (2.20) and Pb M (2.35) and is not separable here, so
    # that its counts go to them (Hg M of the northern panel reads 20 % high)
    found, truth = found_in(kind), true_counts(simulated(kind)[1])
    judge = Judge(Refined(found.model, found.fit, found.parameters, found.slopes, found.spreads))
    for emitter in found.model.emitters:
        true = truth.get(emitter.label, 0.0)
        if emitter.kind == "element" and emitter.family != "M" and true > 3e3:
            mine = judge.judge(emitter.label, judge.column_of(found.model.column(emitter)))
            assert abs(mine.net - true) < 5 * mine.error + 0.02 * true, emitter.label


@pytest.mark.slow
def test_stated_errors_of_strong_families_cover_paints_of_unlike_line_ratios():
    stated, tested = [], []
    for kind in KINDS_OF_PAINTING:
        for seed in (3, 4):
            scan, true = simulated(kind, seed=seed)
            found, truth = elements_of_sum(scan), true_counts(true)
            judge = Judge(
                Refined(found.model, found.fit, found.parameters, found.slopes, found.spreads)
            )
            for emitter in found.model.emitters:
                net = truth.get(emitter.label, 0.0)
                if emitter.kind != "element" or emitter.family == "M" or net < 3e3:
                    continue
                mine = judge.judge(emitter.label, judge.column_of(found.model.column(emitter)))
                if mine.error < 0.002 * mine.net:  # else the shared error says little
                    stated.append((mine.net - net) / mine.stated)
                    tested.append((mine.net - net) / mine.error)
    # lead of a panel, whose paints let its lines pass in ratios of their own, is what it is for
    assert np.abs(tested).max() > 2.5
    assert np.abs(stated).max() < 2.5
    # and it is not so wide that it says nothing: all but lead would do with less
    assert 0.3 < np.sqrt(np.mean(np.square(stated))) < 1.1
