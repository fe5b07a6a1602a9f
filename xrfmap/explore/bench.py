"""One open scan with everything found out about it so far, shared by all its pages."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.areas.two_sums import Measure
from xrfmap.calibration.scale_choice import stated_scale_words
from xrfmap.errors import InputError, XrfmapError
from xrfmap.explore.fit_queue import FitQueue
from xrfmap.explore.fits import AreaFit, first_look
from xrfmap.explore.frame import Frame
from xrfmap.explore.reading import Bands, Stopped, SumSpectrum, first_pass, sum_pixels
from xrfmap.explore.status import Status
from xrfmap.explore.subject import ScanSource, check_results
from xrfmap.explore.worker import Child, Message, prepare
from xrfmap.io.scratch import scratch_folder
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.scan import SCALE_ATTRS, linear_scale
from xrfmap.spectra.flicker import beam_of, exposure

if TYPE_CHECKING:
    from xrfmap.areas.blocks import BlockSums, RowDesigns
    from xrfmap.findings import Comparison
    from xrfmap.identification.identify import Found

__all__ = ["Bench"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
KEPT_SUMS = 64


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
        self._rows: tuple[Found, RowDesigns] | None = None
        self.search_failed = ""  # why there are no elements
        self.scale: EnergyScale | None = None
        self._stated: EnergyScale | None = None  # by the file, until the lines gave a better one
        self._lock = threading.RLock()
        self._listeners: list[Callable[[str], None]] = []
        self._sums: OrderedDict[bytes, SumSpectrum] = OrderedDict()
        self._looks: OrderedDict[bytes, AreaFit] = OrderedDict()
        self._refused: OrderedDict[bytes, str] = (
            OrderedDict()
        )  # areas that cannot be fitted, and why
        self._queue = FitQueue(source.elements, self.status, self._tell)
        self._child: Child | None = None
        self._pool = ThreadPoolExecutor(3, thread_name_prefix="reading")
        self._gone = threading.Event()
        self._closing = ExitStack()  # removes the folder of the maps made here
        if "monitor" in self.scan:  # it is believed before the scatter, which maps show
            none = np.full(self.scan["counts"].shape[:2], np.nan)
            self._take_beam(beam_of(self.scan, none, none))
        self._take_results()

    # -- what is known ------------------------------------------------------------------

    def _take_results(self) -> None:
        from xrfmap.io.results import read_maps

        if self.source.results is not None:
            maps, _ = read_maps(self.source.results)
            check_results(maps, self.scan, self.source.results)
            self._take_maps(maps)
            if all(name in maps.attrs for name in SCALE_ATTRS):
                self.scale = EnergyScale.from_attrs(maps.attrs)
        if self.scale is None and "energy" in self.scan.coords:
            try:
                self._stated = EnergyScale(*linear_scale(self.scan["energy"].values))
            except ValueError:
                return

    def _take_maps(self, maps: xr.Dataset) -> None:
        self.maps = maps
        self._take_beam(maps.get("beam"))

    def _take_beam(self, beam: xr.DataArray | None) -> None:
        """Keep the strength of the beam beside the counts, as a study does."""
        if beam is not None:
            self.scan = self.scan.assign(beam=beam.variable.load())

    def exposure_of(self, mask: Mask) -> tuple[float, str]:
        """Tell what counts of some pixels are divided by, to be compared with those of others.

        Parameters
        ----------
        mask : ndarray of bool, shape (y, x)
            The pixels.

        Returns
        -------
        float, str
            Live time at the usual strength of the beam [s], where that is known of all of
            them; else their number. And the unit of counts divided by it.
        """
        time = exposure(self.scan)
        if time is not None and mask.any():
            total = float(time.values[mask].sum())
            if np.isfinite(total) and total > 0:
                seconds = time.attrs["units"] == "s"
                return total, "net counts/s" if seconds else "net counts per pixel"
        return float(mask.sum()), "net counts per pixel"

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
        if total and done >= total:
            self.status.drop(words)
            self._tell("status")
        elif self.status.set(words, done, total):
            self._tell("status")

    # -- work in the background ---------------------------------------------------------

    def start(self) -> None:
        """Begin with everything that is not known yet."""
        self._pool.submit(self._first_pass)
        scale = None if self.maps is None or self.scale is None else _scale_attrs(self.maps.attrs)
        target = None
        if self.maps is None:
            target = self._closing.enter_context(scratch_folder()) / "maps.nc"
        arguments = (self.source, scale, target)
        self._child = Child(prepare, arguments, self._hear)

    def stop(self) -> None:
        """End all work; the bench cannot be used afterwards."""
        self._gone.set()
        self._queue.stop()
        if self._child is not None:
            self._child.stop()
        self._pool.shutdown(wait=False, cancel_futures=True)
        self._closing.close()

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
        finally:
            self.progress(words, 1, 1)
        self._tell("bands")

    def _hear(self, message: Message) -> None:
        """Take news of the child that prepares the scan."""
        if message.kind == "progress":
            self._only(*message.value)
            return
        if message.kind == "scale":
            self.scale = EnergyScale.from_attrs({**self.scan.attrs, **message.value})
            if message.value.get("calibration_from") == "file":
                refused = str(message.value["calibration_refused"])
                self.status.caution = f"{self.source.name}: {stated_scale_words(refused)}."
        elif message.kind == "found":
            self.found = message.value
            self.scale = message.value.model.scale
            self._queue.start(message.value)
        elif message.kind == "maps":
            from xrfmap.io.results import read_maps

            # only the path comes through the pipe: maps may be larger than the memory
            try:
                self._take_maps(read_maps(message.value)[0])
            except XrfmapError as bad:
                if not self._gone.is_set():
                    self.status.failed = str(bad)
        elif message.kind == "failed":
            self.search_failed = self.status.failed = str(message.value)
        elif message.kind == "ended":
            self._only("", 0, 0)
            if message.value not in (0, None) and not self._gone.is_set():
                self.search_failed = self.search_failed or "the search for elements broke off"
                self.status.failed = self.status.failed or self.search_failed
        self._tell(message.kind)

    def _only(self, words: str, done: int, total: int) -> None:
        """Progress of the child that prepares: one piece of work at a time."""
        self.status.drop(*(name for name in _PIECES if name != words))
        if words:  # all read, yet not done: what follows has no measure
            self.status.set(words, *((done, total) if done < total else (0, 0)))
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
        tell = partial(self.progress, words)
        try:
            found = sum_pixels(self.scan, mask, tell, self._gone)
        finally:
            self.progress(words, 1, 1)
        with self._lock:
            self._sums[key] = found
            while len(self._sums) > KEPT_SUMS:
                self._sums.popitem(last=False)
        return found

    def fit_of(self, mask: Mask) -> AreaFit | None:
        """Best fit there is at present: full, else first look; None without a model or sum."""
        full = self._queue.get(_key(mask))
        return full if full is not None else self.look_at(mask)

    def look_at(self, mask: Mask) -> AreaFit | None:
        """First look at an area; None without a model or sum, or where all channels ran full."""
        key = _key(mask)
        with self._lock:
            look, found, summed = self._looks.get(key), self.found, self._sums.get(key)
        if look is not None or found is None or summed is None:
            return look
        try:
            look = first_look(summed.counts, found, summed.full)
        except InputError as bad:  # the full fit fails for the same reason
            with self._lock:
                self._refused[key] = (
                    f"This area cannot be fitted: {bad.found}, and too few are left. Draw it "
                    f"without its brightest pixels, or {bad.remedy}. Its summed spectrum is shown "
                    "as it was measured."
                )
                while len(self._refused) > KEPT_SUMS:
                    self._refused.popitem(last=False)
            return None
        with self._lock:
            self._looks[key] = look
            while len(self._looks) > KEPT_SUMS:
                self._looks.popitem(last=False)
        return look

    def why_no_fit(self, mask: Mask) -> str:
        """Say why :meth:`fit_of` has nothing for an area, and what to do about it."""
        with self._lock:
            refused = self._refused.get(_key(mask), "")
        if self.found is not None:
            return refused or "The fit is being made."
        if self.search_failed:
            return (
                "The elements of the scan could not be found, so there are no maps and no fits. "
                f"{self.search_failed}."
            )
        return "The fit waits until the elements of the scan are found."

    def measures_of(self, mask: Mask) -> dict[str, Measure]:
        """Net counts of all families of the scan and the area, for comparisons.

        A family that the full fit left out, because its element is not there, has the
        value that the scan's own model gives it.
        """
        look, fit = self.look_at(mask), self.fit_of(mask)
        if look is None or fit is None:
            return {}
        return {**look.measures(), **fit.measures()}

    def blocks_of(self, mask: Mask) -> BlockSums | None:
        """Read the blocks of an area, outside the page's thread; None where it is too small."""
        from xrfmap.areas.blocks import RowDesigns, read_blocks

        found = self.found
        if found is None:
            raise XrfmapError("areas are compared after the elements are found")
        kept = self._rows  # with what it was made of: another thread may change either
        if kept is None or kept[0] is not found:
            kept = self._rows = found, RowDesigns.of(self.scan, found)
        return read_blocks(self.scan, found, mask, kept[1])

    def contrast_of(self, a: BlockSums | None, b: BlockSums | None) -> Comparison:
        """Compare two areas by their blocks, as ``[[compare]]`` of a study does.

        To be called in the page's thread: fits share threads and cannot be made at once.
        """
        from xrfmap.areas.blocks import fit_blocks, full_in
        from xrfmap.areas.two_areas import compare_blocks

        if self.found is None:
            raise XrfmapError("areas are compared after the elements are found")
        full = full_in((a, b))
        one, two = (
            None if held is None else fit_blocks(self.scan, self.found, held, name, full)
            for name, held in (("A", a), ("B", b))
        )
        return compare_blocks(one, two, ("A", "B"))

    def want_fits(self, page: int, areas: Sequence[tuple[Mask, SumSpectrum]]) -> None:
        """Name the areas that a page shows; a full fit that no page waits for is given up.

        Parameters
        ----------
        page : int
            Which page, by any number of its own.
        areas : sequence of (mask, sum)
            The first to be fitted first; none when the page is closed.
        """
        self._queue.want(page, {_key(mask): summed for mask, summed in areas})

    def fit_failed(self, mask: Mask) -> str:
        """Say why the full fit of an area failed; empty if it did not."""
        return self._queue.failed(_key(mask))


_PIECES = ("finding the energy scale", "finding the elements", "mapping the elements")


def _scale_attrs(attrs: Mapping[Any, Any]) -> dict[str, Any]:
    return {
        str(name): value
        for name, value in attrs.items()
        if str(name).removesuffix("_err") in SCALE_ATTRS or name == "anode"
    }


def _key(mask: Mask) -> bytes:
    return bytes(np.packbits(mask).tobytes()) + str(mask.shape).encode()
