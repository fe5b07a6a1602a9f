"""Maps split into what colours explain and the rest, patch by patch, with its significance."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter
from scipy.spatial import KDTree

from xrfmap.pictures.colour_model import explain

__all__ = ["Split"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

POOL = 1000  # pixels that stand for the colours of the whole scan
LIKE = 64  # of them, that count as like-coloured
NEED = 7  # of them must be as near as NEAR, or the colour occurs nowhere else
LOW = 0.35  # quantile of like-coloured places for their spread: a shape may cover the others
LOW_OF_NORMAL = 0.4538  # that quantile of a normal variable without sign
STRETCH = 16_384  # places whose like ones are looked at together
NEAR = 0.3  # [spreads of the colours]; about seven CIELAB units in a colourful picture


class Split:
    """Explained and unexplained parts with their significance.

    Parameters
    ----------
    values, errors : ndarray, shape (k, y, x)
        Net counts and standard errors; NaN where missing.
    features : ndarray, shape (y, x, d)
        Colours, from :func:`xrfmap.pictures.colour_model.colour_features`.
    block : int
        Side of the blocks that are predicted from the others. [pixels]
    reach : int
        How far edges may be misplaced. [pixels]
    sigma : float
        Standard deviation of the patch. [pixels]

    Attributes
    ----------
    explained, unexplained, error, significance : ndarray, shape (k, y, x)
        Means over the patch; NaN where nothing can be said.
    known : ndarray of bool, shape (y, x)
        Where the colour occurs elsewhere too.
    """

    def __init__(
        self, values: Array, errors: Array, features: Array, block: int, reach: int, sigma: float
    ) -> None:
        self.good: Mask = np.asarray(
            np.isfinite(values).all(axis=0) & np.isfinite(features).all(axis=2)
        )
        told = explain(values, errors, features, block=block)
        like, nearest = _like_coloured(features, self.good, block)
        self.known: Mask = self.good & (nearest <= NEAR)
        weight = gaussian_filter(self.good.astype(float), sigma)
        k = len(values)
        self.explained, self.unexplained, self.error, self.significance = (
            np.full(values.shape, np.nan) for _ in range(4)
        )
        disc = np.hypot(*np.indices((2 * reach + 1,) * 2) - reach) <= reach + 0.5
        for line in range(k):
            mean = self._patch(told.predicted[line], sigma, weight)
            seen = self._patch(values[line], sigma, weight)
            # two explanations that fail in different ways: the smooth model blurs sharp steps
            # between like colours, the median of like places has few of a rare colour
            usual = mean.copy()
            usual[self.good] = _rank(seen[self.good], like, 0.5)
            usual = self._patch(usual, sigma, weight)
            low = minimum_filter(np.minimum(mean, usual), footprint=disc)
            high = maximum_filter(np.maximum(mean, usual), footprint=disc)
            left = seen - np.clip(seen, low, high)
            noise = self._patch(errors[line] ** 2, sigma / math.sqrt(2), weight)
            noise /= 4 * math.pi * sigma**2
            doubt = self._patch(told.error[line], sigma, weight)
            # of the whole difference: what the reach of edges takes away would hide how
            # uneven a paint is
            spread = np.zeros(left.shape)
            away = np.abs(seen - mean)[self.good]
            spread[self.good] = _rank(away, like, LOW) / LOW_OF_NORMAL
            spread = self._patch(spread, 2 * sigma, gaussian_filter(self.good * 1.0, 2 * sigma))
            err = np.sqrt(np.maximum(noise + doubt**2, spread**2))
            self.explained[line] = np.where(self.good, mean, np.nan)
            self.unexplained[line] = np.where(self.known, left, np.nan)
            self.error[line] = np.where(self.known, err, np.nan)
            self.significance[line] = np.where(self.known, left / np.maximum(err, 1e-300), np.nan)

    def share(self) -> Array:
        """Unexplained part over what is explained there, or over its error if that is more."""
        whole = np.maximum(np.abs(self.explained), self.error)
        return np.asarray(self.unexplained / np.maximum(whole, 1e-300))

    def _patch(self, values: Array, sigma: float, weight: Array) -> Array:
        filled = gaussian_filter(np.where(self.good, values, 0.0), sigma)
        return np.asarray(filled / np.maximum(weight, 1e-3))


def _rank(values: Array, like: npt.NDArray[np.int32], share: float) -> Array:
    """Quantile of the values at like places, shape (n,), without interpolation."""
    k = round(share * (like.shape[1] - 1))
    found = np.empty(len(like))
    for start in range(0, len(like), STRETCH):
        part = slice(start, start + STRETCH)
        found[part] = np.partition(values[like[part]], k, axis=1)[:, k]
    return found


def _like_coloured(features: Array, good: Mask, block: int) -> tuple[npt.NDArray[np.int32], Array]:
    """For each good pixel, others of like colour far away, and how like the nearest are.

    Returns indices among the good pixels, shape (n, LIKE), and the distance in colour of the
    :data:`NEED` nearest, shape (y, x), NaN elsewhere. Far away: not in the same block of the
    scan nor one of its eight neighbours.
    """
    colour = features[good]
    place = np.argwhere(good) // block
    rng = np.random.default_rng(22)
    pool = rng.permutation(len(colour))[:POOL]
    like = np.empty((len(colour), min(LIKE, POOL)), dtype=np.int32)
    near = np.full(len(colour), np.inf)
    numbers = place[:, 0] * (place[:, 1].max() + 1) + place[:, 1]
    order = np.argsort(numbers, kind="stable")
    for mine in np.split(order, np.flatnonzero(np.diff(numbers[order])) + 1):
        away = np.max(np.abs(place[pool] - place[mine[0]]), axis=1) > 1
        far = pool[away] if away.sum() >= like.shape[1] else pool
        distance, index = KDTree(colour[far]).query(colour[mine], k=min(like.shape[1], len(far)))
        like[mine] = (
            far[np.resize(index, (len(mine), like.shape[1]))]
            if (index.shape[1] < like.shape[1])
            else far[index]
        )
        near[mine] = distance[:, min(NEED, index.shape[1]) - 1] if away.any() else np.inf
    nearest = np.full(good.shape, np.nan)
    nearest[good] = near
    return like, nearest
