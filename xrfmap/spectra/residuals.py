"""What the model leaves on a summed spectrum, line by line, and whether that is little enough.

A line with many counts shows every flaw of energies, widths and tails. The aim is less than
3 % of the local counts at every line with more than 1e5 counts; where it is missed, the
report says so.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.cautions import by_place, listed
from xrfmap.numbers import signed, whole
from xrfmap.physics.atomic import spelled
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.sum_fit import SumFit, merge
from xrfmap.spectra.templates import SpectrumModel

__all__ = [
    "LIMIT",
    "MANY",
    "LineResidual",
    "line_residuals",
    "residual_attrs",
    "residual_caution",
    "residual_words",
    "residuals_together",
    "too_large",
]

Array = npt.NDArray[np.float64]

LIMIT = 0.03
"""Largest residual, as a share of the local counts, that is called good."""

AIM = f"{100 * LIMIT:.0f} % of the local counts"
BESIDE = "weak elements beside these lines are less sure than elsewhere"

MANY = 1e5
"""Net counts from which a line is looked at: 0.3 % counting error. [counts]"""

SURE = 3.0
"""Standard errors by which a residual must exceed counting noise to count as structure."""


@dataclass(frozen=True)
class LineResidual:
    """What is left at one line.

    Attributes
    ----------
    line : str
        ``"Fe Kα1"`` and the like, with those that the detector does not part from it.
    energy_kev : float
        Its energy. [keV]
    net_counts : float
        Counts of the lines together. [counts]
    residual : float
        Largest signed difference between counts and fit within a peak width on either side
        of the line, over the local fit; counting noise of three standard errors taken off.
    """

    line: str
    energy_kev: float
    net_counts: float
    residual: float


def line_residuals(model: SpectrumModel, fit: SumFit) -> list[LineResidual]:
    """Look at every line with more than :data:`MANY` net counts.

    Parameters
    ----------
    model : SpectrumModel
        Refined shapes.
    fit : SumFit
        Fit of the summed spectrum with them.

    Returns
    -------
    list of LineResidual
        By energy. Scattered lines of the tube are among them.

    Notes
    -----
    Bins are a third of a peak width, so that a shift or a wrong width shows; the local
    counts are those of the fit in the bin, continuum and neighbours included. Bins left out
    of the fit are not looked at, nor lines that lie in such bins only.
    """
    centres = merge(model.scale.energy(np.arange(model.channels)), fit.edges) / np.diff(fit.edges)
    noise = np.sqrt(np.maximum(fit.fitted, 1.0))
    off = fit.counts - fit.fitted
    structure = np.sign(off) * np.maximum(np.abs(off) - SURE * noise, 0.0)
    relative = structure / np.maximum(fit.fitted, 1.0)
    found = []
    for emitter, amplitude in zip(model.emitters, fit.amplitude, strict=False):
        if amplitude < MANY or emitter.kind == "compton":
            continue
        for name, at, counts in _lines(emitter, model, float(amplitude)):
            near = (np.abs(centres - at) <= float(model.scale.fwhm(at))) & fit.used
            if counts < MANY or not near.any():
                continue
            part = relative[near]
            worst = float(part[np.argmax(np.abs(part))])
            found.append(LineResidual(name, at, counts, worst))
    return sorted(found, key=lambda one: one.energy_kev)


def _lines(
    emitter: Emitter, model: SpectrumModel, amplitude: float
) -> list[tuple[str, float, float]]:
    """Lines that the detector parts: name, energy [keV], counts."""
    shares = model.shares(emitter)
    order = np.argsort(emitter.energies)
    width = float(model.scale.fwhm(emitter.main_energy))
    cuts = np.flatnonzero(np.diff(emitter.energies[order]) > width) + 1
    result = []
    for group in np.split(order, cuts):
        strongest = group[np.argmax(shares[group])]
        name = spelled(f"{emitter.element} {emitter.lines[strongest]}")
        if emitter.kind == "rayleigh":
            name += " (scattered)"
        counts = amplitude * float(shares[group].sum())
        result.append((name, float(emitter.energies[strongest]), counts))
    return result


def too_large(residuals: Sequence[LineResidual]) -> list[LineResidual]:
    """Those above :data:`LIMIT`, the largest first."""
    bad = [one for one in residuals if abs(one.residual) > LIMIT]
    return sorted(bad, key=lambda one: -abs(one.residual))


def residual_attrs(model: SpectrumModel, fit: SumFit) -> dict[str, object]:
    """Attributes of a fitted spectrum: `residuals` in words, `residuals_within` 1 or 0.

    `residuals_missed` holds the lines above :data:`LIMIT` as JSON.
    """
    found = line_residuals(model, fit)
    missed = too_large(found)
    return {
        "residuals": residual_words(found),
        "residuals_within": int(not missed),
        "residuals_missed": json.dumps([asdict(one) for one in missed]),
    }


def residual_caution(attrs: Mapping[Any, Any]) -> list[str]:
    """Give the words of :func:`residual_attrs` where the aim was missed, else nothing."""
    return [] if int(attrs.get("residuals_within", 1)) else [str(attrs["residuals"])]


def residuals_together(places: Sequence[tuple[str, str]]) -> str:
    """One caution on all spectra whose fit misses the aim.

    Parameters
    ----------
    places : sequence of (str, str)
        Name of each spectrum, and its `residuals_missed`.

    Returns
    -------
    str
        Of a single spectrum in the words of :func:`residual_words`; of several with the
        lines, and in which of the spectra.
    """
    missed = {name: [LineResidual(**one) for one in json.loads(text)] for name, text in places}
    if len(missed) == 1:
        return "".join(f"{name}: {residual_words(bad)}" for name, bad in missed.items())
    marks = {
        name: {f"{one.line} at {one.energy_kev:.2f} keV": 100 * one.residual for one in bad}
        for name, bad in missed.items()
    }
    return (
        f"{listed(missed)}: the fits of the summed spectra miss the counts by more than {AIM} at "
        f"{by_place(marks, _span)}: {BESIDE}"
    )


def _span(line: str, low: float, high: float) -> str:
    one, other = signed(low), signed(high)
    return f"{line} ({one} %)" if one == other else f"{line} ({one} to {other} %)"


def residual_words(residuals: Sequence[LineResidual]) -> str:
    """One sentence on how well the summed spectrum is described at its strong lines."""
    if not residuals:
        return f"no line of the summed spectrum has more than {whole(MANY)} net counts"
    bad = too_large(residuals)
    if not bad:
        return (
            f"residuals of the summed spectrum stay below {AIM} at all {len(residuals)} lines "
            f"with more than {whole(MANY)} counts"
        )
    where = ", ".join(
        f"{one.line} at {one.energy_kev:.2f} keV ({signed(100 * one.residual)} %)"
        for one in bad[:8]
    )
    more = f" and {len(bad) - 8} more" if len(bad) > 8 else ""
    return (
        f"the fit of the summed spectrum misses the counts by more than {AIM} at {where}{more}: "
        f"{BESIDE}"
    )
