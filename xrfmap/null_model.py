"""How surely the variance of an absent family is known, when few counts tell it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["null_spread"]

Array = npt.NDArray[np.float64]

LEAST_SHARE = 0.02
"""Share of the model of a bin that is kept when a strong family is taken out of it."""


def null_spread(matrix: npt.ArrayLike, typical: npt.ArrayLike, families: int) -> Array:
    """Variance of the estimated variance of absent families, per unit of that variance.

    Parameters
    ----------
    matrix : array_like, shape (bins, components)
        Expected counts per bin for unit amplitude.
    typical : array_like, shape (bins,)
        Expected counts per bin of a typical spectrum. [counts]
    families : int
        So many components, the first ones, are asked for.

    Returns
    -------
    ndarray, shape (families,)
        ``var(v) / v`` of the variance v that :func:`xrfmap.fit.fit_counts` gives for the case
        that the family is absent; the number of degrees of freedom of v is ``2 v`` over it.
        [counts2]

    Notes
    -----
    The estimate is a sum of counts with weights w, so that ``v = sum(w^2 mu)``, and v is
    estimated with the fitted model instead of the true mean mu. The error of the model is
    that of its amplitudes with the family held at zero; carried on to v (weights held, which
    are at their best there) it gives ``var(v)``. As v, it grows in proportion to the counts
    of the spectrum, and the ratio does not depend on them. Satterthwaite, Biometrics
    Bulletin 2, 110 (1946), and the GUM (JCGM 100:2008, G.4) turn it into degrees of
    freedom; both from memory.
    """
    t = np.asarray(matrix, dtype=np.float64)
    mean = np.asarray(typical, dtype=np.float64)
    mean = np.maximum(mean, 1e-4 * mean.mean())
    amplitude = np.maximum(_inverse(t, mean) @ t.sum(axis=0), 0.0)
    mean = np.maximum(t @ amplitude, 1e-3 * mean)
    spread = np.empty(families)
    for k in range(families):
        null = np.maximum(mean - amplitude[k] * t[:, k], LEAST_SHARE * mean)
        inverse = _inverse(t, null)
        v = inverse[k, k]
        weight = t @ inverse[:, k] / null
        along = t.T @ weight**2
        held = along @ inverse @ along - (along @ inverse[:, k]) ** 2 / v
        spread[k] = held / v
    return spread


def _inverse(t: Array, mean: Array) -> Array:
    """Inverse of the Fisher information; coinciding columns are kept apart by a ridge."""
    info = (t / mean[:, None]).T @ t
    info[np.diag_indices_from(info)] *= 1 + 1e-6
    return np.asarray(np.linalg.inv(info), dtype=np.float64)
