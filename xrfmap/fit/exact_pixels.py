"""Maximum of the likelihood in double precision, for the few pixels that need it.

Where stray counts leave a direction with next to no curvature, single precision goes round in
circles, or walks for hundreds of steps. That is one pixel in some ten thousand at 300 counts and
none at 6000, so that here nothing needs to be fast.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.optimize import nnls

from xrfmap.fit._lane_sums import FLOOR

__all__ = ["exact_maximum"]

Float = npt.NDArray[np.float64]

MOST_STEPS = 200
ARRIVED = 1e-6  # step, and slope that is left, in standard errors
SHORTEST = 1e-6  # share of a step, below which it is taken as it is
RIDGE = 1e-10  # of the largest curvature: coinciding templates, or all in one channel, stay finite


def exact_maximum(matrix: Float, counts: Float, start: npt.ArrayLike) -> tuple[Float, bool]:
    """Find the maximum of the Poisson likelihood of one spectrum with amplitudes >= 0.

    Parameters
    ----------
    matrix : ndarray, shape (bins, components)
        Expected counts per bin for unit amplitude.
    counts : ndarray, shape (bins,)
        The spectrum. [counts]
    start : array_like, shape (components,)
        Amplitudes >= 0 to start from. [counts]

    Returns
    -------
    amplitude : ndarray, shape (components,)
        At the maximum. [counts]
    proved : bool
        Whether the conditions of Karush, Kuhn and Tucker hold: the likelihood is concave, so
        that no other amplitudes are better.

    Notes
    -----
    Each step goes to the maximum of the second-order model of the likelihood under the bound,
    which is a problem of non-negative least squares (Lawson and Hanson 1974, ch. 23, from
    memory), and back along its line where the slope there says that it went too far.
    """
    a = np.array(start, dtype=np.float64)
    for _ in range(MOST_STEPS):
        mean = matrix @ a + FLOOR
        unit = _units(matrix, mean)
        scaled, now = matrix * unit, a / unit
        slope = scaled.T @ (counts / mean - 1)
        curvature = (scaled * (counts / mean**2)[:, None]).T @ scaled
        ridge = RIDGE * max(1.0, curvature.diagonal().max())
        root = np.linalg.cholesky(curvature + ridge * np.eye(len(a)))
        # the ridge holds what nothing tells where it is
        target = solve_triangular(root, curvature @ now + ridge * now + slope, lower=True)
        step = nnls(root.T, target)[0] - now
        length = 1.0
        while length > SHORTEST:
            after = scaled.T @ (counts / (scaled @ (now + length * step) + FLOOR) - 1)
            if after @ step > -0.5 * (slope @ step):
                break
            length /= 2
        a = np.maximum(now + length * step, 0.0) * unit
        if np.abs(length * step).max() < ARRIVED:
            break
    mean = matrix @ a + FLOOR
    slope = (matrix.T @ (counts / mean - 1)) * _units(matrix, mean)
    return a, bool(np.abs(slope[a > 0]).max(initial=0) < ARRIVED and slope.max() < ARRIVED)


def _units(matrix: Float, mean: Float) -> Float:
    """Find the standard error of each amplitude if it were the only one. [counts]."""
    return np.asarray(1 / np.sqrt((matrix**2).T @ (1 / mean)))
