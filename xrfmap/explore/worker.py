"""Long computations in processes of their own, so that the page keeps answering.

A child gets what it needs when it starts, tells what it finds through a pipe as soon as
it has it, and ends with its parent.
"""

from __future__ import annotations

import multiprocessing as mp
import os
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import XrfmapError
from xrfmap.explore.subject import ScanSource

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = ["Child", "Message", "fit_on_request", "prepare", "watched"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Message:
    """News of a child: what kind, and what came with it."""

    kind: str  # progress, scale, found, maps, fit, failed, ended
    value: Any = None
    key: Any = None


class Child:
    """A process that works and tells.

    Parameters
    ----------
    work : callable
        Runs in the child with its end of the pipe and `arguments`.
    arguments : tuple
        What it needs.
    hear : callable
        Gets every :class:`Message`, in a thread of the parent; the last is ``ended``.
    """

    def __init__(
        self,
        work: Callable[..., None],
        arguments: tuple[Any, ...],
        hear: Callable[[Message], None],
    ) -> None:
        context = mp.get_context("spawn")  # threads are running: a fork could hang
        self._mine, theirs = context.Pipe()
        self._hear = hear
        self._process = context.Process(
            target=_in_child, args=(theirs, work, arguments), daemon=True
        )
        with _small_matrices():
            self._process.start()
        theirs.close()
        threading.Thread(target=self._listen, daemon=True).start()

    def send(self, value: object) -> None:
        """Give the child something to do; a child that is gone gets nothing."""
        try:
            self._mine.send(value)
        except OSError:
            return

    def stop(self) -> None:
        """End the child at once."""
        self._process.terminate()

    def _listen(self) -> None:
        while True:
            try:
                message = self._mine.recv()
            except (EOFError, OSError):
                self._process.join()
                self._hear(Message("ended", self._process.exitcode))
                return
            self._hear(message)


_STARTING = threading.Lock()


@contextmanager
def _small_matrices() -> Iterator[None]:
    """Have a child that is started now multiply matrices in one thread each.

    The matrices of a fit are small: threads that share them wait for each other, and where
    the machine is busy they wait twenty times longer than they work. The libraries read
    this when they are loaded, which in a child is before any code of ours.
    """
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    with _STARTING:
        before = {name: os.environ.get(name) for name in names}
        os.environ.update(dict.fromkeys(names, "1"))
        try:
            yield
        finally:
            for name, value in before.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value


def _in_child(pipe: Connection, work: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what Ctrl-C means
    threading.Thread(target=_end_with_parent, daemon=True).start()
    work(pipe, *arguments)


def _end_with_parent() -> None:
    parent = mp.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def watched(scan: xr.Dataset, tell: Callable[[int], None]) -> xr.Dataset:
    """Scan whose blocks tell when they are read.

    Parameters
    ----------
    scan : Dataset
        With lazy counts; others come back as they are.
    tell : callable
        Called with the pixels of each block, from any thread.
    """
    data = scan["counts"].data
    if not hasattr(data, "map_blocks"):
        return scan

    def seen(block: npt.NDArray[Any]) -> npt.NDArray[Any]:
        tell(block.shape[0] * block.shape[1])
        return block

    counts = data.map_blocks(seen, dtype=data.dtype, meta=np.empty((0, 0, 0), data.dtype))
    return scan.assign(counts=scan["counts"].copy(data=counts))


class _Teller:
    """Turns pixels read into messages, a hundred for each pass at most."""

    def __init__(self, pipe: Connection, pixels: int) -> None:
        self._pipe, self._pixels = pipe, pixels
        self._lock = threading.Lock()
        self.begin("")

    def begin(self, words: str, passes: int = 1) -> None:
        self._words, self._total = words, passes * self._pixels
        self._done = self._told = 0
        if words:
            self._pipe.send(Message("progress", (words, 0, self._total)))

    def add(self, pixels: int) -> None:
        with self._lock:
            self._done += pixels
            if self._done - self._told < self._total / 100 and self._done < self._total:
                return
            self._told = self._done
            self._pipe.send(Message("progress", (self._words, self._done, self._total)))


def prepare(
    pipe: Connection, source: ScanSource, scale: Mapping[str, Any] | None, target: Path | None
) -> None:
    """Calibrate a scan, find its elements, map them; each told when it is there.

    Parameters
    ----------
    pipe : Connection
        Where to tell.
    source : ScanSource
        The scan.
    scale : mapping, optional
        Attributes of an energy scale found earlier.
    target : Path or None
        File for the maps, where they are wanted.
    """
    try:
        _prepare(pipe, source, scale, target)
    except XrfmapError as bad:
        pipe.send(Message("failed", str(bad)))
    except Exception as bad:  # noqa: BLE001 - the page stays usable; the person is told
        pipe.send(Message("failed", f"the program failed: {type(bad).__name__}: {bad}"))


def _prepare(
    pipe: Connection, source: ScanSource, scale: Mapping[str, Any] | None, target: Path | None
) -> None:
    from xrfmap.calibration.scale_choice import scale_or_stated
    from xrfmap.maps.finding import find_elements
    from xrfmap.maps.map_file import find_and_map

    bare = source.open()
    teller = _Teller(pipe, bare.sizes["y"] * bare.sizes["x"])
    scan = watched(bare, teller.add)
    if scale is None:
        teller.begin("finding the energy scale")
        scan = scale_or_stated(scan)
        pipe.send(Message("scale", {k: v for k, v in scan.attrs.items() if k not in bare.attrs}))
    else:
        scan = scan.assign_attrs(dict(scale))
    # sums, unless the energy scale asked for them; groups of like pixels; traces
    teller.begin("finding the elements", passes=1 + (scale is not None) + (target is None))
    if target is None:
        pipe.send(Message("found", find_elements(scan, source.elements)))
        return
    fitting = False

    def step(_done: int, _total: int) -> None:
        nonlocal fitting
        if not fitting:
            teller.begin("mapping the elements")
        fitting = True

    def tell(found: Found) -> None:
        nonlocal fitting
        fitting = False  # pixels may be fitted once more
        pipe.send(Message("found", found))

    work = target.with_suffix(".blocks")
    find_and_map(scan, target, work, source.elements, progress=step, tell=tell)
    pipe.send(Message("maps", target))


def fit_on_request(pipe: Connection, found: Found, elements: tuple[str, ...] | None) -> None:
    """Fit one spectrum after the other, as they are sent: ``(key, counts, live_time, full)``.

    The last is a mask of the channels in which the pixels of the spectrum ran full, or None.
    """
    from xrfmap.explore.fits import full_fit
    from xrfmap.maps.element_maps import fit_spectrum
    from xrfmap.spectra.left_out import LEFT_OUT

    while True:
        try:
            key, counts, live_time, full = pipe.recv()
        except EOFError:
            return
        spectrum = xr.Dataset(
            {"counts": ("channel", counts, {"units": "counts"}), "live_time": live_time},
            attrs={"instrument": "{}"},
        )
        if full is not None:
            spectrum[LEFT_OUT] = ("channel", full)
        try:
            fit = fit_spectrum(spectrum, elements=elements, like=found)
            pipe.send(Message("fit", full_fit(fit), key))
        except XrfmapError as bad:
            pipe.send(Message("failed", str(bad), key))
        except Exception as bad:  # noqa: BLE001 - one spectrum must not end the others
            words = f"the fit failed: {type(bad).__name__}: {bad}"
            pipe.send(Message("failed", words, key))
