"""Invented pictures and scans whose hidden part is known, for tests of the split."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import gaussian_filter

Array = npt.NDArray[np.float64]

COLOURS = np.array(
    [[0.50, 0.60, 0.72], [0.85, 0.84, 0.78], [0.68, 0.52, 0.28], [0.25, 0.20, 0.15]]
)  # sky, cloud, bank, shadow
CONTENT = np.array([[0.3, 1.0, 0.15], [0.05, 1.8, 0.1], [0.1, 0.3, 1.2], [0.05, 0.1, 0.7]])
LINES = ("Cu K", "Pb L", "Fe K")  # columns of CONTENT, of the four paints


def paints(shape: tuple[int, int], seed: int, size: float = 7.0) -> Array:
    """Shares of the four paints, shape (4, y, x): patches that recur all over the picture."""
    rng = np.random.default_rng(seed)
    fields = [gaussian_filter(rng.standard_normal(shape), size, mode="wrap") for _ in COLOURS]
    fields = [f / f.std() for f in fields]
    best = np.argmax(fields, axis=0)
    hard = np.stack([(best == k).astype(float) for k in range(len(COLOURS))])
    soft = gaussian_filter(hard, (0, 0.7, 0.7))  # a beam as wide as a pixel
    return np.asarray(soft / soft.sum(axis=0))


def colours(shares: Array, seed: int, grain: float = 0.012) -> Array:
    """Visible picture on the grid of the scan, with the grain of brush and camera."""
    rng = np.random.default_rng(seed + 1000)
    light = np.tensordot(shares, COLOURS**2.2, axes=(0, 0))
    seen = np.clip(light, 0, 1) ** (1 / 2.2)
    return np.asarray(np.clip(seen + rng.normal(0, grain, seen.shape), 0, 1))


def figure(shape: tuple[int, int]) -> Array:
    """Hidden figure: a head and shoulders, 1 inside and 0 outside, edges a pixel wide."""
    y, x = np.indices(shape, dtype=float)
    y, x = y / shape[0], x / shape[1]
    head = np.hypot((x - 0.45) / 0.10, (y - 0.32) / 0.14) < 1
    body = (np.hypot((x - 0.45) / 0.22, (y - 0.85) / 0.36) < 1) & (y < 0.85)
    return np.asarray(gaussian_filter((head | body).astype(float), 0.7))


def scan_of(
    shares: Array,
    counts: float,
    seed: int,
    hidden: Array | None = None,
    strength: float = 0.6,
    background: float = 0.2,
    unevenness: float = 0.0,
) -> xr.Dataset:
    """Maps with Poisson counts; the figure adds copper under whatever is in sight.

    `counts` is the mean number of counts of a family of content 1; `unevenness` the relative
    spread of the thickness of paint over a few pixels.
    """
    rng = np.random.default_rng(seed + 2000)
    mean = counts * np.tensordot(CONTENT, shares, axes=(0, 0))
    if unevenness:
        coat = gaussian_filter(rng.standard_normal(shares.shape[1:]), 1.5)
        mean = mean * np.maximum(1 + unevenness * coat / coat.std(), 0.1)
    if hidden is not None:
        mean[0] += counts * strength * hidden
    below = counts * background
    drawn = rng.poisson(mean + below)
    return xr.Dataset(
        {
            "net_counts": (("line", "y", "x"), drawn - below),
            "net_counts_err": (("line", "y", "x"), np.sqrt(drawn + 1.0)),
        },
        coords={
            "line": list(LINES),
            "y": ("y", np.arange(mean.shape[1]) + 0.5, {"units": "mm"}),
            "x": ("x", np.arange(mean.shape[2]) + 0.5, {"units": "mm"}),
        },
    )
