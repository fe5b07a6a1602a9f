"""Delimited text: how numbers are set apart, remarks, and single spectra.

Tables of pixels are in :mod:`xrfmap.io.pixel_table`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.merge import merge_instrument, merge_live_time
from xrfmap.io.safe import MAX_CHANNELS, clean_text, read_text, sha256_of
from xrfmap.io.stored import check_counts
from xrfmap.numbers import whole
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument

__all__ = [
    "REMARK",
    "Form",
    "facts_of",
    "form_of",
    "is_table",
    "numbers_of",
    "open_table_point",
    "table_error",
]

MIN_NUMBERS = 16  # fewer are notes, not a spectrum; common practice, no source
MAX_SPECTRUM_BYTES = 16 << 20
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
REMARK = re.compile(r"^\s*(?:#|//|%)\s*")
_FACT = re.compile(r"^(\w+)\s*[:=]\s*(.*)$")
_FACTS = ("live_time", "live_time_s", "real_time", "real_time_s", "zero_kev", "kev_per_channel")


@dataclass(frozen=True)
class Form:
    """How the numbers of a text are set apart."""

    delimiter: str | None

    def split(self, line: str) -> list[str]:
        """Cells of a line; an empty one at the end is dropped."""
        parts = line.split(self.delimiter) if self.delimiter else line.split()
        cells = [part.strip().strip('"') for part in parts]
        while cells and not cells[-1]:  # a delimiter at the end of the line
            cells.pop()
        # where cells are set apart by tabs or semicolons, a comma is a decimal comma
        comma = self.delimiter in ("\t", ";")
        return [c.replace(",", ".") for c in cells] if comma else cells


def form_of(line: str) -> Form:
    """Tell from one line how its cells are set apart."""
    for delimiter in ("\t", ";"):
        if delimiter in line:
            return Form(delimiter)
    return Form("," if "," in line else None)


def is_table(head: bytes) -> bool:
    """Tell whether a file starts like delimited text with numbers or named columns."""
    if b"\x00" in head or not head.strip():
        return False
    text = head.decode("utf-8-sig", errors="replace")
    lines = [ln for ln in text.splitlines() if ln.strip() and not REMARK.match(ln)]
    if not lines:
        return REMARK.match(text) is not None
    cells = form_of(lines[0]).split(lines[0])
    if all(_NUMBER.fullmatch(c) for c in cells) and cells:
        return True
    return len(cells) > 1 and all(re.fullmatch(r"[\w .()\[\]/%-]{1,40}", c) for c in cells)


def table_error(where: str, field: str, found: str, expected: str, remedy: str = "") -> InputError:
    """Build the error about a text."""
    remedy = remedy or "correct the text; see xrfmap/docs/formats.md for an example"
    return InputError(where, field, found=found, expected=expected, remedy=remedy)


def numbers_of(cells: Sequence[str], where: str, number: int) -> list[float]:
    """Numbers in cells, or an error that names the line."""
    bad = next((c for c in cells if not _NUMBER.fullmatch(c)), None)
    if bad is not None:
        raise table_error(where, f"line {number}", repr(clean_text(bad, 40)), "a number")
    return [float(c) for c in cells]


def facts_of(lines: Sequence[str]) -> tuple[dict[str, float], str]:
    """Facts and title in remark lines such as ``# live_time_s = 60``."""
    facts: dict[str, float] = {}
    title = ""
    for line in lines:
        match = _FACT.match(REMARK.sub("", line).strip())
        if match is None:
            continue
        key, value = match[1].lower(), match[2].strip()
        if key in _FACTS and _NUMBER.fullmatch(value):
            facts[key.removesuffix("_s")] = float(value)
        elif key == "title":
            title = clean_text(value)
    return facts, title


def open_table_point(
    path: Path, live_time_s: float | None = None, instrument: Instrument | None = None
) -> xr.Dataset:
    """Open a spectrum in delimited text.

    Parameters
    ----------
    path : Path
        One number per line (counts), or two or more columns: channel number or energy
        first, counts second, or as a header line names them.
    live_time_s : float, optional
        Live time that the study file gives. [s]
    instrument : Instrument, optional
        What the study file says of the instrument.

    Returns
    -------
    xarray.Dataset
        Dims ``channel``.

    Raises
    ------
    InputError
        If the text cannot be read as one spectrum.
    """
    where = clean_text(path.name)
    lines = read_text(path, MAX_SPECTRUM_BYTES).split("\n")
    facts, title = facts_of([line for line in lines if REMARK.match(line)])
    rows = [(i, ln) for i, ln in enumerate(lines, 1) if ln.strip() and not REMARK.match(ln)]
    if not rows:
        raise table_error(where, "", "no numbers", "a spectrum")
    form = form_of(rows[0][1])
    names = [c.lower() for c in form.split(rows[0][1])]
    header = not all(_NUMBER.fullmatch(n) for n in names)
    body = rows[1:] if header else rows
    table = [(i, numbers_of(form.split(ln), where, i)) for i, ln in body]
    counts, energy, notes = _columns(table, names if header else [], where)
    check_counts(counts, where)
    if not counts.any():
        raise table_error(where, "counts", "no count in any channel", "a spectrum with counts")
    if energy is None and {"zero_kev", "kev_per_channel"} <= facts.keys():
        steps = np.arange(counts.size)
        energy = np.asarray(facts["zero_kev"] + facts["kev_per_channel"] * steps)
    stored = np.asarray(facts["live_time"]) if "live_time" in facts else None
    live, _ = merge_live_time(stored, live_time_s, where)
    return make_scan(
        counts,
        live_time=live,
        real_time=facts.get("real_time"),
        energy_kev=energy,
        instrument=merge_instrument({}, {}, instrument, where),
        source=where,
        source_sha256=sha256_of(path),
        title=title,
        storage="delimited text",
        notes=notes,
    )


def _columns(
    table: list[tuple[int, list[float]]], names: list[str], where: str
) -> tuple[npt.NDArray[Any], npt.NDArray[np.float64] | None, list[str]]:
    """Take counts and energies from the columns of a spectrum."""
    if not table or len(table) > MAX_CHANNELS or len(table) * len(table[0][1]) < MIN_NUMBERS:
        expected = f"{MIN_NUMBERS} to {whole(MAX_CHANNELS)} channels"
        raise table_error(where, "", f"{whole(len(table))} lines", expected)
    width = len(table[0][1])
    for number, row in table:
        if len(row) != width:
            raise table_error(
                where, f"line {number}", f"{whole(len(row))} numbers", f"{whole(width)}, as before"
            )
    if len(table) == 1 and width > 1 and not names:
        return _whole(np.asarray(table[0][1])), None, []
    data = np.asarray([row for _, row in table])
    if names and len(names) != width:
        raise table_error(
            where, "header", f"{len(names)} names", f"{whole(width)}, one for each column"
        )
    which = next((i for i, n in enumerate(names) if re.search(r"count|intens|^y$", n)), None)
    which = (0 if width == 1 else 1) if which is None else which
    counts = _whole(data[:, which])
    if width == 1 or which == 0:
        return counts, None, []
    axis, name = data[:, 0], names[0] if names else ""
    if (np.diff(axis) == 1).all() and "ev" not in name:
        return counts, None, []  # channel numbers
    if axis.size < 2 or not (np.diff(axis) > 0).all():
        raise table_error(where, name or "first column", "values that do not rise", "energies")
    if "kev" in name:
        return counts, axis, []
    if "ev" in name:
        return counts, axis / 1000, []
    # no unit: X-ray spectra of paintings end between 10 and 200 keV
    scale, unit = (1000.0, "eV") if axis[-1] > 500 else (1.0, "keV")
    return counts, axis / scale, [f"the first column has no unit; {unit} was assumed"]


def _whole(values: npt.NDArray[np.float64]) -> npt.NDArray[Any]:
    whole = np.isfinite(values).all() and not (values % 1 != 0).any() and values.max() < 2**53
    return values.astype(np.int64) if whole else values
