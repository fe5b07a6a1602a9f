"""Result files are complete or not there, and open with ordinary tools."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr
from PIL import Image

from xrfmap.errors import InputError
from xrfmap.io.results import (
    atomic_write,
    file_stem,
    read_maps,
    write_json,
    write_maps,
    write_text,
    write_tiffs,
)
from xrfmap.settings import Instrument

LINES = ["Pb L", "Fe K", "Hg M"]


@pytest.fixture
def maps():
    r = np.random.default_rng(5)
    net = r.normal(100, 30, (3, 20, 30)).astype(np.float32)
    net[0, 2, 3] = np.nan
    return xr.Dataset(
        {
            "net_counts": (("line", "y", "x"), net, {"units": "counts"}),
            "fit_ok": (("y", "x"), r.random((20, 30)) > 0.1),
            "live_time": (("y", "x"), np.full((20, 30), 0.1), {"units": "s"}),
        },
        coords={
            "line": LINES,
            "y": ("y", 0.5 * np.arange(20), {"units": "mm"}),
            "x": ("x", 0.5 * np.arange(30), {"units": "mm"}),
        },
        attrs={"zero_kev": -0.02, "settings": {"a": [1, 2]}, "none": None, "ok": True},
    )


@pytest.fixture
def spectra():
    return xr.Dataset(
        {"component_counts": (("component", "channel"), np.ones((2, 50)))},
        coords={"component": ["Pb L", "continuum"], "energy": ("channel", np.arange(50) * 0.02)},
    )


def test_maps_open_with_xarray_and_keep_their_labels(tmp_path, maps, spectra):
    path = write_maps(tmp_path / "maps.nc", maps, spectra)
    with xr.open_dataset(path) as ds:
        assert ds["line"].values.tolist() == LINES
        np.testing.assert_array_equal(ds["net_counts"].values, maps["net_counts"].values)
        assert ds["live_time"].dtype.kind == "f"
        np.testing.assert_array_equal(ds["fit_ok"].values, maps["fit_ok"].values)
        assert ds.attrs["zero_kev"] == -0.02
        assert json.loads(ds.attrs["settings"]) == {"a": [1, 2]}
        assert "none" not in ds.attrs
    with xr.open_dataset(path, group="spectrum") as ds:
        assert ds["component"].values.tolist() == ["Pb L", "continuum"]
        assert ds["energy"].values[1] == 0.02


def test_maps_are_read_back(tmp_path, maps, spectra):
    path = write_maps(tmp_path / "maps.nc", maps, spectra)
    got, group = read_maps(path)
    xr.testing.assert_equal(got, maps)
    assert group is not None
    xr.testing.assert_equal(group, spectra)
    assert read_maps(write_maps(tmp_path / "no.nc", maps))[1] is None


def test_the_same_maps_give_the_same_bytes(tmp_path, maps, spectra):
    a = write_maps(tmp_path / "a.nc", maps, spectra).read_bytes()
    assert write_maps(tmp_path / "b.nc", maps, spectra).read_bytes() == a


def test_lazy_maps_are_written(tmp_path, maps):
    path = write_maps(tmp_path / "maps.nc", maps.chunk({"y": 7}))
    xr.testing.assert_equal(read_maps(path)[0], maps)


@pytest.mark.parametrize("content", [b"", b"text", b"\x89HDF\r\n\x1a\n" + bytes(200)])
def test_other_files_are_no_maps(tmp_path, content):
    (tmp_path / "maps.nc").write_bytes(content)
    with pytest.raises(InputError):
        read_maps(tmp_path / "maps.nc")


def test_a_file_without_net_counts_is_no_map(tmp_path, maps):
    write_maps(tmp_path / "maps.nc", maps.drop_vars("net_counts"))
    with pytest.raises(InputError, match="net_counts with dims"):
        read_maps(tmp_path / "maps.nc")


def test_tiffs_open_with_another_program_and_know_their_scale(tmp_path, maps):
    written = write_tiffs(tmp_path / "maps", maps)
    assert [p.name for p in written] == ["Pb_L.tif", "Fe_K.tif", "Hg_M.tif"]
    with Image.open(written[0]) as image:
        assert image.mode == "F"
        np.testing.assert_array_equal(np.asarray(image), maps["net_counts"].values[0])
        # TIFF 6.0: ResolutionUnit 3 is the centimetre; 0.5 mm pixels are 20 to a centimetre
        assert image.tag_v2[296] == 3
        assert float(image.tag_v2[282]) == 20
        assert json.loads(image.tag_v2[270])["line"] == "Pb L"
    before = [p.read_bytes() for p in written]
    assert [p.read_bytes() for p in write_tiffs(tmp_path / "maps", maps)] == before


def test_names_of_files_are_safe():
    assert file_stem("../../etc/passwd") == "etc_passwd"
    assert file_stem("Pb L") == "Pb_L"
    assert file_stem("...") == "map"


def test_json_has_no_numbers_that_json_lacks(tmp_path):
    value = {
        "a": np.float32(1.5), "b": [np.nan, np.inf], "c": np.arange(3), "d": {"x"},
        "e": Instrument(anode="Rh"), "f": tmp_path, "g": np.bool_(True), 3: None,
    }  # fmt: skip
    got = json.loads(write_json(tmp_path / "a.json", value).read_text())
    assert (got["a"], got["b"], got["c"], got["d"]) == (1.5, [None, None], [0, 1, 2], ["x"])
    assert got["e"]["anode"] == "Rh"
    assert (got["g"], got["3"]) == (True, None)


def _write(path, text, *, link=None, fail=False):
    with atomic_write(path) as part:
        if link:
            part.symlink_to(link)
        part.write_text(text)
        if fail:
            raise RuntimeError


def test_a_failure_leaves_the_older_file_whole_and_no_litter(tmp_path):
    path = write_text(tmp_path / "a.txt", "old")
    with pytest.raises(RuntimeError):
        _write(path, "half", fail=True)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_missing_is_reported(tmp_path):
    with pytest.raises(InputError, match="expected a folder that can be written to"):
        write_text(tmp_path / "no" / "a.txt", "x")


def test_a_full_disk_is_reported(tmp_path):
    path = write_text(tmp_path / "a.txt", "old")
    # /dev/full answers every write with "no space left on device" (Linux)
    with pytest.raises(InputError, match="No space left"):
        _write(path, "new", link="/dev/full")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]
