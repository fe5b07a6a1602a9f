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

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.optimize import nnls

from xrfmap.atomic import edge_energy
from xrfmap.emitters import Emitter
from xrfmap.lineshape import EPSILON_KEV, FWHM_PER_SIGMA
from xrfmap.one_thread import in_one_thread
from xrfmap.templates import DEFAULT_COVER, SpectrumModel, merge_edges

__all__ = ["Refined", "SumFit", "fit_sum", "merge", "refine"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MODEL_ERROR_MIN = 0.002
"""Least relative error of the model that is assumed: cross-sections differ by more."""

MODEL_ERROR_MAX = 0.2
"""Most that is granted; a worse fit is reported as bad, not explained away."""


ERROR_WINDOW = 25
"""Bins (a third of a peak width each) over which the model error is averaged."""

SCATTER_ERROR = 0.03
"""Relative error of scatter peaks: their shape depends on what lies in depth."""

PILE_UP_ERROR = 0.1
"""Relative error of pile-up, whose mixture of pixels is known only roughly."""

REFINE_ERROR = 0.004
"""Relative error granted while shapes move: more would hide what they can still explain."""

GROUP_SPREAD = 0.08
"""Spread of a line group's share about theory: tabulated rates disagree by 5-10 %."""

ANODE_SPREAD = 0.12
"""The same for lines of the anode: of K-beta2 to K-beta1,3 of Mo, Rh, Pd and Ag the rates of
xraylib and those of Elam, Ravel and Sieber, Radiat. Phys. Chem. 63, 121 (2002), as in xraydb,
differ by 10, 11, 12 and 14 per cent."""


HANGING_SHARE = 0.02
"""Share of a family's counts in channels left out from which its line ratios matter for them:
an error of a ratio, a tenth or less, then moves them by more than :data:`MODEL_ERROR_MIN`."""

HANGING_Z = 3.0
"""Standard errors from which that is asked; fainter ones are known no better than to a third."""


@dataclass(frozen=True, eq=False)
class SumFit:
    """Fit of one spectrum with many counts.

    Attributes
    ----------
    amplitude, error : ndarray, shape (components,)
        Net counts >= 0 and standard errors, model error included. [counts]
    fitted, counts : ndarray, shape (bins,)
        Expected and measured counts per bin. [counts]
    matrix : ndarray, shape (bins, components)
        Design on bins.
    edges : ndarray of int, shape (bins + 1,)
        Bin borders in channels.
    variance : ndarray, shape (bins,)
        Poisson variance and model error; infinite where a bin holds a channel that is left
        out, so that nothing rests on it. [counts2]
    model_error : ndarray, shape (bins,)
        Relative error of the model that makes local chi-square one.
    chi2_per_dof : float
        With `variance`.
    labels : tuple of str
        Names of the components.
    """

    amplitude: Array
    error: Array
    fitted: Array
    counts: Array
    matrix: Array
    edges: npt.NDArray[np.int64]
    variance: Array
    model_error: Array
    chi2_per_dof: float
    labels: tuple[str, ...]

    @property
    def used(self) -> Mask:
        """Bins that the fit rests on, shape (bins,)."""
        return np.isfinite(self.variance)

    def left(self, label: str) -> float:
        """Share of a component's counts in the bins that the fit rests on, 0 to 1."""
        return self.share_left(self.matrix[:, self.labels.index(label)])

    def share_left(self, column: Array) -> float:
        """Share of a column's counts, shape (bins,), in the bins that the fit rests on."""
        if self.used.all():
            return 1.0
        total = float(column.sum())
        return float(column[self.used].sum()) / total if total > 0 else 0.0

    def net(self, label: str) -> tuple[float, float]:
        """Net counts and error of one component; zeros where it is not in the fit."""
        if label not in self.labels:
            return 0.0, 0.0
        k = self.labels.index(label)
        return float(self.amplitude[k]), float(self.error[k])


@dataclass(frozen=True, eq=False)
class Refined:
    """A model with fitted shapes, and how sure they are."""

    model: SpectrumModel
    fit: SumFit
    parameters: dict[str, tuple[float, float]]  # value and standard error
    slopes: Array  # change of the fitted counts with each parameter, shape (bins, parameters)
    spreads: Array  # plausible spread of each parameter, shape (parameters,)


def merge(values: Array, edges: npt.NDArray[np.int64]) -> Array:
    """Sum channels into bins along the first axis."""
    return np.asarray(np.add.reduceat(values[: edges[-1]], edges[:-1], axis=0))


def fit_sum(
    counts: Array,
    model: SpectrumModel,
    *,
    model_error: float | None = None,
    rounds: int = 4,
    edges: npt.NDArray[np.int64] | None = None,
) -> SumFit:
    """Fit amplitudes to a spectrum with many counts.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Counts. [counts]
    model : SpectrumModel
        Shapes.
    model_error : float, optional
        Relative model error; found from the fit where not given.
    rounds : int
        Rounds of reweighting with the fitted counts.
    edges : ndarray of int, shape (bins + 1,), optional
        Bins to use; a third of a peak width where not given.

    Returns
    -------
    SumFit
        Weighted least squares with the fitted counts as variance, which at the maximum
        solves the Poisson likelihood equations.
    """
    if edges is None:
        edges = merge_edges(model.scale, model.energy_range, model.channels)
    matrix = merge(model.matrix(), edges)
    data = merge(np.asarray(counts, dtype=np.float64), edges)
    used = None
    if model.left_out is not None:
        used = merge(model.left_out.astype(np.float64), edges) == 0
    return solve(
        data, matrix, edges, model.labels, model_error=model_error, rounds=rounds, used=used
    )


def solve(
    data: Array,
    matrix: Array,
    edges: npt.NDArray[np.int64],
    labels: tuple[str, ...],
    *,
    model_error: float | None = None,
    rounds: int = 4,
    used: Mask | None = None,
) -> SumFit:
    """Amplitudes of a given design; the work of :func:`fit_sum`.

    Bins that are not `used` (all are by default) have no weight.
    """
    keep = np.ones(len(data), dtype=bool) if used is None else used
    seen = data
    if not keep.all():  # not even by way of the first weights
        seen = np.interp(np.arange(len(data)), np.flatnonzero(keep), data[keep])
    fitted = np.maximum(_smooth(seen), 1.0)
    coarse = np.array([_coarse(label) for label in labels])
    rough = np.zeros(len(data))
    relative = np.full(len(data), MODEL_ERROR_MIN if model_error is None else model_error)
    for _ in range(rounds):
        variance = np.where(keep, fitted + (relative * fitted) ** 2 + rough, np.inf)
        root = 1 / np.sqrt(variance)
        amplitude = _nonnegative(matrix * root[:, None], data * root)
        fitted = np.maximum(matrix @ amplitude, 1.0)
        rough = ((matrix * coarse) @ amplitude) ** 2
        dof = max(int(keep.sum()) - int(np.count_nonzero(amplitude)), 1)
        if model_error is None:
            relative = _model_error(data, fitted, rough, int(np.count_nonzero(amplitude)), keep)
    variance = np.where(keep, fitted + (relative * fitted) ** 2 + rough, np.inf)
    chi2 = float(np.sum((data - fitted) ** 2 / variance) / dof)
    info = (matrix / variance[:, None]).T @ matrix
    error = np.sqrt(np.diag(_inverse(info)))
    return SumFit(
        amplitude, error, fitted, data, matrix, edges, variance, relative, chi2, labels
    )  # fmt: skip


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
    knobs = _knobs(counts, model, detector_known)
    theta = np.array([k.start if k.now is None else k.now for k in knobs])
    fit = fit_sum(counts, _apply(model, knobs, theta), model_error=REFINE_ERROR)
    edges = fit.edges  # the same bins throughout, or steps could not be compared
    cost = _cost(fit, theta, knobs)
    damping = 1e-3
    curvature = np.diag([1 / k.spread**2 for k in knobs])
    for _ in range(steps):
        slopes = _slopes(_apply(model, knobs, theta), fit, knobs, theta)
        gradient, curvature = _normal_equations(fit, slopes, theta, knobs)
        moved = False
        for _ in range(6):
            lift = np.diag(np.diag(curvature)) * damping
            step = np.linalg.solve(curvature + lift, gradient)
            trial = np.clip(theta + step, [k.low for k in knobs], [k.high for k in knobs])
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
    spread = np.sqrt(np.diag(_inverse(curvature)))
    found = {k.name: (float(t), float(s)) for k, t, s in zip(knobs, theta, spread, strict=True)}
    slopes = _slopes(final, fit, knobs, theta)
    return Refined(
        _with_errors(final, found), fit, found, slopes, np.array([k.spread for k in knobs])
    )


@dataclass(frozen=True)
class _Knob:
    """One shape parameter: start, spread of what is plausible, bounds, and how it acts."""

    name: str
    start: float
    spread: float
    low: float
    high: float
    step: float
    act: Callable[[SpectrumModel, float], SpectrumModel]
    now: float | None = None  # value in the model where it is not the expected one


def _on_scale(field: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, scale=replace(m.scale, **{field: v}))


def _on_response(field: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, response=replace(m.response, **{field: v}))  # type: ignore[arg-type]


def _on_model(field: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, **{field: v})  # type: ignore[arg-type]


def _on_absorber(element: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, absorbers={**m.absorbers, element: v})


def _on_cover(label: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, cover={**m.cover, label: v})


def _on_group(
    label: str, group: npt.NDArray[np.int64], size: int
) -> Callable[[SpectrumModel, float], SpectrumModel]:
    def act(model: SpectrumModel, value: float) -> SpectrumModel:
        factor = np.array(model.log_factors.get(label, np.zeros(size)))
        factor[group] = value
        return replace(model, log_factors={**model.log_factors, label: factor})

    return act


def _knobs(counts: Array, model: SpectrumModel, detector_known: bool) -> list[_Knob]:
    """Parameters that this spectrum can say something about."""
    scale, response = model.scale, model.response
    gain = scale.kev_per_channel
    found = [
        _Knob("zero_kev", scale.zero_kev, max(3 * scale.zero_kev_err, 0.005),
              scale.zero_kev - 0.1, scale.zero_kev + 0.1, 1e-4, _on_scale("zero_kev")),
        _Knob("kev_per_channel", gain, max(3 * scale.kev_per_channel_err, 5e-4 * gain),
              0.98 * gain, 1.02 * gain, 1e-6 * gain, _on_scale("kev_per_channel")),
        _Knob("noise_kev", scale.noise_kev, max(3 * scale.noise_kev_err, 0.01),
              0.02, 0.4, 1e-4, _on_scale("noise_kev")),
        _Knob("fano", scale.fano, max(3 * scale.fano_err, 0.01),
              0.05, 0.25, 1e-4, _on_scale("fano")),
        _Knob("tail_fraction", response.tail_fraction, 0.02,
              0.0, 0.2, 1e-4, _on_response("tail_fraction")),
        _Knob("tail_slope_kev", response.tail_slope_kev, 0.1,
              0.03, 1.0, 1e-3, _on_response("tail_slope_kev")),
        _Knob("shelf_fraction", response.shelf_fraction, 0.005,
              0.0, 0.05, 1e-4, _on_response("shelf_fraction")),
    ]  # fmt: skip
    if detector_known:
        found = []
    elif any(e.kind == "compton" for e in model.emitters):
        found += [
            _Knob("compton_shift", model.compton_shift, 0.1, 0.6, 1.4, 1e-3,
                  _on_model("compton_shift")),
            _Knob("compton_fwhm_kev", model.compton_fwhm_kev, 0.1, 0.01, 1.5, 1e-3,
                  _on_model("compton_fwhm_kev")),
        ]  # fmt: skip
    if model.elastic is not None:
        found.append(
            _Knob("elastic share", 0.0, 1.0, -2.0, 4.0, 1e-2, _on_model("elastic_log"),
                  model.elastic_log)
        )  # fmt: skip
    if model.mixed_pile_up is not None:
        found.append(
            _Knob("pile_up_mixing", model.pile_up_mixing, 0.5, -3.0, 1.0, 1e-2,
                  _on_model("pile_up_mixing"))
        )  # fmt: skip
    # not with the error that unrefined shapes leave: it is largest at the very family whose
    # shapes are off, which would then stay as it is and take from its neighbours
    fit = fit_sum(counts, model, model_error=REFINE_ERROR)
    for emitter in model.emitters:
        net, error = fit.net(emitter.label)
        # a ratio is known to error/net at best; but where a part of the family is left out,
        # its counts hang on the ratio of that part to what is left
        hanging = net > HANGING_Z * error and fit.left(emitter.label) < 1 - HANGING_SHARE
        if net < 25 * error and not hanging:
            continue
        if emitter.kind == "element" and len(emitter.energies) > 1:
            found += _ratio_knobs(emitter, model, fit)
        elif emitter.kind == "rayleigh":
            found.append(
                _Knob(f"cover {emitter.label}", 0.0, 0.5, -2.0, 2.0, 1e-3,
                      _on_cover(emitter.label))
            )  # fmt: skip
            # the lines of a tube are no better known than those of paint: its K-beta2 may lie
            # on K-alpha of cadmium (Rh), indium (Pd) or tin (Ag)
            shares = emitter.shares(model.cover.get(emitter.label, 0.0))
            main = emitter.lines[int(np.argmax(shares))]
            if emitter.shells and not main.startswith("Ka"):  # alpha 2 : 1 is sure
                found += _group_knobs(emitter, shares, model, fit, ANODE_SPREAD)
    found += [
        _Knob(f"absorber {e}", model.absorbers.get(e, 0.05), 0.5, 0.0, 5.0, 1e-3, _on_absorber(e))
        for e in _absorbers(model, fit)
    ]
    return found


def _absorbers(model: SpectrumModel, fit: SumFit) -> list[str]:
    """Strongest elements with an absorption edge inside the fitted range."""
    counts: dict[str, float] = {}
    low, high = model.energy_range
    for emitter in model.emitters:
        shell = {"K": "K", "L": "L3", "M": "M5"}[emitter.family]
        inside = low + 1 < edge_energy(emitter.element, shell) < high - 1
        if emitter.kind == "element" and inside:
            counts[emitter.element] = counts.get(emitter.element, 0) + fit.net(emitter.label)[0]
    strong = sorted(counts, key=lambda e: -counts[e])[:4]
    return [e for e in strong if counts[e] > 0.02 * fit.counts.sum()]


def _ratio_knobs(emitter: Emitter, model: SpectrumModel, fit: SumFit) -> list[_Knob]:
    """Cover of a family, and factors of its groups of lines, as far as the counts bear it."""
    label = emitter.label
    start = model.cover.get(label, DEFAULT_COVER)
    cover = _Knob(f"cover {label}", start, 0.7, -0.5, 6.0, 1e-3, _on_cover(label))
    return [cover, *_group_knobs(emitter, emitter.shares(start), model, fit)]


def _group_knobs(
    emitter: Emitter,
    shares: Array,
    model: SpectrumModel,
    fit: SumFit,
    spread: float = GROUP_SPREAD,
) -> list[_Knob]:
    """Factors of groups of lines against the main one, as far as the counts bear them."""
    label, found = emitter.label, []
    net = fit.net(label)[0]
    centres = model.scale.energy(0.5 * (fit.edges[1:] + fit.edges[:-1] - 1))
    main = int(np.argmax(shares))
    for group in emitter.groups(0.5 * float(model.scale.fwhm(emitter.main_energy))):
        if main in group:
            continue
        at = float(np.average(emitter.energies[group], weights=shares[group]))
        width = float(model.scale.fwhm(at))
        beneath = fit.fitted[np.abs(centres - at) < 0.6 * width].sum()
        counts = net * shares[group].sum()
        if counts * spread > np.sqrt(max(beneath, 1.0)):
            size = len(emitter.energies)
            name = f"ratio {label} {emitter.lines[group[np.argmax(shares[group])]]}"
            found.append(
                _Knob(
                    name,
                    0.0,
                    spread,
                    -0.7,
                    0.7,
                    1e-3,
                    _on_group(label, group, size),
                    float(model.log_factors.get(label, np.zeros(size))[group[0]]),
                )
            )
    return found


def _apply(model: SpectrumModel, knobs: list[_Knob], theta: Array) -> SpectrumModel:
    for knob, value in zip(knobs, theta, strict=True):
        model = knob.act(model, float(value))
    return model


def _cost(fit: SumFit, theta: Array, knobs: list[_Knob]) -> float:
    """Minus twice the log-likelihood, with the plausible spread of the parameters."""
    here = fit.used
    off, variance = (fit.counts - fit.fitted)[here], fit.variance[here]
    chi2 = np.sum(off**2 / variance + np.log(variance))
    return float(
        chi2 + sum(((t - k.start) / k.spread) ** 2 for t, k in zip(theta, knobs, strict=True))
    )


def _slopes(model: SpectrumModel, fit: SumFit, knobs: list[_Knob], theta: Array) -> Array:
    """Change of the fitted spectrum with each parameter at fixed amplitudes, per bin.

    Energy scale and widths act through the derivatives of the spectrum of all peaks: a
    shift is a first derivative, a change of the Gaussian variance half the second one.
    The rest is found by a small step in the columns that are concerned.
    """
    where = {e.label: k for k, e in enumerate(model.emitters)}
    total = _peak_spectrum(model, fit)
    result = np.empty((len(fit.fitted), len(knobs)))
    for k, (knob, value) in enumerate(zip(knobs, theta, strict=True)):
        if knob.name in _SCALE_KNOBS:
            result[:, k] = merge(_scale_slope(knob.name, model, total), fit.edges)
            continue
        moved = knob.act(model, float(value) + knob.step)
        if knob.name == "pile_up_mixing":
            new = moved.pile_up_column() - model.pile_up_column()
            change = merge(new, fit.edges) * fit.net("pile-up")[0]
        elif knob.name == "elastic share" or knob.name.startswith("absorber "):
            pieces = len(model.knots)
            new = merge(moved.continuum() - model.continuum(), fit.edges)
            change = new @ fit.amplitude[-pieces:]
        else:
            change = np.zeros(len(fit.fitted))
            for c in _concerned(knob.name, model, fit, where):
                column = merge(moved.column(moved.emitters[c]), fit.edges)
                change += (column - fit.matrix[:, c]) * fit.amplitude[c]
        result[:, k] = change / knob.step
    return result


_SCALE_KNOBS = ("zero_kev", "kev_per_channel", "noise_kev", "fano")


def _concerned(name: str, model: SpectrumModel, fit: SumFit, where: dict[str, int]) -> list[int]:
    """Columns that a parameter acts on, those with few counts left out."""
    kind, _, rest = name.partition(" ")
    if kind == "cover":
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


def _normal_equations(
    fit: SumFit, slopes: Array, theta: Array, knobs: list[_Knob]
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


def _nonnegative(matrix: Array, data: Array) -> Array:
    """Non-negative least squares through the normal equations of scaled columns."""
    norm = np.linalg.norm(matrix, axis=0)
    norm[norm == 0] = 1.0
    q, r = np.linalg.qr(matrix / norm)
    return np.asarray(nnls(r, q.T @ data, maxiter=50 * matrix.shape[1])[0] / norm)


def _inverse(info: Array) -> Array:
    """Inverse of an information matrix; coinciding components get large, finite errors."""
    root = np.sqrt(np.diag(info))
    root[root == 0] = 1.0
    scaled = info / root[:, None] / root[None, :]
    values, vectors = np.linalg.eigh(scaled)
    inverse = (vectors / np.maximum(values, 1e-10)) @ vectors.T
    return np.asarray(inverse / root[:, None] / root[None, :])


def _coarse(label: str) -> float:
    """Relative error of a component's own shape."""
    if label.startswith("pile-up"):
        return PILE_UP_ERROR
    return SCATTER_ERROR if "Compton" in label or "Rayleigh" in label else 0.0


def _model_error(data: Array, fitted: Array, rough: Array, free: int, keep: Mask) -> Array:
    """Relative model error per bin that brings the local mean of chi-square to one.

    Local, because a strong family that is described badly must not blind the whole
    spectrum, nor a well described region vouch for a bad one.
    """
    if not keep.all():  # of what lies between, the error is that of the bins beside it
        inside = _model_error(data[keep], fitted[keep], rough[keep], free, keep[keep])
        return np.interp(np.arange(len(data)), np.flatnonzero(keep), inside)
    share = max(1 - free / len(data), 0.1)
    half = ERROR_WINDOW // 2

    def windows(values: Array) -> Array:
        return sliding_window_view(np.pad(values, half, mode="reflect"), ERROR_WINDOW)

    mean = windows(fitted)
    known = windows(fitted + rough)
    square = windows((data - fitted) ** 2)
    low = np.full(len(data), MODEL_ERROR_MIN)
    high = np.full(len(data), MODEL_ERROR_MAX)
    for _ in range(12):
        middle = 0.5 * (low + high)
        chi2 = (square / (known + (middle[:, None] * mean) ** 2)).mean(axis=1) / share
        low, high = np.where(chi2 > 1, middle, low), np.where(chi2 > 1, high, middle)
    return np.asarray(0.5 * (low + high))


def _smooth(data: Array) -> Array:
    """Mean of three neighbours: weights for the first round only."""
    padded = np.pad(data, 1, mode="edge")
    return np.asarray((padded[:-2] + padded[1:-1] + padded[2:]) / 3)
