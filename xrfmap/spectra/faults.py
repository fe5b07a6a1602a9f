"""Pixels that were not measured properly: found from their totals, masked, and told in words.

What is masked here has no value in the maps (NaN, not `fit_ok`); what is only doubtful is
said. Nothing is left out in silence: `pixel_state` of the maps holds the reason for each
pixel, and :func:`fault_words` gives the list for people.
"""

from __future__ import annotations

from itertools import groupby
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import median_filter

from xrfmap.numbers import whole

__all__ = [
    "EMPTY",
    "FITTED",
    "FULL",
    "MASKED",
    "STATES",
    "UNSETTLED",
    "fault_words",
    "full_count",
    "pixel_states",
    "row_list",
]

STATES = (
    "fitted",
    "no counts",
    "counts break off against the neighbours",
    "row repeats the one before, count for count",
    "full channels left out of the fit",
    "fit not converged",
)
"""Meaning of each value of `pixel_state`."""

FITTED, EMPTY, BROKEN, REPEATED, FULL, UNSETTLED = range(len(STATES))
MASKED = (EMPTY, BROKEN, REPEATED)
"""States of pixels that get no value."""

BREAK = 0.01
"""Share of the neighbours' counts below which a pixel was not measured: even where a light
paint lies beside a heavy one, scatter leaves far more."""

BREAK_COUNTS = 500.0  # fewer neighbours' counts: an almost empty pixel may be chance
AROUND = (7, 5)  # rows, columns: three dropped rows in a run still stand out
REPEAT_PIXELS = 8  # equal totals of so many pixels do not come by chance
REPEAT_COUNTS = 50.0
PLATEAU = 3  # channels with the same largest count, for a counter of unknown width
HIGH_DEAD_TIME = 0.3  # above, the live time itself becomes doubtful; common practice


def pixel_states(total: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """Say what is wrong with each pixel, as far as total counts tell it.

    Parameters
    ----------
    total : array_like, shape (y, x)
        Counts of each pixel, all channels. [counts]

    Returns
    -------
    ndarray of uint8, shape (y, x)
        Index into :data:`STATES`.

    Notes
    -----
    A pixel breaks off where it holds less than a hundredth of the median of the pixels
    around it. A row repeats the one before where all its totals are equal: eight pixels of
    50 counts agree by chance once in ``(4 pi 50)^(8/2)``, 1.6e11 times.
    """
    counts = np.asarray(total, dtype=np.float64)
    state = np.full(counts.shape, FITTED, np.uint8)
    typical = median_filter(counts, size=AROUND, mode="nearest")
    state[(counts < BREAK * typical) & (typical > BREAK_COUNTS)] = BROKEN
    if counts.shape[1] >= REPEAT_PIXELS:
        same = (counts[1:] == counts[:-1]).all(axis=1)
        same &= counts[1:].mean(axis=1) >= REPEAT_COUNTS
        state[1:][same] = REPEATED
    state[counts == 0] = EMPTY
    return state


def full_count(dtype: np.dtype[Any], largest: npt.ArrayLike) -> float | None:
    """Count at which the channels of a scan ran full.

    Parameters
    ----------
    dtype : dtype
        Of the counts as stored.
    largest : array_like, shape (channels,)
        Largest count of any pixel, per channel. [counts]

    Returns
    -------
    float or None
        The largest number of a type of up to 16 bits where it is reached; or a largest
        count of 2^k - 1 (k = 8 to 32) that several channels share, as a counter of that
        width leaves it. None where no channel ran full. [counts]
    """
    most = np.asarray(largest, dtype=np.float64)
    top = float(most.max(initial=0.0))
    if dtype.kind in "iu" and dtype.itemsize <= 2 and top == np.iinfo(dtype).max:
        return top
    widths = [2.0**k - 1 for k in range(8, 33)]
    return top if top in widths and int((most == top).sum()) >= PLATEAU else None


def row_list(rows: npt.ArrayLike) -> str:
    """Write row numbers shortly: ``"3–5, 9"``; after eight runs only how many more."""
    numbers = [int(r) for r in np.asarray(rows)]
    runs = []
    for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
        part = [value for _, value in run]
        runs.append(f"{part[0]}–{part[-1]}" if len(part) > 1 else f"{part[0]}")
    more = f" and {len(runs) - 8} more runs" if len(runs) > 8 else ""
    return ", ".join(runs[:8]) + more


def fault_words(maps: xr.Dataset, scan: xr.Dataset | None = None) -> list[str]:
    """List the faults of a scan in plain words; empty where there is none.

    Parameters
    ----------
    maps : Dataset
        From :func:`xrfmap.map_elements`: `pixel_state`, and `beam` where it wavered.
    scan : Dataset, optional
        The scan itself, for its times and the drift of its gain.

    Returns
    -------
    list of str
        One sentence a fault; rows are counted from 0.
    """
    words: list[str] = []
    if "pixel_state" in maps:
        words += _state_words(np.asarray(maps["pixel_state"].values))
    because = maps.attrs.get("calibration_drift_because")
    if because:
        words.append(
            f"the energy scale moved during the scan and is followed in the fit: {because}"
        )
    if "beam" in maps:
        words.append(str(maps["beam"].attrs["because"]))
    return words + (_time_words(scan) if scan is not None else [])


def _state_words(state: npt.NDArray[np.uint8]) -> list[str]:
    words = []
    for value in MASKED:
        bad = state == value
        if not bad.any():
            continue
        rows = np.flatnonzero(bad.all(axis=1))
        single = int(bad.sum()) - len(rows) * state.shape[1]
        parts = []
        if len(rows):
            parts.append(f"{'rows' if len(rows) > 1 else 'row'} {row_list(rows)}")
        if single:
            parts.append(f"{whole(single)} single pixels")
        words.append(f"{' and '.join(parts)} masked: {STATES[value]}")
    full, unsettled = int((state == FULL).sum()), int((state == UNSETTLED).sum())
    if full:
        words.append(
            f"{whole(full)} pixels hold channels that ran full: these channels are left out there, "
            "so that net counts rest on the other lines of a family, and families without others "
            "have no value"
        )
    if unsettled:
        words.append(f"{whole(unsettled)} pixels masked: {STATES[UNSETTLED]}")
    return words


def _time_words(scan: xr.Dataset) -> list[str]:
    live = np.asarray(scan["live_time"].values, dtype=np.float64)
    words = []
    unknown = int((~(live > 0)).sum())
    if 0 < unknown < live.size:
        words.append(
            f"{whole(unknown)} of {whole(live.size)} pixels have no live time: no rate there"
        )
    if "real_time" not in scan:
        return words
    real = np.asarray(scan["real_time"].values, dtype=np.float64)
    known = (live > 0) & (real > 0)
    if not known.any():
        return words
    dead = 1 - live[known] / real[known]
    if dead.min() < -1e-6:
        words.append(
            f"{whole(int((dead < -1e-6).sum()))} pixels state more live time than real time: one "
            "of the two is wrong, and rates with it"
        )
    if dead.max() > HIGH_DEAD_TIME:
        words.append(
            f"{whole(int((dead > HIGH_DEAD_TIME).sum()))} pixels with dead time above "
            f"{100 * HIGH_DEAD_TIME:.0f} %, up to {100 * dead.max():.0f} %: their live times may "
            "be inexact, and pile-up is strong"
        )
    return words
