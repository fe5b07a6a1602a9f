"""Curves of the spectrum figure, as plain numbers: per pixel, so that one and many compare."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.explore.reading import SumSpectrum
from xrfmap.report.marks import Mark, line_marks, spread
from xrfmap.report.style import component_ink

__all__ = ["Component", "Label", "components", "labels", "per_pixel", "residuals", "span_of"]

Array = npt.NDArray[np.float64]

TOGETHER = 4  # channels of a single pixel that are shown as one
CROWD = 16  # names of lines that can be read at a time
LEAST_SHARE = 1e-6
"""Components below this share of the counts are no line that an eye could find."""


@dataclass(frozen=True, eq=False)
class Component:
    """One component of a fit.

    Attributes
    ----------
    label : str
        ``"Pb L"``, ``"continuum"``.
    counts : ndarray, shape (channels,)
        Counts per pixel; NaN outside the fitted range.
    ink : str
        Colour.
    dash : tuple of float
        Dashes; empty for a full line.
    """

    label: str
    counts: Array
    ink: str
    dash: tuple[float, ...]


@dataclass(frozen=True)
class Label:
    """Name of a line over the spectrum: where it stands, and where the line is, in keV."""

    text: str
    place: float
    energy: float
    ink: str


def per_pixel(spectrum: SumSpectrum) -> Array:
    """Mean counts per pixel and channel, shape (channels,).

    A single pixel has so few counts that an eye sees its zeros only: four channels, a
    third of a peak width at usual scales, are shown as their mean.
    """
    counts = spectrum.counts
    if spectrum.pixels > 1:
        return counts / spectrum.pixels
    starts = np.arange(0, len(counts), TOGETHER)
    sizes = np.diff([*starts, len(counts)])
    return np.repeat(np.add.reduceat(counts, starts) / sizes, sizes)


def components(spectra: xr.Dataset, pixels: int) -> list[Component]:
    """Components that hold counts, the largest first, scattered and smooth ones last.

    Parameters
    ----------
    spectra : Dataset
        Of an :class:`~xrfmap.explore.fits.AreaFit`.
    pixels : int
        Pixels of the sum.
    """
    values = np.asarray(spectra["component_counts"].values, dtype=np.float64)
    sums: dict[str, Array] = {}
    for name, counts in zip(spectra["component"].values, values, strict=True):
        joined = _joined(str(name))
        sums[joined] = sums[joined] + counts if joined in sums else counts
    size = {name: float(np.nansum(counts)) for name, counts in sums.items()}
    all_counts = max(sum(size.values()), 1.0)
    kept = [name for name in sums if size[name] > LEAST_SHARE * all_counts]
    kept.sort(key=lambda name: (_is_background(name), -size[name]))
    found = []
    for rank, name in enumerate(kept):
        ink, dash = component_ink(rank)
        found.append(Component(name, sums[name] / max(pixels, 1), ink, dash))
    return found


def _joined(name: str) -> str:
    """Name under which a component is shown: the tube's many scatter peaks are one thing."""
    return "tube scatter" if "Rayleigh" in name or "Compton" in name else name


def _is_background(name: str) -> bool:
    symbol, _, family = name.partition(" ")
    return not (len(symbol) <= 2 and family in {"K", "L", "M"})


def residuals(spectra: xr.Dataset) -> Array:
    """Measured less fitted counts in standard deviations, shape (channels,).

    Poisson deviations with the model error that the fit granted; NaN outside the range and
    in channels that the fit left out.
    """
    counts, model = (
        np.asarray(spectra[name].values, dtype=np.float64) for name in ("sum_counts", "model")
    )
    granted = np.nan_to_num(np.asarray(spectra["model_error"].values)) * np.nan_to_num(model)
    sigma = np.sqrt(np.maximum(model, 1.0) + granted**2)
    found = np.asarray((counts - model) / sigma)
    if "left_out" in spectra:
        found[spectra["left_out"].values.astype(bool)] = np.nan
    return found


def labels(
    shown: Sequence[Component], low_kev: float, high_kev: float, gap_kev: float
) -> list[Label]:
    """Name the leading lines of the families shown, kept apart.

    Parameters
    ----------
    shown : sequence of Component
        Components of the figure.
    low_kev, high_kev : float
        Visible range.
    gap_kev : float
        Least distance between two names.
    """
    inks = {component.label: component.ink for component in shown}
    inside = [mark for mark in line_marks(inks) if low_kev < mark.energy_kev < high_kev]
    marks: list[Mark] = [mark for mark in inside if mark.order < 2]
    if len(marks) > CROWD:  # closer up there is room for the second lines again
        marks = [mark for mark in inside if mark.order == 0]
    if not marks:
        return []
    places = spread([m.energy_kev for m in marks], gap_kev, low_kev + gap_kev, high_kev - gap_kev)
    return [
        Label(mark.label, place, mark.energy_kev, inks[mark.family])
        for mark, place in zip(marks, places, strict=True)
    ]


def span_of(
    curves: Sequence[Array], pixels: int, inside: npt.NDArray[np.bool_]
) -> tuple[float, float]:
    """Choose the ends of a logarithmic axis: below one count in the sum to above all peaks."""
    tops = [float(np.nanmax(curve[inside])) for curve in curves if curve[inside].size]
    top = max([t for t in tops if np.isfinite(t)] + [1e-9])
    bottom = max(0.4 / max(pixels, 1), top * 1e-5)
    return min(bottom, top / 10), top * 3.2
