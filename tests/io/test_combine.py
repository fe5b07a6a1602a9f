"""Detectors added up on one energy scale: means and Poisson statistics are kept."""

from __future__ import annotations

import dask.array as da
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from xrfmap.errors import InputError
from xrfmap.io.combine import rebin_counts, split_shares, sum_detectors
from xrfmap.scan import make_scan, notes_of

ONE = {"zero_kev": -0.02, "kev_per_channel": 0.0100, "noise_kev": 0.08, "fano": 0.115}
TWO = {"zero_kev": 0.013, "kev_per_channel": 0.0103, "noise_kev": 0.06, "fano": 0.115}


def calibrated(cube, scale, **kwargs):
    return make_scan(cube, source="front.h5", **kwargs).assign_attrs(scale)


@given(zero=st.floats(-0.5, 0.5), gain=st.floats(0.004, 0.04), other=st.floats(0.004, 0.04))
def test_shares_are_complete(zero, gain, other):
    first, shares = split_shares(64, (zero, gain), (0.0, other))
    np.testing.assert_allclose(shares.sum(axis=0), 1.0, rtol=1e-9)
    assert (shares >= 0).all()
    # the mean energy of what falls where is the energy of the channel
    energy = other * (first + np.arange(len(shares))[:, None])
    middle = (shares * energy).sum(axis=0)
    # at most half a target channel away, as the target knows no finer
    assert np.abs(middle - (zero + gain * np.arange(64))).max() <= 0.5 * other + 1e-9


def test_equal_scales_add_up_unchanged():
    cube = np.random.default_rng(0).poisson(2.0, (3, 4, 50))
    total = sum_detectors([calibrated(cube, ONE), calibrated(cube + 1, ONE)])
    np.testing.assert_array_equal(total["counts"].values, 2 * cube + 1)


def test_a_count_keeps_its_energy():
    counts = np.zeros((1, 100), dtype=np.int64)
    counts[0, 40] = 1000
    got = rebin_counts(counts, (0.0, 0.02), (0.0, 0.01), np.array([0]), 0)
    # channel 40 of 20 eV reaches from 0.79 to 0.81 keV: half of 79, all of 80, half of 81
    assert got.sum() == 1000
    assert got[0, [79, 80, 81]].sum() == 1000
    # binomial of 1000 with chance 1/2: standard deviation 16, five of them
    assert abs(got[0, 80] - 500) < 80


def test_counts_outside_the_scale_are_left_out():
    counts = np.ones((1, 10), dtype=np.int64)
    got = rebin_counts(counts, (0.05, 0.01), (0.0, 0.01), np.array([0]), 0)
    assert got[0].tolist() == [0] * 5 + [1] * 5


def test_the_sum_is_poisson_with_the_mean_of_the_true_rate():
    # closed form: a rate r(E) = 400 + 100 E per keV and detector, so the mean in a channel
    # of both together is the integral over the channel, for two detectors
    rng = np.random.default_rng(1)
    channels, pixels = 200, (60, 50)
    scans = []
    for scale in (ONE, TWO):
        energy = scale["zero_kev"] + scale["kev_per_channel"] * np.arange(channels)
        mean = np.clip(400 + 100 * energy, 0, None) * scale["kev_per_channel"]
        scans.append(calibrated(rng.poisson(mean, (*pixels, channels)), scale))
    total = sum_detectors(scans)["counts"].values.reshape(-1, channels)[:, 10:190]
    energy = (ONE["zero_kev"] + ONE["kev_per_channel"] * np.arange(channels))[10:190]
    want = 2 * (400 + 100 * energy) * ONE["kev_per_channel"]
    n = len(total)
    # 180 channels at once: 5 standard errors; the rate is linear, but within a source
    # channel it is taken as flat, which moves a share of 1e-3 at most
    off = (total.mean(axis=0) - want) / np.sqrt(want / n)
    assert np.abs(off).max() < 5
    # variance over mean of a Poisson variable scatters by sqrt(2 / n)
    ratio = total.var(axis=0, ddof=1) / total.mean(axis=0)
    assert np.abs(ratio - 1).max() < 5 * np.sqrt(2 / n)
    # neighbours are not correlated
    near = [np.corrcoef(total[:, i], total[:, i + 1])[0, 1] for i in range(179)]
    assert np.abs(near).max() < 5 / np.sqrt(n)
    chi2 = float((off**2).sum())
    assert stats.chi2.sf(chi2, 180) > 1e-4


def test_blocks_and_repetition_do_not_change_the_counts():
    cube = np.random.default_rng(2).poisson(3.0, (12, 9, 64))
    results = []
    for chunks in ((12, 9, 64), (5, 9, 64), (1, 2, 64)):
        pair = [calibrated(da.from_array(cube, chunks=chunks), s) for s in (ONE, TWO)]
        results.append(sum_detectors(pair)["counts"].values)
    np.testing.assert_array_equal(results[0], results[1])
    np.testing.assert_array_equal(results[0], results[2])


def test_nothing_is_read_before_it_is_asked_for():
    def explode(block):
        raise AssertionError("read")

    cube = da.from_array(np.ones((4, 4, 8), int)).map_blocks(explode, dtype=int)
    assert sum_detectors([calibrated(cube, ONE), calibrated(cube, TWO)])["counts"].shape == (
        4,
        4,
        8,
    )


def test_broken_counts_are_split_by_proportion():
    counts = np.zeros((1, 20))
    counts[0, 10] = 1.5
    got = rebin_counts(counts, (0.005, 0.01), (0.0, 0.01), np.array([0]), 0)
    np.testing.assert_allclose(got[0, [10, 11]], 0.75)


def test_live_time_width_and_notes_of_the_sum():
    cube = np.ones((2, 2, 8), int)
    pair = [
        calibrated(cube, ONE, live_time=0.1, notes=["a"]),
        calibrated(cube, TWO, live_time=0.2, notes=["a"]),
    ]
    total = sum_detectors(pair)
    np.testing.assert_allclose(total["live_time"].values, 0.15)
    assert total.attrs["zero_kev"] == ONE["zero_kev"]
    assert total.attrs["noise_kev"] == pytest.approx(np.sqrt((0.08**2 + 0.06**2) / 2))
    assert notes_of(total) == ["a", "2 detectors added up on the energy scale of the first"]


def test_what_cannot_be_added_is_refused():
    cube = np.ones((2, 2, 8), int)
    with pytest.raises(InputError, match="detector 2: found no energy scale"):
        sum_detectors([calibrated(cube, ONE), make_scan(cube)])
    with pytest.raises(InputError, match="as the first detector"):
        sum_detectors([calibrated(cube, ONE), calibrated(cube[:1], ONE)])
