"""How much cover the groups of lines of an element speak for, with an interval.

The likelihood of the cover is Gaussian in the counts of the groups, the strength of the
element taken at its best for every cover, and averaged over the own layers that the table
holds. Errors of tabulated strengths widen the covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, logsumexp

from xrfmap.depth.cover_model import CoverModel
from xrfmap.depth.line_groups import GroupCounts
from xrfmap.fit.limits import interval

__all__ = ["Z_ORDER", "Cover", "estimate_cover", "pair_information"]

Array = npt.NDArray[np.float64]

Z_ORDER = 4.0
"""Standard errors at which a bare layer is ruled out: a risk of 3e-5, one-sided.

The order of two layers is a claim about how a picture was made; one area in twenty would
be too often to be wrong. Below it the interval of the cover starts at zero.
"""

DROP = 12.5
"""Fall of the log-likelihood at which it is no longer followed: 5 standard errors."""

FINE = 33
"""Covers in each zoom of the grid."""

ZOOMS = 3
"""After two the steps are a third of a standard error, after three always so."""

CHUNK = 400
"""Spectra worked on at once; bounds the memory."""

_HALF = 1.959964


@dataclass(frozen=True, eq=False)
class Cover:
    """Cover over the layer of one element in n spectra.

    Attributes
    ----------
    value, low, high : ndarray, shape (n,)
        Best cover >= 0 and its 95 % interval; NaN where nothing can be said. [g/cm2]
    z : ndarray, shape (n,)
        Signed root of the likelihood ratio against a bare layer: standard errors by which
        bare paint is ruled out; negative where the lines are softer than bare.
    p : ndarray, shape (n,)
        Chance of lines that agree no better with one layer under one cover, if that is
        what lies there; NaN where there is nothing to compare.
    net : ndarray, shape (n,)
        Counts of the element over all groups. [counts]
    own : ndarray of int, shape (n,)
        Likeliest own layer, as a place in ``CoverModel.own``.
    open_end : ndarray of bool, shape (n,)
        Whether the interval runs into the heaviest cover of the table.
    """

    value: Array
    low: Array
    high: Array
    z: Array
    p: Array
    net: Array
    own: npt.NDArray[np.int64]
    open_end: npt.NDArray[np.bool_]


def estimate_cover(counts: GroupCounts, model: CoverModel) -> Cover:
    """Cover that the groups of one element speak for.

    Parameters
    ----------
    counts : GroupCounts
        n spectra; its groups are those of the model.
    model : CoverModel
        Table of expected groups.

    Returns
    -------
    Cover
        With 95 % intervals: values of the cover for which twice the log-likelihood,
        averaged over own layers, lies within 3.84 of its maximum. Near zero the ends are
        those of Feldman and Cousins on the signed root of the likelihood ratio, since no
        cover is negative; an interval starts above zero only beyond :data:`Z_ORDER`.

    Raises
    ------
    ValueError
        If the groups are not those of the model.
    """
    if counts.groups != model.groups:
        raise ValueError("counts and model must hold the same groups of lines")
    starts = range(0, len(counts.net), CHUNK)
    parts = [_estimate(_part(counts, slice(k, k + CHUNK)), model) for k in starts]
    fields = Cover.__dataclass_fields__
    return Cover(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in fields})


def _part(counts: GroupCounts, rows: slice) -> GroupCounts:
    return GroupCounts(counts.groups, counts.net[rows], counts.covariance[rows])


def _estimate(counts: GroupCounts, model: CoverModel) -> Cover:
    usable = np.isfinite(counts.net).all(axis=1) & (counts.net.sum(axis=1) > 0)
    safe = np.where(usable[:, None], counts.net, 1.0)
    covariance = np.where(usable[:, None, None], counts.covariance, np.eye(safe.shape[1]))
    expected = np.maximum(safe, 0.0)
    for zooms in (0, ZOOMS):  # once about the counts, once about the fitted counts
        peak = _Likelihood(safe, _weight(covariance, expected, model), model)
        peak.search(zooms)
        expected = peak.expected()
    z = peak.against_bare(covariance)
    value, low, high = peak.interval(z)
    freedom = safe.shape[1] - 2
    p = chdtrc(freedom, peak.misfit()) if freedom > 0 else np.full(len(safe), np.nan)
    top = model.areal[-1]
    blank = np.where(usable, 0.0, np.nan)
    return Cover(
        value + blank, low + blank, high + blank, z + blank, p + blank,
        expected.sum(axis=1) + blank, peak.best_own, (high > 0.999 * top) & usable,
    )  # fmt: skip


def _weight(covariance: Array, expected: Array, model: CoverModel) -> Array:
    """Inverse of the covariance with the table errors of the expected counts, (n, g, g)."""
    table = model.table * expected[:, :, None] * expected[:, None]
    return np.asarray(np.linalg.inv(covariance + table), dtype=np.float64)


def _log_det(weight: Array) -> Array:
    return np.asarray(np.linalg.slogdet(weight)[1])


class _Likelihood:
    """Log-likelihood of the cover for n spectra, searched by zooming in."""

    def __init__(self, net: Array, weight: Array, model: CoverModel) -> None:
        self.net, self.weight, self.model = net, weight, model
        self.vector = np.einsum("ngh,nh->ng", weight, net)
        self.whole = np.einsum("ng,ng->n", net, self.vector)
        self.log_weight = np.log(model.weight)
        self.best_own = np.zeros(len(net), dtype=np.int64)

    def per_own(self, areal: Array) -> Array:
        """At covers (n, m) or (m,), for each own layer: (n, m, nodes)."""
        shape = np.exp(self._shape(areal))
        along = np.einsum("...mjg,ng->nmj" if areal.ndim == 1 else "nmjg,ng->nmj", shape,
                          self.vector, optimize=True)  # fmt: skip
        if areal.ndim == 1:
            outer = shape[..., :, None] * shape[..., None, :]
            m, j, g, _ = outer.shape
            flat = outer.reshape(m * j, g * g) @ self.weight.reshape(-1, g * g).T
            square = flat.T.reshape(-1, m, j)
        else:
            square = np.einsum("nmjg,ngh,nmjh->nmj", shape, self.weight, shape, optimize=True)
        return np.asarray(0.5 * np.maximum(along, 0.0) ** 2 / square)

    def _shape(self, areal: Array) -> Array:
        """Logarithm of the groups' yields, each set scaled to a largest of one."""
        logs = self.model.at(areal)
        return np.asarray(logs - logs.max(axis=-1, keepdims=True))

    def at(self, areal: Array) -> Array:
        """Averaged over own layers: (n, m)."""
        return np.asarray(logsumexp(self.per_own(areal) + self.log_weight, axis=-1))

    def search(self, zooms: int) -> None:
        """Grid on which the likelihood is known where it is not negligible."""
        coarse = self.model.areal
        values = self.at(coarse)
        grid = np.broadcast_to(coarse, values.shape)
        for _ in range(zooms):
            grid = self._closer(grid, values)
            values = self.at(grid)
        self.grid, self.values = grid, values
        self.top, self.place = _maximum(grid, values)
        best = self.per_own(self.place[:, None])[:, 0]
        self.best_own = best.argmax(axis=1)

    @staticmethod
    def _closer(grid: Array, values: Array) -> Array:
        """Even grid over the covers that are not ruled out by far."""
        near = values > values.max(axis=1, keepdims=True) - DROP
        n, m = values.shape
        first = np.maximum(near.argmax(axis=1) - 1, 0)
        last = np.minimum(m - near[:, ::-1].argmax(axis=1), m - 1)
        rows = np.arange(n)
        share = np.linspace(0, 1, FINE)
        return np.asarray(
            grid[rows, first][:, None] + share * (grid[rows, last] - grid[rows, first])[:, None]
        )

    def expected(self, areal: Array | None = None) -> Array:
        """Give the counts of the groups at a cover (the best) and the best own layer there."""
        cover = (np.maximum(self.place, 0.0) if areal is None else areal)[:, None]
        own = self.per_own(cover)[:, 0].argmax(axis=1)
        shape = np.exp(self._shape(cover)[:, 0])[np.arange(len(cover)), own]
        along = np.einsum("ng,ng->n", shape, self.vector)
        square = np.einsum("ng,ngh,nh->n", shape, self.weight, shape)
        return np.asarray(shape * np.maximum(along / square, 0.0)[:, None])

    def misfit(self) -> Array:
        """Chi-square at the best cover and own layer, shape (n,)."""
        best = self.per_own(self.place[:, None])[:, 0].max(axis=1)
        return np.asarray(np.maximum(self.whole - 2 * best, 0.0))

    def against_bare(self, covariance: Array) -> Array:
        """Signed root of the likelihood ratio against a bare layer.

        Tables are wrong by a share of what is expected: a bare layer must be judged with
        the errors of a bare layer, which are larger than those under a cover.
        """
        bare = np.zeros(len(self.net))
        there = self
        expected = self._from_strongest()
        for _ in range(3):
            weight = _weight(covariance, expected, self.model)
            there = _Likelihood(self.net, weight, self.model)
            expected = there.expected(bare)
        best = self.top - 0.5 * self.whole + 0.5 * _log_det(self.weight)
        flat = there.at(bare[:, None])[:, 0] - 0.5 * there.whole + 0.5 * _log_det(weight)
        same = self.top - self.at(bare[:, None])[:, 0]
        fall = np.maximum(np.minimum(best - flat, same), 0.0)
        return np.asarray(np.sign(self.place) * np.sqrt(2 * fall))

    def _from_strongest(self) -> Array:
        """Scale a mean bare layer so that it gives the strongest group its counts."""
        shape = np.exp(self.model.weight @ self.model.at(np.zeros(1))[0])
        strong = self.net.argmax(axis=1)
        return np.asarray(shape * (self.net.max(axis=1) / shape[strong])[:, None])

    def interval(self, tested: Array) -> tuple[Array, Array, Array]:
        """Value and both ends [g/cm2]; `tested` is z against a bare layer."""
        bare = self.at(np.zeros((len(self.net), 1)))[:, 0]
        fall = np.maximum(self.top - bare, 0.0)
        z = np.sign(self.place) * np.sqrt(2 * fall)
        low_z, high_z = interval(z, np.ones_like(z), np.full_like(z, 1e-9))
        low = self._crossing(z - low_z, -1)
        high = self._crossing(high_z - z, +1)
        low = np.where((tested < Z_ORDER) | (low_z <= 0), 0.0, np.maximum(low, 0.0))
        return np.maximum(self.place, 0.0), low, np.maximum(high, 0.0)

    def _crossing(self, distance: Array, side: int) -> Array:
        """Cover on one side of the maximum at a distance in standard errors."""
        root = np.sqrt(2 * np.maximum(self.top[:, None] - self.values, 0.0))
        result = np.empty(len(distance))
        for n in range(len(distance)):
            on = self.grid[n] * side >= self.place[n] * side
            x = np.append(self.place[n], self.grid[n][on][::side])
            y = np.append(0.0, root[n][on][::side])
            result[n] = np.interp(distance[n], np.maximum.accumulate(y), x)
        return result


def _maximum(grid: Array, values: Array) -> tuple[Array, Array]:
    """Height and place of the maximum of each row, by a parabola through three points."""
    rows = np.arange(len(values))
    k = values.argmax(axis=1)
    inside = np.clip(k, 1, values.shape[1] - 2)
    before, here, after = (values[rows, inside + d] for d in (-1, 0, 1))
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    fits = (np.abs(shift) <= 1) & (k == inside)
    shift = np.where(fits, shift, k - inside)
    step = grid[rows, inside + 1] - grid[rows, inside]
    top = np.where(fits, here - 0.25 * (before - after) * shift, values[rows, k])
    return np.asarray(top), np.asarray(grid[rows, inside] + shift * step)


def pair_information(
    counts: GroupCounts, model: CoverModel, areal: float = 0.0
) -> list[tuple[str, str, float]]:
    """Ratios of two groups, with what each says about the cover.

    Parameters
    ----------
    counts : GroupCounts
        The first spectrum is taken.
    model : CoverModel
        Expected groups.
    areal : float
        Cover at which to judge. [g/cm2]

    Returns
    -------
    list of (str, str, float)
        Soft group, hard group, and Fisher information of their ratio on the cover in
        1/(g/cm2)^2: square of the slope of the logarithm of the ratio over its variance,
        expected counts and table errors taken together; the most telling pair first.
    """
    middle = len(model.weight) // 2
    step = 1e-4
    logs = model.at(np.array([areal, areal + step]))[:, middle]
    slope = (logs[1] - logs[0]) / step
    total = max(float(counts.net[0].sum()), 1.0)
    share = np.exp(logs[0] - logsumexp(logs[0]))
    expected = total * share
    # Poisson part of the expected counts; what the measured covariance has on top
    extra = np.maximum(np.diag(counts.covariance[0]) - np.maximum(counts.net[0], 0.0), 0.0)
    variance = (expected + extra) / np.maximum(expected, 1e-9) ** 2
    found = []
    for i, first in enumerate(counts.groups):
        for j, second in enumerate(counts.groups[i + 1 :], i + 1):
            soft, hard = sorted((first, second), key=lambda g: g.energy_kev)
            table = model.table[i, i] + model.table[j, j] - 2 * model.table[i, j]
            spread = variance[i] + variance[j] + table
            found.append((soft.label, hard.label, float((slope[i] - slope[j]) ** 2 / spread)))
    return sorted(found, key=lambda pair: -pair[2])
