"""What the search for a hidden design says, in words and rows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr

from xrfmap.hidden import shapes_of
from xrfmap.report import fields
from xrfmap.report.tables import Column, Table
from xrfmap.report.words import number, share, signed

__all__ = ["hidden_words", "joint_words", "line_words", "shape_table", "told_lines"]

MOST_LINES = 6
"""Families on the page; the files hold all."""


def told_lines(hidden: xr.Dataset) -> list[str]:
    """Families with a shape of their own, the most significant first."""
    free = [s["line"] for s in shapes_of(hidden) if not s["follows_picture"]]
    return list(dict.fromkeys(free))[:MOST_LINES]


def hidden_words(hidden: xr.Dataset) -> str:
    """Say how the split was made and how much of the field it can judge."""
    known = float(np.mean(np.asarray(hidden["colour_elsewhere"].values) > 0))
    free = [s for s in shapes_of(hidden) if not s["follows_picture"]]
    followers = len(shapes_of(hidden)) - len(free)
    found = (
        f"{len(free)} shapes with an outline of their own stand out"
        if len(free) != 1
        else "One shape with an outline of its own stands out"
    )
    if not free:
        found = "No shape with an outline of its own stands out"
    words = (
        f"Compared with {hidden.attrs['photograph']} ({hidden.attrs['placement']}). Each part of "
        "a map is predicted from places of like colour in other parts of the scan. "
        f"{found} above {number(float(hidden.attrs['level']))} standard errors, which noise "
        f"exceeds anywhere in one scan of twenty; {share(known)} of the field can be judged."
    )
    if followers:
        words += (
            f" {followers} more {'follows' if followers == 1 else 'follow'} edges in sight, as two "
            f"paints of one colour do, and {'is' if followers == 1 else 'are'} not counted: see "
            "tables/hidden_shapes.csv."
        )
    if int(hidden.attrs["binned"]) > 1:
        words += f" The scan was binned {hidden.attrs['binned']} by {hidden.attrs['binned']}."
    return words


def line_words(hidden: xr.Dataset, line: str) -> str:
    """Say how large and how sure the shapes of a family are."""
    free = [s for s in shapes_of(hidden) if s["line"] == line and not s["follows_picture"]]
    unit = fields.grid(hidden).unit
    area = sum(float(s["area"]) for s in free)
    unit2 = "cm²" if unit == "mm" else f"square {unit}"
    area = area / 100 if unit == "mm" else area
    more = [s for s in free if s["sign"] > 0]
    what = "more" if len(more) == len(free) else "less" if not more else "more and less"
    return (
        f"{what.capitalize()} {line} than the colours explain, over {number(area)} {unit2} in "
        f"{len(free)} {'shape' if len(free) == 1 else 'shapes'}, up to "
        f"{number(max(float(s['peak']) for s in free))} standard errors."
    )


def joint_words(hidden: xr.Dataset) -> str:
    """Say which families make up the joint picture, with their signs."""
    lines = [str(line) for line in hidden["line"].values]
    weights = dict(zip(lines, hidden["loading"].values.tolist(), strict=True))
    strong = sorted(
        (k for k, v in weights.items() if abs(v) >= 0.1), key=lambda k: -abs(weights[k])
    )
    said = ", ".join(
        f"{'more' if weights[k] > 0 else 'less'} {k} ({signed(weights[k], 2)})" for k in strong
    )
    return f"Orange stands for {said}; violet for the opposite. Weights in brackets."


def shape_table(hidden: xr.Dataset, label: str = "") -> Table:
    """Shapes with place, size, significance and whose outline they follow."""
    shape = fields.grid(hidden)
    columns = (
        Column("line", "Line family"), Column("sign", "More or less"),
        Column("peak [standard errors]", "Significance", "number", 3),
        Column("share [%]", "Of what is explained [%]", "number", 2),
        Column(f"area [{shape.unit}2]", f"Area [{shape.unit}²]", "number", 3),
        Column(f"x [{shape.unit}]", f"x [{shape.unit}]", "number", 3),
        Column(f"y [{shape.unit}]", f"y [{shape.unit}]", "number", 3),
        Column("outline", "Outline"),
        Column("outline_on_edges [1]", "On edges in sight", "number", 2),
        Column("by_chance [1]", "By chance", "number", 2),
    )  # fmt: skip
    rows = [
        (
            s["line"], "more" if s["sign"] > 0 else "less", s["peak"],
            100 * s["share"], s["area"], s["x"], s["y"],
            "follows the visible picture" if s["follows_picture"] else "of its own",
            s["on_edges"], s["by_chance"],
        )
        for s in shapes_of(hidden)
    ]  # fmt: skip
    name = f"hidden_shapes_{label}" if label else "hidden_shapes"
    return Table(name, "Shapes that the visible picture does not explain", columns, tuple(rows))


def pictures(hidden: xr.Dataset) -> Sequence[tuple[str, str | None]]:
    """Pictures for the page: the joint one first, then each family with its significance."""
    told: list[tuple[str, str | None]] = []
    if np.isfinite(hidden["joint"].values).any():
        told.append(("joint", None))
    for line in told_lines(hidden):
        told += [("unexplained", line), ("significance", line)]
    return told
