"""Bins for the fits of single pixels: as few as keep what the counts tell of each family."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xrfmap.fit.null_model import inverse_information
from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.sum_fit import nonnegative

__all__ = ["LOSS", "information_loss", "map_edges"]

Array = npt.NDArray[np.float64]

BIN_LOSS = 2e-3
"""Share of the variance of a family that one bin may add at first; a line spans ten or twenty."""

LOSS = 0.05
"""Share of the variance of any family that all bins together may add."""

WIDEST = 0.5
"""Widest bin, in peak widths (FWHM): lines that are not in the model must still show."""

LEAST_SHARE = 1e-8
"""Share for each bin below which channels are left as they are."""

LEAST = 1e-3
"""Least expected counts of a channel, as a share of the mean of all: elsewhere a stray count
would outweigh all others."""


@in_one_thread  # the last digit of a sum, on which a border may hang, depends on the threads
def map_edges(
    matrix: Array, counts: Array, fwhm: Array, families: int, rough: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Choose bins that are narrow where the shape of a line matters, and wide elsewhere.

    Parameters
    ----------
    matrix : ndarray, shape (channels, components)
        Expected counts per channel for unit amplitude.
    counts : ndarray, shape (spectra, channels)
        Spectra of which the scan is made up, such as those of its groups of like pixels; some
        counts in each. [counts]
    fwhm : ndarray, shape (channels,)
        Peak width. [channels]
    families : int
        So many components, the first ones, are asked for.
    rough : ndarray of int, shape (bins + 1,)
        Bins on which the amplitudes of `counts` are found.

    Returns
    -------
    ndarray of int, shape (bins + 1,)
        First channel of each bin, and the end.

    Notes
    -----
    The best estimate of an amplitude is a sum of counts with weights w, ``w = (F^-1 T^T /
    mu)`` with the information ``F = T^T T / mu``, and its variance is ``sum(w^2 mu)``. All
    channels of a bin must have one weight, at best their mean, which adds ``sum(mu (w -
    mean(w))^2)`` to first order in that. A bin grows until this is :data:`BIN_LOSS` of the
    variance of a family in one of the spectra; where all bins together then add more than
    :data:`LOSS`, the share for each is halved.
    """
    models = np.stack([_expected(matrix, one, rough) for one in counts], axis=1)
    weights = np.stack([_weights(matrix, mu, families) for mu in models.T], axis=1)
    most, share = np.maximum((WIDEST * fwhm).astype(np.int64), 1), BIN_LOSS
    while True:
        edges = _grow(models, weights, most, share)
        losses = (information_loss(matrix, mu, edges, families) for mu in models.T)
        if max(loss.max(initial=0.0) for loss in losses) <= LOSS:
            return edges
        if share < LEAST_SHARE:
            return np.arange(len(matrix) + 1)
        share /= 2


def information_loss(
    matrix: Array, mu: Array, edges: npt.NDArray[np.int64], families: int
) -> Array:
    """Share by which bins raise the Cramer-Rao bound of each family, shape (families,).

    Parameters
    ----------
    matrix : ndarray, shape (channels, components)
        Expected counts per channel for unit amplitude.
    mu : ndarray, shape (channels,)
        Expected counts, above zero.
    edges : ndarray of int, shape (bins + 1,)
        First channel of each bin, and the end.
    families : int
        So many components, the first ones, are asked for.
    """
    merged, mean = (np.add.reduceat(a, edges[:-1], axis=0) for a in (matrix, mu))
    fine, coarse = (
        inverse_information(t, m).diagonal()[:families] for t, m in ((matrix, mu), (merged, mean))
    )
    return np.asarray(coarse / fine - 1)


def _expected(matrix: Array, counts: Array, rough: npt.NDArray[np.int64]) -> Array:
    """Fitted counts of a spectrum, which are not zero where a few counts happened to fall."""
    t, n = (np.add.reduceat(a, rough[:-1], axis=0) for a in (matrix, counts))
    root = 1 / np.sqrt(np.maximum(n, max(LEAST * float(n.mean()), 1e-12)))
    mu = matrix @ nonnegative(t * root[:, None], n * root)
    return np.asarray(np.maximum(mu, max(LEAST * float(mu.mean()), 1e-12)))


def _weights(matrix: Array, mu: Array, families: int) -> Array:
    """Weights of the channels in the estimates, for unit variance, shape (channels, families)."""
    inverse = inverse_information(matrix, mu)[:, :families]
    return np.asarray((matrix @ inverse) / mu[:, None] / np.sqrt(np.diag(inverse)))


def _grow(
    models: Array, weights: Array, most: npt.NDArray[np.int64], share: float
) -> npt.NDArray[np.int64]:
    """Bins from left to right, each as wide as it may be."""
    edges, channels = [0], len(models)
    while edges[-1] < channels:
        here = slice(edges[-1], edges[-1] + int(most[edges[-1]]))
        mu, w = models[here, :, None], weights[here]
        zeroth, first, second = (np.cumsum(a, axis=0) for a in (mu, mu * w, mu * w * w))
        added = (second - first**2 / zeroth).max(axis=(1, 2), initial=0.0)
        kept = np.flatnonzero(added <= share)
        edges.append(edges[-1] + (int(kept[-1]) + 1 if len(kept) else 1))
    return np.array(edges, dtype=np.int64)
