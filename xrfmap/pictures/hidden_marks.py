"""Shapes in what colours leave unexplained: how sure they are, and whose outline they follow.

References
----------
.. [1] K. J. Worsley et al., J. Cereb. Blood Flow Metab. 12, 900 (1992): expected Euler
   characteristic of a smooth Gaussian field above a level (from memory); checked against
   simulated fields in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import (
    binary_dilation,
    binary_erosion,
    find_objects,
    gaussian_filter,
    label,
)
from scipy.special import ndtr

__all__ = ["Shape", "find_shapes", "level_for"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FOLLOWS = 0.6  # share of an outline along edges in sight, chance apart, from which it follows them
MOST = 0.85  # an outline that crosses even colour nowhere proves nothing, whatever the chance
STEP = 0.3  # of colour across an outline that makes it an edge in sight [spreads of colours]
HALF = 0.5  # of the height of a shape, where its outline is drawn


@dataclass(frozen=True, eq=False)
class Shape:
    """A connected part of one map that the visible picture does not explain.

    Attributes
    ----------
    line : str
        Line family.
    sign : int
        +1 more counts than explained, -1 fewer.
    inside : ndarray of bool, shape (y, x)
        Its pixels.
    peak : float
        Largest significance. [standard errors]
    on_edges : float
        Share of its outline across which the visible colour changes, 0 to 1.
    by_chance : float
        The same for its outline laid elsewhere on the picture.
    """

    line: str
    sign: int
    inside: Mask
    peak: float
    on_edges: float
    by_chance: float

    @property
    def follows_picture(self) -> bool:
        """Whether its outline is, or cannot be told from, that of something in sight."""
        return self.on_edges > min(MOST, FOLLOWS + (1 - FOLLOWS) * self.by_chance)


def level_for(shape: tuple[int, int], sigma: float, maps: int, risk: float = 0.05) -> float:
    """Level that noise alone exceeds anywhere, in any map, with a stated chance.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    sigma : float
        Standard deviation of the patch. [pixels]
    maps : int
        Maps that are looked at, on either side.
    risk : float
        Chance of one false shape or more in the whole scan.

    Returns
    -------
    float
        Level in standard errors, from the expected Euler characteristic [1]_.
    """
    fwhm = 2.3548 * sigma  # of the kernel that white noise was smoothed with
    a, b = shape[0] / fwhm, shape[1] / fwhm
    root = math.sqrt(4 * math.log(2))

    def expected(level: float) -> float:
        core = math.exp(-0.5 * level**2)
        return float(
            a * b * root**2 / (2 * math.pi) ** 1.5 * level * core
            + (a + b) * root / (2 * math.pi) * core
            + ndtr(-level)
        )

    low, high = 1.0, 12.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if 2 * maps * expected(middle) > risk else (low, middle)
    return high


def find_shapes(
    significance: Array,
    line: str,
    level: float,
    features: Array,
    *,
    strength: Array,
    gap: float,
    least: int,
) -> list[Shape]:
    """Find connected parts beyond a level, the strongest first.

    Parameters
    ----------
    significance : ndarray, shape (y, x)
        In standard errors; NaN where nothing can be said.
    line : str
        Line family.
    level : float
        From :func:`level_for`. A shape reaches it somewhere and extends to half of it.
    features : ndarray, shape (y, x, d)
        Colours, from :func:`xrfmap.pictures.colour_model.colour_features`.
    strength : ndarray, shape (y, x)
        Unexplained part over the least that would count: a shape's median reaches 1.
    gap : float
        How far from an outline colours are compared, about the error of the placement and
        the patch together. [pixels]
    least : int
        Pixels a shape has at least.

    Returns
    -------
    list of Shape
        Empty where nothing passes.
    """
    shapes = []
    values = np.nan_to_num(significance)
    known = np.isfinite(significance)
    for sign in (1, -1):
        signed = sign * values
        parts, _ = label(signed > level / 2)
        for number, box in enumerate(find_objects(parts), 1):
            inside = parts == number
            peak = float(signed[box][inside[box]].max())
            if peak < level or inside[box].sum() < least:
                continue
            if np.nanmedian(np.abs(strength[box][inside[box]])) < 1:
                continue
            height = float(np.quantile(signed[box][inside[box]], 0.75))
            core = inside & (signed > min(HALF * height, peak / 2))
            shapes.append(
                Shape(line, sign, inside, peak, *_follows(core, known, features, gap, box))
            )
    return sorted(shapes, key=lambda s: -s.peak)


def _follows(
    inside: Mask, known: Mask, features: Array, gap: float, box: tuple[slice, slice]
) -> tuple[float, float]:
    """Share of an outline across which colours differ, and the same share elsewhere by chance.

    By chance: the same outline laid on the picture some way off, in eight directions.
    The border of the field and of unknown parts is no outline.
    """
    away = math.ceil(4 * gap)
    margin = 2 * away + math.ceil(3 * gap)
    rows, columns = (slice(max(s.start - margin, 0), s.stop + margin) for s in box)
    # only the neighbourhood of the shape, or many shapes would cost many whole fields
    inside, known = inside[rows, columns], known[rows, columns]
    colour = features[rows, columns, :3]
    outline = binary_dilation(inside) & ~binary_erosion(inside, border_value=1)
    outline &= ~binary_dilation(~known)
    if outline.sum() < 8:
        return 1.0, 0.0  # it lies among colours that occur nowhere else
    band = binary_dilation(outline, iterations=max(1, round(gap / 2)))
    seen: Mask = np.asarray(np.isfinite(colour).all(axis=2))
    colour = np.where(seen[..., None], colour, 0.0)
    shifts = [(away * i, away * j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    here = _step_share(inside, outline, band, seen, colour, gap)
    others = [
        _step_share(
            inside, outline, band,
            np.roll(seen, shift, (0, 1)), np.roll(colour, shift, (0, 1)), gap,
        )
        for shift in shifts
    ]  # fmt: skip
    return here, float(np.mean(others))


def _step_share(
    inside: Mask, outline: Mask, band: Mask, seen: Mask, colour: Array, gap: float
) -> float:
    sides = []
    for side in (inside, ~inside):
        use = side & ~band & seen  # along the outline colours mix and edges may be misplaced
        weight = gaussian_filter(use.astype(float), gap)
        mean = [gaussian_filter(colour[..., c] * use, gap) for c in range(3)]
        sides.append((np.stack(mean, axis=-1) / np.maximum(weight, 1e-9)[..., None], weight))
    (within, here), (beyond, there) = sides
    sure = outline & (here > 1e-3) & (there > 1e-3)
    if not sure.any():
        return 1.0
    return float((np.linalg.norm(within - beyond, axis=2) > STEP)[sure].mean())
