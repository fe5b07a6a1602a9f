"""The whole job: stages, what is kept, what a failure leaves.

Fits are replaced by quick stand-ins here, which count how often they are asked; the
real ones go through the same stages in ``test_whole_job.py``.
"""

import errno
import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import h5py
import numpy as np
import pytest
import xarray as xr
from PIL import Image

from xrfmap.errors import InputError
from xrfmap.findings import ElementFinding, Findings, StackFinding
from xrfmap.io import lazy
from xrfmap.io.emsa import write_emsa
from xrfmap.io.nexus_write import write_nexus
from xrfmap.io.results import write_maps
from xrfmap.pictures.radiograph import _counts as radiograph_counts
from xrfmap.running.progress import Progress
from xrfmap.study.batch import run_one
from xrfmap.study.run import run_study

NY, NX, CHANNELS = 12, 16, 64
LINES = ["Pb L", "Ti K"]

HEAD = """
[object]
title = "Mill by a frozen river"
[period]
from = 1630
to = 1650
"""
SCALE = """
[instrument.energy_scale]
zero_kev = 0.0
kev_per_channel = 0.3
"""
SCAN = """
[[scan]]
file = "front.h5"
"""
SLEDGE = """
[[area]]
name = "sledge"
polygon_mm = [[0, 0], [3, 0], [3, 3], [0, 3]]
layer = "original paint"
"""
CORNER = """
[[area]]
name = "corner"
polygon_mm = [[5, 2], [7, 2], [7, 5], [5, 5]]
layer = "retouching"
"""
TYPED = """
[[area]]
name = "older report"
elements = ["Pb", "Sn"]
layer = "original paint"
"""


@dataclass(frozen=True)
class FakeFound:
    elements: tuple
    summary: object = None
    present: tuple = ("Pb", "Ti")


def findings():
    return tuple(
        ElementFinding(symbol=line.split()[0], lines=[line], verdict="present", because="stand-in")
        for line in LINES
    )


def fake_maps(scan):
    ny, nx = scan.sizes["y"], scan.sizes["x"]
    dims = ("line", "y", "x")
    net = np.full((2, ny, nx), 50.0, dtype=np.float32)
    net[1] = 0.0
    maps = xr.Dataset(
        {
            "net_counts": (dims, net, {"units": "counts"}),
            "net_counts_err": (dims, np.full_like(net, 5), {"units": "counts"}),
            "net_counts_ul": (dims, net + 10, {"units": "counts"}),
            "decision_threshold": (dims, np.full_like(net, 8), {"units": "counts"}),
            "detection_limit": (dims, np.full_like(net, 16), {"units": "counts"}),
            "total_counts": (("y", "x"), np.full((ny, nx), 100.0), {"units": "counts"}),
            "deviance_per_dof": (("y", "x"), np.ones((ny, nx)), {"units": "1"}),
            "fit_ok": (("y", "x"), np.ones((ny, nx), dtype=bool), {"units": "1"}),
        },
        coords={"line": LINES, "y": scan["y"], "x": scan["x"]},
    )
    maps["live_time"] = scan["live_time"]
    return maps


def fake_spectra(channels=CHANNELS):
    counts = np.ones(channels)
    return xr.Dataset(
        {
            "sum_counts": ("channel", counts, {"units": "counts"}),
            "model": ("channel", counts, {"units": "counts"}),
            "component_counts": (("component", "channel"), counts[None], {"units": "counts"}),
        },
        coords={"component": ["Pb L"], "energy": ("channel", 0.3 * np.arange(channels))},
    )


def fake_table():
    columns = {
        "net_counts": [5000.0, 0.0],
        "net_counts_err": [70.0, 5.0],
        "net_counts_ul": [5140.0, 10.0],
        "decision_threshold": [100.0, 8.0],
        "detection_limit": [200.0, 16.0],
    }
    return xr.Dataset(
        {name: ("line", values) for name, values in columns.items()}, coords={"line": LINES}
    )


LEAD_CURVE: dict[tuple[object, ...], float] = {}


def counts_once(material, areal, label, instrument):
    """Counts of a layer, as the radiograph asks for them of the same fourteen in every study."""
    key = material.name, areal, label, instrument.model_dump_json()
    if key not in LEAD_CURVE:
        LEAD_CURVE[key] = radiograph_counts(material, areal, label, instrument)
    return LEAD_CURVE[key]


@pytest.fixture
def asked(monkeypatch):
    """Stand-ins for the fits; tells which were asked, in order."""
    calls = []

    def elements_of_sum(scan, elements=None, *, energy_range=None):
        calls.append("find")
        return FakeFound(findings())

    def find_and_map(scan, path, work, elements=None, *, energy_range, progress, runner):
        calls.append("find and map")
        progress(1, 1)
        write_maps(path, fake_maps(scan), fake_spectra())
        return FakeFound(findings())

    def fit_spectrum(spectrum, *, elements=None, like=None, energy_range=None):
        calls.append("fit")
        parts = {"table": fake_table(), "spectra": fake_spectra(), "found": None}
        return SimpleNamespace(**parts, elements=findings())

    monkeypatch.setattr("xrfmap.identification.identify.elements_of_sum", elements_of_sum)
    monkeypatch.setattr("xrfmap.maps.map_file.find_and_map", find_and_map)
    monkeypatch.setattr("xrfmap.maps.element_maps.fit_spectrum", fit_spectrum)
    # what asks the model of a fit has tests of its own
    monkeypatch.setattr("xrfmap.depth.layer_questions.answers", lambda found, questions: {})
    monkeypatch.setattr("xrfmap.depth.cover_maps.mapped_elements", lambda *args, **kwargs: {})
    monkeypatch.setattr("xrfmap.pictures.radiograph._counts", counts_once)
    return calls


@pytest.fixture
def quick_report(monkeypatch):
    """A page in no time, for tests that are about something else."""

    def write_report(out, *args, **kwargs):
        (out / "figures").mkdir()
        (out / "figures" / "a.png").write_text("picture")
        (out / "report.html").write_text("page")

    monkeypatch.setattr("xrfmap.report.write_report", write_report)


def write_scan(path: Path, seed: int = 5) -> None:
    rng = np.random.default_rng(seed)
    counts = rng.poisson(2.0, (NY, NX, CHANNELS)).astype(np.uint16)
    write_nexus(
        path,
        counts,
        np.full((NY, NX), 0.1),
        y_mm=0.5 * np.arange(NY),
        x_mm=0.5 * np.arange(NX),
    )


def study_in(folder: Path, *parts: str, scan: bool = True) -> Path:
    path = folder / "mill.toml"
    path.write_text(HEAD + "".join(parts), encoding="utf-8")
    if scan and not (folder / "front.h5").exists():
        write_scan(folder / "front.h5")
    return path


def files_in(out: Path) -> set[str]:
    """Result files, the work folder left aside."""
    return {
        path.relative_to(out).as_posix()
        for path in out.rglob("*")
        if path.is_file() and "work" not in path.relative_to(out).parts
    }


def test_a_study_with_only_typed_in_areas_ends_in_a_report(tmp_path):
    path = study_in(tmp_path, TYPED, scan=False)
    found = run_study(path, tmp_path / "out")
    assert found.overall == "compatible"
    text = (tmp_path / "out" / "findings.json").read_text(encoding="utf-8")
    assert Findings.model_validate_json(text) == found
    assert json.loads(text)["schema"] == 1
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Mill by a frozen river" in page
    assert not (tmp_path / "out" / "maps.nc").exists()


def test_the_result_folder_holds_what_is_promised(tmp_path, asked):
    path = study_in(tmp_path, SCALE, SCAN, SLEDGE, CORNER, TYPED)
    out = tmp_path / "out"
    found = run_study(path, out)
    names = files_in(out)
    assert {"report.html", "findings.json", "maps.nc", "run.json"} <= names
    assert {"maps/Pb_L.tif", "maps/Ti_K.tif"} <= names
    assert any(name.startswith("figures/") and name.endswith(".png") for name in names)
    assert any(name.startswith("tables/") and name.endswith(".csv") for name in names)
    with xr.open_dataset(out / "maps.nc", engine="h5netcdf") as maps:
        assert maps["net_counts"].dims == ("line", "y", "x")
        assert list(maps["line"].values) == LINES
    assert [area.name for area in found.areas] == [
        "sledge",
        "corner",
        "older report",
        "rest of the scan",
    ]
    # one fit for each drawn area and one for the rest
    assert asked == ["find and map", "fit", "fit", "fit"]


def test_the_record_of_the_run_names_inputs_versions_and_times(tmp_path, asked, quick_report):
    path = study_in(tmp_path, SCALE, SCAN)
    out = tmp_path / "out"
    run_study(path, out)
    record = json.loads((out / "run.json").read_text())
    for name in ("mill.toml", "front.h5"):
        # hashlib over the bytes on disk, independent of the program's own function
        digest = hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()
        assert record["inputs"][name]["sha256"] == digest
    assert {"xrfmap", "python", "numpy", "xraylib"} <= set(record["versions"])
    assert record["settings"]["instrument"]["energy_scale"]["kev_per_channel"] == 0.3
    stages = [entry["stage"] for entry in record["timings"]]
    assert stages == [
        "reading",
        "energy scale of front",
        "elements and maps of front",
        "radiograph from the elements of front",
        "areas of front",
        "pigments and dates",
        "layer order on front",
        "report",
    ]
    assert all(entry["seconds"] >= 0 for entry in record["timings"])
    assert record["scans"]["front"]["shape"] == [NY, NX, CHANNELS]


@pytest.mark.parametrize("listed", ["front.raw", "front.raw.toml"])
def test_a_changed_card_or_plane_makes_the_scan_new(tmp_path, asked, quick_report, listed):
    cube = np.random.default_rng(5).poisson(3.0, (NY, NX, CHANNELS)).astype("<u2")
    (tmp_path / "front.raw").write_bytes(cube.tobytes())
    np.save(tmp_path / "live.npy", np.full((NY, NX), 0.1))
    np.save(tmp_path / "beam.npy", np.full((NY, NX), 1.0))
    card = (
        f'type = "uint16"\naxes = ["y", "x", "energy"]\nshape = [{NY}, {NX}, {CHANNELS}]\n'
        'live_time_file = "live.npy"\nmonitor_file = "beam.npy"\npixel_mm = [1, 1]\n'
    )
    (tmp_path / "front.raw.toml").write_text(card)
    path = study_in(tmp_path, SCALE, f'[[scan]]\nfile = "{listed}"\n', scan=False)
    out = tmp_path / "out"

    def mapped() -> bool:
        asked.clear()
        run_study(path, out)
        return "find and map" in asked

    assert mapped()
    assert not mapped()
    np.save(tmp_path / "beam.npy", np.full((NY, NX), 0.9))
    assert mapped()
    np.save(tmp_path / "live.npy", np.full((NY, NX), 0.2))
    assert mapped()
    (tmp_path / "front.raw.toml").write_text(card + 'title = "Mill by a frozen river"\n')
    assert mapped()
    assert not mapped()
    inputs = json.loads((out / "run.json").read_text())["inputs"]
    assert {"front.raw", "front.raw.toml", "live.npy", "beam.npy"} <= set(inputs)


def test_a_scan_stored_plane_by_plane_is_turned_round_for_the_run(
    tmp_path, asked, quick_report, monkeypatch
):
    for name, small in (("BLOCK_PIXELS", 20), ("MAX_BLOCK_PIXELS", 32), ("BLOCK_BYTES", 4096)):
        monkeypatch.setattr(lazy, name, small)
    cube = np.random.default_rng(5).poisson(2.0, (NY, NX, CHANNELS)).astype(np.uint16)
    with h5py.File(tmp_path / "front.h5", "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["energy", "y", "x"]})
        planes = cube.transpose(2, 0, 1)
        file.create_dataset("counts", data=planes, chunks=(1, NY, NX), compression="gzip")
    (tmp_path / "out" / "work" / ".scratch.killed").mkdir(parents=True)
    seen = []

    def find_and_map(scan, path, *_, **__):
        stored = lazy.stored_of(scan["counts"].data)
        seen.append((lazy.times_read(stored), stored[3:5]))
        write_maps(path, fake_maps(scan), fake_spectra())
        return FakeFound(findings())

    monkeypatch.setattr("xrfmap.maps.map_file.find_and_map", find_and_map)
    run_study(study_in(tmp_path, SCALE, SCAN), tmp_path / "out")
    ((times, rows),) = seen
    assert times == 1
    np.testing.assert_array_equal(rows, cube[3:5])
    assert not list((tmp_path / "out" / "work").glob(".scratch*"))


def test_a_second_run_repeats_nothing_and_says_the_same(tmp_path, asked, quick_report):
    path = study_in(tmp_path, SCALE, SCAN, SLEDGE)
    out = tmp_path / "out"
    first = run_study(path, out)
    before = {name: (out / name).stat().st_mtime_ns for name in files_in(out)}
    asked.clear()
    assert run_study(path, out) == first
    assert asked == []
    assert {name: (out / name).stat().st_mtime_ns for name in files_in(out)} == before


def test_fresh_repeats_everything(tmp_path, asked, quick_report):
    path = study_in(tmp_path, SCALE, SCAN, SLEDGE)
    run_study(path, tmp_path / "out")
    asked.clear()
    run_study(path, tmp_path / "out", fresh=True)
    assert asked == ["find and map", "fit", "fit"]


def test_one_more_area_leaves_maps_and_other_areas_alone(tmp_path, asked, quick_report):
    out = tmp_path / "out"
    run_study(study_in(tmp_path, SCALE, SCAN, SLEDGE), out)
    asked.clear()
    found = run_study(study_in(tmp_path, SCALE, SCAN, CORNER, SLEDGE), out)
    assert [area.name for area in found.areas[:2]] == ["corner", "sledge"]
    # the model of the scan is found again, since fits start from it; then the new area
    # and what is left outside
    assert asked == ["find", "fit", "fit"]
    assert len(list((out / "work").glob("area-1-*.json"))) == 3


def test_a_changed_scan_or_setting_repeats_what_builds_on_it(tmp_path, asked, quick_report):
    path = study_in(tmp_path, SCALE, SCAN)
    out = tmp_path / "out"
    run_study(path, out)
    asked.clear()
    write_scan(tmp_path / "front.h5", seed=6)
    run_study(path, out)
    assert asked == ["find and map", "fit"]
    asked.clear()
    run_study(study_in(tmp_path, SCALE, SCAN, "[maps]\nenergy_min_kev = 2.0\n"), out)
    assert asked == ["find and map", "fit"]


def test_a_damaged_result_is_made_again(tmp_path, asked, quick_report):
    path = study_in(tmp_path, SCALE, SCAN)
    out = tmp_path / "out"
    run_study(path, out)
    (out / "report.html").write_text("something else")
    asked.clear()
    run_study(path, out)
    assert asked == []
    assert (out / "report.html").read_text() == "page"


def test_maps_of_an_earlier_run_do_not_stay_beside_a_new_report(tmp_path, asked, quick_report):
    out = tmp_path / "out"
    run_study(study_in(tmp_path, SCALE, SCAN), out)
    assert (out / "maps.nc").exists()
    run_study(study_in(tmp_path, TYPED), out)
    assert files_in(out) == {"report.html", "findings.json", "run.json", "figures/a.png"}


def test_a_failure_leaves_the_earlier_results_and_nothing_half_written(
    tmp_path, asked, quick_report, monkeypatch
):
    path = study_in(tmp_path, SCALE, SCAN)
    out = tmp_path / "out"
    run_study(path, out)
    before = {name: (out / name).read_bytes() for name in files_in(out)}
    write_scan(tmp_path / "front.h5", seed=9)

    def fail(new, *args, **kwargs):
        (new / "report.html").write_text("half")
        raise OSError("the disk is full")

    monkeypatch.setattr("xrfmap.report.write_report", fail)
    with pytest.raises(OSError, match="full"):
        run_study(path, out)
    assert {name: (out / name).read_bytes() for name in files_in(out)} == before
    assert not list((out / "work").glob("new-*"))


def test_an_interrupted_run_goes_on_where_it_stopped(tmp_path, asked, quick_report, monkeypatch):
    path = study_in(tmp_path, SCALE, SCAN, SLEDGE)
    out = tmp_path / "out"
    with monkeypatch.context() as patch:

        def stop(*args, **kwargs):
            raise KeyboardInterrupt

        patch.setattr("xrfmap.maps.element_maps.fit_spectrum", stop)
        with pytest.raises(KeyboardInterrupt):
            run_study(path, out)
    assert files_in(out) == set()
    assert asked == ["find and map"]
    asked.clear()
    run_study(path, out)
    assert asked == ["find", "fit", "fit"]  # no second mapping


def test_a_mistake_in_the_study_leaves_no_folder(tmp_path):
    path = study_in(tmp_path, "[perod]\n", scan=False)
    with pytest.raises(InputError, match="did you mean period"):
        run_study(path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("harm", ["missing", "truncated", "no scan"])
def test_a_bad_scan_is_told_and_leaves_no_folder(tmp_path, harm):
    path = study_in(tmp_path, SCALE, SCAN)
    scan = tmp_path / "front.h5"
    if harm == "missing":
        scan.unlink()
    elif harm == "truncated":
        scan.write_bytes(scan.read_bytes()[: scan.stat().st_size // 2])
    else:
        scan.write_text("not a scan")
    with pytest.raises(InputError, match=r"front\.h5"):
        run_study(path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_polygon_that_misses_the_scan_is_told_before_the_maps_are_made(tmp_path, asked):
    far = SLEDGE.replace("[[0, 0], [3, 0], [3, 3], [0, 3]]", "[[90, 90], [99, 90], [99, 99]]")
    with pytest.raises(InputError, match="area sledge"):
        run_study(study_in(tmp_path, SCALE, SCAN, far), tmp_path / "out")
    assert asked == []
    assert not (tmp_path / "out").exists()


def test_a_polygon_that_leaves_the_scan_is_a_caution(tmp_path, asked, quick_report):
    wide = SLEDGE.replace("[3, 0], [3, 3]", "[15.5, 0], [15.5, 3]")
    found = run_study(study_in(tmp_path, SCALE, SCAN, wide), tmp_path / "out")
    # x runs from -0.25 to 7.75 mm, so half of 15.5 mm lies outside
    assert any("50 % of the area sledge" in text for text in found.cautions)


def test_a_mask_picture_marks_an_area(tmp_path, asked, quick_report):
    picture = np.zeros((NY, NX), dtype=np.uint8)
    picture[2:5, 3:9] = 255
    Image.fromarray(picture).save(tmp_path / "mask.png")
    area = '[[area]]\nname = "sky"\nmask = "mask.png"\n'
    path = study_in(tmp_path, SCALE, SCAN, area)
    found = run_study(path, tmp_path / "out")
    assert [a.name for a in found.areas] == ["sky", "rest of the scan"]
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert "mask.png" in record["inputs"]


def test_a_link_that_leads_out_of_the_folder_is_refused(tmp_path):
    (tmp_path / "study").mkdir()
    write_scan(tmp_path / "secret.h5")
    (tmp_path / "study" / "front.h5").symlink_to(tmp_path / "secret.h5")
    path = tmp_path / "study" / "mill.toml"
    path.write_text(HEAD + SCALE + SCAN)
    with pytest.raises(InputError, match="symbolic link"):
        run_study(path, tmp_path / "out")


def test_points_join_their_area_or_stand_alone(tmp_path, asked, quick_report):
    for name in ("p1", "p2"):
        write_emsa(tmp_path / f"{name}.msa", np.arange(CHANNELS), live_time_s=1.0)
    points = (
        '[[point]]\nfile = "p1.msa"\narea = "hat"\n[[point]]\nfile = "p2.msa"\n'
        '[[area]]\nname = "hat"\n'
    )
    found = run_study(study_in(tmp_path, SCALE, points, scan=False), tmp_path / "out")
    assert [(a.name, a.origin) for a in found.areas] == [("hat", "point"), ("point p2", "point")]
    assert asked == ["fit", "fit"]


def test_each_of_several_scans_is_mapped(tmp_path, asked, quick_report):
    write_scan(tmp_path / "back.h5", seed=2)
    back = '[[scan]]\nfile = "back.h5"\n'
    area = SLEDGE + 'scan = "back"\n'
    out = tmp_path / "out"
    found = run_study(study_in(tmp_path, SCALE, SCAN, back, area), out)
    assert {"maps.nc", "maps-back.nc", "maps/Pb_L.tif", "maps-back/Pb_L.tif"} <= files_in(out)
    assert [a.name for a in found.areas] == [
        "sledge",
        "rest of the scan front",
        "rest of the scan back",
    ]


def test_a_second_run_at_the_same_time_is_refused(tmp_path, asked, quick_report, monkeypatch):
    path = study_in(tmp_path, SCALE, SCAN)
    out = tmp_path / "out"

    def meanwhile(scan, target, *_, **__):
        with pytest.raises(InputError, match="still going on"):
            run_study(path, out)
        write_maps(target, fake_maps(scan), fake_spectra())
        return FakeFound(findings())

    monkeypatch.setattr("xrfmap.maps.map_file.find_and_map", meanwhile)
    run_study(path, out)
    assert (out / "report.html").exists()


def test_a_scan_may_be_a_folder(tmp_path, asked, quick_report):
    # SHA-256 over names and contents of all files of the store
    from xrfmap.io import open_scan
    from xrfmap.io.zarr_store import write_zarr

    write_scan(tmp_path / "front.h5")
    write_zarr(tmp_path / "front.zarr", open_scan(tmp_path / "front.h5"))
    entry = SCAN.replace("front.h5", "front.zarr")
    out = tmp_path / "out"
    run_study(study_in(tmp_path, SCALE, entry), out)
    before = json.loads((out / "run.json").read_text())["inputs"]["front.zarr"]
    assert len(before["sha256"]) == 64
    assert before["bytes"] == sum(
        p.stat().st_size for p in (tmp_path / "front.zarr").rglob("*") if p.is_file()
    )
    (tmp_path / "front.zarr" / "note").write_text("another file")
    asked.clear()
    run_study(study_in(tmp_path, SCALE, entry), out)
    after = json.loads((out / "run.json").read_text())["inputs"]["front.zarr"]
    assert after["sha256"] != before["sha256"]
    assert "find and map" in asked  # nothing of another content is taken over


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES])
def test_a_disk_that_takes_no_more_is_told_and_earlier_results_stay(
    tmp_path, asked, quick_report, monkeypatch, code
):
    path = study_in(tmp_path, SCALE, SCAN)
    out = tmp_path / "out"
    run_study(path, out)
    before = {name: (out / name).read_bytes() for name in files_in(out)}

    def full(new, *args, **kwargs):
        (new / "report.html").write_text("half a page")
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr("xrfmap.report.write_report", full)
    outcome = run_one(path, out, True, Progress())
    assert not outcome.crashed
    assert os.strerror(code) in outcome.error
    assert "earlier results are untouched" in outcome.error
    assert {name: (out / name).read_bytes() for name in files_in(out)} == before


def test_areas_of_the_same_pixels_keep_questions_of_their_own(
    tmp_path, asked, quick_report, monkeypatch
):
    """Two proposals for one place under two names: each area gets the stack it asks for."""

    def answers(found, questions):
        stacks = [
            StackFinding(area="", name=s["name"], verdict="possible").model_dump(mode="json")
            for s in questions["stacks"]
        ]
        return {"depth": [], "stacks": stacks}

    monkeypatch.setattr("xrfmap.depth.layer_questions.answers", answers)
    twin = SLEDGE.replace("sledge", "sledge again")
    stack = '[[stack]]\nname = "{}"\narea = "{}"\nlayers = [{{material = "lead white"}}]\n'
    path = study_in(
        tmp_path, SCALE, SCAN, SLEDGE, twin, stack.format("thin", "sledge"),
        stack.format("thick", "sledge again"),
    )  # fmt: skip
    found = run_study(path, tmp_path / "out")
    assert {(s.area, s.name) for s in found.stacks} == {
        ("sledge", "thin"), ("sledge again", "thick"),
    }  # fmt: skip
    assert asked.count("fit") == 3  # both, and the rest of the scan
    again = run_study(path, tmp_path / "out")
    assert again.stacks == found.stacks
    assert asked.count("fit") == 3  # kept under names of their own
