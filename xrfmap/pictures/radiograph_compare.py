"""A given radiograph against the one that the scanned elements would give.

Both are brought to patches of a few pixels. How grey follows opacity is not known (film,
exposure, scanner), only that it rises or falls: so ranks are correlated, and grey is predicted
by the monotone curve that fits best. What the curve misses by more than the edges of a misplaced
picture could is the difference, in spreads of what it misses altogether.

References
----------
.. [1] R. E. Barlow et al., Statistical Inference under Order Restrictions (1972): isotonic
   regression (from memory).
.. [2] H. R. Kunsch, Ann. Statist. 17, 1217 (1989): bootstrap of blocks for values that hang
   together with their neighbours (from memory).
"""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import (
    binary_erosion,
    find_objects,
    gaussian_filter,
    label,
    maximum_filter,
    minimum_filter,
)
from scipy.stats import rankdata

from xrfmap.errors import InputError
from xrfmap.numbers import whole

__all__ = ["RADIOGRAPH_CAUTIONS", "compare_radiographs", "differences_of"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

RADIOGRAPH_CAUTIONS = (
    "A radiograph sees everything from the front to the back, the scan only what its lines reach: "
    "a place that absorbs more than simulated may hold lead white below the reach of the scan, a "
    "dense ground, paint, a label or a cradle on the back, nails, knots or another board, a "
    "filling of wax or putty, or elements below their detection limits.",
    "A place that absorbs less may be a loss, a joint, a crack, a worm channel or thinner wood; or "
    "a thin layer at the surface that the scan takes for more than it is.",
    "Uneven exposure and the seams of several films look like differences as well, and so does a "
    "picture that is not laid exactly. Two paints that absorb alike cannot be told apart.",
)

PATCH = 1.5  # standard deviation of the patch [pixels], as in the split by colours
DRAWS = 400  # of the bootstrap; its limits are then good to a few percent of their width
BLOCKS = 8  # on the shorter side; larger blocks keep what hangs together in one piece
OUTSTANDS = 4.0  # spreads; of even noise one pixel in 16 000 lies so far off
LEAST_PIXELS = 9  # a nail on a scan of coarse points
RIM = 2  # points at the end of the maps that the patch fills from beyond, besides the reach
MOST = 20  # places that are listed
LEAST_FIELD = 400  # pixels with both; fewer are no picture


def compare_radiographs(
    simulated: xr.Dataset, given: npt.ArrayLike, *, reach: int = 1, seed: int = 0
) -> xr.Dataset:
    """Compare a given radiograph with the simulated one.

    Parameters
    ----------
    simulated : Dataset
        From :func:`xrfmap.pictures.radiograph.simulated_radiograph`.
    given : array_like, shape (y, x) or (y, x, 3)
        Grey of the given radiograph on the same grid, any unit; NaN where it does not reach.
    reach : int
        How far edges may be misplaced. [pixels]
    seed : int
        Seed of the bootstrap.

    Returns
    -------
    Dataset
        `simulated` with, over y, x: ``given`` (grey as it came), ``predicted`` (grey that the
        simulated opacity stands for) and ``difference`` [spreads], positive where the given
        radiograph absorbs more. NaN where either is missing, the difference also within
        `reach` and a patch of the end of the maps. Attributes: ``rank_correlation``
        and ``linear_correlation`` with ``_low`` and ``_high`` (95 %, positive where light means
        opaque), ``absorbing`` (``"light"``, ``"dark"`` or ``"cannot tell"``), ``differences``
        (JSON). Without a direction there is no difference: it is NaN everywhere.

    Raises
    ------
    InputError
        If the shapes disagree, or fewer than 400 pixels have both.
    """
    opaque = np.asarray(simulated["opacity"].transpose("y", "x").values, dtype=np.float64)
    grey = np.asarray(given, dtype=np.float64)
    grey = grey.mean(axis=2) if grey.ndim == 3 else grey
    if grey.shape != opaque.shape:
        raise InputError(
            "radiograph", "shape", found=str(grey.shape), expected=str(opaque.shape),
            remedy="lay the picture on the grid of the maps with register.picture_on_grid",
        )  # fmt: skip
    both: Mask = np.isfinite(grey) & np.isfinite(opaque)
    if both.sum() < LEAST_FIELD:
        raise InputError(
            "radiograph", found=f"{whole(int(both.sum()))} pixels with both grey and maps",
            expected=f"{LEAST_FIELD} or more", remedy="check where the picture was laid",
        )  # fmt: skip
    mapped: Mask = np.isfinite(opaque)
    soft_grey, soft_opaque = _patches(grey, np.isfinite(grey)), _patches(opaque, mapped)
    attrs: dict[str, Any] = {}
    one, other = soft_grey[both], soft_opaque[both]
    for name, a, b in (("linear", one, other), ("rank", rankdata(one), rankdata(other))):
        value, low, high = _correlation(a, b, both, seed)
        attrs |= {f"{name}_correlation": value, f"{name}_correlation_low": low,
                  f"{name}_correlation_high": high}  # fmt: skip
    sign = _sign(attrs["rank_correlation_low"], attrs["rank_correlation_high"])
    attrs["absorbing"] = {1: "light", -1: "dark", 0: "cannot tell"}[sign]
    predicted, difference = (np.full(grey.shape, np.nan) for _ in range(2))
    if sign:
        dense = sign * soft_grey  # grows with what is absorbed, whichever way it was printed
        # wherever there are maps: an edge just beyond the picture may belong into it
        predicted[mapped] = _curve(soft_opaque[both], dense[both], soft_opaque[mapped])
        difference = _beyond_edges(dense, predicted, both, reach)
        predicted *= sign
    places = _places(difference, simulated) if sign else []
    return simulated.assign(
        given=(("y", "x"), np.where(both, grey, np.nan)),
        predicted=(("y", "x"), predicted),
        difference=(("y", "x"), difference, {"units": "spreads"}),
    ).assign_attrs(attrs, reach=reach, patch_pixels=PATCH, differences=json.dumps(places))


def differences_of(compared: xr.Dataset) -> list[dict[str, Any]]:
    """Places where the two radiographs part, the strongest first.

    Parameters
    ----------
    compared : Dataset
        From :func:`compare_radiographs`.

    Returns
    -------
    list of dict
        ``sign`` (+1 absorbs more than simulated), ``peak`` [spreads], ``x``, ``y`` (mean place),
        ``width``, ``height`` (its box) and ``area``, in units of the axes.
    """
    told: list[dict[str, Any]] = json.loads(str(compared.attrs["differences"]))
    return told


def _patches(values: Array, both: Mask) -> Array:
    weight = gaussian_filter(both.astype(float), PATCH)
    filled = gaussian_filter(np.where(both, values, 0.0), PATCH)
    return np.where(both, filled / np.maximum(weight, 1e-3), np.nan)


def _correlation(one: Array, other: Array, both: Mask, seed: int) -> tuple[float, float, float]:
    """Correlation with its 95 % interval from a bootstrap of blocks."""
    side = max(4, min(both.shape) // BLOCKS)
    row, column = np.nonzero(both)
    block = (row // side) * (both.shape[1] // side + 1) + column // side
    _, block = np.unique(block, return_inverse=True)
    a, b = one - one.mean(), other - other.mean()
    sums = np.stack([np.bincount(block, v) for v in (np.ones_like(a), a, b, a * a, b * b, a * b)])
    many = sums.shape[1]
    rng = np.random.default_rng(seed)
    weight = rng.multinomial(many, np.full(many, 1 / many), size=DRAWS).T.astype(np.float64)
    low, high = np.quantile(_from_sums(sums @ weight), [0.025, 0.975])
    return float(_from_sums(sums.sum(axis=1))), float(low), float(high)


def _from_sums(sums: Array) -> Array:
    n, a, b, aa, bb, ab = sums
    spread = np.sqrt(np.maximum((aa - a * a / n) * (bb - b * b / n), 0.0))
    return np.asarray(np.where(spread > 0, (ab - a * b / n) / np.maximum(spread, 1e-300), 0.0))


def _sign(low: float, high: float) -> int:
    return 1 if low > 0 else -1 if high < 0 else 0


def _curve(opaque: Array, grey: Array, wanted: Array) -> Array:
    """Grey by the rising curve that fits best, level beyond its ends."""
    from sklearn.isotonic import IsotonicRegression

    return np.asarray(IsotonicRegression(out_of_bounds="clip").fit(opaque, grey).predict(wanted))


def _beyond_edges(grey: Array, predicted: Array, both: Mask, reach: int) -> Array:
    """Measure what misplaced edges cannot explain, in spreads of all that the curve misses."""
    disc = np.hypot(*np.indices((2 * reach + 1,) * 2) - reach) <= reach + 0.5
    there = np.isfinite(predicted)
    low = minimum_filter(np.where(there, predicted, np.inf), footprint=disc)
    high = maximum_filter(np.where(there, predicted, -np.inf), footprint=disc)
    missed = np.abs(grey - predicted)[both]
    spread = float(np.median(missed)) / 0.6745  # of a normal variable
    # beyond the field nobody knows what may belong into it: the rim of the panel, a frame
    inner = binary_erosion(there, iterations=reach + RIM) & both
    left = np.where(inner, grey - np.clip(grey, low, high), np.nan)
    return np.asarray(left / max(spread, 1e-12 * float(np.ptp(grey[both])), 1e-300))


def _places(difference: Array, simulated: xr.Dataset) -> list[dict[str, Any]]:
    y, x = (np.asarray(simulated[v].values, dtype=np.float64) for v in ("y", "x"))
    high, wide = (abs(float(np.median(np.diff(v)))) if v.size > 1 else 1.0 for v in (y, x))
    told = []
    for sign in (1, -1):
        signed = np.nan_to_num(sign * difference)
        parts, _ = label(signed > OUTSTANDS / 2)
        for number, box in enumerate(find_objects(parts), 1):
            inside = parts[box] == number
            peak = float(signed[box][inside].max())
            if peak < OUTSTANDS or inside.sum() < LEAST_PIXELS:
                continue
            rows, columns = np.nonzero(parts == number)
            told.append({
                "sign": sign, "peak": round(min(peak, 1e6), 2),
                "x": round(float(x[columns].mean()), 3), "y": round(float(y[rows].mean()), 3),
                "width": round(float(np.ptp(x[columns])) + wide, 3),
                "height": round(float(np.ptp(y[rows])) + high, 3),
                "area": round(rows.size * high * wide, 2),
            })  # fmt: skip
    return sorted(told, key=lambda p: -float(p["peak"]) * math.sqrt(float(p["area"])))[:MOST]
