"""Photographs, radiographs and masks: PNG, JPEG and TIFF, with limits on their size."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageOps

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, read_head, require_file
from xrfmap.io.tiff import read_page, tiff_source
from xrfmap.numbers import whole

__all__ = ["MAX_IMAGE_PIXELS", "MAX_MASK_PIXELS", "read_image", "read_mask"]

MAX_IMAGE_PIXELS = 200_000_000  # 600 MB in colour; the largest single-shot cameras have 150
FORMATS = ("PNG", "JPEG", "TIFF")
MAX_MASK_PIXELS = 100_000_000  # a tenth of the largest scan, and 100 MB once unpacked
MAX_FILE_BYTES = 2 << 30
# what Pillow raises on damaged files, depending on where it stumbles
_DAMAGE = (
    OSError, ValueError, SyntaxError, TypeError, KeyError, IndexError, OverflowError,
    MemoryError, RuntimeError, AttributeError, EOFError, ZeroDivisionError, AssertionError,
    NotImplementedError, Image.DecompressionBombError, Image.DecompressionBombWarning,
)  # fmt: skip


def _refuse(path: Path, found: str, expected: str, remedy: str) -> InputError:
    return InputError(clean_text(path.name), found=found, expected=expected, remedy=remedy)


def _check_header(path: Path) -> None:
    require_file(path)
    head = read_head(path, 16)
    known = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\x00", b"MM\x00*")
    if not head.startswith(known):
        raise _refuse(
            path,
            f"a file that starts with {head[:8].hex(' ')}",
            "PNG, JPEG or TIFF",
            "save the picture in one of these formats",
        )
    if path.stat().st_size > MAX_FILE_BYTES:
        raise _refuse(path, "more than 2 GB", "a smaller file", "make the picture smaller")


def read_image(path: Path, longest_side: int | None = None) -> npt.NDArray[Any]:
    """Read a photograph or radiograph.

    Parameters
    ----------
    path : Path
        PNG, JPEG or TIFF; its content decides.
    longest_side : int, optional
        Make the picture smaller until its longer side has this many pixels.

    Returns
    -------
    ndarray, shape (height, width) or (height, width, 3)
        8 or 16-bit integers, or 32-bit floats for pictures that hold such; turned
        upright as the camera noted. Transparent parts are laid on white.

    Raises
    ------
    InputError
        If the file is missing, damaged, of another format, or has more than
        `MAX_IMAGE_PIXELS` pixels.
    """
    _check_header(path)
    deep = _deep_grey(path)
    if deep is not None:
        return _shrunk(deep, longest_side)
    with _opened(path) as image:
        try:
            upright = ImageOps.exif_transpose(image)
            pixels = np.asarray(_plain_mode(upright))
        except _DAMAGE as err:
            raise _damaged(path, err) from err
    return _shrunk(pixels, longest_side)


def _damaged(path: Path, err: BaseException) -> InputError:
    if isinstance(err, Image.DecompressionBombError | Image.DecompressionBombWarning):
        return _too_large(path, "far more pixels than a picture has")
    return _refuse(
        path,
        f"a picture that cannot be read ({clean_text(err, 120) or type(err).__name__})",
        "a whole PNG, JPEG or TIFF",
        "save or copy the picture again",
    )


def _too_large(path: Path, found: str, limit: int = MAX_IMAGE_PIXELS) -> InputError:
    expected = f"at most {limit // 1_000_000} million pixels"
    return _refuse(path, found, expected, "make the picture smaller")


def _opened(path: Path, limit: int = MAX_IMAGE_PIXELS) -> Image.Image:
    """Open a picture without unpacking it, and check its declared size."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd tags are no reason to stop
            image = Image.open(path, formats=FORMATS)
    except _DAMAGE as err:
        raise _damaged(path, err) from err
    if not 0 < image.width * image.height <= limit:
        found = f"{whole(image.width)} x {whole(image.height)} pixels"
        image.close()
        raise _too_large(path, found, limit)
    return image


def _plain_mode(image: Image.Image) -> Image.Image:
    """Grey, 16-bit grey, float or RGB; palettes and transparency resolved."""
    if image.mode in ("L", "I;16", "I;16B", "I;16L", "F", "RGB"):
        return image
    if image.mode == "I":
        return image
    if image.mode in ("1",):
        return image.convert("L")
    if image.mode in ("LA", "PA", "RGBA", "P"):
        coloured = image.convert("RGBA")
        paper = Image.new("RGBA", coloured.size, "white")
        return Image.alpha_composite(paper, coloured).convert("RGB")
    return image.convert("RGB")


def _deep_grey(path: Path, limit: int = MAX_IMAGE_PIXELS) -> npt.NDArray[Any] | None:
    """Read a TIFF of one deep or real number per pixel, which Pillow reads only in part."""
    if not read_head(path, 4).startswith((b"II*", b"MM\x00*")):
        return None
    try:
        source = tiff_source(path)
    except InputError:
        return None  # colours or other packings: Pillow's part
    pages, height, width = source.shape
    if source.dtype.itemsize == 1 or pages != 1:
        return None
    if height * width > limit:
        raise _too_large(path, f"{whole(width)} x {whole(height)} pixels", limit)
    return read_page(source)


def _shrunk(pixels: npt.NDArray[Any], longest_side: int | None) -> npt.NDArray[Any]:
    """Mean over whole blocks, so that nothing is invented between pixels."""
    if longest_side is None or max(pixels.shape[:2]) <= longest_side:
        return pixels
    step = -(-max(pixels.shape[:2]) // longest_side)
    height, width = (max(1, n // step) for n in pixels.shape[:2])
    cut = pixels[: height * step, : width * step]
    if min(pixels.shape[:2]) < step:  # a strip thinner than a block
        return cut[::step, ::step]
    smaller = np.empty((height, width, *cut.shape[2:]), dtype=pixels.dtype)
    for row in range(height):  # a row at a time: the mean works in eight bytes a number
        band = cut[row * step : (row + 1) * step].reshape(step, width, step, *cut.shape[2:])
        smaller[row] = band.mean(axis=(0, 2))
    return smaller


def read_mask(path: Path) -> npt.NDArray[np.bool_]:
    """Read a mask: what is neither black nor transparent is inside.

    Parameters
    ----------
    path : Path
        PNG or TIFF (a JPEG blurs its edges and is refused).

    Returns
    -------
    ndarray of bool, shape (height, width)
        True inside.

    Raises
    ------
    InputError
        If the file cannot be read, is a JPEG, or the mask is empty.
    """
    _check_header(path)
    if read_head(path, 3) == b"\xff\xd8\xff":
        raise _refuse(
            path, "a JPEG", "PNG or TIFF", "save the mask without loss: JPEG blurs its edges"
        )
    deep = _deep_grey(path, MAX_MASK_PIXELS)
    if deep is not None:
        inside = np.asarray(deep != 0)
    else:
        with _opened(path, MAX_MASK_PIXELS) as image:
            try:
                bands = np.asarray(image.convert("RGBA"))
            except _DAMAGE as err:
                raise _damaged(path, err) from err
        inside = np.asarray((bands[..., :3] != 0).any(axis=2) & (bands[..., 3] != 0))
    if not inside.any():
        raise _refuse(
            path, "a mask without any pixel inside", "white on black", "paint the area in white"
        )
    return inside
