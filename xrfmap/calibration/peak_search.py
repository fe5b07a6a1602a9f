"""Search for peaks in a spectrum by its second derivative, with a known width or with none.

Everything here works in channels; energies enter only in :mod:`xrfmap.calibration.calibrate`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter, maximum_filter1d
from scipy.signal import fftconvolve

__all__ = ["FWHM_PER_SIGMA", "Peaks", "filter_signal", "find_peaks", "find_peaks_of_any_width"]

Array = npt.NDArray[np.float64]

FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))  # 2.3548
KERNEL_RESPONSE = 1.0 / np.sqrt(8.0)  # signal of a Gaussian of unit area under its own kernel
KERNEL_HALF_WIDTH = 4.0  # sigma; the second derivative of a Gaussian is 2e-3 of its peak there


@dataclass(frozen=True)
class Peaks:
    """Peaks found in a spectrum, in order of position.

    Attributes
    ----------
    position : ndarray, shape (n,)
        Centres. [channel]
    fwhm : ndarray, shape (n,)
        Full width at half maximum of the best-matching kernel. [channel]
    significance : ndarray, shape (n,)
        Second-derivative signal over its standard deviation.
    area : ndarray, shape (n,)
        Net area belonging to the filter signal; an underestimate for peaks that overlap. [counts]
    """

    position: Array
    fwhm: Array
    significance: Array
    area: Array

    def __len__(self) -> int:
        return len(self.position)

    def take(self, which: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Peaks:
        """Select peaks by mask or by index."""
        return Peaks(
            self.position[which], self.fwhm[which], self.significance[which], self.area[which]
        )


def _kernel(fwhm: float) -> Array:
    """Negative second derivative of a Gaussian, made exactly blind to level and slope."""
    sigma = fwhm / FWHM_PER_SIGMA
    half = max(2, int(np.ceil(KERNEL_HALF_WIDTH * sigma)))
    u = np.arange(-half, half + 1) / sigma
    k = (1.0 - u * u) * np.exp(-0.5 * u * u)
    return np.asarray(k - k.mean())  # symmetric, so a slope drops out by itself


def _filtered(counts: Array, fwhm: float) -> tuple[Array, Array]:
    """Filter signal and its standard deviation (one count at least), each shape (n,)."""
    kernel = _kernel(fwhm)
    half = len(kernel) // 2
    padded = np.pad(counts, half, mode="edge")
    signal = fftconvolve(padded, kernel, mode="valid")
    variance = fftconvolve(padded, kernel**2, mode="valid")
    return signal, np.sqrt(np.maximum(variance, np.max(kernel**2)))


def find_peaks_of_any_width(
    counts: npt.ArrayLike,
    fwhm_min: float = 2.0,
    fwhm_max: float = 60.0,
    threshold: float = 8.0,
) -> Peaks:
    """Find peaks and the width of each, with nothing known beforehand.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Spectrum; Poisson counts. No NaN. [counts]
    fwhm_min, fwhm_max : float
        Range of trial widths. [channel]
    threshold : float
        Smallest significance that counts as a peak. [standard deviations]

    Returns
    -------
    Peaks
        In order of channel. Widths of peaks that touch a neighbour are rough.

    Notes
    -----
    A Gaussian of width s0 seen through the second derivative of a Gaussian of width s gives
    ``s**1.5 / (s0**2 + s**2)**1.5`` after multiplication with ``s**1.5``, which is largest at
    s = s0: peaks are the maxima over place and width together.
    """
    values = np.asarray(counts, dtype=np.float64)
    widths = np.geomspace(fwhm_min, fwhm_max, 1 + int(np.ceil(6 * np.log2(fwhm_max / fwhm_min))))
    pairs = [_filtered(values, float(w)) for w in widths]
    signal = np.stack([s for s, _ in pairs])
    ratio = signal / np.stack([d for _, d in pairs])
    # the kernel used here is s**3 times the second derivative, hence -1.5 and not +1.5
    response = signal * widths[:, None] ** -1.5
    top = (response == maximum_filter(response, size=(3, 3))) & (ratio > threshold)
    top[[0, -1]] = False
    top[:, [0, -1]] = False
    row, column = np.nonzero(top)
    order = np.argsort(column)
    row, column = row[order], column[order]
    across = _vertex(response[row - 1, column], response[row, column], response[row + 1, column])
    along = _vertex(response[row, column - 1], response[row, column], response[row, column + 1])
    return Peaks(
        position=np.asarray(column + along),
        fwhm=widths[row] * (widths[1] / widths[0]) ** across,
        significance=ratio[row, column],
        area=signal[row, column] / KERNEL_RESPONSE,
    )


def _vertex(left: Array, mid: Array, right: Array) -> Array:
    """Place of the top of a parabola through three points, in steps from the middle one."""
    shift = 0.5 * (left - right) / np.minimum(left - 2 * mid + right, -1e-300)
    return np.asarray(np.clip(shift, -1.0, 1.0))


def find_peaks(
    counts: npt.ArrayLike,
    fwhm: Callable[[Array], Array],
    threshold: float = 5.0,
) -> Peaks:
    """Find peaks by the significance of the smoothed second derivative.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Spectrum; Poisson counts. No NaN. [counts]
    fwhm : callable
        Peak width as a function of channel, array in, array out. [channel]
    threshold : float
        Smallest significance that counts as a peak. [standard deviations]

    Returns
    -------
    Peaks
        In order of channel; positions interpolated to a fraction of a channel.

    Notes
    -----
    The matched width follows `fwhm` in steps of 9 %, as the response of the filter changes little
    over such a step. Method of second differences after Mariscotti, Nucl. Instrum. Methods 50,
    309 (1967), from memory.
    """
    values = np.asarray(counts, dtype=np.float64)
    width = _checked_width(fwhm, len(values))
    signal, sd = filter_signal(values, fwhm)
    ratio = signal / sd
    reach = np.maximum(1, np.round(0.4 * width)).astype(int)
    top = np.zeros(len(values), dtype=bool)
    for r in np.unique(reach):
        here = reach == r
        top[here] = (signal == maximum_filter1d(signal, 2 * int(r) + 1))[here]
    index = np.flatnonzero(top & (ratio > threshold))
    index = index[(index > 0) & (index < len(values) - 1)]
    return Peaks(
        position=np.asarray(index + _vertex(signal[index - 1], signal[index], signal[index + 1])),
        fwhm=width[index],
        significance=ratio[index],
        area=signal[index],
    )


def _checked_width(fwhm: Callable[[Array], Array], channels: int) -> Array:
    return np.clip(fwhm(np.arange(channels, dtype=np.float64)), 2.0, channels / 8)


def filter_signal(counts: npt.ArrayLike, fwhm: Callable[[Array], Array]) -> tuple[Array, Array]:
    """Net area that a peak would have at each channel, by the smoothed second derivative.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Spectrum. [counts]
    fwhm : callable
        Peak width as a function of channel. [channel]

    Returns
    -------
    area, error : ndarray, shape (n,)
        Area of the peak centred there, negative beside peaks, and its standard error, at
        least that of one count. [counts]
    """
    values = np.asarray(counts, dtype=np.float64)
    signal, sd = np.zeros_like(values), np.ones_like(values)
    step = np.round(np.log2(_checked_width(fwhm, len(values))) * 8)
    for k in np.unique(step):
        here = step == k
        s, d = _filtered(values, float(2.0 ** (k / 8)))
        signal[here], sd[here] = s[here], d[here]
    return signal / KERNEL_RESPONSE, sd / KERNEL_RESPONSE
