"""Which maps belong together: composite, ratios and scatters worth a place in the report."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.report import fields
from xrfmap.report.marks import family_of
from xrfmap.report.pixels import step_for

__all__ = ["Choice", "composite_lines", "correlations", "family_ratios", "scatter_pairs"]

Array = npt.NDArray[np.float64]
_SHARE = 0.03  # a family above threshold in fewer pixels is chance or a speck
_ENOUGH = 500_000  # pixels that tell a correlation to three digits
_SOFT_FIRST = {"M": 0, "L": 1, "K": 2}


@dataclass(frozen=True)
class Choice:
    """What is worth a figure; worked out once, since it asks for every map several times."""

    composite: list[str]
    ratios: list[tuple[str, str]]
    scatters: list[tuple[str, str]]

    @classmethod
    def of(cls, maps: xr.Dataset) -> Choice:
        """Choose for a scan."""
        seen = _seen(maps)
        table = correlations(maps, seen) if seen else np.zeros((0, 0))
        return cls(
            _composite(maps, seen, table), family_ratios(maps, seen=seen), _pairs(seen, table)
        )


def _seen(maps: xr.Dataset) -> list[str]:
    """Families above their threshold in more pixels than chance and specks explain."""
    return [
        line
        for line in fields.line_labels(maps)
        if family_of(line) and fields.limits(maps, line).share > 0.05 + _SHARE
    ]


def _contrast(maps: xr.Dataset, line: str) -> float:
    """Spread of a map in units of its own detection limit."""
    span = fields.stretch(fields.field(maps, line).values)
    limit = fields.limits(maps, line).limit
    return (span.high - span.low) / limit if limit > 0 else 0.0


def correlations(maps: xr.Dataset, lines: list[str]) -> Array:
    """Correlation of the maps of `lines` over pixels measured in all, shape (n, n).

    Of a large scan over a regular part of its pixels: all maps are in memory together.
    """
    step = step_for(maps.sizes["y"] * maps.sizes["x"], 1, _ENOUGH)
    stack = np.array([fields.field(maps, line).values[::step, ::step] for line in lines])
    flat = stack.reshape(len(lines), -1)
    flat = flat[:, np.isfinite(flat).all(axis=0)]
    if flat.shape[1] < 3:
        return np.eye(len(lines))
    centred = flat - flat.mean(axis=1, keepdims=True)
    norm = np.sqrt((centred**2).sum(axis=1))
    norm[norm == 0] = np.inf
    return np.asarray(centred @ centred.T / np.outer(norm, norm))


def composite_lines(maps: xr.Dataset) -> list[str]:
    """Up to three families of different elements that tell most apart."""
    lines = _seen(maps)
    return _composite(maps, lines, correlations(maps, lines) if lines else np.zeros((0, 0)))


def _composite(maps: xr.Dataset, lines: list[str], table: Array) -> list[str]:
    if not lines:
        return []
    strength = np.log1p([_contrast(maps, line) for line in lines])
    alike = np.abs(table)
    chosen = [int(np.argmax(strength))]
    while len(chosen) < 3:
        taken = {lines[i].split()[0] for i in chosen}
        worth = strength * (1 - alike[:, chosen].max(axis=1))
        worth[[line.split()[0] in taken for line in lines]] = -1.0
        best = int(np.argmax(worth))
        if worth[best] <= 0:
            break
        chosen.append(best)
    return [lines[i] for i in chosen]


def family_ratios(
    maps: xr.Dataset, most: int = 3, seen: list[str] | None = None
) -> list[tuple[str, str]]:
    """Soft over hard family of one element: low where something covers it."""
    families: dict[str, list[str]] = {}
    for line in _seen(maps) if seen is None else seen:
        families.setdefault(line.split()[0], []).append(line)
    pairs = []
    for labels in families.values():
        ordered = sorted(labels, key=lambda label: _SOFT_FIRST[label.split()[1]])
        pairs += [(soft, hard) for soft, hard in combinations(ordered, 2)]
    common = [
        (int(np.count_nonzero(np.isfinite(fields.ratio(maps, *pair).values))), pair)
        for pair in pairs
    ]
    enough = _SHARE * maps.sizes["y"] * maps.sizes["x"]
    return [pair for count, pair in sorted(common, reverse=True) if count > enough][:most]


def scatter_pairs(maps: xr.Dataset) -> list[tuple[str, str]]:
    """Find the two elements that go together most, and the two that part most."""
    lines = _seen(maps)
    return _pairs(lines, correlations(maps, lines) if lines else np.zeros((0, 0)))


def _pairs(lines: list[str], table: Array) -> list[tuple[str, str]]:
    pairs = [
        (float(table[i, j]), (lines[i], lines[j]))
        for i, j in combinations(range(len(lines)), 2)
        if lines[i].split()[0] != lines[j].split()[0]
    ]
    if not pairs:
        return []
    return list(dict.fromkeys([max(pairs)[1], min(pairs)[1]]))
