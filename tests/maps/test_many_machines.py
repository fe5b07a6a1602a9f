"""Blocks on a Dask cluster: the same numbers to the bit, also when a worker dies."""

from __future__ import annotations

import pickle
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
from painted import found_in, scan_of, simulated

from xrfmap.errors import InputError
from xrfmap.io import open_scan
from xrfmap.io.blocks import as_it_is, boxes_of
from xrfmap.io.netcdf import write_netcdf
from xrfmap.io.workfolder import program_digest
from xrfmap.maps.element_maps import block_fit
from xrfmap.maps.many_machines import Cluster, _Job, _Piece, _versions, runner_for
from xrfmap.maps.map_file import map_to_file
from xrfmap.maps.traces import add_traces

KIND = "chalk"
DASK = Path(sys.executable).parent / "dask"


@pytest.fixture
def scan(tmp_path, monkeypatch):
    """A scan in a file, in sixteen blocks of a row each."""
    path = write_netcdf(tmp_path / "scan.nc", scan_of(simulated(KIND)))
    monkeypatch.setattr("xrfmap.io.lazy.BLOCK_PIXELS", 16)
    return open_scan(path)


def test_a_task_can_be_sent_and_reads_its_block_itself(scan):
    box = boxes_of(scan["counts"])[3]
    job = _Job(block_fit(scan, found_in(KIND)), as_it_is, program_digest(), _versions())
    piece = _Piece.of(scan["counts"], box)
    sent = pickle.dumps(piece)
    assert len(sent) < 5000  # of a scan in a file only its place is sent
    there_job, there_piece = pickle.loads(pickle.dumps(job)), pickle.loads(sent)
    got, want = there_job(there_piece), job.work(scan["counts"].values[box], box)
    for name, value in want.items():
        np.testing.assert_array_equal(got[name], value, err_msg=name)


def test_a_worker_with_another_program_is_refused(scan):
    job = _Job(as_it_is, as_it_is, "another program", _versions())
    piece = _Piece.of(scan["counts"], boxes_of(scan["counts"])[0])
    with pytest.raises(InputError, match="install the same version"):
        job(piece)


def test_no_scheduler_is_told(monkeypatch):
    monkeypatch.setattr("xrfmap.maps.many_machines.WAIT_S", 2.0)
    with (
        pytest.raises(InputError, match=r"--cluster: found no answer.*dask scheduler"),
        runner_for("tcp://127.0.0.1:9", None),  # the discard port: nobody listens there
    ):
        pass


def test_one_process_needs_no_cluster():
    with runner_for(None, None) as runner:
        assert runner is None
    with runner_for(None, 1) as runner:
        assert runner is None


def start(stack: ExitStack, *command: str) -> subprocess.Popen[bytes]:
    process = stack.enter_context(
        subprocess.Popen(
            [str(DASK), *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
    )
    stack.callback(process.kill)
    return process


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # warnings of distributed are its own
def test_maps_of_a_cluster_that_loses_a_worker_are_the_same_bytes(tmp_path, scan):
    found = found_in(KIND)
    here = map_to_file(scan, found, tmp_path / "here.nc", tmp_path / "work").read_bytes()
    told: list[int] = []
    with ExitStack() as stack:
        # as docs/clusters.md tells: a scheduler, and workers with one thread each
        place = tmp_path / "scheduler.json"
        start(
            stack, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--scheduler-file", str(place),
        )  # fmt: skip
        while not place.exists():
            time.sleep(0.1)
        import json

        address = json.loads(place.read_text())["address"]
        workers = [
            start(
                stack, "worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny",
                "--host", "127.0.0.1", "--local-directory", str(tmp_path / f"w{n}"),
            )
            for n in range(2)
        ]  # fmt: skip

        def kill_one(done: int, total: int) -> None:
            told.append(done)
            if done >= 4 * 16 and workers[0].poll() is None:
                workers[0].kill()

        with runner_for(address, None) as runner:
            assert isinstance(runner, Cluster)
            runner.client.wait_for_workers(2, timeout=120)
            far = map_to_file(
                scan, found, tmp_path / "far.nc", tmp_path / "work",
                progress=kill_one, runner=runner,
            )  # fmt: skip
            again = add_traces(scan, found, runner=runner)
        assert workers[0].poll() is not None  # it did die
    assert far.read_bytes() == here
    assert told == list(range(0, 257, 16))  # every block once, none twice
    assert again.present == add_traces(scan, found).present


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_processes_of_this_machine_give_the_same_bytes(tmp_path, scan):
    found = found_in(KIND)
    here = map_to_file(scan, found, tmp_path / "here.nc", tmp_path / "work").read_bytes()
    with runner_for(None, 2) as runner:
        far = map_to_file(scan, found, tmp_path / "far.nc", tmp_path / "work", runner=runner)
    assert far.read_bytes() == here
