"""Date bars as shares of a line of years, for the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from xrfmap.findings import Findings
from xrfmap.report.figures.diagrams import (
    DateBar,
    date_bars,
    layer_note,
    layer_rows,
    year_frame,
)
from xrfmap.settings import Study

__all__ = ["TimeRow", "Timeline", "build_timeline"]


@dataclass(frozen=True)
class TimeRow:
    """A bar on the line of years."""

    label: str
    note: str
    words: str
    kind: str  # "closed", "open-left", "open-right", "clash"
    left: float | None  # [% of the track]
    width: float | None


@dataclass(frozen=True)
class Timeline:
    """Rows on a common line of years."""

    strata: tuple[TimeRow, ...]
    rows: tuple[TimeRow, ...]
    band: tuple[float, float] | None  # stated period: left and width [%]
    ticks: tuple[tuple[float, int], ...]

    def alt(self, rows: Sequence[TimeRow], what: str) -> str:
        """All rows in words."""
        return f"{what}: " + "; ".join(f"{row.label}, {row.words}" for row in rows) + "."


def _row(bar: DateBar, note: str, frame: tuple[int, int]) -> TimeRow:
    low, high = bar.not_before, bar.not_after
    if low is None and high is None:
        return TimeRow(bar.label, note, bar.words, "closed", None, None)
    clash = low is not None and high is not None and low > high
    start = frame[0] if low is None else low
    end = frame[1] if high is None else high
    kind = "open-left" if low is None else "open-right" if high is None else "closed"
    if clash:
        start, end, kind = end, start, "clash"
    elif bar.conflict:
        kind = "clash"
    scale = 100 / (frame[1] - frame[0])
    left, width = (start - frame[0]) * scale, (end - start) * scale
    return TimeRow(bar.label, note, bar.words, kind, round(left, 3), round(width, 3))


def build_timeline(study: Study, findings: Findings) -> Timeline:
    """Rows for the layers and for everything that bears on dates."""
    bars = date_bars(study, findings)
    frame = year_frame(bars)
    scale = 100 / (frame[1] - frame[0])
    layers = [bar for bar in bars if bar.kind == "layer"]
    strata = tuple(
        _row(bar, layer_note(entry, found), frame)
        for bar, (_, entry, found) in zip(layers, layer_rows(study, findings), strict=True)
    )
    band = None
    if study.period is not None:
        start, end = study.period.start, study.period.end
        band = (round((start - frame[0]) * scale, 3), round(max(end - start, 1) * scale, 3))
    step = next(
        s for s in (10, 20, 50, 100, 200, 500, 1000, 2000) if (frame[1] - frame[0]) / s <= 8
    )
    first = -(-frame[0] // step) * step
    # a number at the very end would stick out of the track
    years = [y for y in range(first, frame[1], step) if (y - frame[0]) * scale < 97]
    ticks = tuple((round((year - frame[0]) * scale, 3), year) for year in years)
    return Timeline(strata, tuple(_row(bar, "", frame) for bar in bars), band, ticks)
