"""Areas A and B: chosen or drawn, summed, fitted, compared, saved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from xrfmap.areas.members import area_mask
from xrfmap.areas.two_sums import compare
from xrfmap.errors import InputError
from xrfmap.explore.contrast import BlockContrast, apart
from xrfmap.explore.finding_panel import DRAWN, EMPTY, WHOLE
from xrfmap.explore.markup import contrast_table, family_table, message, sum_words
from xrfmap.explore.outline import Corners, corners_text, mask_of, outline, parse_corners
from xrfmap.explore.plates import Ring
from xrfmap.explore.reading import SumSpectrum
from xrfmap.explore.studyfile import Saved, add_area, take_back
from xrfmap.io.images import read_mask
from xrfmap.io.safe import safe_path
from xrfmap.numbers import whole
from xrfmap.report.style import visible_text
from xrfmap.settings import Area
from xrfmap.studycheck import ROLE_WORDS

if TYPE_CHECKING:
    from xrfmap.explore.page import Session

__all__ = ["AreaDesk", "Slot"]

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Slot:
    """What stands in for A or B.

    Attributes
    ----------
    choice : str
        Value of its selector: nothing, as drawn, the whole scan, or ``area:NAME``.
    corners : Corners or None
        Outline, where it is drawn or the area has one.
    mask : ndarray of bool or None, shape (y, x)
        Its pixels.
    spectrum : SumSpectrum or None
        Their sum once it was read.
    """

    choice: str = EMPTY
    corners: Corners | None = None
    mask: Mask | None = None
    spectrum: SumSpectrum | None = None

    @property
    def label(self) -> str:
        """Name for reading."""
        return self.choice.removeprefix("area:")


class AreaDesk:
    """Takes the two areas from outline to finding.

    Parameters
    ----------
    session : Session
        The page.
    """

    def __init__(self, session: Session) -> None:
        self._page = session
        self.slots = {"A": Slot(), "B": Slot()}
        self.show_saved = True
        self._contrast = BlockContrast(session)

    # -- what the study has -------------------------------------------------------------

    def _areas(self) -> list[Area]:
        """Areas of the study that lie on this scan."""
        study = self._page.subject.study
        if study is None:
            return []
        name, many = self._page.bench.source.name, len(study.scan) > 1
        return [
            area for area in study.area
            if (area.polygon_mm or area.mask) and (not many or area.scan == name)
        ]  # fmt: skip

    def offer(self) -> None:
        """Offer areas and layers of the study as it now reads."""
        page, areas = self._page, self._areas()
        study = page.subject.study
        layers = [layer.name for layer in study.layer] if study is not None else []
        layers += [word for word in ROLE_WORDS if word not in layers]
        page.finding.offer([area.name for area in areas], layers)
        self.draw()

    def draw(self) -> None:
        """Draw the outlines of the study's areas, and of A and B over them."""
        rings = [
            Ring(area.polygon_mm, visible_text(area.name), "saved")
            for area in self._areas() if area.polygon_mm and self.show_saved
        ]  # fmt: skip
        rings += [
            Ring(slot.corners, name, name) for name, slot in self.slots.items() if slot.corners
        ]
        self._page.shared.show_rings(rings)

    def _mask_of(self, name: str) -> tuple[Corners | None, Mask]:
        """Pixels of an area of the study."""
        page = self._page
        area = next(area for area in self._areas() if area.name == name)
        image = None
        if area.mask is not None and page.subject.study_path is not None:
            image = read_mask(safe_path(page.subject.study_path.parent, area.mask, "mask"))
        corners = tuple(area.polygon_mm) if area.polygon_mm else None
        return corners, area_mask(page.bench.scan, area, image)

    # -- what the person does -----------------------------------------------------------

    def asked(self, what: str) -> None:
        """Do what a control of the panel asks for.

        Raises
        ------
        InputError
            If that cannot be done; nothing has changed then.
        """
        panel = self._page.finding
        if what == "view":
            self.refresh()
        elif what in ("A", "B"):
            self._take(what, str(panel.takes[what].value))
        elif what == "corners":
            self._typed(panel.slot, panel.corners.value)
        elif what == "save":
            self._save(panel.slot)

    def drawn(self, x: Sequence[float], y: Sequence[float]) -> None:
        """Take an outline drawn on a map."""
        page = self._page
        try:
            corners = outline(x, y, page.bench.frame)
            self._put_corners(page.finding.slot, corners)
        except InputError as bad:
            page.say(str(bad), "bad")

    def _typed(self, name: str, text: str) -> None:
        if not text.strip():
            self.put(name, Slot(), f"area {name} emptied")
            return
        try:
            self._put_corners(name, parse_corners(text, self._page.bench.frame))
        except InputError:
            self.refresh_controls()
            raise

    def _put_corners(self, name: str, corners: Corners) -> None:
        mask = mask_of(corners, self._page.bench.frame)
        self.put(name, Slot(DRAWN, corners, mask), f"outline {name}")

    def _take(self, name: str, choice: str) -> None:
        """Take an area of the study, the whole scan, or nothing."""
        shape = self._page.bench.scan["counts"].shape[:2]
        old = self.slots[name]
        if choice == DRAWN:  # keeps the corners of an area, to be changed and saved anew
            if old.corners is None:
                self.refresh_controls()
                self._page.say("draw an outline on a map, or type its corners")
                return
            new = replace(old, choice=DRAWN)
        elif choice == WHOLE:
            new = Slot(WHOLE, None, np.ones(shape, dtype=bool))
        elif choice == EMPTY:
            new = Slot()
        else:
            try:
                new = Slot(choice, *self._mask_of(choice.removeprefix("area:")))
            except InputError:
                self.refresh_controls()
                raise
        self.put(name, new, f"area {name}")

    def put(self, name: str, slot: Slot, words: str = "") -> None:
        """Put something into A or B; `words` name the step for undo, if it is one."""
        page, old = self._page, self.slots[name]
        if words:
            page.did(words, lambda: self.put(name, old))
            page.say("")
        self.slots[name] = slot
        self.draw()
        self.refresh()
        if slot.mask is not None and slot.spectrum is None:
            mask = slot.mask
            page.away(lambda: page.bench.sum_of(mask), lambda s: self._summed(name, mask, s),
                      "the sum")  # fmt: skip
        self._want()

    def _summed(self, name: str, mask: Mask, spectrum: SumSpectrum) -> None:
        if self.slots[name].mask is mask:
            self.slots[name] = replace(self.slots[name], spectrum=spectrum)
            self._want()
            self.refresh()

    def _want(self) -> None:
        areas = [
            (slot.mask, slot.spectrum)
            for slot in self.slots.values()
            if slot.mask is not None and slot.spectrum is not None
        ]
        self._page.bench.want_fits(id(self._page), areas)

    # -- what the person sees -----------------------------------------------------------

    def refresh(self) -> None:
        """Show curves, tables and form for the areas as they are."""
        page, panel = self._page, self._page.finding
        for name in ("A", "B"):
            page.spectrum.show(name, self.slots[name].spectrum)
        slot = self.slots[panel.slot]
        fit = None
        if slot.mask is not None and slot.spectrum is not None and not panel.comparing:
            fit = page.bench.fit_of(slot.mask)
        page.spectrum.show_fit(fit, slot.spectrum.pixels if slot.spectrum else 1)
        if panel.comparing:
            panel.head.text, panel.table.text = self._comparison()
        else:
            panel.head.text, panel.table.text = self._one(panel.slot)
        panel.form.visible = not panel.comparing and slot.choice == DRAWN
        panel.corners.visible = not panel.comparing
        self.refresh_controls()

    def refresh_controls(self) -> None:
        """Let selectors and corners say what is the case."""
        panel = self._page.finding

        def show() -> None:
            for name, select in panel.takes.items():
                select.value = self.slots[name].choice
            corners = self.slots[panel.slot].corners
            panel.corners.value = corners_text(corners) if corners else ""

        panel.quietly(show)

    def _one(self, name: str) -> tuple[str, str]:
        slot, bench = self.slots[name], self._page.bench
        if slot.mask is None:
            hint = (
                f"Area {name} is empty: draw it on a map (corners or free-hand), type its "
                "corners, or take an area of the study."
            )
            return message(hint), ""
        if slot.spectrum is None:
            return message("The spectrum is being summed …"), ""
        s = slot.spectrum
        head = message(sum_words(slot.label, s.pixels, s.total, s.live_time), "place")
        fit = bench.fit_of(slot.mask)
        if fit is None:
            return head, message(bench.why_no_fit(slot.mask))
        if fit.complete:
            said = "Every element was tested on this spectrum by itself."
        else:
            said = "First look: elements and shapes of the whole scan. "
            failed = bench.fit_failed(slot.mask)
            said += f"The full test failed: {failed}." if failed else "The full test is running."
        return head + message(said), family_table(fit)

    def _comparison(self) -> tuple[str, str]:
        a, b = self.slots["A"], self.slots["B"]
        if a.mask is None or b.mask is None:
            return message("Choose or draw both areas to compare them."), ""
        if a.spectrum is None or b.spectrum is None:
            return message("The spectra are being summed …"), ""
        bench = self._page.bench
        masks = {"A": a.mask, "B": b.mask}
        fits = [bench.fit_of(mask) for mask in masks.values()]
        missing = [n for n, fit in zip(masks, fits, strict=True) if fit is None]
        if missing:
            why: dict[str, list[str]] = {}
            for name in missing:
                why.setdefault(bench.why_no_fit(masks[name]), []).append(name)
            return "".join(message(f"{' and '.join(n)}: {w}") for w, n in why.items()), ""
        said = [f"A: {a.label}; B: {b.label}."]
        answer = self._contrast.answer(a.mask, b.mask)
        if answer is not None and answer.families:
            said += [answer.answer, apart(a.mask, b.mask)[2]]
            return message(" ".join(said).strip()), self._contrast.shown(answer)
        # blocks are being read, or there are none: the simple test of the sums
        said.append("The blocks of the areas are being compared …" if answer is None else
                    f"{answer.answer} Below stands the simple test of the two sums.")  # fmt: skip
        said.append("Families detected in at least one of them.")
        (one, unit), (other, unit_b) = bench.exposure_of(a.mask), bench.exposure_of(b.mask)
        if unit_b != unit:  # the live time of one of them is not known
            unit, one, other = "net counts per pixel", float(a.mask.sum()), float(b.mask.sum())
        exposures = (one, other)
        first, second = bench.measures_of(a.mask), bench.measures_of(b.mask)
        seen = {row.family for fit in fits if fit is not None for row in fit.detected}
        order = [f for f in dict.fromkeys([*first, *second]) if f in seen]
        rows = compare(first, second, exposures[0], exposures[1], order)
        overlap = int((a.mask & b.mask).sum())
        if overlap:
            said.append(
                f"The areas share {whole(overlap)} pixels, so that a difference looks too small."
            )
        if not all(fit.complete for fit in fits if fit is not None):
            said.append("First look; the full tests are running.")
        foot = message(
            "σ: difference in standard errors; p: two-sided, corrected for all rows together "
            "(Holm, 5 %). Counting alone is in the errors, not the unevenness of the paint. It "
            "tells that the sums differ, not why: paint, thickness and what lies below all count."
        )
        return message(" ".join(said)), contrast_table(rows, unit) + foot

    # -- saving -------------------------------------------------------------------------

    def _save(self, name: str) -> None:
        page, panel, slot = self._page, self._page.finding, self.slots[name]
        subject = page.subject
        if subject.study_path is None or subject.study is None or slot.corners is None:
            raise InputError("area", found="nothing to save", expected="an outline and a study",
                             remedy="draw an outline first")  # fmt: skip
        if page.bench.frame.grid.unit != "mm":
            raise InputError(
                page.bench.source.name, "positions", found="no pixel size", expected="mm",
                remedy="add pixel_mm = [x, y] to the [[scan]] entry of the study",
            )  # fmt: skip
        saved = add_area(subject.study_path, self._new_area(slot))
        subject.study = saved.study
        before = (slot, panel.name.value)
        self.put(name, replace(slot, choice=f"area:{saved.area}"))
        panel.quietly(lambda: panel.name.update(value=""))
        page.bench.announce("study")
        self.offer()
        self.refresh_controls()
        page.did(f"saving {saved.area}", lambda: self._unsave(name, saved, *before))
        page.say(f"saved as {saved.area}; the file before is kept as {saved.backup.name}")

    def _new_area(self, slot: Slot) -> Area:
        panel, study = self._page.finding, self._page.subject.study
        many = study is not None and len(study.scan) > 1

        def text(value: str | None) -> str | None:
            return (value or "").strip() or None

        name = text(panel.name.value)
        if name is None:
            raise InputError("area", "name", found="nothing", expected="a name",
                             remedy="type one; the report calls the area by it")  # fmt: skip
        try:
            return Area(
                name=name,
                scan=self._page.bench.source.name if many else None,
                polygon_mm=list(slot.corners or ()),
                layer=None if panel.layer.value == EMPTY else text(panel.layer.value),
                colour=text(panel.colour.value),
                where=text(panel.where.value),
                note=text(panel.remark.value),
            )
        except ValidationError as bad:
            first = bad.errors(include_url=False)[0]
            field = ".".join(str(part) for part in first["loc"])
            raise InputError("area", field, found=str(first["input"])[:60],
                             expected=first["msg"], remedy="correct it") from None  # fmt: skip

    def _unsave(self, name: str, saved: Saved, slot: Slot, text: str) -> None:
        page = self._page
        page.subject.study = take_back(saved)
        for other, held in self.slots.items():
            if held.choice == f"area:{saved.area}":
                self.put(other, replace(held, choice=DRAWN))
        self.put(name, slot)
        page.finding.quietly(lambda: page.finding.name.update(value=text))
        page.bench.announce("study")
        self.offer()
        self.refresh_controls()
