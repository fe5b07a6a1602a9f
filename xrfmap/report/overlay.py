"""A photograph laid on the grid of a scan."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xrfmap.pictures.register import Placement, place
from xrfmap.report.fields import Grid

__all__ = ["Placement", "for_screen", "lay_on", "place"]

LONGEST = 900  # pixels on the longer side of the overlay: as much as a plate shows


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
