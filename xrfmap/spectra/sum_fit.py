"""Fit of one spectrum with many counts: amplitudes, and the error that the model leaves.

Amplitudes enter linearly. What cannot be described stays visible as a fraction of the local
counts, and counts as an uncertainty from then on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.optimize import nnls

from xrfmap.spectra.templates import SpectrumModel, merge_edges

__all__ = ["SumFit", "fit_sum", "inverse", "merge", "nonnegative", "solve"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MODEL_ERROR_MIN = 0.002
"""Least relative error of the model that is assumed: cross-sections differ by more."""

MODEL_ERROR_MAX = 0.2
"""Most that is granted; a worse fit is reported as bad, not explained away."""

ERROR_WINDOW = 25
"""Bins (a third of a peak width each) over which the model error is averaged."""

APART = 1e-6
"""Penalty on amplitudes of columns of unit length, where two of them coincide."""

SCATTER_ERROR = 0.03
"""Relative error of scatter peaks: their shape depends on what lies in depth."""

PILE_UP_ERROR = 0.1
"""Relative error of pile-up, whose mixture of pixels is known only roughly."""


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
        amplitude = nonnegative(matrix * root[:, None], data * root)
        fitted = np.maximum(matrix @ amplitude, 1.0)
        rough = ((matrix * coarse) @ amplitude) ** 2
        dof = max(int(keep.sum()) - int(np.count_nonzero(amplitude)), 1)
        if model_error is None:
            relative = _model_error(data, fitted, rough, int(np.count_nonzero(amplitude)), keep)
    variance = np.where(keep, fitted + (relative * fitted) ** 2 + rough, np.inf)
    chi2 = float(np.sum((data - fitted) ** 2 / variance) / dof)
    info = (matrix / variance[:, None]).T @ matrix
    error = np.sqrt(np.diag(inverse(info)))
    return SumFit(
        amplitude, error, fitted, data, matrix, edges, variance, relative, chi2, labels
    )  # fmt: skip


def nonnegative(matrix: Array, data: Array) -> Array:
    """Solve least squares with amplitudes >= 0, columns scaled to unit length.

    Parameters
    ----------
    matrix : ndarray, shape (bins, components)
        Columns, weighted.
    data : ndarray, shape (bins,)
        Data, weighted alike.

    Returns
    -------
    ndarray, shape (components,)
        Amplitudes; those of columns of nothing are zero.
    """
    norm = np.linalg.norm(matrix, axis=0)
    norm[norm == 0] = 1.0
    q, r = np.linalg.qr(matrix / norm)
    target, most = q.T @ data, 50 * matrix.shape[1]
    try:
        best = nnls(r, target, maxiter=most)[0]
    except RuntimeError:
        # two columns that coincide are exchanged for ever by some versions: keep them apart
        apart = np.vstack([r, APART * np.eye(r.shape[1])])
        best = nnls(apart, np.concatenate([target, np.zeros(r.shape[1])]), maxiter=most)[0]
    return np.asarray(best / norm)


def inverse(info: Array) -> Array:
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
