"""Blocks of areas from element maps alone, where the counts are not at hand.

Errors that all pixels of an area share are taken from the tables beside the maps
(:mod:`xrfmap.maps.shared_errors`). What the sum spectrum of an area would say of them is not
known here: line ratios may be off by a standard deviation in either area, and all that the whole
scan leaves room for may lie in one of them. So less is told apart than with the scan at hand: of
small areas, of what lies beside a strong family, and of the strong family itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.areas.blocks import BLOCKS, FEWEST_PIXELS, AreaBlocks, cut, exposures, touching
from xrfmap.areas.owed import SURE
from xrfmap.maps.shared_errors import BESIDE, FULL_NAME, why_without
from xrfmap.numbers import whole
from xrfmap.spectra.faults import FULL

__all__ = ["blocks_from_maps"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

BELOW_ZERO = (2 / np.pi) ** 0.5
"""Mean of what lies below zero, in standard errors, of a pixel without the family: the most that
cutting it off adds to the mean, as pixels with the family lie less far below zero."""

FIT_BIAS = 0.3
"""Bias of a pixel's fit, in its errors, times the root of its counts. It is of the second order
and falls as that root rises. Simulated: 0.03 errors of lead L at 35 counts a pixel, which is 0.2;
at 90 counts and more it was lost in the scatter of 20 000 pixels."""

AT_BOUND = 0.04
"""Share of what others feign in a pixel to which that is known from its map."""


def blocks_from_maps(maps: xr.Dataset, masks: Mapping[str, Mask]) -> dict[str, AreaBlocks]:
    """Blocks of areas from element maps alone.

    Parameters
    ----------
    maps : Dataset
        As from :func:`xrfmap.map_elements`, of one scan.
    masks : mapping of str to ndarray of bool, shape (y, x)
        The areas; pixels that are not `fit_ok` are left out.

    Returns
    -------
    dict
        As from :func:`xrfmap.areas.blocks.blocks_from_scan`. Maps are cut at zero, so that sums
        of a faint family are too large, by at most :data:`BELOW_ZERO` errors of each pixel at
        zero: half of that is taken off and stands as an error of the area.

    Raises
    ------
    ValueError
        If the maps do not hold what their pixels may be wrong about alike.
    """
    lacking = why_without(maps)
    if lacking:
        raise ValueError(f"areas cannot be compared from these maps: {lacking}")
    usable = maps["fit_ok"].transpose("y", "x").values.astype(bool)
    inside = {name: mask & usable for name, mask in masks.items()}
    return {
        name: _blocks(maps, name, mask)
        for name, mask in inside.items()
        if int(mask.sum()) >= FEWEST_PIXELS
    }


@dataclass(frozen=True, eq=False)
class _Shared:
    """Tables of the maps, families in the order of the maps."""

    feigned: Array  # (families, families)
    full: Array  # (families, families), in pixels with full channels
    share: Array  # (families,)
    hidden: Array  # (families,) [counts]

    @classmethod
    def of(cls, maps: xr.Dataset) -> _Shared:
        lines = [str(line) for line in maps["line"].values]

        def square(name: str) -> Array:
            held = maps[name].transpose("line", BESIDE).sel({BESIDE: lines})
            return np.asarray(held.values, dtype=np.float64)

        feigned = square("feigned_share")
        full = square(FULL_NAME) if FULL_NAME in maps else feigned
        share, hidden = (
            np.asarray(maps[name].values, np.float64) for name in ("hidden_share", "hidden_counts")
        )
        return cls(feigned, full, share, hidden)


class _Sums(NamedTuple):
    """Sums over the pixels of a block, each of shape (families,). [counts], but the variance."""

    net: Array  # half of `below` taken off
    variance: Array
    below: Array  # the most that cutting at zero may have added
    bias: Array  # of the fits of single pixels, as a standard deviation
    counts: Array  # of the pixels above zero
    in_full: Array  # the same in pixels with full channels

    @classmethod
    def of(cls, net: Array, error: Array, total: Array, full: Mask, shared: _Shared) -> _Sums:
        """Sum up pixels: net counts and errors, shape (families, pixels), and total counts."""
        counting = _counting(net, error, full, shared)
        at_zero = net <= 0
        many = np.maximum(at_zero.sum(axis=1), 1)
        usual = np.sqrt((np.where(at_zero, counting, 0.0) ** 2).sum(axis=1) / many)
        below = BELOW_ZERO * np.where(at_zero, np.maximum(counting, usual[:, None]), 0.0)
        bias = FIT_BIAS * counting / np.sqrt(np.maximum(total, 1.0))
        counts = np.maximum(np.nan_to_num(net), 0.0)
        return cls(
            (net - below / 2).sum(axis=1), (counting**2).sum(axis=1), below.sum(axis=1),
            bias.sum(axis=1), counts.sum(axis=1), counts[:, full].sum(axis=1),
        )  # fmt: skip


def _blocks(maps: xr.Dataset, name: str, inside: Mask) -> AreaBlocks:
    labels, shared, full = cut(inside), _Shared.of(maps), _full(maps, inside)
    families, places = tuple(str(line) for line in maps["line"].values), labels[inside]
    # line by line, as large maps stay in their file
    net, error = (
        np.stack([
            maps[field].isel(line=k).transpose("y", "x").values[inside]
            for k in range(len(families))
        ])
        for field in ("net_counts", "net_counts_err")
    )  # fmt: skip
    total = maps["total_counts"].transpose("y", "x").values[inside].astype(np.float64)
    parts = [
        _Sums.of(net[:, at].astype(np.float64), error[:, at].astype(np.float64), total[at],
                 full[at], shared)
        for at in (places == block for block in range(BLOCKS))
    ]  # fmt: skip
    sums = _Sums(*(np.stack(fields) for fields in zip(*parts, strict=True)))
    whole_area = _Sums(*(field.sum(axis=0) for field in sums))
    above = whole_area.below / 2
    most = np.maximum(whole_area.net, 0.0) + SURE * np.sqrt(whole_area.variance)
    owed = np.sqrt(np.fmin(shared.hidden, most) ** 2 + above**2 + whole_area.bias**2)
    leakage, own = _in_area(whole_area, shared)
    exposed, unit = exposures(maps, labels, BLOCKS)
    return AreaBlocks(
        name, families, sums.net, sums.variance, exposed, unit, touching(labels), places.size,
        leakage, tuple(f for f, n in zip(families, whole_area.net, strict=True) if np.isnan(n)),
        own if full.any() else None, f"in {whole(int(full.sum()))} pixels" if full.any() else "",
        owed, above=above,
    )  # fmt: skip


def _full(maps: xr.Dataset, inside: Mask) -> Mask:
    """Tell which pixels of an area were fitted without full channels, shape (pixels,)."""
    if "pixel_state" not in maps:
        return np.zeros(int(inside.sum()), dtype=bool)
    return np.asarray(maps["pixel_state"].transpose("y", "x").values[inside] == FULL)


def _counting(net: Array, error: Array, full: Mask, shared: _Shared) -> Array:
    """Take what others feign out of the error of each pixel, shape (families, pixels)."""
    known, feigned = np.nan_to_num(net), np.empty_like(error)
    own = np.diag_indices(len(net))
    # without full channels a family rests on its own line ratios, too
    for table, itself, pixels in ((shared.feigned, 0.0, ~full), (shared.full, 1.0, full)):
        square = np.nan_to_num(table) ** 2
        square[own] = itself * square[own] + shared.share**2
        feigned[:, pixels] = square @ known[:, pixels] ** 2
    # counts are whole, so that even none has an error of one; and where a neighbour is at zero,
    # what is feigned was worked out with up to 2 % other counts than those of the map
    least = np.minimum(error**2, np.maximum(AT_BOUND * feigned, 1.0))
    return np.asarray(np.sqrt(np.maximum(error**2 - feigned, least)))


def _in_area(sums: _Sums, shared: _Shared) -> tuple[Array, Array]:
    """Leakage of an area, and relative errors of families that rest on their line ratios.

    Means of the tables for pixels with and without full channels, by the counts of the family
    that feigns.
    """
    part = sums.in_full / np.where(sums.counts > 0, sums.counts, 1.0)
    there = np.nan_to_num(shared.full)
    leakage = shared.feigned * (1 - part) + there * part
    before = np.diag(shared.feigned)
    own = np.abs(np.diag(there) - before) * part
    leakage[np.diag_indices_from(leakage)] = before
    return leakage, own
