"""Files of a report: names that stay apart, figures as PNG, data as CSV."""

from __future__ import annotations

import io
from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image

from xrfmap.report import pixels, style
from xrfmap.report.plates import slug
from xrfmap.report.tables import Table, write_csv
from xrfmap.running.crew import Crew
from xrfmap.running.memory import hand_back

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

__all__ = ["Picture", "ResultFolder", "replace_text"]

DPI = 300
SHOWN = 2
"""Pixels of the file, along each side, that make one of the page: 150 dpi there."""


@dataclass(frozen=True)
class Picture:
    """A figure that may still be in the making, as the page shows it.

    Attributes
    ----------
    width, height : int
        Size on the page. [pixels]
    """

    width: int
    height: int
    drawn: Future[bytes]

    @property
    def image(self) -> str:
        """Address that holds the picture itself; waits until it is drawn."""
        return pixels.data_uri(self.drawn.result())


@dataclass
class ResultFolder:
    """Result folder; hands out names and keeps them apart.

    Figures are drawn by a crew where there is one, while the next are being prepared.
    """

    out: Path
    crew: Crew = field(default_factory=Crew)
    taken: set[str] = field(default_factory=set)
    drawing: list[Future[bytes]] = field(default_factory=list)

    def name(self, wish: str) -> str:
        """Name for a file, free of what a file system or a reader stumbles over."""
        given = slug(wish, self.taken)
        self.taken.add(given)
        return given

    def figure(self, name: str, ax: Axes, *, on_page: bool = False) -> Picture:
        """Have a figure drawn to ``figures/NAME.png``.

        Parameters
        ----------
        name : str
            From :meth:`name`.
        ax : Axes
            Of the figure.
        on_page : bool
            Whether the page shows it; costs the memory of the picture.
        """
        path = self.out / "figures" / f"{name}.png"
        self._wait_for_turn()
        hand_back()
        drawn = self.crew.submit(_draw, ax.figure, path, on_page)
        self.drawing.append(drawn)
        box = ax.figure.bbox
        scale = DPI / SHOWN / float(ax.figure.dpi)
        return Picture(round(box.width * scale), round(box.height * scale), drawn)

    def _wait_for_turn(self) -> None:
        """Wait while too many figures stand in line, each with all that it shows."""
        undone = [drawn for drawn in self.drawing if not drawn.done()]
        if len(undone) > 2 * self.crew.workers:
            wait(undone, return_when=FIRST_COMPLETED)

    def text(self, name: str, text: str) -> None:
        """Write a table to ``tables/NAME.csv``."""
        replace_text(self.out / "tables" / f"{name}.csv", text)

    def tables(self, tables: Sequence[Table | None]) -> None:
        """Write those tables that have rows."""
        for table in tables:
            if table is not None and table.rows:
                self.taken.add(table.name)
                write_csv(table, self.out / "tables")

    def finish(self) -> None:
        """Wait for all figures; the first error among them is raised."""
        for drawn in self.drawing:
            drawn.result()


def replace_text(path: Path, text: str) -> None:
    """Write beside the place and move there, so that no half-written file is ever seen."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8", newline="")
    part.replace(path)


def _draw(figure: Figure | SubFigure, path: Path, on_page: bool) -> bytes:
    """Draw a figure once; return it in the size of the page where that is wanted."""
    buffer = io.BytesIO()
    style.save_png(figure, buffer, DPI)
    part = path.with_name(path.name + ".part")
    part.write_bytes(buffer.getvalue())
    part.replace(path)
    small = _reduced(buffer) if on_page else b""
    hand_back()
    return small


def _reduced(buffer: io.BytesIO) -> bytes:
    """PNG of a PNG with fewer pixels, each the mean of those that it stands for."""
    small = io.BytesIO()
    with Image.open(buffer) as picture:
        picture.convert("RGB").reduce(SHOWN).save(small, format="PNG", compress_level=6)
    return small.getvalue()
