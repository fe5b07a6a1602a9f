"""A photograph laid on the grid of a scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.report.fields import Grid

__all__ = ["Placement", "for_screen", "lay_on", "place"]

Array = npt.NDArray[np.float64]
Point = tuple[float, float, float, float]

LONGEST = 900  # pixels on the longer side of the overlay: as much as a plate shows


@dataclass(frozen=True, eq=False)
class Placement:
    """How the pixels of a picture lie on the scan.

    Attributes
    ----------
    matrix : ndarray, shape (2, 3)
        From (x, y, 1) in the scan's unit to (column, row) of the picture.
    words : str
        What the placement rests on, with its error.
    """

    matrix: Array
    words: str


def place(
    points: Sequence[Point] | None,
    size: tuple[int, int],
    grid: Grid,
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
    grid : Grid
        The scan.
    object_mm : tuple of float or None
        Width and height of the object. [mm]
    name : str
        Name of the picture, for messages.

    Returns
    -------
    Placement
        Affine (three points or more, by least squares), shift, turn and scale (two
        points), or spread over object or scan without any point, which the words tell.

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
    solve = _similarity if len(table) == 2 else _affine
    matrix = solve(places, pixels)
    if matrix is None:
        raise _bad(name, "control points on one line or place", "points spread over the picture")
    left = places - _back(matrix, pixels)
    rms = float(np.sqrt(np.mean(np.sum(left**2, axis=1))))
    if len(table) <= 3:
        return Placement(matrix, f"placed by {len(table)} control points, without a check")
    miss = "under 0.01" if rms < 0.01 else f"{rms:.2g}"  # rounding leaves 1e-13 of a perfect fit
    words = f"placed by {len(table)} control points, which it misses by {miss} {grid.unit} (rms)"
    return Placement(matrix, words)


def _bad(name: str, found: str, expected: str) -> InputError:
    return InputError(
        name, "control_points", found=found, expected=expected,
        remedy="add px, py, x_mm, y_mm of points seen in both",
    )  # fmt: skip


def _spread(
    size: tuple[int, int], grid: Grid, object_mm: tuple[float | None, float | None]
) -> Placement:
    width, height = object_mm
    if width and height and grid.unit == "mm":
        low, high, what = (0.0, 0.0), (width, height), "the whole object"
    else:
        low, high, what = (grid.x0, grid.y0), (grid.x1, grid.y1), "the scanned field"
    scale = [size[i] / (high[i] - low[i]) for i in (0, 1)]
    matrix = np.array([[scale[0], 0, -scale[0] * low[0]], [0, scale[1], -scale[1] * low[1]]])
    return Placement(matrix, f"not aligned: spread over {what}, as there are no control points")


def _affine(places: Array, pixels: Array) -> Array | None:
    design = np.column_stack([places, np.ones(len(places))])
    centred = places - places.mean(axis=0)
    weak, strong = np.sort(np.linalg.svd(centred, compute_uv=False))
    if strong == 0 or weak < 1e-3 * strong:
        return None
    return np.asarray(np.linalg.lstsq(design, pixels, rcond=None)[0].T)


def _similarity(places: Array, pixels: Array) -> Array | None:
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


def lay_on(
    picture: npt.NDArray[np.uint8], placement: Placement, grid: Grid, longest: int = LONGEST
) -> npt.NDArray[np.uint8]:
    """Picture resampled over the field of a scan.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns, 3)
        The picture.
    placement : Placement
        From :func:`place`, for a picture of this size.
    grid : Grid
        The field.
    longest : int
        Longer side of the result. [pixels]

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 4)
        Red, green, blue and opacity; clear where the picture does not reach.
    """
    from scipy.ndimage import map_coordinates

    width, height = grid.x1 - grid.x0, grid.y1 - grid.y0
    scale = longest / max(width, height)
    rows, columns = (max(1, round(side * scale)) for side in (height, width))
    x = grid.x0 + (np.arange(columns) + 0.5) * width / columns
    y = grid.y0 + (np.arange(rows) + 0.5) * height / rows
    m = placement.matrix
    # pixel 0 reaches from 0 to 1, so that its middle is at 0.5
    across = m[0, 0] * x[None, :] + m[0, 1] * y[:, None] + m[0, 2] - 0.5
    down = m[1, 0] * x[None, :] + m[1, 1] * y[:, None] + m[1, 2] - 0.5
    result = np.zeros((rows, columns, 4), np.uint8)
    for band in range(3):
        result[..., band] = map_coordinates(
            picture[..., band], [down, across], order=1, mode="nearest", output=np.uint8
        )
    tall, wide = picture.shape[:2]
    on = (across >= -0.5) & (across <= wide - 0.5) & (down >= -0.5) & (down <= tall - 0.5)
    result[..., 3] = np.where(on, 255, 0)
    return result


def for_screen(
    picture: npt.NDArray[np.generic], longest: int = 2 * LONGEST
) -> tuple[npt.NDArray[np.uint8], float]:
    """Picture in eight bits and three colours, not larger than a screen needs.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, 3)
        As from :func:`xrfmap.io.images.read_image`. Grey of more than eight bits is
        stretched from its darkest to its lightest value.
    longest : int
        Longer side of the result, about. [pixels]

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        Means over square blocks.
    float
        Pixels of the result per pixel of the picture, at most 1.
    """
    step = max(1, max(picture.shape[:2]) // longest)
    step = min(step, *picture.shape[:2])
    rows, columns = (side // step for side in picture.shape[:2])
    small = np.empty((rows, columns, *picture.shape[2:]), dtype=np.float32)
    for row in range(rows):  # a row of blocks at a time keeps the memory small
        band = np.asarray(picture[row * step : (row + 1) * step, : columns * step], np.float32)
        small[row] = band.reshape(step, columns, step, *picture.shape[2:]).mean(axis=(0, 2))
    if picture.dtype != np.uint8:
        low, high = float(np.nanmin(small)), float(np.nanmax(small))
        small = (np.nan_to_num(small, nan=low) - low) * (255 / (high - low) if high > low else 0)
    eight = np.round(small).astype(np.uint8)
    return (eight if eight.ndim == 3 else np.stack([eight] * 3, axis=-1)), 1 / step
