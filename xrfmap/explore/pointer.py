"""The pixel under the pointer: its readings and its spectrum."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from xrfmap.explore.markup import pointer_card
from xrfmap.explore.reading import SumSpectrum, pixel_spectrum
from xrfmap.explore.readout import Reading, pixel_reading, place_words
from xrfmap.report.words import number

if TYPE_CHECKING:
    from xrfmap.explore.page import Session

__all__ = ["Pointer"]

CLEARLY = 3.0  # standard errors at which a pixel's family is named unasked


class Pointer:
    """Follows the pointer of one page.

    Parameters
    ----------
    session : Session
        The page.
    """

    def __init__(self, session: Session) -> None:
        self._page = session
        self._here: tuple[float, float, bool] | None = None
        self._reading = False

    def moved(self) -> None:
        """Take the place that the browser tells; anything that is none changes nothing."""
        data: Any = self._page.shared.probe.data
        try:
            x, y = (float(np.asarray(data[name]).ravel()[0]) for name in ("x", "y"))
            held = bool(np.asarray(data["held"]).ravel()[0])
        except (KeyError, IndexError, TypeError, ValueError):
            return
        if self._page.bench.frame.pixel_at(x, y) is None:
            return
        self._here = (x, y, held)
        self.read()

    def read(self) -> None:
        """Show the pixel; while one is being read, only the latest waits."""
        here = self._here
        pixel = None if here is None else self._page.bench.frame.pixel_at(here[0], here[1])
        if here is None or pixel is None:
            return
        self._show(here, pixel)
        if self._reading:
            return
        self._reading = True

        def arrived(spectrum: SumSpectrum) -> None:
            self._reading = False
            self._page.spectrum.show("pixel", spectrum)
            if self._here is not None and self._here[:2] != here[:2]:
                self.read()

        def job() -> SumSpectrum:
            try:
                return pixel_spectrum(self._page.bench.scan, *pixel)
            except BaseException:
                self._reading = False
                raise

        self._page.away(job, arrived, "the pixel")

    def _show(self, here: tuple[float, float, bool], pixel: tuple[int, int]) -> None:
        page, bench = self._page, self._page.bench
        words = []
        if bench.bands is not None:
            words.append(f"{number(bench.bands.total[pixel], 9)} counts in all")
        live = float(bench.scan["live_time"].values[pixel])
        if np.isfinite(live):
            words.append(f"{number(live)} s live")
        asked, others = self._families(pixel)
        place = place_words(here[0], here[1], bench.frame.grid.unit)
        page.here.text = pointer_card(place, ", ".join(words), asked, others, here[2])

    def _families(self, pixel: tuple[int, int]) -> tuple[list[Reading], list[Reading]]:
        """Read the families on show, and others that are clearly seen here."""
        maps, families = self._page.bench.maps, self._page.bench.families
        if maps is None:
            return [], []
        chosen = dict.fromkeys([*self._page.shown[0], *self._page.shown[1]])
        names = [name for name in chosen if name in families]
        rest = pixel_reading(maps, *pixel, [name for name in families if name not in names])
        others = [r for r in rest if r.state == "seen" and r.net > CLEARLY * r.err]
        return pixel_reading(maps, *pixel, names), others
