"""Sum, maximum and cluster spectra of a scan."""

from __future__ import annotations

import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.simulate import painting
from xrfmap.spectra.summary import pile_up_shape, summarise

SCALE = EnergyScale(0.0, 0.02)


@pytest.fixture(scope="module")
def scan():
    return painting("northern panel", shape=(24, 30), total_counts=2000, seed=3).scan


def test_sums_are_those_of_the_cube(scan):
    summary = summarise(scan)
    cube = scan["counts"].values
    np.testing.assert_array_equal(summary.sum_counts, cube.sum(axis=(0, 1)))
    np.testing.assert_array_equal(summary.max_counts, cube.max(axis=(0, 1)))
    np.testing.assert_array_equal(summary.total, cube.sum(axis=2))


def test_clusters_divide_the_scan(scan):
    summary = summarise(scan)
    np.testing.assert_array_equal(summary.cluster_counts.sum(axis=0), summary.sum_counts)
    assert summary.cluster_size.sum() == summary.total.size
    for k, counts in enumerate(summary.cluster_counts):
        own = scan["counts"].values[summary.cluster == k]
        assert len(own) == summary.cluster_size[k]
        np.testing.assert_array_equal(own.sum(axis=0), counts)


def test_clusters_follow_the_paints():
    made = painting("northern panel", shape=(24, 30), total_counts=6000, seed=3)
    share = made.truth["net_counts"] / made.truth["net_counts"].sum("line")
    mercury = share.sel(line="Hg L").values  # 0 to 43 %, known exactly
    label = summarise(made.scan).cluster
    within = sum(((mercury[label == k] - mercury[label == k].mean()) ** 2).sum()
                 for k in np.unique(label))  # fmt: skip
    # 95 % measured; the rest are soft edges between paints, cut into few groups
    assert 1 - within / ((mercury - mercury.mean()) ** 2).sum() > 0.9


def test_result_is_the_same_for_any_blocking(scan):
    whole = summarise(scan)
    lazy = scan.assign(counts=scan["counts"].chunk({"y": 5, "x": 7, "channel": -1}))
    parts = summarise(lazy)
    for name in ("sum_counts", "max_counts", "total", "cluster", "cluster_counts", "cluster_size"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(parts, name), err_msg=name)


def test_pixels_without_counts_belong_to_no_group(scan):
    counts = scan["counts"].values.copy()
    counts[3] = 0
    counts[10, 11] = 0
    summary = summarise(scan.assign(counts=(scan["counts"].dims, counts)))
    assert np.all(summary.cluster[3] == -1)
    assert summary.cluster[10, 11] == -1
    assert (summary.cluster == -1).sum() == 31
    assert summary.cluster_size.sum() == summary.total.size - 31


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (3, 2)])
def test_small_scans_have_a_group_at_least(shape):
    counts = np.random.default_rng(0).poisson(2.0, (*shape, 256)).astype(np.uint16)
    summary = summarise(make_scan(counts, instrument=Instrument()))
    assert summary.cluster_size.sum() == shape[0] * shape[1]


def test_scan_without_a_count_is_refused():
    empty = make_scan(np.zeros((3, 4, 64), np.uint16), source="empty.h5")
    with pytest.raises(InputError, match="no count in any pixel") as told:
        summarise(empty)
    assert str(told.value).startswith("empty.h5: counts")


def test_pile_up_forms_within_a_pixel():
    # Two halves with one line each, at channels 300 and 500: pairs fall on 600 and 1000, and
    # not on 800 as the square of the sum spectrum would have it.
    rng = np.random.default_rng(1)
    counts = np.zeros((20, 20, 1200), np.uint16)
    counts[:10, :, 300] = rng.poisson(50, (10, 20))
    counts[10:, :, 500] = rng.poisson(80, (10, 20))
    shape = pile_up_shape(summarise(make_scan(counts)), SCALE)
    first, second = (float(counts[..., c].sum()) for c in (300, 500))
    # two groups of 200 pixels, whose means stand for their pixels: n^2 pairs a pixel
    assert shape[600] == pytest.approx(first**2 / 200)
    assert shape[1000] == pytest.approx(second**2 / 200)
    assert shape[800] == pytest.approx(0.0, abs=1e-6 * shape[1000])
