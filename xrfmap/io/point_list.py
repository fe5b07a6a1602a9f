"""Scans stored as one long list of points with their positions, laid out as a grid."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.io.axes import AxisPlan
from xrfmap.io.stored import StoredCounts

__all__ = ["ListedCounts", "grid_of_points", "spread"]

SAME_LEVEL = 0.3  # positions closer than this share of a step belong to one row or column
MOST_EMPTY = 0.5  # of a grid, before positions are taken for no grid


def _levels(values: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.float64], Any] | None:
    """Rows (or columns) among positions that stray a little: their means, and each point's."""
    order = np.argsort(values, kind="stable")
    gaps = np.diff(values[order])
    if not np.isfinite(values).all() or gaps.size == 0:
        return None
    largest = gaps.max()
    if largest <= 0:
        return np.asarray([values.mean()]), np.zeros(values.size, dtype=np.intp)
    step = float(np.median(gaps[gaps > 0.1 * largest]))
    number = np.zeros(values.size, dtype=np.intp)
    number[order[1:]] = np.cumsum(gaps > SAME_LEVEL * step)
    sums = np.bincount(number, weights=values)
    return sums / np.bincount(number), number


def grid_of_points(
    y: npt.NDArray[np.float64], x: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64], npt.NDArray[np.float64]] | None:
    """Lay a list of points out as rows and columns.

    Parameters
    ----------
    y, x : ndarray, shape (n,)
        Positions as read back from the stage. [mm]

    Returns
    -------
    tuple or None
        Number of the point for each pixel (y, x), -1 where there is none, and the
        mean positions of rows and columns [mm]; ``None`` if the points make no grid.
    """
    rows, columns = _levels(y), _levels(x)
    if rows is None or columns is None:
        return None
    (at_y, row), (at_x, column) = rows, columns
    if at_y.size * at_x.size * (1 - MOST_EMPTY) > y.size:
        return None
    index = np.full((at_y.size, at_x.size), -1, dtype=np.int64)
    index[row, column] = np.arange(y.size)
    if (index >= 0).sum() != y.size:  # two points on one pixel
        return None
    return index, at_y, at_x


def spread(
    values: npt.NDArray[np.float64] | None, index: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64] | None:
    """Values of listed points as a map; NaN where there is no point."""
    if values is None:
        return None
    return np.asarray(np.append(values.ravel(), np.nan)[index])  # -1 meets the NaN


class ListedCounts(StoredCounts):
    """Counts of listed points as (y, x, channel).

    Parameters
    ----------
    points : StoredCounts
        Counts of shape (1, n, channel).
    index : ndarray of int, shape (y, x)
        From :func:`grid_of_points`.
    """

    def __init__(self, points: StoredCounts, index: npt.NDArray[np.int64]) -> None:
        shape = (*index.shape, points.shape[2])
        super().__init__(points.where, points.field, shape, AxisPlan((0, 1, 2)), points.dtype)
        self.points, self.index = points, index

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box; pixels without a point are zero."""
        wanted = self.index[key[:2]]
        out = np.zeros([k.stop - k.start for k in key], dtype=self.dtype)
        # points lie one after the other along rows or along columns: read such runs
        by_row = _span(wanted)
        by_column = _span(wanted.T)
        lines = wanted if by_row <= by_column else wanted.T
        target = out if by_row <= by_column else out.transpose(1, 0, 2)
        for line, place in zip(lines, target, strict=True):
            here = line >= 0
            if here.any():
                low = int(line[here].min())
                run = self.points[0, low : int(line[here].max()) + 1, key[2]]
                place[here] = run[line[here] - low]
        return out


def _span(lines: npt.NDArray[np.int64]) -> int:
    """Points that have to be read to get all of these lines one by one."""
    high = lines.max(axis=1, initial=-1)
    low = np.where(lines < 0, np.iinfo(np.int64).max, lines).min(
        axis=1, initial=np.iinfo(np.int64).max
    )
    return int(np.where(high >= 0, high - low + 1, 0).sum())
