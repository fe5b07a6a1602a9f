"""Readings of the beam monitor: NXmonitor, a card, a table; how they reach the rates.

NXmonitor (``data``, ``count_time``, ``mode``) and its usual place ``/entry/control`` after the
NeXus base classes, from memory.
"""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.io import open_scan
from xrfmap.io.card import companions
from xrfmap.io.convert import convert
from xrfmap.io.nexus import write_nexus
from xrfmap.scan import make_scan, notes_of
from xrfmap.spectra.flicker import beam_of, rates

NY, NX, NC = 7, 5, 32
CUBE = np.random.default_rng(1).poisson(3.0, (NY, NX, NC)).astype(np.uint16)
BEAM = np.random.default_rng(2).uniform(0.7, 1.2, (NY, NX))
DWELL = np.random.default_rng(3).uniform(0.1, 0.3, (NY, NX))


def write(path, monitors, real_time=None, counts=CUBE):
    write_nexus(path, counts, 0.1, real_time=real_time)
    with h5py.File(path, "r+") as file:
        for name, fields in monitors.items():
            group = file["entry"].create_group(name)
            group.attrs["NX_class"] = "NXmonitor"
            for key, (values, units) in fields.items():
                group[key] = values
                if units:
                    group[key].attrs["units"] = units
    return path


@pytest.mark.parametrize("name", ["control", "monitor", "ionisation_chamber"])
def test_counts_of_a_monitor_are_divided_by_the_time_it_counted(tmp_path, name):
    fields = {"data": (1e5 * BEAM * DWELL, "counts"), "count_time": (DWELL, "s")}
    ds = open_scan(write(tmp_path / "a.h5", {name: fields}))
    np.testing.assert_allclose(ds["monitor"].values, 1e5 * BEAM, rtol=1e-12)
    assert ds["monitor"].dims == ("y", "x")


def test_without_a_time_of_its_own_the_real_time_of_the_pixel_is_taken(tmp_path):
    fields = {"control": {"data": (1e5 * BEAM * DWELL, "")}}
    ds = open_scan(write(tmp_path / "a.h5", fields, DWELL))
    np.testing.assert_allclose(ds["monitor"].values, 1e5 * BEAM, rtol=1e-12)
    ds = open_scan(write(tmp_path / "b.h5", {"control": {"data": (BEAM, "")}}))
    np.testing.assert_array_equal(ds["monitor"].values, BEAM)
    assert "taken as counted in equal times" in " ".join(notes_of(ds))


@pytest.mark.parametrize("units", ["Hz", "counts/s", "mA", "nA"])
def test_a_rate_or_a_current_is_a_strength_already(tmp_path, units):
    fields = {"control": {"data": (BEAM, units), "count_time": (DWELL, "s")}}
    ds = open_scan(write(tmp_path / "a.h5", fields, DWELL))
    np.testing.assert_array_equal(ds["monitor"].values, BEAM)


def test_control_goes_before_other_monitors(tmp_path):
    one = {"data": (BEAM, "Hz")}
    other = {"data": (np.ones((NY, NX)), "Hz")}
    ds = open_scan(write(tmp_path / "a.h5", {"after": other, "control": one, "before": other}))
    np.testing.assert_array_equal(ds["monitor"].values, BEAM)
    ds = open_scan(write(tmp_path / "b.h5", {"after": other, "before": one}))
    assert "monitor" not in ds
    assert "several monitors" in " ".join(notes_of(ds))


@pytest.mark.parametrize(
    ("values", "why"),
    [
        (np.ones((NY, NX + 1)), "shape"),
        (-BEAM, "below zero"),
        (np.full((NY, NX), np.nan), "below zero or none"),
    ],
)
def test_a_monitor_that_does_not_fit_is_passed_over_with_a_note(tmp_path, values, why):
    ds = open_scan(write(tmp_path / "a.h5", {"control": {"data": (values, "Hz")}}))
    assert "monitor" not in ds
    assert any(why in note and "passed over" in note for note in notes_of(ds))


def test_one_reading_for_the_whole_scan_says_nothing(tmp_path):
    ds = open_scan(write(tmp_path / "a.h5", {"control": {"data": (5.0, "Hz")}}))
    assert "monitor" not in ds


def test_a_list_of_points_has_its_readings_point_by_point(tmp_path):
    rows, columns = np.divmod(np.random.default_rng(4).permutation(NY * NX)[:-1], NX)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": [".", "energy"]})
        data["counts"] = CUBE[rows, columns]
        for name, values in (("y", 0.5 * rows), ("x", 0.5 * columns)):
            data[name] = values
            data[name].attrs["units"] = "mm"
        control = entry.create_group("control")
        control.attrs["NX_class"] = "NXmonitor"
        control["data"] = BEAM[rows, columns]
        control["data"].attrs["units"] = "Hz"
    ds = open_scan(tmp_path / "a.h5")
    seen = ds["counts"].values.any(axis=2)
    assert seen.sum() == NY * NX - 1
    np.testing.assert_array_equal(ds["monitor"].values[seen], BEAM[seen])
    assert np.isnan(ds["monitor"].values[~seen]).all()


def test_a_card_names_the_file_of_the_monitor(tmp_path):
    np.save(tmp_path / "beam.npy", BEAM)
    (tmp_path / "a.raw").write_bytes(CUBE.tobytes())
    card = (
        f'type = "uint16"\naxes = ["y", "x", "energy"]\nshape = [{NY}, {NX}, {NC}]\n'
        'monitor_file = "{}"\n'
    )
    (tmp_path / "a.raw.toml").write_text(card.replace("{}", "beam.npy"))
    np.testing.assert_array_equal(open_scan(tmp_path / "a.raw")["monitor"].values, BEAM)
    np.save(tmp_path / "beam.npy", BEAM[:-1])
    with pytest.raises(InputError, match="correct monitor_file in the card"):
        open_scan(tmp_path / "a.raw")
    np.save(tmp_path / "beam.npy", -BEAM)
    with pytest.raises(InputError, match=r"monitor: found -.* at pixel \(0, 0\)"):
        open_scan(tmp_path / "a.raw")
    (tmp_path / "a.raw.toml").write_text(card.replace("{}", "../beam.npy"))
    with pytest.raises(InputError, match="monitor_file"):
        open_scan(tmp_path / "a.raw")


@pytest.mark.parametrize("head", ["y,x,monitor", "y,x,live_time,monitor", "monitor,x,live_time,y"])
def test_a_table_may_have_a_column_of_the_monitor(tmp_path, head):
    names = head.split(",")
    lines = ["# Mill by a frozen river", ",".join([*names, *(f"c{i}" for i in range(NC))])]
    for i, j in np.ndindex(NY, NX):
        if (i, j) != (2, 3):
            own = {"y": 0.5 * i, "x": 0.5 * j, "live_time": 0.1, "monitor": BEAM[i, j]}
            lines.append(",".join(map(str, [*(own[n] for n in names), *CUBE[i, j]])))
    (tmp_path / "a.csv").write_text("\n".join(lines))
    ds = open_scan(tmp_path / "a.csv")
    want = BEAM.copy()
    want[2, 3] = np.nan
    np.testing.assert_array_equal(ds["monitor"].values, want)
    np.testing.assert_array_equal(ds["counts"].values[0, 0], CUBE[0, 0])
    assert np.isnan(ds["live_time"].values).sum() == (1 if "live_time" in names else NY * NX)


@pytest.mark.parametrize("way", [[".nc"], [".h5"], [".zarr"], [".nc", ".h5", ".zarr", ".nc"]])
def test_readings_survive_a_change_of_format(tmp_path, way):
    here = write(tmp_path / "a.h5", {"control": {"data": (BEAM, "Hz")}}, DWELL)
    for number, suffix in enumerate(way):
        here = convert(here, tmp_path / f"step{number}{suffix}")
    np.testing.assert_array_equal(open_scan(here)["monitor"].values, BEAM)


def test_the_monitor_of_a_file_reaches_the_rates(tmp_path):
    ds = open_scan(write(tmp_path / "a.h5", {"control": {"data": (3e5 * BEAM, "Hz")}}))
    steady = np.full((NY, NX), 50.0)
    beam = beam_of(ds, steady, steady)
    np.testing.assert_allclose(beam, BEAM / np.median(BEAM))
    assert "beam monitor runs from" in beam.attrs["because"]
    maps = ds[["live_time"]].assign(
        beam=beam,
        net_counts=(("line", "y", "x"), 100 * BEAM[None]),
        net_counts_err=(("line", "y", "x"), 10 * np.sqrt(BEAM[None])),
    )
    rate = rates(maps)["rate"].values
    # 100 counts in 0.1 s under the median beam, whatever the beam did
    np.testing.assert_allclose(rate, 1000 * np.median(BEAM))


def test_a_monitor_of_another_shape_is_refused():
    with pytest.raises(InputError, match="monitor"):
        make_scan(CUBE, monitor=BEAM[:, :-1])


def test_files_that_are_read_together_are_known(tmp_path):
    for name in ("beam.npy", "live.npy"):
        np.save(tmp_path / name, BEAM)
    data, card = tmp_path / "a.raw", tmp_path / "a.raw.toml"
    data.write_bytes(CUBE.tobytes())
    assert companions(data) == []
    card.write_text('live_time_file = "live.npy"\nmonitor_file = "beam.npy"\n')
    planes = [tmp_path / "live.npy", tmp_path / "beam.npy"]
    assert companions(data) == [card, *planes]
    assert companions(card) == [data, *planes]
    # a text beside a file that needs no card may be anything
    card.write_text("remarks of the day\n")
    assert companions(data) == [card]
