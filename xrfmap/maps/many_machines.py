"""The blocks of a scan worked on by many processes or machines, through Dask.

Each block is a task of its own: a worker reads it from the file, computes and packs, and
sends the result back. The blocks and the program are the same as on one machine, so the
numbers are the same bit for bit (on processors of the same kind: compiled code uses what a
processor has). The tasks of a worker that is lost are given to another one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import numpy as np
import xarray as xr

from xrfmap.errors import InputError, XrfmapError
from xrfmap.io.blocks import Block, Box, Runner
from xrfmap.io.lazy import stored_of
from xrfmap.io.workfolder import program_digest, versions

if TYPE_CHECKING:
    from distributed import Client, Future

__all__ = ["Cluster", "runner_for"]

T = TypeVar("T")
U = TypeVar("U")

WAIT_S = 60.0  # for the first worker; starting Python on a busy machine takes ten seconds
AHEAD = 2  # blocks given out for each thread of the workers: one in work, one to follow
RETRIES = 2  # a shared disk may fail for a moment
NAMES = ("numpy", "scipy", "numba", "dask", "h5py")  # what may change a number

_fitting = threading.Lock()
"""The compiled fit uses all threads it may: two at a time in one process would only wait."""


@dataclass(frozen=True)
class _Job(Generic[T, U]):
    """What is done with each block, sent to the workers once."""

    work: Callable[[Block, Box], T]
    finish: Callable[[T], U]
    program: str
    versions: tuple[tuple[str, str], ...]

    def __call__(self, piece: _Piece) -> U:
        if (program_digest(), _versions()) != (self.program, self.versions):
            raise InputError(
                "a worker of the cluster",
                found=f"another version of the program or its libraries "
                f"({_told(program_digest(), _versions())})",
                expected=_told(self.program, self.versions),
                remedy="install the same version of xrfmap and of the libraries on all machines",
            )
        block = piece.read()
        with _fitting:
            done = self.work(block, piece.box)
        return self.finish(done)


def _versions() -> tuple[tuple[str, str], ...]:
    return tuple((name, versions()[name]) for name in NAMES)


def _told(program: str, held: tuple[tuple[str, str], ...]) -> str:
    parts = [("program", program[:12]), *held]
    return ", ".join(f"{name} {version}" for name, version in parts)


@dataclass(frozen=True, eq=False)
class _Piece:
    """A block that is read where it is used: from the file, or sent along."""

    source: Any
    box: Box
    whole: bool
    """Whether `source` is the whole scan (in a file), of which `box` is read."""

    @classmethod
    def of(cls, counts: xr.DataArray, box: Box) -> _Piece:
        stored = stored_of(counts.data)
        if stored is not None:
            return cls(stored, box, True)
        return cls(counts.data[box[0], box[1]], box, False)

    def read(self) -> Block:
        if self.whole:
            return np.asarray(self.source[self.box[0], self.box[1]])
        if hasattr(self.source, "dask"):
            return np.asarray(self.source.compute(scheduler="synchronous"))
        return np.asarray(self.source)


def _same(job: _Job[T, U]) -> _Job[T, U]:
    """Hand the job on: as the result of a task it is made again if its holder is lost."""
    return job


def _do(job: _Job[T, U], piece: _Piece) -> U:
    return job(piece)


class Cluster:
    """Works on blocks on a Dask cluster.

    Parameters
    ----------
    client : distributed.Client
        Connected to a scheduler. Workers read the scan themselves, so the file must lie
        under the same path on all machines.
    """

    def __init__(self, client: Client) -> None:
        self.client = client

    def run(
        self,
        counts: xr.DataArray,
        boxes: Sequence[Box],
        work: Callable[[Block, Box], T],
        finish: Callable[[T], U],
        *,
        in_order: bool = True,
    ) -> Iterator[tuple[int, U]]:
        """Give ``finish(work(block, box))`` for each box.

        Parameters
        ----------
        counts : DataArray, shape (y, x, channel)
            Counts; of a scan in a file only its place is sent.
        boxes : sequence of tuple of slice
            Rows and columns of the blocks.
        work, finish : callable
            Computation on a block, and what follows it; both happen on the worker.
        in_order : bool
            Whether the blocks must come in the order of the boxes.

        Yields
        ------
        tuple
            Number of the box, and what `finish` gave.

        Raises
        ------
        InputError
            What a worker met, such as a scan that cannot be read there.
        XrfmapError
            If workers are lost again and again, or the scheduler is.
        """
        from distributed import wait

        job = self.client.submit(
            _same, _Job(work, finish, program_digest(), _versions()), pure=False
        )
        going: dict[Future[U], int] = {}
        ready: dict[int, U] = {}
        coming, due = iter(range(len(boxes))), 0
        try:
            while True:
                room = AHEAD * max(1, self._threads()) - len(going) - len(ready) // 4
                for number in _first(coming, room if room > 0 or going else 1):
                    piece = _Piece.of(counts, boxes[number])
                    future = self.client.submit(
                        _do, job, piece, pure=False, retries=RETRIES, priority=-number
                    )
                    going[future] = number
                if not going:
                    break
                with self.client.as_current():
                    done = wait(list(going), return_when="FIRST_COMPLETED").done  # type: ignore[no-untyped-call]
                for future in done:
                    ready[going.pop(future)] = _result(future)
                if not in_order:
                    yield from ready.items()
                    ready.clear()
                while due in ready:
                    yield due, ready.pop(due)
                    due += 1
        finally:
            self.client.cancel([*going, job])  # type: ignore[no-untyped-call]

    def _threads(self) -> int:
        return sum(self.client.nthreads().values())  # type: ignore[no-untyped-call]


def _first(numbers: Iterator[int], most: int) -> Iterator[int]:
    """At most so many of what is left."""
    for _ in range(most):
        number = next(numbers, None)
        if number is None:
            return
        yield number


def _result(future: Future[U]) -> U:
    """Get the result of a task; what the cluster itself says is put in plain words."""
    from concurrent.futures import CancelledError

    from distributed import KilledWorker

    try:
        done: U = future.result()
        return done
    except KilledWorker as bad:
        raise XrfmapError(
            "the workers that took one of the blocks were lost, several times over; most often "
            "they ran out of memory: give each worker 1.5 GB and look at its log"
        ) from bad
    except CancelledError as bad:
        raise XrfmapError(
            "the scheduler of the cluster was lost; start it and the same command again, "
            "finished blocks are kept"
        ) from bad


@contextmanager
def runner_for(address: str | None, workers: int | None) -> Iterator[Runner | None]:
    """Who computes on the blocks.

    Parameters
    ----------
    address : str or None
        Address of a Dask scheduler, such as ``tcp://192.168.1.5:8786``.
    workers : int or None
        Worker processes to start on this machine, where no address is given.

    Yields
    ------
    Runner or None
        None for this process.

    Raises
    ------
    InputError
        If there is no scheduler at the address, it has no workers, or the package
        distributed is missing.
    """
    if address is None and (workers is None or workers <= 1):
        yield None
        return
    try:
        from distributed import Client
    except ImportError as bad:
        raise InputError(
            "--cluster" if address else "--workers",
            found="no package distributed",
            expected="Dask's distributed scheduler",
            remedy='install it: pip install "xrfmap[cluster]"',
        ) from bad
    with _local(workers) if address is None else _far(address) as place:
        with Client(place, timeout=WAIT_S, set_as_default=False) as client:  # type: ignore[no-untyped-call]
            try:
                client.wait_for_workers(1, timeout=WAIT_S)
            except TimeoutError as bad:
                raise InputError(
                    str(place),
                    found=f"a scheduler without workers for {WAIT_S:.0f} s",
                    expected="at least one worker",
                    remedy="start workers: dask worker ADDRESS",
                ) from bad
            yield Cluster(client)


@contextmanager
def _local(workers: int | None) -> Iterator[str]:
    """Worker processes on this machine, which share its cores and answer to it alone."""
    import os

    from distributed import LocalCluster

    count = workers or 1
    threads = str(max(1, (os.cpu_count() or 1) // count))
    env = {name: threads for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS")}
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=count,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        env=env,
    ) as cluster:
        yield cluster.scheduler_address


@contextmanager
def _far(address: str) -> Iterator[str]:
    """Check that a scheduler answers, before the scan is opened."""
    from distributed import Client

    try:
        Client(address, timeout=WAIT_S / 4, set_as_default=False).close()  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as bad:
        raise InputError(
            "--cluster",
            found=f"no answer from {address!r} ({type(bad).__name__})",
            expected="the address of a Dask scheduler, such as tcp://192.168.1.5:8786",
            remedy="start one with: dask scheduler",
        ) from bad
    yield address
