"""How well an energy scale explains a whole spectrum: templates of known families, fitted.

Templates of elements and of tube scatter and a smooth continuum, with amplitudes >= 0, are
fitted to the spectrum for a given scale; the scale itself follows by Gauss-Newton steps. The
loss is robust and knows that the templates are only good to some per cent, so that a line
nobody thought of costs little and a million counts are no more convincing than they should be.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.optimize import nnls

from xrfmap.calibration.scale_templates import (
    NU,
    Merged,
    Templates,
    artefacts,
    line_columns,
    peak_moves,
    robust_loss,
    rough_continuum,
)
from xrfmap.physics.lineshape import EnergyScale

__all__ = ["FANO", "FANO_RANGE", "NOISE_RANGE", "Fit", "Judgement", "fit_amounts", "judge"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SOFT_LIMIT = 1.0  # keV; nothing is judged below
FANO, FANO_SPREAD = 0.115, 0.006  # silicon; spread of published values, from memory
NOISE2, NOISE2_SPREAD = 0.006, 0.01  # keV^2, 77 eV; hardly a bound
NOISE_RANGE = (0.02, 0.17)  # keV
FANO_RANGE = (0.08, 0.2)  # a drifting gain looks like a larger Fano factor
STEP_ZERO, STEP_GAIN = 0.06, 0.012  # keV and relative; half a peak width
ANODES_TRIED = 3  # those with most scatter when all are allowed together
NOISE_LOSS = 0.484  # mean of the loss for Gaussian residuals, by quadrature


@dataclass(frozen=True)
class Judgement:
    """A scale after refinement, and what it explains.

    Attributes
    ----------
    scale : EnergyScale
    gain_in_loss : float
        Loss without lines minus loss with them, minus the cost of the families used.
    possible : float
        What a perfect model could gain.
    amounts : ndarray, shape (f,)
        Counts of each family.
    anode : str
        The anode whose scatter fits best; empty if none is seen.
    """

    scale: EnergyScale
    gain_in_loss: float
    possible: float
    amounts: Array
    anode: str
    model: Array

    @property
    def share(self) -> float:
        """Part of what can be explained that is explained."""
        return self.gain_in_loss / self.possible


def nonnegative(columns: Array, counts: Array, weight: Array) -> Array:
    """Non-negative weighted least squares by way of the normal equations."""
    root = np.sqrt(weight)
    scaled = columns * root[:, None]
    norm = np.sqrt(np.einsum("ij,ij->j", scaled, scaled))
    use = norm > 0
    scaled = scaled[:, use] / norm[use]
    gram = scaled.T @ scaled
    gram[np.diag_indices_from(gram)] += 1e-9  # thin and thick are nearly alike
    upper = np.linalg.cholesky(gram).T
    right = solve_triangular(upper, scaled.T @ (counts * root), trans="T")
    result = np.zeros(columns.shape[1])
    result[use] = nnls(upper, right, maxiter=20 * len(right))[0] / norm[use]
    return result


@dataclass(frozen=True)
class Fit:
    """Amplitudes on a fixed scale; columns are thin, thick, artefacts, continuum."""

    keep: Mask
    columns: Array
    amounts: Array
    model: Array
    chi2: Array

    @classmethod
    def solved(cls, data: Merged, columns: Array, keep: Mask, weight: Array) -> Fit:
        """Find the amplitudes."""
        amounts = nonnegative(columns, data.counts, weight)
        model = columns @ amounts
        return cls(keep, columns, amounts, model, (data.counts - model) ** 2 / data.variance)

    def again(self, data: Merged, weight: Array) -> Fit:
        """Repeat with other weights."""
        return Fit.solved(data, self.columns, self.keep, weight)

    def of_families(self) -> Array:
        """Sum the counts of each family, thin and thick together."""
        n = int(self.keep.sum())
        result = np.zeros(len(self.keep))
        result[self.keep] = self.amounts[:n] + self.amounts[n : 2 * n]
        return result

    def line_areas(self, templates: Templates) -> Array:
        """Return the counts of each line."""
        n = int(self.keep.sum())
        thin, thick = np.zeros((2, len(self.keep)))
        thin[self.keep], thick[self.keep] = self.amounts[:n], self.amounts[n : 2 * n]
        return np.asarray(
            thin[templates.row] * templates.thin + thick[templates.row] * templates.thick
        )

    def cost(self, templates: Templates) -> float:
        """Log-likelihood that the families in use must bring."""
        used = self.of_families() > 0
        return float(sum(f.cost for f, u in zip(templates.families, used, strict=True) if u))

    def anode(self, templates: Templates) -> str:
        """Anode with most scatter; empty without any."""
        scatter = np.where(templates.anode != "", self.of_families(), 0.0)
        return str(templates.anode[np.argmax(scatter)]) if scatter.any() else ""


def fit_amounts(
    data: Merged,
    templates: Templates,
    scale: EnergyScale,
    weight: Array,
    allowed: Mask,
    continuum: Array,
) -> Fit:
    """Amplitudes on a fixed scale; only families whose strongest line is in the spectrum."""
    low, high = scale.energy(data.edge[[0, -1]])
    keep = allowed & (templates.main > max(low, SOFT_LIMIT - 0.3)) & (templates.main < high)
    columns = np.hstack(
        [
            line_columns(data, templates, scale, keep),
            artefacts(data, scale, templates.escape_table),
            continuum,
        ]
    )
    return Fit.solved(data, columns, keep, weight)


def _with_best_anode(data: Merged, templates: Templates, fit: Fit, weight: Array) -> Fit:
    """Keep the scatter of one anode, the one that explains most: a tube has one target."""
    amounts = np.sqrt(fit.of_families())
    seen = {str(a): float(amounts[templates.anode == a].sum()) for a in set(templates.anode)}
    seen.pop("", None)
    best, least = fit, np.inf
    for anode in sorted(seen, key=lambda a: (-seen[a], a))[:ANODES_TRIED]:
        here = templates.with_anode(anode)
        chosen = here[fit.keep]
        rest = np.ones(fit.columns.shape[1] - 2 * len(chosen), dtype=bool)
        some = np.concatenate([chosen, chosen, rest])
        trial = Fit.solved(data, fit.columns[:, some], fit.keep & here, weight)
        loss = float(np.sum(robust_loss(trial.chi2))) + trial.cost(templates)
        if loss < least:
            best, least = trial, loss
    return best


def judge(data: Merged, templates: Templates, start: EnergyScale, steps: int = 3) -> Judgement:
    """Fit families and continuum on a scale, refine the scale, and tell what it explains.

    Parameters
    ----------
    data : Merged
        Spectrum.
    templates : Templates
        What may be in it.
    start : EnergyScale
        Scale to begin with; good to half a peak width.
    steps : int
        Gauss-Newton steps at most; fewer when the scale comes to rest.

    Returns
    -------
    Judgement
        Scale and its worth.
    """
    scale, robust = start, np.ones_like(data.counts)
    allowed = np.ones(len(templates.families), dtype=bool)
    for step in range(steps + 1):
        base = rough_continuum(data, scale)
        fit = fit_amounts(data, templates, scale, robust / data.variance, allowed, base)
        if step == 0:
            fit = _with_best_anode(data, templates, fit, robust / data.variance)
            allowed = templates.with_anode(fit.anode(templates))
        robust = 1.0 / (1.0 + fit.chi2 / NU)
        if step == steps:
            break
        moved = _step(data, templates, fit, scale, robust)
        at_rest = _same(scale, moved, data)
        scale = moved
        if at_rest:
            break
    return _judgement(data, templates, fit, scale)


def _same(a: EnergyScale, b: EnergyScale, data: Merged) -> bool:
    """Whether two scales agree within 1 eV over the whole spectrum."""
    ends = data.edge[[0, -1]]
    return bool(np.max(np.abs(a.energy(ends) - b.energy(ends))) < 1e-3)


def _judgement(data: Merged, templates: Templates, fit: Fit, scale: EnergyScale) -> Judgement:
    judged = scale.energy(0.5 * (data.edge[1:] + data.edge[:-1])) > SOFT_LIMIT
    gained = float(np.sum((data.null_loss - robust_loss(fit.chi2))[judged]))
    possible = max(float(np.sum(data.null_loss - NOISE_LOSS)), 1.0)
    return Judgement(
        scale=scale,
        gain_in_loss=gained - fit.cost(templates),
        possible=possible,
        amounts=fit.of_families(),
        anode=fit.anode(templates),
        model=fit.model,
    )


def _step(
    data: Merged, templates: Templates, fit: Fit, scale: EnergyScale, robust: Array
) -> EnergyScale:
    """One Gauss-Newton step in zero, gain, noise^2 and Fano, amplitudes free."""
    narrow = np.where(templates.extra > 0, 0.0, fit.line_areas(templates))
    moves = peak_moves(data, templates, narrow, scale)  # Compton peaks may lie anywhere
    root = np.sqrt(robust / data.variance)
    design = np.hstack([fit.columns[:, fit.amounts > 0], moves]) * root[:, None]
    noise2 = scale.noise_kev**2
    prior = np.zeros((2, design.shape[1]))
    prior[0, -1], prior[1, -2] = 1 / FANO_SPREAD, 1 / NOISE2_SPREAD
    pull = [(FANO - scale.fano) / FANO_SPREAD, (NOISE2 - noise2) / NOISE2_SPREAD]
    right = np.concatenate([(data.counts - fit.model) * root, pull])
    full = np.vstack([design, prior])
    norm = np.sqrt(np.einsum("ij,ij->j", full, full)) + 1e-30
    full /= norm
    gram = full.T @ full
    gram[np.diag_indices_from(gram)] += 1e-10
    delta = (np.linalg.solve(gram, full.T @ right) / norm)[-4:]
    limits = np.array([STEP_ZERO, STEP_GAIN * scale.kev_per_channel])
    factor = min(1.0, *(limits / np.maximum(np.abs(delta[:2]), 1e-12)))
    noise2 = np.clip(noise2 + delta[2], NOISE_RANGE[0] ** 2, NOISE_RANGE[1] ** 2)
    return replace(
        scale,
        zero_kev=float(scale.zero_kev + factor * delta[0]),
        kev_per_channel=float(scale.kev_per_channel + factor * delta[1]),
        noise_kev=float(np.sqrt(noise2)),
        fano=float(np.clip(scale.fano + delta[3], *FANO_RANGE)),
    )
