"""The page: what a person does goes in here, what they see comes out.

Reading and fitting run outside the thread of the page; their results come back on its
next tick. What is shown belongs to one open page; what is known of the scan belongs to
the bench and is shared.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
from bokeh.document import Document

from xrfmap.errors import InputError, XrfmapError
from xrfmap.explore import layout, rasters
from xrfmap.explore.bench import Bench
from xrfmap.explore.finding_panel import FindingPanel
from xrfmap.explore.history import History
from xrfmap.explore.markup import message
from xrfmap.explore.plates import Plate, Shared, image_data, plate_size, show_raster
from xrfmap.explore.pointer import Pointer
from xrfmap.explore.question_panel import MOST_MAPS, NOTHING, OTHER_MAPS, QuestionPanel
from xrfmap.explore.reading import Stopped, SumSpectrum
from xrfmap.explore.slots import AreaDesk
from xrfmap.explore.spectrum_panel import SpectrumPanel
from xrfmap.explore.subject import Subject
from xrfmap.explore.widgets import bk, page_template, script
from xrfmap.explore.window_desk import WindowDesk

__all__ = ["Session", "fill_document"]

Array = npt.NDArray[np.float64]
FIRST_MAPS = 3


def fill_document(
    doc: Document, subject: Subject, bench: Bench, links: Sequence[tuple[str, str]]
) -> None:
    """Build the page of one scan.

    Parameters
    ----------
    doc : Document
        Empty.
    subject : Subject
        Study or scan.
    bench : Bench
        The scan.
    links : sequence of (name, address)
        All scans of the study.
    """
    session = Session(doc, subject, bench)
    doc.template = page_template()
    doc.title = f"{subject.title}: {bench.source.name}"
    doc.template_variables.update(layout.variables(subject, bench, links))
    with doc.models.freeze():  # Bokeh walks through all models once, not once per root
        for root in session.roots:
            doc.add_root(root)
    doc.on_session_destroyed(lambda _context: session.leave())


class Session:
    """One open page."""

    def __init__(self, doc: Document, subject: Subject, bench: Bench) -> None:
        self.doc, self.subject, self.bench = doc, subject, bench
        self.history = History()
        self._width = 1280.0
        self.shown: tuple[list[str], list[str]] = (["all counts"], [])  # maps, mixture
        self._build()
        self._connect()
        self._stop_listening = bench.listen(lambda what: self._later(partial(self._news, what)))
        for what in ("status", "scale", "bands", "maps"):
            self._news(what)
        self.desk.offer()

    # -- building -----------------------------------------------------------------------

    def _build(self) -> None:
        bench = self.bench
        self.shared = Shared.of(bench.frame, lambda x, y: self.desk.drawn(x, y))
        self.bar = layout.Bar(self.shared)
        hover = layout.hover(self.shared, self.bar.mode)
        self.plates = [Plate(self.shared, number, hover) for number in range(MOST_MAPS)]
        axis = bench.energy
        in_kev = axis is not None
        channels = np.arange(bench.channels, dtype=np.float64)
        self.spectrum = SpectrumPanel(axis if axis is not None else channels, in_kev,
                                      lambda low, high: self.window.drawn(low, high))  # fmt: skip
        self.pictures = rasters.Pictures(self.subject, bench.frame.grid)
        self.question = QuestionPanel(self.pictures.names, self._question)
        self.finding = FindingPanel(self._finding, self.subject.study is not None)
        self.desk = AreaDesk(self)
        self.window = WindowDesk(self)
        self.pointer = Pointer(self)
        self.here = layout.here()
        self.status = layout.status()
        self.undo = layout.undo_button()

    def _connect(self) -> None:
        self.shared.probe.on_change("data", lambda _a, _o, _n: self.pointer.moved())
        self.shared.closed.on_change("data", lambda _a, _o, new: self._closed(new))
        self.shared.viewport.on_change("data", lambda _a, _o, new: self._resized(new))
        self.shared.undo.on_change("data", lambda _a, _o, _n: self.take_back())
        self.undo.on_click(self.take_back)
        self.bar.whole.on_click(self.shared.whole)
        self.bar.saved.on_change("active", lambda _a, _o, new: self._show_saved(new))
        self.bar.nearer.on_click(lambda: self.shared.zoom(1.5))
        self.bar.farther.on_click(lambda: self.shared.zoom(1 / 1.5))
        for axis in (self.shared.x_range, self.shared.y_range):
            axis.on_change("end", lambda _a, _o, _n: self._looked())
        arguments = layout.hover(self.shared, self.bar.mode)
        self.doc.js_on_event("document_ready", bk.CustomJS(args=arguments, code=script("ready")))

    @property
    def roots(self) -> list[Any]:
        """Models of the page, by the names that the template knows."""
        return [
            self.status, self.undo, self.question.root, self.bar.root,
            *(plate.root for plate in self.plates), self.spectrum.root, self.here,
            self.finding.root,
        ]  # fmt: skip

    def leave(self) -> None:
        """End what only this page asked for."""
        self._stop_listening()
        self.window.stop()
        self.bench.want_fits(id(self), [])

    # -- coming back from other threads -------------------------------------------------

    def _later(self, change: Callable[[], None]) -> None:
        """Change the page on its own thread; a page that was closed changes no more."""
        if self.doc.session_context is not None and not self.doc.session_context.destroyed:
            self.doc.add_next_tick_callback(change)

    def away(self, job: Callable[[], Any], then: Callable[[Any], None], words: str = "") -> None:
        """Run a job outside the page's thread, then take its result to the page."""

        def done(future: Future[Any]) -> None:
            if future.cancelled():
                return
            bad = future.exception()
            if bad is None:
                self._later(partial(then, future.result()))
            elif not isinstance(bad, Stopped):
                known = isinstance(bad, XrfmapError | OSError)
                text = str(bad) if known else f"{words or 'it'} failed: {bad!r}"
                self._later(partial(self.say, text, "bad"))

        self.bench.submit(job).add_done_callback(done)

    def say(self, text: str, kind: str = "note") -> None:
        """Tell the person something, beside the finding."""
        self.finding.note.text = message(text, kind)

    def _news(self, what: str) -> None:
        """Take what the bench found out."""
        self.status.text = layout.status_words(self.bench.status)
        if what in ("scale", "found"):
            self._rescale()
        if what in ("bands", "maps"):
            if what == "maps":
                self._first_maps()
            self._show_mean()
            self.show_maps()
            self.pointer.read()
        if what in ("fit", "found", "scale"):
            self.desk.refresh()
        if what == "study":
            self.desk.offer()

    def _rescale(self) -> None:
        axis = self.bench.energy
        if axis is not None:
            self.window.rescale(axis)
            self.spectrum.set_axis(axis, in_kev=True)
            self._show_mean()
            self.pointer.read()

    def _show_mean(self) -> None:
        bands = self.bench.bands
        if bands is not None:
            pixels = bands.total.size
            self.spectrum.show("mean", SumSpectrum(bands.sum_counts, pixels, float("nan")))

    def _first_maps(self) -> None:
        """Offer the families; show the strongest ones if nothing else was asked for."""
        maps = self.bench.maps
        if maps is None:
            return
        chosen = self.shown[0]
        if chosen == ["all counts"]:
            best = rasters.strongest(maps, FIRST_MAPS)
            chosen = [name for name in rasters.ordered(maps) if name in best]
        self.shown = (chosen, self.shown[1])
        self.question.set_families(rasters.ordered(maps), chosen)

    # -- question -----------------------------------------------------------------------

    def _question(self, what: str) -> None:
        if what in ("maps", "mixture"):
            old, new = self.shown, (self.question.maps, self.question.mixture)
            words = "choice of maps" if what == "maps" else "choice of colours"
            self.history.did(words, lambda: self._choose(*old))
            self.shown = new
            self.show_maps()
        elif what == "picture":
            self._show_picture()
        elif what == "no window":
            self.window.set(None)
        elif what == "window":
            low, high = self.question.low.value, self.question.high.value
            if low is not None and high is not None and low != high:
                self.window.set((float(low), float(high)))
        self.show_undo()

    def _choose(self, maps: list[str], mixture: list[str]) -> None:
        self.shown = (maps, mixture)
        self.question.set_maps(maps)
        self.question.set_mixture(mixture)
        self.show_maps()

    # -- place --------------------------------------------------------------------------

    def show_maps(self) -> None:
        """Show what was asked for, side by side."""
        names, mixture = self.shown
        jobs: list[Callable[[Plate], None]] = []
        for name in names:
            raster = rasters.raster(self.bench, OTHER_MAPS.get(name, name))
            if raster is not None:
                jobs.append(partial(show_raster, raster))
        special: list[Callable[[Plate], None]] = []
        if self.window.ends is not None:
            special.append(self.window.show_on)
        if mixture and self.bench.maps is not None:
            title, picture, caption = rasters.mixture(self.bench.maps, mixture)
            special.append(lambda plate: plate.show_colours(title, picture, caption))
        left_out = max(len(jobs) + len(special) - MOST_MAPS, 0)
        jobs = [*jobs[: MOST_MAPS - len(special)], *special]
        for plate, job in zip(self.plates, jobs, strict=False):
            job(plate)
        for plate in self.plates[len(jobs) :]:
            plate.hide()
        self._place_plates(len(jobs))
        self.bar.tell(f"{left_out} more left out: {MOST_MAPS} maps fit" if left_out > 0 else "")

    def _place_plates(self, plates: int) -> None:
        grid = self.bench.frame.grid
        beside = layout.SIDE_PX if self._width > layout.NARROW_PX else layout.MARGIN_PX
        room = self._width - beside
        width, height, columns = plate_size(room, plates, grid.aspect)
        for place, plate in enumerate(self.plates):
            plate.resize(width, height, place % columns == 0)

    def _resized(self, new: dict[str, Any]) -> None:
        width = float(np.asarray(new["w"]).ravel()[0])
        if 300 < width < 20_000:
            self._width = width
            self._place_plates(sum(bool(plate.root.visible) for plate in self.plates))

    def _looked(self) -> None:
        for plate in self.plates:
            plate.look()

    def _closed(self, new: dict[str, Any]) -> None:
        x, y = (np.asarray(new[name], dtype=object).ravel().tolist() for name in ("x", "y"))
        if x:
            self.desk.drawn(x, y)

    def _show_saved(self, shown: bool) -> None:
        self.desk.show_saved = shown
        self.desk.draw()

    def _show_picture(self) -> None:
        name = str(self.question.picture.value)
        for plate in self.plates:
            plate.photo.glyph.global_alpha = float(self.question.opacity.value) / 100
        if name == NOTHING:
            self.shared.photo.data = {k: [] for k in ("image", "x", "y", "dw", "dh")}
            self.bar.tell("")
            return
        g = self.bench.frame.grid

        def arrived(found: tuple[npt.NDArray[np.uint8], str]) -> None:
            if str(self.question.picture.value) == name:
                size = g.x1 - g.x0, g.y1 - g.y0
                self.shared.photo.data = image_data(found[0], g.x0, g.y0, *size)
                self.bar.tell(found[1])

        self.away(partial(self.pictures.get, name), arrived, "the picture")

    # -- finding ------------------------------------------------------------------------

    def _finding(self, what: str) -> None:
        try:
            self.desk.asked(what)
        except InputError as bad:
            self.say(str(bad), "bad")
        self.show_undo()

    def take_back(self) -> None:
        """Undo the latest step."""
        try:
            words = self.history.undo()
            self.say(f"taken back: {words}" if words else "nothing to take back")
        except XrfmapError as bad:
            self.say(str(bad), "bad")
        self.show_undo()

    def did(self, words: str, undo: Callable[[], None]) -> None:
        """Note a step for the undo button."""
        self.history.did(words, undo)
        self.show_undo()

    def show_undo(self) -> None:
        """Tell what the undo button would take back."""
        last = self.history.last
        self.undo.update(label=f"Undo: {last}" if last else "Undo", disabled=last is None)
