"""Groups of like pixels: what they share by chance is no element."""

from __future__ import annotations

import numpy as np
import pytest
from test_hidden_sulfur import RHODIUM, SCALE, SHAPE, painted

from xrfmap.identification.identify import elements_of_sum
from xrfmap.maps.like_pixels import add_of_like_pixels
from xrfmap.scan import make_scan
from xrfmap.simulation.expectation import expected


def uniform(side: int, seed: int, total: float = 4500.0):
    """Lead white on chalk, the same in all pixels."""
    mean = expected(
        painted({"lead white": 1.0}, 60.0), RHODIUM, SCALE, live_time_s=100.0,
        total_counts=total, channels=2048, response=SHAPE,
    )  # fmt: skip
    shape = side, side, 2048
    counts = np.random.default_rng(seed).poisson(mean.counts, shape).astype(np.uint16)
    scan = make_scan(counts, live_time=1.0, instrument=RHODIUM).assign_attrs(SCALE.to_attrs())
    return scan, {label.split()[0] for label in mean.families}


@pytest.mark.parametrize(
    "seed", [2, *(pytest.param(s, marks=pytest.mark.slow) for s in (1, 3, 4, 5, 6))]
)
def test_uniform_paint_has_no_more_elements_than_its_sum_shows(seed):
    # the groups that the scan is first sorted into showed antimony by 7 errors (seed 2), tin by
    # 7 and 5 (3 and 4): pixels with many counts of one faint line by chance came together
    scan, true = uniform(96, seed)
    found = elements_of_sum(scan)
    assert set(add_of_like_pixels(scan, found).present) <= true


def test_groups_are_learnt_without_the_channels_that_are_asked():
    from xrfmap.spectra.summary import group_pixels
    from xrfmap.spectra.sums import scan_sums

    scan, _ = uniform(24, 3)
    blind = np.zeros(2048, dtype=bool)
    blind[640:672] = True  # one band of 32 channels
    first, _ = group_pixels(scan, scan_sums(scan), blind=blind)
    counts = scan["counts"].values.copy()
    counts[..., 640:672] = 0
    other = scan.assign(counts=(scan["counts"].dims, counts))
    second, sums = group_pixels(other, scan_sums(other), blind=blind)
    # but for how many counts a typical pixel has, which scales all alike
    assert (first == second).mean() > 0.99
    np.testing.assert_array_equal(sums.sum(axis=0), counts.sum(axis=(0, 1)))
