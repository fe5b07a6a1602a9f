"""What the search for a hidden design says, in words and rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr

from xrfmap.pictures.hidden import shapes_of
from xrfmap.report import fields
from xrfmap.report.tables import Column, Table
from xrfmap.report.words import element_name, number, share, whole

__all__ = [
    "hidden_words", "joint_words", "line_title", "line_words", "shape_table", "sure_words",
    "told_lines",
]  # fmt: skip

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
        f"{len(free)} shapes with outlines of their own differ"
        if len(free) != 1
        else "One shape with an outline of its own differs"
    )
    if not free:
        found = "No shape with an outline of its own differs"
    words = (
        f"The maps are compared with {hidden.attrs['photograph']} ({hidden.attrs['placement']}). "
        "What each place should hold is learned from places of like colour in other parts of the "
        f"scan. {found} from that by more than {number(float(hidden.attrs['level']))} standard "
        "errors; the chance that noise alone goes so far anywhere in the scan is "
        f"{100 * float(hidden.attrs['risk']):g} %. {share(known)} of the field can be judged; "
        "the rest has colours that occur nowhere else, or no measurement."
    )
    if followers:
        words += (
            f" {followers} more {'shape follows' if followers == 1 else 'shapes follow'} edges of "
            "the visible picture, as two paints of one colour do, and "
            f"{'is' if followers == 1 else 'are'} not counted: see tables/hidden_shapes.csv."
        )
    step = int(hidden.attrs["binned"])
    if step > 1:
        words += f" For this, {step} × {step} points of the scan were taken together."
    return words


def line_title(line: str, what: str) -> str:
    """Title of a picture of one family on the page."""
    name = f"{element_name(line.split()[0]).capitalize()} ({line})"
    return f"{name}: {'how sure that is' if what == 'significance' else 'more or less'}"


def sure_words(hidden: xr.Dataset, line: str) -> str:
    """Say how sure the shapes of a family are."""
    peaks = [abs(float(s["peak"])) for s in _free(hidden, line)]
    return (
        "The same difference in standard errors, which allow for the noise of the counts and for "
        f"how unevenly paint of one colour is laid: up to {number(max(peaks))} here."
    )


def _free(hidden: xr.Dataset, line: str) -> list[dict[str, Any]]:
    return [s for s in shapes_of(hidden) if s["line"] == line and not s["follows_picture"]]


def line_words(hidden: xr.Dataset, line: str) -> str:
    """Say which way the shapes of a family differ, and how large they are."""
    free = _free(hidden, line)
    unit = fields.grid(hidden).unit
    area = sum(float(s["area"]) for s in free)
    unit2 = "cm²" if unit == "mm" else f"square {unit}"
    area = area / 100 if unit == "mm" else area
    more = [s for s in free if s["sign"] > 0]
    what = "more" if len(more) == len(free) else "less" if not more else "more and less"
    return (
        f"{what.capitalize()} {element_name(line.split()[0])} than places of like colour hold "
        f"elsewhere: {number(area)} {unit2} in {whole(len(free))} "
        f"{'shape' if len(free) == 1 else 'shapes'}. Parts that are less sure are not counted."
    )


def joint_words(hidden: xr.Dataset) -> str:
    """Say which families make up the joint picture, with their signs."""
    lines = [str(line) for line in hidden["line"].values]
    weights = dict(zip(lines, hidden["loading"].values.tolist(), strict=True))
    strong = sorted(
        (k for k, v in weights.items() if abs(v) >= 0.1), key=lambda k: -abs(weights[k])
    )
    said = ", ".join(
        f"{'more' if weights[k] > 0 else 'less'} {k} ({abs(weights[k]):.2f})" for k in strong
    )
    return (
        "All families that show shapes of their own in one picture. Orange stands for "
        f"{said}; violet for the opposite. The number in brackets is the weight of a family, at "
        "most 1; those below 0.1 are not named."
    )


def shape_table(hidden: xr.Dataset, label: str = "") -> Table:
    """Shapes with place, size, significance and whose outline they follow."""
    shape = fields.grid(hidden)
    columns = (
        Column("line", "Line family"), Column("sign", "More or less"),
        Column("peak [standard errors]", "Largest difference [standard errors]", "number", 3),
        Column("share [%]", "Difference, of what is explained [%]", "number", 2),
        Column(f"area [{shape.unit}2]", f"Area [{shape.unit}²]", "number", 3),
        Column(f"x [{shape.unit}]", f"x [{shape.unit}]", "number", 3),
        Column(f"y [{shape.unit}]", f"y [{shape.unit}]", "number", 3),
        Column("outline", "Outline"),
        Column("outline_on_edges [1]", "Share of outline on visible edges", "number", 2),
        Column("by_chance [1]", "Share by chance", "number", 2),
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
