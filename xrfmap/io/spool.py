"""Scans stored plane by plane, turned round on disk so that they can be read by pixel.

A file whose chunks hold many pixels of few channels (one image per channel) would have
to be unpacked whole for every block of pixels. Here it is unpacked once, chunk by chunk,
into a scratch file of blocks of rows, from which the writers then read.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.lazy import block_shape, iter_boxes, lazy_counts, stored_of, times_read
from xrfmap.io.safe import clean_text
from xrfmap.io.stored import StoredCounts

__all__ = ["straightened"]


class _Spool(StoredCounts):
    """Counts in a scratch file: blocks of rows, in each all channels, rows, columns."""

    def __init__(self, path: Path, like: StoredCounts, rows: int) -> None:
        super().__init__(like.where, like.field, like.shape, AxisPlan((0, 1, 2)), like.dtype)
        self.path, self.rows = path, rows
        self.chunk = (min(rows, self.shape[0]), self.shape[1], self.shape[2])

    def _offset(self, band: int) -> int:
        return band * self.rows * self.shape[1] * self.shape[2] * self.dtype.itemsize

    def _height(self, band: int) -> int:
        return min(self.rows, self.shape[0] - band * self.rows)

    def write(self, box: tuple[slice, slice, slice], block: npt.NDArray[Any]) -> None:
        """Write a box (y, x, channel)."""
        rows, columns, channels = box
        _, nx, _ = self.shape
        width = self.dtype.itemsize
        with self.path.open("r+b") as stream:
            for band in range(rows.start // self.rows, -(-rows.stop // self.rows)):
                top, height = band * self.rows, self._height(band)
                low, high = max(rows.start, top), min(rows.stop, top + height)
                part = block[low - rows.start : high - rows.start].transpose(2, 0, 1)
                whole = (low, high) == (top, top + height) and columns == slice(0, nx)
                start = self._offset(band) + channels.start * height * nx * width
                if whole:
                    os.pwrite(stream.fileno(), np.ascontiguousarray(part).data, start)
                    continue
                for channel, plane in enumerate(part):
                    for row, line in enumerate(plane):
                        at = (channel * height + low - top + row) * nx + columns.start
                        data = np.ascontiguousarray(line).data
                        os.pwrite(stream.fileno(), data, start + at * width)

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box (y, x, channel)."""
        rows, columns, channels = key
        out = np.empty([k.stop - k.start for k in key], dtype=self.dtype)
        _, nx, nc = self.shape
        with self.path.open("rb") as stream:
            for band in range(rows.start // self.rows, -(-rows.stop // self.rows)):
                top, height = band * self.rows, self._height(band)
                low, high = max(rows.start, top), min(rows.stop, top + height)
                stream.seek(self._offset(band))
                flat = np.fromfile(stream, dtype=self.dtype, count=nc * height * nx)
                cube = flat.reshape(nc, height, nx)[channels, low - top : high - top, columns]
                out[low - rows.start : high - rows.start] = cube.transpose(1, 2, 0)
        return out


@contextmanager
def straightened(ds: xr.Dataset, folder: Path) -> Iterator[xr.Dataset]:
    """Give a scan that can be read by pixel, through a scratch file where need be.

    Parameters
    ----------
    ds : xarray.Dataset
        Scan or point spectrum.
    folder : Path
        Where the scratch file may lie; it is removed at the end.

    Yields
    ------
    xarray.Dataset
        The same scan.

    Raises
    ------
    InputError
        If there is no space for the scratch file.
    """
    stored = stored_of(ds["counts"].data)
    if stored is None or times_read(stored) == 1:
        yield ds
        return
    size = math.prod(stored.shape) * stored.dtype.itemsize
    try:
        with tempfile.TemporaryDirectory(prefix=".scratch.", dir=folder) as scratch:
            path = Path(scratch) / "counts"
            with path.open("wb") as stream:
                stream.truncate(size)
            rows, _ = block_shape(stored.shape, stored.dtype.itemsize)
            spool = _Spool(path, stored, rows)
            for *box, block in iter_boxes(ds["counts"]):
                spool.write((box[0], box[1], box[2]), block)
            token = f"spool-{ds['counts'].data.name}"
            data = lazy_counts(spool, token)
            yield ds.assign(counts=(ds["counts"].dims, data, ds["counts"].attrs))
    except OSError as err:
        raise InputError(
            clean_text(folder),
            found=clean_text(err.strerror or err),
            expected=f"space for a scratch file of {size >> 20} MB",
            remedy="make space, or write to another disk",
        ) from err
