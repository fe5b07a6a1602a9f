"""Bad files: the message names file, field, what was found, what was expected, and a remedy."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io import open_any, open_point, open_scan
from xrfmap.io.nexus import write_nexus
from xrfmap.io.results import write_maps
from xrfmap.io.safe import clean_text, read_text, safe_path
from xrfmap.settings import ScanEntry

CUBE = np.random.default_rng(8).poisson(2.0, (6, 5, 64)).astype(np.uint16)
EMSA = b"""#FORMAT : EMSA/MAS Spectral Data File\n#NPOINTS : 2\n#XUNITS : eV\n#YUNITS : counts
#DATATYPE : Y\n#XPERCHAN : 10\n#OFFSET : 0\n#SPECTRUM : \n1,\n2,\n#ENDOFDATA : \n"""


@pytest.fixture
def scan(tmp_path):
    return write_nexus(tmp_path / "front.h5", CUBE, 0.1)


def edit(path: Path, change) -> Path:
    with h5py.File(path, "r+") as file:
        change(file)
    return path


def complaint(function, *args, **kwargs) -> InputError:
    """The error, after a check that each of its parts says something on one line."""
    with pytest.raises(InputError) as caught:
        function(*args, **kwargs)
    error = caught.value
    for part in (error.where, error.found, error.expected, error.remedy):
        assert part.strip()
        assert "\n" not in part
        assert "\x1b" not in part
    return error


@pytest.mark.parametrize("opened", [open_scan, open_point, open_any])
def test_a_missing_file(tmp_path, opened):
    error = complaint(opened, tmp_path / "none.h5")
    assert error.where.endswith("none.h5")
    assert error.found == "no such file"


@pytest.mark.parametrize("opened", [open_scan, open_point])
def test_an_empty_file_a_folder_and_a_pipe(tmp_path, opened):
    (tmp_path / "empty.h5").touch()
    assert complaint(opened, tmp_path / "empty.h5").found == "an empty file"
    assert complaint(opened, tmp_path).found == "a folder"
    os.mkfifo(tmp_path / "pipe.h5")  # opening it would wait for ever
    assert complaint(opened, tmp_path / "pipe.h5").found == "a device or pipe"


def test_maps_are_no_scan(tmp_path):
    maps = xr.Dataset({"net_counts": (("line", "y", "x"), np.ones((1, 2, 3)))})
    path = write_maps(tmp_path / "maps.nc", maps.assign_coords(line=["Pb L"]))
    for opened in (open_scan, open_point):
        assert complaint(opened, path).found == "element maps"


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = tmp_path / "a.h5"
    path.write_bytes(b"x")

    def refuse(self, *args, **kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # root may read everything, so pretend
    assert complaint(open_scan, path).found == "Permission denied"


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
def test_truncated_hdf5(scan, share):
    data = scan.read_bytes()
    scan.write_bytes(data[: int(share * len(data))])
    error = complaint(open_scan, scan)
    assert error.where.endswith("front.h5")
    assert "truncated" in error.found


def test_a_damaged_chunk_is_reported_when_it_is_read(scan):
    with h5py.File(scan) as file:
        at = file["entry/data/counts"].id.get_chunk_info(1).byte_offset  # second row
    data = bytearray(scan.read_bytes())
    data[at + 8 : at + 40] = bytes(32)
    scan.write_bytes(data)
    error = complaint(lambda: open_scan(scan)["counts"].values)
    assert "a chunk that cannot be unpacked" in error.found


def test_text_and_pictures_are_no_scans(tmp_path):
    for name, content in (("a.txt", b"hello\nworld\n"), ("a.png", b"\x89PNG\r\n\x1a\n0000")):
        (tmp_path / name).write_bytes(content)
        for opened in (open_scan, open_point):
            assert complaint(opened, tmp_path / name).where.endswith(name)


def test_a_text_with_a_hash_is_not_yet_emsa(tmp_path):
    (tmp_path / "notes.txt").write_text("# my notes\n1 2\n")
    error = complaint(open_point, tmp_path / "notes.txt")
    assert error.found == "1 lines"
    assert "16 to 65\u202f536 channels" in error.expected


def test_emsa_that_was_cut_off(tmp_path):
    path = tmp_path / "p.msa"
    path.write_bytes(EMSA.replace(b"#ENDOFDATA : \n", b""))
    error = complaint(open_point, path)
    assert (error.where, error.field) == ("p.msa", "#ENDOFDATA")
    assert "cut off" in error.remedy
    path.write_bytes(EMSA.replace(b"NPOINTS : 2", b"NPOINTS : 3"))
    error = complaint(open_point, path)
    assert (error.field, error.found, error.expected) == (
        "#NPOINTS",
        "2 numbers of type Y",
        "3, for NPOINTS = 3",
    )


def test_emsa_in_utf16_and_too_long(tmp_path, monkeypatch):
    path = tmp_path / "p.msa"
    path.write_bytes(EMSA.decode().encode("utf-16"))
    complaint(open_point, path)
    path.write_bytes(EMSA.replace(b"1,", b"\x00,"))
    assert complaint(open_point, path).found == "zero bytes"
    path.write_bytes(EMSA)
    assert "more than 20 bytes" in complaint(read_text, path, 20).found


def test_hdf5_without_nxdata(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["some/spectra"] = CUBE
    error = complaint(open_scan, tmp_path / "a.h5")
    assert "/some/spectra" in error.found
    assert "dataset =" in error.remedy


def test_a_dataset_by_hand_that_is_not_there(scan):
    error = complaint(open_scan, scan, ScanEntry(file="front.h5", dataset="/entry/other"))
    assert error.field == "/entry/other"
    assert "/entry/data/counts" in error.found
    error = complaint(open_scan, scan, ScanEntry(file="a", dataset="/entry/data/counts [y, x]"))
    assert "2 axis names for shape" in error.found


@pytest.mark.parametrize(
    ("name", "value", "found"),
    [
        ("live_time", np.ones((6, 4)), "shape (6, 4)"),
        ("live_time", np.ones(30), "shape (30,)"),
        ("x", np.arange(7.0), "shape (7,)"),
        ("channel", np.arange(60.0), "shape (60,)"),
    ],
)
def test_wrong_shapes(scan, name, value, found):
    def change(file):
        group = file["entry/data"]
        if name in group:
            del group[name]
        group[name] = value
        group[name].attrs["units"] = {"live_time": "s", "x": "mm"}.get(name, "keV")

    error = complaint(open_scan, edit(scan, change))
    assert error.where == "front.h5"
    assert error.field == f"/entry/data/{name}"
    assert error.found == found
    assert "(6, 5)" in error.expected or "match the counts" in error.expected


def test_a_live_time_that_is_negative_or_in_furlongs(scan):
    def negative(file):
        file["entry/data/live_time"] = np.full((6, 5), -1.0)
        file["entry/data/live_time"].attrs["units"] = "s"

    assert complaint(open_scan, edit(scan, negative)).field == "live_time"

    def furlongs(file):
        file["entry/data/live_time"].attrs["units"] = "furlong"

    error = complaint(open_scan, edit(scan, furlongs))
    assert (error.field, error.found) == ("/entry/data/live_time", "units 'furlong'")


@pytest.mark.parametrize("value", [-1.0, np.nan])
def test_negative_and_missing_counts_show_at_once_in_the_rows_looked_at(tmp_path, value):
    cube = CUBE.astype(float)
    cube[0, 4, 60] = value
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["counts"] = cube
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
    error = complaint(open_scan, path)
    assert "pixel (y, x) = (0, 4), channel 60" in error.found


def test_a_scan_or_point_without_counts(tmp_path):
    path = write_nexus(tmp_path / "a.h5", CUBE * 0, 0.1)
    assert "no count in any of 6 x 5 pixels" in complaint(open_scan, path).found
    path = write_nexus(tmp_path / "p.h5", CUBE[0, 0] * 0, 0.1)
    assert "no count in 64 channels" in complaint(open_point, path).found


@pytest.mark.parametrize("kind", ["S4", "complex64", "bool"])
def test_counts_of_another_type(tmp_path, kind):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["counts"] = np.ones((6, 5, 64)).astype(kind)
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
    error = complaint(open_scan, tmp_path / "a.h5")
    assert error.expected == "integers or real numbers"


@pytest.mark.parametrize(
    ("shape", "chunks", "found"),
    [
        ((10**6, 10**6, 2048), (1, 1, 2048), "stored"),
        ((2, 2, 70000), (1, 1, 70000), "70\u202f000 channels"),
        ((40, 4000, 4096), (40, 4000, 4096), "chunks of 1250 MB"),
        ((40000, 40000, 2), (1, 1, 2), "stored"),
    ],
)
def test_sizes_that_are_declared_are_not_believed(tmp_path, shape, chunks, found):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        # nothing is written, so the file is small
        file.create_dataset("counts", shape=shape, chunks=chunks, dtype="u2", compression="gzip")
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
    assert (tmp_path / "a.h5").stat().st_size < 100_000
    assert found in complaint(open_scan, tmp_path / "a.h5").found


def test_positions_and_times_of_a_size_beyond_reason(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["counts"] = CUBE
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
        file.create_dataset("x", shape=(10**9,), chunks=(1000,), dtype="f8").attrs["units"] = "mm"
    error = complaint(open_scan, tmp_path / "a.h5")
    assert error.field == "/x"


def test_links_to_other_files_are_refused_unless_allowed(tmp_path, scan):
    with h5py.File(tmp_path / "link.h5", "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
        file["counts"] = h5py.ExternalLink("front.h5", "/entry/data/counts")
    error = complaint(open_scan, tmp_path / "link.h5")
    assert "link to another file (front.h5)" in error.found
    ds = open_scan(tmp_path / "link.h5", allow_links=True)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)


def test_a_soft_link_that_ends_in_another_file_is_refused(tmp_path, scan):
    with h5py.File(tmp_path / "link.h5", "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
        file["away"] = h5py.ExternalLink("front.h5", "/entry/data")
        file["counts"] = h5py.SoftLink("/away/counts")
    assert "another file" in complaint(open_scan, tmp_path / "link.h5").found


def test_virtual_datasets_and_external_storage_are_refused_unless_allowed(tmp_path, scan):
    attrs = {"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]}
    layout = h5py.VirtualLayout(shape=CUBE.shape, dtype="u2")
    layout[...] = h5py.VirtualSource(str(scan), "/entry/data/counts", shape=CUBE.shape)
    with h5py.File(tmp_path / "virtual.h5", "w") as file:
        file.create_virtual_dataset("counts", layout)
        file.attrs.update(attrs)
    (tmp_path / "secret.bin").write_bytes(CUBE.tobytes())
    with h5py.File(tmp_path / "outside.h5", "w") as file:
        file.create_dataset(
            "counts", shape=CUBE.shape, dtype="u2", external=str(tmp_path / "secret.bin")
        )
        file.attrs.update(attrs)
    for name in ("virtual.h5", "outside.h5"):
        assert "data in other files" in complaint(open_scan, tmp_path / name).found
        ds = open_scan(tmp_path / name, allow_links=True)
        np.testing.assert_array_equal(ds["counts"].values, CUBE)


def test_links_that_go_round_in_a_circle(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts"})
        file["counts"] = h5py.SoftLink("/other")
        file["other"] = h5py.SoftLink("/counts")
        group = file.create_group("round")
        group["again"] = file["/"]  # a hard link to the root: the walk must end
    assert "circle" in complaint(open_scan, tmp_path / "a.h5").found


def test_a_filter_that_nobody_has(tmp_path):
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        plist.set_chunk((1, 5, 64))
        plist.set_filter(65000, h5py.h5z.FLAG_OPTIONAL, (1, 2))
        space = h5py.h5s.create_simple(CUBE.shape)
        h5py.h5d.create(file.id, b"counts", h5py.h5t.NATIVE_UINT16, space, plist)
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
    error = complaint(open_scan, path)
    assert "filter 65000" in error.found
    assert "h5repack" in error.remedy


def test_names_in_files_lose_their_escape_codes(tmp_path):
    nasty = "\x1b[2J\x1b]0;title\x07evil\u202e"
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file[nasty] = CUBE
        file.attrs["default"] = nasty
    error = complaint(open_scan, tmp_path / "a.h5")
    assert "evil" in error.found
    assert "\u202e" not in str(error)


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("plain", "plain"),
        ("\x1b[31mred\x1b[0m", "red"),
        ("\x9b31mred", "red"),
        ("\x1b]8;;http://example.org\x1b\\link\x1b]8;;\x07", "link"),
        ("a\nb\tc\r\nd", "a b c d"),
        ("zero\u200bwidth\u202eturned\x00", "zerowidthturned"),
        (b"caf\xc3\xa9", "café"),
        (b"caf\xe9", "café"),
        ("x" * 600, "x" * 499 + "…"),
        (12, "12"),
    ],
)
def test_text_is_made_fit_for_a_terminal(text, clean):
    assert clean_text(text) == clean


@pytest.mark.parametrize(
    "given",
    ["", "/etc/passwd", "../up.h5", "a/../../up.h5", "C:\\x.h5", "\\\\host\\x", "..\\up.h5",
     "~/x.h5", "a\x00b", "out/passwd", "loop/x"],
)  # fmt: skip
def test_paths_in_a_study_stay_in_its_folder(tmp_path, given):
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "out").symlink_to("/etc")
    (folder / "loop").symlink_to(folder / "loop")
    error = complaint(safe_path, folder, given, "scan.file")
    assert error.field == "scan.file"


def test_ordinary_paths_in_a_study_are_kept(tmp_path):
    (tmp_path / "inner").mkdir()
    (tmp_path / "link.h5").symlink_to(tmp_path / "inner" / "a.h5")
    for given in ("a.h5", "inner/a.h5", "./a b.h5", "link.h5", "..a.h5"):
        assert safe_path(tmp_path, given).is_relative_to(tmp_path.resolve())


def test_bad_files_never_hang_or_fill_the_memory(tmp_path):
    """All of the hostile files above in a process with 2 GB and 30 s of processor time."""
    write_nexus(tmp_path / "good.h5", CUBE, 0.1)
    with h5py.File(tmp_path / "huge.h5", "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "energy"]})
        file.create_dataset("counts", shape=(2**20, 2**20, 65536), chunks=(1, 1, 65536), dtype="f8")
        file.create_dataset("live_time", shape=(2**20, 2**20), chunks=(1024, 1024), dtype="f8")
    program = textwrap.dedent(
        f"""
        import resource
        resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))
        resource.setrlimit(resource.RLIMIT_CPU, (30, 30))
        from xrfmap.errors import InputError
        from xrfmap.io import open_scan
        try:
            open_scan({str(tmp_path / "huge.h5")!r})
        except InputError as err:
            print("refused:", err.found)
        print(open_scan({str(tmp_path / "good.h5")!r})["counts"].shape)
        """
    )
    done = subprocess.run(  # our own text
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    assert "refused:" in done.stdout
    assert "(6, 5, 64)" in done.stdout
