"""A small invented study for the tests of figures and pages.

Structure only: shapes, names and masks are as in a real run, the numbers are made up and
say nothing about any paint.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

LINES = ("Pb L", "Pb M", "Fe K", "Ca K", "Hg L", "Ti K", "Zn K", "Cu K")


def make_maps(
    rows: int = 45, columns: int = 60, lines: tuple[str, ...] = LINES, *, live_time: float = 0.5
) -> xr.Dataset:
    rng = np.random.default_rng(7)
    y, x = np.mgrid[0:rows, 0:columns]
    counts = []
    for n, _ in enumerate(lines):
        cx, cy = columns * (0.2 + 0.6 * ((n * 37) % 10) / 10), rows * (0.2 + 0.07 * n)
        blob = np.exp(-(((x - cx) / (columns / 5)) ** 2) - ((y - cy) / (rows / 6)) ** 2)
        counts.append(rng.poisson(40 + 900 * blob / (1 + n)) - 40.0 * (n > 3))
    net = np.clip(np.array(counts, dtype=float), 0, None)
    bad = np.zeros((rows, columns), dtype=bool)
    bad[rows // 3, : columns // 4] = True  # part of a dead row
    bad[5, 7] = True
    net[:, bad] = np.nan
    seconds = np.full((rows, columns), live_time)
    dims = ("line", "y", "x")
    data = {
        "net_counts": (dims, net),
        "net_counts_err": (dims, np.sqrt(net + 60)),
        "net_counts_ul": (dims, net + 2 * np.sqrt(net + 60)),
        "decision_threshold": (dims, np.full_like(net, 18.0)),
        "detection_limit": (dims, np.full_like(net, 38.0)),
        "live_time": (("y", "x"), seconds),
        "total_counts": (("y", "x"), np.nansum(net, axis=0) + 500.0),
        "deviance_per_dof": (("y", "x"), np.where(bad, np.nan, rng.normal(1, 0.04, bad.shape))),
        "fit_ok": (("y", "x"), ~bad),
    }
    maps = xr.Dataset(
        data,
        coords={
            "line": list(lines),
            "y": ("y", 10.0 + 0.8 * np.arange(rows), {"units": "mm"}),
            "x": ("x", 4.0 + 0.8 * np.arange(columns), {"units": "mm"}),
        },
        attrs={"source": "front.h5", "title": "Mill by a frozen river"},
    )
    return maps


def make_spectra(channels: int = 2048, lines: tuple[str, ...] = LINES) -> xr.Dataset:
    from xrfmap.physics.atomic import lines as lines_of

    rng = np.random.default_rng(3)
    energy = -0.05 + 0.02 * np.arange(channels)
    parts, names = [], []
    for n, label in enumerate(lines):
        element, family = label.split()
        row = np.zeros(channels)
        for line in lines_of(element, family):
            width = np.sqrt(0.06**2 + 0.0024 * line.energy_kev) / 2.355
            row += line.rate * np.exp(-0.5 * ((energy - line.energy_kev) / width) ** 2)
        parts.append(row * 60000 / (1 + 2 * n))
        names.append(label)
    parts.append(700 * np.exp(-((energy - 9) ** 2) / 60) * ((energy > 1) & (energy < 40)))
    names.append("continuum")
    parts.append(2500 * np.exp(-0.5 * ((energy - 19.6) / 0.35) ** 2))
    names.append("Rh scatter")
    model = np.sum(parts, axis=0)
    counts = rng.poisson(model).astype(float)
    return xr.Dataset(
        {
            "sum_counts": ("channel", counts),
            "max_pixel_counts": ("channel", np.round(counts / 800)),
            "model": ("channel", model),
            "component_counts": (("component", "channel"), np.array(parts)),
        },
        coords={"energy": ("channel", energy, {"units": "keV"}), "component": names},
    )


STUDY: dict[str, Any] = {
    "object": {
        "title": "Mill by a frozen river", "support": "oak panel, two boards",
        "width_mm": 520, "height_mm": 390, "reference": "L 12.3",
    },
    "period": {"from": 1630, "to": 1650, "note": "as catalogued"},
    "scan": [{"file": "front.h5"}],
    "area": [
        {"name": "sledge", "polygon_mm": [[10, 15], [22, 15], [22, 25], [10, 25]],
         "layer": "picture layer"},
        {"name": "lower left corner", "elements": ["Ti", "Zn"], "layer": "retouching"},
    ],
    "layer": [
        {"name": "retouching", "role": "retouching"},
        {"name": "picture layer", "role": "original paint", "thickness_um": 25},
        {"name": "first picture", "role": "original paint", "thickness_um": 30},
        {"name": "ground", "role": "ground", "material": ["chalk", "glue"], "thickness_um": 120},
        {"name": "support", "role": "support", "material": "oak"},
    ],
    "evidence": [
        {"kind": "tree_rings", "last_ring_year": 1598, "sapwood_rings": 0,
         "provenance": "southern Baltic", "layer": "support", "board": "board 1"},
        {"kind": "document", "year": 1652, "text": "estate list", "layer": "picture layer"},
    ],
}  # fmt: skip

SEEN = {"text": "Handbook of pigments, vol. 3", "checked": "seen"}
MEMORY = {"text": "trade list of 1921", "checked": "from memory"}

FINDINGS: dict[str, Any] = {
    "schema": 1,
    "title": "Mill by a frozen river",
    "period": {"from": 1630, "to": 1650, "note": "as catalogued"},
    "calibration": {
        "zero_kev": -0.0502, "zero_kev_err": 0.0004, "kev_per_channel": 0.020001,
        "kev_per_channel_err": 3e-7, "noise_kev": 0.061, "noise_kev_err": 0.002, "fano": 0.114,
        "fano_err": 0.002, "method": "from the scan",
    },
    "elements": [
        {"symbol": "Pb", "lines": ["Pb L", "Pb M"], "verdict": "present",
         "because": "L and M lines agree", "evidence": {"z": 812.4, "lines_seen": ["La", "Lb"]}},
        {"symbol": "Ti", "lines": ["Ti K"], "verdict": "present", "because": "K-alpha and K-beta",
         "evidence": {"z": 14.2}},
        {"symbol": "As", "lines": ["As K"], "verdict": "not separable",
         "because": "As cannot be separated from Pb here: < 310 counts", "evidence": {}},
        {"symbol": "Cd", "lines": ["Cd K"], "verdict": "not detected", "because": "below limit",
         "evidence": {"z": 0.3}},
    ],
    "areas": [
        {"name": "sledge", "layer": "picture layer", "origin": "scan",
         "elements": [
             {"symbol": "Pb", "line": "Pb L", "net_counts": 51234.2, "net_counts_err": 240.1,
              "net_counts_ul": 51700.0, "detected": True, "share_of_area": 1.0},
             {"symbol": "Hg", "line": "Hg L", "net_counts": 811.0, "net_counts_err": 44.0,
              "net_counts_ul": 900.0, "detected": True, "share_of_area": 0.63},
         ],
         "candidates": [
             {"pigment": "vermilion", "fits_period": "compatible", "support": ["Hg L seen"],
              "look_alikes": ["cinnabar"], "sources": [SEEN]},
         ],
         "sets": [["lead white", "vermilion"]], "unexplained": [],
         "summary": "A red with mercury over lead white."},
        {"name": "lower left corner", "layer": "retouching", "origin": "typed in",
         "elements": [{"symbol": "Ti", "line": "Ti K", "detected": True}],
         "candidates": [
             {"pigment": "titanium white", "fits_period": "out_of_period",
              "support": ["Ti with Zn"], "against": ["a trace may come from earth"],
              "look_alikes": [], "sources": [SEEN, MEMORY]},
         ],
         "sets": [["titanium white", "zinc white"]]},
    ],
    "flags": [
        {"pigment": "titanium white", "elements": ["Ti", "Zn"], "area": "lower left corner",
         "layer": "retouching", "verdict": "later_layer",
         "reason": "Titanium white was made from about 1916 on; the area is declared retouching.",
         "sources": [SEEN, MEMORY],
         "next_check": "Raman on the retouching: rutile or anatase"},
        {"pigment": "lead-tin yellow", "elements": ["Pb", "Sn"], "area": "sledge",
         "layer": "picture layer", "verdict": "cannot_tell",
         "reason": "Tin lies below its detection limit.", "sources": [MEMORY],
         "next_check": "point spectrum of 300 s on the yellow"},
    ],
    "layers": [
        {"name": "retouching", "not_before": 1916, "not_after": None, "role": "retouching",
         "because": ["titanium white"]},
        {"name": "picture layer", "not_before": 1607, "not_after": 1652,
         "because": ["lies on the panel, felled after about 1607", "document of 1652"]},
        {"name": "first picture", "not_before": 1607, "not_after": 1652, "because": ["below"]},
        {"name": "ground", "not_before": 1607, "not_after": 1600,
         "because": ["panel", "document"], "contradiction": "1607 lies after 1600",
         "ways_out": ["the panel was reused"]},
        {"name": "support", "not_before": 1607, "not_after": None, "because": ["last ring 1598"]},
    ],
    "depth": [
        {"area": "sledge", "element": "Hg", "lines": ["Hg L", "Hg M"], "state": "covered",
         "cover_mg_cm2": {"value": 4.2, "low": 3.1, "high": 5.6},
         "cover_um": {"value": 10.2, "low": 7.6, "high": 13.8, "material": "lead white in oil"},
         "bound": "lower_end_only", "bound_because": "more may lie on what lies deepest",
         "because": "the M lines are weaker than at the surface"},
        {"area": "sledge", "element": "Pb", "lines": ["Pb L", "Pb M"], "state": "at_surface"},
    ],
    "overall": "later_layer",
    "open_questions": ["Is the picture below of the same century?"],
    "remarks": ["lead-tin yellow is rare after about 1750"],
    "cautions": ["The tube line of rhodium hides a little chlorine."],
}  # fmt: skip

RUN: dict[str, Any] = {
    "started": "2026-11-25T10:00:00+00:00",
    "versions": {"xrfmap": "0.1.0", "numpy": "2.4.6"},
    "inputs": [{"file": "front.h5", "sha256": "ab" * 32, "bytes": 5123456}],
    "settings": {
        "maps": {"energy_min_kev": 1.5, "elements": None},
        "choices": {f"choice_{n}": n for n in range(40)},
    },
    "timings": {"read": 0.4, "maps": 11.2},
}

HOSTILE = (
    "\"'><script>alert(1)</script><img src=x onerror=alert(2)>\x1b[31m\x9b&amp;{{7*7}}\u202eevil"
)
# words of a fixed choice, patterns and numbers: nothing else fits there
FIXED = {
    "verdict", "fits_period", "state", "origin", "checked", "overall", "kind", "schema", "role",
    "from", "to", "bound",
}  # fmt: skip


def poisoned(value, key=""):
    """The same with every free text replaced."""
    if isinstance(value, dict):
        return {k: poisoned(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [poisoned(v, key) for v in value]
    return HOSTILE if isinstance(value, str) and key not in FIXED else value
