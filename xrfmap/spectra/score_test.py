"""How surely one more component is needed to explain a spectrum.

A component is judged inside the full model: with everything already found, with the
uncertainty of all shapes (energy scale, widths, line ratios), and with the model error
left over from the fit. What a strong neighbour could explain is thereby not evidence.

With ``t`` the component's shape, ``W`` the inverse of all variances (counting, model error,
shapes) and ``P`` the projection that takes out the other components, the estimate is
``a = t' P W r / (t' P W t)`` of the residual r, its error ``(t' P W t)^(-1/2)``, and the test
is their ratio z: the score test of C. R. Rao, Proc. Camb. Phil. Soc. 44, 50 (1948), which for
Gaussian errors is the likelihood ratio, z^2 = 2 ln L1/L0 (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xrfmap.spectra.refine import Refined
from xrfmap.spectra.sum_fit import merge

__all__ = ["SHARED_ERROR", "Evidence", "Judge"]

Array = npt.NDArray[np.float64]

SHARED_ERROR = 0.003
"""Relative error of the counts of a family that all its bins share, beside that of each bin.

One refined shape stands for a mixture of paints, each of which lets pass its lines in ratios of
its own. In sums of simulated paintings, fitted by what the sum alone shows, the strong families
(errors of 0.1 to 0.2 % without this) were off by 0.1 to 0.6 % of their counts. Paints that this
project simulates know no faults but those it knows: for real ones it is the least."""

NOTHING = 1e-30
"""Information that is none: errors of 1e15 counts."""


@dataclass(frozen=True)
class Evidence:
    """What a spectrum says about one component.

    Attributes
    ----------
    label : str
        Component.
    net, error : float
        Unbounded estimate of its net counts, and the standard error that tests ask for. [counts]
    alone : float
        Error if nothing else overlapped it. [counts]
    competitor : str or None
        Component whose shape is most like it.
    overlap : float
        Cosine between the two shapes on the scale of the noise, 0 to 1.
    """

    label: str
    net: float
    error: float
    alone: float
    competitor: str | None
    overlap: float

    @property
    def z(self) -> float:
        """Net counts in standard errors."""
        return self.net / self.error

    @property
    def stated(self) -> float:
        """Standard error to state with the counts: with :data:`SHARED_ERROR`. [counts]."""
        return math.hypot(self.error, SHARED_ERROR * max(self.net, 0.0))

    @property
    def inflation(self) -> float:
        """Factor by which overlaps widen the error."""
        return self.error / self.alone


class Judge:
    """Tests components against a refined model of one spectrum.

    Parameters
    ----------
    refined : Refined
        Model, fit and shape uncertainties.
    """

    def __init__(self, refined: Refined) -> None:
        fit = refined.fit
        self._refined = refined
        self._root = 1 / np.sqrt(fit.variance)
        self._columns = fit.matrix * self._root[:, None]
        self._labels = fit.labels
        slopes = refined.slopes * self._root[:, None]
        # prior of each shape parameter: one more observation of it, at its start
        self._shapes = np.vstack([slopes, np.diag(1 / refined.spreads)])
        self._residual = (fit.counts - fit.fitted) * self._root
        # all that is in the model, orthogonalised once: leaving a component out of it
        # then is a matter of the small triangular factor
        self._active = [k for k, a in enumerate(fit.amplitude) if a > 0]
        rows = np.zeros((self._shapes.shape[1], len(self._active)))
        everything = np.hstack([np.vstack([self._columns[:, self._active], rows]), self._shapes])
        norm = np.linalg.norm(everything, axis=0)
        norm[norm == 0] = 1.0
        self._q, self._r = np.linalg.qr(everything / norm)

    def columns(self, label: str) -> Array:
        """Column of a component in the model, per bin."""
        return np.asarray(self._refined.fit.matrix[:, self._labels.index(label)])

    def column_of(self, spectrum: Array) -> Array:
        """Bring a spectrum per channel to the bins of the fit."""
        return merge(spectrum, self._refined.fit.edges)

    def share_left(self, column: Array) -> float:
        """Share of a column's counts that lies in bins which the fit rests on, 0 to 1."""
        return self._refined.fit.share_left(column)

    def judge(self, label: str, column: Array, without: tuple[str, ...] = ()) -> Evidence:
        """Judge one component.

        Parameters
        ----------
        label : str
            Name; a component of that name in the model is replaced.
        column : ndarray, shape (bins,)
            Its expected counts per bin for one net count.
        without : tuple of str
            Further components to leave out of the model.

        Returns
        -------
        Evidence
            Estimate, error and strongest competitor.
        """
        return self.judge_many([label], column[:, None], without)[0]

    def judge_many(
        self, labels: list[str], columns: Array, without: tuple[str, ...] = ()
    ) -> list[Evidence]:
        """Judge several components, each for itself against the same model."""
        out = {*labels, *without} & set(self._labels)
        keep = [k for k, name in enumerate(self._labels) if name not in out]
        gone = [k for k, name in enumerate(self._labels) if name in out]
        amplitude = self._refined.fit.amplitude
        data = self._residual + self._columns[:, gone] @ amplitude[gone]
        scaled = columns * self._root[:, None]
        top = self._q[: len(data)]
        known, known_data = top.T @ scaled, top.T @ data
        if set(gone) & set(self._active):
            left = self._basis(set(gone))
            known, known_data = left.T @ known, left.T @ known_data
        # of what lies in channels left out and nowhere else, nothing is known
        alone = np.maximum(np.einsum("ij,ij->j", scaled, scaled), NOTHING)
        info = np.maximum(alone - np.einsum("ij,ij->j", known, known), 1e-9 * alone)
        net = (scaled.T @ data - known.T @ known_data) / info
        rivals = self._rivals(scaled, [k for k in keep if amplitude[k] > 0])
        return [
            Evidence(
                name, float(net[j]), float(info[j] ** -0.5), float(alone[j] ** -0.5), *rivals[j]
            )
            for j, name in enumerate(labels)
        ]

    def likeness(self, column: Array, others: Array) -> Array:
        """Cosine between a column and others on the scale of the noise, shape (others,)."""
        own = column * self._root
        theirs = others * self._root[:, None]
        scale = np.linalg.norm(own) * np.linalg.norm(theirs, axis=0)
        return np.asarray(own @ theirs / np.maximum(scale, 1e-300))

    def _basis(self, gone: set[int]) -> Array:
        """Orthonormal basis, within that of the model, of what is left without some columns."""
        stays = [k not in gone for k in self._active] + [True] * self._shapes.shape[1]
        q, r, _ = _pivoted(self._r[:, np.array(stays)])
        rank = int(np.sum(np.abs(np.diag(r)) > 1e-9))
        return q[:, :rank]

    def _rivals(self, scaled: Array, keep: list[int]) -> list[tuple[str | None, float]]:
        """Component of the model whose shape is most like each column."""
        if not keep:
            return [(None, 0.0)] * scaled.shape[1]
        own = self._columns[:, keep]
        norms = np.outer(np.linalg.norm(own, axis=0), np.linalg.norm(scaled, axis=0))
        cosine = (own.T @ scaled) / np.maximum(norms, NOTHING)
        best = cosine.argmax(axis=0)
        return [(self._labels[keep[k]], float(cosine[k, j])) for j, k in enumerate(best)]


def _pivoted(matrix: Array) -> tuple[Array, Array, npt.NDArray[np.int64]]:
    from scipy.linalg import qr

    q, r, order = qr(matrix, mode="economic", pivoting=True)
    return q, r, order
