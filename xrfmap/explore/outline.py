"""Outlines drawn or typed on the page: numbers from a browser, so checked like any input."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from xrfmap.areas.members import polygon_mask
from xrfmap.errors import InputError
from xrfmap.explore.frame import Frame
from xrfmap.numbers import whole

__all__ = ["Corners", "corners_text", "mask_of", "outline", "parse_corners"]

Corners = tuple[tuple[float, float], ...]
MOST_CORNERS = 10_000  # as the study file allows
_NUMBER = re.compile(r"[+-]?\d{1,9}(?:\.\d{0,9})?")


def outline(x: Sequence[float], y: Sequence[float], frame: Frame) -> Corners:
    """Corners of an outline from what was drawn.

    Parameters
    ----------
    x, y : sequence of float
        Places in order, as the browser sends them. [unit of the frame]
    frame : Frame
        The scan.

    Returns
    -------
    tuple of (x, y)
        Rounded to a twentieth of a pixel; a line drawn free-hand keeps only the corners
        that move it by more than a third of a pixel.

    Raises
    ------
    InputError
        If fewer than three corners are left, one is not finite, or there are too many.
    """
    if len(x) != len(y) or len(x) > MOST_CORNERS:
        raise _bad(f"{whole(len(x))} corners", f"3 to {MOST_CORNERS} corners")
    try:
        points = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)])
    except (TypeError, ValueError):
        raise _bad("corners that are not numbers", "numbers") from None
    if not np.isfinite(points).all():
        raise _bad("a corner that is not a number", "finite numbers")
    pixel = min(frame.step)
    if len(points) > 12:  # clicked corners are meant; a free-hand line has hundreds
        points = _simpler(points, pixel / 3)
    places = max(0, math.ceil(-math.log10(pixel / 10)))
    rounded = [(round(float(a), places), round(float(b), places)) for a, b in points]
    kept = [c for i, c in enumerate(rounded) if c != rounded[i - 1] or len(rounded) == 1]
    if len(set(kept)) < 3:
        raise _bad(f"{len(set(kept))} different corners", "three or more")
    return tuple(kept)


def _simpler(points: npt.NDArray[np.float64], tolerance: float) -> npt.NDArray[np.float64]:
    from skimage.measure import approximate_polygon

    closed = np.vstack([points, points[:1]])
    fewer = np.asarray(approximate_polygon(closed, tolerance))[:-1]  # type: ignore[no-untyped-call]
    return fewer if len(fewer) >= 3 else points


def parse_corners(text: str, frame: Frame) -> Corners:
    """Corners typed as ``x y, x y, x y``; commas, semicolons and brackets may stand anywhere.

    Raises
    ------
    InputError
        If there is something else than numbers, or not two for each corner.
    """
    rest = re.sub(r"[\s,;()\[\]]+", " ", text[: 30 * MOST_CORNERS].replace("−", "-")).strip()
    parts = rest.split(" ") if rest else []
    for part in parts:
        if not _NUMBER.fullmatch(part):
            raise _bad(repr(part[:20]), "numbers such as 10 12, 22 12, 22 19")
    if len(parts) % 2:
        raise _bad(f"{whole(len(parts))} numbers", "two numbers for each corner: x y, x y, x y")
    values = [float(part) for part in parts]
    return outline(values[::2], values[1::2], frame)


def corners_text(corners: Corners) -> str:
    """Corners as :func:`parse_corners` reads them."""
    return ", ".join(f"{x:g} {y:g}" for x, y in corners)


def mask_of(corners: Corners, frame: Frame) -> npt.NDArray[np.bool_]:
    """Pixels inside an outline, shape (y, x) in the order of the scan.

    Raises
    ------
    InputError
        If no pixel centre lies inside.
    """
    mask = polygon_mask(frame.x, frame.y, corners)
    if not mask.any():
        raise _bad("an outline around no pixel centre of the scan", "one pixel or more inside")
    return mask


def _bad(found: str, expected: str) -> InputError:
    return InputError("outline", found=found, expected=expected, remedy="draw or type it again")
