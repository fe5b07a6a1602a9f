"""Compiled inner loop of :func:`xrfmap.physics.lineshape.peaks`."""

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
def _wing(row, edges, energy, area, eta, half, tail, slope, sigma, first, last):
    """Add what lies far from the centre, where the Gaussian has no more than 1e-19.

    The Lorentzian is taken at the middle of a channel: ``atan(a) - atan(b)`` is
    ``atan((a - b) / (1 + ab))`` and the argument is small there. The tail is exact.
    """
    if tail > 0.0:
        before = math.exp((edges[first] - energy) / slope + 0.5 * (sigma / slope) ** 2)
        for c in range(first, last):
            after = before * math.exp((edges[c + 1] - edges[c]) / slope)
            row[c] += area * tail * (after - before)
            before = after
    if eta > 0.0:
        for c in range(first, last):
            low, high = (edges[c] - energy) / half, (edges[c + 1] - energy) / half
            step = (high - low) / (1.0 + low * high)
            row[c] += area * eta / math.pi * step * (1.0 - step * step / 3.0)


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
        reach = 9.0 * max(s, b)
        start, stop = first[k], last[k]
        while start < last[k] and edges[start + 1] < energies[k] - reach:
            start += 1
        while stop > start and edges[stop - 1] > energies[k] + reach:
            stop -= 1
        wing = n * (1.0 - tail)
        _wing(row, edges, energies[k], areas[k], wing, h, tail, slope, s, first[k], start)
        _wing(row, edges, energies[k], areas[k], wing, h, 0.0, slope, s, stop, last[k])
        if start == stop:
            continue
        before = _peak(edges[start] - energies[k], s, b, n, h, tail, slope)
        for c in range(start, stop):
            after = _peak(edges[c + 1] - energies[k], s, b, n, h, tail, slope)
            row[c] += areas[k] * (after - before)
            before = after
