"""Last step of the energy scale: all lines at once, then the place of each clean line.

On a scale that is already right to a fraction of a peak width zero, gain and the two terms of
the width are fitted together with all amplitudes. Then every line that stands clear of others
gets a small shift of its own. The shifts show whether the lines agree, and give the errors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from xrfmap.calibration.scale_model import (
    FANO,
    FANO_RANGE,
    NOISE_RANGE,
    Fit,
    Judgement,
    fit_amounts,
)
from xrfmap.calibration.scale_templates import (
    NU,
    WIDTH_TERM,
    Merged,
    Templates,
    group_slopes,
    merge,
    peak_moves,
    splines,
)
from xrfmap.physics.lineshape import FWHM_PER_SIGMA, EnergyScale, Response, peaks

__all__ = ["LineShift", "Refined", "Solved", "linearised", "refine"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ROUNDS = 8
KNOT_KEV = 1.3  # continuum knots; eight peak widths and more
REST_KEV = 2e-5  # a scale that moves less is at rest
CLEAN = 0.85  # share of a line in the peaks within one sigma of its place
CLEAN_ERR_KEV = 0.012  # a worse place says nothing
SPREAD_MAX_KEV = 0.05  # a wider group moves when its inner ratios change
FLOOR_COMPTON_KEV = 0.3  # the scattering angle is not known
FLOOR_BLEND = 0.1  # of the width: a neighbour of the wrong height moves a line that much
FLOOR_FWHM = 0.01  # of the width: a real peak is not that symmetric
FLOOR_KEV = 0.001  # tabulated energies and chemical shifts (common practice, no source)
SHAPE_ERROR = 0.01  # of a peak; real peaks are not Gaussian to better than this
OUTLIER = 4.0  # standard errors
FANO_LOOSE = 0.02  # hardly a bound: keeps the Fano factor finite where all lines are close
NOISE2_LOOSE = 0.01  # keV^2
WIDTH_ERROR = 0.01  # relative; tails, natural widths and drift
REFERENCE_KEV = 6.4
TAIL_STRONG = 1e-3  # of the strongest line; weaker ones need no tail


@dataclass(frozen=True)
class LineShift:
    """One clean line of the calibration.

    Attributes
    ----------
    label : str
        ``"Fe Ka1"``: the strongest line of the group.
    energy_kev : float
        Mean tabulated energy of the group. [keV]
    shift_kev, err_kev : float
        Found minus tabulated on the final scale, and its standard error. [keV]
    counts : float
        Counts in the group.
    used : bool
        False where the line disagreed and was left out.
    """

    label: str
    energy_kev: float
    shift_kev: float
    err_kev: float
    counts: float
    used: bool


@dataclass(frozen=True)
class Refined:
    """Scale with errors, and the lines it rests on.

    Attributes
    ----------
    scale : EnergyScale
    shifts : tuple of LineShift
        By energy.
    chi2_per_dof : float
        Of the shifts about a straight line; NaN for two lines or fewer.
    covariance : ndarray, shape (2, 2)
        Of zero [keV] and gain [keV per channel].
    """

    scale: EnergyScale
    shifts: tuple[LineShift, ...]
    chi2_per_dof: float
    covariance: Array

    def energy_err(self, energy_kev: float) -> float:
        """Return the standard error of the scale at an energy. [keV]."""
        scale = self.scale
        at = np.array([1.0, (energy_kev - scale.zero_kev) / scale.kev_per_channel])
        return float(np.sqrt(at @ self.covariance @ at))

    @property
    def spread_kev(self) -> float:
        """Weighted scatter of the lines in use about the scale; NaN without any."""
        if not self.used:
            return float("nan")
        weight = np.array([1.0 / (s.err_kev**2 + FLOOR_KEV**2) for s in self.used])
        shift = np.array([s.shift_kev for s in self.used])
        return float(np.sqrt(np.average(shift**2, weights=weight)))

    @property
    def used(self) -> tuple[LineShift, ...]:
        """Lines that the scale rests on."""
        return tuple(s for s in self.shifts if s.used)


def _tail(data: Merged, templates: Templates, area: Array, scale: EnergyScale) -> Array:
    """Change of the peaks when they move wholly into their tails, shape (b, 1)."""
    strong = area > TAIL_STRONG * area.max()
    edges = scale.energy(data.edge)
    both = [
        peaks(
            edges, templates.energy[strong], area[strong], scale, Response(fraction),
            extra_fwhm_kev=templates.extra[strong],
        )
        for fraction in (1.0, 0.0)
    ]  # fmt: skip
    return np.asarray(both[0] - both[1])[:, None]


def _variance(data: Merged, model: Array) -> Array:
    net = np.maximum(data.counts - data.base, 0.0)
    return np.asarray(np.maximum(model, 1.0) + (SHAPE_ERROR * net) ** 2)


def _amounts(
    data: Merged, templates: Templates, scale: EnergyScale, allowed: Mask
) -> tuple[Fit, Array]:
    """Amplitudes and weights; from the second pass on with the variance of the model."""
    variance = _variance(data, data.counts)
    base = splines(data, scale, KNOT_KEV)
    fit = fit_amounts(data, templates, scale, 1.0 / variance, allowed, base)
    variance = _variance(data, fit.model)
    chi2 = (data.counts - fit.model) ** 2 / variance
    weight = 1.0 / variance / (1.0 + chi2 / NU)
    return fit.again(data, weight), weight


@dataclass(frozen=True, eq=False)
class _Normal:
    """Normal equations of a weighted least squares fit, without priors."""

    gram: Array
    side: Array

    @classmethod
    def of(cls, design: Array, right: Array, weight: Array) -> _Normal:
        """Gather them once; a common factor on all weights is a factor on both parts."""
        root = np.sqrt(weight)
        scaled = design * root[:, None]
        return cls(scaled.T @ scaled, scaled.T @ (right * root))

    def solved(
        self, factor: float, prior: Array, last_pull: float, last: int
    ) -> tuple[Array, Array]:
        """All parameters, and the covariance of the last ones.

        `factor` on the weights; independent priors on some parameters.
        """
        gram = factor * self.gram
        gram[np.diag_indices_from(gram)] += prior
        diagonal = np.diag(gram)
        norm = 1.0 / np.sqrt(np.maximum(diagonal, 1e-15 * diagonal.max()))  # a column may be empty
        gram *= np.outer(norm, norm)
        gram[np.diag_indices_from(gram)] += 1e-10
        side = factor * self.side
        side[-1] += last_pull
        wanted = np.zeros((len(gram), last + 1))
        wanted[:, 0] = norm * side
        if last:
            wanted[-last:, 1:] = np.diag(norm[-last:])
        found = norm[:, None] * np.linalg.solve(gram, wanted)
        return found[:, 0], found[-last:, 1:]


def _least_squares(
    design: Array, right: Array, weight: Array, prior: Array, last_pull: float, last: int = 4
) -> tuple[Array, Array]:
    """Last parameters and covariance; counting errors grow by chi-square above one."""
    normal = _Normal.of(design, right, weight)
    value, _ = normal.solved(1.0, prior, last_pull, 0)
    chi2 = np.sum(weight * (right - design @ value) ** 2) / max(len(right) - len(value), 1)
    value, covariance = normal.solved(1.0 / max(1.0, float(chi2)), prior, last_pull, last)
    return value[-last:], covariance


@dataclass(frozen=True, eq=False)
class Solved:
    """One linearised step.

    Attributes
    ----------
    fit : Fit
        Amplitudes on the scale before the step.
    weight : ndarray, shape (b,)
    columns, moves, slopes : ndarray, shape (b, ...)
        Changes with amplitudes and tail; zero, gain, noise^2, Fano; place of each group.
    value, covariance : ndarray, shape (4,), (4, 4)
        Step in zero, gain, noise^2, Fano.
    """

    fit: Fit
    weight: Array
    columns: Array
    moves: Array
    slopes: Array
    value: Array
    covariance: Array

    def moved(self, scale: EnergyScale) -> EnergyScale:
        """Apply the step to the scale."""
        zero, gain, noise2, fano = self.value
        low, high = NOISE_RANGE[0] ** 2, NOISE_RANGE[1] ** 2
        return replace(
            scale,
            zero_kev=float(scale.zero_kev + zero),
            kev_per_channel=float(scale.kev_per_channel + gain),
            noise_kev=float(np.sqrt(np.clip(scale.noise_kev**2 + noise2, low, high))),
            fano=float(np.clip(scale.fano + fano, *FANO_RANGE)),
        )


def linearised(data: Merged, templates: Templates, scale: EnergyScale, allowed: Mask) -> Solved:
    """Amplitudes, and the step in scale and widths that fits best.

    Every group of lines may be off by a little of its own, with a Gaussian prior: so no line
    weighs more than its tabulated energy and the shape of a real peak allow, however many
    counts it holds, and the covariance holds that uncertainty.
    """
    fit, weight = _amounts(data, templates, scale, allowed)
    area = fit.line_areas(templates)
    slopes = group_slopes(data, templates, area, scale)
    columns = np.hstack([fit.columns[:, fit.amounts > 0], _tail(data, templates, area, scale)])
    present = np.flatnonzero(np.bincount(templates.group, area, len(templates.groups)) > 0)
    moves = peak_moves(data, templates, area, scale)
    design = np.hstack([columns, slopes[:, present], moves])
    prior = np.zeros(design.shape[1])
    own = slice(columns.shape[1], columns.shape[1] + len(present))
    prior[own] = 1.0 / _floor(templates, scale, area)[present] ** 2
    prior[-1] = 1.0 / FANO_LOOSE**2
    value, covariance = _least_squares(
        design, data.counts - fit.model, weight, prior, prior[-1] * (FANO - scale.fano)
    )
    return Solved(fit, weight, columns, moves, slopes, value, covariance)


def _floor(templates: Templates, scale: EnergyScale, area: Array) -> Array:
    """Say how well the place of each group is known, apart from counting. [keV]."""
    energy = np.array([g.energy for g in templates.groups])
    fwhm = scale.fwhm(energy)
    floor = FLOOR_BLEND * fwhm
    clean = _clean_groups(templates, scale, area)
    floor[clean] = np.hypot(FLOOR_KEV, FLOOR_FWHM * fwhm[clean])
    wide = np.bincount(templates.group, templates.extra, len(templates.groups)) > 0
    return np.asarray(np.where(wide, FLOOR_COMPTON_KEV, floor))


def _clean_groups(templates: Templates, scale: EnergyScale, area: Array) -> list[int]:
    """Find the groups of lines that stand clear of all others."""
    sigma = np.hypot(scale.fwhm(templates.energy), templates.extra) / FWHM_PER_SIGMA
    total = np.bincount(templates.group, area, len(templates.groups))
    wide = np.bincount(templates.group, templates.extra, len(templates.groups)) > 0
    tried = np.array(
        [
            k for k in np.flatnonzero((total > 0) & ~wide)
            if templates.groups[k].spread <= SPREAD_MAX_KEV
            or templates.groups[k].label.endswith("Ka1")
        ], dtype=np.intp,
    )  # fmt: skip
    seen = area > 0
    energy = np.array([templates.groups[k].energy for k in tried])
    mine = templates.group[seen] == tried[:, None]
    reach = np.where(mine, 0.0, scale.fwhm(energy)[:, None] / FWHM_PER_SIGMA)
    distance = np.maximum(np.abs(templates.energy[seen] - energy[:, None]) - reach, 0)
    height = (area / sigma)[seen] * np.exp(-0.5 * (distance / sigma[seen]) ** 2)
    clean = (height * mine).sum(axis=1) > CLEAN * height.sum(axis=1)
    return [int(k) for k in tried[clean]]


def _shifts(
    templates: Templates, solved: Solved, data: Merged, clean: list[int]
) -> tuple[list[LineShift], Array]:
    """Shift of each clean line against the scale, and their covariance."""
    # the lines move instead of the scale
    design = np.hstack([solved.columns, solved.moves[:, 2:], solved.slopes[:, clean]])
    right, none = data.counts - solved.fit.model, np.zeros(design.shape[1])
    shift, own = _least_squares(design, right, solved.weight, none, 0.0, len(clean))
    error = np.sqrt(np.diag(own))
    good = np.flatnonzero(error < CLEAN_ERR_KEV)
    counts = np.bincount(templates.group, solved.fit.line_areas(templates), len(templates.groups))
    found = [
        LineShift(
            templates.groups[clean[k]].label, templates.groups[clean[k]].energy, float(shift[k]),
            float(error[k]), float(counts[clean[k]]), True,
        )
        for k in good
    ]  # fmt: skip
    return found, own[np.ix_(good, good)]


def _agreement(shifts: list[LineShift], covariance: Array) -> tuple[list[LineShift], float]:
    """Mark the lines that are off a straight line; chi-square per degree of freedom of the rest."""
    energy = np.array([s.energy_kev for s in shifts])
    shift = np.array([s.shift_kev for s in shifts])
    used = np.ones(len(energy), dtype=bool)
    design = np.stack([np.ones_like(energy), energy], axis=1)
    full = covariance + np.eye(len(energy)) * FLOOR_KEV**2
    while True:
        weight = np.linalg.inv(full[np.ix_(used, used)])
        d = design[used]
        line = np.linalg.lstsq(d.T @ weight @ d, d.T @ weight @ shift[used], rcond=1e-12)[0]
        residual = shift - design @ line
        dof = int(used.sum()) - 2
        chi2 = float(residual[used] @ weight @ residual[used]) / dof if dof > 0 else np.nan
        pull = np.where(used, np.abs(residual) / np.sqrt(np.diag(full)), 0.0)
        worst = int(np.argmax(pull))
        if pull[worst] < OUTLIER or used.sum() <= max(3, 0.75 * len(used)):
            break
        used[worst] = False
    return [replace(s, used=bool(u)) for s, u in zip(shifts, used, strict=True)], chi2


def refine(counts: Array, templates: Templates, start: Judgement) -> Refined:
    """Zero, gain, noise and Fano factor with errors.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Spectrum. [counts]
    templates : Templates
        The catalogue.
    start : Judgement
        Scale and families to begin with.

    Returns
    -------
    Refined
        Errors hold the counting statistics, inflated where residuals or the places of the
        clean lines ask for it, and the uncertainty of the place of each line.
    """
    allowed = start.amounts > 0
    scale = start.scale
    data = merge(counts, 0.75 * float(scale.fwhm(3.0)) / scale.kev_per_channel)
    for _ in range(ROUNDS):
        solved = linearised(data, templates, scale, allowed)
        moved = solved.moved(scale)
        ends = data.edge[[0, -1]]
        change = np.max(np.abs(moved.energy(ends) - scale.energy(ends)))
        scale = moved
        if change < REST_KEV:
            break
    solved = linearised(data, templates, scale, allowed)
    clean = _clean_groups(templates, scale, solved.fit.line_areas(templates))
    shifts, own = _shifts(templates, solved, data, clean) if clean else ([], np.zeros((0, 0)))
    chi2 = np.nan
    if len(shifts) >= 3:
        shifts, chi2 = _agreement(shifts, own)
    covariance = solved.covariance * max(1.0, np.nan_to_num(chi2))
    places, widths = covariance[:2, :2], covariance[2:, 2:]
    ordered = tuple(sorted(shifts, key=lambda s: s.energy_kev))
    noise2_err, fano_err = np.sqrt(np.diag(widths + _width_floor(ordered, scale)))
    errors = {
        "zero_kev_err": float(np.sqrt(places[0, 0])),
        "kev_per_channel_err": float(np.sqrt(places[1, 1])),
        "noise_kev_err": float(noise2_err) / (2 * scale.noise_kev),
        "fano_err": float(fano_err),
    }
    return Refined(replace(scale, **errors), ordered, chi2, places)


def _width_floor(shifts: tuple[LineShift, ...], scale: EnergyScale) -> Array:
    """Covariance of (noise^2, Fano) if no width is known better than to `WIDTH_ERROR`."""
    energy = np.array([s.energy_kev for s in shifts] or [REFERENCE_KEV])
    design = np.stack([np.ones_like(energy), WIDTH_TERM * energy], axis=1)
    error = 2 * WIDTH_ERROR * scale.fwhm(energy) ** 2
    loose = np.diag([1 / NOISE2_LOOSE**2, 1 / FANO_LOOSE**2])
    return np.asarray(np.linalg.inv((design.T / error**2) @ design + loose))
