"""Scans stored plane by plane, turned round on disk so that they can be read by pixel.

A file whose chunks hold many pixels of few channels (one image per channel) would have
to be unpacked whole for every block of pixels. Here it is unpacked once, chunk by chunk,
into a scratch file of blocks of rows, as soon as somebody asks for the counts.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Lock
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.lazy import block_shape, boxes_of_file, lazy_counts, stored_of, times_read
from xrfmap.io.safe import clean_text
from xrfmap.io.scratch import scratch_folder
from xrfmap.io.stored import StoredCounts
from xrfmap.numbers import whole

__all__ = ["straightened"]


class _Spool(StoredCounts):
    """Counts in a scratch file: blocks of rows, in each all channels, rows, columns."""

    def __init__(self, path: Path, source: StoredCounts) -> None:
        super().__init__(
            source.where, source.field, source.shape, AxisPlan((0, 1, 2)), source.dtype
        )
        self.path, self.source = path, source
        self.rows, _ = block_shape(self.shape, self.dtype.itemsize)
        self.chunk = (min(self.rows, self.shape[0]), self.shape[1], self.shape[2])
        self._filled, self._filling = False, Lock()

    def __getstate__(self) -> dict[str, Any]:
        self._fill()  # here, since other processes would each do it for themselves
        return {k: v for k, v in self.__dict__.items() if k != "_filling"}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__ |= state | {"_filling": Lock()}

    def _fill(self) -> None:
        with self._filling:
            if self._filled:
                return
            try:
                self._write_all()
            except OSError as err:
                size = math.prod(self.shape) * self.dtype.itemsize
                raise InputError(
                    clean_text(self.path.parent),
                    found=clean_text(err.strerror or err),
                    expected=f"space for a scratch file of {whole(size >> 20)} MB",
                    remedy="make space, or have it on another disk: by --out, or for calibrate by "
                    "the variable TMPDIR",
                ) from err
            self._filled = True

    def _write_all(self) -> None:
        with self.path.open("wb") as stream:
            for box, block in boxes_of_file(self.source):
                self._write(stream, box, block)

    def _offset(self, band: int) -> int:
        return band * self.rows * self.shape[1] * self.shape[2] * self.dtype.itemsize

    def _height(self, band: int) -> int:
        return min(self.rows, self.shape[0] - band * self.rows)

    def _write(
        self, stream: BinaryIO, box: tuple[slice, slice, slice], block: npt.NDArray[Any]
    ) -> None:
        """Write a box (y, x, channel)."""
        rows, columns, channels = box
        _, nx, _ = self.shape
        width = self.dtype.itemsize

        def put(values: npt.NDArray[Any], place: int) -> None:
            stream.seek(place)
            stream.write(np.ascontiguousarray(values).data)

        for band in range(rows.start // self.rows, -(-rows.stop // self.rows)):
            top, height = band * self.rows, self._height(band)
            low, high = max(rows.start, top), min(rows.stop, top + height)
            part = block[low - rows.start : high - rows.start].transpose(2, 0, 1)
            start = self._offset(band) + channels.start * height * nx * width
            if (low, high) == (top, top + height) and columns == slice(0, nx):
                put(part, start)
                continue
            for channel, plane in enumerate(part):
                for row, line in enumerate(plane):
                    at = (channel * height + low - top + row) * nx + columns.start
                    put(line, start + at * width)

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box (y, x, channel)."""
        self._fill()
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
def straightened(ds: xr.Dataset, folder: Path | None = None) -> Iterator[xr.Dataset]:
    """Give a scan that can be read by pixel, through a scratch file where need be.

    Parameters
    ----------
    ds : xarray.Dataset
        Scan or point spectrum.
    folder : Path, optional
        Where the scratch file may lie, as large as all counts unpacked; it is removed at
        the end. The system's folder for such files if not given.

    Yields
    ------
    xarray.Dataset
        The same scan. Nothing is written before its counts are asked for, and then an
        InputError is raised if there is no space.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    stored = stored_of(ds["counts"].data)
    if stored is None or times_read(stored) == 1:
        yield ds
        return
    with ExitStack() as stack:
        try:
            place = stack.enter_context(scratch_folder(folder))
        except OSError as err:
            raise InputError(
                clean_text(folder or tempfile.gettempdir()),
                found=clean_text(err.strerror or err),
                expected="a folder for a scratch file",
                remedy="choose another one",
            ) from err
        spool = _Spool(place / "counts", stored)
        data = lazy_counts(spool, f"{place.name}-{ds['counts'].data.name}")
        yield ds.assign(counts=(ds["counts"].dims, data, ds["counts"].attrs))
