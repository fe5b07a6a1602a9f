"""Several scans of one object as one set of element maps.

Every pixel of the whole is one pixel of one scan, moved by less than half a pixel to the
common grid: counts, errors and limits stay what the fit gave, nothing is interpolated, and
where scans overlap each place is counted once, in the scan in which it lies further from
the edge. (Sums over overlaps would have smaller errors there, and visible steps of them.)
Counting times may differ; rates are comparable by them. Pixel sizes may not: counts of one
pixel cannot be shared out to others without inventing them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.maps.stitch_place import Overlap, Place, find_places, grid_start, grid_step
from xrfmap.numbers import signed
from xrfmap.scan import SCALE_ATTRS
from xrfmap.spectra.faults import EMPTY

__all__ = ["Stitched", "stitch"]

Owner = npt.NDArray[np.int16]

DRIFT_PIXELS = 0.3
"""Pixels by which two grids may part over a whole scan and still count as one pixel size."""

SPARSE = 6.0
"""Times the pixels of all scans that the whole may have; more is a slip in a coordinate."""


@dataclass(frozen=True, eq=False)
class Stitched:
    """Scans put together.

    Attributes
    ----------
    maps : Dataset
        As from :func:`xrfmap.map_elements`, with `tile` (y, x): number of the scan that each
        pixel comes from, -1 for none. A family that was not fitted in a scan is NaN there.
    places : tuple of Place
        Where each scan lies, in the order given.
    overlaps : tuple of Overlap
        What each pair of overlapping scans says.
    notes : tuple of str
        What a reader must know, in plain words.
    """

    maps: xr.Dataset
    places: tuple[Place, ...]
    overlaps: tuple[Overlap, ...]
    notes: tuple[str, ...]

    @property
    def seams(self) -> npt.NDArray[np.bool_]:
        """Pixels whose right or lower neighbour comes from another scan, shape (y, x)."""
        tile = self.maps["tile"].values
        seam = np.zeros(tile.shape, dtype=bool)
        seam[:-1] |= (tile[:-1] != tile[1:]) & (tile[:-1] >= 0) & (tile[1:] >= 0)
        seam[:, :-1] |= (tile[:, :-1] != tile[:, 1:]) & (tile[:, :-1] >= 0) & (tile[:, 1:] >= 0)
        return seam


def stitch(
    tiles: Mapping[str, xr.Dataset],
    *,
    place: Literal["stage", "overlap"] = "overlap",
    stage_error_mm: float = 1.0,
) -> Stitched:
    """Put element maps of several scans of one object together.

    Parameters
    ----------
    tiles : mapping of str to Dataset
        Element maps by the name of their scan, in mm of one coordinate system; variables
        may be lazy and stay so, except `fit_ok`, and the families compared in overlaps.
    place : {"stage", "overlap"}
        Whether the coordinates are taken as they are, or mended by the overlaps.
    stage_error_mm : float
        Standard error of the coordinates; overlaps are searched within three of it. [mm]

    Returns
    -------
    Stitched
        The whole, on the grid of the first scan.

    Raises
    ------
    InputError
        If positions are not in mm, pixel sizes differ, or the scans lie far apart.
    ValueError
        If fewer than two scans are given or `stage_error_mm` is not above 0.
    """
    if len(tiles) < 2:
        raise ValueError(f"stitching needs two or more scans, found {len(tiles)}")
    if not stage_error_mm > 0:
        raise ValueError(f"stage_error_mm must be above 0, found {stage_error_mm:g}")
    ready = _with_beams({name: _upright(name, tile) for name, tile in tiles.items()})
    steps = _common_steps(ready)
    places, overlaps = find_places(ready, stage_error_mm, by_overlap=place == "overlap")
    corners, shape = _corners(ready, places, steps)
    owner = _owners(list(ready.values()), corners, shape)
    maps = _assembled(ready, corners, owner, steps, places)
    return Stitched(maps, tuple(places), tuple(overlaps), tuple(_notes(places, overlaps, place)))


def _upright(name: str, tile: xr.Dataset) -> xr.Dataset:
    for axis in ("y", "x"):
        units = tile[axis].attrs.get("units")
        if units != "mm":
            raise InputError(
                name, axis, found=f"positions in {units or 'no stated unit'}",
                expected="mm, in which scans are laid beside each other",
                remedy="add pixel_mm and origin_mm to the [[scan]] entry",
            )  # fmt: skip
    return tile.sortby(["y", "x"])


def _with_beams(tiles: dict[str, xr.Dataset]) -> dict[str, xr.Dataset]:
    """Give every scan a strength of the beam, 1 where it was steady, if any of them has one."""
    if not any("beam" in tile for tile in tiles.values()):
        return tiles
    steady = {"beam": lambda tile: (("y", "x"), np.ones((tile.sizes["y"], tile.sizes["x"])))}
    return {n: t if "beam" in t else t.assign(steady) for n, t in tiles.items()}


def _common_steps(tiles: Mapping[str, xr.Dataset]) -> dict[str, float]:
    """Pixel size of all scans; refused where it differs."""
    first = next(iter(tiles))
    steps = {axis: grid_step(tiles[first], axis) for axis in ("y", "x")}
    for name, tile in tiles.items():
        for axis, step in steps.items():
            values = tile[axis].values.astype(np.float64)
            even = values[0] + step * np.arange(values.size)
            off = np.abs(values - even).max() if np.isfinite(step) else np.inf
            if not off <= DRIFT_PIXELS * step:
                raise InputError(
                    name, axis,
                    found=f"pixels of {grid_step(tile, axis):.4g} mm",
                    expected=f"{step:.4g} mm in even steps, as in {first}",
                    remedy="stitch scans of one pixel size only: counts of a pixel cannot be "
                           "shared out to pixels of another size without inventing them",
                )  # fmt: skip
    return steps


def _corners(
    tiles: Mapping[str, xr.Dataset], places: Sequence[Place], steps: Mapping[str, float]
) -> tuple[npt.NDArray[np.int64], tuple[int, int]]:
    """Row and column of each scan's first pixel on the grid of the first scan, from 0."""
    first = next(iter(tiles.values()))
    rows = []
    for tile, place in zip(tiles.values(), places, strict=True):
        moved = {"y": place.y_mm, "x": place.x_mm}
        rows.append([
            round((grid_start(tile, a) + moved[a] - grid_start(first, a)) / steps[a])
            for a in ("y", "x")
        ])  # fmt: skip
    corners = np.array(rows, dtype=np.int64)
    corners -= corners.min(axis=0)
    sizes = np.array([[t.sizes["y"], t.sizes["x"]] for t in tiles.values()])
    height, width = (int(n) for n in (corners + sizes).max(axis=0))
    held = int(sizes.prod(axis=1).sum())
    if height * width > SPARSE * held:
        raise InputError(
            ", ".join(tiles), "positions",
            found=f"scans so far apart that {1 - held / (height * width):.0%} would be empty",
            expected="scans of one object that lie beside each other",
            remedy="correct origin_mm of the [[scan]] entries",
        )  # fmt: skip
    return corners, (height, width)


def _owners(
    tiles: Sequence[xr.Dataset], corners: npt.NDArray[np.int64], shape: tuple[int, int]
) -> Owner:
    """Scan that each pixel is taken from: the one in which it lies furthest from the edges."""
    owner = np.full(shape, -1, dtype=np.int16)
    depth = np.zeros(shape, dtype=np.int64)
    for number, (tile, (top, left)) in enumerate(zip(tiles, corners.tolist(), strict=True)):
        good = tile["fit_ok"].transpose("y", "x").values.astype(bool)
        # the product of both distances parts an overlap along its middle, up to the corners
        down, across = (np.minimum(np.arange(1, n + 1), np.arange(n, 0, -1)) for n in good.shape)
        # a dead pixel leaves its place to another scan
        mine = np.where(good, down[:, None] * across[None, :], 0)
        rows, columns = slice(top, top + good.shape[0]), slice(left, left + good.shape[1])
        better = mine > depth[rows, columns]
        owner[rows, columns][better] = number
        depth[rows, columns][better] = mine[better]
    return owner


def _assembled(
    tiles: Mapping[str, xr.Dataset], corners: npt.NDArray[np.int64], owner: Owner,
    steps: Mapping[str, float], places: Sequence[Place],
) -> xr.Dataset:  # fmt: skip
    names = _common_variables(list(tiles.values()))
    lines = _all_lines(list(tiles.values()))
    first = next(iter(tiles.values()))
    whole: dict[str, xr.DataArray] = {}
    source = xr.DataArray(owner, dims=("y", "x"))
    for number, (tile, corner) in enumerate(zip(tiles.values(), corners.tolist(), strict=True)):
        part = tile[names].reindex(line=lines)
        part = part.drop_vars([c for c in part.coords if c != "line"])
        for name in names:
            moved = _padded(part[name], corner, owner.shape)
            base = whole.get(name, _nothing(moved))
            whole[name] = moved.where(source == number, base)
    maps = xr.Dataset({n: whole[n].transpose(*first[n].dims) for n in names})
    for name in names:
        maps[name].attrs = dict(first[name].attrs)
    for axis, index in (("y", 0), ("x", 1)):
        start = grid_start(first, axis) - steps[axis] * int(corners[0, index])
        values = start + steps[axis] * np.arange(owner.shape[index])
        maps = maps.assign_coords({axis: (axis, values, {"units": "mm"})})
    about = {"units": "1", "meaning": "scan that the pixel comes from; -1 for none"}
    maps["tile"] = (("y", "x"), owner, about)
    maps.attrs = _attrs(first, tiles, places)
    return maps


def _padded(part: xr.DataArray, corner: Sequence[int], shape: Sequence[int]) -> xr.DataArray:
    width = {
        axis: (corner[i], shape[i] - corner[i] - part.sizes[axis])
        for i, axis in enumerate(("y", "x"))
    }
    return part.pad(width, constant_values=_blank(part))


def _blank(part: xr.DataArray) -> Any:
    """Value where no scan is: NaN, False, or the state of a pixel without counts."""
    if part.dtype.kind == "f":
        return np.nan
    return False if part.dtype.kind == "b" else part.dtype.type(EMPTY)


def _nothing(like: xr.DataArray) -> xr.DataArray:
    return xr.full_like(like, _blank(like))


def _common_variables(tiles: Sequence[xr.Dataset]) -> list[str]:
    """Variables of all scans that lie on their pixels."""
    return [
        str(name)
        for name, held in tiles[0].data_vars.items()
        if {"y", "x"} <= set(held.dims) <= {"line", "y", "x"} and all(name in t for t in tiles)
    ]


def _all_lines(tiles: Sequence[xr.Dataset]) -> list[str]:
    """Families of any scan, those of all scans first."""
    names = [[str(line) for line in tile["line"].values] for tile in tiles]
    every = list(dict.fromkeys(line for held in names for line in held))
    return sorted(every, key=lambda line: -sum(line in held for held in names))


def _attrs(
    first: xr.Dataset, tiles: Mapping[str, xr.Dataset], places: Sequence[Place]
) -> dict[str, Any]:
    # the energy scale of one scan is not that of the others
    scale = {*SCALE_ATTRS, *(f"{name}_err" for name in SCALE_ATTRS), "components"}
    attrs = {str(k): v for k, v in first.attrs.items() if k not in scale}
    attrs["source"] = ", ".join(tiles)
    attrs["stitched_from"] = json.dumps([asdict(place) for place in places])
    return attrs


def _notes(places: Sequence[Place], overlaps: Sequence[Overlap], how: str) -> list[str]:
    notes = [
        f"{p.name} lies {signed(p.x_mm, 2)} ± {p.x_err_mm:.2f} mm in x and {signed(p.y_mm, 2)} ± "
        f"{p.y_err_mm:.2f} mm in y from where its coordinates put it, by the overlaps."
        for p in places[1:]
        if how == "overlap"
    ]
    for o in overlaps:
        pair = f"{o.first} and {o.second}"
        if o.x_mm is None or o.y_mm is None:
            notes.append(f"The overlap of {pair} shows no structure that would tell their place.")
        elif how == "stage":
            notes.append(
                f"By their overlap {o.second} lies {signed(o.x_mm, 2)} ± {o.x_err_mm:.2f} mm in x "
                f"and {signed(o.y_mm, 2)} ± {o.y_err_mm:.2f} mm in y against {o.first}; "
                "coordinates were taken as they are."
            )
        if abs(o.rate_ratio - 1) > max(3 * o.rate_ratio_err, 0.01):
            notes.append(
                f"In the overlap {o.second} shows {signed(100 * (o.rate_ratio - 1))} ± "
                f"{100 * o.rate_ratio_err:.1f} % of {o.family} counts per second against "
                f"{o.first}; nothing was scaled, so a step may show at the seam."
            )
    return notes
