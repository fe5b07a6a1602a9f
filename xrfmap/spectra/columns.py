"""What one photon of each line adds to a spectrum, kept while the shapes stay the same.

Of all that is changed while a spectrum is fitted only energy scale, width and tail move
the peaks; cover and line ratios weigh peaks that are already there. So the peaks of every
line are drawn once for each scale and response, and a column is their weighted sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from xrfmap.physics.detector import escape_lines
from xrfmap.physics.lineshape import EnergyScale, Response, peak_rows, shelf_shape
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.row_scales import Shift, shifted

__all__ = ["LineShapes", "compton_hump", "line_shapes"]

Array = npt.NDArray[np.float64]

SOFT_SCATTER_KEV = 5.0
"""Rayleigh peaks below have neither escape peak nor shelf: they hide in what is soft anyway."""

STEADY: Shift = (1.0, 1.0, 0.0)
LEAST_ESCAPE = 1e-6
LEAST_ENERGY_KEV = 0.3


@dataclass(frozen=True, eq=False)
class LineShapes:
    """Peaks of the lines of an emitter, each for one net count.

    Attributes
    ----------
    rows : ndarray, shape (m, channels in the window)
        Full-energy peak and escape peaks of each line.
    first : int
        First channel of the window.
    shelf : ndarray, shape (channels,)
        Shape of the shelf, summing to one; zeros where none is drawn.
    """

    rows: Array
    first: int
    shelf: Array

    def column(self, shares: Array, shelf_fraction: float) -> Array:
        """Spectrum for one net count with given shares of the lines.

        Parameters
        ----------
        shares : ndarray, shape (m,)
            Sum to one.
        shelf_fraction : float
            Share of all photons that end in the shelf.

        Returns
        -------
        ndarray, shape (channels,)
        """
        result = self.shelf * (shelf_fraction / (1 - shelf_fraction))
        result[self.first : self.first + self.rows.shape[1]] += shares @ self.rows
        return np.asarray(result)


@lru_cache(maxsize=512)  # about 60 kB each for L lines on 2048 channels
def line_shapes(
    emitter: Emitter,
    scale: EnergyScale,
    tail_fraction: float,
    tail_slope_kev: float,
    material: str,
    channels: int,
    shifts: tuple[Shift, ...] = (),
) -> LineShapes:
    """Peaks of an element's or of Rayleigh-scattered lines.

    Parameters
    ----------
    emitter : Emitter
        Its lines; kept results go by the object itself.
    scale : EnergyScale
        Where and how wide the peaks are.
    tail_fraction, tail_slope_kev : float
        Tail, see :class:`xrfmap.physics.lineshape.Response`.
    material : str
        Sensor, for the escape peaks.
    channels : int
        Length of a spectrum.
    shifts : tuple of Shift
        Scales that peaks are summed over; empty for `scale` alone.

    Returns
    -------
    LineShapes
        For one net count of each line. Not to be changed: others use it too.
    """
    rows = np.zeros((len(emitter.energies), channels))
    shelf = np.zeros(channels)
    response = Response(tail_fraction, tail_slope_kev)
    index, energies, counts, natural = _with_escape(emitter, material)
    for weight, gain, zero in shifts or (STEADY,):
        at = shifted(scale, gain, zero) if shifts else scale
        peak_rows(rows, at.edges(channels), index, energies, weight * counts, natural, at, response)
    if _complete(emitter):  # a shelf is flat: one at the mean scale is as good
        at = shifted(scale, *_mean(shifts)) if shifts else scale
        shelf = shelf_shape(at.edges(channels), emitter.main_energy, at)
    used = np.flatnonzero(rows.any(axis=0))
    if len(used) == 0:
        return LineShapes(rows[:, :0], 0, shelf)
    return LineShapes(rows[:, used[0] : used[-1] + 1].copy(), int(used[0]), shelf)


@lru_cache(maxsize=64)
def compton_hump(
    emitter: Emitter,
    scale: EnergyScale,
    tail_fraction: float,
    tail_slope_kev: float,
    channels: int,
    shift: float,
    fwhm_kev: float,
    cover: float,
    shifts: tuple[Shift, ...] = (),
) -> Array:
    """Hump of Compton-scattered tube lines for one net count, shape (channels,).

    Parameters
    ----------
    emitter, scale, tail_fraction, tail_slope_kev, channels, shifts
        As for :func:`line_shapes`.
    shift : float
        Factor on the Compton energy loss.
    fwhm_kev : float
        Broadening beyond the detector. [keV]
    cover : float
        Optical depth before the hump.
    """
    origin = emitter.energies if emitter.origin is None else emitter.origin
    energies = origin - shift * (origin - emitter.energies)
    shares = emitter.shares(cover)
    index, none = np.zeros(len(energies), dtype=np.int64), np.zeros(len(energies))
    rows = np.zeros((1, channels))
    response = Response(tail_fraction, tail_slope_kev)
    for weight, gain, zero in shifts or (STEADY,):
        at = shifted(scale, gain, zero) if shifts else scale
        peak_rows(
            rows, at.edges(channels), index, energies, weight * shares, none, at, response,
            extra_fwhm_kev=fwhm_kev,
        )  # fmt: skip
    return np.asarray(rows[0])


def _complete(emitter: Emitter) -> bool:
    """Whether shelf and escape are drawn."""
    return emitter.kind != "rayleigh" or emitter.main_energy >= SOFT_SCATTER_KEV


def _mean(shifts: tuple[Shift, ...]) -> tuple[float, float]:
    """Mean factor on the gain and shift of the zero."""
    return sum(w * g for w, g, _ in shifts), sum(w * z for w, _, z in shifts)


def _with_escape(
    emitter: Emitter, material: str
) -> tuple[npt.NDArray[np.int64], Array, Array, Array]:
    """Line, energy [keV], counts and natural width [keV] of every peak of an emitter."""
    size = len(emitter.energies)
    natural = np.zeros(size) if emitter.natural is None else emitter.natural
    index = np.arange(size)
    if not _complete(emitter):
        return index, emitter.energies, np.ones(size), natural
    share, at = _escapes(emitter, material)
    seen = (share > LEAST_ESCAPE) & (at > LEAST_ENERGY_KEV)
    counts = share / (1 - share.sum(axis=0))
    which = np.broadcast_to(index, share.shape)[seen]
    return (
        np.concatenate([index, which]),
        np.concatenate([emitter.energies, at[seen]]),
        np.concatenate([np.ones(size), counts[seen]]),
        np.concatenate([natural, np.zeros(len(which))]),
    )


@lru_cache(maxsize=512)
def _escapes(emitter: Emitter, material: str) -> tuple[Array, Array]:
    return escape_lines(emitter.energies, material)
