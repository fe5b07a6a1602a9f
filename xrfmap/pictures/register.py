"""Where a photograph, infrared image or radiograph lies on a scan, by control points.

A placement maps places on the scan to pixels of the picture. It states its error: how far a
point that had no part in it is missed. Placing without control points is in
:mod:`xrfmap.pictures.align`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError

__all__ = [
    "NOWHERE",
    "Field",
    "Placement",
    "affine",
    "field_of",
    "picture_on_grid",
    "place",
    "similarity",
]

Array = npt.NDArray[np.float64]
Point = tuple[float, float, float, float]


class Field(Protocol):
    """Edges of a scanned field; y runs downward."""

    @property
    def x0(self) -> float: ...  # noqa: D102 - the names say it
    @property
    def x1(self) -> float: ...  # noqa: D102
    @property
    def y0(self) -> float: ...  # noqa: D102
    @property
    def y1(self) -> float: ...  # noqa: D102
    @property
    def unit(self) -> str: ...  # noqa: D102


@dataclass(frozen=True)
class _Edges:
    x0: float
    x1: float
    y0: float
    y1: float
    unit: str


@dataclass(frozen=True, eq=False)
class Placement:
    """How the pixels of a picture lie on the scan.

    Attributes
    ----------
    matrix : ndarray, shape (2, 3)
        From (x, y, 1) in the scan's unit to (column, row) of the picture.
    words : str
        What the placement rests on, with its error.
    error : float or None
        Root mean square distance by which points that had no part in the placement are
        missed, in the scan's unit; None where nothing checks it.
    method : str
        ``"control points"``, ``"automatic"`` or ``"none"``.
    """

    matrix: Array
    words: str
    error: float | None = None
    method: str = "control points"


NOWHERE: Field = _Edges(0.0, 1.0, 0.0, 1.0, "mm")
"""A field to try control points on before any scan is read."""


def field_of(maps: xr.Dataset) -> Field:
    """Edges of the field of a Dataset with x and y, half a pixel beyond its outer points."""
    edges: list[float] = []
    for name in ("x", "y"):
        places = np.sort(np.asarray(maps[name].values, dtype=np.float64))
        step = float(np.median(np.diff(places))) if places.size > 1 else 1.0
        edges += [float(places[0]) - step / 2, float(places[-1]) + step / 2]
    x0, x1, y0, y1 = edges
    return _Edges(x0, x1, y0, y1, str(maps["x"].attrs.get("units", "mm")))


def place(
    points: Sequence[Point] | None,
    size: tuple[int, int],
    grid: Field,
    object_mm: tuple[float | None, float | None] = (None, None),
    name: str = "picture",
) -> Placement:
    """Find where a picture lies.

    Parameters
    ----------
    points : sequence of (px, py, x, y), optional
        Control points: pixel of the picture, and place on the scan.
    size : tuple of int
        Width and height of the picture. [pixels]
    grid : Field
        The scan: its edges ``x0``, ``x1``, ``y0``, ``y1`` and its ``unit``.
    object_mm : tuple of float or None
        Width and height of the object. [mm]
    name : str
        Name of the picture, for messages.

    Returns
    -------
    Placement
        Affine (three points or more, by least squares), shift, turn and scale (two
        points), or spread over object or scan without any point, which the words tell.
        From four points on each point is predicted from the others; the root mean square
        of what that misses is the error.

    Raises
    ------
    InputError
        If there is a single point, or the points lie on one line or place.
    """
    if not points:
        return _spread(size, grid, object_mm)
    table = np.asarray(points, dtype=np.float64)
    pixels, places = table[:, :2], table[:, 2:]
    if len(table) < 2:
        raise _bad(name, "one control point", "two or more, three to allow for a tilt")
    solve = similarity if len(table) == 2 else affine
    matrix = solve(places, pixels)
    if matrix is None:
        raise _bad(name, "control points on one line or place", "points spread over the picture")
    left = places - _back(matrix, pixels)
    rms = float(np.sqrt(np.mean(np.sum(left**2, axis=1))))
    if len(table) <= 3:
        return Placement(matrix, f"placed by {len(table)} control points, without a check")
    miss = "under 0.01" if rms < 0.01 else f"{rms:.2g}"  # rounding leaves 1e-13 of a perfect fit
    words = f"placed by {len(table)} control points, with an error of {miss} {grid.unit}"
    error = _left_out(places, left)
    if error is None:
        return Placement(matrix, f"{words} (root mean square)")
    told = "under 0.01" if error < 0.01 else f"{error:.2g}"
    words += f", and of {told} {grid.unit} at points left out in turn (root mean squares)"
    return Placement(matrix, words, error)


def _left_out(places: Array, left: Array) -> float | None:
    """Miss of each point when placed by the others, rms: residual over one less its leverage.

    None where one point alone fixes the placement, so that nothing checks it.
    """
    design = np.column_stack([places, np.ones(len(places))])
    leverage = np.sum(np.linalg.qr(design)[0] ** 2, axis=1)
    if leverage.max() > 0.999:
        return None
    missed = left / (1 - leverage)[:, None]
    return float(np.sqrt(np.mean(np.sum(missed**2, axis=1))))


def _bad(name: str, found: str, expected: str) -> InputError:
    return InputError(
        name, "control_points", found=found, expected=expected,
        remedy="add px, py, x_mm, y_mm of points seen in both",
    )  # fmt: skip


def _spread(
    size: tuple[int, int], grid: Field, object_mm: tuple[float | None, float | None]
) -> Placement:
    width, height = object_mm
    if width and height and grid.unit == "mm":
        low, high, what = (0.0, 0.0), (width, height), "the whole object"
    else:
        low, high, what = (grid.x0, grid.y0), (grid.x1, grid.y1), "the scanned field"
    scale = [size[i] / (high[i] - low[i]) for i in (0, 1)]
    matrix = np.array([[scale[0], 0, -scale[0] * low[0]], [0, scale[1], -scale[1] * low[1]]])
    words = f"not aligned: spread over {what}, as there are no control points"
    return Placement(matrix, words, None, "none")


def affine(places: Array, pixels: Array, weights: Array | None = None) -> Array | None:
    """Affine map by least squares, shape (2, 3); None for points on one line or place."""
    design = np.column_stack([places, np.ones(len(places))])
    root = np.ones(len(places)) if weights is None else np.sqrt(weights)
    centred = (places - np.average(places, axis=0, weights=root**2)) * root[:, None]
    weak, strong = np.sort(np.linalg.svd(centred, compute_uv=False))
    if strong == 0 or weak < 1e-3 * strong:
        return None
    return np.asarray(
        np.linalg.lstsq(design * root[:, None], pixels * root[:, None], rcond=None)[0].T
    )


def similarity(places: Array, pixels: Array) -> Array | None:
    """Shift, turn and scale through two points; as complex numbers ``p = a z + b``."""
    z, p = places @ [1, 1j], pixels @ [1, 1j]
    if z[0] == z[1] or p[0] == p[1]:
        return None
    a = (p[1] - p[0]) / (z[1] - z[0])
    b = p[0] - a * z[0]
    return np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag]])


def _back(matrix: Array, pixels: Array) -> Array:
    """Places of pixels: the inverse of the placement."""
    return np.asarray(np.linalg.solve(matrix[:, :2], (pixels - matrix[:, 2]).T).T)


def picture_on_grid(
    picture: npt.NDArray[np.generic], placement: Placement, x: npt.ArrayLike, y: npt.ArrayLike
) -> Array:
    """Mean colour of the picture around each point of a scan.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, 3)
        Whole numbers are divided by the largest of their kind; floats are taken as they are.
    placement : Placement
        From :func:`place` or :func:`xrfmap.pictures.align.align`, for a picture of this size.
    x, y : array_like, shape (columns,) and (rows,)
        Places of the points of the scan.

    Returns
    -------
    ndarray, shape (len(y), len(x)) or (len(y), len(x), 3)
        Means over about one point of the scan; NaN where the picture does not reach.
    """
    from scipy.ndimage import gaussian_filter, map_coordinates

    at_x, at_y = (np.asarray(v, dtype=np.float64) for v in (x, y))
    values = np.asarray(picture)
    largest = float(np.iinfo(values.dtype).max) if values.dtype.kind in "ui" else 1.0
    m = placement.matrix
    steps = [abs(float(np.median(np.diff(v)))) if v.size > 1 else 1.0 for v in (at_x, at_y)]
    point = math.sqrt(abs(np.linalg.det(m[:, :2])) * steps[0] * steps[1])  # [pixels of the picture]
    across = m[0, 0] * at_x[None, :] + m[0, 1] * at_y[:, None] + m[0, 2] - 0.5
    down = m[1, 0] * at_x[None, :] + m[1, 1] * at_y[:, None] + m[1, 2] - 0.5
    on = (across >= -0.5) & (across <= values.shape[1] - 0.5)
    on &= (down >= -0.5) & (down <= values.shape[0] - 0.5)
    bands = []
    for band in np.moveaxis(np.atleast_3d(values), 2, 0):
        # a spot as wide as the step of the scan: what a beam of that size would see
        soft = gaussian_filter(band.astype(np.float32) / largest, 0.42 * point)
        drawn = map_coordinates(soft, [down, across], order=1, mode="nearest")
        bands.append(np.where(on, drawn, np.nan))
    return np.asarray(bands[0] if values.ndim == 2 else np.stack(bands, axis=-1), dtype=np.float64)
