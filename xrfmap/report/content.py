"""The tables of a study, built from its findings, maps and points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import xarray as xr

from xrfmap.findings import Candidate, ElementFinding, Findings, StackFinding
from xrfmap.numbers import unit_text
from xrfmap.report import fields
from xrfmap.report.digest import checks, references
from xrfmap.report.plates import slug
from xrfmap.report.tables import Column, Table, Value
from xrfmap.report.words import BOUNDS, STACK_VERDICTS, STATES, VERDICT_NAMES, element_name, number

__all__ = ["area_candidates", "element_tables", "finding_tables", "line_table", "point_table"]


def _number(key: str, title: str, *, digits: int = 3, err: str = "") -> Column:
    return Column(key, title, "number", digits, err)


def element_table(findings: Findings) -> Table:
    """Elements with verdict, reason and evidence, what is present first."""
    columns = (
        Column("symbol", "Element"), Column("name", "Name"), Column("verdict", "Verdict"),
        Column("lines", "Line families"),
        _number("net_counts [counts]", "Net counts", err="err [counts]"),
        _number("err [counts]", "Standard error", digits=2),
        _number("standard_errors", "Standard errors of the test"),
        _number("upper_limit_95 [counts]", "95 % upper limit"), Column("because", "Because"),
        Column("evidence", "Evidence", on_page=False),
    )  # fmt: skip
    order = ("present", "not separable", "not detected")
    ranked = sorted(findings.elements, key=lambda e: order.index(e.verdict))
    return Table("elements", "Elements", columns, tuple(_element_row(e) for e in ranked))


def _element_row(element: ElementFinding) -> tuple[Value, ...]:
    def value(key: str) -> float | None:
        held = element.evidence.get(key)
        return float(held) if isinstance(held, float | int) else None

    return (
        element.symbol, element_name(element.symbol), element.verdict, ", ".join(element.lines),
        value("net_counts"), value("net_counts_err"), value("standard_errors"),
        value("upper_limit"), element.because, _evidence(element.evidence),
    )  # fmt: skip


def element_tables(findings: Findings) -> list[Table]:
    """Split the elements in two for the page: seen or in doubt, and looked for in vain."""
    whole = element_table(findings)
    seen = tuple(row for row in whole.rows if row[2] != "not detected")
    missed = tuple(row for row in whole.rows if row[2] == "not detected")
    found = [Table("elements_seen", "Found, or not separable from others", whole.columns, seen)]
    # what was not found has an upper limit, and no counts worth a column
    blank = {"verdict", "net_counts [counts]", "err [counts]", "standard_errors", "evidence"}
    columns = tuple(replace(c, on_page=c.key not in blank) for c in whole.columns)
    found.append(Table("elements_not_seen", "Looked for and not found", columns, missed))
    return [table for table in found if table.rows]


def _evidence(evidence: Mapping[str, float | str | list[str] | None]) -> str:
    words = []
    for key, value in evidence.items():
        if value is None or value == []:
            continue
        shown = number(value) if isinstance(value, float | int) else value
        shown = ", ".join(shown) if isinstance(shown, list) else shown
        words.append(f"{key.replace('_', ' ')}: {shown}")
    return "; ".join(words)


def line_table(maps: xr.Dataset, scan: str = "") -> Table:
    """Line families of the scan: medians, limits and share above threshold.

    No sum over pixels: none of them is below zero, so that the sum of a weak family is
    mostly noise. Its amount stands with the elements, from the fit of the sum spectrum.
    """
    unit = fields.field(maps, fields.line_labels(maps)[0]).unit if maps.sizes["line"] else "counts"
    columns = (
        Column("line", "Line family"),
        _number(f"median [{unit}]", f"Median [{unit}]"),
        _number(f"maximum [{unit}]", f"Maximum [{unit}]"),
        _number(f"decision_threshold_median [{unit}]", f"Decision threshold [{unit}]"),
        _number(f"detection_limit_median [{unit}]", f"Detection limit [{unit}]"),
        _number("detection_limit_median [counts]", "Detection limit [counts]"),
        _number("above_threshold [% of pixels]", "Above threshold [%]"),
    )
    rows = tuple(_line_row(maps, line) for line in fields.line_labels(maps))
    name = f"line_families_{slug(scan)}" if scan else "line_families"
    title = f"Line families of {scan}" if scan else "Line families"
    return Table(name, f"{title}: rates and limits", columns, rows)


def _line_row(maps: xr.Dataset, line: str) -> tuple[Value, ...]:
    shown, found = fields.field(maps, line), fields.limits(maps, line)
    rates = shown.values[~shown.bad]
    return (
        line,
        float(np.median(rates)) if rates.size else None,
        float(rates.max()) if rates.size else None,
        found.threshold,
        found.limit,
        found.limit_counts,
        100 * found.share,
    )


def area_table(findings: Findings) -> Table:
    """Elements of every area with errors and limits."""
    columns = (
        Column("area", "Area"), Column("layer", "Layer"), Column("origin", "Seen by"),
        Column("element", "Element"), Column("line", "Line family"),
        _number("net_counts [counts]", "Net counts", err="err [counts]"),
        _number("err [counts]", "Standard error", digits=2),
        _number("upper_limit_95 [counts]", "95 % upper limit"), Column("detected", "Detected"),
        _number("share [% of area]", "Share of area [%]"), Column("note", "Note"),
    )  # fmt: skip
    rows = tuple(
        (a.name, a.layer, a.origin, e.symbol, e.line, e.net_counts, e.net_counts_err,
         e.net_counts_ul, e.detected,
         None if e.share_of_area is None else 100 * e.share_of_area, e.note)
        for a in findings.areas for e in a.elements
    )  # fmt: skip
    return Table("areas", "Elements by area", columns, rows)


def candidate_table(findings: Findings) -> Table:
    """Pigments that may explain the elements of every area, with their sources in full."""
    rows = [
        (a.name, *_candidate_row(c), "; ".join(f"{s.text} ({s.checked})" for s in c.sources))
        for a in findings.areas
        for c in a.candidates
    ]
    columns = (Column("area", "Area"), *_CANDIDATE_COLUMNS)
    return Table("pigments", "Pigments that would explain the elements", columns, tuple(rows))


_CANDIDATE_COLUMNS = (
    Column("pigment", "Pigment"), Column("fits_period", "Period"), Column("support", "For"),
    Column("against", "Against"), Column("look_alikes", "Not told apart from"),
    Column("sources", "Sources"),
)  # fmt: skip


def _candidate_row(found: Candidate) -> tuple[Value, ...]:
    return (
        found.pigment, VERDICT_NAMES[found.fits_period], "; ".join(found.support),
        "; ".join(found.against), ", ".join(found.look_alikes),
    )  # fmt: skip


def area_candidates(findings: Findings) -> list[Table]:
    """Pigments of each area for the page, with the numbers of their sources."""
    numbers = {(r.text, r.checked): n for n, r in enumerate(references(findings), 1)}
    tables = []
    for index, area in enumerate(findings.areas, 1):
        rows = tuple(
            (*_candidate_row(c), " ".join(f"[{numbers[s.text, s.checked]}]" for s in c.sources))
            for c in area.candidates
        )
        title = f"Pigments that the elements of {area.name} would allow"
        tables.append(Table(f"candidates_{index}", title, _CANDIDATE_COLUMNS, rows))
    return tables


def flag_table(findings: Findings) -> Table:
    """List the flags with reasons, sources and next checks."""
    columns = (
        Column("verdict", "Verdict"), Column("pigment", "Material"), Column("elements", "Elements"),
        Column("area", "Area"), Column("layer", "Layer"), Column("reason", "Reason"),
        Column("next_check", "Next check"), Column("sources", "Sources"),
    )  # fmt: skip
    rows = tuple(
        (VERDICT_NAMES[f.verdict], f.pigment, ", ".join(f.elements), f.area, f.layer, f.reason,
         f.next_check, "; ".join(f"{s.text} ({s.checked})" for s in f.sources))
        for f in findings.flags
    )  # fmt: skip
    return Table("flags", "Flags", columns, rows)


def layer_table(findings: Findings) -> Table:
    """Bounds on the date of every layer with the chain of reasons."""
    columns = (
        Column("layer", "Layer"), Column("role", "Role"),
        _number("not_before [year]", "Not before"), _number("not_after [year]", "Not after"),
        Column("covered_by", "Covered by", on_page=False),
        Column("because", "Because", on_page=False),
        Column("contradiction", "Contradiction", on_page=False),
        Column("ways_out", "Ways out", on_page=False),
    )  # fmt: skip
    rows = tuple(
        (f.name, f.role, f.not_before, f.not_after, "; ".join(f.covered_by), "; ".join(f.because),
         f.contradiction, "; ".join(f.ways_out))
        for f in findings.layers
    )  # fmt: skip
    return Table("layers", "Layers and their dates", columns, rows)


def depth_table(findings: Findings) -> Table:
    """Whether elements lie at the surface or under a cover."""
    columns = (
        Column("area", "Area"), Column("element", "Element"), Column("lines", "Line families"),
        Column("state", "Where"), _number("cover [mg/cm2]", "Cover [mg/cm²]"),
        _number("cover_low [mg/cm2]", "from"), _number("cover_high [mg/cm2]", "to"),
        _number("cover [um]", "Cover [µm]"), _number("cover_low [um]", "from"),
        _number("cover_high [um]", "to"), Column("material", "if made of"),
        Column("bound", "What holds"), Column("bound_because", "Why", on_page=False),
        Column("because", "Because"),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = []
    for d in findings.depth:
        mass, thick = d.cover_mg_cm2, d.cover_um
        rows.append((
            d.area, d.element, ", ".join(d.lines), STATES[d.state],
            mass.value if mass else None, mass.low if mass else None, mass.high if mass else None,
            thick.value if thick else None, thick.low if thick else None,
            thick.high if thick else None,
            thick.material if thick else None,
            BOUNDS[d.bound] if d.bound else None, d.bound_because, d.because,
        ))  # fmt: skip
    return Table("depth", "Depth: at the surface or under a cover", columns, tuple(rows))


def told_depth(findings: Findings) -> Table:
    """Return what the depth table says: no row that tells nothing, no end that does not hold."""
    columns = (
        Column("area", "Area"), Column("element", "Element"), Column("state", "Where"),
        _number("cover_low [um]", "Cover at least [µm]"),
        _number("cover_high [um]", "at most [µm]"),
        _number("cover [um]", "Most likely [µm]"), Column("material", "if made of"),
        Column("because", "Because"),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = []
    for d in findings.depth:
        if d.state == "cannot_tell":
            continue
        thick = d.cover_um
        low, high, value, material = (
            (thick.low, thick.high, thick.value, thick.material) if thick else (None,) * 4
        )
        if d.bound != "both":  # a single value would pass for more than the lower end that holds
            high = value = None
        rows.append((d.area, d.element, STATES[d.state], low, high, value, material, d.because))
    return Table("depth_told", "At the surface or under a cover", columns, tuple(rows))


def stack_table(findings: Findings) -> Table:
    """Proposed stacks with their thicknesses and how well each explains the lines."""
    columns = (
        Column("place", "Area or point"), Column("stack", "Proposed stack"),
        Column("verdict", "Verdict"), Column("layers [um]", "Layers from the top, µm"),
        _number("chi_square", "Chi-square"), _number("degrees_of_freedom", "of"),
        _number("aicc", "AICc", digits=4), _number("bic", "BIC", digits=4),
        Column("deciding", "Lines that decide against it"), Column("because", "Because"),
    )  # fmt: skip
    rows = tuple(
        (s.area, s.name, STACK_VERDICTS[s.verdict], _stack_layers(s), s.chi2, s.freedom, s.aicc,
         s.bic, _deciding(s), s.because)
        for s in findings.stacks
    )  # fmt: skip
    return Table("stacks", "Proposed stacks of layers", columns, rows)


def _stack_layers(stack: StackFinding) -> str:
    words = []
    for layer in stack.layers:
        um = layer.thickness_um
        spread = "given" if layer.given else f"{number(um.low, 2)} to {number(um.high, 2)}"
        words.append(f"{layer.material} {number(um.value, 2)} ({spread})")
    return "; ".join(words)


def _deciding(stack: StackFinding) -> str:
    return "; ".join(
        f"{d.line}: {number(d.counts)} counts, {number(d.this)} expected, {number(d.best)} from "
        "the best"
        for d in stack.deciding[:3]
    )


def check_table(findings: Findings) -> Table:
    """Next checks in order of weight."""
    columns = (
        _number("order", "Order"), Column("check", "Next check"), Column("verdict", "For"),
        Column("asked_by", "Asked by"),
    )  # fmt: skip
    rows = tuple(
        (index, check.text, VERDICT_NAMES[check.verdict], "; ".join(check.asked_by))
        for index, check in enumerate(checks(findings), 1)
    )
    return Table("next_checks", "Next checks in order of weight", columns, rows)


def source_table(findings: Findings) -> Table:
    """List the sources and how far each was checked."""
    columns = (
        _number("number", "No."), Column("source", "Source"), Column("checked", "Checked"),
        Column("used_for", "For"),
    )  # fmt: skip
    rows = tuple(
        (n, r.text, r.checked, ", ".join(r.used_for)) for n, r in enumerate(references(findings), 1)
    )
    return Table("sources", "Sources of dates and properties", columns, rows)


def amount_table(findings: Findings) -> Table:
    """Mass per area and mass fractions, and why some are refused."""
    columns = (
        Column("place", "Area or point"), Column("element", "Element"),
        _number("amount", "Amount"), _number("low", "from"), _number("high", "to (95 %)"),
        Column("unit", "Unit"), Column("lines", "Lines"), Column("note", "Remark"),
    )  # fmt: skip
    rows = tuple(
        (a.place, a.element, a.value, a.low, a.high, unit_text(a.unit),
         ", ".join(a.lines), f"refused: {a.refused}" if a.refused else a.note)
        for a in findings.amounts
    )  # fmt: skip
    return Table("amounts", "Amounts by fundamental parameters", columns, rows)


def finding_tables(findings: Findings) -> dict[str, Table]:
    """All tables that rest on the findings, by name; empty ones as well."""
    makers = (
        element_table, area_table, candidate_table, flag_table, layer_table, depth_table,
        stack_table, amount_table, check_table, source_table,
    )  # fmt: skip
    return {table.name: table for table in (maker(findings) for maker in makers)}


def point_table(points: Mapping[str, xr.Dataset]) -> Table | None:
    """Line families of the point spectra; None where no point was fitted."""
    columns = (
        Column("point", "Point"), Column("line", "Line family"),
        _number("net_counts [counts]", "Net counts", err="err [counts]"),
        _number("err [counts]", "Standard error", digits=2),
        _number("upper_limit_95 [counts]", "95 % upper limit"),
        _number("decision_threshold [counts]", "Decision threshold"),
        _number("detection_limit [counts]", "Detection limit"), Column("detected", "Detected"),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = []
    for name, point in points.items():
        if "net_counts" in point and point["net_counts"].dims == ("line",):
            rows += [_point_row(name, point.isel(line=i)) for i in range(point.sizes["line"])]
    return Table("points", "Point spectra", columns, tuple(rows)) if rows else None


def _point_row(name: str, one: xr.Dataset) -> tuple[Value, ...]:
    def value(key: str) -> float | None:
        # NaN: the lines of the family ran full
        return float(one[key]) if key in one and not np.isnan(one[key]) else None

    net, threshold = value("net_counts"), value("decision_threshold")
    seen = net > threshold if net is not None and threshold is not None else None
    return (
        name, str(one["line"].values), net, value("net_counts_err"), value("net_counts_ul"),
        threshold, value("detection_limit"), seen,
    )  # fmt: skip
