"""Numbers that no tidy scan holds have defined results, and no NaN where a value is due."""

from __future__ import annotations

import numpy as np
import pytest
from painted import found_in, scan_of, simulated

from xrfmap.errors import InputError
from xrfmap.fit.pixels import Design, fit_counts
from xrfmap.io.stored import check_counts
from xrfmap.maps.element_maps import block_fit, map_elements
from xrfmap.scan import make_scan
from xrfmap.spectra.summary import summarise

KIND = "chalk"
FIELDS = ("net_counts", "net_counts_err", "net_counts_ul", "decision_threshold", "detection_limit")


def fitted(rows: np.ndarray) -> dict[str, np.ndarray]:
    """Pixels fitted with the model of a painting, one row of a block each."""
    block = rows[:, None, :]
    work = block_fit(scan_of(simulated(KIND)), found_in(KIND))
    bare = type(work)(work.designs)  # without the faults of another scan
    return bare(block, (slice(0, len(rows)), slice(0, 1)))


def peak_channel() -> int:
    return int(np.argmax(simulated(KIND).scan["counts"].values.sum(axis=(0, 1))))


def test_a_pixel_without_counts_has_no_values():
    rows = np.zeros((3, 2048), np.uint16)
    rows[1] = simulated(KIND).scan["counts"].values[0, 0]
    got = fitted(rows)
    for name in FIELDS:
        assert np.isnan(got[name][:, [0, 2]]).all()
        assert np.isfinite(got[name][:, 1]).all()
    assert got["fit_ok"].ravel().tolist() == [False, True, False]
    assert got["total_counts"].ravel()[[0, 2]].tolist() == [0.0, 0.0]


def test_a_pixel_with_one_count_has_wide_finite_limits():
    rows = np.zeros((1, 2048), np.uint16)
    rows[0, peak_channel()] = 1
    got = fitted(rows)
    for name in FIELDS:
        assert np.isfinite(got[name]).all(), name
    # one count makes no more than about one net count of all families together; the
    # estimates are freed of the bound at zero one by one, so their sum may pass it a little
    assert got["net_counts"].sum() < 3.0
    # 95 % upper limit of one observed count without background: 5.14 (Feldman and Cousins,
    # Phys. Rev. D 57, 3873 (1998), table IV, from memory); no family may have a lower one
    # than that of no count at all, 1.29 in the approximation used (Gaussian from zero on)
    assert (got["net_counts_ul"] > 0).all()
    assert (got["detection_limit"] >= got["decision_threshold"]).all()


@pytest.mark.parametrize("count", [1_000, 60_000])
def test_all_counts_in_one_channel_stay_finite(count):
    rows = np.zeros((2, 2048), np.uint32)
    rows[0, peak_channel()] = count
    rows[1, 2047] = count  # above all lines
    got = fitted(rows)
    for name in FIELDS:
        assert np.isfinite(got[name]).all(), name
        assert (got[name] >= 0).all(), name
    assert got["net_counts"][:, 0].sum() <= 3 * count


def test_sums_beyond_32_bits_do_not_wrap():
    # 40 x 50 pixels of 4e6 counts in one channel: 8e9, twice what 32 bits hold
    counts = np.zeros((40, 50, 64), np.uint32)
    counts[..., 7] = 4_000_000
    summary = summarise(make_scan(counts, source="sum"))
    assert summary.sum_counts[7] == 8e9
    assert summary.total.sum() == 8e9
    assert summary.cluster_counts[:, 7].sum() == 8e9


@pytest.mark.parametrize("dtype", [np.uint8, np.int32, np.int64, np.uint64, np.float32, np.float64])
def test_the_type_of_the_counts_changes_nothing(dtype):
    counts = np.minimum(simulated(KIND).scan["counts"].values[:2].reshape(-1, 2048), 255)
    want, got = fitted(counts.astype(np.uint16)), fitted(counts.astype(dtype))
    for name in (*FIELDS, "total_counts", "deviance_per_dof"):
        np.testing.assert_array_equal(got[name], want[name], err_msg=name)


def test_counts_that_are_no_whole_numbers_lie_between_their_neighbours():
    # half counts come from files that average two readings: the fit is defined for them,
    # since the likelihood is, and scaled counts give scaled net counts
    row = simulated(KIND).scan["counts"].values[3, 3].astype(np.float32)
    once, half = fitted(row[None]), fitted((row / 2)[None])
    strong = once["net_counts"][:, 0, 0] > 10 * once["net_counts_err"][:, 0, 0]
    assert strong.any()
    np.testing.assert_allclose(
        half["net_counts"][strong] * 2, once["net_counts"][strong], rtol=0.02
    )  # start and step tolerance are those of other counts: a twentieth of an error at most


def test_numbers_that_are_no_counts_are_refused():
    for bad in (np.nan, np.inf, -1.0):
        block = np.ones((2, 3, 4))
        block[1, 2, 3] = bad
        with pytest.raises(InputError, match=r"pixel \(y, x\) = \(1, 2\), channel 3"):
            check_counts(block, "scan.h5")


def test_unknown_live_times_leave_the_counts_alone():
    scan = scan_of(simulated(KIND))
    live = scan["live_time"].values.copy()
    live[:5] = np.nan
    holed = scan.assign(live_time=(("y", "x"), live, {"units": "s"}))
    maps, want = map_elements(holed, found_in(KIND)), map_elements(scan, found_in(KIND))
    np.testing.assert_array_equal(maps["net_counts"].values, want["net_counts"].values)
    assert np.isnan(maps["live_time"].values[:5]).all()
    assert maps["fit_ok"].values.all()


def test_two_like_templates_share_the_counts():
    # Two columns that coincide cannot be told apart: their sum is that of one such column,
    # each stays finite and at zero or above.
    x = np.arange(60)
    peak = np.exp(-0.5 * ((x - 30) / 4) ** 2)
    flat = np.ones(60)
    edges = np.arange(61)
    rows = np.random.default_rng(3).poisson(200 * peak / peak.sum() + 2.0, (64, 60))
    rows = rows.astype(np.uint16)
    columns = [peak / peak.sum(), flat / 60]
    one = fit_counts(rows, Design(np.column_stack(columns), edges, ("a", "b")))
    two = fit_counts(
        rows, Design(np.column_stack([columns[0], *columns]), edges, ("a", "again", "b"))
    )
    assert np.isfinite(two.amplitude).all()
    assert np.isfinite(two.variance).all()
    assert (two.amplitude >= 0).all()
    both = two.amplitude[:, 0] + two.amplitude[:, 1]
    np.testing.assert_allclose(both, one.amplitude[:, 0], rtol=0.01)
    # what cannot be told apart has an error far beyond that of the sum
    assert (two.variance[:, 0] > 100 * one.variance[:, 0]).all()
