"""Pictures that mark an area of a scan."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, UnidentifiedImageError

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, require_file

__all__ = ["read_mask"]

MASK_FORMATS = ("PNG", "TIFF")  # without loss: JPEG would smear grey around every edge
MAX_MASK_PIXELS = 100_000_000  # a tenth of the largest scan, and 100 MB once unpacked


def read_mask(path: Path) -> npt.NDArray[np.bool_]:
    """Read a mask picture.

    Parameters
    ----------
    path : Path
        PNG or TIFF; the first page where there are several.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        True where any colour is not zero and the pixel is not fully transparent.

    Raises
    ------
    InputError
        If the file is no such picture, is damaged, or is larger than 100 million pixels.
    """
    path = require_file(Path(path))
    where = clean_text(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # own limit below
            picture = Image.open(path, formats=MASK_FORMATS)
        with picture:
            if picture.width * picture.height > MAX_MASK_PIXELS:
                raise InputError(
                    where,
                    found=f"{picture.width} x {picture.height} pixels",
                    expected=f"at most {MAX_MASK_PIXELS} pixels",
                    remedy="draw the mask on the scan's own grid",
                )
            return _marked(picture)
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError) as bad:
        raise InputError(
            where,
            found=f"a file that cannot be read as a picture ({clean_text(bad, 120)})",
            expected="PNG or TIFF",
            remedy="save the mask as PNG in the size of the scan",
        ) from None


def _marked(picture: Image.Image) -> npt.NDArray[np.bool_]:
    if picture.mode in ("P", "PA"):
        picture = picture.convert("RGBA")  # a palette's entry 0 need not be black
    values = np.asarray(picture)
    if values.ndim == 2:
        return np.asarray(values != 0)
    bands = picture.getbands()
    colour = values[..., [i for i, band in enumerate(bands) if band != "A"]] != 0
    marked = colour.any(axis=-1)
    if "A" in bands:
        marked &= values[..., bands.index("A")] > 0
    return np.asarray(marked)
