"""Folders for files in the making: cleared after a run that was killed, left alone otherwise."""

from __future__ import annotations

import os
import platform
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from xrfmap.cli.main import app
from xrfmap.io import open_scan
from xrfmap.io.results import atomic_write, write_text
from xrfmap.io.scratch import scratch_folder, sweep_dead

NEEDS_KILL = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is of POSIX")
CUBE = np.random.default_rng(3).poisson(3.0, (260, 140, 200)).astype(np.uint16)


def scan_file(folder: Path, *, planes: bool) -> Path:
    """Write a scan by plane, of more pixels than one block may hold, or by pixel."""
    path = folder / "sledge.h5"
    axes = ["energy", "y", "x"] if planes else ["y", "x", "energy"]
    with h5py.File(path, "w") as file:
        file.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": axes})
        file.create_dataset(
            "counts",
            data=CUBE.transpose(2, 0, 1) if planes else CUBE,
            chunks=(1, 260, 140) if planes else (1, 140, 200),
            compression="lzf",  # quick, as only what is made of it matters
        )
    return path


def convert_and_kill(source: Path, target: Path, until: str) -> None:
    """Run `xrfmap convert`, and kill it as soon as a file is there."""
    command = [sys.executable, "-m", "xrfmap", "convert", str(source), str(target)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        while not list(target.parent.glob(until)):
            assert process.poll() is None, "it ended before it could be killed"
            time.sleep(0.001)
        process.send_signal(signal.SIGKILL)
        assert process.wait(60) == -signal.SIGKILL


@NEEDS_KILL
@pytest.mark.parametrize(
    ("planes", "until"), [(True, ".scratch.*/counts"), (False, ".scratch.*/good.h5")]
)
def test_a_convert_that_was_killed_leaves_nothing_after_the_next_one(tmp_path, planes, until):
    source, target = scan_file(tmp_path, planes=planes), tmp_path / "good.h5"
    convert_and_kill(source, target, until)
    assert not target.exists()
    assert list(tmp_path.glob(until))  # the kill did leave something
    done = CliRunner().invoke(app, ["convert", str(source), str(target)])
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["good.h5", "sledge.h5"]
    np.testing.assert_array_equal(open_scan(target)["counts"].values, CUBE)


HOLDS = """
import sys; from pathlib import Path; from xrfmap.io.scratch import scratch_folder
with scratch_folder(Path(sys.argv[1])) as folder:
    (folder / "half").write_text("half")
    print(folder.name, flush=True)
    sys.stdin.read()
"""


@NEEDS_KILL
def test_what_a_live_process_makes_is_left_alone_until_it_dies(tmp_path):
    command = [sys.executable, "-c", HOLDS, str(tmp_path)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as process:
        assert process.stdout is not None
        left = tmp_path / process.stdout.readline().strip()
        write_text(tmp_path / "note.txt", "done beside it\n")
        sweep_dead(tmp_path)
        assert (left / "half").read_text() == "half"
        process.send_signal(signal.SIGKILL)
        process.wait(60)
    assert left.is_dir()
    write_text(tmp_path / "note.txt", "done after it\n")
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]


def test_folders_of_others_are_left_alone(tmp_path):
    mine = tmp_path / ".scratch.mine"  # no lock of ours in it
    mine.mkdir()
    (mine / "lock").write_text("4711")
    new = tmp_path / ".scratch.new"  # its process is about to lock it
    new.mkdir()
    (new / "xrfmap.lock").touch()
    far = tmp_path / ".scratch.far"  # of another machine, whose locks are not seen from here
    far.mkdir()
    (far / "xrfmap.lock").write_text("4711 some-other-machine")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "xrfmap.lock").write_text("4711")
    (tmp_path / ".scratch.file").write_text("a file")
    before = sorted(tmp_path.rglob("*"))
    with scratch_folder(tmp_path) as folder:
        told = (folder / "xrfmap.lock").read_text(encoding="utf-8")
        assert told == f"{os.getpid()} {platform.node()}"
    assert sorted(tmp_path.rglob("*")) == before


@NEEDS_KILL
def test_a_link_is_not_followed(tmp_path):
    dead = tmp_path / "far" / "dead"
    dead.mkdir(parents=True)
    (dead / "xrfmap.lock").write_text(f"4711 {platform.node()}", encoding="utf-8")
    (dead / "result.csv").write_text("1")
    (tmp_path / ".scratch.link").symlink_to(dead)
    sweep_dead(tmp_path)
    assert (dead / "result.csv").read_text() == "1"


def test_a_disk_without_locks_is_written_all_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr("xrfmap.io.scratch.try_lock", lambda descriptor: False)
    with atomic_write(tmp_path / "a.txt") as part:
        part.write_text("whole")
        sweep_dead(tmp_path)
        assert part.exists()
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]
