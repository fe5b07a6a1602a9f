"""Checks of the scan Dataset."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import dask.array as da
import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.scan import GLOSSARY, check_scan, instrument_of, linear_scale, make_scan, notes_of
from xrfmap.settings import Instrument

CUBE = np.ones((3, 4, 8), dtype=np.uint16)


def test_a_scan_has_the_names_dims_and_units_of_the_glossary():
    ds = make_scan(
        CUBE, live_time=0.1, real_time=0.12, y=[0, 1, 2], x=[0, 1, 2, 3], energy_kev=np.arange(8)
    )
    for name in ds.variables:
        term = GLOSSARY[str(name)]
        assert (ds[name].dims, ds[name].attrs["units"]) == (term.dims, term.units)
    assert set(ds.variables) == {"counts", "live_time", "real_time", "y", "x", "energy"}


def test_the_glossary_cannot_be_changed():
    with pytest.raises(TypeError):
        GLOSSARY["counts"] = GLOSSARY["energy"]  # type: ignore[index]
    with pytest.raises(FrozenInstanceError):
        GLOSSARY["counts"].units = "s"  # type: ignore[misc]


def test_a_point_has_channels_only_and_a_live_time_of_one_number():
    ds = make_scan(np.arange(8), live_time=100.0)
    assert ds["counts"].dims == ("channel",)
    assert ds["live_time"].dims == ()
    assert set(ds.coords) == set()


def test_unknown_live_time_is_nan_and_unknown_positions_are_pixels():
    ds = make_scan(CUBE)
    assert np.isnan(ds["live_time"].values).all()
    assert ds["live_time"].shape == (3, 4)
    assert ds["x"].attrs["units"] == "pixel"
    assert ds["x"].values.tolist() == [0, 1, 2, 3]


def test_a_lazy_cube_is_not_read_by_the_check():
    def explode(block):
        raise AssertionError("the cube was read")

    cube = da.from_array(CUBE, chunks=(1, 4, 8)).map_blocks(explode, dtype=np.uint16)
    assert check_scan(make_scan(cube)).sizes["channel"] == 8


def test_only_what_was_said_of_the_instrument_is_kept():
    ds = make_scan(CUBE, instrument=Instrument(anode="Rh"), notes=["seconds were assumed"])
    assert instrument_of(ds).model_fields_set == {"anode"}
    assert instrument_of(ds).takeoff_deg == Instrument().takeoff_deg
    assert notes_of(ds) == ["seconds were assumed"]


@pytest.mark.parametrize(
    ("kwargs", "field"),
    [
        ({"counts": CUBE[0]}, "counts"),
        ({"counts": CUBE[:0]}, "counts"),
        ({"counts": CUBE.astype(complex)}, "counts"),
        ({"live_time": np.ones((4, 3))}, ""),
        ({"live_time": -1.0}, "live_time"),
        ({"live_time": np.inf}, "live_time"),
        ({"real_time": -1.0}, "real_time"),
        ({"y": [0, 1, 1], "x": [0, 1, 2, 3]}, "y"),
        ({"y": [0, 1, 2], "x": [0, 1, np.nan, 3]}, "x"),
        ({"y": [0, 1, 2], "x": [0, 1, 2, 3], "position_units": "m"}, "y, x"),
        ({"energy_kev": np.arange(8)[::-1]}, "energy"),
        ({"energy_kev": np.arange(7)}, ""),
    ],
)
def test_parts_that_do_not_fit_are_refused(kwargs, field):
    given = {"counts": CUBE, "source": "front.h5", **kwargs}
    with pytest.raises(InputError) as caught:
        make_scan(**given)
    assert caught.value.where == "front.h5"
    assert caught.value.field == field


def test_a_scale_with_parts_missing_is_refused():
    ds = make_scan(CUBE).assign_attrs(zero_kev=0.0, kev_per_channel=0.01)
    with pytest.raises(InputError, match="zero_kev"):
        check_scan(ds)


@pytest.mark.parametrize("text", ["not json", '{"anodes": "Rh"}', '{"tube_kv": -3}'])
def test_an_instrument_that_is_none_is_refused(text):
    with pytest.raises(InputError, match="instrument"):
        check_scan(make_scan(CUBE).assign_attrs(instrument=text))


def test_zero_and_gain_of_an_even_axis():
    zero, gain = linear_scale(-0.02 + 0.0101 * np.arange(2048))
    assert zero == pytest.approx(-0.02, abs=1e-12)
    assert gain == pytest.approx(0.0101, rel=1e-12)


def test_an_uneven_axis_has_no_scale():
    with pytest.raises(ValueError, match="not even"):
        linear_scale(np.arange(100) ** 1.01)
    with pytest.raises(ValueError, match="two channels"):
        linear_scale([1.0])
