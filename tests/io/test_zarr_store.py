"""Scans in Zarr stores, and stores that are not to be trusted."""

from __future__ import annotations

import gzip
import json
import shutil
import sys

import numpy as np
import pytest
import xarray as xr
import zarr

from xrfmap.errors import InputError
from xrfmap.io import open_scan
from xrfmap.io.nexus import write_nexus
from xrfmap.io.zarr_store import write_zarr
from xrfmap.scan import instrument_of
from xrfmap.settings import Instrument, ScanEntry

CUBE = np.random.default_rng(14).poisson(2.0, (6, 5, 64)).astype(np.uint16)


@pytest.fixture
def scan(tmp_path):
    path = write_nexus(
        tmp_path / "a.h5", CUBE, 0.1, y_mm=np.arange(6) * 0.5, x_mm=np.arange(5) * 0.5,
        energy_kev=np.arange(64) * 0.02, instrument=Instrument(anode="Rh"), title="t",
    )  # fmt: skip
    return open_scan(path)


@pytest.fixture
def store(scan, tmp_path):
    return write_zarr(tmp_path / "a.zarr", scan)


def test_a_scan_survives_the_way_through_zarr(scan, store):
    ds = open_scan(store)
    xr.testing.assert_equal(ds, scan)
    assert instrument_of(ds).anode == "Rh"
    assert hasattr(ds["counts"].data, "dask")
    assert ds.attrs["source"] == "a.zarr"


def test_a_store_opens_with_xarray_alone(store):
    with xr.open_zarr(store, consolidated=False) as ds:
        np.testing.assert_array_equal(ds["counts"].values, CUBE)


@pytest.mark.parametrize("version", [2, 3])
@pytest.mark.parametrize("packing", ["gzip", "zstd", "blosc", None])
def test_arrays_of_both_versions_and_usual_packings(tmp_path, version, packing):
    from numcodecs import GZip, Zstd
    from numcodecs.blosc import Blosc
    from zarr.codecs import BloscCodec, GzipCodec, ZstdCodec

    old = {"gzip": GZip(), "zstd": Zstd(), "blosc": Blosc(), None: None}
    new = {"gzip": GzipCodec(), "zstd": ZstdCodec(), "blosc": BloscCodec(), None: None}
    array = zarr.create_array(
        tmp_path / "a.zarr", shape=(64, 6, 5), chunks=(10, 4, 5), dtype="u2", zarr_format=version,
        compressors=(old if version == 2 else new)[packing],
    )  # fmt: skip
    array[...] = CUBE.transpose(2, 0, 1)
    entry = ScanEntry(file="a.zarr", dataset="[energy, y, x]")
    np.testing.assert_array_equal(open_scan(tmp_path / "a.zarr", entry)["counts"].values, CUBE)


def test_names_of_dimensions_tell_the_axes(tmp_path):
    array = zarr.create_array(
        tmp_path / "a.zarr", shape=(64, 5, 6), dtype="u2", dimension_names=["energy", "x", "y"]
    )
    array[...] = CUBE.transpose(2, 1, 0)
    np.testing.assert_array_equal(open_scan(tmp_path / "a.zarr")["counts"].values, CUBE)


def test_without_the_package_the_message_says_what_to_install(store, monkeypatch):
    monkeypatch.setitem(sys.modules, "zarr", None)
    monkeypatch.setattr("xrfmap.io.zarr_store.find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"pip install 'xrfmap\[zarr\]'"):
        open_scan(store)


def edit(store, array, change):
    path = store / array / "zarr.json"
    value = json.loads(path.read_text())
    change(value)
    path.write_text(json.dumps(value))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda m: m.update(shape=[10**13, 5, 64]), "sizes"),
        (lambda m: m.update(shape=[-1, 5, 64]), "sizes"),
        (lambda m: m.update(shape="many"), "sizes many"),
        (lambda m: m.update(shape=[2**30, 2**30, 64]), "pixels of 64 channels"),
        (lambda m: m["chunk_grid"]["configuration"].update(chunk_shape=[9999, 9999, 99]), "MB"),
        (lambda m: m.update(data_type="string"), "type string"),
        (lambda m: m.update(codecs=[{"name": "numcodecs.pickle"}]), "codec 'pickle'"),
        (
            lambda m: m.update(codecs=[{"name": "bytes"}, {"name": "gzip"}, {"name": "gzip"}]),
            "packing in packing",
        ),
    ],
)
def test_metadata_are_not_believed(store, change, message):
    edit(store, "counts", change)
    with pytest.raises(InputError, match=message):
        open_scan(store)


def test_old_object_codecs_never_reach_the_package(tmp_path):
    (tmp_path / "a.zarr").mkdir()
    (tmp_path / "a.zarr" / ".zarray").write_text(
        json.dumps(
            {
                "zarr_format": 2, "shape": [2, 2, 64], "chunks": [2, 2, 64], "dtype": "|O",
                "filters": [{"id": "pickle"}], "compressor": None, "order": "C", "fill_value": 0,
            }
        )
    )  # fmt: skip
    with pytest.raises(InputError, match=r"type \|O"):
        open_scan(tmp_path / "a.zarr")


def test_links_in_a_store_are_refused(store, tmp_path):
    secret = tmp_path / "secret"
    secret.write_bytes(b"x")
    (store / "counts" / "c" / "link").symlink_to(secret)
    with pytest.raises(InputError, match="a link or special file"):
        open_scan(store)
    assert open_scan(store, allow_links=True)["counts"].shape == CUBE.shape


@pytest.mark.parametrize("name", ["../other", "/etc", "counts/../../x"])
def test_an_array_outside_the_store_is_refused(store, name):
    with pytest.raises(InputError):
        open_scan(store, ScanEntry(file="a.zarr", dataset=name))


def test_a_chunk_that_would_unpack_to_too_much_is_refused(tmp_path):
    from zarr.codecs import GzipCodec

    array = zarr.create_array(
        tmp_path / "a.zarr", shape=(2, 5, 64), chunks=(2, 5, 64), dtype="u2",
        compressors=GzipCodec(), dimension_names=["y", "x", "energy"],
    )  # fmt: skip
    array[...] = 1
    (tmp_path / "a.zarr" / "c" / "0" / "0" / "0").write_bytes(gzip.compress(bytes(20_000_000)))
    with pytest.raises(InputError, match="unpacks to more than its size"):
        open_scan(tmp_path / "a.zarr")


def test_a_damaged_or_vanished_store(store):
    ds = open_scan(store)
    for file in (store / "counts" / "c").rglob("*"):
        if file.is_file():
            file.write_bytes(b"nonsense")
    with pytest.raises(InputError, match="a chunk that cannot be read"):
        ds["counts"].values  # noqa: B018
    shutil.rmtree(store)
    with pytest.raises(InputError):
        ds["counts"].values  # noqa: B018


def test_writing_refuses_a_name_that_is_taken(scan, store):
    with pytest.raises(InputError, match="a folder of that name"):
        write_zarr(store, scan)
