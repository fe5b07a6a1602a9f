"""What line ratios feign in the ratios of two areas: closed forms, and scatter of known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xraylib
from line_spectra import CHANNELS, RHODIUM, SCALE, model
from test_area_ratios import LEAD, SHAPE, mean_of

from xrfmap.areas.blocks import BLOCKS, AreaBlocks, blocks_from_scan, fit_blocks, read_blocks
from xrfmap.areas.feigned import feigned
from xrfmap.areas.two_areas import compare_blocks
from xrfmap.maps.finding import find_elements
from xrfmap.scan import make_scan

FAMILIES = ("Fe K", "Pb L", "As K")
LEAK = 0.02  # counts of arsenic per count of lead whose line ratio is off by one
OFF, ERROR = 2.0, 0.02


def area(name, net, off=OFF, leak=None):
    """Blocks of next to no scatter."""
    net = np.array(net, dtype=float)
    scatter = np.random.default_rng(len(name)).normal(1, 1e-5, (BLOCKS, len(net)))
    if leak is None:
        leak = np.zeros((3, 3))
        leak[2, 1] = LEAK
    ratios = np.array([[0.0, off, 0.0], [0.0, ERROR, 0.0]])
    return AreaBlocks(
        name, FAMILIES, scatter * net / BLOCKS, np.full((BLOCKS, 3), 1.0), np.ones(BLOCKS), "s",
        np.empty((0, 2), dtype=np.int64), 80, leakage=leak, ratios=ratios,
    )  # fmt: skip


def row_of(a, b, family, kind):
    rows = compare_blocks(a, b, ("a", "b")).families
    return next(row for row in rows if (row.family, row.kind) == (family, kind))


def half_width(row):
    return (row.high_percent - row.low_percent) / 2 / 100 * (row.a + row.b) / 2


def test_arsenic_that_lead_feigns_beside_more_iron_is_no_difference_of_ratios():
    feigned_counts = LEAK * OFF * 1e6
    one, two = (area(n, [iron, 1e6, feigned_counts]) for n, iron in (("a", 9e6), ("b", 3e6)))
    amount, ratio = (row_of(one, two, "As K", kind) for kind in ("amount", "ratio"))
    assert ratio.reference == "Fe K"
    assert {amount.verdict, ratio.verdict}.isdisjoint({"differs"})
    # equal lead, equally off: the amounts agree but for the errors of both, per 8 s
    assert half_width(amount) == pytest.approx(1.96 * LEAK * ERROR * 1e6 * 2**0.5 / 8, rel=0.01)
    # the ratios do not: all of their difference may be feigned
    off, error = (
        feigned_counts * (1 / 3e6 - 1 / 9e6),
        LEAK * ERROR * 1e6 * np.hypot(1 / 3e6, 1 / 9e6),
    )
    assert half_width(ratio) == pytest.approx(1.96 * np.hypot(off, error), rel=0.01)


def test_ratios_to_the_lead_itself_do_not_bear_what_lead_of_one_cover_feigns():
    # four times as thick, and of arsenic six times as much: 0.10 and 0.15 of the lead
    one, two = area("a", [1e3, 1e6, 1e5]), area("b", [1e3, 4e6, 6e5])
    ratio = row_of(one, two, "As K", "ratio")
    assert ratio.reference == "Pb L"
    assert ratio.verdict == "differs"
    assert half_width(ratio) == pytest.approx(1.96 * LEAK * ERROR * 2**0.5, rel=0.01)
    # a cover of lead that is another one in the areas is borne
    other = row_of(one, replace(two, ratios=two.ratios + [[0], [1.0]] * (two.ratios[1:] > 0)),
                   "As K", "ratio")  # fmt: skip
    assert half_width(other) > half_width(ratio)


def test_what_is_added_to_both_in_proportion_cancels_in_a_ratio():
    # lead feigns 3 % of the iron and 3 % of the arsenic
    net = {"a": np.array([4e6, 1e6, 2e5]), "b": np.array([2e6, 3e6, 1e5])}
    made = []
    for name, counts in net.items():
        leak = np.zeros((3, 3))
        leak[[0, 2], 1] = 0.03 * counts[[0, 2]] / counts[1]
        made.append(area(name, counts, leak=leak))
    assert (feigned(*made)[[0, 2]] > 0).all()
    np.testing.assert_allclose(feigned(*made, reference=0)[[0, 2]], 0.0, atol=1e-18)


@pytest.mark.parametrize("reference", [None, 0, 1])
def test_the_variance_is_that_of_areas_whose_line_ratios_are_drawn(reference):
    rng = np.random.default_rng(3)
    leak = np.array([[0.01, 0.004, 0.0], [-0.003, 0.02, 0.005], [0.03, 0.02, 0.05]])
    true = np.array([[4e6, 1e6, 2e5], [1e6, 3e6, 3e5]])
    error = np.array([[0.3, 0.2, 0.5], [0.1, 0.4, 0.3]])
    trials = 20000
    # first order in the leaks, which are small
    shown = [
        net + (rng.normal(size=(trials, 3)) * spread * net) @ leak.T
        for net, spread in zip(true, error, strict=True)
    ]
    if reference is not None:
        shown = [counts / counts[:, reference, None] for counts in shown]
    scatter = (shown[0] - shown[1]).var(axis=0)
    made = [
        replace(area(n, net, leak=leak), ratios=np.stack([np.zeros(3), spread]),
                exposure=np.full(BLOCKS, 1 / BLOCKS))
        for n, net, spread in zip("ab", true, error, strict=True)
    ]  # fmt: skip
    told = feigned(*made, reference=reference)
    rest = [k for k in range(3) if k != reference]
    # a variance of 20 000 draws is known to 1 %; four errors, and 1 % for higher orders
    np.testing.assert_allclose(told[rest], scatter[rest], rtol=0.05)


def arsenic_elsewhere(seed):
    """Lead of one amount and cover in both areas; elsewhere it has arsenic and another cover."""
    rng = np.random.default_rng(seed)
    parts = [
        (48, {}, 0.3),
        (16, {"As K": 0, "Fe K": 12000}, 0.0),
        (16, {"As K": 0, "Fe K": 6500}, 0.0),
    ]
    cube = [
        rng.poisson(mean_of({**LEAD, **net}, {"Pb L": cover}), (SHAPE[0], columns, CHANNELS))
        for columns, net, cover in parts
    ]
    counts = np.concatenate(cube, axis=1).astype(np.uint16)
    scan = make_scan(counts, live_time=0.1, instrument=RHODIUM).assign_attrs(SCALE.to_attrs())
    found = find_elements(scan, ["Fe", "Ca", "Pb", "As", "Zn", "Hg"])
    columns = np.broadcast_to(np.arange(80), (SHAPE[0], 80))
    return scan, found, (columns >= 48) & (columns < 64), columns >= 64


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_no_arsenic_beside_lead_and_more_iron_in_one_area(seed):
    scan, found, a, b = arsenic_elsewhere(seed)
    blocks = blocks_from_scan(scan, found, {"a": a, "b": b})
    answer = compare_blocks(blocks["a"], blocks["b"], ("a", "b"))
    rows = {row.kind: row for row in answer.families if row.family == "As K"}
    assert rows["ratio"].reference == "Fe K"
    # lead off the scan's cover feigns 55 counts a pixel in both; by chances of 6e-4 and 5e-3
    # their ratios to 12 000 and 6500 of iron were called different
    assert rows["amount"].a > 0
    assert rows["ratio"].low_percent < 0 < rows["ratio"].high_percent
    assert rows["ratio"].p > 0.05


LEAD_WHITE = "Pb3C2O8H2"  # basic lead carbonate, 2 PbCO3 . Pb(OH)2


def below(matter, grams_per_cm2):
    """Mean spectrum with 6000 counts of lead L below a layer; attenuation by xraylib."""
    names = ("Fe K", "Ca K", "Pb L", "Pb M")
    plain = model(names)
    lead = plain.emitters[names.index("Pb L")]
    depth = grams_per_cm2 * np.array([
        xraylib.CS_Total_CP(matter, float(energy)) for energy in lead.energies
    ])  # fmt: skip
    covered = replace(plain, cover={"Pb L": 0.3}, log_factors={"Pb L": -depth})
    background = covered.continuum().sum(axis=1)
    mean = 1500 * background / background.sum()
    for emitter, counts in zip(covered.emitters, (300, 400, 6000, 250), strict=False):
        mean = mean + counts * covered.column(emitter)
    return mean


@pytest.mark.parametrize(
    ("matter", "mass", "seed"),
    [
        (LEAD_WHITE, 0.006, 1),
        *(pytest.param(LEAD_WHITE, 0.006, seed, marks=pytest.mark.slow) for seed in (2, 3)),
        pytest.param("CaCO3", 0.01, 1, marks=pytest.mark.slow),
    ],
)
def test_lead_below_lead_white_without_its_main_line(matter, mass, seed):
    rng = np.random.default_rng(seed)
    halves = [rng.poisson(below(matter, m), (*SHAPE[:1], 16, CHANNELS)) for m in (0.0, mass)]
    counts = np.concatenate(halves, axis=1).astype(np.uint16)
    scan = make_scan(counts, live_time=0.1, instrument=RHODIUM).assign_attrs(SCALE.to_attrs())
    found = find_elements(scan, ["Fe", "Ca", "Pb"])
    left = np.arange(32) < 16
    energy = SCALE.energy(np.arange(CHANNELS))
    alpha = (energy > 10.35) & (energy < 10.75)
    one, two = (
        fit_blocks(scan, found, read_blocks(scan, found, np.tile(m, (SHAPE[0], 1))), name, alpha)
        for name, m in (("a", left), ("b", ~left))
    )
    lead = row_of(one, two, "Pb L", "amount")
    assert lead.verdict == "no difference"
    assert lead.low_percent < 0 < lead.high_percent
    # by counting beta and gamma, 700 000 an area, it would be told to 1 %
    assert abs(lead.difference_percent) > 4
    # charged by what the ratios that are left say, one error of it is borne where chalk makes the
    # cover, and of lead white less than half: p of 1e-25 to 0.02
    trusted = [replace(held, own=held.own * np.hypot(*held.ratios)) for held in (one, two)]
    told = row_of(*trusted, "Pb L", "amount")
    assert (told.p < 0.05) == (matter == LEAD_WHITE)
