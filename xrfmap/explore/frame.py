"""Where the pixels of a scan lie on the page, and which part of a map is sent to it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import ceil, floor, isfinite, sqrt

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.report.fields import Grid, grid
from xrfmap.report.pixels import coarsen

__all__ = ["PATCH_PIXELS", "Frame", "Patch", "cut"]

Array = npt.NDArray[np.float64]

PATCH_PIXELS = 250_000
"""Most pixels of one map that are sent at a time: what a plate on a screen can show."""


@dataclass(frozen=True, eq=False)
class Frame:
    """Positions of a scan's pixels, with y downward and x to the right on the page.

    Attributes
    ----------
    grid : Grid
        Edges of the field, in the order of the page.
    x, y : ndarray, shapes (nx,) and (ny,)
        Pixel centres in the order of the scan. [`grid.unit`]
    """

    grid: Grid
    x: Array
    y: Array

    @classmethod
    def of(cls, scan: xr.Dataset) -> Frame:
        """Frame of a scan or of its maps."""
        x, y = (np.asarray(scan[name].values, dtype=np.float64) for name in ("x", "y"))
        return cls(grid(scan), x, y)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.grid.rows, self.grid.columns

    @cached_property
    def step(self) -> tuple[float, float]:
        """Width and height of a pixel, in the unit of the grid."""
        g = self.grid
        return (g.x1 - g.x0) / g.columns, (g.y1 - g.y0) / g.rows

    def pixel_at(self, x: float, y: float) -> tuple[int, int] | None:
        """Row and column *of the scan* under a place of the page; None off the scan."""
        if not (isfinite(x) and isfinite(y)):
            return None
        g, (dx, dy) = self.grid, self.step
        column, row = floor((x - g.x0) / dx), floor((y - g.y0) / dy)
        if not (0 <= column < g.columns and 0 <= row < g.rows):
            return None
        if self.x[0] > self.x[-1]:
            column = g.columns - 1 - column
        if self.y[0] > self.y[-1]:
            row = g.rows - 1 - row
        return row, column

    def upright(self, values: npt.NDArray[np.generic]) -> Array:
        """Values of shape (y, x, ...) in the order of the page."""
        rows = slice(None, None, -1 if self.y[0] > self.y[-1] else 1)
        columns = slice(None, None, -1 if self.x[0] > self.x[-1] else 1)
        return np.asarray(values[rows, columns])


@dataclass(frozen=True, eq=False)
class Patch:
    """The visible part of a map, at most :data:`PATCH_PIXELS` large."""

    values: npt.NDArray[np.float32]  # (rows, columns), y downward
    x: float
    y: float
    width: float
    height: float
    step: int  # pixels of the scan on a side of one pixel of the patch


def cut(
    values: Array,
    frame: Grid,
    x_span: tuple[float, float] | None = None,
    y_span: tuple[float, float] | None = None,
    budget: int = PATCH_PIXELS,
) -> Patch:
    """Part of a map that is in view, coarsened until it fits the budget.

    Parameters
    ----------
    values : ndarray, shape (rows, columns)
        The map in the order of the page; NaN where there is no measurement.
    frame : Grid
        Its edges.
    x_span, y_span : tuple of float, optional
        Visible range, in any order; everything by default. [`frame.unit`]
    budget : int
        Most pixels of the result.

    Returns
    -------
    Patch
        Whole pixels that cover the visible range; means over blocks where coarsened.
    """
    rows = _covered(y_span, frame.y0, frame.y1, frame.rows)
    columns = _covered(x_span, frame.x0, frame.x1, frame.columns)
    step = max(1, ceil(sqrt((rows[1] - rows[0]) * (columns[1] - columns[0]) / budget)))
    part = coarsen(values[slice(*rows), slice(*columns)], step)
    dx, dy = (frame.x1 - frame.x0) / frame.columns, (frame.y1 - frame.y0) / frame.rows
    return Patch(
        np.ascontiguousarray(part, dtype=np.float32),
        frame.x0 + columns[0] * dx,
        frame.y0 + rows[0] * dy,
        part.shape[1] * step * dx,
        part.shape[0] * step * dy,
        step,
    )


def _covered(
    span: tuple[float, float] | None, low: float, high: float, number: int
) -> tuple[int, int]:
    """First and last+1 index of the pixels that a range touches."""
    if span is None or not all(isfinite(value) for value in span):
        return 0, number
    step = (high - low) / number
    first = int(np.clip(floor((min(span) - low) / step), 0, number - 1))
    last = int(np.clip(ceil((max(span) - low) / step), first + 1, number))
    return first, last
