"""Automatic areas and compared areas as the page and the tables show them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.areas.members import polygon_mask
from xrfmap.findings import AutomaticArea, Findings
from xrfmap.report import style
from xrfmap.report.tables import Column, Table, Value
from xrfmap.report.words import VERDICT_NAMES
from xrfmap.settings import Study

__all__ = [
    "GROUP_NOTE",
    "comparison_table",
    "comparison_tables",
    "group_table",
    "masks_to_colour",
]

Mask = npt.NDArray[np.bool_]

GROUP_NOTE = (
    "The program put pixels of like composition together. Such an area is a likeness of signals: "
    "no layer is assigned to it, it may mix original paint with later repairs, and it raises no "
    "flag of its own. Thick and thin places of one paint are meant to stay together; paints that "
    "differ only in materials without lines cannot be parted."
)


def _number(key: str, title: str, *, digits: int = 3, err: str = "") -> Column:
    return Column(key, title, "number", digits, err)


def group_table(findings: Findings) -> Table:
    """Automatic areas: size, elements, possible pigments, and where they lie."""
    columns = (
        _number("number", "No."), Column("scan", "Scan"), _number("pixels", "Pixels", digits=9),
        _number("share [% of scan]", "Share [%]"), Column("elements", "Found"),
        Column("pigments", "Pigments that the elements would allow"),
        Column("unexplained", "Not explained"), Column("in_drawn_areas", "In drawn areas"),
    )  # fmt: skip
    rows = tuple(_group_row(area) for area in findings.automatic_areas)
    return Table("automatic_areas", "Automatic areas", columns, rows)


def _group_row(area: AutomaticArea) -> tuple[Value, ...]:
    found = [e.symbol for e in area.elements if e.detected]
    pigments = [
        c.pigment
        if c.fits_period == "compatible"
        else f"{c.pigment} ({VERDICT_NAMES[c.fits_period].lower()})"
        for c in area.candidates
    ]
    within = sorted(area.in_drawn_areas.items(), key=lambda pair: -pair[1])
    return (
        area.number, area.scan, area.pixels, 100 * area.share_of_scan, ", ".join(found),
        ", ".join(pigments), ", ".join(area.unexplained),
        ", ".join(f"{name} {100 * part:.0f} %" for name, part in within),
    )  # fmt: skip


_COLUMNS = (
    Column("family", "Line family"), Column("compared", "Compared"),
    _number("a", "First", err="a_err"), _number("a_err", "Standard error", digits=2),
    _number("b", "Second", err="b_err"), _number("b_err", "Standard error", digits=2),
    _number("difference [% of mean]", "Difference [%]", digits=2),
    _number("low [% of mean]", "from", digits=2), _number("high [% of mean]", "to", digits=2),
    _number("p", "p", digits=2), _number("p_all", "p, all tests together", digits=2),
    Column("verdict", "Verdict"),
    _number("detectable [% of mean]", "Detectable from [%]", digits=2),
    _number("uneven [% of variance]", "Unevenness in the variance [%]", digits=2),
)  # fmt: skip


def comparison_table(findings: Findings) -> Table:
    """All comparisons in one table, for the CSV file."""
    columns = (Column("first", "First area"), Column("second", "Second area"), *_COLUMNS)
    rows = tuple(
        (*c.areas, *row)
        for c, table in zip(findings.comparisons, comparison_tables(findings), strict=True)
        for row in table.rows
    )
    return Table("comparisons", "Areas against each other", columns, rows)


def comparison_tables(findings: Findings) -> list[Table]:
    """One table for each comparison, for the page."""
    tables = []
    for number, held in enumerate(findings.comparisons, 1):
        first, second = held.areas
        rows: tuple[tuple[Value, ...], ...] = tuple(
            (r.family, f"amount [{held.unit}]" if r.kind == "amount" else f"ratio to {r.reference}",
             r.a, r.a_err, r.b, r.b_err, r.difference_percent, r.low_percent, r.high_percent,
             r.p, r.p_all, r.verdict, r.detectable_percent,
             None if r.uneven_share is None else 100 * r.uneven_share)
            for r in held.families
        )  # fmt: skip
        caption = f"{first} (first) and {second} (second)"
        tables.append(Table(f"comparison_{number}", caption, _COLUMNS, rows))
    return tables


def masks_to_colour(maps: xr.Dataset, study: Study, scan: str, several: bool) -> dict[str, Mask]:
    """Areas that a scatter plot can colour: the drawn polygons, else the automatic areas.

    Parameters
    ----------
    maps : Dataset
        Element maps, perhaps with `automatic_area`.
    study : Study
        Its areas; those with a mask picture are left out, as pictures are not at hand here.
    scan : str
        Name of the scan.
    several : bool
        Whether the study has several scans, so that areas name theirs.

    Returns
    -------
    dict
        Masks of shape (y, x) in the order of the Dataset; as many as there are marks.
    """
    masks: Mapping[str, Mask] = {}
    if maps["x"].attrs.get("units") == "mm":
        x, y = maps["x"].values, maps["y"].values
        masks = {
            area.name: polygon_mask(x, y, area.polygon_mm)
            for area in study.area
            if area.polygon_mm is not None and (not several or area.scan == scan)
        }
    kept = {name: mask for name, mask in masks.items() if mask.any()}
    if not kept and "automatic_area" in maps:
        labels = maps["automatic_area"].transpose("y", "x").values
        kept = {f"automatic area {k}": labels == k for k in range(1, int(labels.max()) + 1)}
    return dict(list(kept.items())[: len(style.AREA_MARKS)])
