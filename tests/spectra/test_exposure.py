"""Live time times strength of the beam: what counts are divided by, wherever they are compared."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from xrfmap.areas.map_blocks import blocks_from_maps
from xrfmap.areas.members import sum_areas
from xrfmap.maps.shared_errors import SCHEMA
from xrfmap.spectra.flicker import exposure, rates

NY, NX = 12, 20
LIVE = np.random.default_rng(1).uniform(0.1, 0.2, (NY, NX))
BEAM = np.random.default_rng(2).uniform(0.6, 1.1, (NY, NX))
RATE = 5e4  # net counts a second under the usual beam


def maps(beam=True, live=LIVE):
    counts = RATE * LIVE * (BEAM if beam else 1.0)
    fields = {
        "net_counts": (("line", "y", "x"), counts[None]),
        "net_counts_err": (("line", "y", "x"), np.sqrt(counts)[None]),
        "fit_ok": (("y", "x"), np.ones((NY, NX), bool)),
        "live_time": (("y", "x"), np.broadcast_to(live, (NY, NX)).copy()),
        "total_counts": (("y", "x"), counts),
        "feigned_share": (("line", "beside"), np.zeros((1, 1)), {"schema": SCHEMA}),
        "hidden_share": ("line", np.zeros(1), {"schema": SCHEMA}),
        "hidden_counts": ("line", np.zeros(1), {"schema": SCHEMA}),
    }
    places = {"y": np.arange(NY), "x": np.arange(NX)}
    held = xr.Dataset(fields, coords={"line": ["Pb L"], "beside": ["Pb L"], **places})
    return held.assign(beam=(("y", "x"), BEAM)) if beam else held


def test_exposure_is_live_time_times_beam():
    np.testing.assert_allclose(exposure(maps()), LIVE * BEAM, rtol=1e-12)
    assert exposure(maps()).attrs["units"] == "s"
    np.testing.assert_array_equal(exposure(maps(beam=False)), LIVE)
    assert exposure(maps(beam=False).drop_vars("live_time")) is None
    assert exposure(maps(beam=False, live=np.nan)) is None


def test_without_a_live_time_the_beam_alone_is_taken():
    held = maps(live=np.nan)
    np.testing.assert_array_equal(exposure(held), BEAM)
    assert exposure(held).attrs["units"] == "1"
    assert np.isnan(rates(held)["rate"]).all()  # and no rate is made up


def test_a_pixel_without_time_or_beam_has_no_exposure():
    held = maps()
    held["live_time"][0, 0] = 0.0
    held["beam"][1, 1] = np.nan
    held["beam"][2, 2] = 0.0
    assert np.argwhere(np.isnan(exposure(held).values)).tolist() == [[0, 0], [1, 1], [2, 2]]


@pytest.mark.parametrize("beam", [True, False])
def test_blocks_of_an_area_have_the_exposure_of_their_pixels(beam):
    mask = np.zeros((NY, NX), bool)
    mask[2:11, 3:17] = True
    held = blocks_from_maps(maps(beam), {"sky": mask})["sky"]
    assert held.unit == "s"
    np.testing.assert_allclose(held.net[:, 0] / held.exposure, RATE, rtol=1e-9)


def test_sums_of_areas_tell_their_exposure_where_the_beam_wavered():
    mask = np.zeros((NY, NX), bool)
    mask[4:9] = True
    scan = maps()[["live_time", "beam"]].assign(
        counts=(("y", "x", "channel"), np.ones((NY, NX, 4), np.uint16))
    )
    sums = sum_areas(scan, {"sky": mask})
    assert float(sums["exposure"][0]) == pytest.approx((LIVE * BEAM)[mask].sum(), rel=1e-12)
    assert float(sums["live_time"][0]) == pytest.approx(LIVE[mask].sum(), rel=1e-12)
    assert "exposure" not in sum_areas(scan.drop_vars("beam"), {"sky": mask})
