"""Maps written block by block: the same as in memory, and taken up where work broke off."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from painted import found_in, scan_of, simulated

from xrfmap.errors import InputError
from xrfmap.io import open_scan
from xrfmap.io.block_store import BlockStore
from xrfmap.io.netcdf import write_netcdf
from xrfmap.io.results import read_maps, write_maps
from xrfmap.io.workfolder import unfinished
from xrfmap.maps.element_maps import map_elements, summed_spectra
from xrfmap.maps.map_file import map_to_file

KIND = "chalk"


@pytest.fixture
def scan() -> xr.Dataset:
    made = scan_of(simulated(KIND))
    return made.assign(counts=made["counts"].chunk({"y": 5, "x": 7, "channel": -1}))


@pytest.fixture
def found():
    return found_in(KIND)


def in_memory(scan: xr.Dataset, found, path: Path) -> Path:
    return write_maps(path, map_elements(scan, found), summed_spectra(found))


def test_maps_written_by_block_are_those_of_memory(tmp_path, scan, found):
    # Blocks of 5 x 7 on 16 x 16: those at both far edges are smaller than a chunk of the file.
    path = map_to_file(scan, found, tmp_path / "maps.nc", tmp_path / "work")
    with (
        xr.open_dataset(path) as got,
        xr.open_dataset(in_memory(scan, found, tmp_path / "whole.nc")) as want,
    ):
        xr.testing.assert_identical(got.load(), want.load())  # attributes too
        assert {n: v.dtype for n, v in got.items()} == {n: v.dtype for n, v in want.items()}
    with xr.open_dataset(path, group="spectrum") as spectra:
        np.testing.assert_array_equal(spectra["sum_counts"].values, found.sum_counts)
    assert not (tmp_path / "work").exists()


def test_the_same_scan_gives_the_same_bytes(tmp_path, scan, found):
    first = map_to_file(scan, found, tmp_path / "a.nc", tmp_path / "work").read_bytes()
    assert map_to_file(scan, found, tmp_path / "b.nc", tmp_path / "work").read_bytes() == first


def test_finished_blocks_are_not_fitted_again(tmp_path, scan, found, monkeypatch):
    whole = map_to_file(scan, found, tmp_path / "whole.nc", tmp_path / "work").read_bytes()

    class StoppedError(Exception):
        pass

    def stop_after_five(done: int, total: int) -> None:
        if done >= 5 * 35:
            raise StoppedError

    with pytest.raises(StoppedError):
        map_to_file(scan, found, tmp_path / "maps.nc", tmp_path / "work", progress=stop_after_five)
    assert not (tmp_path / "maps.nc").exists()
    told: list[int] = []
    map_to_file(
        scan, found, tmp_path / "maps.nc", tmp_path / "work",
        progress=lambda done, total: told.append(done),
    )  # fmt: skip
    # rows of blocks with 35 + 35 + 10 pixels: seven of the twelve blocks were kept
    assert told == [195, 230, 240, 247, 254, 256]
    assert (tmp_path / "maps.nc").read_bytes() == whole


def test_blocks_of_other_elements_are_not_taken(tmp_path, scan, found):
    work = tmp_path / "work"
    store = BlockStore(work, "another key")
    store.put(0, {"bytes": np.zeros(3, np.uint8)})
    path = map_to_file(scan, found, tmp_path / "maps.nc", work)
    want = map_elements(scan, found)
    np.testing.assert_array_equal(
        read_maps(path)[0]["net_counts"].values, want["net_counts"].values
    )


def test_a_damaged_block_is_made_again(tmp_path):
    store = BlockStore(tmp_path / "work", "key")
    for number in range(3):
        store.put(number, {"a": np.arange(100)})
    path = tmp_path / "work" / "1.npz"
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 0xFF
    path.write_bytes(raw)
    (tmp_path / "work" / "2.npz").write_bytes(b"PK cut off")
    assert BlockStore(tmp_path / "work", "key").finished() == {0}


def test_a_full_disk_is_told_and_leaves_finished_blocks(tmp_path, scan, found, monkeypatch):
    earlier = tmp_path / "maps.nc"
    earlier.write_bytes(b"earlier maps")
    savez = np.savez
    written = []

    def full(stream, **arrays):
        if len(written) == 3:
            stream.write(b"half a block")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written.append(savez(stream, **arrays))

    monkeypatch.setattr("numpy.savez", full)
    with pytest.raises(InputError, match=r"No space left on device.*make space"):
        map_to_file(scan, found, earlier, tmp_path / "work")
    monkeypatch.undo()
    assert earlier.read_bytes() == b"earlier maps"
    assert len(list((tmp_path / "work").glob("*.npz"))) == 3
    told: list[int] = []
    map_to_file(scan, found, earlier, tmp_path / "work", progress=lambda d, t: told.append(d))
    assert told[0] > 0  # three blocks were there
    assert read_maps(earlier)[0].sizes["y"] == 16


def test_two_runs_for_one_file_are_refused(tmp_path):
    with unfinished(tmp_path / "maps.nc") as work:
        work.mkdir()
        with (
            pytest.raises(InputError, match="a run that is still going on"),
            unfinished(tmp_path / "maps.nc"),
        ):
            pass
        assert work.exists()
    assert list(tmp_path.iterdir()) == []


def test_work_that_failed_is_kept_and_an_empty_folder_is_not(tmp_path):
    def fail(name: str, begun: bool) -> None:
        with unfinished(tmp_path / name) as work:
            if begun:
                work.mkdir()
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail("a.nc", begun=True)
    assert (tmp_path / "a.nc.unfinished" / "blocks").exists()
    with pytest.raises(RuntimeError):
        fail("b.nc", begun=False)
    assert not (tmp_path / "b.nc.unfinished").exists()


def test_a_scan_that_vanishes_in_the_middle_is_told(tmp_path, found):
    path = write_netcdf(tmp_path / "scan.nc", scan_of(simulated(KIND)))
    scan = open_scan(path)
    rows = scan.assign(counts=(scan["counts"].dims, scan["counts"].data.rechunk((4, 16, -1))))
    path.unlink()
    with pytest.raises(InputError, match=r"scan\.nc: found no such file"):
        map_to_file(rows, found, tmp_path / "maps.nc", tmp_path / "work")


def test_large_maps_stay_in_the_file(tmp_path, scan, found, monkeypatch):
    path = map_to_file(scan, found, tmp_path / "maps.nc", tmp_path / "work")
    whole, _ = read_maps(path)
    monkeypatch.setattr("xrfmap.io.results.IN_MEMORY", 1000)
    lazy, _ = read_maps(path)
    assert lazy["fit_ok"]._in_memory
    for line in range(lazy.sizes["line"]):
        np.testing.assert_array_equal(
            lazy["net_counts"].isel(line=line).values, whole["net_counts"].isel(line=line).values
        )
    assert not lazy["net_counts"]._in_memory  # nothing was kept
    lazy.close()


KILLED = """
import sys
from pathlib import Path
sys.path[:0] = [sys.argv[1], str(Path(sys.argv[1]).parent)]
import test_map_file as t
from painted import found_in, scan_of, simulated
out = Path(sys.argv[2])
made = scan_of(simulated(t.KIND))
scan = made.assign(counts=made["counts"].chunk({"y": 1, "x": 16, "channel": -1}))
found = found_in(t.KIND)
(out / "ready").touch()
told = []
t.map_to_file(scan, found, out / "maps.nc", out / "work", progress=lambda d, n: told.append(d))
(out / "first").write_text(str(told[0]))
"""
BLOCK = 16  # pixels of a block in that program


def run_and_kill(folder: Path, after_s: float | None) -> None:
    """Run the program; kill it so long after its maps began."""
    (folder / "ready").unlink(missing_ok=True)
    here = str(Path(__file__).parent)
    command = [sys.executable, "-c", KILLED, here, str(folder)]
    with subprocess.Popen(command) as process:
        if after_s is None:
            assert process.wait(900) == 0  # a busy machine took over 300 s
            return
        while not (folder / "ready").exists():
            assert process.poll() is None
            time.sleep(0.002)
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)


def check_kills(tmp_path: Path, times: list[float]) -> None:
    run_and_kill(tmp_path, None)
    whole = (tmp_path / "maps.nc").read_bytes()
    (tmp_path / "maps.nc").unlink()
    for after_s in times:
        before = len(list((tmp_path / "work").glob("*.npz")))
        run_and_kill(tmp_path, after_s)
        if (tmp_path / "maps.nc").exists():  # complete before the signal came
            assert (tmp_path / "maps.nc").read_bytes() == whole
            (tmp_path / "maps.nc").unlink()
            continue
        # never fewer: no finished block is lost, whenever the signal comes
        assert len(list((tmp_path / "work").glob("*.npz"))) >= before
    kept = len(list((tmp_path / "work").glob("*.npz"))) if (tmp_path / "work").exists() else 0
    run_and_kill(tmp_path, None)
    assert int((tmp_path / "first").read_text()) == kept * BLOCK  # no finished block again
    assert (tmp_path / "maps.nc").read_bytes() == whole


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is of POSIX")
@pytest.mark.slow
def test_a_run_killed_twice_ends_as_an_unbroken_one(tmp_path):
    check_kills(tmp_path, [0.05, 0.3])


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is of POSIX")
@pytest.mark.slow
def test_a_run_killed_at_twenty_random_times_ends_as_an_unbroken_one(tmp_path):
    # an unbroken run takes about a second from the mark on, most of it the compiled fit
    check_kills(tmp_path, np.random.default_rng(7).uniform(0.0, 1.2, 20).tolist())
