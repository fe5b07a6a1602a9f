"""Fit of Gaussian multiplets on a smooth background.

Everything here works in the unit of the abscissa that is given (channels, as a rule);
energies enter only in :mod:`xrfmap.calibration.calibrate`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["PeakFit", "fit_peaks"]

Array = npt.NDArray[np.float64]
Background = Literal["exponential", "linear"]
Statistic = Literal["least squares", "poisson"]

MAX_STEPS = 200  # Levenberg-Marquardt; good starts need five to twenty
SMALLEST_MODEL = 1e-9  # counts; a Poisson mean must stay above zero


@dataclass(frozen=True)
class PeakFit:
    """Result of :func:`fit_peaks`.

    Attributes
    ----------
    background : ndarray, shape (2,)
        ``b0 * exp(-b1 * x)`` or ``b0 + b1 * (x - mean(x))``.
    height, position, sigma : ndarray, shape (n,)
        Each peak is ``height * exp(-(x - position)**2 / (2 * sigma**2))``.
    covariance : ndarray, shape (2 + 3 n, 2 + 3 n)
        In the order background, then height, position, sigma of each peak in turn.
    statistic : float
        Residual sum of squares or Poisson deviance at the minimum.
    dof : int
        Points minus free parameters.
    converged : bool
        False if the last step still changed the statistic.
    """

    background: Array
    height: Array
    position: Array
    sigma: Array
    covariance: Array
    statistic: float
    dof: int
    converged: bool

    @property
    def error(self) -> Array:
        """Standard deviations, in the order of the covariance."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def position_err(self) -> Array:
        """Standard deviations of the positions, shape (n,)."""
        return np.asarray(self.error[3::3])

    @property
    def sigma_err(self) -> Array:
        """Standard deviations of the widths, shape (n,)."""
        return np.asarray(self.error[4::3])

    @property
    def area(self) -> Array:
        """Area of each peak, shape (n,), in counts where `x` is in channels."""
        return np.asarray(self.height * self.sigma * np.sqrt(2.0 * np.pi))


def fit_peaks(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    height: npt.ArrayLike,
    position: npt.ArrayLike,
    sigma: npt.ArrayLike,
    background: npt.ArrayLike,
    background_kind: Background = "linear",
    statistic: Statistic = "poisson",
    shared_width: bool = False,
) -> PeakFit:
    """Fit Gaussian peaks on a smooth background.

    Parameters
    ----------
    x, y : array_like, shape (m,)
        Abscissa [channel] and values [counts]. No NaN.
    height, position, sigma : array_like, shape (n,)
        Starting values of the peaks.
    background : array_like, shape (2,)
        Starting values of the background, see `background_kind`.
    background_kind : {"linear", "exponential"}
        ``b0 + b1 * (x - mean(x))`` or ``b0 * exp(-b1 * x)``.
    statistic : {"poisson", "least squares"}
        Maximum of the Poisson likelihood, or unweighted least squares.
    shared_width : bool
        One sigma for all peaks.

    Returns
    -------
    PeakFit
        Values and covariance: from the Fisher information for Poisson counts, scaled by the
        residual variance for least squares.

    Raises
    ------
    ValueError
        If shapes disagree, values are not finite, or there are fewer points than parameters.

    Notes
    -----
    Levenberg-Marquardt with the scaling of Marquardt (1963); for Poisson counts the weights are
    1/model at each step (Fisher scoring), whose fixed point is the maximum of the likelihood.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    peaks = np.stack([np.asarray(v, dtype=np.float64).ravel() for v in (height, position, sigma)])
    start = np.concatenate([np.asarray(background, dtype=np.float64), peaks.T.ravel()])
    _check(xs, ys, start)
    free = _sharing(peaks.shape[1], shared_width)
    if shared_width:
        start[4::3] = np.mean(start[4::3])
    best, stat, jac, weight, done = _minimise(
        lambda p: _model(xs, p, background_kind), ys, start, free, statistic
    )
    dof = len(xs) - free.shape[1]
    fisher = free.T @ (jac.T * weight) @ jac @ free
    inverse = _inverse(fisher)
    if statistic == "least squares":
        inverse = inverse * (stat / max(dof, 1))
    return PeakFit(
        background=best[:2],
        height=best[2::3],
        position=best[3::3],
        sigma=np.abs(best[4::3]),
        covariance=free @ inverse @ free.T,
        statistic=stat,
        dof=dof,
        converged=done,
    )


def _check(x: Array, y: Array, start: Array) -> None:
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"x and y must be of one length, found {x.shape} and {y.shape}")
    if len(start) % 3 != 2 or len(x) < len(start):
        raise ValueError(f"{len(x)} points are too few for {len(start)} parameters")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(start).all()):
        raise ValueError("x, y and the starting values must be finite")


def _sharing(n: int, shared: bool) -> Array:
    """Matrix from free to all parameters, shape (2 + 3 n, free)."""
    full = np.eye(2 + 3 * n)
    if not shared or n == 1:
        return full
    widths = full[:, 4::3].sum(axis=1, keepdims=True)
    return np.hstack([np.delete(full, np.s_[4::3], axis=1), widths])


def _model(x: Array, p: Array, kind: Background) -> tuple[Array, Array]:
    """Model, shape (m,), and Jacobian, shape (m, 2 + 3 n)."""
    jac = np.empty((len(x), len(p)))
    if kind == "exponential":
        jac[:, 0] = np.exp(np.clip(-p[1] * x, -700.0, 700.0))
        jac[:, 1] = -p[0] * x * jac[:, 0]
        base = p[0] * jac[:, 0]
    else:
        jac[:, 0], jac[:, 1] = 1.0, x - x.mean()
        base = p[0] + p[1] * jac[:, 1]
    h, c, s = p[2::3], p[3::3], p[4::3]
    u = (x[:, None] - c) / s
    shape = np.exp(-0.5 * u * u)
    jac[:, 2::3] = shape
    jac[:, 3::3] = h * shape * u / s
    jac[:, 4::3] = h * shape * u * u / s
    return base + shape @ h, jac


def _deviance(y: Array, mu: Array) -> float:
    """Poisson deviance; infinite where the model is not positive."""
    if np.any(mu <= SMALLEST_MODEL):
        return float("inf")
    ratio = np.where(y > 0, y, 1.0) / mu
    return float(2.0 * np.sum(mu - y + np.where(y > 0, y * np.log(ratio), 0.0)))


def _minimise(
    model: Callable[[Array], tuple[Array, Array]],
    y: Array,
    start: Array,
    free: Array,
    statistic: Statistic,
) -> tuple[Array, float, Array, Array, bool]:
    """Levenberg-Marquardt; returns parameters, statistic, Jacobian, weights and convergence."""
    poisson = statistic == "poisson"

    def measure(mu: Array) -> float:
        return _deviance(y, mu) if poisson else float(np.sum((y - mu) ** 2))

    p, damping, small = start.copy(), 1e-3, 0
    mu, jac = model(p)
    if poisson:
        # a poor start may dip below zero; later steps may not
        mu = np.maximum(mu, 2 * SMALLEST_MODEL)
    stat = measure(mu)
    for _ in range(MAX_STEPS):
        weight = 1.0 / mu if poisson else np.ones_like(mu)
        reduced = jac @ free
        fisher = (reduced.T * weight) @ reduced
        scale = np.diag(np.maximum(np.diag(fisher), 1e-300))
        step = free @ _solve(fisher + damping * scale, (reduced.T * weight) @ (y - mu))
        trial_mu, trial_jac = model(p + step)
        trial = measure(trial_mu)
        if trial <= stat:
            small = small + 1 if stat - trial <= 1e-12 * max(stat, 1e-30) else 0
            p, mu, jac, stat = p + step, trial_mu, trial_jac, trial
            damping = max(damping * 0.1, 1e-14)
        else:
            damping *= 10.0
        if small >= 2 or damping > 1e12:
            break
    return p, stat, jac, 1.0 / mu if poisson else np.ones_like(mu), small >= 2 or damping > 1e12


def _solve(matrix: Array, right: Array) -> Array:
    """Solve after scaling to a unit diagonal, which widens the range that can be inverted."""
    d = 1.0 / np.sqrt(np.diag(matrix))
    solution = np.linalg.lstsq(matrix * np.outer(d, d), right * d, rcond=1e-14)[0]
    return np.asarray(d * solution)


def _inverse(matrix: Array) -> Array:
    d = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    return np.asarray(np.linalg.pinv(matrix * np.outer(d, d), rcond=1e-14) * np.outer(d, d))
