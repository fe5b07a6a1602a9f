"""Layers from top to bottom with their date bounds, and everything that bears on dates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from xrfmap.findings import Findings, LayerFinding
from xrfmap.report import style
from xrfmap.report.words import year_span
from xrfmap.settings import Evidence, LayerEntry, Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "DateBar",
    "chronology_diagram",
    "date_bars",
    "layer_diagram",
    "layer_note",
    "layer_rows",
    "year_frame",
]

# fills of the strata, light to keep black type readable
_STRATA = ("#efe6d2", "#d9d2c3", "#e6d3c3", "#d3dbd8", "#e3dfe8", "#f0e2cf")
Row = tuple[str, LayerEntry | None, LayerFinding | None]


@dataclass(frozen=True)
class DateBar:
    """Something with an earliest or a latest year."""

    label: str
    kind: str  # "period", "layer", "tree rings", "document", ...
    not_before: int | None
    not_after: int | None
    words: str
    conflict: bool = False


def layer_rows(study: Study, findings: Findings) -> list[Row]:
    """Layers of the study from top to bottom, then those that only the findings name."""
    by_name = {layer.name: layer for layer in findings.layers}
    rows: list[Row] = [(entry.name, entry, by_name.get(entry.name)) for entry in study.layer]
    listed = {entry.name for entry in study.layer}
    return rows + [(f.name, None, f) for f in findings.layers if f.name not in listed]


def _bounds(entry: LayerEntry | None, found: LayerFinding | None) -> tuple[int | None, int | None]:
    if found is not None:
        return found.not_before, found.not_after
    return (entry.not_before, entry.not_after) if entry is not None else (None, None)


def _evidence_bar(item: Evidence) -> DateBar:
    kind = item.kind.replace("_", " ")
    name = f"{kind}: {item.board or item.layer or item.text or item.note or ''}".strip(": ")
    if item.kind == "tree_rings" and item.last_ring_year is not None:
        words = f"last ring {item.last_ring_year}"
        if item.boundary_year is not None:
            words += f", sapwood boundary {item.boundary_year}"
        # the ring itself only bounds the felling from below
        return DateBar(name, kind, item.last_ring_year, None, words)
    start = item.year if item.year is not None else item.year_from
    end = item.year if item.year is not None else item.year_to
    return DateBar(name, kind, start, end, year_span(start, end))


def date_bars(study: Study, findings: Findings) -> list[DateBar]:
    """All bounds on dates: the stated period, evidence other than spectra, then layers."""
    bars = []
    if study.period is not None:
        start, end = study.period.start, study.period.end
        bars.append(DateBar("stated period", "period", start, end, year_span(start, end)))
    evidence = [_evidence_bar(item) for item in study.evidence]
    bars += [bar for bar in evidence if bar.not_before is not None or bar.not_after is not None]
    for name, entry, found in layer_rows(study, findings):
        low, high = _bounds(entry, found)
        conflict = bool(found is not None and found.contradiction)
        bars.append(DateBar(name, "layer", low, high, year_span(low, high), conflict))
    return bars


def year_frame(bars: Sequence[DateBar]) -> tuple[int, int]:
    """Years to show: all bounds with some air, ends on decades."""
    years = [y for bar in bars for y in (bar.not_before, bar.not_after) if y is not None]
    if not years:
        return 1400, 2000
    air = max(15, (max(years) - min(years)) // 8)
    return (min(years) - air) // 10 * 10, -((-(max(years) + air)) // 10) * 10


def _draw_bar(ax: Axes, row: float, bar: DateBar, frame: tuple[int, int]) -> None:
    """Solid between two bounds; fading dashes toward an open side."""
    colour = style.VERDICT_INKS["out_of_period"] if bar.conflict else style.ACCENT
    low, high = bar.not_before, bar.not_after
    if low is not None and high is not None and low <= high:
        ax.barh(row, max(high - low, (frame[1] - frame[0]) / 250), left=low, height=0.34,
                color=colour, zorder=3)  # fmt: skip
    elif low is not None and high is not None:
        ax.plot([high, low], [row, row], color=colour, lw=1.2, dashes=(1, 2), zorder=3)
    else:
        start = low if low is not None else frame[0]
        end = high if high is not None else frame[1]
        if low is not None or high is not None:
            ax.plot([start, end], [row, row], color=colour, lw=1.2, dashes=(5, 3), zorder=3)
    crossed = low is not None and high is not None and low > high
    for year, left in {low: not crossed, high: crossed}.items():
        if year is not None:
            _draw_bound(ax, row, year, colour, left=left)
    if low is None and high is None:
        ax.annotate("no bound", (0.5, row), xycoords=ax.get_yaxis_transform(), ha="center",
                    va="center", fontsize=8.5, color=style.MUTED)  # fmt: skip


def _draw_bound(ax: Axes, row: float, year: int, colour: str, *, left: bool) -> None:
    ax.plot([year, year], [row - 0.26, row + 0.26], color=colour, lw=2, zorder=4)
    ax.annotate(
        str(year), (year, row), xytext=(-4 if left else 4, 0), textcoords="offset points",
        va="center", ha="right" if left else "left", fontsize=8.5, zorder=5,
        bbox={"boxstyle": "square,pad=0.1", "fc": "white", "lw": 0, "alpha": 0.75},
    )  # fmt: skip


def _period_band(ax: Axes, study: Study) -> None:
    if study.period is None:
        return
    ax.axvspan(study.period.start, study.period.end, color="#e9dcc0", lw=0, zorder=0)
    ax.annotate(
        f"stated period {study.period.start} to {study.period.end}",
        ((study.period.start + study.period.end) / 2, 1), xycoords=ax.get_xaxis_transform(),
        xytext=(0, 4), textcoords="offset points", ha="center", va="bottom", fontsize=8.5,
        color=style.MUTED,
    )  # fmt: skip


def _year_axis(ax: Axes, frame: tuple[int, int], rows: int) -> None:
    ax.set_xlim(*frame)
    ax.set_ylim(max(rows, 1) - 0.5, -0.5)
    ax.set_xlabel("year")
    ax.spines["left"].set_visible(False)
    ax.annotate(
        "dashed: open on that side", (1, 0), xycoords="axes fraction", xytext=(0, -31),
        textcoords="offset points", ha="right", va="center", fontsize=8.2, color=style.MUTED,
    )  # fmt: skip


@style.house_style
def layer_diagram(study: Study, findings: Findings, *, ax: Axes | None = None) -> Axes:
    """Layers as in a cross-section, top first, with the bounds on their dates as bars.

    Parameters
    ----------
    study : Study
        Gives the order, the roles and the thickness of the layers, and the period.
    findings : Findings
        Gives the bounds.
    ax : Axes, optional
        Axes for the bars; the strata are drawn in an inset to their left.

    Returns
    -------
    Axes
        The axes of the bars. A dashed line runs toward an open side; a dotted red
        line joins bounds that contradict each other.
    """
    rows = layer_rows(study, findings)
    if ax is None:
        height = 1.1 + 0.62 * max(len(rows), 1)
        ax = style.new_figure(7.4, height).add_axes((0.42, 0.62 / height, 0.54, 1 - 1.0 / height))
    bars = [b for b in date_bars(study, findings) if b.kind == "layer"]
    period = [b for b in date_bars(study, findings) if b.kind == "period"]
    frame = year_frame(bars + period)
    _year_axis(ax, frame, len(rows))
    ax.set_yticks([])
    _period_band(ax, study)
    strata = ax.inset_axes((-0.75, 0, 0.72, 1))
    strata.set_xlim(0, 1)
    strata.set_ylim(*ax.get_ylim())
    strata.axis("off")
    for index, ((name, entry, found), bar) in enumerate(zip(rows, bars, strict=True)):
        strata.barh(index, 1, height=1, color=_STRATA[index % len(_STRATA)], ec=style.INK, lw=0.6)
        strata.text(0.03, index - 0.14, style.figure_text(name, 34), va="center", fontsize=10)
        strata.text(0.03, index + 0.24, style.figure_text(layer_note(entry, found), 54),
                    va="center", fontsize=8, color=style.MUTED)  # fmt: skip
        _draw_bar(ax, index, bar, frame)
    return ax


def layer_note(entry: LayerEntry | None, found: LayerFinding | None) -> str:
    """Role, thickness and material of a layer in a few words."""
    words = []
    role = (found.role if found is not None else None) or (entry.role if entry else None)
    name = found.name if found is not None else entry.name if entry is not None else None
    if role and role != name:  # a varnish that is called varnish
        words.append(role)
    if entry is not None and entry.thickness_um is not None:
        words.append(f"about {entry.thickness_um:g} µm")
    if entry is not None and entry.material:
        made = entry.material if isinstance(entry.material, str) else ", ".join(entry.material)
        words.append(made)
    return "; ".join(words)


@style.house_style
def chronology_diagram(study: Study, findings: Findings, *, ax: Axes | None = None) -> Axes:
    """Every bound on a date on one line of years.

    Parameters
    ----------
    study : Study
        Gives the stated period, tree rings, documents and inscriptions.
    findings : Findings
        Gives the bounds of the layers.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One row for each item.
    """
    bars = date_bars(study, findings)
    if ax is None:
        height = 1.1 + 0.36 * max(len(bars), 1)
        ax = style.new_figure(7.4, height).add_axes((0.34, 0.55 / height, 0.62, 1 - 0.95 / height))
    frame = year_frame(bars)
    _year_axis(ax, frame, len(bars))
    _period_band(ax, study)
    ax.set_yticks(range(len(bars)), [style.figure_text(bar.label, 38) for bar in bars])
    ax.tick_params(axis="y", length=0)
    for index, bar in enumerate(bars):
        _draw_bar(ax, index, bar, frame)
    return ax
