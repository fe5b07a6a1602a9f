"""Multi-page TIFF: one page per channel (or per row), plain or packed with deflate."""

from __future__ import annotations

import logging
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.safe import MAX_CHANNELS, MAX_CHUNK_BYTES, clean_text, require_file
from xrfmap.io.stored import StoredCounts
from xrfmap.io.strided import Layout, Number, StridedCounts
from xrfmap.numbers import whole

__all__ = ["TiffSource", "read_page", "tiff_source"]

# what it logs about damaged tags repeats text of the file, and the error says it anyway
logging.getLogger("tifffile").setLevel(logging.CRITICAL)

PLAIN, DEFLATE = 1, (8, 32946)
# what tifffile raises on damaged files, depending on where it stumbles
_DAMAGE = (
    ValueError, TypeError, KeyError, IndexError, OSError, OverflowError, AttributeError,
    ZeroDivisionError, MemoryError, RuntimeError, RecursionError, AssertionError, struct.error,
    tifffile.TiffFileError, zlib.error,
)  # fmt: skip


@dataclass(frozen=True)
class TiffSource:
    """Pages of a file, all alike.

    Parameters
    ----------
    path : Path
        The file.
    shape : tuple of int
        Pages, rows and columns.
    dtype : numpy.dtype
        Type of the numbers.
    layout : Layout or None
        Even layout of the numbers, if they are not packed.
    """

    path: Path
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    layout: Layout | None

    def counts(self, plan: AxisPlan) -> StoredCounts:
        """Stand-in for the numbers."""
        if self.layout is not None:
            return StridedCounts(self.path, "", self.layout, plan)
        return TiffCounts(self, plan)


def _refuse(path: Path, found: str, expected: str, remedy: str) -> InputError:
    return InputError(clean_text(path.name), found=found, expected=expected, remedy=remedy)


def _open(path: Path) -> tifffile.TiffFile:
    # no series: they may name other files; only pages of this file are read
    return tifffile.TiffFile(path, is_ome=False, is_shaped=False, is_imagej=False)


def tiff_source(path: Path) -> TiffSource:
    """Check the pages of a TIFF file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    TiffSource
        Shape and layout.

    Raises
    ------
    InputError
        If the file is damaged, its pages differ, hold colours, or are packed in a way
        other than deflate.
    """
    require_file(path)
    try:
        with _open(path) as file:
            return _examine(path, file)
    except _DAMAGE as err:
        raise _refuse(
            path,
            f"a TIFF file that cannot be read ({clean_text(err, 120)})",
            "a complete TIFF file",
            "save it again, without compression",
        ) from err


def _examine(path: Path, file: tifffile.TiffFile) -> TiffSource:
    count = 0
    first: Any = None
    offsets: list[int] = []
    seen: set[int] = set()
    for page in file.pages:
        count += 1
        if page.offset in seen:  # a few bytes would keep us busy for a minute
            raise _refuse(
                path,
                f"page {count} at byte {page.offset}, where an earlier page stands",
                "pages that follow each other to an end",
                "save it again",
            )
        seen.add(page.offset)
        if count > MAX_CHANNELS:
            raise _refuse(path, "more pages", f"at most {whole(MAX_CHANNELS)}", "check the file")
        if first is None:
            first = page.aspage()
            _check_page(path, first)
        frame = page.aspage()
        if frame.shape != first.shape or frame.dtype != first.dtype:
            raise _refuse(
                path,
                f"page {count} of shape {frame.shape} ({frame.dtype}) after {first.shape}",
                "pages of one shape and type",
                "save the maps alone, without a preview page",
            )
        offsets.append(_plain_offset(path, frame))
    rows, columns = first.shape
    dtype = np.dtype(first.dtype).newbyteorder(file.byteorder)
    return TiffSource(path, (count, rows, columns), dtype, _layout(offsets, first.shape, dtype))


def _check_page(path: Path, page: tifffile.TiffPage) -> None:
    if page.dtype is None or len(page.shape) != 2 or np.dtype(page.dtype).kind not in "iuf":
        raise _refuse(
            path,
            f"pages of shape {page.shape} ({page.dtype})",
            "pages of one number per pixel",
            "photographs go under [[image]]; save maps of counts in grey",
        )
    if page.compression != PLAIN and page.compression not in DEFLATE:
        raise _refuse(
            path,
            f"compression {int(page.compression)}",
            "no compression, or deflate",
            "save the file without compression",
        )
    tile = (page.tilelength or page.rowsperstrip) * (page.tilewidth or page.shape[1])
    if min(tile, page.size) * np.dtype(page.dtype).itemsize > MAX_CHUNK_BYTES:
        raise _refuse(path, "a page in one very large piece", "strips", "save it in strips")


def _plain_offset(path: Path, page: tifffile.TiffPage) -> int:
    """First byte of a page whose numbers lie in one run; -1 for others."""
    if page.compression != PLAIN or not page.is_contiguous:
        return -1
    nbytes = int(page.size) * np.dtype(page.dtype).itemsize
    if page.dataoffsets[0] + nbytes > path.stat().st_size:
        raise _refuse(
            path,
            f"a file of {whole(path.stat().st_size)} bytes",
            f"{whole(page.dataoffsets[0] + nbytes)} bytes",
            "the file was cut off: copy it again",
        )
    return int(page.dataoffsets[0])


def _layout(offsets: list[int], shape: tuple[int, int], dtype: np.dtype[Any]) -> Layout | None:
    """Even layout of all pages, where they have one."""
    steps = np.diff(np.asarray(offsets, dtype=np.int64))
    if min(offsets) < 0 or (steps.size and (steps[0] <= 0 or (steps != steps[0]).any())):
        return None
    step = int(steps[0]) if steps.size else 0
    width = dtype.itemsize
    strides = (step, shape[1] * width, width)
    return Layout(offsets[0], (len(offsets), *shape), strides, Number.of(dtype))


def read_page(source: TiffSource) -> npt.NDArray[Any]:
    """Read the first page of a file.

    Parameters
    ----------
    source : TiffSource
        From :func:`tiff_source`.

    Returns
    -------
    ndarray, shape (height, width)
        Numbers in native byte order.

    Raises
    ------
    InputError
        If the page is damaged.
    """
    out = np.empty(source.shape[1:], dtype=source.dtype.newbyteorder("="))
    try:
        with _open(source.path) as file:
            page = file.pages[0].aspage()
            rows, columns = (slice(0, n) for n in source.shape[1:])
            _read_page(source.path, page, rows, columns, out)
    except _DAMAGE as err:
        raise _refuse(
            source.path,
            f"a page that cannot be read ({clean_text(err, 120)})",
            "a whole TIFF",
            "save it again, without compression",
        ) from err
    return out


class TiffCounts(StoredCounts):
    """Counts in packed pages, opened anew for each read."""

    def __init__(self, source: TiffSource, plan: AxisPlan) -> None:
        super().__init__(clean_text(source.path.name), "", source.shape, plan, source.dtype)
        self.path = source.path.resolve()
        self.in_chunks_of((1, *source.shape[1:]))

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box (pages, rows, columns)."""
        pages, rows, columns = key
        out = np.empty([k.stop - k.start for k in key], dtype=self.dtype)
        try:
            with _open(self.path) as file:
                for i in range(pages.start, pages.stop):
                    page = file.pages[i].aspage()
                    _read_page(self.path, page, rows, columns, out[i - pages.start])
        except _DAMAGE as err:
            raise _refuse(
                self.path,
                f"a page that cannot be read ({clean_text(err, 120)})",
                "the file that was opened",
                "save the file again, without compression",
            ) from err
        return out


def _read_page(path: Path, page: Any, rows: slice, columns: slice, out: npt.NDArray[Any]) -> None:
    """Unpack the strips or tiles of a page that touch a box."""
    height = page.tilelength or min(page.rowsperstrip, page.shape[0])
    width = page.tilewidth or page.shape[1]
    across = -(-page.shape[1] // width)
    limit = height * width * np.dtype(page.dtype).itemsize
    for number, (offset, size) in enumerate(
        zip(page.dataoffsets, page.databytecounts, strict=True)
    ):
        top, left = number // across * height, number % across * width
        if top >= rows.stop or top + height <= rows.start:
            continue
        if left >= columns.stop or left + width <= columns.start:
            continue
        if size > 2 * limit + 65536:
            raise _refuse(
                path, f"a packed strip of {whole(size)} bytes", f"{whole(limit)}", "save it again"
            )
        page.parent.filehandle.seek(offset)
        data = page.parent.filehandle.read(size)
        if page.compression in DEFLATE:
            unpacked = zlib.decompressobj().decompress(data, limit + 1)
            if len(unpacked) > limit:
                raise _refuse(
                    path,
                    f"a strip of more than {whole(limit)} bytes",
                    f"{whole(limit)} bytes",
                    "save it again",
                )
        segment = page.decode(data, number)[0]
        if segment is None:
            continue
        _paste(np.asarray(segment).reshape(segment.shape[-3:-1]), (top, left), rows, columns, out)


def _paste(
    segment: npt.NDArray[Any],
    corner: tuple[int, int],
    rows: slice,
    columns: slice,
    out: npt.NDArray[Any],
) -> None:
    source, target = [], []
    for k, first, length in zip((rows, columns), corner, segment.shape, strict=True):
        low, high = max(k.start, first), min(k.stop, first + length)
        source.append(slice(low - first, high - first))
        target.append(slice(low - k.start, high - k.start))
    out[tuple(target)] = segment[tuple(source)]
