"""How surely the variance of an absent family is known, and what decisions add to it for that."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xrfmap.fit.limits import quantiles

__all__ = ["added_variance", "inverse_information", "null_spread", "taken_over"]

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
        ``var(v) / v`` of the variance v that :func:`xrfmap.fit.pixels.fit_counts` gives for the
        case that the family is absent; the number of degrees of freedom of v is ``2 v`` over it.
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
    amplitude = np.maximum(inverse_information(t, mean) @ t.sum(axis=0), 0.0)
    mean = np.maximum(t @ amplitude, 1e-3 * mean)
    spread = np.empty(families)
    for k in range(families):
        null = np.maximum(mean - amplitude[k] * t[:, k], LEAST_SHARE * mean)
        inverse = inverse_information(t, null)
        v = inverse[k, k]
        weight = t @ inverse[:, k] / null
        along = t.T @ weight**2
        held = along @ inverse @ along - (along @ inverse[:, k]) ** 2 / v
        spread[k] = held / v
    return spread


def added_variance(
    slope: npt.ArrayLike, spread: npt.ArrayLike, distance: npt.ArrayLike = np.inf
) -> Array:
    """Variance that a decision adds to an estimated v0: counts are whole, and v0 bends.

    Parameters
    ----------
    slope : array_like, shape (...)
        Slope s of the variance with the true value, from zero on. [counts]
    spread : array_like, shape (...)
        ``var(v0) / v0``, see :func:`null_spread`. [counts2]
    distance : array_like, shape (...)
        Bounded amplitude in its own standard errors, taken as at most k = 1.645; as far as
        that by default, which a family at its detection limit always is.

    Returns
    -------
    ndarray, shape (...)
        ``s / 12 + 2 spread distance^2``; NaN where an input is NaN. [counts2]

    Notes
    -----
    A count of the family is worth some w in the estimate, and s is the mean of ``w^2`` over
    the family's counts. An estimate of steps w, spread evenly over a step, has the variance
    ``w^2 / 12`` more (Sheppard's correction, from memory): with it, the tail of a smooth
    distribution is that of the steps on the average of the places that a threshold may have
    within one.

    v0 is worked out at the maximum, where the family has the amplitude a, by taking the family
    out again to first order. Without it the bins under it weigh more, in the weights as in the
    counts of the neighbours. With t the column less what neighbours take, ``g = sum(T t^2 /
    mu^2)``, K the information of the neighbours and ``q = g K^-1 g``, either is worth ``v0^2 q
    a^2`` to second order, and ``v0^3 q`` is the spread: ``2 spread a^2 / v0`` together. With
    ``distance^2 = a^2 / v(a)``, v(a) the variance at the estimate, it stays below what terms of
    higher order would take back. Beyond k the decision has fallen: the threshold need not go on.
    """
    far = np.minimum(np.asarray(distance, dtype=np.float64), quantiles()[0])
    s = np.asarray(slope, dtype=np.float64)
    return np.asarray(s / 12 + 2 * np.asarray(spread, dtype=np.float64) * far**2)


def taken_over(null: npt.ArrayLike, slope: npt.ArrayLike, skewness: npt.ArrayLike) -> Array:
    """Growth of the estimated v0 with the counts of a family that is there.

    Parameters
    ----------
    null : array_like, shape (...)
        Variance v0 of the estimate if the family were absent. [counts2]
    slope : array_like, shape (...)
        Slope s of the variance with the true value, from zero on. [counts]
    skewness : array_like, shape (...)
        Skewness g of the estimate if the family were absent.

    Returns
    -------
    ndarray, shape (...)
        ``s - g sqrt(v0)``, at least 0: zero for a line that stands alone. [counts]

    Notes
    -----
    A model without the family gives some of its counts to the neighbours. Of the slope
    ``s = sum(w^2 column)`` only ``sum(w^3 mean) / v0 = g sqrt(v0)`` is taken out with the
    family, w being the weights of the counts in the estimate and ``w mean / v0`` the column
    less what neighbours take.
    """
    v0, g = np.asarray(null, dtype=np.float64), np.asarray(skewness, dtype=np.float64)
    return np.asarray(np.maximum(np.asarray(slope, dtype=np.float64) - g * np.sqrt(v0), 0.0))


def inverse_information(matrix: Array, mean: Array) -> Array:
    """Invert the Fisher information on amplitudes of a Poisson spectrum.

    Parameters
    ----------
    matrix : ndarray, shape (bins, components)
        Expected counts per bin for unit amplitude.
    mean : ndarray, shape (bins,)
        Expected counts, above zero. [counts]

    Returns
    -------
    ndarray, shape (components, components)
        Covariance of the best estimates (Cramer-Rao); coinciding columns are kept apart by a
        ridge.
    """
    info = (matrix / mean[:, None]).T @ matrix
    info[np.diag_indices_from(info)] *= 1 + 1e-6
    return np.asarray(np.linalg.inv(info), dtype=np.float64)
