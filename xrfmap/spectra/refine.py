"""Shapes refined on a summed spectrum: energy scale, widths, tail, shelf, cover, Compton.

The summed spectrum has millions of counts, so that its own shapes must be fitted before
a trace beside a strong line can be believed. Amplitudes enter linearly and are solved
for at every step (variable projection [1]_); what cannot be described stays visible as a
fraction of the local counts, and counts as an uncertainty from then on.

References
----------
.. [1] G. H. Golub and V. Pereyra, "The differentiation of pseudo-inverses and nonlinear
   least squares problems whose variables separate", SIAM J. Numer. Anal. 10, 413 (1973);
   with the shorter derivative of L. Kaufman, BIT 15, 49 (1975). From memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.shape_knobs import REFINE_ERROR, Knob, knobs_of
from xrfmap.spectra.shape_slopes import slopes_of
from xrfmap.spectra.sum_fit import SumFit, fit_sum, inverse
from xrfmap.spectra.templates import SpectrumModel

__all__ = ["Refined", "refine"]

Array = npt.NDArray[np.float64]

TRIES = 9
"""Dampings, each eight times the one before, of which none helping ends the search."""


@dataclass(frozen=True, eq=False)
class Refined:
    """A model with fitted shapes, and how sure they are."""

    model: SpectrumModel
    fit: SumFit
    parameters: dict[str, tuple[float, float]]  # value and standard error
    slopes: Array  # change of the fitted counts with each parameter, shape (bins, parameters)
    spreads: Array  # plausible spread of each parameter, shape (parameters,)


@in_one_thread
def refine(
    counts: Array, model: SpectrumModel, *, steps: int = 12, detector_known: bool = False
) -> Refined:
    """Refine the shapes of a model on a spectrum with many counts.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Counts. [counts]
    model : SpectrumModel
        Starting shapes; its emitters stay as they are.
    steps : int
        Most Gauss-Newton steps.
    detector_known : bool
        Leave energy scale and peak shape as they are: for parts of a scan whose whole has
        already been refined.

    Returns
    -------
    Refined
        Model, fit and parameters with standard errors. Parameters that the data say
        nothing about keep their start and its uncertainty.
    """
    knobs = knobs_of(counts, model, detector_known)
    theta = np.array([k.start if k.now is None else k.now for k in knobs])
    spreads, low, high, longest = (
        np.array([getattr(k, field) for k in knobs])
        for field in ("spread", "low", "high", "longest")
    )
    theta = np.clip(theta, low, high)  # another spectrum may have had them elsewhere
    fit = fit_sum(counts, _apply(model, knobs, theta), model_error=REFINE_ERROR)
    edges = fit.edges  # the same bins throughout, or steps could not be compared
    cost = _cost(fit, theta, knobs)
    damping = 1e-3
    curvature = np.diag(1 / spreads**2)
    for _ in range(steps):
        slopes = slopes_of(_apply(model, knobs, theta), fit, knobs, theta)
        gradient, curvature = _normal_equations(fit, slopes, theta, knobs)
        free = ~(((theta <= low) & (gradient < 0)) | ((theta >= high) & (gradient > 0)))
        moved = False
        for _ in range(TRIES):
            trial = np.clip(theta + _step(gradient, curvature, damping, free, longest), low, high)
            new = fit_sum(
                counts, _apply(model, knobs, trial), model_error=REFINE_ERROR, edges=edges
            )
            new_cost = _cost(new, trial, knobs)
            if new_cost < cost:
                moved = True
                damping = max(damping / 5, 1e-6)
                break
            damping *= 8
        if not moved:
            break
        gain = cost - new_cost
        theta, fit, cost = trial, new, new_cost
        if gain < 0.1:  # of chi-square: a third of a standard error in one parameter
            break
    final = _apply(model, knobs, theta)
    fit = fit_sum(counts, final, edges=edges)
    spread = np.sqrt(np.diag(inverse(curvature)))
    found = {k.name: (float(t), float(s)) for k, t, s in zip(knobs, theta, spread, strict=True)}
    slopes = slopes_of(final, fit, knobs, theta)
    return Refined(_with_errors(final, found), fit, found, slopes, spreads)


def _step(
    gradient: Array, curvature: Array, damping: float, free: npt.NDArray[np.bool_], longest: Array
) -> Array:
    """Damped Gauss-Newton step; parameters that are not `free` press against a bound and stay."""
    step = np.zeros(len(gradient))
    inside = curvature[np.ix_(free, free)]
    lifted = inside + damping * np.diag(np.diag(inside))
    step[free] = np.linalg.solve(lifted, gradient[free])
    return np.clip(step, -longest, longest)


def _apply(model: SpectrumModel, knobs: list[Knob], theta: Array) -> SpectrumModel:
    for knob, value in zip(knobs, theta, strict=True):
        model = knob.act(model, float(value))
    return model


def _cost(fit: SumFit, theta: Array, knobs: list[Knob]) -> float:
    """Minus twice the log-likelihood, with the plausible spread of the parameters."""
    here = fit.used
    off, variance = (fit.counts - fit.fitted)[here], fit.variance[here]
    chi2 = np.sum(off**2 / variance + np.log(variance))
    return float(
        chi2 + sum(((t - k.start) / k.spread) ** 2 for t, k in zip(theta, knobs, strict=True))
    )


def _normal_equations(
    fit: SumFit, slopes: Array, theta: Array, knobs: list[Knob]
) -> tuple[Array, Array]:
    """Gauss-Newton gradient and curvature, amplitudes projected out (Kaufman)."""
    root = 1 / np.sqrt(fit.variance)
    free = fit.matrix[:, fit.amplitude > 0] * root[:, None]
    q, _ = np.linalg.qr(free)
    scaled = slopes * root[:, None]
    scaled = scaled - q @ (q.T @ scaled)
    residual = (fit.counts - fit.fitted) * root
    prior = np.array([1 / k.spread**2 for k in knobs])
    offset = np.array([k.start for k in knobs]) - theta
    return scaled.T @ residual + prior * offset, scaled.T @ scaled + np.diag(prior)


def _with_errors(model: SpectrumModel, found: dict[str, tuple[float, float]]) -> SpectrumModel:
    names = ("zero_kev", "kev_per_channel", "noise_kev", "fano")
    errors = {f"{name}_err": found[name][1] for name in names if name in found}
    return replace(model, scale=replace(model.scale, **errors))
