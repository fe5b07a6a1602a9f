"""What a pixel says."""

import numpy as np
import xarray as xr

from xrfmap.explore.readout import pixel_reading

LINES = ["Pb L", "Zn K"]


def maps(net, threshold=10.0, ok=True):
    def field(value):
        return (("line", "y", "x"), np.full((2, 1, 1), value))

    return xr.Dataset(
        {
            "net_counts": field(net), "net_counts_err": field(5.0), "net_counts_ul": field(21.0),
            "decision_threshold": field(threshold), "detection_limit": field(19.0),
            "fit_ok": (("y", "x"), [[ok]]),
        },
        coords={"line": LINES},
    )  # fmt: skip


def test_above_the_threshold_a_family_is_seen():
    found = pixel_reading(maps(123.4), 0, 0, ["Pb L"])
    assert [r.state for r in found] == ["seen"]
    assert found[0].value == "123.4 ± 5.0"
    assert found[0].words == "seen (above 10)"


def test_at_the_threshold_it_is_not_and_the_limits_are_told():
    found = pixel_reading(maps(10.0), 0, 0, ["Pb L"])[0]
    assert found.state == "not seen"
    assert found.words == "not seen: fewer than 21; sure from 19"


def test_a_failed_fit_gives_no_number():
    for data in (maps(50.0, ok=False), maps(np.nan)):
        found = pixel_reading(data, 0, 0, LINES)
        assert [r.state for r in found] == ["no fit", "no fit"]
        assert all(r.value == "–" for r in found)


def test_families_without_a_map_are_left_out():
    assert [r.family for r in pixel_reading(maps(1.0), 0, 0, ["Au L", "Zn K"])] == ["Zn K"]
