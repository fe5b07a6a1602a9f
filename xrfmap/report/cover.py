"""What the maps of cover say, in words and rows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.report import fields
from xrfmap.report.tables import Value
from xrfmap.report.words import element_name, number, share, whole

__all__ = ["STATE_NUMBERS", "block_words", "cover_rows", "cover_words", "state_of", "told_elements"]

STATE_NUMBERS = {-1: "not_seen", 0: "at_surface", 1: "covered", 2: "cannot_tell"}
"""States as numbers, as in the maps of cover."""

LEAST_BLOCKS = 3
"""Blocks that must say something before a map is worth a picture."""

MOST_MAPS = 8
"""Maps on the page; the files hold all that say something."""


def state_of(cover: xr.Dataset, element: str) -> npt.NDArray[np.int64]:
    """State of each block, y downward, shape (y, x); see :data:`STATE_NUMBERS`."""
    return fields.upright(cover["state"].sel(element=element)).astype(np.int64)


def told_elements(cover: xr.Dataset) -> list[str]:
    """Elements whose maps say something: first those covered in the most blocks."""
    counted = []
    for element in (str(e) for e in cover["element"].values):
        state = state_of(cover, element)
        covered, bare = int((state == 1).sum()), int((state == 0).sum())
        if covered + bare >= LEAST_BLOCKS:
            counted.append((-covered, -bare, element))
    return [element for *_, element in sorted(counted)[:MOST_MAPS]]


def cover_words(cover: xr.Dataset, element: str) -> str:
    """Say how much of the field is bare, covered and undecided, and by what lines."""
    one, state = cover.sel(element=element), state_of(cover, element)
    seen = state >= 0
    if not seen.any():
        return f"{element_name(element).capitalize()} is seen in no block."
    counts = {name: int((state == n).sum()) for n, name in STATE_NUMBERS.items()}
    said = {
        "at_surface": "{} it lies at the surface", "covered": "{} under a cover",
        "cannot_tell": "{} the lines do not tell",
    }  # fmt: skip
    parts = [
        words.format(f"in {share(counts[name] / int(seen.sum()))}")
        for name, words in said.items()
        if counts[name]
    ]
    name, held = element_name(element).capitalize(), int(seen.sum())
    blocks = "1 block" if held == 1 else f"{whole(held)} blocks"
    words = f"{name} shows in {blocks}: {', '.join(parts)}."
    if counts["covered"]:
        um = fields.upright(one["cover_mg_cm2"])[state == 1] * float(one["um_per_mg_cm2"])
        words += (
            f" The median thickness of the cover is {number(float(np.median(um)), 2)} µm, if it is "
            f"{one['material'].values}."
        )
    words += f" These lines tell most: {one['soft'].values} against {one['hard'].values}."
    full = _full_lines(cover, element)
    return f"{words} Not compared, since their channels ran full: {full}." if full else words


def _full_lines(cover: xr.Dataset, element: str) -> str:
    """Say which lines of an element ran full in how many blocks; empty where none did."""
    return str(cover["full"].sel(element=element).values) if "full" in cover else ""


def block_words(cover: xr.Dataset) -> str:
    """Say how the maps were made, and by which test a block is judged."""
    side = int(cover.attrs["block"])
    surface = number(float(cover.attrs["surface_um"]))
    size = "pixel" if side == 1 else f"block of {side} × {side} pixels"
    return (
        f"Each {size} is judged by itself. “Under a cover”: the line ratios differ from those of "
        f"bare paint by {number(float(cover.attrs['order_standard_errors']))} standard errors or "
        f"more. “At the surface”: a cover of {surface} µm can be excluded (95 %). Otherwise the "
        "lines do not tell. The thickness is right where the element lies in one layer; where some "
        "of it lies higher up, the rest may lie under more. Files: cover.nc, tables/cover_*.csv."
    )


def cover_rows(cover: xr.Dataset, element: str) -> tuple[list[str], list[list[Value]]]:
    """Heads and rows of a table with one row per block that holds the element."""
    one, state = cover.sel(element=element), state_of(cover, element)
    unit = str(cover["x"].attrs.get("units", "mm"))
    per_um = float(one["um_per_mg_cm2"])
    names = ("cover_mg_cm2", "cover_mg_cm2_low", "cover_mg_cm2_high", "standard_errors",
             "ratio_to_bare", "ratio_to_bare_err")  # fmt: skip
    planes = [fields.upright(one[name]) for name in names]
    x, y = (np.sort(np.asarray(cover[axis].values, dtype=float)) for axis in ("x", "y"))
    heads = [f"x [{unit}]", f"y [{unit}]", "state", "cover [mg/cm2]", "cover_low [mg/cm2]",
             "cover_high [mg/cm2]", "standard_errors", "ratio_to_bare", "ratio_to_bare_err",
             f"cover [um of {one['material'].values}]"]  # fmt: skip

    rows: list[list[Value]] = []
    for j, i in zip(*np.nonzero(state >= 0), strict=True):
        numbers = [float(p[j, i]) for p in planes]
        numbers.append(numbers[0] * per_um)
        values = [float(f"{v:.5g}") if np.isfinite(v) else None for v in numbers]
        rows.append([float(x[i]), float(y[j]), STATE_NUMBERS[int(state[j, i])], *values])
    return heads, rows
