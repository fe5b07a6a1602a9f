"""Delimited text with one row per pixel.

A table of pixels has a header line that names its columns: ``y`` and ``x`` (in mm, or
``row`` and ``column`` as whole numbers), optionally ``live_time`` (s) and ``monitor``
(strength of the incident beam, any unit), then one column per channel. Rows may come in
any order and pixels may be missing. Only the position of each row in the file is kept in
memory; the numbers are read when they are asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.io.axes import AxisPlan
from xrfmap.io.lazy import lazy_counts, quick_check
from xrfmap.io.merge import grid, merge_instrument, merge_live_time
from xrfmap.io.safe import MAX_CHANNELS, clean_text, require_file, sha256_of
from xrfmap.io.stored import StoredCounts
from xrfmap.io.table import REMARK, Form, facts_of, form_of, numbers_of, table_error
from xrfmap.numbers import whole
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument, ScanEntry

__all__ = ["open_table_scan"]

MAX_LINE = 4 << 20  # 65 536 numbers of up to 64 characters
MAX_ROWS = 20_000_000
_PLACES = ("y", "x", "y_mm", "x_mm", "row", "column", "col")
_LIVE = ("live_time", "live_time_s")
_FACTS = (*_PLACES, *_LIVE, "monitor")


@dataclass(frozen=True)
class _Rows:
    """Where the rows of a table lie in its file and which pixel each is."""

    form: Form
    names: tuple[str, ...]
    offsets: npt.NDArray[np.int64]
    lengths: npt.NDArray[np.int64]
    places: npt.NDArray[np.float64]  # y, x, then the columns of `extra`
    extra: tuple[str, ...]  # live_time, monitor, as far as there are any
    facts: dict[str, float]
    title: str

    @property
    def first_channel(self) -> int:
        """Column of channel 0."""
        return next(i for i, n in enumerate(self.names) if n not in _FACTS)

    def of_pixels(self, name: str, index: npt.NDArray[np.int64]) -> npt.NDArray[np.float64] | None:
        """Column of `extra` as a map, NaN where the table has no pixel; None if it has none."""
        if name not in self.extra:
            return None
        values = np.append(self.places[:, 2 + self.extra.index(name)], np.nan)
        return np.asarray(values[index])  # -1, a missing pixel, meets the NaN at the end


def _scan_rows(path: Path) -> _Rows:
    where = clean_text(path.name)
    remarks: list[str] = []
    names: tuple[str, ...] = ()
    form = Form(None)
    found: list[tuple[int, int]] = []
    places: list[list[float]] = []
    wanted: list[int] = []
    at = 0
    with path.open("rb") as stream:
        number = 0
        while raw := stream.readline(MAX_LINE + 1):
            number += 1
            start, at = at, at + len(raw)
            if len(raw) > MAX_LINE:
                raise table_error(
                    where, f"line {number}", "a longer line", f"{whole(MAX_LINE)} characters"
                )
            line = raw.decode("utf-8", errors="replace").lstrip("\ufeff").strip("\r\n")
            if not line.strip():
                continue
            if REMARK.match(line):
                remarks.append(line[:1000])
                continue
            if not names:
                form = form_of(line)
                names = tuple(c.lower() for c in form.split(line))
                wanted = _check_names(names, where)
                continue
            cells = form.split(line)
            if len(cells) != len(names):
                raise table_error(
                    where, f"line {number}", f"{whole(len(cells))} columns", f"{len(names)}"
                )
            places.append(numbers_of([cells[i] for i in wanted], where, number))
            found.append((start, len(raw)))
            if len(found) > MAX_ROWS:
                raise table_error(where, "", "more rows", f"at most {whole(MAX_ROWS)} pixels")
    if not found:
        raise table_error(where, "", "no rows", "a header line and one row per pixel")
    facts, title = facts_of(remarks)
    table = np.asarray(found, dtype=np.int64)
    extra = tuple("live_time" if names[i] in _LIVE else names[i] for i in wanted[2:])
    return _Rows(form, names, table[:, 0], table[:, 1], np.asarray(places), extra, facts, title)


def _check_names(names: tuple[str, ...], where: str) -> list[int]:
    """Columns of y, x, and of live time and monitor if there are any."""
    first = [i for i, n in enumerate(names) if n in ("y", "y_mm", "row")]
    second = [i for i, n in enumerate(names) if n in ("x", "x_mm", "column", "col")]
    live = [i for i, n in enumerate(names) if n in _LIVE]
    monitor = [i for i, n in enumerate(names) if n == "monitor"]
    if len(first) != 1 or len(second) != 1 or len(live) > 1 or len(monitor) > 1:
        found = ", ".join(clean_text(n, 20) for n in names[:6])
        raise table_error(where, "header", found, "y, x (or row, column), then the channels")
    channels = [i for i, n in enumerate(names) if n not in _FACTS]
    if not 1 <= len(channels) <= MAX_CHANNELS or channels != list(range(channels[0], len(names))):
        raise table_error(
            where, "header", f"{whole(len(channels))} channels", "channels last, at least one"
        )
    return [first[0], second[0], *live, *monitor]


class TableCounts(StoredCounts):
    """Counts in the rows of a text file."""

    def __init__(self, path: Path, rows: _Rows, index: npt.NDArray[np.int64]) -> None:
        channels = len(rows.names) - rows.first_channel
        super().__init__(
            clean_text(path.name), "", (*index.shape, channels), AxisPlan((0, 1, 2)), np.float64
        )
        self.path, self.rows, self.index = path.resolve(), rows, index

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box; pixels that the table does not have are zero."""
        wanted = self.index[key[:2]]
        first = self.rows.first_channel
        out = np.zeros([k.stop - k.start for k in key])
        try:
            with self.path.open("rb") as stream:
                for place in np.ndindex(wanted.shape):
                    row = int(wanted[place])
                    if row < 0:
                        continue
                    stream.seek(int(self.rows.offsets[row]))
                    line = stream.read(int(self.rows.lengths[row])).decode("utf-8", "replace")
                    cells = self.rows.form.split(line.strip("\r\n"))[first:][key[2]]
                    out[place] = numbers_of(cells, self.where, row + 2)
        except (OSError, ValueError) as err:
            raise table_error(
                self.where, "", clean_text(err), "the file that was opened", "start again"
            ) from err
        return out


def open_table_scan(
    path: Path, entry: ScanEntry | None = None, instrument: Instrument | None = None
) -> xr.Dataset:
    """Open a table of pixels; the numbers stay in the file.

    Parameters
    ----------
    path : Path
        Text with a header line and one row per pixel.
    entry : ScanEntry, optional
        What the study file says of the scan.
    instrument : Instrument, optional
        What the study file says of the instrument.

    Returns
    -------
    xarray.Dataset
        Dims ``y, x, channel``; pixels that are missing have no counts and an unknown
        live time.

    Raises
    ------
    InputError
        If the text is no such table.
    """
    where = clean_text(path.name)
    require_file(path)
    rows = _scan_rows(path)
    index, y, x = _place(rows, where)
    in_mm = not {"row", "column", "col"} & set(rows.names)
    notes = []
    if (index < 0).any():
        notes.append(
            f"{whole(int((index < 0).sum()))} of {whole(index.size)} pixels are not in the table"
        )
    stored_live = _live(rows, index)
    live, more = merge_live_time(stored_live, entry.live_time_s if entry else None, where)
    shape = (index.shape[0], index.shape[1])
    at_y, at_x = grid(y if in_mm else None, x if in_mm else None, shape, entry, where)
    stored = TableCounts(path, rows, index)
    quick_check(stored)
    sha = sha256_of(path)
    energy = None
    if {"zero_kev", "kev_per_channel"} <= rows.facts.keys():
        steps = np.arange(stored.shape[2])
        energy = rows.facts["zero_kev"] + rows.facts["kev_per_channel"] * steps
    return make_scan(
        lazy_counts(stored, sha[:16]),
        live_time=live,
        real_time=rows.facts.get("real_time"),
        monitor=rows.of_pixels("monitor", index),
        y=at_y,
        x=at_x,
        energy_kev=energy,
        instrument=merge_instrument({}, {}, instrument, where),
        source=where,
        source_sha256=sha,
        title=rows.title,
        storage="delimited text",
        notes=[*notes, *more],
    )


def _place(
    rows: _Rows, where: str
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Row of the table for each pixel, -1 where there is none; positions y and x."""
    y, at_y = np.unique(rows.places[:, 0], return_inverse=True)
    x, at_x = np.unique(rows.places[:, 1], return_inverse=True)
    if y.size * x.size > 4 * len(rows.places) + 100:
        raise table_error(
            where,
            "y, x",
            f"{whole(y.size)} rows and {whole(x.size)} columns for "
            f"{whole(len(rows.places))} pixels",
            "pixels on a grid",
            "round the positions to the grid, or give row and column as whole numbers",
        )
    index = np.full((y.size, x.size), -1, dtype=np.int64)
    for row, place in enumerate(zip(at_y, at_x, strict=True)):
        if index[place] >= 0:
            found = f"y = {y[place[0]]:g}, x = {x[place[1]]:g} twice"
            raise table_error(where, "y, x", found, "each pixel once")
        index[place] = row
    return index, y, x


def _live(rows: _Rows, index: npt.NDArray[np.int64]) -> npt.NDArray[np.float64] | None:
    live = rows.of_pixels("live_time", index)
    if live is not None:
        return live
    if "live_time" in rows.facts:
        return np.where(index < 0, np.nan, rows.facts["live_time"])
    return None
