"""Templates for the calibration: a spectrum in bins, and the shapes that may be in it.

Shapes are those of a given energy scale; what they amount to is found in
:mod:`xrfmap.calibration.scale_model`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.signal import fftconvolve
from scipy.special import ndtr

from xrfmap.calibration.line_catalogue import Family, Group, groups_of
from xrfmap.physics.detector import escape
from xrfmap.physics.lineshape import EPSILON_KEV, FWHM_PER_SIGMA, EnergyScale

__all__ = [
    "WIDTH_TERM",
    "Merged",
    "Templates",
    "artefacts",
    "group_slopes",
    "line_columns",
    "merge",
    "peak_moves",
    "robust_loss",
    "rough_continuum",
    "splines",
]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

TEMPLATE_ERROR = 0.04  # relative; intensity ratios within a family, see line_catalogue
SPILL_ERROR = 0.006  # of the highest neighbour: tails and shelves that are not modelled
CONTINUUM_ERROR = 0.01
NU = 4.0  # Student's degrees of freedom of the loss; 4 keeps 90 % efficiency for Gaussian data
ROUGH_KNOT_KEV = 2.0  # wider than any peak, narrower than the hump of the tube
LEAST_LEVEL = 0.1  # counts per bin; without it an empty stretch would have no continuum
REACH = 5.0  # sigma; 3e-7 of a peak lies beyond
WIDTH_TERM = FWHM_PER_SIGMA**2 * EPSILON_KEV


@dataclass(frozen=True)
class Merged:
    """A spectrum with neighbouring channels merged to about a third of a peak width.

    Attributes
    ----------
    counts : ndarray, shape (b,)
    edge : ndarray, shape (b + 1,)
        In channels; the first is -0.5.
    base : ndarray, shape (b,)
        Level under the peaks, by peak stripping. [counts]
    variance : ndarray, shape (b,)
        Of counts plus imperfection of any template. [counts^2]
    """

    counts: Array
    edge: Array
    base: Array
    variance: Array

    @property
    def null_loss(self) -> Array:
        """Loss per bin where no peak is explained."""
        return robust_loss((self.counts - self.base) ** 2 / self.variance)


def robust_loss(chi2: Array) -> Array:
    """Negative log-likelihood of Student's t for squared residuals in units of the variance."""
    return np.asarray(0.5 * (NU + 1) * np.log1p(chi2 / NU))


def _strip(counts: Array, width: int) -> Array:
    """Level under the peaks: repeated clipping to the mean of both sides.

    After C. G. Ryan et al., Nucl. Instrum. Methods B 34, 396 (1988), from memory.
    """
    level = np.log(np.log(np.sqrt(counts + 1) + 1) + 1)
    for step in range(width, 0, -1):
        side = 0.5 * (level[: -2 * step] + level[2 * step :])
        level[step:-step] = np.minimum(level[step:-step], side)
    return np.asarray((np.exp(np.exp(level) - 1) - 1) ** 2 - 1)


def merge(counts: Array, fwhm_channels: float) -> Merged:
    """Merge channels to a third of the given width; the tail without counts is cut off."""
    factor = max(1, int(fwhm_channels / 3))
    used = np.flatnonzero(counts)[-1] + 1
    whole = int(np.ceil(used / factor)) * factor
    padded = np.zeros(whole)
    padded[: min(whole, len(counts))] = counts[:whole]
    if whole > len(counts):  # an incomplete last bin would look like a drop
        padded = padded[: whole - factor]
    y = padded.reshape(-1, factor).sum(axis=1)
    per_fwhm = fwhm_channels / factor
    base = np.minimum(
        _strip(gaussian_filter1d(y, per_fwhm / 4), int(np.ceil(1.5 * per_fwhm))), y.max()
    )
    near = maximum_filter1d(gaussian_filter1d(y, per_fwhm / 4), int(8 * per_fwhm) | 1)
    net = np.maximum(gaussian_filter1d(y, per_fwhm / 4) - base, 0)
    variance = np.maximum(y, 1) + (TEMPLATE_ERROR * net) ** 2 + (SPILL_ERROR * near) ** 2
    variance += (CONTINUUM_ERROR * base) ** 2
    return Merged(y, np.arange(len(y) + 1.0) * factor - 0.5, base, variance)


def splines(data: Merged, scale: EnergyScale, step_kev: float) -> Array:
    """Non-negative cubic splines over the bins, shape (b, k)."""
    energy = scale.energy(0.5 * (data.edge[1:] + data.edge[:-1]))
    count = max(4, int((energy[-1] - energy[0]) / step_kev))
    inner = np.linspace(energy[0] - 1e-6, energy[-1] + 1e-6, count)
    knots = np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])
    return np.asarray(BSpline.design_matrix(energy, knots, 3).toarray())


def rough_continuum(data: Merged, scale: EnergyScale) -> Array:
    """Level under the peaks times a few splines, shape (b, k).

    It follows the steep parts of a continuum with few knots, and can still sink where peaks
    stand so dense that the level is too high. The level itself knows of the peaks, so this is
    good enough to compare scales, not to place lines to a hundredth of their width.
    """
    level = np.maximum(data.base, LEAST_LEVEL)
    return np.asarray(splines(data, scale, ROUGH_KNOT_KEV) * level[:, None])


@dataclass(frozen=True, eq=False)
class Templates:
    """All lines of a catalogue in flat arrays.

    Attributes
    ----------
    families : tuple of Family
    groups : tuple of Group
        Lines seen as one peak, all of one family.
    row, group : ndarray of int, shape (lines,)
        Family and group of each line.
    energy, extra, thin, thick : ndarray, shape (lines,)
        As in :class:`~xrfmap.calibration.line_catalogue.Family`.
    main : ndarray, shape (families,)
        Energy of the strongest line. [keV]
    anode : ndarray of str, shape (families,)
    escape_table : ndarray, shape (3, n)
        Energy, share that escapes, energy where it is counted.
    """

    families: tuple[Family, ...]
    groups: tuple[Group, ...]
    row: npt.NDArray[np.intp]
    group: npt.NDArray[np.intp]
    energy: Array
    extra: Array
    thin: Array
    thick: Array
    main: Array
    anode: npt.NDArray[np.str_]
    escape_table: Array

    @classmethod
    def of(cls, families: tuple[Family, ...], material: str) -> Templates:
        """Flatten a catalogue, for a sensor of `material`."""
        grid = np.arange(0.2, 100.0, 0.1)
        groups = groups_of(families)
        number = {(g.family, g.label): k for k, g in enumerate(groups)}
        names = [(k, name) for k, f in enumerate(families) for name in f.group]
        return cls(
            families,
            groups,
            np.array([k for k, _ in names]),
            np.array([number[name] for name in names]),
            np.concatenate([f.energy for f in families]),
            np.concatenate([f.extra for f in families]),
            np.concatenate([f.thin for f in families]),
            np.concatenate([f.thick for f in families]),
            np.array([f.energy[np.argmax(f.thin)] for f in families]),
            np.array([f.anode for f in families]),
            np.stack([grid, *escape(grid, material)]),
        )

    def with_anode(self, anode: str) -> Mask:
        """Families that remain with this anode; its own element could not be told from it."""
        own = np.array([f.label.split()[0] == anode for f in self.families])
        return np.asarray(np.where(self.anode == "", ~own, self.anode == anode))

    def windows(self, data: Merged, scale: EnergyScale, use: Mask) -> list[_Window]:
        """Stretches of bins that the chosen lines reach; wide lines apart from narrow ones."""
        sigma = np.hypot(scale.fwhm(self.energy), self.extra) / FWHM_PER_SIGMA
        edges = scale.energy(data.edge)
        step = edges[1] - edges[0]
        result = []
        for wide in (False, True):
            line = np.flatnonzero(use & ((self.extra > 0) == wide))
            if len(line) == 0:
                continue
            half = int(np.ceil(REACH * sigma[line].max() / step)) + 1
            first = np.floor((self.energy[line] - edges[0]) / step).astype(int) - half
            edge = first[:, None] + np.arange(2 * half + 2)
            x = edges[0] + step * edge - self.energy[line][:, None]
            result.append(_Window(line, edge, x / sigma[line][:, None], sigma[line]))
        return result


@dataclass(frozen=True)
class _Window:
    """Bins near some lines: `edge` (lines, w) numbers the bin borders, `u` is in sigma."""

    line: npt.NDArray[np.intp]
    edge: npt.NDArray[np.intp]
    u: Array
    sigma: Array

    def add(self, values: Array, row: npt.NDArray[np.intp], shape: tuple[int, int]) -> Array:
        """Sum values per line and bin, shape (lines, w - 1), into rows of bins."""
        at = self.edge[:, :-1]
        inside = (at >= 0) & (at < shape[1])
        flat = (row[:, None] * shape[1] + at)[inside]
        total = np.bincount(flat, values[inside], shape[0] * shape[1])
        return np.asarray(total, dtype=np.float64).reshape(shape)


def artefacts(data: Merged, scale: EnergyScale, table: Array) -> Array:
    """Shapes of sum peaks and of escape peaks, made from the spectrum itself, shape (b, 2)."""
    energy = scale.energy(0.5 * (data.edge[1:] + data.edge[:-1]))
    step = energy[1] - energy[0]
    sums = fftconvolve(data.counts, data.counts) / data.counts.sum()
    sum_energy = 2 * energy[0] + step * np.arange(len(sums))
    pile = np.maximum(np.interp(energy, sum_energy, sums, left=0.0), 0.0)
    net = np.maximum(data.counts - data.base, 0.0)
    lost = np.interp(energy, table[0], table[1])
    escaped = np.interp(energy, np.interp(energy, table[0], table[2]), net * lost, right=0.0)
    return np.stack([pile, escaped], axis=1)


def line_columns(data: Merged, templates: Templates, scale: EnergyScale, keep: Mask) -> Array:
    """Thin and thick template of each family kept, shape (b, 2 k)."""
    shape = (int(keep.sum()), len(data.counts))
    number = np.cumsum(keep) - 1
    thin, thick = np.zeros(shape), np.zeros(shape)
    for window in templates.windows(data, scale, keep[templates.row]):
        peak = np.diff(ndtr(window.u), axis=1)
        row = number[templates.row[window.line]]
        thin += window.add(peak * templates.thin[window.line][:, None], row, shape)
        thick += window.add(peak * templates.thick[window.line][:, None], row, shape)
    return np.vstack([thin, thick]).T


def peak_moves(data: Merged, templates: Templates, area: Array, scale: EnergyScale) -> Array:
    """Differentiate the peaks by zero, gain, noise^2 and Fano, shape (b, 4)."""
    result = np.zeros((4, len(data.counts)))
    shape = (1, len(data.counts))
    for window in templates.windows(data, scale, area > 0):
        density = np.exp(-0.5 * window.u**2) * (area[window.line] / window.sigma)[:, None]
        density /= np.sqrt(2 * np.pi)
        # d/d(sigma^2) of the distribution function is -x / (2 sigma^2) times the density
        wider = -0.5 * window.u * density / window.sigma[:, None] / FWHM_PER_SIGMA**2
        channel = data.edge[0] + (data.edge[1] - data.edge[0]) * window.edge
        energy = templates.energy[window.line][:, None]
        row = np.zeros(len(window.line), dtype=np.intp)
        for k, part in enumerate((density, density * channel, wider, WIDTH_TERM * wider * energy)):
            result[k] += window.add(np.diff(part, axis=1), row, shape)[0]
    return result.T


def group_slopes(data: Merged, templates: Templates, area: Array, scale: EnergyScale) -> Array:
    """Change of the spectrum when a group of lines moves up in energy, shape (b, groups)."""
    shape = (len(templates.groups), len(data.counts))
    result = np.zeros(shape)
    for window in templates.windows(data, scale, area > 0):
        density = np.exp(-0.5 * window.u**2) * (area[window.line] / window.sigma)[:, None]
        change = -np.diff(density / np.sqrt(2 * np.pi), axis=1)
        result += window.add(change, templates.group[window.line], shape)
    return result.T
