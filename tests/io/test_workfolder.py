"""The folder of a run: lock, kept stages, results moved in whole."""

import subprocess
import sys

import pytest

from xrfmap.errors import InputError
from xrfmap.io.workfolder import WorkFolder, make_key, program_digest, versions


def test_a_key_changes_with_the_stage_and_with_any_part():
    parts = {"scan": "abc", "settings": {"energy_min_kev": 1.5}}
    key = make_key("maps", parts)
    assert key == make_key("maps", dict(reversed(parts.items())))
    assert len(key) == 64
    assert key != make_key("areas", parts)
    assert key != make_key("maps", parts | {"scan": "abd"})
    assert key != make_key("maps", parts | {"settings": {"energy_min_kev": 1.6}})


def test_a_changed_program_or_library_changes_the_key(monkeypatch):
    key = make_key("maps", {})
    monkeypatch.setattr("xrfmap.io.workfolder.program_digest", lambda: "other")
    other = make_key("maps", {})
    assert other != key
    monkeypatch.setattr("xrfmap.io.workfolder.versions", lambda: {"numpy": "0"})
    assert make_key("maps", {}) not in (key, other)


def test_versions_name_the_libraries_behind_the_numbers():
    assert {"xrfmap", "python", "numpy", "xraylib"} <= set(versions())
    assert len(program_digest()) == 64


def test_what_was_kept_comes_back_for_the_same_key_only(tmp_path):
    folder = WorkFolder(tmp_path / "out")
    folder.keep("calibrate", "k1", {"zero_kev": -0.01, "bad": float("nan")})
    back = WorkFolder(tmp_path / "out").kept("calibrate", "k1")
    assert back is not None
    assert back["zero_kev"] == -0.01
    assert back["bad"] != back["bad"]
    assert folder.kept("calibrate", "k2") is None
    assert folder.kept("maps", "k1") is None


@pytest.mark.parametrize("harm", ["change", "remove", "empty"])
def test_a_changed_or_missing_file_voids_the_record(tmp_path, harm):
    folder = WorkFolder(tmp_path)
    product = tmp_path / "maps.nc"
    product.write_bytes(b"numbers")
    folder.keep("maps", "k", {}, [product])
    assert folder.kept("maps", "k") == {}
    if harm == "change":
        product.write_bytes(b"Numbers")
    elif harm == "remove":
        product.unlink()
    else:
        product.write_bytes(b"")
    assert folder.kept("maps", "k") is None


@pytest.mark.parametrize("text", ["", "{", "[]", '{"key": "k"}', '{"key": "k", "value": 3}'])
def test_a_damaged_record_counts_as_none(tmp_path, text):
    folder = WorkFolder(tmp_path)
    (tmp_path / "work" / "maps.json").write_text(text)
    assert folder.kept("maps", "k") is None


def test_two_runs_on_one_folder_are_refused(tmp_path):
    with WorkFolder(tmp_path).locked():
        with pytest.raises(InputError, match="still going on"), WorkFolder(tmp_path).locked():
            pass
    with WorkFolder(tmp_path).locked():
        pass  # free again


def test_a_killed_run_leaves_no_lock(tmp_path):
    code = (
        "import os, sys; from pathlib import Path; from xrfmap.io.workfolder import WorkFolder\n"
        "with WorkFolder(Path(sys.argv[1])).locked(): os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False).returncode == 9
    with WorkFolder(tmp_path).locked():
        pass


def test_results_are_moved_in_whole_and_the_old_ones_go(tmp_path):
    folder = WorkFolder(tmp_path)
    (tmp_path / "maps").mkdir()
    (tmp_path / "maps" / "Pb L.tif").write_text("old")
    (tmp_path / "maps" / "mine.txt").write_text("a note of the user")
    with folder.growing() as new:
        (new / "maps").mkdir()
        (new / "maps" / "Fe K.tif").write_text("new")
        (new / "report.html").write_text("page")
        moved = folder.move_in(new, "report.html", older=["maps/Pb L.tif", "../outside"])
    assert [path.name for path in moved] == ["Fe K.tif", "report.html"]
    assert sorted(p.name for p in (tmp_path / "maps").iterdir()) == ["Fe K.tif", "mine.txt"]
    assert not list((tmp_path / "work").glob("new-*"))


def test_nothing_half_written_remains_after_a_failure(tmp_path):
    folder = WorkFolder(tmp_path)

    def fail():
        with folder.growing() as new:
            (new / "report.html").write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fail()
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == []


def test_remains_of_a_killed_run_are_swept(tmp_path):
    folder = WorkFolder(tmp_path)
    (tmp_path / "work" / "new-1").mkdir()
    (tmp_path / "work" / "new-1" / "report.html").write_text("half")
    with folder.growing():
        pass
    assert not (tmp_path / "work" / "new-1").exists()


def test_a_file_in_the_place_of_the_folder_is_told(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(InputError, match="--out"):
        WorkFolder(tmp_path / "out")


def test_a_folder_into_which_nothing_came_is_removed_again(tmp_path):
    folder = WorkFolder(tmp_path / "out")
    with folder.locked():
        pass
    folder.tidy()
    assert not (tmp_path / "out").exists()
    folder = WorkFolder(tmp_path / "out")
    (tmp_path / "out" / "mine.txt").write_text("x")
    folder.tidy()
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["mine.txt"]
