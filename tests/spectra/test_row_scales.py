"""Energy scales of rows: grouping, transport, and peaks of spectra summed over a drift."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from line_spectra import SCALE, model

from xrfmap.scan import make_scan
from xrfmap.spectra.row_scales import (
    COARSE_KEV,
    FINE_KEV,
    REFERENCE_KEV,
    RowScales,
    drift_attrs,
    shifted,
    with_drift,
    with_drift_attrs,
)

ROWS = 40
LINEAR = 1 + 0.01 * np.linspace(-0.5, 0.5, ROWS)  # one per cent over the scan


def drifting() -> RowScales:
    return RowScales(LINEAR, np.zeros(ROWS))


def test_rows_of_a_group_share_their_scale_within_half_a_step():
    rows = drifting()
    group, shifts = rows.groups()
    assert sorted(set(group)) == list(range(len(shifts)))
    gain = np.array([s[1] for s in shifts])
    assert np.abs(gain[group] - rows.gain_factor).max() * REFERENCE_KEV < FINE_KEV
    # 0.2 keV of drift at 20 keV in steps of 0.015 keV
    assert len(shifts) == pytest.approx(0.2 / FINE_KEV, abs=1.5)


def test_weights_follow_the_counts_of_the_rows():
    counts = np.zeros(ROWS)
    counts[:4], counts[20] = 1.0, 12.0
    shifts = drifting().shifts(counts)
    assert sum(s[0] for s in shifts) == pytest.approx(1.0)
    assert sum(s[0] * s[1] for s in shifts) == pytest.approx(np.average(LINEAR, weights=counts))
    assert drifting().shifts(np.zeros(ROWS)) == ()


def test_peaks_of_a_sum_are_the_sum_of_the_peaks_of_its_rows():
    # truth: every row drawn at its own scale, no grouping
    single = model(("Fe K", "Pb L"))
    for k in (0, 1):
        emitter = single.emitters[k]
        rows = [single.at(shifted(SCALE, g, 0.0)).column(emitter) for g in LINEAR]
        truth = np.mean(rows, axis=0)
        mine = replace(single, shifts=drifting().shifts()).column(emitter)
        # the shelf reaches below channel 0, by a little more or less from row to row
        assert mine.sum() == pytest.approx(truth.sum(), rel=1e-5)
        # place and spread of the rows are met exactly; at 0.5 % the sum spectrum would already
        # show 30 % too much arsenic beside lead
        assert np.abs(mine - truth).max() < 0.001 * truth.max()
        unmoved = single.column(emitter)
        assert np.abs(unmoved - truth).max() > 3 * np.abs(mine - truth).max()
    assert COARSE_KEV < 0.2


@pytest.mark.parametrize("energy", [3.7, 10.5, 20.2])
def test_scales_of_a_sum_have_place_width_and_skewness_of_its_rows(energy):
    # closed form: n nodes of a Gauss quadrature match the first 2 n - 1 moments
    rng = np.random.default_rng(1)
    for span in (0.001, 0.003, 0.01, 0.03):
        rows = RowScales(1 + span * rng.random(200) ** 2, 0.002 * rng.random(200))
        counts = rng.random(200)
        share, gain, zero = np.array(rows.shifts(counts, energy)).T
        assert share.sum() == pytest.approx(1.0)
        mine, theirs = gain * energy + zero, rows.gain_factor * energy + rows.zero_shift
        mean = np.average(theirs, weights=counts)
        spread = np.sqrt(np.average((theirs - mean) ** 2, weights=counts))
        assert share @ mine == pytest.approx(mean, rel=1e-12)
        assert share @ gain == pytest.approx(np.average(rows.gain_factor, weights=counts))
        for power in (2, 3):
            truth = np.average(((theirs - mean) / spread) ** power, weights=counts)
            assert share @ ((mine - mean) / spread) ** power == pytest.approx(truth, rel=1e-6)


@pytest.mark.parametrize("span", [0.003, 0.01, 0.03])
@pytest.mark.parametrize("family", ["Ca K", "Fe K", "Pb L", "Sn K"])
def test_few_scales_draw_peaks_as_if_each_row_were_drawn(span, family):
    rows = RowScales(1 + span * np.linspace(-0.5, 0.5, ROWS), np.zeros(ROWS))
    single = model((family,))
    emitter = single.emitters[0]
    each = [single.at(shifted(SCALE, g, 0.0)).column(emitter) for g in rows.gain_factor]
    truth = np.mean(each, axis=0)
    shifts = rows.shifts(energy_kev=float(emitter.energies.max()))
    mine = replace(single, shifts=shifts).column(emitter)
    # a thousandth, see SPREADS; the lines of a family are not all at its highest energy
    assert np.abs(mine - truth).max() < 0.0015 * truth.max()
    assert len(shifts) <= 2 + 500 * span


def test_rows_that_agree_need_one_scale_and_two_alike_need_two():
    one = RowScales(np.full(ROWS, 1.001), np.full(ROWS, 0.002))
    assert one.shifts() == ((1.0, pytest.approx(1.001), pytest.approx(0.002)),)
    gain = np.repeat([0.98, 1.02], ROWS // 2)  # a step, far wider than a peak
    share, at, _ = np.array(RowScales(gain, np.zeros(ROWS)).shifts()).T
    np.testing.assert_allclose(share, [0.5, 0.5])
    np.testing.assert_allclose(at, [0.98, 1.02])


def test_a_drift_travels_as_one_attribute_and_back():
    scan = make_scan(np.ones((ROWS, 3, 8), np.uint16)).assign_attrs(SCALE.to_attrs())
    drift = scan[["y"]].assign(
        gain_factor=("y", LINEAR, {"units": "1"}), zero_shift=("y", 0 * LINEAR, {"units": "keV"})
    )
    drift.attrs = {**SCALE.to_attrs(), "drift_found": 1, "drift_because": "said"}
    moved = with_drift(scan, drift)
    again = with_drift_attrs(scan.assign_attrs(drift_attrs(moved)))
    np.testing.assert_array_equal(RowScales.of(again).gain_factor, LINEAR)
    assert again["zero_shift"].attrs["units"] == "keV"
    assert "calibration_drift" not in again.attrs
    assert moved.attrs["calibration_drift_because"] == "said"


def test_a_steady_scan_carries_nothing():
    scan = make_scan(np.ones((ROWS, 3, 8), np.uint16)).assign_attrs(SCALE.to_attrs())
    drift = scan[["y"]].assign_attrs(drift_found=0)
    assert with_drift(scan, drift) is scan
    assert RowScales.of(scan) is None
    assert drift_attrs(scan) == {}
    assert with_drift_attrs(scan) is scan
