"""Search over all energy scales: which gain and zero put the peaks on known lines.

Pairs of strong peaks are laid on pairs of strong lines; each pair gives a gain and a zero,
which are then judged by all peaks at once. Only the ranking is made here; the decision is
taken in :mod:`xrfmap.calibration.calibrate` on the whole spectrum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from xrfmap.calibration.line_catalogue import Family, Group, groups_of
from xrfmap.calibration.peak_search import Peaks, filter_signal, find_peaks, find_peaks_of_any_width
from xrfmap.physics.lineshape import EPSILON_KEV, FWHM_PER_SIGMA

__all__ = ["Candidate", "PeakMap", "candidates", "map_peaks"]

Array = npt.NDArray[np.float64]

GAIN_RANGE = (0.0045, 0.044)  # keV per channel; a tenth beyond 5 to 40 eV
ZERO_RANGE = 0.25  # keV; a quarter beyond +-200 eV
FANO = 0.115  # silicon, common value
NOISES = (0.03, 0.06, 0.09, 0.12, 0.15)  # keV
WIDTH_AGREES = 0.15  # relative; widths from the search are good to 5 %, multiplets worse
WEAK_SHARE = 0.03  # of a family; weaker groups are too easily hidden to rule it out
NEIGHBOURS = 6  # lines tried for each peak
SOFT_LIMIT = 1.0  # keV; below, noise and absorption leave nothing to judge
BLOCK = 512
GUESS_FACTOR = 2.2  # widths tell noise from gain badly where all lines are close together
ANCHOR_PEAKS = 12
ANCHOR_SHARE = 0.25  # of a family, in a line that may be one of a pair
"""Peaks and lines that may form a pair."""


@dataclass(frozen=True)
class PeakMap:
    """A spectrum seen through the second derivative, with the peaks found.

    Attributes
    ----------
    peaks : Peaks
        By channel.
    narrow : ndarray of bool, shape (n,)
        Peaks that are no wider than the detector makes them.
    measured : ndarray, shape (n,)
        Full width at half maximum by itself; NaN where neighbours hide it. [channel]
    signal, error : ndarray, shape (channel,)
        Area of a peak at each channel, if there is one, and its standard error. [counts]
    gain_guess : float
        From the widths alone; good to a fifth or so. [keV per channel]
    """

    peaks: Peaks
    narrow: npt.NDArray[np.bool_]
    measured: Array
    signal: Array
    error: Array
    gain_guess: float
    noise_guess: float


@dataclass(frozen=True)
class Candidate:
    """One energy scale with its score."""

    zero: float
    gain: float
    score: float


def _width(channel: Array, gain: Array | float, noise: Array | float) -> Array:
    """Peak width in channels for a zero of 0."""
    energy = np.maximum(gain * channel, 0.3)
    variance = np.square(noise) + FWHM_PER_SIGMA**2 * FANO * EPSILON_KEV * energy
    return np.asarray(np.sqrt(variance) / gain)


def _width_law(peaks: Peaks) -> tuple[float, float]:
    """Gain and noise whose widths agree with most of the peaks found."""
    gain, noise = np.meshgrid(np.geomspace(*GAIN_RANGE, 60), NOISES, indexing="ij")
    model = _width(peaks.position, gain[..., None], noise[..., None])
    off = np.log(peaks.fwhm / model) / WIDTH_AGREES
    vote = np.sum(np.log1p(peaks.significance) * np.exp(-0.5 * off**2), axis=-1)
    best = np.unravel_index(np.argmax(vote), vote.shape)
    return float(gain[best]), float(noise[best])


def map_peaks(counts: Array) -> PeakMap | None:
    """Peaks of a spectrum without any knowledge of its scale; None where there are none."""
    rough = find_peaks_of_any_width(counts)
    if len(rough) == 0:
        return None
    gain, noise = _width_law(rough)

    def law(channel: Array) -> Array:
        return _width(channel, gain, noise)

    peaks = find_peaks(counts, law)
    signal, error = filter_signal(counts, law)
    nearest = np.argmin(np.abs(rough.position[:, None] - peaks.position), axis=0)
    own = np.abs(rough.position[nearest] - peaks.position) < 0.5 * peaks.fwhm
    measured = np.where(own, rough.fwhm[nearest], np.nan)
    narrow = ~(measured > 1.35 * peaks.fwhm)
    return PeakMap(peaks, narrow, measured, signal, error, gain, noise)


def _anchors(groups: tuple[Group, ...]) -> Array:
    return np.array([g.energy for g in groups if g.thin >= ANCHOR_SHARE and g.spread < 0.05])


def _pairs(found: PeakMap, groups: tuple[Group, ...]) -> tuple[Array, Array]:
    """All gains and zeros that a pair of peaks and a pair of lines allow, without doubles."""
    usable = found.peaks.take(found.narrow)
    top = usable.take(np.sort(np.argsort(usable.significance)[::-1][:ANCHOR_PEAKS]))
    energy = np.unique(_anchors(groups))
    i, j = np.triu_indices(len(top), 1)
    a, b = np.triu_indices(len(energy), 1)
    gain = (energy[b] - energy[a]) / (top.position[j] - top.position[i])[:, None]
    zero = energy[a] - gain * top.position[i][:, None]
    keep = (np.abs(zero) <= ZERO_RANGE) & (gain > GAIN_RANGE[0]) & (gain < GAIN_RANGE[1])
    keep &= (gain > found.gain_guess / GUESS_FACTOR) & (gain < found.gain_guess * GUESS_FACTOR)
    gain, zero = gain[keep], zero[keep]
    keep = _widths_fit(gain, zero, found)
    gain, zero = gain[keep], zero[keep]
    cell = np.stack([np.round(np.log(gain) / 4e-4), np.round(zero / 0.004)])
    _, first = np.unique(cell, axis=1, return_index=True)
    return gain[first], zero[first]


def _widths_fit(gain: Array, zero: Array, found: PeakMap) -> npt.NDArray[np.bool_]:
    """Whether half of the peaks, by weight, have a width that a silicon detector can give."""
    use = np.isfinite(found.measured) & found.narrow
    energy = np.maximum(zero[:, None] + gain[:, None] * found.peaks.position[use], 0.3)
    charge = FWHM_PER_SIGMA**2 * FANO * EPSILON_KEV * energy
    width = gain[:, None] * found.measured[use]
    low = (1 - WIDTH_AGREES) * np.sqrt(NOISES[0] ** 2 + charge)
    high = (1 + WIDTH_AGREES) * np.sqrt(NOISES[-1] ** 2 + charge)
    weight = np.log1p(found.peaks.significance[use])
    good = (width > low) & (width < high)
    return np.asarray(good @ weight >= 0.5 * weight.sum())


@dataclass(frozen=True)
class _Book:
    """Groups as arrays, by family."""

    energy: Array
    low: Array
    high: Array
    start: npt.NDArray[np.intp]
    family: npt.NDArray[np.intp]

    @classmethod
    def of(cls, groups: tuple[Group, ...]) -> _Book:
        family = np.array([g.family for g in groups])
        shares = np.array([(g.thin, g.thick) for g in groups])
        start = np.flatnonzero(np.diff(family, prepend=-1))
        rank = np.searchsorted(family[start], family)
        return cls(np.array([g.energy for g in groups]), shares.min(1), shares.max(1), start, rank)


def _ceiling(found: PeakMap) -> Array:
    """Largest area of a peak that each channel allows, generously. [counts]."""
    channel = np.arange(len(found.signal), dtype=np.float64)
    width = _width(channel, found.gain_guess, found.noise_guess)
    near, far = _local_max(found.signal, 0.35 * width), _local_max(found.signal, 1.5 * width)
    return np.asarray(1.3 * np.maximum(near, 0) + 3 * found.error + 0.25 * np.maximum(far, 0))


def _local_max(values: Array, reach: Array) -> Array:
    result = np.empty_like(values)
    steps = np.maximum(1, np.round(reach)).astype(int)
    for r in np.unique(steps):
        here = steps == r
        result[here] = maximum_filter1d(values, 2 * int(r) + 1)[here]
    return result


def _score(gain: Array, zero: Array, found: PeakMap, book: _Book, ceiling: Array) -> Array:
    """Weight of the peaks that known lines explain, for each scale, shape (h,)."""
    channel = (book.energy - zero[:, None]) / gain[:, None]
    n = len(ceiling)
    inside = (channel >= 0) & (channel <= n - 1)
    allowed = ceiling[np.clip(np.round(channel), 0, n - 1).astype(int)] / book.low
    allowed[~inside | (book.low < WEAK_SHARE)[None, :]] = np.inf
    amount = np.minimum.reduceat(allowed, book.start, axis=1)[:, book.family]
    claim = np.where(np.isfinite(amount), amount, 0.0) * book.high
    return _explained(gain, zero, found, book.energy, claim)


def _explained(gain: Array, zero: Array, found: PeakMap, energy: Array, claim: Array) -> Array:
    order = np.argsort(energy)
    line, claim = energy[order], claim[:, order]
    peak = zero[:, None] + gain[:, None] * found.peaks.position
    first = np.searchsorted(line, peak) - NEIGHBOURS // 2
    tolerance = 0.15 * gain[:, None] * found.peaks.fwhm + 0.005
    best = np.zeros_like(peak)
    rows = np.arange(len(gain))[:, None]
    for k in range(NEIGHBOURS):
        at = np.clip(first + k, 0, len(line) - 1)
        share = np.minimum(1.0, claim[rows, at] / np.maximum(found.peaks.area, 1.0))
        best = np.maximum(best, share * np.exp(-0.5 * ((line[at] - peak) / tolerance) ** 2))
    weight = np.log1p(found.peaks.significance / 3) * np.where(found.narrow, 1.0, 0.3)
    return np.asarray(np.sum(best * weight * (peak > SOFT_LIMIT), axis=1))


def candidates(found: PeakMap, families: tuple[Family, ...], keep: int = 40) -> list[Candidate]:
    """Energy scales that explain most peaks, best first."""
    groups = groups_of(families)
    gain, zero = _pairs(found, groups)
    if len(gain) == 0:
        return []
    book, ceiling = _Book.of(groups), _ceiling(found)
    score = np.concatenate(
        [
            _score(gain[i : i + BLOCK], zero[i : i + BLOCK], found, book, ceiling)
            for i in range(0, len(gain), BLOCK)
        ]
    )
    order = np.argsort(score)[::-1]
    chosen: list[Candidate] = []
    for k in order:
        one = Candidate(float(zero[k]), float(gain[k]), float(score[k]))
        if all(not _alike(one, other) for other in chosen):
            chosen.append(one)
        if len(chosen) == keep:
            break
    return chosen


def _alike(a: Candidate, b: Candidate) -> bool:
    """Whether two scales are the same within what later refinement covers."""
    return (
        abs(a.gain / b.gain - 1) < 0.004
        and abs(a.zero - b.zero + (a.gain / b.gain - 1) * 6.4) < 0.03
    )
