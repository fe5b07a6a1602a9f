"""NeXus reading and writing.

Layouts after the NeXus manual ("Associating plottable data", "NXdata") and the
application definition NXfluo, both from memory.
"""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import h5py
import hdf5plugin
import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.io import open_point, open_scan
from xrfmap.io.nexus import write_nexus
from xrfmap.scan import instrument_of, notes_of
from xrfmap.settings import Detector, Instrument, ScanEntry

NY, NX, NC = 7, 5, 32
CUBE = np.random.default_rng(1).poisson(3.0, (NY, NX, NC)).astype(np.uint16)
LIVE = np.random.default_rng(2).uniform(0.09, 0.1, (NY, NX))


def group(parent, name, nx_class, **attrs):
    made = parent.create_group(name)
    made.attrs["NX_class"] = nx_class
    made.attrs.update(attrs)
    return made


def put(parent, name, data, units=None, **attrs):
    dset = parent.create_dataset(name, data=data)
    if units:
        dset.attrs["units"] = units
    dset.attrs.update(attrs)
    return dset


@pytest.fixture
def file(tmp_path):
    with h5py.File(tmp_path / "scan.h5", "w") as h5:
        yield h5


def reopened(file, entry=None, **kwargs):
    name = file.filename
    file.close()
    return open_scan(Path(name), entry, **kwargs)


def plain(file, data=CUBE, axes=("y", "x", "energy"), **options):
    entry = group(file, "entry", "NXentry", default="data")
    file.attrs["default"] = "entry"
    nxdata = group(entry, "data", "NXdata", signal="counts", axes=list(axes))
    nxdata.create_dataset("counts", data=data, **options)
    return entry, nxdata


def test_what_is_written_is_read_back(tmp_path):
    said = Instrument(
        anode="Rh", tube_kv=50, tube_ma=0.6, filter_material="Al", filter_um=100,
        incidence_deg=80, takeoff_deg=40, beam_path_cm=2.5, detector_path_cm=1.5,
        atmosphere="helium",
        detector=Detector(thickness_mm=0.45, window_um=8, dead_layer_um=0.05),
    )  # fmt: skip
    y, x, energy = 3.0 + 0.5 * np.arange(NY), 1.0 + 0.5 * np.arange(NX), 0.02 * np.arange(NC)
    path = write_nexus(
        tmp_path / "a.h5", CUBE, LIVE, real_time=LIVE * 1.1, y_mm=y, x_mm=x, energy_kev=energy,
        instrument=said, title="Mill by a frozen river",
    )  # fmt: skip
    ds = open_scan(path)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    np.testing.assert_array_equal(ds["live_time"].values, LIVE)
    np.testing.assert_array_equal(ds["real_time"].values, LIVE * 1.1)
    for name, values in (("y", y), ("x", x), ("energy", energy)):
        np.testing.assert_array_equal(ds[name].values, values)
    # units are turned over on the way (cm, mm, um), so allow for the last bit
    kept = instrument_of(ds).model_dump(exclude_unset=True)
    want = said.model_dump(exclude_unset=True)
    assert kept.pop("detector") == pytest.approx(want.pop("detector"), rel=1e-12)
    for key, value in want.items():
        assert kept.pop(key) == (
            pytest.approx(value, rel=1e-12) if isinstance(value, float) else value
        )
    assert kept == {}
    assert ds.attrs["title"] == "Mill by a frozen river"
    assert notes_of(ds) == []


def test_the_same_input_gives_the_same_bytes(tmp_path):
    first, second = (write_nexus(tmp_path / n, CUBE, LIVE, title="t") for n in ("a.h5", "b.h5"))
    assert first.read_bytes() == second.read_bytes()


def test_the_counts_stay_on_disk_and_travel_between_processes(tmp_path):
    ds = open_scan(write_nexus(tmp_path / "a.h5", CUBE, LIVE))
    assert hasattr(ds["counts"].data, "dask")
    there = pickle.loads(pickle.dumps(ds))
    np.testing.assert_array_equal(there["counts"][2:4, ::-2, 5].values, CUBE[2:4, ::-2, 5])


def test_the_default_chain_is_followed(file):
    entry = group(file, "first", "NXentry")
    other = group(entry, "data", "NXdata", signal="counts", axes=["y", "x", "energy"])
    put(other, "counts", CUBE[::-1])
    entry = group(file, "second", "NXentry", default="process")
    process = group(entry, "process", "NXprocess", default="maps")
    nxdata = group(process, "maps", "NXdata", signal="mca", axes=["y", "x", "energy"])
    put(nxdata, "mca", CUBE)
    file.attrs["default"] = "second"
    np.testing.assert_array_equal(reopened(file)["counts"].values, CUBE)


def test_without_default_the_only_scan_is_found(file):
    entry = group(file, "entry", "NXentry")
    spectrum = group(entry, "sum", "NXdata", signal="counts", axes=["energy"])
    put(spectrum, "counts", CUBE.sum(axis=(0, 1)))
    nxdata = group(entry, "deep", "NXdata", signal="counts", axes=["y", "x", "energy"])
    put(nxdata, "counts", CUBE)
    np.testing.assert_array_equal(reopened(file)["counts"].values, CUBE)


def test_two_scans_without_default_need_a_name(file):
    for name in ("a", "b"):
        nxdata = group(file, name, "NXdata", signal="counts", axes=["y", "x", "energy"])
        put(nxdata, "counts", CUBE + (name == "b"))
    path = file.filename
    with pytest.raises(InputError, match=r"several candidates \(/a/counts, /b/counts\)"):
        reopened(file)
    ds = open_scan(path, ScanEntry(file="scan.h5", dataset="/b/counts"))
    np.testing.assert_array_equal(ds["counts"].values, CUBE + 1)


@pytest.mark.parametrize("order", ["y x energy", "energy y x", "x y energy", "x energy y"])
def test_any_axis_order_that_the_file_declares(file, order):
    names = order.split()
    where = {"y": 0, "x": 1, "energy": 2}
    _, nxdata = plain(file, CUBE.transpose([where[n] for n in names]), names)
    put(nxdata, "y", np.arange(NY) * 0.5, "mm")
    put(nxdata, "x", np.arange(NX) * 0.25, "mm")
    pixel_order = [n for n in names if n != "energy"]
    put(nxdata, "live_time", LIVE if pixel_order == ["y", "x"] else LIVE.T, "s")
    ds = reopened(file)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    np.testing.assert_array_equal(ds["live_time"].values, LIVE)
    assert ds["x"].values[1] == 0.25


def test_the_energy_axis_is_told_by_its_unit(file):
    _, nxdata = plain(file, CUBE.transpose(2, 0, 1), ("a", "b", "c"))
    put(nxdata, "a", 100 + 10.0 * np.arange(NC), "eV")
    ds = reopened(file)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    np.testing.assert_allclose(ds["energy"].values, 0.1 + 0.01 * np.arange(NC), rtol=1e-12)
    assert "the slower one was taken as y" in " ".join(notes_of(ds))


def test_indices_attributes_place_an_axis(file):
    _, nxdata = plain(file, CUBE.transpose(2, 0, 1), ("energy",))
    nxdata.attrs["energy_indices"] = 0
    np.testing.assert_array_equal(reopened(file)["counts"].values, CUBE)


@pytest.mark.parametrize("text", ["y:x:energy", "y,x,energy", "[y,x,energy]"])
def test_old_style_signal_and_axes_on_the_dataset(file, text):
    entry = group(file, "entry", "NXentry")
    nxdata = group(entry, "data", "NXdata")
    put(nxdata, "counts", CUBE, signal=1, axes=text)
    put(nxdata, "x", np.arange(NX) * 500.0, "um")
    put(nxdata, "y", np.arange(NY) * 0.05, "cm")
    ds = reopened(file)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    np.testing.assert_allclose(ds["x"].values, np.arange(NX) * 0.5, rtol=1e-12)
    np.testing.assert_allclose(ds["y"].values, np.arange(NY) * 0.5, rtol=1e-12)


@pytest.mark.parametrize("from_slowest", [True, False])
def test_old_style_axis_numbers_and_primary(file, from_slowest):
    entry = group(file, "entry", "NXentry")
    nxdata = group(entry, "data", "NXdata")
    put(nxdata, "spectra", CUBE.transpose(2, 1, 0), signal=np.int32(1))
    numbers = {"energy": 1, "x": 2, "y": 3}
    if not from_slowest:
        numbers = {name: 4 - n for name, n in numbers.items()}
    for name, size, units in (("energy", NC, "keV"), ("x", NX, "mm"), ("y", NY, "mm")):
        put(nxdata, name, 0.5 * np.arange(size), units, axis=numbers[name], primary=1)
    put(nxdata, "x_readback", np.arange(NX), "V", axis=numbers["x"], primary=2)
    ds = reopened(file)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    assert ds["y"].values.tolist() == (0.5 * np.arange(NY)).tolist()


@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", ">i4", "<i8", "f2", ">f4", "f8"])
def test_counts_of_every_type_and_byte_order(file, dtype):
    plain(file, CUBE.astype(dtype))
    ds = reopened(file)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    assert ds["counts"].dtype.isnative


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "gzip", "chunks": (1, NX, NC)},
        {"compression": "lzf", "chunks": (2, 3, 16)},
        {**hdf5plugin.Bitshuffle(), "chunks": (3, 2, NC)},
        {**hdf5plugin.Blosc2(), "chunks": (NY, NX, 1)},
        {**hdf5plugin.Zstd(), "chunks": (4, 4, 4), "shuffle": True, "fletcher32": True},
    ],
)
def test_compressed_counts(file, options):
    plain(file, CUBE, **options)
    np.testing.assert_array_equal(reopened(file)["counts"].values, CUBE)


def test_a_detector_link_as_nexus_files_have_it(file):
    entry, nxdata = plain(file)
    inst = group(entry, "instrument", "NXinstrument")
    wrong = group(inst, "other", "NXdetector")
    put(wrong, "live_time", 9.0, "s")
    right = group(inst, "sdd", "NXdetector")
    right["data"] = nxdata["counts"]
    put(right, "live_time", 1000 * LIVE, "ms")
    put(right, "real_time", 2000 * LIVE, "ms")
    ds = reopened(file)
    np.testing.assert_allclose(ds["live_time"].values, LIVE, rtol=1e-12)
    np.testing.assert_allclose(ds["real_time"].values, 2 * LIVE, rtol=1e-12)


@pytest.mark.parametrize(
    ("name", "said"), [("count_time", "count_time"), ("real_time", "stands in for it")]
)
def test_other_names_of_the_time_are_taken_with_a_note(file, name, said):
    entry, _ = plain(file)
    put(group(entry, "detector", "NXdetector"), name, 0.1, "s")
    ds = reopened(file)
    assert (ds["live_time"].values == 0.1).all()
    assert said in " ".join(notes_of(ds))


def test_instrument_facts_in_the_units_of_the_file(file):
    entry, _ = plain(file)
    inst = group(entry, "instrument", "NXinstrument")
    source = group(inst, "tube", "NXsource")
    put(source, "target_material", "Molybdenum")
    put(source, "voltage", 40000.0, "V")
    put(source, "current", 500.0, "uA")
    filt = group(inst, "filter", "NXattenuator")
    put(filt, "type", "Al")
    put(filt, "thickness", 0.05, "mm")
    put(group(inst, "beam", "NXbeam"), "incident_angle", np.pi / 2, "rad")
    detector = group(inst, "detector", "NXdetector")
    put(detector, "sensor_material", "Silicon")
    put(detector, "sensor_thickness", 450.0, "um")
    put(detector, "polar_angle", 130.0, "deg")
    ds = reopened(file)
    said = instrument_of(ds)
    assert (said.anode, said.tube_kv, said.filter_material) == ("Mo", 40.0, "Al")
    assert said.tube_ma == pytest.approx(0.5)
    assert said.filter_um == pytest.approx(50)
    assert said.detector.model_fields_set == {"material", "thickness_mm"}
    assert said.detector.thickness_mm == pytest.approx(0.45)
    # a beam along the normal scattered by 130 degrees leaves at 130 - 90 to the surface
    assert said.takeoff_deg == pytest.approx(40)
    assert "polar_angle" in " ".join(notes_of(ds))


def test_facts_that_cannot_be_used_are_noted_not_guessed(file):
    entry, _ = plain(file)
    source = group(entry, "source", "NXsource")
    put(source, "target_material", "unobtainium")
    put(source, "voltage", 50.0)
    put(source, "current", 5.0, "furlong")
    ds = reopened(file)
    assert json.loads(ds.attrs["instrument"]) == {}
    assert sum("passed over" in note for note in notes_of(ds)) == 3


def test_a_contradiction_between_file_and_study_is_refused(tmp_path):
    path = write_nexus(tmp_path / "a.h5", CUBE, LIVE, instrument=Instrument(anode="Rh", tube_kv=50))
    ds = open_scan(path, None, Instrument(anode="Rh", tube_kv=50.4, tube_ma=1.0))
    assert (instrument_of(ds).tube_kv, instrument_of(ds).tube_ma) == (50, 1.0)
    with pytest.raises(InputError, match="anode: found Rh in the file and Mo in the study file"):
        open_scan(path, None, Instrument(anode="Mo"))
    with pytest.raises(InputError, match="live_time_s"):
        open_scan(path, ScanEntry(file="a.h5", live_time_s=1.0))


def test_pixel_size_live_time_and_origin_from_the_study_file(file):
    plain(file)
    entry = ScanEntry(file="scan.h5", live_time_s=0.25, pixel_mm=(0.5, 0.4), origin_mm=(10, 20))
    ds = reopened(file, entry)
    assert ds["x"].attrs["units"] == ds["y"].attrs["units"] == "mm"
    np.testing.assert_allclose(ds["x"].values, 10 + 0.5 * np.arange(NX))
    np.testing.assert_allclose(ds["y"].values, 20 + 0.4 * np.arange(NY))
    assert (ds["live_time"].values == 0.25).all()


def test_unknown_live_times_are_filled_from_the_study_file(tmp_path):
    live = np.full((NY, NX), 0.1)
    live[2, 3] = np.nan
    path = write_nexus(tmp_path / "a.h5", CUBE, live)
    assert np.isnan(open_scan(path)["live_time"].values[2, 3])
    ds = open_scan(path, ScanEntry(file="a.h5", live_time_s=0.1))
    assert (ds["live_time"].values == 0.1).all()
    assert "1 pixels" in notes_of(ds)[0]


def test_bin_edges_and_read_back_positions_become_centres(file):
    _, nxdata = plain(file)
    put(nxdata, "energy", np.arange(NC + 1) * 0.02, "keV")
    put(nxdata, "x", np.arange(NX + 1) * 1.0, "mm")
    noise = np.random.default_rng(3).normal(0, 0.01, (NY, NX))
    put(nxdata, "y", np.arange(NY)[:, None] + noise, "mm")
    ds = reopened(file)
    np.testing.assert_allclose(ds["energy"].values, 0.01 + 0.02 * np.arange(NC))
    np.testing.assert_allclose(ds["x"].values, 0.5 + np.arange(NX))
    # five readings of scatter 0.01 mm: the mean is good to 0.0045; five times that
    np.testing.assert_allclose(ds["y"].values, np.arange(NY), atol=0.023)


def test_channel_numbers_are_no_energy_axis(file):
    _, nxdata = plain(file)
    put(nxdata, "energy", np.arange(NC))
    assert "energy" not in reopened(file).coords


def test_a_dataset_by_hand_in_plain_hdf5_with_named_axes(file):
    file["measurement/blob"] = CUBE.transpose(2, 1, 0)
    entry = ScanEntry(file="scan.h5", dataset="/measurement/blob [energy, x, y]")
    np.testing.assert_array_equal(reopened(file, entry)["counts"].values, CUBE)


def test_a_dataset_by_hand_without_axes_needs_a_telling_shape(file):
    file["good"] = np.ones((6, 7, 256), dtype="u2")
    file["first"] = np.ones((512, 6, 7), dtype="u2")
    file["open"] = np.ones((300, 20, 30), dtype="u2")
    path = file.filename
    file.close()
    assert open_scan(path, ScanEntry(file="a", dataset="good"))["counts"].shape == (6, 7, 256)
    ds = open_scan(path, ScanEntry(file="a", dataset="first"))
    assert ds["counts"].shape == (6, 7, 512)
    assert "no axis is declared as energy" in notes_of(ds)[0]
    with pytest.raises(InputError, match=r"\[y, x, energy\]"):
        open_scan(path, ScanEntry(file="a", dataset="open"))


def test_further_axes_of_length_one_are_dropped_and_longer_ones_refused(file):
    plain(file, CUBE[:, :, None, :], ("y", "x", "detector", "energy"))
    np.testing.assert_array_equal(reopened(file)["counts"].values, CUBE)


def test_a_scan_of_one_line(file):
    plain(file, CUBE[0], ("x", "energy"))
    ds = reopened(file)
    assert ds["counts"].shape == (1, NX, NC)
    np.testing.assert_array_equal(ds["counts"].values[0], CUBE[0])


def test_nxfluo_point_spectrum(tmp_path):
    # NXfluo: instrument/fluorescence (NXdetector) with data and energy, linked in NXdata
    spectrum = CUBE.sum(axis=(0, 1))
    with h5py.File(tmp_path / "p.h5", "w") as h5:
        entry = group(h5, "entry", "NXentry")
        put(entry, "definition", "NXfluo")
        put(entry, "title", "p01")
        inst = group(entry, "INSTRUMENT", "NXinstrument")
        detector = group(inst, "fluorescence", "NXdetector")
        put(detector, "data", spectrum)
        put(detector, "energy", 0.02 * np.arange(NC), "keV")
        put(detector, "live_time", 60.0, "s")
        nxdata = group(entry, "data", "NXdata")
        nxdata["data"] = h5py.SoftLink("/entry/INSTRUMENT/fluorescence/data")
        nxdata["energy"] = h5py.SoftLink("/entry/INSTRUMENT/fluorescence/energy")
    ds = open_point(tmp_path / "p.h5")
    np.testing.assert_array_equal(ds["counts"].values, spectrum)
    np.testing.assert_allclose(ds["energy"].values, 0.02 * np.arange(NC))
    assert float(ds["live_time"]) == 60.0
    assert ds.attrs["title"] == "p01"


def test_point_and_scan_are_not_taken_for_each_other(tmp_path):
    point = write_nexus(tmp_path / "p.h5", CUBE[0, 0], 1.0)
    scan = write_nexus(tmp_path / "s.h5", CUBE, 1.0)
    with pytest.raises(InputError, match=r"list it under \[\[point\]\]"):
        open_scan(point)
    with pytest.raises(InputError, match=r"list it under \[\[scan\]\]"):
        open_point(scan)


def test_writing_refuses_what_does_not_fit(tmp_path):
    with pytest.raises(InputError, match="whole numbers that fit uint8"):
        write_nexus(tmp_path / "a.h5", CUBE + np.uint16(300), 1.0, dtype="u1")
    with pytest.raises(InputError, match="live_time"):
        write_nexus(tmp_path / "a.h5", CUBE, LIVE.T)
    with pytest.raises(InputError, match="counts of 0 or more"):
        write_nexus(tmp_path / "a.h5", CUBE - 4.0, 1.0)
    assert list(tmp_path.iterdir()) == []
