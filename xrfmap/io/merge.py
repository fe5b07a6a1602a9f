"""Facts from a file and from the study file, brought together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text
from xrfmap.numbers import whole
from xrfmap.settings import Instrument, ScanEntry

__all__ = ["grid", "merge_instrument", "merge_live_time"]

# a nominal value and a read-back of the same thing differ by up to this share;
# common practice, no source
SAME = 0.02


def _contradiction(where: str, field: str, file_says: Any, study_says: Any) -> InputError:
    return InputError(
        where,
        field,
        found=f"{clean_text(file_says)} in the file and {clean_text(study_says)} in the study file",
        expected="one value",
        remedy=f"take {field} out of the study file, or correct the one that is wrong",
    )


def merge_instrument(
    facts: Mapping[str, Any],
    detector: Mapping[str, Any],
    said: Instrument | None,
    where: str,
) -> Instrument:
    """Instrument from the facts of a file and of the study; the file goes first.

    Parameters
    ----------
    facts, detector : mapping
        Fields of ``Instrument`` and of its ``Detector`` that the file states.
    said : Instrument or None
        What the study file says; only what was set there counts.
    where : str
        File, for messages.

    Returns
    -------
    Instrument
        Only what either says is set.

    Raises
    ------
    InputError
        If both state a value and differ (numbers by more than 2 %), or the file states
        an impossible value.
    """
    given = {} if said is None else said.model_dump(exclude_unset=True)
    given_detector = given.pop("detector", {})
    merged = _merge(facts, given, where, "")
    merged_detector = _merge(detector, given_detector, where, "detector.")
    if merged_detector:
        merged["detector"] = merged_detector
    try:
        return Instrument.model_validate(merged)
    except ValidationError as err:
        first = err.errors()[0]
        raise InputError(
            where,
            ".".join(str(p) for p in first["loc"]),
            found=clean_text(first["input"]),
            expected=clean_text(first["msg"]),
            remedy="correct the file, or the instrument section of the study file",
        ) from err


def _merge(
    file_says: Mapping[str, Any], study_says: Mapping[str, Any], where: str, prefix: str
) -> dict[str, Any]:
    for key in file_says.keys() & study_says.keys():
        a, b = file_says[key], study_says[key]
        same = a == b
        if isinstance(a, float | int) and isinstance(b, float | int):
            same = abs(a - b) <= SAME * max(abs(a), abs(b))
        if not same:
            raise _contradiction(where, prefix + key, a, b)
    return {**study_says, **file_says}


def merge_live_time(
    stored: npt.NDArray[np.float64] | None, given_s: float | None, where: str
) -> tuple[npt.NDArray[np.float64] | float | None, list[str]]:
    """Live time of the file, with unknown pixels filled from the study file.

    Parameters
    ----------
    stored : ndarray or None
        Live time in the file; NaN where unknown. [s]
    given_s : float or None
        Live time in the study file. [s]
    where : str
        File, for messages.

    Returns
    -------
    ndarray, float or None
        ``None`` if neither says anything. [s]
    list of str
        How many pixels were filled.

    Raises
    ------
    InputError
        If both are known and the study differs from the median of the file by more
        than 2 %.
    """
    if stored is None or given_s is None:
        return (stored if given_s is None else given_s), []
    known = stored[np.isfinite(stored)]
    if known.size:
        middle = float(np.median(known))
        if abs(middle - given_s) > SAME * max(middle, given_s):
            raise _contradiction(where, "live_time_s", f"{middle:g} s", f"{given_s:g} s")
    unknown = np.isnan(stored)
    notes = []
    if unknown.any():
        notes.append(f"live time of {whole(int(unknown.sum()))} pixels is from the study file")
    return np.where(unknown, given_s, stored), notes


def grid(
    y: npt.NDArray[np.float64] | None,
    x: npt.NDArray[np.float64] | None,
    shape: tuple[int, int],
    entry: ScanEntry | None,
    where: str,
) -> tuple[npt.NDArray[np.float64] | None, npt.NDArray[np.float64] | None]:
    """Positions from the file, or from the pixel size and origin in the study file.

    Parameters
    ----------
    y, x : ndarray or None
        Positions in the file. [mm]
    shape : tuple of int
        Pixels along y and x.
    entry : ScanEntry or None
        What the study file says of the scan.
    where : str
        File, for messages.

    Returns
    -------
    tuple of (ndarray or None)
        Positions y and x, both or neither. An origin in the study file moves the
        positions of the file (the zero of a stage is arbitrary). [mm]

    Raises
    ------
    InputError
        If pixel sizes are zero or differ by more than 2 %.
    """
    size = None if entry is None else entry.pixel_mm
    origin = None if entry is None else entry.origin_mm
    result: list[npt.NDArray[np.float64] | None] = []
    for name, values, n, i in (("y", y, shape[0], 1), ("x", x, shape[1], 0)):
        if size is not None and size[i] == 0:
            raise InputError(
                where,
                "pixel_mm",
                found="0",
                expected="a pixel size other than 0 mm",
                remedy="correct pixel_mm in the study file",
            )
        if values is None and size is not None:
            values = np.arange(n, dtype=np.float64) * size[i]
        elif values is not None and size is not None and n > 1:
            step = float(values[-1] - values[0]) / (n - 1)
            if abs(step - size[i]) > SAME * abs(step):
                raise _contradiction(where, f"pixel_mm ({name})", f"{step:g} mm", f"{size[i]:g} mm")
        if values is not None and origin is not None:
            values = np.asarray(values - values[0] + origin[i], dtype=np.float64)
        result.append(values)
    if result[0] is None or result[1] is None:
        return None, None
    return result[0], result[1]
