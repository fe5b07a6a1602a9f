"""Hidden design: the part of element maps that the visible picture does not explain.

Every map is split into what the colours of a photograph predict, learned at other places of
like colour (:mod:`xrfmap.pictures.colour_model`), and the rest. The rest counts only where it
exceeds

* the noise of the counts, over patches of a few pixels,
* the spread that places of the same colour have elsewhere: paint is never even,
* what the edges of the visible picture could do if they were misplaced by the error of its
  placement: within that reach any value between the lowest and the highest prediction counts
  as explained.

Where a colour occurs nowhere else nothing can be said, and nothing is. A shape whose outline
follows edges of the visible picture is told apart: two paints of one colour look like that.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.numbers import whole
from xrfmap.pictures.colour_model import colour_features
from xrfmap.pictures.hidden_marks import Shape, find_shapes, level_for
from xrfmap.pictures.hidden_split import Split
from xrfmap.spectra.flicker import exposure

__all__ = ["HIDDEN_CAUTIONS", "HiddenSettings", "hidden_design", "shapes_of"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

HIDDEN_CAUTIONS = (
    "What remains unexplained is not yet a hidden picture: uneven thickness of paint or ground, "
    "retouching in the same colour, the support (nails, labels, paint on the back), the distance "
    "to the detector and a changed paint mixture look the same.",
    "A shape that covers more than about half of the places of one colour counts as the rule, "
    "and what lies around it as the exception: more and less then change places.",
    "Where a colour occurs only in one place, nothing can be said about what lies beneath.",
    "A hidden paint that shares all its elements with the paint above, or whose radiation the "
    "paint above absorbs, cannot be seen. An X-radiograph, infrared image or cross-section "
    "decides.",
)


@dataclass(frozen=True)
class HiddenSettings:
    """Choices of the split.

    Attributes
    ----------
    patch_pixels : float
        Standard deviation of the patch that is averaged over. [pixels]
    risk : float
        Chance of one false shape or more in a whole scan, from noise.
    least_share : float
        Of what is explained at a place; a shape that differs by less is not named, since
        paint is seldom more even. [1]
    max_pixels : int
        Larger scans are binned until they have no more.
    """

    patch_pixels: float = 1.5  # finer loses faint shapes, coarser rounds their outlines
    risk: float = 0.05
    least_share: float = 0.1  # no source; hand-applied layers vary by more in thickness
    max_pixels: int = 250_000  # about a minute; the finest shapes are patches anyway


LEAST = 11.0  # area of a shape in squares of the patch: three patches, less is no picture


def hidden_design(
    maps: xr.Dataset,
    picture: npt.ArrayLike,
    *,
    placement_error: float | None = None,
    settings: HiddenSettings = HiddenSettings(),
) -> xr.Dataset:
    """Split element maps into what a visible picture explains and what it does not.

    Parameters
    ----------
    maps : Dataset
        With ``net_counts`` and ``net_counts_err`` [counts] over line, y, x; ``live_time``,
        ``beam`` and ``fit_ok`` are used where present.
    picture : array_like, shape (y, x, 3)
        Visible colours, sRGB from 0 to 1, on the grid of the maps, as
        :func:`xrfmap.pictures.register.picture_on_grid` gives them; NaN where it does not reach.
    placement_error : float, optional
        Standard error of the placement, in the unit of the axes. One pixel if not given.
    settings : HiddenSettings
        See there.

    Returns
    -------
    Dataset
        Over line, y, x: ``explained`` and ``unexplained`` net counts at the mean live time
        (means over the patch), ``unexplained_err``, ``significance`` in standard errors, and
        ``shape``: 1 in a shape with an outline of its own, 2 in one that follows the visible
        picture, else 0. Over y, x: ``joint`` (one picture from all
        families with a shape of its own), ``colour_elsewhere`` (whether anything can be said).
        Over line: ``loading`` in the joint picture. NaN where
        nothing can be said. Attributes: ``level`` (significance that noise exceeds anywhere
        in the scan with chance ``risk``), ``shapes`` (JSON), ``reach`` [pixels].

    Raises
    ------
    InputError
        If the maps lack counts and errors, the shapes disagree, or fewer than 400 pixels have
        both colour and counts.
    """
    rgb = np.asarray(picture, dtype=np.float64)
    step = _step((maps.sizes["y"], maps.sizes["x"]), settings.max_pixels)
    values, errors = _rates(maps, rgb, step)
    errors /= step
    rgb = _binned_rgb(rgb, step)
    y, x = (_centres(maps[name].values, step) for name in ("y", "x"))
    pixel = _pixel(y, x)
    reach = max(1, math.ceil(2 * (pixel if placement_error is None else placement_error) / pixel))
    features = colour_features(rgb)
    block = int(np.clip(min(features.shape[:2]) // 6, 6, 32))
    split = Split(values, errors, features, block, reach, settings.patch_pixels)
    level = level_for(_shape(features), settings.patch_pixels, len(values), settings.risk)
    gap = reach + settings.patch_pixels
    least = max(9, round(LEAST * settings.patch_pixels**2))
    lines = [str(label) for label in maps["line"].values]
    parts = split.share()
    shapes = [
        shape
        for line, z, part in zip(lines, split.significance, parts, strict=True)
        for shape in find_shapes(
            z, line, level, features,
            strength=part / settings.least_share, gap=gap, least=least,
        )
    ]  # fmt: skip
    loading, joint = _joint(split.significance, lines, shapes)
    named = np.zeros(values.shape, dtype=np.int8)
    for shape in shapes:
        named[lines.index(shape.line), shape.inside] = 2 if shape.follows_picture else 1
    found = xr.Dataset(
        {
            "explained": (("line", "y", "x"), split.explained, {"units": "counts"}),
            "unexplained": (("line", "y", "x"), split.unexplained, {"units": "counts"}),
            "unexplained_err": (("line", "y", "x"), split.error, {"units": "counts"}),
            "significance": (("line", "y", "x"), split.significance, {"units": "1"}),
            "shape": (("line", "y", "x"), named),
            "joint": (("y", "x"), joint, {"units": "1"}),
            "colour_elsewhere": (("y", "x"), split.known),
            "loading": ("line", loading, {"units": "1"}),
        },
        coords={"line": lines, "y": ("y", y, maps["y"].attrs), "x": ("x", x, maps["x"].attrs)},
    )
    return found.assign_attrs(
        level=level, risk=settings.risk, reach=reach, patch_pixels=settings.patch_pixels,
        block_pixels=block, binned=step,
        shapes=json.dumps([_told(s, y, x, parts[lines.index(s.line)]) for s in shapes]),
    )  # fmt: skip


def shapes_of(hidden: xr.Dataset) -> list[dict[str, Any]]:
    """Shapes of a result of :func:`hidden_design`, the most significant first.

    Parameters
    ----------
    hidden : Dataset
        Result.

    Returns
    -------
    list of dict
        ``line``, ``sign``, ``peak`` [standard errors], ``area`` [square units of the axes],
        ``x``, ``y`` (mean place), ``row``, ``column`` (the same in points of the split),
        ``left``, ``right``, ``top``, ``bottom`` (edges of its box), ``share`` (median of what is
        unexplained over what is explained), ``on_edges``, ``by_chance`` (shares of its outline),
        ``follows_picture``.
    """
    told: list[dict[str, Any]] = json.loads(str(hidden.attrs["shapes"]))
    return sorted(told, key=lambda s: -float(s["peak"]))


def _told(shape: Shape, y: Array, x: Array, part: Array) -> dict[str, Any]:
    rows, columns = np.nonzero(shape.inside)
    row, column = float(np.mean(rows)), float(np.mean(columns))
    high, wide = _spacing(y), _spacing(x)
    at_y, at_x = y[rows], x[columns]
    return {
        "line": shape.line, "sign": shape.sign, "peak": round(shape.peak, 2),
        "area": round(rows.size * high * wide, 2), "row": round(row, 1),
        "column": round(column, 1),
        "x": round(float(at_x.mean()), 3), "y": round(float(at_y.mean()), 3),
        "left": round(float(at_x.min()) - wide / 2, 3),
        "right": round(float(at_x.max()) + wide / 2, 3),
        "top": round(float(at_y.min()) - high / 2, 3),
        "bottom": round(float(at_y.max()) + high / 2, 3),
        "share": round(float(np.nanmedian(part[shape.inside])), 3),
        "on_edges": round(shape.on_edges, 3),
        "by_chance": round(shape.by_chance, 3),
        "follows_picture": shape.follows_picture,
    }  # fmt: skip


def _shape(features: Array) -> tuple[int, int]:
    return features.shape[0], features.shape[1]


def _rates(maps: xr.Dataset, rgb: Array, step: int) -> tuple[Array, Array]:
    """Net counts and errors at the mean exposure, means over bins, NaN where the fit failed.

    One line after the other, since all of a large scan would take gigabytes.
    """
    missing = [n for n in ("net_counts", "net_counts_err") if n not in maps]
    if missing:
        raise InputError(
            "maps", ", ".join(missing), found="nothing", expected="net counts with errors",
            remedy="pass the Dataset that map_elements returns or that maps.nc holds",
        )  # fmt: skip
    wanted = (maps.sizes["y"], maps.sizes["x"], 3)
    if rgb.shape != wanted:
        raise InputError(
            "picture", "shape", found=str(rgb.shape), expected=str(wanted),
            remedy="lay the picture on the grid of the maps with register.picture_on_grid",
        )  # fmt: skip
    good = np.ones(wanted[:2], dtype=bool)
    for name in ("net_counts", "net_counts_err"):
        for plane in _planes(maps, name):
            good &= np.isfinite(plane)
    if "fit_ok" in maps:
        good &= np.asarray(maps["fit_ok"].transpose("y", "x").values, dtype=bool)
    scale = np.ones(good.shape)
    seen = exposure(maps)
    if seen is not None:
        shares = np.asarray(seen.transpose("y", "x").values, dtype=np.float64)
        known = np.isfinite(shares)
        if known.any():
            good &= known
            scale = shares[known].mean() / shares
    coloured = int((good & np.isfinite(rgb).all(axis=2)).sum())
    if coloured < 400:
        raise InputError(
            "picture", found=f"{whole(coloured)} pixels with both colour and counts",
            expected="400 or more", remedy="check where the picture was laid on the scan",
        )  # fmt: skip
    values, errors = (
        np.stack([
            _binned(np.where(good, plane * scale, np.nan), step) for plane in _planes(maps, name)
        ])
        for name in ("net_counts", "net_counts_err")
    )  # fmt: skip
    return values, errors


def _planes(maps: xr.Dataset, name: str) -> Iterator[Array]:
    """Plane after plane of a field, shape (y, x)."""
    for line in range(maps.sizes["line"]):
        yield np.asarray(maps[name].isel(line=line).transpose("y", "x").values, dtype=np.float64)


def _step(shape: Sequence[int], most: int) -> int:
    return max(1, math.ceil(math.sqrt(shape[-2] * shape[-1] / most)))


def _binned(values: Array, step: int) -> Array:
    """Means over square bins; NaN where any pixel of a bin is missing."""
    if step == 1:
        return values
    rows, columns = values.shape[-2] // step, values.shape[-1] // step
    cut = values[..., : rows * step, : columns * step]
    return np.asarray(
        cut.reshape(*values.shape[:-2], rows, step, columns, step).mean(axis=(-3, -1))
    )


def _binned_rgb(rgb: Array, step: int) -> Array:
    return np.moveaxis(_binned(np.moveaxis(rgb, -1, 0), step), 0, -1)


def _centres(places: npt.ArrayLike, step: int) -> Array:
    values = np.asarray(places, dtype=np.float64)
    count = len(values) // step
    return np.asarray(values[: count * step].reshape(count, step).mean(axis=1))


def _spacing(places: Array) -> float:
    step = float(np.median(np.abs(np.diff(places)))) if places.size > 1 else 0.0
    return step if step > 0 else 1.0


def _pixel(y: Array, x: Array) -> float:
    return (_spacing(y) + _spacing(x)) / 2


def _joint(
    significance: Array, lines: Sequence[str], shapes: Sequence[Shape]
) -> tuple[Array, Array]:
    """Join the families that show a shape of their own: loadings and one picture.

    The first component of the significances, made robust by letting large ones grow only as
    the logarithm; the noise is taken off the diagonal, and shapes that follow the visible
    picture count as nothing. The family that weighs most is
    positive, so that its surplus is bright.
    """
    telling = {s.line for s in shapes if not s.follows_picture}
    use = [k for k, line in enumerate(lines) if line in telling]
    loading, joint = np.zeros(len(lines)), np.full(significance.shape[1:], np.nan)
    known = np.isfinite(significance).all(axis=0)
    if not use or not known.any():
        return loading, joint
    told = significance[use].copy()
    for shape in shapes:
        if shape.follows_picture and shape.line in telling:
            told[use.index(lines.index(shape.line)), shape.inside] = 0.0
    calm = 2 * np.arcsinh(told[:, known] / 2)
    shared = calm @ calm.T / calm.shape[1] - np.eye(len(use))
    _, vectors = np.linalg.eigh(shared)
    first = vectors[:, -1]
    first = first * np.sign(first[np.argmax(np.abs(first))])
    loading[use] = first
    joint[known] = first @ calm
    return loading, joint
