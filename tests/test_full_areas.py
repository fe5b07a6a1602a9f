"""Areas of scans whose counters ran full in many or in few pixels."""

from __future__ import annotations

import numpy as np
import pytest
from line_spectra import CHANNELS, RHODIUM, SCALE, model

from xrfmap.areas import sum_areas
from xrfmap.left_out import FULL_SHARE, Tops
from xrfmap.maps import fit_spectrum
from xrfmap.scan import make_scan

NAMES = ("Fe K", "Ca K", "Pb L", "Cu K")
GIVEN = [name.split()[0] for name in NAMES]
NET = (16e3, 900.0, 2e3, 700.0)
TOP = 255


def mean_of(net):
    single = model(NAMES)
    background = single.continuum().sum(axis=1)
    mean = 3e3 * background / background.sum()
    for emitter, counts in zip(single.emitters, net, strict=False):
        mean = mean + counts * single.column(emitter)
    return mean


def scan_of(counts):
    return make_scan(counts, live_time=0.1, instrument=RHODIUM).assign_attrs(SCALE.to_attrs())


@pytest.fixture(scope="module")
def cube():
    """Eight rows of strong iron (a main line of about 900 counts a channel), eight of weak."""
    rng = np.random.default_rng(4)
    strong = rng.poisson(mean_of(NET), (8, 16, CHANNELS))
    weak = rng.poisson(mean_of((1e3, *NET[1:])), (8, 16, CHANNELS))
    return np.concatenate([strong, weak])


def halves():
    upper = np.zeros((16, 16), bool)
    upper[:8] = True
    return {"strong": upper, "weak": ~upper}


def test_full_channels_of_an_area_are_left_out_of_its_fit(cube):
    clipped = np.minimum(cube, TOP).astype(np.uint8)
    sums = sum_areas(scan_of(clipped), halves())
    marked = sums["left_out"]
    assert not marked.sel(area="weak").any()
    at = SCALE.energy(np.flatnonzero(marked.sel(area="strong").values))
    assert at.min() < 6.40 < at.max()  # Fe K-alpha, Bearden 1967, from memory
    assert np.ptp(at) < 1.0
    whole = sum_areas(scan_of(cube.astype(np.uint16)), halves())
    assert "left_out" not in whole
    like = fit_spectrum(whole.sel(area="weak").drop_vars("area"), elements=GIVEN).found
    area = sums.sel(area="strong").drop_vars("area")
    fit = fit_spectrum(area, elements=GIVEN, like=like)
    assert "ran full in some of the pixels" in fit.table.attrs["full_channels"]
    for line, net in zip(NAMES, NET, strict=True):
        one = fit.table.sel(line=line)
        assert abs(float(one["net_counts"]) - 128 * net) < 3 * float(one["net_counts_err"]), line
    # the same counts fitted as they are lose a part of the iron
    untold = fit_spectrum(area.drop_vars("left_out"), elements=GIVEN, like=like).table
    low = float(untold["net_counts"].sel(line="Fe K"))
    assert low < 128 * NET[0] - 5 * float(untold["net_counts_err"].sel(line="Fe K"))


def test_a_few_full_pixels_among_many_cost_no_channel(cube):
    some = cube[8:].copy()
    iron = int(SCALE.channel(6.40))
    assert some.max() < TOP
    some[0, 0, iron - 2 : iron + 3] = TOP
    everywhere = {"all": np.ones((8, 16), bool)}
    # one pixel of 128 with about 50 counts each: four per cent
    sums = sum_areas(scan_of(some.astype(np.uint8)), everywhere)
    assert sums["left_out"].values[0, iron - 2 : iron + 3].all()
    many = np.concatenate([some, np.tile(cube[8:], (16, 1, 1))])
    sums = sum_areas(scan_of(many.astype(np.uint8)), {"all": np.ones(many.shape[:2], bool)})
    share = TOP / sums["counts"].values[0, iron]
    assert share < FULL_SHARE
    assert "left_out" not in sums


def test_tops_of_parts_are_those_of_the_whole():
    rng = np.random.default_rng(2)
    pixels = rng.integers(240, 256, (60, 40)).astype(np.uint8)
    whole = Tops.of(pixels)
    joined = Tops.none(40)
    for part in np.split(pixels, [7, 30, 31]):
        joined = joined.joined(Tops.of(part))
    np.testing.assert_array_equal(joined.largest, pixels.max(axis=0))
    full = pixels.max(axis=0) == TOP
    np.testing.assert_array_equal(joined.pixels[full], (pixels == TOP).sum(axis=0)[full])
    np.testing.assert_array_equal(joined.pixels[full], whole.pixels[full])
    assert full.any()
