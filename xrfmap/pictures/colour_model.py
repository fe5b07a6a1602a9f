"""What the colours of a visible picture say about element maps, tested on parts left out.

A ridge regression on soft colour classes (radial functions around landmarks in the space of
colours and of their surroundings). It knows no place: what it predicts at a pixel comes from
pixels of like colour elsewhere. The scan is cut into square blocks that are dealt to five
folds, and each fold is predicted from the others, so that a shape cannot be learned at the
place where it lies. The fit is robust: where most places of one colour agree, the few that do
not agree have no say, so that a hidden shape does not colour what counts as explained.

References
----------
.. [1] C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning (2006),
   section 8.3, regression on a subset of radial functions (from memory).
.. [2] P. J. Huber, Robust Statistics (1981), chapter 7, modified residuals: a robust fit by
   repeated least squares on one matrix; the weight exp(-r**2 / 2) is that of Welsch (both
   from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.ndimage import gaussian_filter

from xrfmap.numbers import whole

__all__ = ["FOLDS", "Explained", "colour_features", "explain", "folds_of_blocks"]

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

FOLDS = 5
LANDMARKS = 120  # more gained nothing on simulated paintings; the cost grows with them
WIDTH = 0.7  # of the radial functions, in spreads of the colours; 0.35 and 1.4 did worse
RIDGES = (0.1, 10.0)  # the data choose for each map; stiffer where it makes no difference
TEACHERS = 5000  # pixels that a fold learns from; keeps the cost of large scans linear
ROUNDS = 14  # of modified residuals; the bound shrinks from the whole spread to the noise
SHRINK = 0.7  # of the bound from round to round; slower gained nothing
BOUND = 3.0  # standard errors at which a pixel begins to lose its say
STIFFER = 1.05  # a stiffer model is taken when its loss is at most so much larger
SURROUND_PIXELS = 3.0  # what counts as the surroundings of a pixel
_SLICE = 16384  # pixels at a time: 120 radial functions of so many are 16 MB


@dataclass(frozen=True, eq=False)
class Explained:
    """What colours predict for each map at pixels that the model has not seen.

    Attributes
    ----------
    predicted : ndarray, shape (k, y, x)
        Unit of the maps; NaN where a pixel has no colour.
    error : ndarray, shape (k, y, x)
        Standard error of the prediction from the noise of the pixels it was learned from.
    ridge : ndarray, shape (k,)
        The chosen penalties.
    """

    predicted: Array
    error: Array
    ridge: Array


def colour_features(picture: npt.ArrayLike, *, surround: float = SURROUND_PIXELS) -> Array:
    """Colour of each pixel and of its surroundings, on evenly perceived scales.

    Parameters
    ----------
    picture : array_like, shape (y, x, 3)
        Red, green and blue from 0 to 1 (sRGB) on the grid of the scan; NaN where the
        picture does not reach.
    surround : float
        Standard deviation of the window for the surroundings. [pixels]

    Returns
    -------
    ndarray, shape (y, x, 6)
        CIELAB of the pixel, then that of its surroundings less its own with weight 0.4.
        One unit is the spread of the colours over the picture. NaN where it does not reach.

    Raises
    ------
    ValueError
        If the shape is not (y, x, 3).
    """
    from skimage.color import rgb2lab

    rgb = np.asarray(picture, dtype=np.float64)
    if rgb.ndim != 3 or rgb.shape[2] != 3:
        raise ValueError(f"a picture of shape (y, x, 3), found {rgb.shape}")
    there = np.asarray(np.isfinite(rgb).all(axis=2))
    if not there.any():
        return np.full((*rgb.shape[:2], 6), np.nan)
    lab = rgb2lab(np.clip(np.where(there[..., None], rgb, 0.5), 0, 1))
    weight = np.maximum(gaussian_filter(there.astype(float), surround), 1e-6)
    around = np.stack(
        [gaussian_filter(lab[..., c] * there, surround) / weight for c in range(3)], axis=-1
    )
    centre = np.median(lab[there], axis=0)
    # one length for all three bands keeps the evenness of CIELAB; one unit of it is about the
    # smallest difference that an eye sees
    spread = max(float(np.sqrt(np.mean((lab[there] - centre) ** 2))), 1.0)
    features = np.concatenate([lab - centre, 0.4 * (around - lab)], axis=-1) / spread
    features[~there] = np.nan
    return np.asarray(features)


def folds_of_blocks(shape: tuple[int, int], block: int) -> Index:
    """Deal square blocks to :data:`FOLDS` folds so that neighbours fall into different ones.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    block : int
        Side of a block. [pixels]

    Returns
    -------
    ndarray of int, shape (y, x)
        Fold of each pixel.
    """
    row, column = np.indices(shape) // block
    return np.asarray((row * 2 + column) % FOLDS, dtype=np.intp)  # a knight's move apart


def _landmarks(features: Array, count: int) -> Array:
    """Colours for the radial functions: corners of the colour space and its crowds in turn."""
    rng = np.random.default_rng(20)
    pool = features[rng.permutation(len(features))[:TEACHERS]]
    chosen = np.empty((min(count, len(pool)), features.shape[1]))
    chosen[0] = pool[0]
    far = np.sum((pool - chosen[0]) ** 2, axis=1)
    for k in range(1, len(chosen)):
        index = int(np.argmax(far)) if k % 2 else int(rng.integers(len(pool)))
        chosen[k] = pool[index]
        far = np.minimum(far, np.sum((pool - chosen[k]) ** 2, axis=1))
    return chosen


def _design(features: Array, landmarks: Array) -> Array:
    """Radial functions, a constant and the colour itself, shape (n, m + 4)."""
    square = (
        np.sum(features**2, axis=1)[:, None]
        + np.sum(landmarks**2, axis=1)[None, :]
        - 2 * features @ landmarks.T
    )
    radial = np.exp(-np.maximum(square, 0) / (2 * WIDTH**2))
    return np.hstack([radial, np.ones((len(features), 1)), features[:, :3]])


def _penalty(landmarks: Array) -> Array:
    """Penalty of the kernel for the radial functions, next to none for the rest."""
    m = len(landmarks)
    matrix = np.zeros((m + 4, m + 4))
    matrix[:m, :m] = _design(landmarks, landmarks)[:, :m]
    matrix[m + 1 :, m + 1 :] = 0.1 * np.eye(3)
    return matrix + 1e-6 * np.eye(m + 4)


def _robust(design: Array, targets: Array, noise: Array, factor: tuple[Array, bool]) -> Array:
    """Coefficients that outlying pixels do not pull, shape (m, k)."""
    fit = design @ cho_solve(factor, design.T @ targets)
    wide = BOUND * 1.4826 * np.median(np.abs(targets - fit), axis=0)
    coefficients = np.zeros((design.shape[1], targets.shape[1]))
    for turn in range(ROUNDS):
        miss = targets - fit
        # never below the spread of the better half: a poor model must not shed its pixels
        half = BOUND / 2 * 1.4826 * np.median(np.abs(miss), axis=0)
        bound = np.maximum(np.maximum(wide * SHRINK**turn, BOUND * noise), half)
        miss *= np.exp(-0.5 * (miss / bound) ** 2)
        coefficients = cho_solve(factor, design.T @ (fit + miss))
        fit = design @ coefficients
    return coefficients


def explain(
    maps: npt.ArrayLike, errors: npt.ArrayLike, features: npt.ArrayLike, *, block: int
) -> Explained:
    """Predict maps from colours, each block from the others.

    Parameters
    ----------
    maps, errors : array_like, shape (k, y, x)
        Net counts and their standard errors, in one unit. Pixels that are NaN in any map
        teach nothing, but are predicted.
    features : array_like, shape (y, x, d)
        From :func:`colour_features`; pixels with NaN are left out.
    block : int
        Side of the square blocks that are left out together. [pixels]

    Returns
    -------
    Explained
        See there.

    Raises
    ------
    ValueError
        If shapes disagree or fewer than 100 pixels have both colour and counts.
    """
    values, noise, colour = (np.asarray(a, dtype=np.float64) for a in (maps, errors, features))
    if values.shape != noise.shape or values.shape[1:] != colour.shape[:2]:
        raise ValueError(
            f"maps {values.shape}, errors {noise.shape}, features {colour.shape}: not one grid"
        )
    seen = np.isfinite(colour).all(axis=2)
    good = np.asarray(seen & np.isfinite(values + noise).all(axis=0))
    if good.sum() < 100:
        raise ValueError(
            f"100 pixels with colour and counts or more, found {whole(int(good.sum()))}"
        )
    # errors of few counts follow the counts; their mean over neighbours does not
    calm = np.stack([_calm(n, good) for n in noise])
    unit = np.maximum(calm[:, good].mean(axis=1), 1e-12)
    centre = np.median(values[:, good], axis=1)
    fold = folds_of_blocks((colour.shape[0], colour.shape[1]), block)
    model = _Model(
        colour[good],
        ((values[:, good] - centre[:, None]) / unit[:, None]).T,
        (calm[:, good] / unit[:, None]).T,
        fold[good],
    )
    predicted, error = model.at(colour[seen], fold[seen])

    def on_grid(table: Array) -> Array:
        full = np.full((len(values), *seen.shape), np.nan)
        full[:, seen] = table.T
        return full

    return Explained(
        on_grid(predicted * unit + centre), on_grid(error) * calm, np.array(RIDGES)[model.choice]
    )


def _calm(noise: Array, good: npt.NDArray[np.bool_]) -> Array:
    weight = np.maximum(gaussian_filter(good.astype(float), 2.0), 1e-9)
    return np.asarray(np.sqrt(gaussian_filter(np.where(good, noise, 0.0) ** 2, 2.0) / weight))


class _Model:
    """One robust fit a fold and penalty; the penalty of each map is chosen by what is left out."""

    def __init__(self, colour: Array, targets: Array, noise: Array, fold: Index) -> None:
        self.marks = _landmarks(colour, LANDMARKS)
        self.penalty = _penalty(self.marks)
        rng = np.random.default_rng(21)
        taught = np.sort(rng.permutation(len(colour))[: round(TEACHERS * FOLDS / (FOLDS - 1))])
        design, self.fold = _design(colour[taught], self.marks), fold[taught]
        targets, noise = targets[taught], noise[taught]
        self.fits: list[list[tuple[Array, tuple[Array, bool]]]] = []  # by fold, by ridge
        loss = np.zeros((len(RIDGES), targets.shape[1]))
        for f in range(FOLDS):
            mine = self.fold == f
            some = design[~mine]
            gram = some.T @ some
            self.fits.append([])
            for r, ridge in enumerate(RIDGES):
                factor = cho_factor(gram + ridge * self.penalty)
                made = _robust(some, targets[~mine], noise[~mine], factor)
                self.fits[f].append((made, factor))
                miss = (targets[mine] - design[mine] @ made) / (BOUND * noise[mine])
                loss[r] += np.sum(1 - np.exp(-0.5 * miss**2), axis=0)
        enough = loss <= STIFFER * loss.min(axis=0) + 0.002 * len(taught)
        self.choice = len(RIDGES) - 1 - np.argmax(enough[::-1], axis=0)

    def at(self, colour: Array, fold: Index) -> tuple[Array, Array]:
        """Predictions and their errors, shape (n, k), in units of the noise."""
        predicted = np.empty((len(colour), len(self.choice)))
        error = np.empty_like(predicted)
        for start in range(0, len(colour), _SLICE):
            design = _design(colour[start : start + _SLICE], self.marks)
            for f in range(FOLDS):
                rows = np.flatnonzero(fold[start : start + _SLICE] == f)
                some = design[rows]
                for r in set(self.choice.tolist()):
                    maps = np.flatnonzero(self.choice == r)
                    made, factor = self.fits[f][r]
                    at = np.ix_(rows + start, maps)
                    predicted[at] = some @ made[:, maps]
                    doubt = np.sum(some * cho_solve(factor, some.T).T, axis=1)
                    error[at] = np.sqrt(np.maximum(doubt, 0))[:, None]
        return predicted, error
