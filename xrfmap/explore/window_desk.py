"""The energy window: drawn or typed, counted, shown as a map."""

from __future__ import annotations

from functools import partial
from threading import Event
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from xrfmap.explore import rasters
from xrfmap.explore.markup import message
from xrfmap.explore.plates import Plate, show_raster
from xrfmap.explore.reading import window_map

if TYPE_CHECKING:
    from xrfmap.explore.page import Session

__all__ = ["WindowDesk"]

Array = npt.NDArray[np.float64]
Ends = tuple[float, float]


class WindowDesk:
    """The energy window of one page.

    Parameters
    ----------
    session : Session
        The page.

    Attributes
    ----------
    ends : tuple of float or None
        The window; channels until there is an energy scale. [keV]
    counts : tuple of ndarray and bool, or None
        Counts per pixel, and whether they are exact; None until there are any.
    """

    def __init__(self, session: Session) -> None:
        self._page = session
        self._stop = Event()
        self.ends: Ends | None = None
        self.counts: tuple[Array, bool] | None = None

    def drawn(self, low: Any, high: Any) -> None:
        """Take a window from the browser; anything that is none changes nothing."""
        try:
            ends = sorted((float(low), float(high)))
        except (TypeError, ValueError):
            return
        axis = self._page.spectrum.axis
        if not np.isfinite(ends).all() or ends[1] < axis[0] or ends[0] > axis[-1]:
            return
        self.set((max(ends[0], float(axis[0])), min(ends[1], float(axis[-1]))))

    def set(self, ends: Ends | None, note: bool = True) -> None:
        """Show the map of a window; None for none. `note` makes it a step to undo."""
        page, old = self._page, self.ends
        if old == ends:
            return
        if note:
            page.history.did("energy window", lambda: self.set(old, note=False))
        self.ends = ends
        page.question.set_window(ends)
        page.spectrum.show_window(ends)
        self._count()
        page.show_maps()
        page.show_undo()

    def rescale(self, energy: Array) -> None:
        """Keep the window on its lines when a scale arrives or gets better."""
        if self.ends is None:
            return
        if not self._page.spectrum.in_kev:
            channels = np.arange(len(energy))
            low, high = np.interp(self.ends, channels, energy).tolist()
            self.ends = (low, high)
            self._page.question.set_window(self.ends)
            self._page.spectrum.show_window(self.ends)
        self._count()
        self._page.show_maps()

    def stop(self) -> None:
        """Give up counting."""
        self._stop.set()

    def _count(self) -> None:
        """From the bands at once, then exactly from the file where bands do not end there."""
        self.stop()
        self.counts = None
        if self.ends is None:
            return
        bench, ends = self._page.bench, self.ends
        span = bench.channel_range(*ends)
        if bench.bands is not None:
            self.counts = bench.bands.window(*span)
            if self.counts[1]:
                return
        stop = self._stop = Event()
        words = "counting the window"

        def arrived(counts: Array) -> None:
            if not stop.is_set():
                self.counts = counts, True
                self._page.show_maps()

        def job() -> Array:
            try:
                return window_map(bench.scan, *span, partial(bench.progress, words), stop)
            finally:
                bench.progress(words, 1, 1)

        self._page.away(job, arrived, "the window")

    def show_on(self, plate: Plate) -> None:
        """Show the window on a plate, or that it is being counted."""
        if self.ends is None:
            return
        if self.counts is None:
            nothing = np.full(self._page.bench.frame.shape, np.nan)
            plate.show_map("energy window", nothing, 0, 1, message("being counted …"), "")
            return
        counts, exact = self.counts
        show_raster(rasters.window(self._page.bench, counts, self.ends, exact), plate)
