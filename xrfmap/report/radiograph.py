"""What the section on radiographs says, in words and rows."""

from __future__ import annotations

import xarray as xr

from xrfmap.pictures.radiograph_compare import differences_of
from xrfmap.report import fields
from xrfmap.report.tables import Column, Table
from xrfmap.report.words import signed

__all__ = ["difference_table", "pictures", "radiograph_words"]


def pictures(held: xr.Dataset) -> list[tuple[str, str]]:
    """Pictures for the page, each with what stands below it."""
    shown = [("opacity", str(held.attrs["assumption"]))]
    if "given" in held:
        placed = f"{held.attrs.get('given_file', '')}, {held.attrs.get('placement', '')}."
        shown.append(("given", placed))
        if held.attrs["absorbing"] != "cannot tell":
            words = (
                "What the given radiograph absorbs more or less than simulated. What "
                f"edges misplaced by {held.attrs['reach']} "
                f"{'point' if int(held.attrs['reach']) == 1 else 'points'} could do is left out. "
                "The unit is the usual difference between the two (their spread)."
            )
            shown.append(("difference", words))
    return shown


def _with_interval(held: xr.Dataset, kind: str) -> str:
    value, low, high = (
        float(held.attrs[f"{kind}_correlation{end}"]) for end in ("", "_low", "_high")
    )
    return f"{signed(value, 2)} ({signed(low, 2)} to {signed(high, 2)})"


def radiograph_words(held: xr.Dataset) -> str:
    """Say how far a given radiograph agrees with the simulated one."""
    if "given" not in held:
        return (
            "The study gives no radiograph to compare; [[image]] with kind = “radiograph” adds one."
        )
    words = (
        "How far the grey of the given radiograph goes with the simulated opacity: correlation of "
        f"ranks {_with_interval(held, 'rank')}, of values {_with_interval(held, 'linear')}; in "
        "brackets 95 % intervals from blocks of the field. "
    )
    absorbing = held.attrs["absorbing"]
    if absorbing == "cannot tell":
        return words + (
            "The interval of the ranks includes nought: the two do not go together, so that no "
            "difference is drawn. The picture may be misplaced, or governed by "
            "what lies below the scanned paint."
        )
    count = len(differences_of(held))
    part = "one place" if count == 1 else f"{count} places"
    words += f"In the given picture {absorbing} stands for what absorbs. "
    return words + (
        f"The two differ clearly in {part}." if count else "Nowhere do the two differ clearly."
    )


def difference_table(held: xr.Dataset, label: str = "") -> Table:
    """Places where the two part, the strongest first."""
    unit = fields.grid(held).unit
    columns = (
        Column("absorbs", "Given one absorbs"),
        Column("difference [spreads]", "Largest difference [times the usual one]", "number", 3),
        Column(f"x [{unit}]", f"x [{unit}]", "number", 3),
        Column(f"y [{unit}]", f"y [{unit}]", "number", 3),
        Column(f"width [{unit}]", f"Width [{unit}]", "number", 3),
        Column(f"height [{unit}]", f"Height [{unit}]", "number", 3),
        Column(f"area [{unit}2]", f"Area [{unit}²]", "number", 3),
    )  # fmt: skip
    rows = tuple(
        ("more" if d["sign"] > 0 else "less", d["peak"], d["x"], d["y"], d["width"], d["height"],
         d["area"])
        for d in (differences_of(held) if "given" in held else [])
    )  # fmt: skip
    name = f"radiograph_differences_{label}" if label else "radiograph_differences"
    return Table(name, "Where the radiographs differ", columns, rows)
