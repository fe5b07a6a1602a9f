"""A repeated run is held against its record: inputs, settings, findings, numbers of maps."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

from xrfmap.cli.main import app
from xrfmap.errors import InputError
from xrfmap.io.results import write_json, write_maps
from xrfmap.io.safe import digest_of
from xrfmap.io.workfolder import program_digest, versions
from xrfmap.study.repeat import before_run, compare_results, read_record

SETTINGS = {"object": {"title": "Mill by a frozen river"}, "scan": [{"file": "front.h5"}]}


def write_results(folder: Path, net: np.ndarray, overall: str = "compatible") -> Path:
    folder.mkdir()
    maps = xr.Dataset(
        {"net_counts": (("line", "y", "x"), net), "fit_ok": (("y", "x"), np.ones((3, 4), bool))},
        coords={"line": ["Pb L", "Fe K"], "y": np.arange(3.0), "x": np.arange(4.0)},
    )
    write_maps(folder / "maps.nc", maps)
    write_json(folder / "findings.json", {"overall": overall, "flags": []})
    return folder


@pytest.fixture
def net() -> np.ndarray:
    values = np.random.default_rng(2).poisson(50.0, (2, 3, 4)).astype(np.float32)
    values[0, 0, 0] = np.nan
    return values


@pytest.fixture
def study(tmp_path) -> Path:
    folder = tmp_path / "study"
    (folder / "front.zarr" / "c").mkdir(parents=True)
    (folder / "front.zarr" / "c" / "0").write_bytes(b"counts")
    (folder / "front.zarr" / "zarr.json").write_text("{}")
    (folder / "mill.toml").write_text("title")
    return folder / "mill.toml"


def record_of(study: Path) -> dict:
    names = ("mill.toml", "front.zarr")
    return {
        "study": "mill.toml",
        "inputs": {n: {"sha256": digest_of(study.parent / n)[0]} for n in names},
        "settings": SETTINGS,
        "versions": versions(),
        "program_sha256": program_digest(),
    }


def test_the_same_run_shows_no_difference(tmp_path, study, net):
    found = before_run(record_of(study), study, SETTINGS)
    one, two = write_results(tmp_path / "a", net), write_results(tmp_path / "b", net)
    compare_results(one, two, found)
    assert found.same
    assert found.differences == []
    assert found.compared["inputs"] == 2
    # net counts, fit_ok and the three coordinates
    assert found.compared["numbers in maps"] == 24 + 12 + 2 + 3 + 4


def test_a_changed_file_in_a_folder_is_told(study):
    record = record_of(study)
    (study.parent / "front.zarr" / "c" / "0").write_bytes(b"counts.")
    found = before_run(record, study, SETTINGS)
    assert not found.same
    assert [(d.kind, d.where) for d in found.differences] == [("input", "front.zarr")]


def test_a_missing_input_is_told(study):
    record = record_of(study)
    study.unlink()
    (difference,) = before_run(record, study, SETTINGS).differences
    assert difference.now == "no such file"


def test_changed_settings_are_told_by_their_place(study):
    other = {**SETTINGS, "scan": [{"file": "front.h5", "live_time_s": 0.5}]}
    found = before_run(record_of(study), study, other)
    assert not found.same
    (told,) = map(str, found.differences)
    assert told == "settings: scan[1].live_time_s: was not there, is 0.5"


def test_another_version_is_told_but_is_no_difference_of_results(study):
    record = record_of(study)
    record["versions"] = {**record["versions"], "numpy": "0.1"}
    found = before_run(record, study, SETTINGS)
    assert found.same
    assert found.differences[0].where == "numpy"


def test_one_number_of_a_map_is_enough(tmp_path, study, net):
    found = before_run(record_of(study), study, SETTINGS)
    changed = net.copy()
    changed[1, 2, 3] = np.nextafter(changed[1, 2, 3], np.float32(np.inf))
    one, two = write_results(tmp_path / "a", net), write_results(tmp_path / "b", changed)
    compare_results(one, two, found)
    (told,) = map(str, found.differences)
    assert told.startswith("maps: maps.nc: net_counts: was 24 numbers, is otherwise in 1 of them")


def test_another_verdict_and_missing_maps_are_told(tmp_path, study, net):
    found = before_run(record_of(study), study, SETTINGS)
    one = write_results(tmp_path / "a", net)
    two = write_results(tmp_path / "b", net, overall="borderline")
    (two / "maps.nc").unlink()
    compare_results(one, two, found)
    assert [str(d) for d in found.differences] == [
        "findings: overall: was 'compatible', is 'borderline'",
        "maps: maps.nc: was there, is missing",
    ]


def test_only_a_record_is_taken(tmp_path):
    for text in ("no JSON", "[]", '{"study": "mill.toml"}'):
        path = tmp_path / "run.json"
        path.write_text(text)
        with pytest.raises(InputError, match="found no record of a run"):
            read_record(path)


def test_the_folder_of_the_first_run_is_refused(tmp_path, study):
    record = write_json(tmp_path / "run.json", record_of(study))
    command = ["study", str(study), "--out", str(tmp_path), "--repeat", str(record)]
    result = CliRunner().invoke(app, command)
    assert result.exit_code == 1
    assert "choose another --out" in result.output


@pytest.mark.slow
def test_another_number_of_threads_gives_the_same_results(tmp_path):
    from painted import scan_of, simulated

    from xrfmap.io.netcdf import write_netcdf

    write_netcdf(tmp_path / "front.nc", scan_of(simulated("chalk")))
    study = tmp_path / "mill.toml"
    study.write_text('[object]\ntitle = "Mill"\n[[scan]]\nfile = "front.nc"\n')

    def run(threads: int, *more: str) -> subprocess.CompletedProcess[str]:
        env = {**os.environ, "NUMBA_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)}
        command = [sys.executable, "-m", "xrfmap", "study", str(study), "--quiet", *more]
        return subprocess.run(command, env=env, capture_output=True, text=True, check=False)

    first = run(1, "--out", str(tmp_path / "a"))
    assert first.returncode == 0, first.stderr
    again = run(
        2, "--out", str(tmp_path / "b"), "--repeat", str(tmp_path / "a" / "run.json"), "--json"
    )
    assert again.returncode == 0, again.stdout + again.stderr
    told = json.loads(again.stdout)
    assert told["same"]
    assert told["compared"]["numbers in maps"] > 10_000
    one, two = ((tmp_path / f / "maps.nc").read_bytes() for f in "ab")
    assert one == two
    one, two = ((tmp_path / f / "findings.json").read_bytes() for f in "ab")
    assert one == two
