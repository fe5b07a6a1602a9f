"""Last step of the energy scale: all lines at once, then the place of each clean line.

On a scale that is already right to a fraction of a peak width zero, gain and the two terms of
the width are fitted together with all amplitudes. Then every line that stands clear of others
gets a small shift of its own. The shifts show whether the lines agree, and give the errors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from xrfmap.line_catalogue import Group, groups_of
from xrfmap.lineshape import FWHM_PER_SIGMA, EnergyScale, Response, peaks
from xrfmap.scale_model import FANO, FANO_RANGE, NOISE_RANGE, Fit, Judgement, fit_amounts
from xrfmap.scale_templates import NU, WIDTH_TERM, Merged, Templates, merge, peak_moves

__all__ = ["LineShift", "Refined", "refine"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ROUNDS = 8
REST_KEV = 2e-5  # a scale that moves less is at rest
CLEAN = 0.85  # share of a line in the peaks within one sigma of its place
CLEAN_ERR_KEV = 0.012  # a worse place says nothing
SPREAD_MAX_KEV = 0.05  # a wider group moves when its inner ratios change
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
        Of an offset [keV] and a relative stretch of the energies.
    """

    scale: EnergyScale
    shifts: tuple[LineShift, ...]
    chi2_per_dof: float
    covariance: Array

    def energy_err(self, energy_kev: float) -> float:
        """Return the standard error of the scale at an energy. [keV]."""
        at = np.array([1.0, energy_kev])
        return float(np.sqrt(at @ self.covariance @ at))

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
    fit = fit_amounts(data, templates, scale, 1.0 / variance, allowed)
    variance = _variance(data, fit.model)
    chi2 = (data.counts - fit.model) ** 2 / variance
    weight = 1.0 / variance / (1.0 + chi2 / NU)
    return fit.again(data, weight), weight


def _least_squares(
    design: Array, right: Array, weight: Array, prior: Array, pull: Array
) -> tuple[Array, Array]:
    """Solution and covariance, the latter inflated by chi-square where that exceeds one."""
    gram = (design.T * weight) @ design + np.diag(prior)
    diagonal = np.diag(gram)
    norm = 1.0 / np.sqrt(np.maximum(diagonal, 1e-15 * diagonal.max()))  # a column may be empty
    scaled = gram * np.outer(norm, norm)
    scaled[np.diag_indices_from(scaled)] += 1e-10
    inverse = np.linalg.inv(scaled) * np.outer(norm, norm)
    value = inverse @ ((design.T * weight) @ right + pull)
    chi2 = np.sum(weight * (right - design @ value) ** 2) / max(len(right) - len(value), 1)
    return value, np.asarray(inverse * max(1.0, float(chi2)))


def _round(
    data: Merged, templates: Templates, scale: EnergyScale, allowed: Mask
) -> tuple[EnergyScale, Array, Array]:
    """One step; returns the scale, and the covariances of (zero, gain) and of (noise^2, Fano)."""
    fit, weight = _amounts(data, templates, scale, allowed)
    area = fit.line_areas(templates)
    moves = peak_moves(data, templates, area, scale)
    design = np.hstack(
        [fit.columns[:, fit.amounts > 0], _tail(data, templates, area, scale), moves]
    )
    prior = np.zeros(design.shape[1])
    prior[-1] = 1.0 / FANO_LOOSE**2
    value, covariance = _least_squares(
        design, data.counts - fit.model, weight, prior, prior * (FANO - scale.fano)
    )
    delta = value[-4:]
    noise2 = np.clip(scale.noise_kev**2 + delta[2], NOISE_RANGE[0] ** 2, NOISE_RANGE[1] ** 2)
    moved = replace(
        scale,
        zero_kev=float(scale.zero_kev + delta[0]),
        kev_per_channel=float(scale.kev_per_channel + delta[1]),
        noise_kev=float(np.sqrt(noise2)),
        fano=float(np.clip(scale.fano + delta[3], *FANO_RANGE)),
    )
    own = covariance[-4:, -4:]
    return moved, own[:2, :2], own[2:, 2:]


def _clean_groups(
    data: Merged, templates: Templates, scale: EnergyScale, area: Array
) -> list[tuple[Group, Mask]]:
    """Find the groups of lines that stand clear of all others, each with a mask of its lines."""
    family_start = np.concatenate([[0], np.cumsum([len(f.energy) for f in templates.families])])
    result = []
    for group in groups_of(templates.families):
        first, last = family_start[group.family], family_start[group.family + 1]
        mine = np.zeros(len(area), dtype=bool)
        mine[first:last] = np.array(templates.families[group.family].group) == group.label
        if area[mine].sum() <= 0 or group.spread > SPREAD_MAX_KEV or templates.extra[mine].any():
            continue
        reach = float(scale.fwhm(group.energy)) / FWHM_PER_SIGMA
        sigma = np.hypot(scale.fwhm(templates.energy), templates.extra) / FWHM_PER_SIGMA
        height = area / sigma * np.exp(-0.5 * ((templates.energy - group.energy) / sigma) ** 2)
        away = (
            area
            / sigma
            * np.exp(
                -0.5 * (np.maximum(np.abs(templates.energy - group.energy) - reach, 0) / sigma) ** 2
            )
        )
        if height[mine].sum() > CLEAN * (height[mine].sum() + away[~mine].sum()):
            result.append((group, mine))
    return result


def _shifts(
    data: Merged, templates: Templates, scale: EnergyScale, allowed: Mask
) -> tuple[list[LineShift], Array]:
    """Shift of each clean line against the scale, and their covariance."""
    fit, weight = _amounts(data, templates, scale, allowed)
    area = fit.line_areas(templates)
    clean = _clean_groups(data, templates, scale, area)
    if not clean:
        return [], np.zeros((0, 0))
    slopes = [
        -peak_moves(data, templates, np.where(mine, area, 0.0), scale)[:, 0] for _, mine in clean
    ]
    widths = peak_moves(data, templates, area, scale)[:, 2:]
    tail = _tail(data, templates, area, scale)
    design = np.hstack([fit.columns[:, fit.amounts > 0], tail, widths, np.stack(slopes, axis=1)])
    none = np.zeros(design.shape[1])
    value, covariance = _least_squares(design, data.counts - fit.model, weight, none, none)
    n = len(clean)
    shift, own = value[-n:], covariance[-n:, -n:]
    error = np.sqrt(np.diag(own))
    good = np.flatnonzero(error < CLEAN_ERR_KEV)
    found = [
        LineShift(
            clean[k][0].label, clean[k][0].energy, float(shift[k]), float(error[k]),
            float(area[clean[k][1]].sum()), True,
        )
        for k in good
    ]  # fmt: skip
    return found, own[np.ix_(good, good)]


def _straight_line(
    shifts: list[LineShift], covariance: Array
) -> tuple[Array, list[LineShift], float]:
    """Covariance of offset and slope, lines with outliers marked, chi-square per dof."""
    energy = np.array([s.energy_kev for s in shifts])
    shift = np.array([s.shift_kev for s in shifts])
    used = np.ones(len(energy), dtype=bool)
    design = np.stack([np.ones_like(energy), energy], axis=1)
    full = covariance + np.eye(len(energy)) * FLOOR_KEV**2
    while True:
        weight = np.linalg.inv(full[np.ix_(used, used)])
        d = design[used]
        inverse = np.linalg.inv(d.T @ weight @ d)
        residual = shift - design @ (inverse @ (d.T @ weight @ shift[used]))
        dof = int(used.sum()) - 2
        chi2 = float(residual[used] @ weight @ residual[used]) / dof if dof > 0 else np.nan
        pull = np.where(used, np.abs(residual) / np.sqrt(np.diag(full)), 0.0)
        worst = int(np.argmax(pull))
        if pull[worst] < OUTLIER or used.sum() <= max(3, 0.75 * len(used)):
            break
        used[worst] = False
    marked = [replace(s, used=bool(u)) for s, u in zip(shifts, used, strict=True)]
    return inverse * max(1.0, np.nan_to_num(chi2, nan=1.0)), marked, chi2


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
        Errors are those of a straight line through the clean lines, inflated by their
        chi-square, where there are three or more; else those of the fit to the whole
        spectrum together with 1 eV for the tabulated energies.
    """
    allowed = start.amounts > 0
    scale = start.scale
    fwhm = float(scale.fwhm(3.0)) / scale.kev_per_channel
    data = merge(counts, 0.75 * fwhm)
    for _ in range(ROUNDS):
        moved, covariance, widths = _round(data, templates, scale, allowed)
        ends = data.edge[[0, -1]]
        change = np.max(np.abs(moved.energy(ends) - scale.energy(ends)))
        scale = moved
        if change < REST_KEV:
            break
    shifts, own = _shifts(data, templates, scale, allowed)
    chi2 = np.nan
    in_energy = _by_energy(covariance, scale)
    in_energy[0, 0] += FLOOR_KEV**2
    if len(shifts) >= 3:
        in_energy, shifts, chi2 = _straight_line(shifts, own)
    ordered = tuple(sorted(shifts, key=lambda s: s.energy_kev))
    result = Refined(scale, ordered, chi2, in_energy)
    noise2_err, fano_err = np.sqrt(np.diag(widths + _width_floor(ordered, scale)))
    errors = {
        "zero_kev_err": result.energy_err(scale.zero_kev),
        "kev_per_channel_err": float(np.sqrt(in_energy[1, 1])) * scale.kev_per_channel,
        "noise_kev_err": float(noise2_err) / (2 * scale.noise_kev),
        "fano_err": float(fano_err),
    }
    return replace(result, scale=replace(scale, **errors))


def _width_floor(shifts: tuple[LineShift, ...], scale: EnergyScale) -> Array:
    """Covariance of (noise^2, Fano) if no width is known better than to `WIDTH_ERROR`."""
    energy = np.array([s.energy_kev for s in shifts] or [REFERENCE_KEV])
    design = np.stack([np.ones_like(energy), WIDTH_TERM * energy], axis=1)
    error = 2 * WIDTH_ERROR * scale.fwhm(energy) ** 2
    loose = np.diag([1 / NOISE2_LOOSE**2, 1 / FANO_LOOSE**2])
    return np.asarray(np.linalg.inv((design.T / error**2) @ design + loose))


def _by_energy(covariance: Array, scale: EnergyScale) -> Array:
    """Covariance of (zero, gain) as that of offset and relative slope over energy."""
    # E' = (z + dz) + (g + dg) c = E + (dz - dg z / g) + (dg / g) E
    g, z = scale.kev_per_channel, scale.zero_kev
    turn = np.array([[1.0, -z / g], [0.0, 1.0 / g]])
    return np.asarray(turn @ covariance @ turn.T)
