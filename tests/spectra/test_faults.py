"""Faults told from totals, full channels and a wavering beam, on counts drawn with known truth."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from line_spectra import FAMILIES, PAINT, amplitudes, draw, matrix, model

from xrfmap.fit.full_channels import cut_design, full_bins
from xrfmap.fit.map_design import MapDesign, deviations_of
from xrfmap.fit.pixels import Design, fit_counts
from xrfmap.maps.element_maps import pixel_values
from xrfmap.scan import make_scan
from xrfmap.spectra.faults import STATES, fault_words, full_count, pixel_states, row_list
from xrfmap.spectra.flicker import beam_of, rates, row_beam
from xrfmap.spectra.sum_fit import merge
from xrfmap.spectra.templates import merge_edges

SHAPE = (40, 64)


def totals(seed=1, mean=3000.0):
    return np.random.default_rng(seed).poisson(mean, SHAPE).astype(float)


def state_of(total, name):
    return pixel_states(total) == STATES.index(name)


# ------------------------------------------------------------------ pixels and rows


def test_a_sound_scan_has_no_faults():
    assert not pixel_states(totals()).any()
    # nor has one so short that pixels without a count come by chance: those are only empty
    states = pixel_states(totals(mean=3.0))
    assert set(np.unique(states)) <= {0, STATES.index("no counts")}


def test_a_sharp_picture_is_no_fault():
    # heavy paint beside bare chalk: totals twenty times apart, down to single pixels
    rng = np.random.default_rng(3)
    lively = rng.poisson(np.where(rng.random(SHAPE) < 0.5, 10000.0, 500.0)).astype(float)
    assert not pixel_states(lively).any()


def test_dropped_rows_and_dead_pixels_are_found():
    total = totals()
    total[10:12] = 0
    total[20, 30] = 0
    total[25] = np.random.default_rng(2).poisson(4.0, SHAPE[1])  # shutter closed, some background
    total[30, 40:] = 5
    empty = state_of(total, "no counts")
    broken = state_of(total, "counts break off against the neighbours")
    assert empty[10:12].all()
    assert empty[20, 30]
    assert (broken | empty)[25].all()
    assert broken[30, 40:].all()
    assert (broken | empty).sum() == 3 * SHAPE[1] + 1 + SHAPE[1] - 40


def test_a_row_written_twice_is_found():
    total = totals()
    total[7] = total[6]
    repeated = state_of(total, "row repeats the one before, count for count")
    assert repeated[7].all()
    assert repeated.sum() == SHAPE[1]


def test_faults_are_told_in_words():
    state = pixel_states(np.where(np.arange(40)[:, None] == 5, 0.0, totals()))
    state[9, 3] = STATES.index("full channels left out of the fit")
    words = fault_words(xr.Dataset({"pixel_state": (("y", "x"), state)}))
    assert words[0] == "row 5 masked: no counts"
    assert words[1].startswith("1 pixels hold channels that ran full")
    assert row_list([3, 4, 5, 9]) == "3–5, 9"


def test_times_that_cannot_be_are_told():
    scan = make_scan(np.ones((2, 3, 8), np.uint16), live_time=1.0, real_time=2.5)
    scan["real_time"][0, 0] = 0.5
    words = fault_words(xr.Dataset(), scan)
    assert any("1 pixels state more live time than real time" in w for w in words)
    assert any("5 pixels with dead time above 30 %, up to 60 %" in w for w in words)


# ------------------------------------------------------------------ full channels


def test_a_counter_that_ran_full_is_known_by_its_type_or_its_plateau():
    peak = np.minimum(400 * np.exp(-0.5 * ((np.arange(64) - 30) / 4) ** 2), 255.0).round()
    assert full_count(np.dtype(np.uint8), peak) == 255
    assert full_count(np.dtype(np.uint32), peak) == 255  # several channels share it
    assert full_count(np.dtype(np.uint32), np.minimum(peak, 200)) is None
    one = np.zeros(64)
    one[30] = 255.0
    assert full_count(np.dtype(np.uint32), one) is None  # a single one may be chance
    assert full_count(np.dtype(np.uint16), np.full(4, 65535.0)) == 65535


def plan_of(pixels_mean):
    m = model()
    edges = merge_edges(m.scale, m.energy_range, m.channels)
    design = Design(np.ascontiguousarray(merge(m.matrix(), edges)), edges, m.labels)
    typical = np.maximum(merge(pixels_mean, edges), 1e-6)
    lines = tuple(FAMILIES)
    return MapDesign(design, lines, typical, deviations_of(m, len(lines), edges, 0.5))


@pytest.mark.parametrize("full", [255.0, 127.0])
def test_net_counts_without_full_channels_are_unbiased(full):
    true = amplitudes(PAINT, 60000.0)
    mean = matrix() @ true
    counts = draw(mean, 400, seed=5)
    largest = counts.max(axis=0)
    assert (largest > full).sum() > 3
    clipped = np.minimum(counts, full).astype(np.uint16)
    plan = plan_of(mean)
    k = plan.lines.index("Pb L")
    naive = pixel_values(fit_counts(clipped, plan.design, plan.typical), plan)["net_counts"]
    cut, lines = cut_design(plan, full_bins(largest, full, plan.design.edges))
    kept = plan.design.merge(clipped)[:, ~full_bins(largest, full, plan.design.edges)]
    seen = pixel_values(fit_counts(kept, cut.design, cut.typical), cut)
    assert k in lines
    at = list(lines).index(k)
    net, err = seen["net_counts"][:, at], seen["net_counts_err"][:, at]
    assert naive[:, k].mean() < 0.95 * true[k]  # what would come out without care
    # 400 pixels: the mean is known to a twentieth of the error of one
    assert abs(net.mean() - true[k]) < 0.25 * err.mean()
    for j, label in enumerate(cut.lines):
        i = plan.lines.index(label)
        pull = (seen["net_counts"][:, j] - true[i]) / seen["net_counts_err"][:, j]
        if true[i] > 5 * seen["net_counts_err"][:, j].mean():
            assert abs(pull.mean()) < 0.25, label


def test_a_family_of_which_nothing_is_left_has_no_value():
    plan = plan_of(matrix() @ amplitudes(PAINT, 60000.0))
    column = plan.design.matrix[:, plan.lines.index("S K")]
    cut, lines = cut_design(plan, column > 1e-4 * column.max())
    assert plan.lines.index("S K") not in lines
    assert "S K" not in cut.lines


# ------------------------------------------------------------------ beam


def wavering(factor, seed=4, paint=None):
    """Scatter and all counts of a scan of two paints, the beam with `factor` in each row."""
    rng = np.random.default_rng(seed)
    heavy = np.zeros(SHAPE, bool)
    heavy[15:, 20:50] = True
    scatter = np.where(heavy, 150.0, 300.0) * factor[:, None]
    lines = np.where(heavy, 6000.0, 2500.0) * factor[:, None]
    if paint is not None:
        lines = lines * paint[:, None]
    s = rng.poisson(scatter).astype(float)
    return s, s + rng.poisson(lines)


def test_short_dips_of_the_beam_are_found_from_the_scatter():
    factor = np.ones(SHAPE[0])
    factor[8], factor[22:24], factor[33] = 0.8, 0.93, 1.1
    s, t = wavering(factor)
    found = row_beam(s, t, np.full(SHAPE, 0.1))
    off = factor != 1
    assert (found[~off] == 1).all()
    # a row holds 1.8e5 counts or more: 0.3 % for the median of its parts and the rows around;
    # four of these
    np.testing.assert_allclose(found[off], factor[off], rtol=0.012)


def test_a_steady_beam_is_left_alone_whatever_the_paint():
    steady = np.ones(SHAPE[0])
    stripe = np.ones(SHAPE[0])
    stripe[12] = 1.5  # a painted line: more fluorescence, scatter as before
    for paint in (None, stripe):
        for seed in range(10):
            s, t = wavering(steady, seed, paint)
            assert (row_beam(s, t, np.full(SHAPE, 0.1)) == 1).all()


def test_longer_dwell_is_no_brighter_beam():
    s, t = wavering(np.where(np.arange(SHAPE[0]) == 8, 2.0, 1.0))
    live = np.full(SHAPE, 0.1)
    live[8] = 0.2
    assert (row_beam(s, t, live) == 1).all()


def test_a_monitor_is_believed_and_rates_are_normalised_but_counts_are_not():
    scan = make_scan(np.ones((*SHAPE, 4), np.uint16), live_time=0.5)
    reading = np.full(SHAPE, 1000.0)
    reading[3] = 500.0
    s, t = wavering(np.ones(SHAPE[0]))
    beam = beam_of(scan.assign(monitor=(("y", "x"), reading)), s, t)
    assert beam.values[3, 0] == 0.5
    net = np.full((1, *SHAPE), 100.0)
    maps = xr.Dataset(
        {"net_counts": (("line", "y", "x"), net), "net_counts_err": (("line", "y", "x"), net / 10)}
    ).assign(live_time=scan["live_time"], beam=beam)
    rate = rates(maps)["rate"].values[0]
    assert rate[0, 0] == pytest.approx(200.0)
    assert rate[3, 0] == pytest.approx(400.0)
    assert (maps["net_counts"].values == 100).all()
    assert beam_of(scan, s, t) is None
