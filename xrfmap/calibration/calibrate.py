"""Energy scale and peak width from the data themselves, without starting values.

The search lists scales that put peaks on known lines (`scale_search`), each is judged on the whole
spectrum (`scale_model`), the best is refined and its lines compared (`scale_refine`). A scale is
accepted only if it explains the spectrum, if no other scale explains it nearly as well, and if the
lines agree with each other; else the spectrum is refused with the reason, since a wrong scale makes
every later result wrong.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.calibration.drift import track_gain
from xrfmap.calibration.line_catalogue import catalogue
from xrfmap.calibration.scale_model import Judgement, judge
from xrfmap.calibration.scale_refine import LineShift, Refined, refine
from xrfmap.calibration.scale_search import PeakMap, candidates, map_peaks
from xrfmap.calibration.scale_templates import Merged, Templates, merge
from xrfmap.errors import CalibrationError
from xrfmap.numbers import signed, whole
from xrfmap.physics.atomic import spelled
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.running.one_thread import in_one_thread
from xrfmap.scan import instrument_of
from xrfmap.settings import Instrument
from xrfmap.spectra.faults import full_count
from xrfmap.spectra.row_scales import with_drift
from xrfmap.spectra.sums import sum_spectra

__all__ = ["Calibration", "calibrate", "calibrate_spectrum", "sum_spectra"]

Array = npt.NDArray[np.float64]

GAIN_RANGE_KEV = (0.005, 0.040)  # what the search is built and tested for
ZERO_RANGE_KEV = 0.200
RANGE_SLACK = 1.05
COUNTS_MIN = 3000  # fewer show no more than two or three lines
PEAKS_MIN = 3
CANDIDATES = 14
WORTH_JUDGING = 0.7  # of the best score of the search; the right scale stays above 0.8
FIRST_STEPS, LAST_STEPS, FINALISTS = 2, 8, 4
SAME_GAIN, SAME_KEV, REFERENCE_KEV = 0.004, 0.02, 6.4
LEAD_MIN = 20.0  # log-likelihood before the runner-up
SHARE_SURE, LEAD_SURE = 0.65, 0.06
SHARE_MIN, LEAD_CLEAR = 0.50, 0.15
"""Part of the structure that must be explained, and lead over the runner-up relative to what is
explained. In 600 simulated spectra right scales explain 0.51 or more, 99 % of them 0.66 or more;
with the right scale withheld the best wrong one explains 0.3 to 0.65, few up to 0.8."""
LINES_MIN, GOOD_LINE_KEV = 3, 0.004
SPREAD_MAX_KEV = 0.004  # weighted; right scales stay below 0.0035, most wrong ones do not
LOST_MAX = 0.35  # share of the counts of clean lines in lines that are off the scale
GAIN_ERR_MAX, ENERGY_ERR_MAX = 0.001, 0.005  # relative; keV at Fe K-alpha: half the aim
BEYOND_TUBE = 0.005  # share of counts above the tube voltage, by pile-up


@dataclass(frozen=True)
class Calibration:
    """An accepted energy scale.

    Attributes
    ----------
    scale : EnergyScale
        With standard errors.
    lines : tuple of LineShift
        Clean lines with their distance from the scale.
    anode : str
        The anode whose scatter is seen; empty if none is.
    share : float
        Part of the structure of the spectrum that known lines explain.
    because : str
        The grounds in plain words.
    """

    scale: EnergyScale
    lines: tuple[LineShift, ...]
    anode: str
    share: float
    because: str


@lru_cache(maxsize=16)
def _templates(instrument: Instrument) -> Templates:
    return Templates.of(catalogue(instrument), instrument.detector.material)


def _alike(a: EnergyScale, b: EnergyScale) -> bool:
    """Whether two scales are the same result, before and after refinement."""
    at = a.channel(REFERENCE_KEV)
    return bool(
        abs(a.kev_per_channel / b.kev_per_channel - 1) < SAME_GAIN
        and abs(float(b.energy(at)) - REFERENCE_KEV) < SAME_KEV
    )


def _possible(scale: EnergyScale, data: Merged, kv: float | None) -> bool:
    """Whether gain, zero and the end of the spectrum are such as an instrument can have."""
    low, high = GAIN_RANGE_KEV
    inside = low / RANGE_SLACK < scale.kev_per_channel < high * RANGE_SLACK
    inside &= abs(scale.zero_kev) < ZERO_RANGE_KEV * RANGE_SLACK
    if kv is not None:
        above = scale.energy(data.edge[:-1]) > kv + 2 * float(scale.fwhm(kv))
        inside &= bool(data.counts[above].sum() <= BEYOND_TUBE * data.counts.sum())
    return bool(inside)


def _rank(found: PeakMap, data: Merged, templates: Templates, kv: float | None) -> list[Judgement]:
    """Different scales by what they explain, best first."""
    listed = candidates(found, templates.families, CANDIDATES)
    if not listed:
        return []
    worth = [c for c in listed if c.score > WORTH_JUDGING * listed[0].score]
    starts = [EnergyScale(c.zero, c.gain, found.noise_guess) for c in worth]
    first = [judge(data, templates, start, FIRST_STEPS) for start in starts]
    first = sorted((j for j in first if _possible(j.scale, data, kv)), key=_worth, reverse=True)
    last = [judge(data, templates, j.scale, LAST_STEPS) for j in _distinct(first)[:FINALISTS]]
    last = [j for j in last if _possible(j.scale, data, kv)]
    return _distinct(sorted([*last, *first[FINALISTS:]], key=_worth, reverse=True))


def _worth(one: Judgement) -> float:
    return one.gain_in_loss


def _distinct(ranked: list[Judgement]) -> list[Judgement]:
    """Keep the best of each group of like scales."""
    result: list[Judgement] = []
    for one in ranked:
        if not any(_alike(one.scale, other.scale) for other in result):
            result.append(one)
    return result


def _words(scale: EnergyScale) -> str:
    zero = signed(scale.zero_kev * 1e3, 0)
    return f"{scale.kev_per_channel * 1e3:.3f} eV per channel, zero {zero} eV"


def _refuse(reason: str) -> CalibrationError:
    return CalibrationError(
        f"the energy scale cannot be found from the spectrum: {reason}; give it by hand as "
        "[instrument.energy_scale] with zero_kev and kev_per_channel in the study file"
    )


def calibrate_spectrum(counts: npt.ArrayLike, instrument: Instrument | None = None) -> Calibration:
    """Energy scale of one spectrum.

    Parameters
    ----------
    counts : array_like, shape (channel,)
        Counts, best a sum over many pixels. No NaN. [counts]
    instrument : Instrument, optional
        Anode and tube voltage narrow the search where they are known.

    Returns
    -------
    Calibration
        Scale with errors, the lines it rests on, and why it was accepted.

    Raises
    ------
    CalibrationError
        If there are too few lines, if two scales explain the spectrum about equally well, or
        if the lines disagree; the message says which.
    """
    spectrum = np.asarray(counts, dtype=np.float64)
    known = instrument or Instrument()
    found = _peaks_of(spectrum)
    templates = _templates(known)
    data = merge(spectrum, float(np.median(found.peaks.fwhm)))
    ranked = _rank(found, data, templates, known.tube_kv)
    if not ranked:
        raise _refuse("no gain from 5 to 40 eV per channel puts its peaks on known lines")
    best = ranked[0]
    _check_rank(ranked)
    refined = refine(spectrum, templates, best)
    _check_lines(refined, data, known.tube_kv)
    return Calibration(
        refined.scale, refined.shifts, best.anode, best.share, _because(refined, ranked)
    )


def _peaks_of(spectrum: Array) -> PeakMap:
    total = float(spectrum.sum())
    if total < COUNTS_MIN:
        raise _refuse(
            f"it holds {whole(total)} counts, and {whole(COUNTS_MIN)} are needed to show lines"
        )
    found = map_peaks(spectrum)
    number = 0 if found is None else len(found.peaks)
    if found is None or number < PEAKS_MIN:
        raise _refuse(f"it shows {number} peaks, and at least {PEAKS_MIN} are needed")
    return found


def _check_rank(ranked: list[Judgement]) -> None:
    best = ranked[0]
    if best.share < SHARE_MIN:
        raise _refuse(
            f"the best scale ({_words(best.scale)}) explains only {100 * max(best.share, 0):.0f} % "
            "of its peaks by lines of known elements"
        )
    if len(ranked) > 1:
        other = ranked[1]
        lead = best.gain_in_loss - other.gain_in_loss
        needed = LEAD_SURE if best.share >= SHARE_SURE else LEAD_CLEAR
        if lead < max(LEAD_MIN, needed * best.gain_in_loss):
            raise _refuse(
                f"two scales explain it about equally well: {_words(best.scale)} "
                f"({100 * best.share:.0f} % of the peaks), and {_words(other.scale)} "
                f"({100 * other.share:.0f} %)"
            )


def _check_lines(refined: Refined, data: Merged, kv: float | None) -> None:
    good = [s for s in refined.used if s.err_kev <= GOOD_LINE_KEV]
    if len(good) < LINES_MIN:
        names = ", ".join(spelled(s.label) for s in good) or "none"
        raise _refuse(
            f"only {len(good)} lines stand clear of others and are strong enough ({names}), and "
            f"{LINES_MIN} are needed"
        )
    off = [s for s in refined.shifts if not s.used]
    lost = sum(s.counts for s in off) / sum(s.counts for s in refined.shifts)
    if lost > LOST_MAX or refined.spread_kev > SPREAD_MAX_KEV:
        worst = max(refined.shifts, key=lambda s: abs(s.shift_kev) / np.hypot(s.err_kev, 0.001))
        raise _refuse(
            f"the lines do not fit one straight scale (they scatter by "
            f"{refined.spread_kev * 1e3:.1f} eV; {spelled(worst.label)} is off by "
            f"{signed(worst.shift_kev * 1e3, 0)} eV)"
        )
    _check_result(refined, data, kv)


def _check_result(refined: Refined, data: Merged, kv: float | None) -> None:
    scale = refined.scale
    if not _possible(scale, data, kv):
        raise _refuse(f"the scale found ({_words(scale)}) lies outside what is searched")
    relative = scale.kev_per_channel_err / scale.kev_per_channel
    at_iron = refined.energy_err(REFERENCE_KEV)
    if relative > GAIN_ERR_MAX or at_iron > ENERGY_ERR_MAX:
        raise _refuse(
            f"its lines lie too close together: the gain is known to {100 * relative:.2f} % and "
            f"the energy at Fe Kα to {at_iron * 1e3:.0f} eV only"
        )


def _because(refined: Refined, ranked: list[Judgement]) -> str:
    best, used = ranked[0], refined.used
    text = (
        f"{len(used)} lines from {spelled(used[0].label)} to {spelled(used[-1].label)} agree "
        f"within {refined.spread_kev * 1e3:.1f} eV; known lines explain "
        f"{100 * min(best.share, 1):.0f} % of the peaks"
    )
    left_out = [spelled(s.label) for s in refined.shifts if not s.used]
    if left_out:
        text += f"; left out as off the scale: {', '.join(left_out)}"
    if len(ranked) > 1:
        text += (
            f"; the next best scale ({_words(ranked[1].scale)}) explains "
            f"{100 * max(ranked[1].share, 0):.0f} %"
        )
    if best.anode:
        text += f"; scatter of a {best.anode} anode"
    return text


def _with_scale(
    data: xr.Dataset, scale: EnergyScale, because: str, lines: tuple[LineShift, ...]
) -> xr.Dataset:
    energy = scale.energy(np.arange(data.sizes["channel"]))
    result = data.assign_coords(energy=("channel", energy, {"units": "keV"}))
    listed = [asdict(line) for line in lines]
    return result.assign_attrs(
        {
            **scale.to_attrs(),
            "calibration_because": because,
            "calibration_lines": json.dumps(listed, ensure_ascii=False),
        }
    )


def _full_words(data: xr.Dataset, sums: xr.Dataset) -> str:
    """Say how many channels ran full, which may be why no scale was found; empty for none."""
    largest = sums["max_pixel_counts"].values
    full = full_count(data["counts"].dtype, largest)
    if full is None:
        return ""
    some = "" if data["counts"].ndim == 1 else "in some pixels "
    many = whole(int((largest >= full).sum()))
    return (
        f"{some}{many} of {whole(len(largest))} channels ran full at {whole(full)} counts, and a "
        "peak that ran full has no top: better measure again for a shorter time or with less "
        "current"
    )


@in_one_thread
def calibrate(data: xr.Dataset, instrument: Instrument | None = None) -> xr.Dataset:
    """Find the energy scale of a scan or point spectrum.

    Parameters
    ----------
    data : xarray.Dataset
        Scan or point spectrum; a lazy scan is summed block by block.
    instrument : Instrument, optional
        What is known of tube and detector; by default what the Dataset says. A scale given
        by hand in it is used as it stands.

    Returns
    -------
    xarray.Dataset
        The same with coordinate ``energy`` [keV] and attributes ``zero_kev``,
        ``kev_per_channel``, ``noise_kev``, ``fano``, each also with ``_err``,
        ``calibration_because`` (the grounds in plain words) and ``calibration_lines`` (JSON:
        label, energy, shift, error, counts and use of each clean line). A scan whose gain
        drifted from row to row also gets ``gain_factor(y)`` and ``zero_shift(y)`` [keV] and
        ``calibration_drift_because``, see :mod:`xrfmap.calibration.drift`; its peak width is that
        at rest. A scale given by hand is not followed.

    Raises
    ------
    CalibrationError
        If the data cannot give a scale that is beyond doubt.
    """
    known = instrument or instrument_of(data)
    if known.energy_scale is not None:
        scale = EnergyScale(**known.energy_scale.model_dump())
        return _with_scale(data, scale, "given by hand", ())
    sums = sum_spectra(data)
    try:
        found = calibrate_spectrum(sums["sum_counts"].values, known)
    except CalibrationError as bad:
        if not (full := _full_words(data, sums)):
            raise
        raise CalibrationError(f"{bad}; {full}") from bad
    result = _with_scale(data, found.scale, found.because, found.lines)
    if "y" not in data["counts"].dims:
        return result
    return with_drift(result, track_gain(result, instrument=known))
