"""Compiled inner loop of :func:`xrfmap.lineshape.peaks`."""

from __future__ import annotations

import math

from numba import njit

_ROOT2 = math.sqrt(2.0)
_ROOT_PI = math.sqrt(math.pi)


@njit(cache=True, error_model="numpy", nogil=True)
def _distribution(x, sigma, tail, slope):
    """Gaussian with an exponential tail, integrated from below up to x."""
    u = x / sigma
    if u < -9.0:  # only the tail reaches here
        if tail == 0.0:
            return 0.0
        return tail * math.exp(x / slope + 0.5 * (sigma / slope) ** 2)
    gauss = 0.5 * math.erfc(-u / _ROOT2)
    if tail == 0.0:
        return gauss
    z = (u + sigma / slope) / _ROOT2
    if z < 5.0:
        extra = 0.5 * math.exp(x / slope + 0.5 * (sigma / slope) ** 2) * math.erfc(z)
    else:  # the product of a huge and a tiny number, by the asymptotic series of erfc
        s = 1.0 / (z * z)
        series = 1.0 - s * (0.5 - s * (0.75 - s * 1.875))
        extra = 0.5 * math.exp(-0.5 * u * u) * series / (z * _ROOT_PI)
    return gauss + tail * extra


@njit(cache=True, error_model="numpy", nogil=True)
def _peak(x, sigma, broad, eta, half, tail, slope):
    """Distribution function of a whole peak: pseudo-Voigt body and tail."""
    if eta == 0.0:
        return _distribution(x, sigma, tail, slope)
    lorentz = 0.5 + math.atan(x / half) / math.pi
    body = eta * lorentz + (1.0 - eta) * 0.5 * math.erfc(-x / (broad * _ROOT2))
    pure = 0.5 * math.erfc(-x / (sigma * _ROOT2))
    # the tail is added to the Gaussian inside; exchange that Gaussian for the body
    return _distribution(x, sigma, tail, slope) + (1.0 - tail) * (body - pure)


@njit(cache=True, error_model="numpy", nogil=True)
def add_peaks(
    rows, index, edges, energies, areas, sigmas, broad, eta, half, tail, slope, first, last
):
    """Add peak k to ``rows[index[k]]`` over the channels ``first[k]`` to ``last[k] - 1``.

    `sigmas` are of the detector alone, `broad`, `eta` and `half` (half width at half
    maximum) describe the pseudo-Voigt body with the natural width of the line.
    """
    for k in range(len(energies)):
        if areas[k] == 0.0 or first[k] >= last[k]:
            continue
        row = rows[index[k]]
        s, b, n, h = sigmas[k], broad[k], eta[k], half[k]
        before = _peak(edges[first[k]] - energies[k], s, b, n, h, tail, slope)
        for c in range(first[k], last[k]):
            after = _peak(edges[c + 1] - energies[k], s, b, n, h, tail, slope)
            row[c] += areas[k] * (after - before)
            before = after
