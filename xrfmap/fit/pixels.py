"""Poisson maximum likelihood for many spectra with one linear model.

Counts of a spectrum are Poisson with mean ``T a``: column k of the design ``T``
is the expected spectrum of component k (a line family, scatter, a piece of the
continuum) for unit amplitude, and ``a >= 0``. The likelihood is concave, so
that there is one maximum; it is found by projected Newton steps with the exact
Poisson curvature, for many pixels at once (:mod:`xrfmap.fit._lanes`).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from threading import Lock
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.fit.fit_plan import Plan, row_pairs
from xrfmap.running.one_thread import in_one_thread
from xrfmap.running.threads import share_out

__all__ = ["Design", "FitResult", "fit_counts"]

Float = npt.NDArray[np.float64]
_Start = tuple[Any, ...]

STEP_TOLERANCE = 4e-3
"""Scale of the last step, in lower bounds of standard errors.

A pixel has arrived when a step of ten times as much at most has shrunk so fast that the next one
would be a sixteenth of this, or an eightieth where stray counts make the likelihood flat.
"""

FIRST_STEPS = 6
"""Steps after which pixels that still move are put aside and finished together."""

LATE_STEPS = 44
"""Newton steps after those, before a pixel is left to :mod:`xrfmap.fit.exact_pixels`; usual ones
need four to eight in all."""


@dataclass(frozen=True)
class Design:
    """A linear model of spectra on merged channels.

    Parameters
    ----------
    matrix : ndarray, shape (bins, components)
        Expected counts per bin for unit amplitude; >= 0.
    edges : ndarray of int, shape (bins + 1,)
        Bin b sums the channels ``edges[b]`` to ``edges[b + 1] - 1``.
    labels : tuple of str
        Name of each component.
    judged : int, optional
        So many components, the first ones, are line families, which get a variance for the
        case that they are absent; all by default.
    """

    matrix: Float
    edges: npt.NDArray[np.int64]
    labels: tuple[str, ...]
    judged: int | None = None

    def __post_init__(self) -> None:
        bins, comps = self.matrix.shape
        if len(self.edges) != bins + 1:
            raise ValueError(f"edges has {len(self.edges)} entries, expected {bins + 1}")
        if len(self.labels) != comps:
            raise ValueError(f"{len(self.labels)} labels for {comps} components")
        if not np.all(np.isfinite(self.matrix)) or np.any(self.matrix < 0):
            raise ValueError("design must be finite and >= 0")
        if np.any(self.matrix.sum(axis=0) <= 0):
            empty = [self.labels[k] for k in np.flatnonzero(self.matrix.sum(axis=0) <= 0)]
            raise ValueError(f"components without any expected counts: {', '.join(empty)}")

    def merge(self, counts: npt.ArrayLike) -> Float:
        """Sum channels into the bins of this design.

        Parameters
        ----------
        counts : array_like, shape (..., channels)
            Counts per channel. [counts]

        Returns
        -------
        ndarray, shape (..., bins)
            Counts per bin. [counts]
        """
        c = np.asarray(counts)[..., : self.edges[-1]]
        # converted in the sum: a block of counts as real numbers would take four times its memory
        return np.asarray(np.add.reduceat(c, self.edges[:-1], axis=-1, dtype=np.float64))

    @cached_property
    def starts(self) -> dict[bytes, _Start]:
        """Least-squares starts by their typical spectrum, which blocks of a scan share.

        Worked out for each block anew, they cost more than their own time: threads of the
        linear algebra library go on spinning for a while, on cores that the kernel needs.
        """
        return {}

    @cached_property
    def plan(self) -> Plan:
        """Elimination order, sparse pattern and index lists for the kernel."""
        judged = self.matrix.shape[1] if self.judged is None else self.judged
        return Plan.of(self.matrix, self.edges, judged)


@dataclass(frozen=True)
class FitResult:
    """Fit of many spectra; all arrays of shape (pixels, components) unless said.

    Attributes
    ----------
    amplitude : ndarray
        Maximum-likelihood amplitudes, >= 0. [counts]
    unbounded : ndarray
        Amplitudes after one more Newton step without the bound at zero: free of the
        bias that the bound puts on it and on its neighbours; may be negative. [counts]
    variance : ndarray
        Diagonal of the inverse Fisher information at the maximum. [counts2]
    null_variance : ndarray
        Variance of `unbounded` if that amplitude were truly zero. [counts2]
    null_skewness : ndarray
        Skewness of `unbounded` in that case.
    null_slope : ndarray
        Growth of the variance of `unbounded` with the true value, from zero on: 1 for a
        line that stands alone, several where overlapping families make each count of it
        bring more noise. [counts]
    deviance : ndarray, shape (pixels,)
        Poisson deviance.
    steps : ndarray of int, shape (pixels,)
        Newton steps used.
    converged : ndarray of bool, shape (pixels,)
        Whether steps became small, see :data:`STEP_TOLERANCE`, or the maximum was proved.
    """

    amplitude: npt.NDArray[np.float32]
    unbounded: npt.NDArray[np.float32]
    variance: npt.NDArray[np.float32]
    null_variance: npt.NDArray[np.float32]
    null_skewness: npt.NDArray[np.float32]
    null_slope: npt.NDArray[np.float32]
    deviance: npt.NDArray[np.float32]
    steps: npt.NDArray[np.int32]
    converged: npt.NDArray[np.bool_]


def fit_counts(
    counts: npt.ArrayLike, design: Design, typical: npt.ArrayLike | None = None
) -> FitResult:
    """Fit every row of `counts` by Poisson maximum likelihood.

    Parameters
    ----------
    counts : array_like, shape (pixels, channels)
        Counts; integers or whole floats, finite, >= 0. [counts]
    design : Design
        The linear model.
    typical : array_like, shape (bins,), optional
        Expected counts per bin of a typical spectrum of the scan (any scale > 0); it sets
        the weights of the least-squares start only. The mean of `counts` by default; give
        the mean of the scan where results must not depend on how pixels are blocked.

    Returns
    -------
    FitResult
        Amplitudes with what errors and limits need.

    Raises
    ------
    ValueError
        If shapes disagree.

    Notes
    -----
    Steps are Newton steps on ``sum(mu - n ln mu)`` with the curvature
    ``n / mu**2`` (a little of its expectation ``1 / mu`` mixed in), projected on
    ``a >= 0``; components at zero with a falling likelihood are held [1]_. A step that
    went past the maximum along its line is taken back by its own slope.

    References
    ----------
    .. [1] D. P. Bertsekas, "Projected Newton methods for optimization problems with simple
       constraints", SIAM J. Control Optim. 20, 221 (1982). From memory.
    """
    data = np.ascontiguousarray(counts)
    if data.ndim != 2 or data.shape[1] < design.edges[-1]:
        raise ValueError(
            f"counts has shape {data.shape}, expected (pixels, >= {design.edges[-1]} channels)"
        )
    data = _narrow(data)
    plan = design.plan
    start = _start_of(design, data, typical)
    first = _run(data, plan, start, _NOTHING, FIRST_STEPS)
    late = np.flatnonzero(~first[-1])
    if len(late):  # a slow pixel would hold up all others in its lanes: do those together
        # laid out like the counts: another layout would be compiled anew
        given = np.ascontiguousarray(first[0][late][:, plan.order])
        again = _run(data[late], plan, start, given, LATE_STEPS)
        again[-2][:] += FIRST_STEPS
        for whole, part in zip(first, again, strict=True):
            whole[late] = part
        stuck = late[~again[-1]]
        if len(stuck):
            _finish_exactly(data, design, start, first, stuck)
    return FitResult(*first)


@in_one_thread  # as `_start`
def _finish_exactly(
    data: npt.NDArray[np.generic],
    design: Design,
    start: _Start,
    fit: tuple[npt.NDArray[Any], ...],
    stuck: npt.NDArray[np.intp],
) -> None:
    """Take pixels that keep moving to the maximum in double precision; fills `fit`."""
    from xrfmap.fit.exact_pixels import exact_maximum

    plan, merged = design.plan, design.merge(data[stuck])
    given = np.empty((len(stuck), len(plan.order)), np.float32)
    proved = np.empty(len(stuck), np.bool_)
    for k, pixel in enumerate(stuck):
        best, proved[k] = fit[0][pixel], False
        # numbers that no spectrum should hold: such a pixel is told, and the others go on
        with suppress(RuntimeError, ValueError, np.linalg.LinAlgError):
            best, proved[k] = exact_maximum(design.matrix, merged[k], fit[0][pixel])
        given[k] = best[plan.order]
    # no step more: errors and limits at these amplitudes
    again = _run(data[stuck], plan, start, given, 0)
    again[-2][:] = fit[-2][stuck]
    again[-1][:] = proved
    for whole, part in zip(fit, again, strict=True):
        whole[stuck] = part


def _narrow(data: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
    """Return counts as 16-bit integers where they fit: the kernel takes long to compile.

    Others are as they are, for a kernel of their own.
    """
    if data.dtype == np.uint16:
        return data
    if data.size == 0 or (data.max() < 2**16 and data.min() >= 0):
        whole = data.astype(np.uint16)
        if data.dtype.kind in "iu" or np.array_equal(whole, data):
            return whole
    if data.dtype in (np.uint32, np.float32):
        return data
    return data.astype(np.uint32 if data.dtype.kind in "iu" else np.float32)


_NOTHING = np.empty((0, 0), np.float32)


def _start_of(
    design: Design, data: npt.NDArray[np.generic], typical: npt.ArrayLike | None
) -> _Start:
    """Start from the typical spectrum, or from the mean of the data if there is none."""
    if typical is None:
        return _start(design.matrix[:, design.plan.order], design.merge(data.mean(axis=0)))
    given = np.asarray(typical, dtype=np.float64)
    key = given.tobytes()
    if key not in design.starts:
        design.starts[key] = _start(design.matrix[:, design.plan.order], given)
    return design.starts[key]


_SPARE: list[tuple[tuple[tuple[int, ...], int], tuple[Any, ...]]] = []
_SPARE_LOCK = Lock()
_MOST_SPARE = 4  # some 2 MB each


@contextmanager
def _work_arrays(sizes: tuple[int, ...], lanes: int) -> Iterator[tuple[Any, ...]]:
    """Memory for the kernel that an earlier block left, or new: that costs as much as a step."""
    from xrfmap.fit._lanes import work_arrays

    key = sizes, lanes
    with _SPARE_LOCK:
        at = next((k for k, (held, _) in enumerate(_SPARE) if held == key), None)
        work = None if at is None else _SPARE.pop(at)[1]
    work = work_arrays(sizes, lanes) if work is None else work
    yield work
    with _SPARE_LOCK:
        _SPARE.append((key, work))
        del _SPARE[:-_MOST_SPARE]


def _run(
    data: npt.NDArray[np.generic],
    plan: Plan,
    start: _Start,
    given: npt.NDArray[np.float32],
    steps: int,
) -> tuple[npt.NDArray[Any], ...]:
    """Call the kernel; amplitudes start from `given` where it is not empty."""
    from xrfmap.fit._lane_solve import VECTOR
    from xrfmap.fit._lanes import LANES, fit_part

    pixels, comps = data.shape[0], len(plan.order)
    out = (
        *(np.empty((pixels, comps), np.float32) for _ in range(6)),
        np.empty(pixels, np.float32),
        np.empty(pixels, np.int32),
        np.empty(pixels, np.bool_),
    )
    tolerance = np.float32(STEP_TOLERANCE)
    lanes = min(LANES, -(-max(pixels, 1) // VECTOR) * VECTOR)

    def fit(part: int, parts: int) -> None:
        with _work_arrays(plan.sizes, lanes) as work:
            fit_part(
                data, plan.arrays, start, given, tolerance, steps, work, out, VECTOR, part, parts
            )

    share_out(fit, -(-pixels // lanes))
    return out


@in_one_thread  # the last digit of pixels depends on it
def _start(matrix: Float, typical: Float) -> _Start:
    """Weights of a typical spectrum, inverse of their information, and a floor per component."""
    floor = max(float(typical.mean()), 1e-12) * 1e-2
    weight = 1.0 / np.maximum(typical, floor)
    info = (matrix * weight[:, None]).T @ matrix
    info[np.diag_indices_from(info)] *= 1 + 1e-6  # coinciding templates
    solve = np.asarray(np.linalg.inv(info), dtype=np.float64)
    amplitude = np.maximum(solve @ (matrix.T @ (weight * typical)), 0.0)
    scale = 1e-2 * amplitude / max(float(typical.sum()), 1e-12)
    return (weight.astype(np.float32), row_pairs(solve, dense=True), scale.astype(np.float32))
