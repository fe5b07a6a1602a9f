"""Spectra whose counters ran full in some channels, and sums of such: fitted without these.

A counter that stops at its largest number loses counts of the main lines only. What is left
of a family, other lines and the flanks of its peaks, still tells its amount, by line ratios
and peak shapes whose uncertainty then is part of the error.

Two things hang on the counts that were lost. Pile-up comes of the true rate of the clipped
lines, so its shape is taken from what the fit without these channels expects there. And a
channel that was not quite full by chance, beside others that were, would pull the peak down:
channels in which the fit expects to be nearly full are left out, too. So the fit is done twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import binary_dilation, label

from xrfmap.errors import InputError
from xrfmap.numbers import whole
from xrfmap.spectra.faults import full_count
from xrfmap.spectra.sum_fit import merge
from xrfmap.spectra.templates import merge_edges

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found
    from xrfmap.spectra.templates import SpectrumModel

__all__ = [
    "LEFT_OUT", "TRUSTED_SHARE", "FullChannels", "Tops", "check_left", "expected_counts",
    "fit_without_full", "full_runs",
]  # fmt: skip

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

TRUSTED_SHARE = 0.05
"""Share of a family's counts that must be left outside the full channels: the K-beta lines
are about a tenth of a K family. With less, the tail of a peak would decide."""

LEAST_BINS = 10
"""Bins, a third of a peak width each, that must be left for a fit: about three peaks."""

LEFT_OUT = "left_out"
"""Variable of a summed spectrum: channels in which its pixels ran full."""

FULL_SHARE = 0.005
"""Share of the counts of a channel of a sum, held by pixels that ran full, from which the peak that
ran full there is left out: had they counted twice as much, half a per cent would be missing."""

COUNTERS = 2.0 ** np.arange(7, 33) - 1
"""Largest numbers of counters, 7 to 32 bits wide;
:func:`xrfmap.spectra.faults.full_count` decides."""

NEARLY = 3.0
"""Standard deviations below a full counter from which a channel may have been full by chance."""


@dataclass(frozen=True, eq=False)
class FullChannels:
    """Channels of a spectrum that ran full.

    Attributes
    ----------
    channels : ndarray of bool, shape (channels,)
        Where.
    count : float or None
        At which count; None for a sum of spectra, each with a counter of its own. [counts]
    """

    channels: Mask
    count: float | None = None

    @classmethod
    def of(cls, spectrum: xr.Dataset) -> FullChannels | None:
        """Look for them in a spectrum.

        Parameters
        ----------
        spectrum : Dataset
            ``counts(channel)`` as stored [counts]; a sum over an area says by
            ``left_out(channel)`` where its pixels ran full, see
            :func:`xrfmap.areas.members.sum_areas`.

        Returns
        -------
        FullChannels or None
            None where no channel ran full.
        """
        if LEFT_OUT in spectrum:
            told = np.asarray(spectrum[LEFT_OUT].values, dtype=bool)
            return cls(told) if told.any() else None
        counts = np.asarray(spectrum["counts"].values)
        full = full_count(counts.dtype, counts)
        return None if full is None else cls(counts >= full, full)


@dataclass(frozen=True, eq=False)
class Tops:
    """Largest counts of some pixels, and how many pixels hold them.

    Attributes
    ----------
    largest : ndarray, shape (channels,)
        Largest count of any pixel. [counts]
    pixels : ndarray, shape (channels,)
        Pixels that hold it, where it may be that of a full counter; else 0.
    """

    largest: Array
    pixels: Array

    @classmethod
    def none(cls, channels: int) -> Tops:
        """Of no pixel."""
        return cls(np.zeros(channels), np.zeros(channels))

    @classmethod
    def of(cls, pixels: npt.NDArray[Any]) -> Tops:
        """Of pixels, shape (pixels, channels), one at the least."""
        largest = pixels.max(axis=0)
        number = np.zeros(len(largest))
        may = np.flatnonzero(np.isin(largest, COUNTERS))
        number[may] = (pixels[:, may] == largest[may]).sum(axis=0)
        return cls(np.asarray(largest, dtype=np.float64), number)

    def joined(self, other: Tops) -> Tops:
        """Of these and other pixels."""
        mine, theirs = self.largest >= other.largest, other.largest >= self.largest
        return Tops(
            np.maximum(self.largest, other.largest), mine * self.pixels + theirs * other.pixels
        )

    def full(self, dtype: np.dtype[Any], total: Array) -> Mask:
        """Channels of the sum that should not be fitted, since pixels ran full there.

        Parameters
        ----------
        dtype : dtype
            Of the counts of a pixel.
        total : ndarray, shape (channels,)
            Sum over the pixels. [counts]

        Returns
        -------
        ndarray of bool, shape (channels,)
            True in runs of neighbouring full channels, in one of which the pixels that ran
            full hold more than :data:`FULL_SHARE` of the sum.

        Notes
        -----
        A full pixel holds the same count in all channels of a run. Where its peak is highest
        it lost most, and yet the others add most there: its share of the sum is smallest, and
        tells nothing of what was lost. In the flanks, where it was only just full, it does.
        """
        full = full_count(dtype, self.largest)
        if full is None:
            return np.zeros(len(total), dtype=bool)
        held = (self.pixels * full)[None]
        return np.asarray(full_runs((self.largest >= full)[None], held, total[None])[0])


def full_runs(full: Mask, held: Array, total: Array) -> Mask:
    """Mark runs of full channels that sums should do without.

    Parameters
    ----------
    full : ndarray of bool, shape (sums, channels)
        Channels in which any pixel of the sum ran full.
    held : ndarray, shape (sums, channels)
        Counts of the pixels that ran full there. [counts]
    total : ndarray, shape (sums, channels)
        Counts of all pixels. [counts]

    Returns
    -------
    ndarray of bool, shape (sums, channels)
        The rule of :meth:`Tops.full`, for many sums at once.
    """
    along = np.array([[0, 0, 0], [1, 1, 1], [0, 0, 0]])  # neighbours within a sum only
    runs, number = label(full, along)
    much = np.zeros(number + 1, dtype=bool)
    much[runs[held > FULL_SHARE * total]] = True
    much[0] = False
    return np.asarray(much[runs])


def expected_counts(found: Found) -> Array:
    """Give the counts that a fit expects, shape (channels,); as measured outside its range."""
    edges = found.fit.edges
    expected = np.array(found.sum_counts, dtype=np.float64)
    inside = slice(int(edges[0]), int(edges[-1]))
    expected[inside] = (found.model.matrix() @ found.fit.amplitude)[inside]
    return expected


def fit_without_full(
    counts: Array,
    full: FullChannels | None,
    start: Callable[[Array], SpectrumModel],
    search: Callable[[SpectrumModel], Found],
    where: str = "spectrum",
) -> Found:
    """Fit a spectrum, without the channels that ran full if there are any.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Counts as measured. [counts]
    full : FullChannels or None
        Channels to leave out.
    start : callable
        Gives the model to start from, with the pile-up of the spectrum that it is told.
    search : callable
        Finds the elements from such a model.
    where : str
        Name of the spectrum in errors.

    Returns
    -------
    Found
        What `search` found. Without full channels it is asked once, with no word of them.

    Raises
    ------
    InputError
        If less than :data:`LEAST_BINS` bins of the fitted range are left.
    """
    if full is None:
        return search(start(counts))
    bare = replace(start(counts), left_out=full.channels)
    check_left(bare, full.channels, where)
    first = search(bare)
    expected = expected_counts(first)
    gone = full.channels
    if full.count is not None:
        scale = first.model.scale
        energy = scale.energy(np.flatnonzero(gone))
        width = int(np.ceil(float(np.max(scale.fwhm(energy))) / scale.kev_per_channel))
        nearly = expected > full.count - NEARLY * np.sqrt(full.count)
        gone = gone | (nearly & binary_dilation(gone, iterations=width))
        check_left(first.model, gone, where)
    whole = np.where(gone, np.maximum(expected, counts), counts)
    return search(replace(start(whole), left_out=gone))


def check_left(model: SpectrumModel, gone: Mask, where: str) -> None:
    """Refuse a spectrum of which the full channels leave next to nothing.

    Parameters
    ----------
    model : SpectrumModel
        Its range of energies and energy scale.
    gone : ndarray of bool, shape (channels,)
        Channels that are left out.
    where : str
        Name of the spectrum.

    Raises
    ------
    InputError
        If less than :data:`LEAST_BINS` bins of the fitted range are left.
    """
    edges = merge_edges(model.scale, model.energy_range, model.channels)
    left = int((merge(gone.astype(np.float64), edges) == 0).sum())
    if left >= LEAST_BINS:
        return
    low, high = model.energy_range
    inside = gone[edges[0] : edges[-1]]
    raise InputError(
        where, "counts",
        found=f"{whole(int(inside.sum()))} of {whole(len(inside))} channels between {low:.2f} and "
        f"{high:.1f} keV ran full",
        expected="channels that did not, enough for a fit",
        remedy="measure again for a shorter time or with less current",
    )  # fmt: skip
