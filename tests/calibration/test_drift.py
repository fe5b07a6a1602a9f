"""Drift of the gain, followed on simulated scans whose drift is known."""

from __future__ import annotations

import numpy as np
import pytest

from xrfmap.calibration.drift import row_scale, track_gain
from xrfmap.errors import CalibrationError
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.paintings import stacks_of
from xrfmap.simulation.simulate import spectrum

GAIN, ZERO = 0.0198, -0.03
INSTRUMENT = Instrument(anode="Rh", tube_kv=50)


def drifting_scan(span, rows=24, columns=20, counts=6000, seed=2):
    """Scan whose gain runs over `span` (relative) from the first row to the last."""
    factor = 1 + span * np.linspace(-0.5, 0.5, rows)
    rng = np.random.default_rng(seed)
    stack = stacks_of("northern panel")[1]
    cube = np.empty((rows, columns, 2048), np.uint16)
    for row in range(rows):
        scale = EnergyScale(ZERO, GAIN * factor[row])
        mean = spectrum(stack, INSTRUMENT, scale, total_counts=counts)
        cube[row] = rng.poisson(np.broadcast_to(mean, (columns, 2048)))
    return make_scan(cube, instrument=INSTRUMENT), factor


@pytest.mark.slow
@pytest.mark.parametrize("span", [0.01, 0.002])
def test_drift_is_followed_row_by_row(span):
    scan, factor = drifting_scan(span)
    drift = track_gain(scan, EnergyScale(ZERO, GAIN))
    assert drift.attrs["drift_found"] == 1
    at_10_kev = [
        float(row_scale(drift, r).energy((10.0 - ZERO) / (GAIN * factor[r]))) - 10.0
        for r in range(len(factor))
    ]
    # 1e5 counts a block place a line to about 2 eV; 8 eV is a twentieth of a peak width,
    # which changes a fitted amplitude by less than a thousandth
    assert np.abs(at_10_kev).max() < 0.008


def test_a_steady_scan_shows_no_drift():
    scan, _ = drifting_scan(0.0)
    drift = track_gain(scan, EnergyScale(ZERO, GAIN))
    assert drift.attrs["drift_found"] == 0
    assert np.ptp(drift["gain_factor"].values) == 0


def test_a_point_spectrum_has_no_rows_to_follow():
    with pytest.raises(CalibrationError, match="no rows"):
        track_gain(make_scan(np.ones(256)), EnergyScale(ZERO, GAIN))
