"""Maps as small indexed PNGs that a page can both show and read back."""

from __future__ import annotations

import base64
import io
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.report import style
from xrfmap.report.fields import Mask, Stretch

__all__ = [
    "MASK_INDEX",
    "UNSURE_INDEX",
    "check_picture",
    "coarsen",
    "data_uri",
    "index_image",
    "jpeg",
    "key_png",
    "mask_png",
    "palette_png",
    "rgb_png",
    "step_for",
]

UNSURE_INDEX, MASK_INDEX = 254, 255  # after the 254 steps of the scale
Array = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]


def data_uri(payload: bytes, mime: str = "image/png") -> str:
    """Put a file into a ``data:`` address, so that it is part of the page."""
    return f"data:{mime};base64,{base64.b64encode(payload).decode('ascii')}"


def step_for(pixels: int, maps: int, budget: int) -> int:
    """Pixels of the scan on a side of one pixel on the page, so that all maps fit `budget`."""
    step = 1
    while pixels * maps > budget * step * step:
        step += 1
    return step


def coarsen(values: npt.NDArray[Any], step: int) -> npt.NDArray[Any]:
    """Mean over blocks of ``step x step``; NaN where over half of a block is NaN.

    Blocks at the far edges may hold fewer pixels.
    """
    if step == 1:
        return values
    starts = [np.arange(0, size, step) for size in values.shape]
    sizes = [np.diff(np.append(s, n)) for s, n in zip(starts, values.shape, strict=True)]

    def add(whole: npt.NDArray[np.generic]) -> Array:
        # row by row first, so that nothing of the full size is made
        strips = np.add.reduceat(whole, starts[0], axis=0, dtype=np.float64)
        return np.asarray(np.add.reduceat(strips, starts[1], axis=1))

    good = np.isfinite(values)
    seen, total = add(good), add(np.where(good, values, 0))
    held = np.outer(*sizes)
    mean = np.divide(total, seen, out=np.full_like(total, np.nan), where=seen * 2 >= held)
    return mean.astype(values.dtype) if values.dtype.kind == "f" else mean


def index_image(values: Array, span: Stretch, blank: int = MASK_INDEX) -> Bytes:
    """Values as steps 0 to 253 of the scale; `blank` where there is none."""
    scaled = (values - span.low) / (span.high - span.low) * (UNSURE_INDEX - 1)
    steps = np.clip(np.round(np.nan_to_num(scaled, nan=0.0)), 0, UNSURE_INDEX - 1)
    return np.where(np.isfinite(values), steps, blank).astype(np.uint8)


def _palette() -> list[int]:
    table = np.zeros((256, 3), dtype=np.uint8)
    table[:UNSURE_INDEX] = style.map_lut()
    table[UNSURE_INDEX] = np.round(style.rgb(style.UNSURE) * 255)
    table[MASK_INDEX] = np.round(style.rgb(style.MASK) * 255)
    return [int(v) for v in table.ravel()]


def _png(image: object, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, format="PNG", optimize=True, **options)  # type: ignore[attr-defined]
    return buffer.getvalue()


def palette_png(indices: Bytes) -> bytes:
    """Indexed PNG in the colours of a single map, without any colour profile."""
    from PIL import Image

    image = Image.fromarray(np.ascontiguousarray(indices))
    image = image.convert("L")
    image.putpalette(_palette())
    return _png(image)


def mask_png(mask: Mask) -> bytes:
    """One-bit PNG, white where True."""
    from PIL import Image

    return _png(Image.fromarray(np.where(mask, 255, 0).astype(np.uint8)).convert("1"))


def key_png() -> bytes:
    """Draw the scale from low to high as a strip of 254 pixels."""
    return palette_png(np.arange(UNSURE_INDEX, dtype=np.uint8)[None, :])


def rgb_png(picture: Array) -> bytes:
    """Red, green and blue from 0 to 1, shape (y, x, 3), as PNG."""
    from PIL import Image

    return _png(Image.fromarray(np.round(np.clip(picture, 0, 1) * 255).astype(np.uint8)))


def check_picture(picture: npt.NDArray[np.generic]) -> None:
    """Refuse what is no picture.

    Raises
    ------
    ValueError
        If it has another shape than (y, x) or (y, x, 3), no pixel, or other values than uint8
        or floats.
    """
    shape = picture.shape
    known = picture.dtype == np.uint8 or picture.dtype.kind == "f"
    if not known or len(shape) not in (2, 3) or shape[2:] not in ((), (3,)) or 0 in shape:
        raise ValueError(
            "a picture has shape (y, x) or (y, x, 3) and holds uint8 or floats from 0 to 1; "
            f"found shape {shape}, {picture.dtype}"
        )


def jpeg(picture: npt.NDArray[np.generic], longest: int = 1600) -> bytes:
    """Photograph or radiograph as JPEG, no longer than `longest` pixels on a side.

    Parameters
    ----------
    picture : ndarray, shape (y, x) or (y, x, 3)
        Whole numbers from 0 to 255, or floats from 0 to 1.
    longest : int
        Longest side [pixels].

    Raises
    ------
    ValueError
        If the shape or the type is another.
    """
    from PIL import Image

    values = np.asarray(picture)
    check_picture(values)
    if values.dtype.kind == "f":
        values = np.round(np.clip(np.nan_to_num(values), 0, 1) * 255).astype(np.uint8)
    image = Image.fromarray(values)
    image.thumbnail((longest, longest))
    buffer = io.BytesIO()
    image.save(buffer, format="JPEG", quality=86)
    return buffer.getvalue()
