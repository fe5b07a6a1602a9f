"""What repeats of one pixel say about the fit: bias, variance, coverage, alarms, misses.

Measured by simulation, beside quantities that need no simulation: the Cramer-Rao bound and
the linear estimator that reaches it. That estimator knows the truth, so that its mean and
variance are known exactly; what a fit differs from it in the same repeats is then seen far
more sharply than either alone (a control variate).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from line_spectra import FAMILIES, PAINT, SCALE, Array, amplitudes, design, information, matrix

from xrfmap.fit import limits
from xrfmap.fit.map_bins import map_edges
from xrfmap.fit.null_model import added_variance, null_spread, taken_over
from xrfmap.fit.pixels import Design, FitResult, fit_counts

SCENES: dict[str, dict[str, float]] = {
    "lead white": PAINT,
    "zinc and barytes": {
        "Zn K": 2500.0, "Ba L": 900.0, "Fe K": 300.0, "Cr K": 250.0, "Ca K": 300.0, "Sr K": 150.0,
        "S K": 40.0,
    },
}  # fmt: skip
COUNTS = (300.0, 1000.0, 6000.0, 30000.0)
FAR = 5.0  # standard errors from zero at which an amplitude counts as far from it


@dataclass(frozen=True)
class Row:
    """One family in one scene at one number of counts.

    `distance` is the true amplitude in standard errors (Cramer-Rao); `telling` so many counts
    tell the variance of the absent family (its variance over the spread of that, half its
    degrees of freedom); bias and its sampling error are in standard errors; `alarm` is the
    share above the decision threshold where the truth is zero; `miss` the share below it where
    the truth is the detection limit.
    """

    scene: str
    total: float
    family: str
    true: float
    distance: float
    skewness: float
    telling: float
    bias: float
    bias_error: float
    variance: float
    variance_error: float
    error: float
    coverage: float
    alarm: float
    miss: float


@lru_cache(maxsize=1)
def merged_design() -> Design:
    """Design whose channels are the bins of maps already: a quarter of the numbers to draw."""
    rough = design().edges
    inside = slice(int(rough[0]), int(rough[-1]))
    columns = matrix()[inside]
    counts = np.array([columns @ amplitudes(scene, 1e6) for scene in SCENES.values()])
    fwhm = SCALE.fwhm(SCALE.energy(np.arange(inside.start, inside.stop))) / SCALE.kev_per_channel
    edges = map_edges(columns, counts, fwhm, len(FAMILIES), rough - rough[0])
    merged = np.ascontiguousarray(np.add.reduceat(columns, edges[:-1], axis=0))
    return Design(merged, np.arange(len(merged) + 1), design().labels)


def repeats(mean: Array, pixels: int, rng: np.random.Generator) -> npt.NDArray[np.uint16]:
    return rng.poisson(np.broadcast_to(mean, (pixels, len(mean)))).astype(np.uint16)


def thresholds(fit: FitResult, plan: Design, mean: Array) -> tuple[Array, Array]:
    """Decision threshold and detection limit per pixel and component."""
    null, slope, skewness = fit.null_variance, np.maximum(fit.null_slope, 1.0), fit.null_skewness
    spread = null_spread(plan.matrix, mean, plan.matrix.shape[1])
    distance = fit.amplitude / np.sqrt(fit.variance)
    return (
        limits.decision_threshold(null, skewness, added_variance(slope, spread, distance)),
        limits.detection_limit(
            null, slope, skewness, added_variance(slope, spread),
            taken_over(null, slope, skewness),
        ),
    )  # fmt: skip


def measure(scene: str, total: float, pixels: int, seed: int, *, misses: bool = True) -> list[Row]:
    """Simulate one scene and look at every family."""
    rng = np.random.default_rng([seed, int(total)])
    plan = merged_design()
    true = amplitudes(SCENES[scene], total)
    mean = plan.matrix @ true
    counts = repeats(mean, pixels, rng)
    fit = fit_counts(counts, plan, mean)
    inverse = np.linalg.inv(information(plan.matrix, mean))
    best = true + (counts / mean - 1) @ (plan.matrix @ inverse)
    bound = np.diag(inverse)
    at_zero = np.maximum(fit.null_slope, 1.0)
    slope = limits.variance_slope(fit.amplitude, fit.variance, fit.null_variance, at_zero)
    spread = null_spread(plan.matrix, mean, len(true))
    null = fit.null_variance + added_variance(at_zero, 0.0)
    freedom = 2 * null**2 / (spread * fit.null_variance)
    low, high = limits.interval(fit.unbounded, null, slope, freedom)
    threshold, limit = thresholds(fit, plan, mean)
    rows = []
    for k, family in enumerate(FAMILIES):
        seen = fit.unbounded[:, k].astype(np.float64)
        gap = (seen - best[:, k]) / np.sqrt(bound[k])
        ideal = (best[:, k] - true[k]) / np.sqrt(bound[k])
        square = (ideal + gap - gap.mean()) ** 2 - ideal**2
        miss = np.nan
        if misses and true[k] == 0:
            at_limit = float(np.median(limit[:, k]))
            added = counts + repeats(at_limit * plan.matrix[:, k], pixels, rng)
            again = fit_counts(added, plan, mean)
            miss = float((again.unbounded[:, k] <= thresholds(again, plan, mean)[0][:, k]).mean())
        rows.append(
            Row(
                scene, total, family, float(true[k]), float(true[k] / np.sqrt(bound[k])),
                float(fit.null_skewness[:, k].mean()), float(bound[k] / spread[k]),
                float(gap.mean()), float(gap.std() / np.sqrt(pixels)),
                float(1 + square.mean()), float(square.std() / np.sqrt(pixels)),
                float(np.sqrt(fit.variance[:, k]).mean() / np.sqrt(bound[k])),
                float(((low[:, k] <= true[k]) & (true[k] <= high[:, k])).mean()),
                float((seen > threshold[:, k]).mean()) if true[k] == 0 else np.nan,
                miss,
            )
        )  # fmt: skip
    return rows
