"""Areas of a scan: which pixels they hold, and the spectra summed over them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.lazy import map_blocks
from xrfmap.numbers import whole
from xrfmap.settings import Area, AreaSettings
from xrfmap.spectra.flicker import exposure
from xrfmap.spectra.left_out import LEFT_OUT, Tops
from xrfmap.spectra.row_scales import RowScales
from xrfmap.spectra.sums import scan_sums

__all__ = [
    "area_mask",
    "line_shares",
    "outside_share",
    "polygon_mask",
    "polygon_surface",
    "sum_areas",
]

Sums = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Polygon = Sequence[tuple[float, float]]


def polygon_mask(x_mm: npt.ArrayLike, y_mm: npt.ArrayLike, polygon: Polygon) -> Mask:
    """Pixels whose centre lies inside a polygon (even-odd rule).

    Parameters
    ----------
    x_mm, y_mm : array_like, shapes (nx,) and (ny,)
        Centres of the columns and rows, rising or falling. [mm]
    polygon : sequence of (x, y)
        Corners in order; the last one is joined to the first. [mm]

    Returns
    -------
    ndarray of bool, shape (ny, nx)
        True inside. A centre on an edge belongs to exactly one of two polygons
        that share the edge, so that neighbours never count a pixel twice.

    Raises
    ------
    ValueError
        If there are fewer than three corners or one is not finite.

    Notes
    -----
    A ray to the right of each centre crosses the outline an odd number of times
    if the centre is inside; an edge owns its lower end and not its upper one.
    """
    corners = np.asarray(polygon, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3:
        raise ValueError(f"a polygon needs three or more corners (x, y), found {corners.shape}")
    if not np.isfinite(corners).all():
        raise ValueError("corners of a polygon must be finite")
    x = np.asarray(x_mm, dtype=np.float64)[None, :]
    y = np.asarray(y_mm, dtype=np.float64)
    inside = np.zeros((y.size, x.size), dtype=bool)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        rows = (y0 <= y) != (y1 <= y)
        if y0 == y1 or not rows.any():
            continue
        # From the lower end always, so that two polygons that share an edge in
        # opposite directions get the same crossing to the last bit.
        (xa, ya), (xb, yb) = ((x0, y0), (x1, y1)) if y0 < y1 else ((x1, y1), (x0, y0))
        crossing = xa + (y[rows] - ya) * ((xb - xa) / (yb - ya))
        inside[rows] ^= x < crossing[:, None]
    return inside


def polygon_surface(polygon: Polygon) -> float:
    """Surface of a polygon that does not cross itself.

    Parameters
    ----------
    polygon : sequence of (x, y)
        Corners in order. [mm]

    Returns
    -------
    float
        Surface by the trapezoid ("shoelace") formula. [mm2]
    """
    x, y = np.asarray(polygon, dtype=np.float64).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def _step(axis: npt.NDArray[np.float64]) -> float:
    return float(np.median(np.abs(np.diff(axis)))) if axis.size > 1 else 0.0


def outside_share(scan: xr.Dataset, polygon: Polygon) -> float:
    """Share of a polygon's surface that the scan does not cover.

    Parameters
    ----------
    scan : Dataset
        With coordinates `x` and `y`. [mm]
    polygon : sequence of (x, y)
        Corners in order. [mm]

    Returns
    -------
    float
        0 where the polygon lies on the scan, 1 where it misses it; edge pixels
        reach half a step beyond their centres.

    Notes
    -----
    Sampled on a grid of 200 by 200 over the polygon's own extent, so good to
    about one part in a hundred: this decides on a remark, not on a number.
    """
    corners = np.asarray(polygon, dtype=np.float64)
    low, high = corners.min(axis=0), corners.max(axis=0)
    fine = (np.arange(200) + 0.5) / 200
    x, y = (low[i] + fine * (high[i] - low[i]) for i in (0, 1))
    inside = polygon_mask(x, y, polygon)
    covered = np.ones_like(inside)
    for name, axis, view in (("x", x, np.s_[None, :]), ("y", y, np.s_[:, None])):
        centres = scan[name].values.astype(np.float64)
        half = _step(centres) / 2
        on = (axis >= centres.min() - half) & (axis <= centres.max() + half)
        covered &= on[view]
    total = int(inside.sum())
    return 1.0 - float((inside & covered).sum()) / total if total else 0.0


def area_mask(
    scan: xr.Dataset,
    area: Area,
    image: npt.NDArray[np.generic] | None = None,
    settings: AreaSettings | None = None,
) -> Mask:
    """Pixels of one area of a study.

    Parameters
    ----------
    scan : Dataset
        With coordinates `x` and `y`. [mm]
    area : Area
        With a polygon, or with a mask whose picture is given as `image`.
    image : ndarray, shape (y, x) or (y, x, bands), optional
        The mask picture; any value other than zero is inside.
    settings : AreaSettings, optional
        Fewest pixels that make an area.

    Returns
    -------
    ndarray of bool, shape (y, x)
        True inside.

    Raises
    ------
    InputError
        If the scan has no positions in mm, the picture has another size, or
        fewer pixels than asked for lie inside.
    """
    settings = settings or AreaSettings()
    source = str(scan.attrs.get("source", "scan"))
    if area.polygon_mm is not None:
        mask = _from_polygon(scan, area, area.polygon_mm, source)
    elif image is not None:
        mask = _from_image(scan, area, image, source)
    else:
        raise ValueError(f"area {area.name!r} has neither polygon nor mask picture")
    if int(mask.sum()) < settings.min_pixels:
        spans = ", ".join(f"{n} {_span(scan, n)}" for n in ("x", "y"))
        raise InputError(
            source,
            f"area {area.name}",
            found=f"{whole(int(mask.sum()))} pixels of the scan inside {_shown(area)}",
            expected=f"{whole(settings.min_pixels)} or more; the scan covers {spans}",
            remedy="correct the corners (x before y, in mm) or the scan's pixel_mm and origin_mm",
        )
    return mask


def _span(scan: xr.Dataset, name: str) -> str:
    values = scan[name].values
    return f"{values.min():g} to {values.max():g} {scan[name].attrs.get('units', 'mm')}"


def _shown(area: Area) -> str:
    if area.polygon_mm is None:
        return f"mask {area.mask}"
    low, high = np.min(area.polygon_mm, axis=0), np.max(area.polygon_mm, axis=0)
    return f"a polygon with x {low[0]:g} to {high[0]:g} mm, y {low[1]:g} to {high[1]:g} mm"


def _from_polygon(scan: xr.Dataset, area: Area, polygon: Polygon, source: str) -> Mask:
    for name in ("x", "y"):
        units = scan[name].attrs.get("units")
        if units != "mm":
            raise InputError(
                source,
                name,
                found=f"positions in {units or 'no stated unit'}",
                expected=f'mm, since area "{area.name}" is drawn in mm',
                remedy="add pixel_mm = [x, y] to the [[scan]] entry of the study",
            )
    return polygon_mask(scan["x"].values, scan["y"].values, polygon)


def _from_image(scan: xr.Dataset, area: Area, image: npt.NDArray[np.generic], source: str) -> Mask:
    shape = (scan.sizes["y"], scan.sizes["x"])
    if image.shape[:2] != shape or image.ndim not in (2, 3):
        raise InputError(
            str(area.mask),
            f"area {area.name}",
            found=f"a picture of {' x '.join(map(whole, image.shape[:2]))} (rows x columns)",
            expected=f"{whole(shape[0])} x {whole(shape[1])}, the size of {source}",
            remedy="draw the mask on the scan's own grid, one picture pixel per scan pixel",
        )
    return np.asarray((image.reshape(*shape, -1) != 0).any(axis=-1), dtype=bool)


def sum_areas(scan: xr.Dataset, masks: Mapping[str, Mask]) -> xr.Dataset:
    """Sum spectra of several areas in one pass over the scan.

    Parameters
    ----------
    scan : Dataset
        `counts` (y, x, channel), which may be lazy, and `live_time` (y, x) [s].
    masks : mapping of str to ndarray of bool, shape (y, x)
        One mask per area; they may overlap.

    Returns
    -------
    Dataset
        Dims area, channel: `counts` [counts], `live_time` (area) [s], NaN where the
        live time of a pixel is unknown, `pixels` (area). Attributes and the
        `energy` coordinate are those of the scan. Where its beam wavered also `exposure`
        (area) [s], live time at the usual strength; where its gain drifted
        `row_counts` (area, y) and `scale_counts` (area, scale, channel) [counts], for the
        fit: what each row brought, and the spectrum of each group of rows of like scale.
        Where pixels ran full `left_out` (area, channel): channels that the fit should not
        look at, see :class:`xrfmap.spectra.left_out.Tops`.

    Raises
    ------
    ValueError
        If a mask has another shape than the scan.

    Notes
    -----
    Blocks without a marked pixel are not read, and nothing where the masks hold the whole
    scan and its sums are known. Sums of whole counts are exact below 2**53.
    """
    shape = (scan.sizes["y"], scan.sizes["x"])
    for name, mask in masks.items():
        if mask.shape != shape:
            raise ValueError(f"mask of {name!r} has shape {mask.shape}, scan has {shape}")
    inside = np.array([mask for mask in masks.values()], dtype=bool).reshape(len(masks), *shape)
    drift = RowScales.of(scan)
    group = np.zeros(shape[0], np.intp) if drift is None else drift.sum_groups()
    if inside.size and inside.all():
        by_scale, by_row, full = _sums_of_all(scan, len(masks), group)
    else:
        by_scale, by_row, full = _sums_of_masks(scan, inside, group, by_row=drift is not None)
    live = [float(scan["live_time"].values[mask].sum()) for mask in masks.values()]
    exposed = exposure(scan) if "beam" in scan else None
    result = xr.Dataset(
        {
            "counts": (("area", "channel"), by_scale.sum(axis=1), {"units": "counts"}),
            "live_time": ("area", np.array(live, dtype=np.float64), {"units": "s"}),
            "pixels": ("area", inside.sum(axis=(1, 2), dtype=np.int64)),
        },
        coords={"area": list(masks)},
        attrs=dict(scan.attrs),
    )
    if full.any():
        result[LEFT_OUT] = (("area", "channel"), full)
    if "energy" in scan.coords:
        result = result.assign_coords(energy=scan["energy"])
    if exposed is not None and exposed.attrs["units"] == "s":
        time = exposed.transpose("y", "x").values
        seconds = np.array([float(time[mask].sum()) for mask in masks.values()])
        result["exposure"] = ("area", seconds, {"units": "s"})
    if drift is not None:
        result["row_counts"] = (("area", "y"), by_row, {"units": "counts"})
        result["scale_counts"] = (("area", "scale", "channel"), by_scale, {"units": "counts"})
    return result


def _sums_of_masks(
    scan: xr.Dataset, inside: Mask, group: npt.NDArray[np.intp], *, by_row: bool
) -> tuple[Sums, Sums, Mask]:
    """Sum masks (area, y, x) up by group of rows (area, group, channel) and row (area, y).

    Third come the channels (area, channel) that a fit should leave out. Without `by_row`
    the second is zero.
    """
    counts = scan["counts"].transpose("y", "x", "channel")
    areas, channels = len(inside), counts.shape[2]
    row_totals = np.zeros((areas, len(group)))
    by_scale = np.zeros((areas, int(group.max()) + 1, channels))
    tops = [Tops.none(channels) for _ in inside]

    def work(
        rows: slice, columns: slice, block: npt.NDArray[np.generic]
    ) -> tuple[list[tuple[int, int, Sums, Tops]], Sums | None]:
        part = inside[:, rows, columns]
        sums = []
        for number, mine in enumerate(part):
            for one in np.unique(group[rows]) if mine.any() else ():
                pixels = block[mine & (group[rows] == one)[:, None]]
                if len(pixels):
                    total = pixels.sum(axis=0, dtype=np.float64)
                    sums.append((number, int(one), total, Tops.of(pixels)))
        of_rows = (part * block.sum(axis=2, dtype=np.float64)).sum(axis=2) if by_row else None
        return sums, of_rows

    wanted = np.asarray(inside.any(axis=0))
    for rows, _, (sums, of_rows) in map_blocks(counts, work, wanted):
        for number, one, spectrum, top in sums:
            by_scale[number, one] += spectrum
            tops[number] = tops[number].joined(top)
        if of_rows is not None:
            row_totals[:, rows] += of_rows
    totals = by_scale.sum(axis=1)
    full = [top.full(counts.dtype, total) for top, total in zip(tops, totals, strict=True)]
    return by_scale, row_totals, np.array(full, dtype=bool).reshape(areas, channels)


def _sums_of_all(
    scan: xr.Dataset, areas: int, group: npt.NDArray[np.intp]
) -> tuple[Sums, Sums, Mask]:
    """Give the same for areas that each hold the whole scan, from its sums."""
    sums = scan_sums(scan.transpose("y", "x", "channel"))
    rows = sums.rows.astype(np.float64)
    by_scale = np.zeros((int(group.max()) + 1, rows.shape[1]))
    np.add.at(by_scale, group, rows)
    return (
        np.repeat(by_scale[None], areas, axis=0),
        np.repeat(rows.sum(axis=1)[None], areas, axis=0),
        np.repeat(sums.full[None], areas, axis=0),
    )


def line_shares(maps: xr.Dataset, mask: Mask) -> dict[str, float]:
    """Share of an area's pixels in which each line family is above its threshold.

    Parameters
    ----------
    maps : Dataset
        `net_counts`, `decision_threshold` (line, y, x), `fit_ok` (y, x).
    mask : ndarray of bool, shape (y, x)
        The area.

    Returns
    -------
    dict
        Line family to share, 0 to 1; NaN where no pixel of the area was fitted.

    Notes
    -----
    With the usual 5 % risk about 5 % of the pixels of an empty area pass their
    threshold, so a share near 0.05 says nothing.
    """
    good = mask & maps["fit_ok"].values.astype(bool)
    shares: dict[str, float] = {}
    for index, line in enumerate(maps["line"].values):  # one by one: large maps stay in their file
        one = maps[["net_counts", "decision_threshold"]].isel(line=index).transpose("y", "x")
        net, threshold = (one[name].values[good] for name in one.data_vars)
        shares[str(line)] = float((net > threshold).mean()) if net.size else float("nan")
    return shares
