"""Scans with faults, simulated with known truth: what the maps hold and what they leave out."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from xrfmap.calibration.calibrate import calibrate
from xrfmap.maps.element_maps import map_elements
from xrfmap.maps.finding import find_elements
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.expectation import expected
from xrfmap.simulation.paintings import patches, stacks_of
from xrfmap.spectra.faults import STATES, fault_words
from xrfmap.spectra.refine import Refined
from xrfmap.spectra.row_scales import RowScales
from xrfmap.spectra.score_test import Judge

HEAD = Instrument(anode="Rh", tube_kv=50)
SCALE = EnergyScale(-0.043, 0.0198)
KIND = "northern panel"


def straight(along):
    return along


def wave(along):
    return 0.5 * np.sin(2 * np.pi * along)


@lru_cache(maxsize=4)
def drifting(span, shape=(48, 24), counts=6000.0, seed=2, way=straight):
    """Scan whose gain runs over `span` (relative) `way` along the rows, and its truth."""
    rows = shape[0]
    stacks = stacks_of(KIND)
    share = patches(len(stacks), shape, seed)
    plain = [expected(s, HEAD, SCALE, live_time_s=0.1) for s in stacks]
    factor = counts / np.mean([p.counts.sum() for p in plain])
    labels = sorted({label for p in plain for label in p.families})
    net = factor * np.array([[p.families.get(k, 0.0) for k in labels] for p in plain])
    rng = np.random.default_rng(seed)
    # scales on a grid far finer than anything that is fitted, since each takes its time
    steps = np.round(way(np.linspace(-0.5, 0.5, rows)) * 12) / 12 * span
    cube = np.empty((*shape, 2048), np.uint16)
    for step in np.unique(steps):
        at = EnergyScale(SCALE.zero_kev, SCALE.kev_per_channel * (1 + step))
        spectra = [expected(s, HEAD, at, live_time_s=0.1).counts for s in stacks]
        for row in np.flatnonzero(steps == step):
            cube[row] = rng.poisson(factor * share[:, row].T @ np.array(spectra))
    truth = dict(zip(labels, np.einsum("kl,kyx->lyx", net, share), strict=True))
    scan = make_scan(cube, live_time=0.1, instrument=HEAD)
    return scan, truth


@lru_cache(maxsize=4)
def calibrated(span, way=straight):
    return calibrate(drifting(span, way=way)[0])


@lru_cache(maxsize=4)
def mapped(span, follow, elements=None, way=straight):
    scan = calibrated(span, way)
    if not follow:  # as a scan whose drift nobody looked for, but with its width at rest
        scan = scan.drop_vars(["gain_factor", "zero_shift"], errors="ignore")
    found = find_elements(scan, elements, local=False)
    return scan, found, map_elements(scan, found)


MAIN = ("Pb", "Cu", "Hg", "Fe", "Ca", "Mn", "Sn")


def biases(span, follow):
    """Mean bias of the strong families in the first and last fifth of the rows, in errors.

    The shapes are those of the steady scan, so that only the energy scale makes a difference.
    """
    truth = drifting(span)[1]
    found = mapped(0.0, True, MAIN)[1]
    if follow:
        moved, scale = calibrated(span), found.model.scale
        base, rows = EnergyScale.from_attrs(moved.attrs), RowScales.of(moved)
        gain = rows.gain_factor * base.kev_per_channel / scale.kev_per_channel
        zero = rows.zero_shift + base.zero_kev - scale.zero_kev
        found = replace(found, drift=RowScales(gain, zero))
    maps = map_elements(drifting(span)[0], found)
    result = {}
    for line in ("Pb L", "Cu K", "Hg L", "Fe K", "Ca K"):
        net = maps["net_counts"].sel(line=line).values.astype(float)
        err = maps["net_counts_err"].sel(line=line).values
        pull = (net - truth[line]) / err
        result[line] = np.array([pull[:10].mean(), pull[-10:].mean()])
    return result


@pytest.mark.slow
def test_net_counts_of_a_drifting_scan_are_those_of_a_steady_one():
    steady = biases(0.0, False)
    blind, followed = biases(0.01, False), biases(0.01, True)
    for line, still in steady.items():
        # 240 pixels at either end: 0.065 errors of the mean, twice; and what the fit of these
        # layers itself is off without any drift is in both
        assert np.abs(followed[line] - still).max() < 0.25, line
    worst = max(np.abs(blind[line] - steady[line]).max() for line in steady)
    assert worst > 0.5  # what following saves from


@pytest.mark.slow
def test_the_sum_of_a_drifting_scan_shows_the_same_elements():
    steady, moved = mapped(0.0, True)[1], mapped(0.01, True)[1]
    strong = {"Pb", "Cu", "Hg", "Fe", "Ca", "Sn", "Mn"}
    assert strong <= set(steady.present) & set(moved.present)
    # nothing is made up from smeared peaks
    made = {line.split()[0] for line in drifting(0.01)[1]}
    assert set(moved.present) <= made
    words = fault_words(mapped(0.01, True)[2])
    assert any("the energy scale moved during the scan" in w for w in words)


@pytest.mark.slow
@pytest.mark.parametrize("way", [straight, wave])
@pytest.mark.parametrize("span", [0.005, 0.01])
def test_shapes_found_on_a_smeared_sum_leave_maps_unbiased(span, way):
    # lead, calcium and the rest lie in other rows each, so at other scales within the sum
    truth = drifting(span, way=way)[1]
    assert RowScales.of(calibrated(span, way)) is not None
    steady, (_, found, moved) = mapped(0.0, True)[2], mapped(span, True, way=way)

    def sums(maps, line):
        one = maps.sel(line=line)
        counts = one["net_counts"].values.astype(float).sum()
        return counts / truth[line].sum() - 1

    for line in ("Pb L", "Ca K", "Cu K", "Fe K", "Hg L"):
        # maps are cut at zero, so that their sums are some tenths of a percent too large for
        # what lies in few pixels (iron 0.5 %), with and without drift: held against the steady
        # scan; the fit of the sum is not cut and is held against the truth
        assert abs(sums(moved, line) - sums(steady, line)) < 0.01, line
        assert abs(found.fit.net(line)[0] / truth[line].sum() - 1) < 0.01, line
    for line in ("Pb L", "Ca K"):  # in every pixel
        assert abs(sums(moved, line)) < 0.01, line


def judged(found, line):
    """Net counts of a family in the sum, and their error with all shapes left open."""
    judge = Judge(Refined(found.model, found.fit, found.parameters, found.slopes, found.spreads))
    (emitter,) = (e for e in found.model.emitters if e.label == line)
    told = judge.judge(line, judge.column_of(found.model.column(emitter)))
    return told.net, told.error


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 3])
def test_tin_beside_calcium_is_as_right_in_a_drifting_scan_as_in_a_steady_one(seed):
    # fifty times the counts, so that what counting leaves open does not hide what drift does;
    # each scan is held to what its own fit, with all shapes, states of its error
    found, error = {}, {}
    for span in (0.0, 0.01):
        scan, truth = drifting(span, counts=3e5, seed=seed)
        moved = calibrate(scan)
        model = find_elements(moved, local=False)
        net, error_of_net = judged(model, "Sn L")
        whole = truth["Sn L"].sum()
        pixels = map_elements(moved, model)["net_counts"].sel(line="Sn L")
        found[span] = np.array([net, float(np.sum(pixels, dtype=float))]) / whole - 1
        error[span] = error_of_net / whole
        assert error[span] < 0.03  # a larger one would make this test easy
    both = np.hypot(error[0.0], error[0.01])
    np.testing.assert_array_less(np.abs(found[0.01] - found[0.0]), 3 * both)
    np.testing.assert_array_less(np.abs(found[0.01]), 3 * error[0.01])


@lru_cache(maxsize=1)
def sound():
    scan = drifting(0.0, (16, 16), 6000.0)[0].assign_attrs(SCALE.to_attrs())
    return scan, find_elements(scan, ["Pb", "Cu", "Hg", "Fe", "Ca"], local=False)


def with_counts(scan, cube):
    return scan.assign(counts=(scan["counts"].dims, cube, scan["counts"].attrs))


def test_a_steady_scan_is_fitted_as_if_nobody_had_looked_for_drift():
    scan, found = sound()
    maps = map_elements(scan, found)
    assert found.drift is None
    assert "gain_factor" not in maps
    assert "beam" not in maps
    assert not maps["pixel_state"].values.any()
    assert fault_words(maps, scan) == []


def test_dropped_rows_and_dead_pixels_are_masked_and_the_rest_is_untouched():
    scan, found = sound()
    cube = scan["counts"].values.copy()
    cube[4] = 0
    cube[9, 3] = 0
    cube[12] = cube[11]
    broken = with_counts(scan, cube)
    again = find_elements(broken, ["Pb", "Cu", "Hg", "Fe", "Ca"], local=False)
    maps = map_elements(broken, again)
    bad = np.zeros((16, 16), bool)
    bad[4], bad[12], bad[9, 3] = True, True, True
    np.testing.assert_array_equal(~maps["fit_ok"].values, bad)
    assert np.isnan(maps["net_counts"].values[:, bad]).all()
    # with model and bins of the sound scan every other pixel is what it was, to the last bit
    summary = replace(found.summary, total=again.summary.total)
    same = map_elements(broken, replace(found, summary=summary))
    whole = map_elements(scan, found)
    for name in ("net_counts", "net_counts_err", "detection_limit"):
        np.testing.assert_array_equal(same[name].values[:, ~bad], whole[name].values[:, ~bad])
    words = fault_words(maps, broken)
    assert "row 4 and 1 single pixels masked: no counts" in words
    assert "row 12 masked: row repeats the one before, count for count" in words


def test_full_channels_are_left_out_where_they_are_full():
    scan, truth = drifting(0.0, (16, 16), 48_000.0, seed=6)
    open_scan = scan.assign_attrs(SCALE.to_attrs())
    bright = open_scan["counts"].values
    top = 255
    assert (bright > top).any(axis=2).mean() > 0.5
    found = find_elements(open_scan, local=False)
    whole = map_elements(open_scan, found)
    clipped = with_counts(open_scan, np.minimum(bright, top).astype(np.uint8))
    # with the model of the other scan first, so that pixels alone are compared
    summary = found.summary
    full = replace(found, summary=replace(summary, max_counts=np.minimum(summary.max_counts, top)))
    maps = map_elements(clipped, full)
    over = (bright >= top).any(axis=2)
    state = maps["pixel_state"].values
    assert (state[over] == STATES.index("full channels left out of the fit")).all()
    for line in ("Pb L", "Hg L", "Fe K"):
        error = maps["net_counts_err"].sel(line=line).values
        # values are cut at zero, and the more of them the wider the error
        some = over & (truth[line] > 3 * error)
        pull = ((maps["net_counts"] - whole["net_counts"]).sel(line=line).values / error)[some]
        assert abs(pull.mean()) < 0.2, line
    assert any("ran full" in w for w in fault_words(maps))
    # its own sum tells the model as well, without the channels in which pixels ran full: line
    # ratios of lead then rest on its weaker lines, which moves all pixels alike (by 0.25 of an
    # error of one at most in three tries)
    own = find_elements(clipped, local=False)
    assert own.model.left_out is not None
    assert not own.fit.used.all()
    assert found.model.left_out is None
    again = map_elements(clipped, own)
    for line in ("Pb L", "Hg L", "Fe K", "Ca K"):
        pull = (again["net_counts"] - whole["net_counts"]).sel(line=line).values[over]
        pull = pull / again["net_counts_err"].sel(line=line).values[over]
        assert abs(pull.mean()) < 0.4, line


def test_a_dip_of_the_beam_reaches_the_rates():
    scan, _ = drifting(0.0, (16, 16), 6000.0)
    rng = np.random.default_rng(8)
    cube = rng.poisson(np.broadcast_to(scan["counts"].values.mean(axis=(0, 1)), (24, 48, 2048)))
    cube[10] = rng.binomial(cube[10], 0.7)
    dim = make_scan(cube.astype(np.uint16), live_time=0.1, instrument=HEAD)
    dim = dim.assign_attrs(SCALE.to_attrs())
    maps = map_elements(dim, find_elements(dim, ["Pb", "Cu", "Hg", "Fe", "Ca"], local=False))
    beam = maps["beam"].values
    assert beam[10, 0] == pytest.approx(0.7, abs=0.02)
    assert (np.delete(beam, 10, axis=0) == 1).all()
    lead = maps["net_counts"].sel(line="Pb L").values
    # counts stay counts: seven tenths of the others
    assert lead[10].mean() / lead[9].mean() == pytest.approx(0.7, abs=0.03)
    assert any("the beam wavered in row 10" in w for w in fault_words(maps))
