"""Free thicknesses of one proposed stack, fitted to the counts of groups of lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, least_squares

from xrfmap.depth.cover_model import table_covariance
from xrfmap.depth.line_groups import GroupCounts
from xrfmap.depth.stack_yields import StackYields
from xrfmap.physics.atomic import Material
from xrfmap.settings import Instrument

__all__ = ["FreeLayer", "Problem", "StackFit", "StackProposal", "total_covariance"]

Array = npt.NDArray[np.float64]

THICKNESS_UM = (1.0, 300.0)
"""Range of a thickness that is left free (common practice, no source)."""

STARTS = 3
"""Starting points per free thickness are spread over its range, since a thick cover over
much paint and a thin one over little can look alike from afar."""

ROUNDS = 2
"""Rounds in which the errors of tables are taken from the counts last fitted."""

_HALF = 3.841459  # 95 % of a chi-square with one degree of freedom


@dataclass(frozen=True)
class FreeLayer:
    """A layer of a proposed stack.

    Attributes
    ----------
    material : Material
        What it is made of.
    thickness_um : tuple of float
        Range of the thickness; both ends the same where it is known. [um]
    """

    material: Material
    thickness_um: tuple[float, float] = THICKNESS_UM

    def __post_init__(self) -> None:
        low, high = self.thickness_um
        if not 0 < low <= high < np.inf:
            raise ValueError(
                f"{self.material.name}: thickness must be 0 < low <= high µm, "
                f"found {low:g} to {high:g}"
            )

    @property
    def free(self) -> bool:
        """Whether the thickness is to be fitted."""
        return self.thickness_um[0] < self.thickness_um[1]


@dataclass(frozen=True)
class StackProposal:
    """Layers that might explain an area, from top to bottom."""

    name: str
    layers: tuple[FreeLayer, ...]

    def __post_init__(self) -> None:
        if not self.layers:
            raise ValueError(f"stack {self.name!r} has no layer")

    @property
    def elements(self) -> set[str]:
        """Symbols of all elements in it."""
        return {e for layer in self.layers for e in layer.material.mass_fractions}


@dataclass(frozen=True, eq=False)
class StackFit:
    """A proposed stack with its thicknesses.

    Attributes
    ----------
    proposal : StackProposal
        What was proposed.
    thickness_um, low_um, high_um : ndarray, shape (layers,)
        Thickness and its 95 % interval (profile likelihood); equal where given. [um]
    expected : ndarray, shape (g,)
        Counts that the stack leads to. [counts]
    pulls : ndarray, shape (g,)
        Counts minus expected, in standard errors of each group alone.
    minus_2_log_l : float
        Twice the negative logarithm of the likelihood, without constants.
    chi2 : float
        Misfit; to be compared with `freedom`.
    freedom : int
        Groups minus free parameters.
    free : int
        Free parameters, the factor of tube and geometry included.
    aicc, bic : float
        Akaike's criterion for small samples [1]_ and Schwarz's [2]_; smaller is better.
        `aicc` is infinite where there are not two more groups than parameters.
    at_edge : tuple of str
        Materials whose thickness ran into an end of its range.
    """

    proposal: StackProposal
    thickness_um: Array
    low_um: Array
    high_um: Array
    expected: Array
    pulls: Array
    minus_2_log_l: float
    chi2: float
    freedom: int
    free: int
    at_edge: tuple[str, ...]

    @property
    def aicc(self) -> float:
        """Akaike's criterion for small samples; smaller is better."""
        n, k = len(self.expected), self.free
        if n - k - 1 <= 0:
            return float("inf")
        return self.minus_2_log_l + 2 * k + 2 * k * (k + 1) / (n - k - 1)

    @property
    def bic(self) -> float:
        """Schwarz's criterion; smaller is better."""
        return self.minus_2_log_l + self.free * float(np.log(len(self.expected)))


def total_covariance(counts: GroupCounts, expected: Array, table_error: float) -> Array:
    """Covariance of counts and tables together, shape (g, g). [counts2]."""
    table = table_covariance(counts.groups, table_error)
    return np.asarray(counts.covariance[0] + table * np.outer(expected, expected))


class Problem:
    """One proposed stack against one set of counts."""

    def __init__(
        self,
        counts: GroupCounts,
        proposal: StackProposal,
        instrument: Instrument,
        anode: str | None,
        table_error: float,
        secondary: bool,
    ) -> None:
        self.counts, self.proposal, self.table_error = counts, proposal, table_error
        self.bounds = np.log(np.array([layer.thickness_um for layer in proposal.layers]))
        self.free = np.array([layer.free for layer in proposal.layers])
        parameters = int(self.free.sum()) + 1
        if len(counts.groups) < parameters:
            raise ValueError(
                f"stack {proposal.name!r} has {parameters} free parameters, but only "
                f"{len(counts.groups)} groups of lines can be compared"
            )
        self.yields = StackYields(
            counts.groups, [layer.material for layer in proposal.layers], instrument,
            anode=anode, secondary=secondary,
        )  # fmt: skip
        self.covariance = total_covariance(counts, np.maximum(counts.net[0], 0.0), table_error)

    def _whole(self, logs: Array) -> Array:
        """All logarithms of thickness, from those of the free layers."""
        full = self.bounds[:, 0].copy()
        full[self.free] = logs
        return np.asarray(full)

    def expected(self, logs: Array) -> Array:
        """Give the counts of the groups at the best factor, which cannot be negative."""
        made = self.yields.at(np.exp(self._whole(logs)))
        weighted = np.linalg.solve(self.covariance, made)
        square = float(made @ weighted)
        if square <= 0:
            return np.zeros_like(made)
        return np.asarray(made * max(float(self.counts.net[0] @ weighted) / square, 0.0))

    def chi2(self, logs: Array) -> float:
        """Misfit with the present covariance."""
        residual = self.counts.net[0] - self.expected(logs)
        return float(residual @ np.linalg.solve(self.covariance, residual))

    def _search(self, start: Array, bounds: Array) -> Array:
        if not start.size:
            return start
        factor = np.linalg.cholesky(self.covariance)

        def residual(logs: Array) -> Array:
            off = self.counts.net[0] - self.expected(logs)
            return np.asarray(np.linalg.solve(factor, off))

        found = least_squares(
            residual, np.clip(start, bounds[:, 0] + 1e-9, bounds[:, 1] - 1e-9),
            bounds=(bounds[:, 0], bounds[:, 1]), x_scale=0.3, diff_step=1e-3, max_nfev=30,
        )  # fmt: skip
        return np.asarray(found.x)

    def solve(self) -> Array:
        """Logarithms of the free thicknesses at the best fit."""
        bounds = self.bounds[self.free]
        shares = (np.arange(STARTS) + 0.5) / STARTS if len(bounds) else np.zeros(1)
        tried = [self._settled(bounds[:, 0] + s * (bounds[:, 1] - bounds[:, 0])) for s in shares]
        _, best, self.covariance = min(tried, key=lambda t: t[0])
        self.yields.refresh(np.exp(self._whole(best)))
        return best

    def _settled(self, start: Array) -> tuple[float, Array, Array]:
        """Likelihood, logarithms and covariance that one start leads to."""
        bounds = self.bounds[self.free]
        self.covariance = total_covariance(
            self.counts, np.maximum(self.counts.net[0], 0.0), self.table_error
        )
        best = self._search(start, bounds)
        for _ in range(ROUNDS):
            self.yields.refresh(np.exp(self._whole(best)))
            expected = self.expected(best)
            self.covariance = total_covariance(self.counts, expected, self.table_error)
            best = self._search(best, bounds)
        return self.minus_2_log_l(best), best, self.covariance

    def minus_2_log_l(self, logs: Array) -> float:
        """Twice the negative logarithm of the likelihood, without constants."""
        return self.chi2(logs) + float(np.linalg.slogdet(self.covariance)[1])

    def intervals(self, best: Array) -> tuple[Array, Array]:
        """Give the ends of the 95 % intervals of all layers, as logarithms."""
        low, high = self.bounds[:, 0].copy(), self.bounds[:, 1].copy()
        places = np.flatnonzero(self.free)
        for k, layer in enumerate(places):
            low[layer] = self._end(best, k, self.bounds[layer, 0])
            high[layer] = self._end(best, k, self.bounds[layer, 1])
        return low, high

    def _end(self, best: Array, k: int, limit: float) -> float:
        """Thickness towards a limit at which the profile rises by 3.84."""
        floor = self.chi2(best)
        others = np.delete(np.arange(len(best)), k)
        bounds = self.bounds[self.free][others]
        near = [best]

        def rise(value: float) -> float:
            held = _Held(self, k, value)
            found = self._search_held(held, near[0][others], bounds)
            near[0] = held.join(found)
            return self.chi2(near[0]) - floor - _HALF

        if abs(limit - best[k]) < 1e-6 or rise(limit) < 0:
            return float(limit)
        near[0] = best
        return float(brentq(rise, best[k], limit, xtol=0.003))

    def _search_held(self, held: _Held, start: Array, bounds: Array) -> Array:
        if not start.size:
            return start
        factor = np.linalg.cholesky(self.covariance)

        def residual(logs: Array) -> Array:
            off = self.counts.net[0] - self.expected(held.join(logs))
            return np.asarray(np.linalg.solve(factor, off))

        found = least_squares(
            residual, np.clip(start, bounds[:, 0] + 1e-9, bounds[:, 1] - 1e-9),
            bounds=(bounds[:, 0], bounds[:, 1]), x_scale=0.3, diff_step=1e-3, max_nfev=20,
        )  # fmt: skip
        return np.asarray(found.x)

    def result(self, best: Array, low: Array, high: Array) -> StackFit:
        """Gather everything."""
        expected = self.expected(best)
        residual = self.counts.net[0] - expected
        chi2 = self.chi2(best)
        whole = self._whole(best)
        edge = [
            layer.material.name
            for k, layer in enumerate(self.proposal.layers)
            if layer.free and np.abs(self.bounds[k] - whole[k]).min() < 1e-3
        ]
        parameters = int(self.free.sum()) + 1
        return StackFit(
            self.proposal, np.exp(whole), np.exp(low), np.exp(high), expected,
            residual / np.sqrt(np.diag(self.covariance)), self.minus_2_log_l(best), chi2,
            len(expected) - parameters, parameters, tuple(edge),
        )  # fmt: skip


@dataclass(frozen=True)
class _Held:
    """One free thickness held at a value while the others are fitted."""

    problem: Problem
    place: int
    value: float

    def join(self, others: Array) -> Array:
        """Put the held value among the others."""
        return np.insert(others, self.place, self.value)
