"""An element that was not found and lies in one of two areas only: no difference of its neighbours.

Scans of known truth, drawn from the templates: lead, calcium and iron alike everywhere, and some
sulfur K, between the M lines of lead, in the left area alone.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from line_spectra import CHANNELS, RHODIUM, SCALE, model

from xrfmap.areas.blocks import BLOCKS, AreaBlocks, blocks_from_scan
from xrfmap.areas.two_areas import compare_blocks
from xrfmap.depth.line_ratios import SplitDesign
from xrfmap.fit.map_design import MapDesign
from xrfmap.identification.may_be_there import may_be_there
from xrfmap.maps.finding import find_elements
from xrfmap.scan import make_scan

NAMES = ("Fe K", "Ca K", "Pb L", "Pb M", "S K")
NET = (300.0, 400.0, 3000.0, 250.0, 0.0)
SHAPE = (16, 32)


def mean_of(net):
    plain = model(NAMES)
    background = plain.continuum().sum(axis=1)
    mean = 1500 * background / background.sum()
    for emitter, counts in zip(plain.emitters, net, strict=False):
        mean = mean + counts * plain.column(emitter)
    return mean


@lru_cache(maxsize=8)
def scanned(seed, sulfur, columns=16, more_lead=1.0):
    """Scan and elements; the left and as wide a right area."""
    rng = np.random.default_rng(seed)
    left = np.zeros(SHAPE, bool)
    left[:, :columns] = True
    right = left[:, ::-1]
    one, two = np.array(NET), np.array(NET)
    one[NAMES.index("S K")] = sulfur
    one[NAMES.index("Pb M")] *= more_lead
    counts = rng.poisson(mean_of(two), (*SHAPE, CHANNELS))
    counts[left] = rng.poisson(mean_of(one), (int(left.sum()), CHANNELS))
    scan = make_scan(counts.astype(np.uint16), live_time=0.1, instrument=RHODIUM)
    scan = scan.assign_attrs(SCALE.to_attrs())
    return scan, find_elements(scan), left, right


@lru_cache(maxsize=8)
def painted(seed, sulfur, columns=16, more_lead=1.0):
    """Elements and blocks of both areas."""
    scan, found, left, right = scanned(seed, sulfur, columns, more_lead)
    return found, blocks_from_scan(scan, found, {"a": left, "b": right})


def rows_of(blocks, owed=True):
    if not owed:
        blocks = {name: replace(held, owed=None) for name, held in blocks.items()}
    answer = compare_blocks(blocks["a"], blocks["b"], ("left", "right"))
    return {(row.family, row.kind): row for row in answer.families}


def different(rows):
    return {key for key, row in rows.items() if row.verdict == "differs"}


def hidden(seed, sulfur, columns):
    """Check that hidden sulfur makes no difference; False where it was found, not hidden."""
    found, blocks = painted(seed, sulfur, columns)
    if "S" in found.present:
        return False
    rows = rows_of(blocks)
    assert not different(rows)
    lead = rows["Pb M", "amount"]
    assert lead.low_percent < 0 < lead.high_percent
    # sulfur does not touch lead L: arsenic beside it may have a thousandth in half of the scan,
    # and no more than a few in an eighth, as counting of an eighth is less sure
    for held in blocks.values():
        k = held.families.index("Pb L")
        assert held.owed[k] < 0.005 * held.net[:, k].sum()
    return True


@pytest.mark.parametrize(
    ("seed", "sulfur", "columns"),
    [(1, 10.0, 16), pytest.param(2, 20.0, 4, marks=pytest.mark.slow)],
)
def test_sulfur_of_one_area_is_no_difference_of_lead(seed, sulfur, columns):
    assert hidden(seed, sulfur, columns)
    # as it was, by chances of 3e-4 and 4e-5
    _, blocks = painted(seed, sulfur, columns)
    assert {("Pb M", "amount"), ("Pb M", "ratio")} <= different(rows_of(blocks, owed=False))


@pytest.mark.slow
@pytest.mark.parametrize(("sulfur", "columns"), [(8.0, 16), (10.0, 16), (20.0, 4)])
def test_nor_is_it_in_other_scans_of_that_kind(sulfur, columns):
    kept = sum(hidden(seed, sulfur, columns) for seed in range(3, 9))
    # hidden in all six when this was written; a chance find of one or two is no fault, but a
    # test without hidden sulfur would check nothing
    assert kept >= 4


@pytest.mark.parametrize(
    ("seed", "lead"),
    [(1, 1.15), *(pytest.param(s, f, marks=pytest.mark.slow) for s in (2, 3) for f in (1.0, 1.15))],
)
def test_a_difference_that_nothing_hidden_explains_is_still_found(seed, lead):
    _, blocks = painted(seed, 0.0, 16, lead)
    assert (("Pb M", "amount") in different(rows_of(blocks))) == (lead > 1)


def test_what_a_sum_cannot_tell_from_another_element_is_owed_in_maps():
    found, _ = painted(1, 10.0, 16)  # as above, so that it is painted once
    told = next(e for e in found.elements if e.symbol == "S")
    assert told.verdict == "not separable"
    # in the model of the sum and not in that of the maps, whose Pb M takes its counts
    assert "S K" in found.model.labels
    plan = MapDesign.of(found, pixels=SHAPE[0] * SHAPE[1])
    assert "S K" not in plan.design.labels
    assert "S" not in {m.emitter.element for m in may_be_there(found)}
    mine = next(m for m in may_be_there(found, plan.lines) if m.emitter.label == "S K")
    assert mine.seen
    # half of the pixels have 10 counts of it each
    true = 10.0 * 256
    assert mine.net == pytest.approx(true, abs=3 * mine.error)
    share = dict(zip(plan.lines, plan.owed, strict=True))
    # all of it goes to Pb M, which has 250 counts in each of 512 pixels; the rest of the other
    # families is beside it, and the counts that are given to Pb M in exchange are not all its own
    assert share["Pb M"] == pytest.approx(mine.spread / (250.0 * 512), rel=0.25)
    assert share["Pb L"] < 0.005
    # and designs that split families hold it
    assert "S K" in SplitDesign.of(found, ["Pb"]).design.labels


def test_what_is_hidden_in_either_area_adds_up_in_the_variance():
    # closed form: variances of independent errors add; a share of the difference would be nothing
    rng = np.random.default_rng(6)
    made = [
        AreaBlocks(name, ("Pb L", "Pb M"), rng.normal([1e5, 1e4], [300, 100], (BLOCKS, 2)),
                   np.full((BLOCKS, 2), 400.0), np.full(BLOCKS, time), "s",
                   np.empty((0, 2), dtype=np.int64), 80, owed=np.array([0.0, owed]))
        for name, time, owed in (("a", 1.0, 3000.0), ("b", 1.0, 4000.0))
    ]  # fmt: skip
    plain = rows_of(dict(zip("ab", made, strict=True)), owed=False)
    rows = rows_of(dict(zip("ab", made, strict=True)))
    amount, before = rows["Pb M", "amount"], plain["Pb M", "amount"]
    middle = (amount.a + amount.b) / 2
    assert amount.a == before.a
    # 5000 counts in the 8 s of either area; the interval tells the error times Student's quantile,
    # of next to no scatter nearly that of the normal distribution
    half = (amount.high_percent - amount.low_percent) / 2 / 100 * middle
    assert half == pytest.approx(1.96 * 5000 / 8, rel=0.02)
    beside = [r["Pb L", "amount"] for r in (rows, plain)]
    assert beside[0].p == beside[1].p
    # the ratio to lead L likewise
    ratio = rows["Pb M", "ratio"]
    assert ratio.reference == "Pb L"
    half = (ratio.high_percent - ratio.low_percent) / 2 / 100 * (ratio.a + ratio.b) / 2
    assert half == pytest.approx(1.96 * 5000 / 8e5, rel=0.02)
