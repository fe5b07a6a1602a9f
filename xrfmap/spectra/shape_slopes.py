"""Change of a fitted spectrum with each of its shape parameters."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xrfmap.physics.lineshape import EPSILON_KEV, FWHM_PER_SIGMA
from xrfmap.spectra.shape_knobs import ABSORBER, PAINT_KNOBS, SCALE_KNOBS, Knob
from xrfmap.spectra.sum_fit import SumFit, merge
from xrfmap.spectra.templates import SpectrumModel

__all__ = ["slopes_of"]

Array = npt.NDArray[np.float64]


def slopes_of(model: SpectrumModel, fit: SumFit, knobs: list[Knob], theta: Array) -> Array:
    """Change of the fitted spectrum with each parameter at fixed amplitudes, per bin.

    Parameters
    ----------
    model : SpectrumModel
        With the parameters put in.
    fit : SumFit
        Its fit.
    knobs : list of Knob
        The parameters.
    theta : ndarray, shape (parameters,)
        Their values.

    Returns
    -------
    ndarray, shape (bins, parameters)
        Counts per unit of each parameter.

    Notes
    -----
    Energy scale and widths act through the derivatives of the spectrum of all peaks: a
    shift is a first derivative, a change of the Gaussian variance half the second one.
    The rest is found by a small step in the columns that are concerned.
    """
    where = {e.label: k for k, e in enumerate(model.emitters)}
    total = _peak_spectrum(model, fit)
    result = np.empty((len(fit.fitted), len(knobs)))
    for k, (knob, value) in enumerate(zip(knobs, theta, strict=True)):
        if knob.name in SCALE_KNOBS:
            result[:, k] = merge(_scale_slope(knob.name, model, total), fit.edges)
            continue
        absorber = knob.name.startswith(ABSORBER)
        if absorber:
            moved = _absorbers_moved(model, knobs, theta, k)
        else:
            moved = knob.act(model, float(value) + knob.step)
        if knob.name == "pile_up_mixing":
            new = moved.pile_up_column() - model.pile_up_column()
            change = merge(new, fit.edges) * fit.net("pile-up")[0]
        elif knob.name in ("elastic share", "paint film") or absorber:
            pieces = len(model.knots)
            new = merge(moved.continuum(), fit.edges) - fit.matrix[:, -pieces:]
            change = new @ fit.amplitude[-pieces:]
        else:
            change = np.zeros(len(fit.fitted))
            for c in _concerned(knob.name, model, fit, where):
                column = merge(moved.column(moved.emitters[c]), fit.edges)
                change += (column - fit.matrix[:, c]) * fit.amplitude[c]
        result[:, k] = change / knob.step
    return result


def _absorbers_moved(
    model: SpectrumModel, knobs: list[Knob], theta: Array, which: int
) -> SpectrumModel:
    """Take a step in one absorber; those that go by the mass of the first one go with it."""
    for k, (knob, value) in enumerate(zip(knobs, theta, strict=True)):
        if knob.name.startswith(ABSORBER):
            model = knob.act(model, float(value) + (knob.step if k == which else 0.0))
    return model


def _concerned(name: str, model: SpectrumModel, fit: SumFit, where: dict[str, int]) -> list[int]:
    """Columns that a parameter acts on, those with few counts left out."""
    kind, _, rest = name.partition(" ")
    if kind in PAINT_KNOBS:
        return [where[rest]]
    if kind == "ratio":
        return [where[rest.rpartition(" ")[0]]]
    if kind.startswith("compton"):
        return [k for k, e in enumerate(model.emitters) if e.kind == "compton"]
    counts = fit.amplitude[: len(model.emitters)]
    return [int(k) for k in np.flatnonzero(counts > 1e-3 * counts.sum())]


def _peak_spectrum(model: SpectrumModel, fit: SumFit) -> Array:
    """Fitted counts per channel in all peaks, without continuum and pile-up."""
    total = np.zeros(model.channels)
    for emitter, amplitude in zip(model.emitters, fit.amplitude, strict=False):
        if amplitude > 0:
            total += amplitude * model.column(emitter)
    return total


def _scale_slope(name: str, model: SpectrumModel, total: Array) -> Array:
    """Differentiate the peak spectrum by a parameter of the energy scale, per channel."""
    scale = model.scale
    first = np.gradient(total) / scale.kev_per_channel
    if name == "zero_kev":
        return np.asarray(first)
    if name == "kev_per_channel":
        return np.asarray(first * np.arange(model.channels))
    energy = np.maximum(scale.energy(np.arange(model.channels)), 0.0)
    if name == "noise_kev":
        widened = total * scale.noise_kev / FWHM_PER_SIGMA**2  # half of d(sigma^2)
    else:
        widened = 0.5 * total * EPSILON_KEV * energy
    return np.asarray(np.gradient(np.gradient(widened)) / scale.kev_per_channel**2)
