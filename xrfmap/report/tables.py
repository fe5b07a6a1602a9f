"""Tables of a study: one model for the page, where they sort, and for CSV files."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from xrfmap.report.words import number, whole, with_error

__all__ = ["Cell", "Column", "Table", "csv_text", "write_csv"]

Value = str | float | int | bool | None


@dataclass(frozen=True)
class Column:
    """Head of a column."""

    key: str  # heading in the CSV file, unit included
    title: str  # heading on the page
    kind: Literal["text", "number"] = "text"
    digits: int = 3  # significant digits on the page
    err: str = ""  # key of the column that holds the standard error and so sets the digits
    on_page: bool = True  # or in the CSV file only


@dataclass(frozen=True)
class Cell:
    """What is shown, and what the column sorts by."""

    shown: str
    order: str


@dataclass(frozen=True)
class Table:
    """Rows of plain values; the page and the CSV file format them in their own ways."""

    name: str  # name of the CSV file without ending
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Value, ...], ...]

    @property
    def heads(self) -> list[Column]:
        """Columns that the page shows."""
        return [column for column in self.columns if column.on_page]

    def cells(self) -> list[list[Cell]]:
        """Cells for the page."""
        return [self._row(row) for row in self.rows]

    def _row(self, row: tuple[Value, ...]) -> list[Cell]:
        held = dict(zip((column.key for column in self.columns), row, strict=True))
        return [_cell(held[column.key], column, held.get(column.err)) for column in self.heads]

    @property
    def short(self) -> bool:
        """Whether it may stay in one piece on paper."""
        return len(self.rows) <= 12


def _cell(value: Value, column: Column, err: Value) -> Cell:
    if value is None:
        return Cell("–", "" if column.kind == "text" else "-inf")
    if isinstance(value, bool):
        return Cell("yes" if value else "no", str(int(value)))
    if isinstance(value, int):
        years = column.kind == "text" or "[year]" in column.key
        return Cell(str(value).replace("-", "−") if years else whole(value), str(value))
    if isinstance(value, float):
        shown = number(value, column.digits)
        if isinstance(err, float) and math.isfinite(err) and err > 0:
            shown = with_error(value, err).split(" ± ")[0]
        return Cell(shown, repr(value) if math.isfinite(value) else "-inf")
    return Cell(value, value.casefold())


def _csv_value(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}" if math.isfinite(value) else ""
    if isinstance(value, int):
        return str(value)
    # A spreadsheet runs a cell that starts like a formula; a leading apostrophe makes it text.
    risky = value.lstrip()[:1] in ("=", "+", "-", "@", "\t")
    return f"'{value}" if risky else value


def csv_text(heads: Sequence[str], rows: Iterable[Sequence[Value]]) -> str:
    """Comma-separated text with a heading line (RFC 4180)."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([_csv_value(head) for head in heads])
    writer.writerows([[_csv_value(value) for value in row] for row in rows])
    return buffer.getvalue()


def write_csv(table: Table, folder: Path) -> Path:
    """Write a table as ``folder/name.csv`` in UTF-8."""
    path = folder / f"{table.name}.csv"
    text = csv_text([column.key for column in table.columns], table.rows)
    path.write_text(text, encoding="utf-8", newline="")
    return path
