"""Photographs and radiographs laid over the maps of a scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.pictures.register import Placement
from xrfmap.report import fields, style
from xrfmap.report.pixels import check_picture
from xrfmap.settings import Image

__all__ = ["Photograph", "as_photograph", "lay_over_scan"]


@dataclass(frozen=True, eq=False)
class Photograph:
    """Picture that covers just the scanned field.

    Attributes
    ----------
    pixels : ndarray, shape (rows, columns, 3) or (rows, columns)
        Whole numbers from 0 to 255, or floats from 0 to 1.
    words : str
        How it was placed on the scan.
    """

    pixels: npt.NDArray[np.generic]
    words: str = ""


def as_photograph(given: Photograph | npt.NDArray[np.generic]) -> Photograph:
    """Bare pixels as a photograph that says nothing of its placement.

    Raises
    ------
    ValueError
        If it is no picture.
    """
    made = given if isinstance(given, Photograph) else Photograph(np.asarray(given))
    check_picture(np.asarray(made.pixels))
    return made


def lay_over_scan(
    pictures: Sequence[tuple[Image, npt.NDArray[np.generic]]],
    maps: xr.Dataset,
    object_mm: tuple[float | None, float | None] = (None, None),
    placements: Mapping[int, Placement] | None = None,
) -> dict[str, Photograph]:
    """Resample the pictures of a study over the field of a scan.

    Parameters
    ----------
    pictures : sequence of (Image, ndarray)
        Entries of the study with the pixels of their files, shape (rows, columns) or
        (rows, columns, 3).
    maps : Dataset
        Element maps of the scan.
    object_mm : tuple of float or None
        Width and height of the object [mm], for pictures without control points.
    placements : mapping of int to Placement, optional
        Where pictures lie, by their number from 0; the others are placed by their points.

    Returns
    -------
    dict of str to Photograph
        By kind, "Photograph" or "Radiograph 2"; grey where a picture does not reach.

    Raises
    ------
    InputError
        If control points are too few, or lie on one line or place.
    """
    from xrfmap.report.overlay import for_screen, lay_on, place

    shape = fields.grid(maps)
    blank = np.round(style.rgb(style.UNSURE) * 255).astype(np.uint8)
    laid: dict[str, Photograph] = {}
    for number, (entry, pixels) in enumerate(pictures):
        small, shrunk = for_screen(pixels)
        points = [(px * shrunk, py * shrunk, x, y) for px, py, x, y in entry.control_points or []]
        known = (placements or {}).get(number)
        if known is not None:
            placement = replace(known, matrix=known.matrix * shrunk)
        elif placements and entry.scan is not None:
            continue  # it belongs to another scan
        else:
            size = small.shape[1], small.shape[0]
            placement = place(points, size, shape, object_mm, entry.file)
        rgba = lay_on(small, placement, shape)
        seen = np.where(rgba[..., 3:] > 0, rgba[..., :3], blank)
        name, count = entry.kind.capitalize(), 1
        while name in laid:
            count += 1
            name = f"{entry.kind.capitalize()} {count}"
        laid[name] = Photograph(seen, placement.words)
    return laid
