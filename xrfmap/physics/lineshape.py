"""Where a photon of known energy is counted: energy scale, shape of a peak, shelf, pile-up.

Energies are in keV; channel i spans the energies of channel numbers i - 0.5 to i + 0.5.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, next_fast_len, rfft
from scipy.special import erfc, erfcx, ndtr

__all__ = [
    "EPSILON_KEV",
    "FWHM_PER_SIGMA",
    "EnergyScale",
    "Response",
    "line_shape",
    "peak_rows",
    "peaks",
    "pile_up",
    "self_convolution",
    "shelf_shape",
]

Array = npt.NDArray[np.float64]

FWHM_PER_SIGMA = float(2 * np.sqrt(2 * np.log(2)))
EPSILON_KEV = 3.66e-3  # mean energy per electron-hole pair in cooled silicon (from memory)


@dataclass(frozen=True)
class EnergyScale:
    """Energy of a channel, and width of a peak.

    Attributes
    ----------
    zero_kev, kev_per_channel : float
        ``energy = zero_kev + kev_per_channel * channel``. [keV]
    noise_kev : float
        Electronic noise as full width at half maximum. [keV]
    fano : float
        Fano factor.
    zero_err, kev_per_channel_err, noise_err, fano_err : float
        Standard errors, 0 where not known.
    """

    zero_kev: float
    kev_per_channel: float
    noise_kev: float = 0.08
    fano: float = 0.115
    zero_kev_err: float = 0.0
    kev_per_channel_err: float = 0.0
    noise_kev_err: float = 0.0
    fano_err: float = 0.0

    def energy(self, channel: npt.ArrayLike) -> Array:
        """Energy of the centre of a channel [keV]; channel numbers may be fractions."""
        return self.zero_kev + self.kev_per_channel * np.asarray(channel, dtype=np.float64)

    def channel(self, energy_kev: npt.ArrayLike) -> Array:
        """Channel number, as a fraction, of an energy."""
        return (np.asarray(energy_kev, dtype=np.float64) - self.zero_kev) / self.kev_per_channel

    def edges(self, channels: int) -> Array:
        """Energies of the channel borders [keV], shape (channels + 1,)."""
        return self.energy(np.arange(channels + 1) - 0.5)

    def fwhm(self, energy_kev: npt.ArrayLike) -> Array:
        """Full width at half maximum of a peak [keV]; the energy counts as at least 0.

        ``FWHM^2 = noise^2 + 2.3548^2 F eps E``, eps = 3.66 eV for silicon.
        """
        energy = np.maximum(np.asarray(energy_kev, dtype=np.float64), 0.0)
        return np.sqrt(self.noise_kev**2 + FWHM_PER_SIGMA**2 * self.fano * EPSILON_KEV * energy)

    def to_attrs(self) -> dict[str, float]:
        """Attributes for a Dataset: the eight numbers under their own names."""
        return {name: float(value) for name, value in asdict(self).items()}

    @classmethod
    def from_attrs(cls, attrs: Mapping[Any, Any]) -> EnergyScale:
        """Energy scale kept in the attributes of a Dataset.

        Raises
        ------
        ValueError
            If one of the four main numbers is missing.
        """
        needed = ("zero_kev", "kev_per_channel", "noise_kev", "fano")
        missing = [name for name in needed if name not in attrs]
        if missing:
            raise ValueError(f"no energy scale: attribute {missing[0]} is missing; calibrate first")
        names = (*needed, *(f"{name}_err" for name in needed))
        return cls(**{name: float(attrs[name]) for name in names if name in attrs})


@dataclass(frozen=True)
class Response:
    """Departures of a real peak from a Gaussian.

    The defaults are common practice for a drift detector, no source; the fit refines them.

    Attributes
    ----------
    tail_fraction : float
        Share of the full-energy peak in its low-energy tail.
    tail_slope_kev : float
        Decay length of the tail. [keV]
    shelf_fraction : float
        Share of the detected photons that lose an arbitrary part of their charge.
    natural_width : bool
        Whether the Lorentzian width of the atomic levels is included.
    """

    tail_fraction: float = 0.01
    tail_slope_kev: float = 0.15
    shelf_fraction: float = 0.005
    natural_width: bool = True


def _gauss_cdf(x: Array, sigma: Array) -> Array:
    return np.asarray(ndtr(x / sigma))


def _tail_cdf(x: Array, sigma: Array, slope: float) -> Array:
    """Distribution function of a Gaussian minus an exponential of mean `slope`."""
    z = (x / sigma + sigma / slope) / np.sqrt(2)
    # erfcx keeps the product finite where the exponential alone would overflow
    right = 0.5 * np.exp(-0.5 * (x / sigma) ** 2) * erfcx(np.maximum(z, 0.0))
    below = np.minimum(x / slope + 0.5 * (sigma / slope) ** 2, 0.0)
    left = 0.5 * np.exp(below) * erfc(np.minimum(z, 0.0))
    return np.asarray(_gauss_cdf(x, sigma) + np.where(z >= 0, right, left))


def _pseudo_voigt(sigma: Array, natural: Array) -> tuple[Array, Array]:
    """Full width at half maximum and Lorentzian share of a pseudo-Voigt profile.

    Thompson, Cox and Hastings, J. Appl. Cryst. 20, 79 (1987) (from memory); the density is
    right to about 1 % of its height.
    """
    g, w = sigma * FWHM_PER_SIGMA, natural
    full = (
        g**5 + 2.69269 * g**4 * w + 2.42843 * g**3 * w**2 + 4.47163 * g**2 * w**3
        + 0.07842 * g * w**4 + w**5
    ) ** 0.2  # fmt: skip
    share = w / full
    return np.asarray(full), np.asarray(1.36603 * share - 0.47719 * share**2 + 0.11116 * share**3)


def _voigt_cdf(x: Array, sigma: Array, natural: Array) -> Array:
    """Distribution function of a Voigt profile, as a weighted Gaussian and Lorentzian."""
    full, eta = _pseudo_voigt(np.asarray(sigma), natural)
    lorentz = 0.5 + np.arctan(2 * x / full) / np.pi
    return np.asarray(eta * lorentz + (1 - eta) * ndtr(x * FWHM_PER_SIGMA / full))


def line_shape(
    edges_kev: npt.ArrayLike,
    energy_kev: float,
    scale: EnergyScale,
    *,
    tail_fraction: float = Response.tail_fraction,
    tail_slope_kev: float = Response.tail_slope_kev,
    natural_kev: float = 0.0,
    extra_fwhm_kev: float = 0.0,
) -> Array:
    """Full-energy peak of one line, as shares per channel.

    Parameters
    ----------
    edges_kev : array_like, shape (n + 1,)
        Channel borders. [keV]
    energy_kev : float
        Line energy. [keV]
    scale : EnergyScale
        For the width.
    tail_fraction : float
        Share of the peak in the exponential tail, 0 to 1.
    tail_slope_kev : float
        Decay length of the tail, > 0. [keV]
    natural_kev : float
        Lorentzian full width of the line. [keV]
    extra_fwhm_kev : float
        Further Gaussian broadening, added in quadrature (Compton peaks). [keV]

    Returns
    -------
    ndarray, shape (n,)
        Integral of the shape over each channel; sums to one over an infinite range.
    """
    x = np.asarray(edges_kev, dtype=np.float64) - energy_kev
    sigma = np.hypot(scale.fwhm(energy_kev), extra_fwhm_kev) / FWHM_PER_SIGMA
    if natural_kev > 0:
        body = _voigt_cdf(x, sigma, np.asarray(natural_kev))
    else:
        body = _gauss_cdf(x, sigma)
    if tail_fraction > 0:
        body = (1 - tail_fraction) * body + tail_fraction * _tail_cdf(x, sigma, tail_slope_kev)
    return np.asarray(np.diff(body))


def peaks(
    edges_kev: Array,
    energies_kev: npt.ArrayLike,
    areas: npt.ArrayLike,
    scale: EnergyScale,
    response: Response | None = None,
    *,
    natural_kev: npt.ArrayLike = 0.0,
    extra_fwhm_kev: npt.ArrayLike = 0.0,
) -> Array:
    """Sum of many full-energy peaks; as :func:`line_shape`, but only where each is felt.

    Parameters
    ----------
    edges_kev : ndarray, shape (n + 1,)
        Channel borders. [keV]
    energies_kev, areas : array_like, shape (m,)
        Line energies [keV] and counts.
    scale : EnergyScale
        For the width.
    response : Response, optional
        Tail.
    natural_kev, extra_fwhm_kev : array_like, shape (m,) or scalar
        As for :func:`line_shape`.

    Returns
    -------
    ndarray, shape (n,)
        Counts per channel.
    """
    given = (energies_kev, areas, natural_kev, extra_fwhm_kev)
    wide = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, float)) for v in given))
    # copies: NumPy warns who asks whether the wide ones can be written, as numba does
    energies, area, natural, extra = (one.copy() for one in wide)
    rows = np.zeros((1, len(edges_kev) - 1))
    peak_rows(
        rows, edges_kev, np.zeros(len(energies), dtype=np.int64), energies, area, natural,
        scale, response or Response(), extra_fwhm_kev=extra,
    )  # fmt: skip
    return np.asarray(rows[0])


def peak_rows(
    rows: Array,
    edges_kev: Array,
    index: npt.NDArray[np.int64],
    energies_kev: Array,
    areas: Array,
    natural_kev: Array,
    scale: EnergyScale,
    response: Response,
    *,
    extra_fwhm_kev: Array | float = 0.0,
) -> None:
    """Add full-energy peaks to the rows of a table, as :func:`peaks` does to one spectrum.

    Parameters
    ----------
    rows : ndarray, shape (r, n)
        Changed in place. [counts]
    edges_kev : ndarray, shape (n + 1,)
        Channel borders. [keV]
    index : ndarray of int, shape (m,)
        Row that each peak belongs to.
    energies_kev, areas, natural_kev : ndarray, shape (m,)
        Line energies [keV], counts, and natural widths [keV].
    scale, response
        For width and tail.
    extra_fwhm_kev : ndarray, shape (m,), or float
        Further Gaussian broadening. [keV]
    """
    from xrfmap.physics._peaks import (
        add_peaks,  # compiled; not needed by whoever reads a scale only
    )

    width = np.hypot(scale.fwhm(energies_kev), extra_fwhm_kev)
    reach = 3.0 * width  # 7 standard deviations
    # exp(-16) = 1e-7 of the tail
    low = energies_kev - reach - 16 * response.tail_slope_kev - 60 * natural_kev
    first = np.searchsorted(edges_kev, low)
    last = np.searchsorted(edges_kev, energies_kev + reach + 60 * natural_kev)
    sigma = width / FWHM_PER_SIGMA
    full, eta = _pseudo_voigt(sigma, natural_kev)
    add_peaks(
        rows, index, np.asarray(edges_kev, np.float64), np.ascontiguousarray(energies_kev),
        np.ascontiguousarray(areas), sigma, full / FWHM_PER_SIGMA, eta, full / 2,
        response.tail_fraction, response.tail_slope_kev,
        np.maximum(first - 1, 0), np.minimum(last, rows.shape[1]),
    )  # fmt: skip


def shelf_shape(edges_kev: npt.ArrayLike, energy_kev: float, scale: EnergyScale) -> Array:
    """Flat shelf from zero energy up to a peak, as shares per channel that sum to one.

    Counts of photons whose charge is collected in part. The upper end is smeared by the
    peak width; below zero energy there is nothing.
    """
    sigma = scale.fwhm(energy_kev) / FWHM_PER_SIGMA

    def integral(energy: Array) -> Array:  # of 1/2 erfc((E - E0) / (sqrt 2 sigma))
        u = (energy - energy_kev) / (np.sqrt(2) * sigma)
        return np.asarray(
            np.sqrt(2) * sigma * 0.5 * (u * erfc(u) - np.exp(-(u**2)) / np.sqrt(np.pi))
        )

    edges = np.maximum(np.asarray(edges_kev, dtype=np.float64), 0.0)
    whole = -integral(np.zeros(1))[0]  # the antiderivative vanishes at infinity
    return np.asarray(np.diff(integral(edges)) / whole)


# ---------------------------------------------------------------- pile-up


def _convolve(a: Array, b: Array) -> Array:
    size = len(a) + len(b) - 1
    fast = next_fast_len(size, real=True)
    return np.asarray(irfft(rfft(a, fast) * rfft(b, fast), fast)[:size])


def self_convolution(first: npt.ArrayLike, second: npt.ArrayLike, scale: EnergyScale) -> Array:
    """Spectrum of the sums of one photon from each of two spectra, per channel.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Spectra over the same channels.
    scale : EnergyScale
        Two photons of channels i and j add to energy ``E_i + E_j``, that is to channel
        ``i + j + zero / gain``, which is shared between its two neighbours.

    Returns
    -------
    ndarray, shape (n,)
        Spectrum of the sums; what lies beyond the last channel is lost.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    n = len(a)
    sums = np.maximum(_convolve(a, b), 0.0)  # the FFT leaves -1e-12
    shift = scale.zero_kev / scale.kev_per_channel
    whole = int(np.floor(shift))
    part = shift - whole
    result = np.zeros(n)
    for step, weight in ((whole, 1 - part), (whole + 1, part)):
        start, stop = max(step, 0), min(n, len(sums) + step)
        if weight > 0 and stop > start:
            result[start:stop] += weight * sums[start - step : stop - step]
    return result


def pile_up(counts: npt.ArrayLike, live_time_s: float, tau_s: float, scale: EnergyScale) -> Array:
    """Add pile-up to an expected spectrum.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Expected counts without pile-up.
    live_time_s : float
        Live time, > 0. [s]
    tau_s : float
        Time within which two pulses cannot be told apart, >= 0. [s]
    scale : EnergyScale
        For the energies of the sums.

    Returns
    -------
    ndarray, shape (n,)
        Expected counts. A pulse is counted when none came within `tau_s` before it; its
        energy is the sum of all photons within `tau_s` after it (up to three), whose
        number is Poisson. Noise is counted once per photon, which makes sum peaks a
        little too wide.
    """
    single = np.asarray(counts, dtype=np.float64)
    total = single.sum()
    if live_time_s <= 0 or tau_s < 0:
        raise ValueError(f"need live time > 0 and tau >= 0, found {live_time_s:g}, {tau_s:g} s")
    mean = total / live_time_s * tau_s
    if mean == 0:
        return single.copy()
    pair = self_convolution(single, single, scale) / total
    triple = self_convolution(pair, single, scale) / total
    return np.asarray(np.exp(-2 * mean) * (single + mean * pair + 0.5 * mean**2 * triple))
