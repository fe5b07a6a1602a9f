"""A scan as the page shows it: facts, plates, light table, lights of the composite."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from xrfmap.numbers import whole
from xrfmap.report import content, pixels, style, words
from xrfmap.report.parts import Parts, ScanPart
from xrfmap.report.plates import Atlas
from xrfmap.report.viewer import light_table_data

__all__ = ["frontispiece", "scan_context"]


def _scan_facts(scan: ScanPart, several: bool) -> str:
    maps, atlas = scan.maps, scan.atlas
    shape = atlas.grid
    name = f" {scan.name}," if several else " of"
    facts = [f"Scan{name} {whole(shape.columns)} × {whole(shape.rows)} points"]
    if shape.unit == "mm":
        facts.append(
            f"{words.number(shape.x1 - shape.x0)} × {words.number(shape.y1 - shape.y0)} mm"
        )
    if "live_time" in maps:
        seconds = np.asarray(maps["live_time"].values, dtype=float)
        if np.isfinite(seconds).any():
            facts.append(f"median live time {words.number(float(np.nanmedian(seconds)))} s a point")
        else:
            facts.append("live time unknown, maps in counts")
    if "total_counts" in maps:
        total = np.asarray(maps["total_counts"].values, dtype=float)
        if np.isfinite(total).any():
            facts.append(f"median {words.number(float(np.nanmedian(total)))} counts a point")
    points = whole(atlas.bad + atlas.measured)
    facts.append(
        f"{whole(atlas.bad)} of {points} points without a usable measurement"
        if atlas.bad
        else f"all {points} points have a usable measurement"
    )
    return "; ".join(facts) + "."


def _maps_words(atlas: Atlas) -> tuple[str, str]:
    unit = atlas.elements[0].unit if atlas.elements else "counts"
    intro = (
        f"Net {unit.replace('counts/s', 'counts per second')} of whole line families. "
        "y runs downward as on the object."
    )
    if unit == "counts":
        intro += " The live time is not known, so counts could not be divided by it."
    plates = "All plates have the same scale; each has its own colour bar."
    if atlas.bad:
        plates += f" Turquoise marks {words.whole(atlas.bad)} points without a usable measurement."
    if atlas.step > 1:
        plates += (
            f" On this page one pixel stands for {atlas.step} × {atlas.step} points; the files "
            "hold all of them."
        )
    return intro, plates


def _mix_colours(atlas: Atlas) -> list[tuple[str, str, str]]:
    """Lights of the composite with the families the report chose for them."""
    made = [p for p in atlas.derived if p.lines]
    chosen = list(made[0].lines) if made else [p.title for p in atlas.elements[:2]]
    names = ("orange", "blue-green", "violet")
    chosen += [""] * (3 - len(chosen))
    return list(zip(style.COMPOSITE_INKS, names, chosen, strict=False))


def _ratio(atlas: Atlas) -> str:
    # a single line of pixels would be a hair; the page stretches it to be seen
    return f"{min(max(1 / atlas.grid.aspect, 1 / 12), 12):.5f}"


def frontispiece(scans: Sequence[ScanPart]) -> tuple[str, str, str, str] | None:
    """Picture beside the summary: the photograph, else the composite, else the first map."""
    for scan in scans:
        for name, picture in scan.photographs.items():
            uri = pixels.data_uri(pixels.jpeg(picture.pixels, 900), "image/jpeg")
            return (
                uri,
                f"{name} of the scanned field",
                f"{name}, scanned field.",
                _ratio(scan.atlas),
            )
    plates = [(s, p) for s in scans for p in (*s.atlas.derived, *s.atlas.elements)]
    if not plates:
        return None
    scan, first = plates[0]
    words_ = f"{first.title}, {first.subtitle}."
    if first.lines:
        colours = zip(first.lines, ("orange", "blue-green", "violet"), strict=False)
        said = ", ".join(f"{line} in {colour}" for line, colour in colours)
        words_ = f"Composite of the scanned field: {said}."
    return first.image, first.alt, words_, _ratio(scan.atlas)


def scan_context(scan: ScanPart, index: int, parts: Parts) -> dict[str, Any]:
    """Values for the template; identifiers of the scans after the first get a number."""
    intro, plates = _maps_words(scan.atlas)
    data = light_table_data(scan.atlas, parts.study)
    return {
        "name": scan.name,
        "suffix": f"-{index + 1}" if index else "",
        "atlas": scan.atlas,
        "ratio": _ratio(scan.atlas),
        "intro": intro,
        "plates_intro": plates,
        "data": data,
        "has_outlines": bool(data["areas"] or data["points"]),
        "mix_colours": _mix_colours(scan.atlas),
        "photographs": [
            (name, pixels.data_uri(pixels.jpeg(picture.pixels), "image/jpeg"), picture.words)
            for name, picture in scan.photographs.items()
        ],
        "scatters": scan.scatters,
        "seams": scan.seams,
        "lines_table": content.line_table(scan.maps, scan.name if index else ""),
        "facts": _scan_facts(scan, len(parts.scans) > 1),
    }
