"""Plain text for the command line: aligned tables and descriptions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from xrfmap.numbers import number, whole

__all__ = ["columns", "description_lines", "figure"]


_DIMS = {"y": "rows (y)", "x": "columns (x)", "channel": "channels"}


def figure(value: float | None, digits: int = 4) -> str:
    """Format a number for people: some digits, a dash where there is none."""
    if value is None or value != value:
        return "-"
    if abs(value) < 1e15 and value == int(value):
        return whole(value)
    return number(value, digits)


def columns(head: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> list[str]:
    """Lay out a table: the first `left` columns to the left, the others to the right."""
    table = [list(head), *[list(row) for row in rows]]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    return [
        "  ".join(
            cell.ljust(width) if i < left else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in table
    ]


def _size(size: int) -> str:
    return f"{size / 1e6:.1f} MB" if size >= 1e5 else f"{size / 1e3:.1f} kB"


def _spread(values: Mapping[str, float] | None, unit: str) -> str:
    if values is None:
        return "not known"
    low, mid, high = (figure(values[k]) for k in ("min", "median", "max"))
    return f"{mid} {unit}" if low == high else f"{mid} {unit} (median; {low} to {high})"


def description_lines(found: Mapping[str, Any]) -> Iterator[str]:
    """Say in lines what a file holds, as ``xrfmap describe`` prints it.

    Parameters
    ----------
    found : mapping
        From :func:`xrfmap.io.describe.describe`.

    Yields
    ------
    str
        One line after the other.
    """
    scan = found["kind"] == "scan"
    size = " x ".join(
        f"{whole(n)} {_DIMS.get(name, name)}"
        for n, name in zip(found["shape"], found["dims"], strict=True)
    )
    rows: list[tuple[str, str]] = [
        ("file", f"{found['file']} ({_size(found['bytes'])})"),
        ("kind", str(found["kind"])),
        ("title", str(found["title"]) or "-"),
        ("size", size),
        ("counts", f"{figure(found['total_counts'], 7)} in all, type {found['type']}"),
    ]
    if scan:
        pixel = found.get("pixel_mm") or {}
        rows.append(("pixel", " x ".join(f"{v:.4g} mm" for v in pixel.values()) or "not known"))
        rows.append(("per pixel", _spread(found["counts_per_pixel"], "counts")))
    rows += [
        ("live time", _spread(found["live_time_s"], "s")),
        ("count rate", _spread(found["count_rate_per_s"], "counts/s")),
        ("energy", _scale(found["energy_scale"])),
        ("instrument", ", ".join(_facts(found["instrument"])) or "the file says nothing"),
        ("sha256", str(found["sha256"])),
    ]
    width = max(len(name) for name, _ in rows)
    for name, text in rows:
        yield f"{name.ljust(width)}  {text}"
    for heading in ("notes", "problems"):
        for index, text in enumerate(found[heading]):
            yield f"{(heading if index == 0 else '').ljust(width)}  {text}"
    if not found["problems"]:
        yield f"{'problems'.ljust(width)}  none found"


def _scale(scale: Mapping[str, Any]) -> str:
    if not scale.get("known"):
        return "no scale in the file"
    text = f"{scale['from_kev']:.3f} to {scale['to_kev']:.3f} keV"
    if "kev_per_channel" in scale:
        text += f", {1000 * scale['kev_per_channel']:.3f} eV per channel"
    return text


def _facts(instrument: Mapping[str, Any], prefix: str = "") -> Iterator[str]:
    for key, value in instrument.items():
        if isinstance(value, Mapping):
            yield from _facts(value, f"{key} ")
        elif value is not None:
            yield f"{prefix}{key} {figure(value) if isinstance(value, float) else value}"
