"""What lies outside every drawn area: groups of pixels where an element is strong.

A repair that nobody drew drowns in the sum over all other pixels. So each element
is followed to the pixels where it stands clear of its threshold, and what those
pixels hold is judged like an area. Only groups that raise a flag are reported.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.findings import ElementFinding
from xrfmap.numbers import whole
from xrfmap.pigments.evidence import AreaEvidence, LineEvidence, evidence_from_lines

__all__ = ["groups_outside"]

Mask = npt.NDArray[np.bool_]

CLEAR = 3.0
"""Decision thresholds that a pixel must reach: one pixel in a million of an empty field does
(a threshold is 1.645 standard errors, so this is five of them)."""

FEWEST = 6
"""Pixels of a group; fewer may be a nail or a crumb, and say little on paint."""

LOCAL = 0.5
"""An element in more than this share of the pixels is no local matter; the sum shows it."""

ALIKE = 0.6
"""Groups that share this much of their joint pixels are one."""

COMMON = 0.5
"""Share of a group's pixels above threshold from which another element belongs to it."""


def groups_outside(
    maps: xr.Dataset, left: Mask, findings: Sequence[ElementFinding] = ()
) -> Iterator[AreaEvidence]:
    """Evidence of the groups of pixels outside the areas where an element is strong.

    Parameters
    ----------
    maps : Dataset
        Element maps.
    left : ndarray of bool, shape (y, x)
        Pixels outside every area.
    findings : sequence of ElementFinding
        What the test on the whole scan says.

    Yields
    ------
    AreaEvidence
        One per group, named by its element and its extent, with no layer assigned.
        Counts are sums over the pixels' own fits.
    """
    usable = left & maps["fit_ok"].values.astype(bool)
    known: list[Mask] = []
    for index, label in enumerate(str(name) for name in maps["line"].values):
        one = maps[["net_counts", "decision_threshold"]].isel(line=index).transpose("y", "x")
        net, threshold = one["net_counts"].values, one["decision_threshold"].values
        with np.errstate(invalid="ignore"):
            group = usable & (net > CLEAR * threshold)
        size = int(group.sum())
        if size < FEWEST or size > LOCAL * int(usable.sum()):
            continue
        if any(_overlap(group, other) > ALIKE for other in known):
            continue
        known.append(group)
        yield evidence_from_lines(
            _name(maps, group, label.split()[0]),
            _lines(maps, group),
            findings=findings,
            note=f"{whole(size)} pixels outside every drawn area; found by the program, not drawn",
            origin="scan",
        )


def _overlap(one: Mask, other: Mask) -> float:
    return float((one & other).sum() / (one | other).sum())


def _name(maps: xr.Dataset, group: Mask, element: str) -> str:
    """Element and extent, the outermost tenth of the pixels left aside."""
    rows, columns = np.nonzero(group)
    spans = []
    for axis, places in (("x", columns), ("y", rows)):
        low, high = np.percentile(maps[axis].values[places], [5, 95])
        spans.append(f"{axis} {low:.0f} to {high:.0f}")
    units = maps["x"].attrs.get("units", "mm")
    return f"outside the areas: {element} at {', '.join(spans)} {units}"


def _lines(maps: xr.Dataset, group: Mask) -> list[LineEvidence]:
    lines = []
    for label in maps["line"].values:
        one = maps.sel(line=label)
        net, err, threshold = (
            one[name].values[group].astype(np.float64)
            for name in ("net_counts", "net_counts_err", "decision_threshold")
        )
        share = float((net > threshold).mean())
        total = float(net.sum())
        error = float(np.sqrt((err**2).sum()))
        # amplitudes are never negative, so the sum over empty pixels is not zero:
        # the share of pixels has the say, not the sum
        lines.append(
            LineEvidence(str(label), total, error, total + 1.645 * error, share > COMMON, share)
        )
    return lines
