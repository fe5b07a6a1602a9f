"""One open scan with everything found out about it so far, shared by all its pages."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import XrfmapError
from xrfmap.explore.compare import Measure
from xrfmap.explore.fits import AreaFit, first_look
from xrfmap.explore.frame import Frame
from xrfmap.explore.reading import Bands, Stopped, SumSpectrum, first_pass, sum_pixels
from xrfmap.explore.subject import ScanSource, check_results
from xrfmap.explore.worker import Child, Message, fit_on_request, prepare
from xrfmap.lineshape import EnergyScale
from xrfmap.scan import SCALE_ATTRS, linear_scale

if TYPE_CHECKING:
    from xrfmap.identify import Found

__all__ = ["Bench", "Status"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
KEPT_SUMS = 64


class Status:
    """What is being done at present, for the line at the top of the page."""

    def __init__(self) -> None:
        self.work: OrderedDict[str, tuple[int, int]] = OrderedDict()
        self.failed: str = ""

    @property
    def words(self) -> str:
        """One line; empty when nothing is going on."""
        parts = []
        for name, (done, total) in self.work.items():
            share = f" {100 * done // total} %" if total and done else ""
            parts.append(f"{name}{share}")
        return "; ".join(parts)


class Bench:
    """A scan, what was found, and those who want to hear of it.

    Parameters
    ----------
    source : ScanSource
        The scan.

    Raises
    ------
    InputError
        If the scan or its results cannot be used.
    """

    def __init__(self, source: ScanSource) -> None:
        self.source = source
        self.scan = source.open()
        if self.scan["counts"].ndim != 3:
            raise XrfmapError(f"{source.path}: a point spectrum has no place to look at")
        self.frame = Frame.of(self.scan)
        self.status = Status()
        self.bands: Bands | None = None
        self.maps: xr.Dataset | None = None
        self.found: Found | None = None
        self.scale: EnergyScale | None = None
        self._stated: EnergyScale | None = None  # by the file, until the lines gave a better one
        self._lock = threading.RLock()
        self._listeners: list[Callable[[str], None]] = []
        self._sums: OrderedDict[bytes, SumSpectrum] = OrderedDict()
        self._fits: OrderedDict[bytes, AreaFit] = OrderedDict()
        self._wanted: dict[int, list[bytes]] = {}
        self._turn = 0  # of the child that fits: an older one is not listened to
        self._busy: bytes | None = None
        self._failed: set[bytes] = set()
        self._children: list[Child] = []
        self._fitter: Child | None = None
        self._pool = ThreadPoolExecutor(3, thread_name_prefix="reading")
        self._gone = threading.Event()
        self._take_results()

    # -- what is known ------------------------------------------------------------------

    def _take_results(self) -> None:
        from xrfmap.io.results import read_maps

        if self.source.results is not None:
            maps, _ = read_maps(self.source.results)
            check_results(maps, self.scan, self.source.results)
            self.maps = maps
            if all(name in maps.attrs for name in SCALE_ATTRS):
                self.scale = EnergyScale.from_attrs(maps.attrs)
        if self.scale is None and "energy" in self.scan.coords:
            try:
                self._stated = EnergyScale(*linear_scale(self.scan["energy"].values))
            except ValueError:
                return

    @property
    def energy(self) -> Array | None:
        """Energy of each channel [keV]; None until there is a scale."""
        scale = self.scale or self._stated
        return None if scale is None else np.asarray(scale.energy(np.arange(self.channels)))

    @property
    def channels(self) -> int:
        """Channels of the scan."""
        return int(self.scan.sizes["channel"])

    @property
    def families(self) -> list[str]:
        """Families with a map."""
        return [] if self.maps is None else [str(v) for v in self.maps["line"].values]

    def channel_range(self, low_kev: float, high_kev: float) -> tuple[int, int]:
        """Channels whose middle lies in a window, at least one: first, and last + 1."""
        axis = self.energy if self.energy is not None else np.arange(self.channels, dtype=float)
        first = int(np.clip(np.searchsorted(axis, min(low_kev, high_kev)), 0, self.channels - 1))
        last = int(np.searchsorted(axis, max(low_kev, high_kev), side="right"))
        return first, int(np.clip(last, first + 1, self.channels))

    # -- listeners ----------------------------------------------------------------------

    def listen(self, listener: Callable[[str], None]) -> Callable[[], None]:
        """Have `listener` called with the name of what changed; returns how to end that."""
        with self._lock:
            self._listeners.append(listener)

        def leave() -> None:
            with self._lock:
                if listener in self._listeners:
                    self._listeners.remove(listener)

        return leave

    def announce(self, what: str) -> None:
        """Tell all pages that something changed."""
        self._tell(what)

    def _tell(self, what: str) -> None:
        with self._lock:
            listeners = list(self._listeners)
        for listener in listeners:
            listener(what)

    def progress(self, words: str, done: int, total: int) -> None:
        """Note how far some work is; it vanishes from the line when done."""
        with self._lock:
            before = self.status.work.get(words)
            if total and done >= total:
                self.status.work.pop(words, None)
            else:
                self.status.work[words] = (done, total)
                step = max(total // 50, 1)
                if before is not None and done // step == before[0] // step:
                    return
        self._tell("status")

    # -- work in the background ---------------------------------------------------------

    def start(self) -> None:
        """Begin with everything that is not known yet."""
        self._pool.submit(self._first_pass)
        scale = None if self.maps is None or self.scale is None else _scale_attrs(self.maps.attrs)
        arguments = (self.source, scale, self.maps is None)
        self._children.append(Child(prepare, arguments, self._hear))

    def stop(self) -> None:
        """End all work; the bench cannot be used afterwards."""
        self._gone.set()
        for child in self._children:
            child.stop()
        self._pool.shutdown(wait=False, cancel_futures=True)

    def submit(self, job: Callable[[], Any]) -> Future[Any]:
        """Run a job that reads the scan, outside the thread of the page."""
        return self._pool.submit(job)

    def _first_pass(self) -> None:
        words = "reading the scan"
        try:
            self.bands = first_pass(
                self.scan, lambda done, total: self.progress(words, done, total), self._gone
            )
        except Stopped:
            return
        except (XrfmapError, OSError) as bad:
            self.status.failed = str(bad)
            self.progress(words, 1, 1)
        self._tell("bands")

    def _hear(self, message: Message) -> None:
        """Take news of the child that prepares the scan."""
        if message.kind == "progress":
            self._only(*message.value)
            return
        if message.kind == "scale":
            self.scale = EnergyScale.from_attrs({**self.scan.attrs, **message.value})
        elif message.kind == "found":
            self.found = message.value
            self.scale = message.value.model.scale
            if not self._gone.is_set():
                self._start_fitter()
        elif message.kind == "maps":
            self.maps = message.value[0]
        elif message.kind == "failed":
            self.status.failed = str(message.value)
        elif message.kind == "ended":
            self._only("", 0, 0)
            if message.value not in (0, None) and not self._gone.is_set():
                self.status.failed = self.status.failed or "the search for elements broke off"
        self._tell(message.kind)

    def _only(self, words: str, done: int, total: int) -> None:
        """Progress of the child that prepares: one piece of work at a time."""
        with self._lock:
            for name in [n for n in self.status.work if n in _PIECES and n != words]:
                del self.status.work[name]
            if words:  # all read, yet not done: what follows has no measure
                self.status.work[words] = (done, total) if done < total else (0, 0)
        self._tell("status")

    # -- sums and fits ------------------------------------------------------------------

    def sum_of(self, mask: Mask) -> SumSpectrum:
        """Sum spectrum of some pixels; read once, then remembered."""
        key = _key(mask)
        with self._lock:
            if key in self._sums:
                self._sums.move_to_end(key)
                return self._sums[key]
        words = "summing the area"
        found = sum_pixels(
            self.scan, mask, lambda done, total: self.progress(words, done, total), self._gone
        )
        with self._lock:
            self._sums[key] = found
            while len(self._sums) > KEPT_SUMS:
                self._sums.popitem(last=False)
        return found

    def fit_of(self, mask: Mask) -> AreaFit | None:
        """Best fit there is at present: full, else first look; None without a model or sum."""
        key = _key(mask)
        with self._lock:
            done, found, summed = self._fits.get(key), self.found, self._sums.get(key)
        if done is not None and done.complete:
            return done
        if found is None or summed is None:
            return done
        if done is None:
            done = first_look(summed.counts, found)
            with self._lock:
                self._fits.setdefault(key, done)
        return done

    def measures_of(self, mask: Mask) -> dict[str, Measure]:
        """Net counts of all families of the scan and the area, for comparisons.

        A family that the full fit left out, because its element is not there, has the
        value that the scan's own model gives it.
        """
        fit, key = self.fit_of(mask), _key(mask)
        with self._lock:
            found, summed = self.found, self._sums.get(key)
        if fit is None or found is None or summed is None:
            return {}
        return {**first_look(summed.counts, found).measures(), **fit.measures()}

    def want_fits(self, page: int, masks: list[Mask]) -> None:
        """Name the areas that a page shows; a full fit that no page waits for is given up.

        Parameters
        ----------
        page : int
            Which page, by any number of its own.
        masks : list of ndarray of bool, shape (y, x)
            The areas, the first to be fitted first; none when the page is closed.
        """
        with self._lock:
            self._wanted[page] = [_key(mask) for mask in masks]
            if self._busy is not None and self._busy not in self._all_wanted() and self._fitter:
                self._fitter.stop()
                self._start_fitter()
        self._next_fit()

    def _all_wanted(self) -> list[bytes]:
        return [key for keys in self._wanted.values() for key in keys]

    def fit_failed(self, mask: Mask) -> bool:
        """Tell whether the full fit of an area was tried in vain."""
        return _key(mask) in self._failed

    def _start_fitter(self) -> None:
        with self._lock:
            self._busy = None
            self._turn += 1
            hear = partial(self._hear_fit, self._turn)
            arguments = (self.found, self.source.elements)
            self._fitter = Child(fit_on_request, arguments, hear)
            self._children = [self._children[0], self._fitter]
        self._next_fit()

    def _next_fit(self) -> None:
        with self._lock:
            if self._fitter is None or self._busy is not None:
                return
            self.status.work.pop(_FITTING, None)
            for key in self._all_wanted():
                fit, summed = self._fits.get(key), self._sums.get(key)
                done = key in self._failed or (fit is not None and fit.complete)
                if summed is not None and not done:
                    self._busy = key
                    self.status.work[_FITTING] = (0, 0)
                    self._fitter.send((key, summed.counts, summed.live_time))
                    break
        self._tell("status")

    def _hear_fit(self, turn: int, message: Message) -> None:
        """Take news of the child that fits; one that was given up has nothing to say."""
        with self._lock:
            if turn != self._turn or self._gone.is_set():
                return
            key = self._busy
            if message.kind == "fit":
                self._fits[message.key] = message.value
            elif key is not None:
                ended = message.kind == "ended"  # killed from outside, for want of memory say
                self.status.failed = "the fit broke off" if ended else str(message.value)
                self._failed.add(key)
            self._busy = None
            if message.kind == "ended":
                self._fitter = None
                if key is not None:
                    self._start_fitter()
        self._tell("fit")
        self._next_fit()


_FITTING = "testing every element on the area"
_PIECES = ("finding the energy scale", "finding the elements", "mapping the elements")


def _scale_attrs(attrs: Mapping[Any, Any]) -> dict[str, Any]:
    return {
        str(name): value
        for name, value in attrs.items()
        if str(name).removesuffix("_err") in SCALE_ATTRS or name == "anode"
    }


def _key(mask: Mask) -> bytes:
    return bytes(np.packbits(mask).tobytes()) + str(mask.shape).encode()
