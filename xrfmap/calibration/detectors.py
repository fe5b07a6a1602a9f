"""Scans of several detectors: each on its own energy scale, then added up."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import xarray as xr

from xrfmap.calibration.scale_choice import scale_attrs, scale_or_stated, with_scale
from xrfmap.io import open_detectors
from xrfmap.io.combine import sum_detectors
from xrfmap.settings import Instrument, ScanEntry

__all__ = ["open_each"]

Scales = list[dict[str, Any]]


def open_each(
    path: Path,
    entry: ScanEntry | None = None,
    instrument: Instrument | None = None,
    *,
    remembered: Callable[[Callable[[], Scales]], Scales] = lambda find: find(),
) -> xr.Dataset:
    """Open a scan, find the energy scale of each detector, and add them up.

    Parameters
    ----------
    path, entry, instrument
        See :func:`xrfmap.io.open_scan`.
    remembered : callable
        Is given what finds the scales, and may give back those of an earlier run.

    Returns
    -------
    Dataset
        On the scale of the first detector, see :func:`xrfmap.io.combine.sum_detectors`; the
        scan itself where there is one detector only.

    Raises
    ------
    InputError
        If the file cannot be used.
    CalibrationError
        If a detector gives no energy scale and the file states none.
    """
    scans = open_detectors(path, entry, instrument)
    if len(scans) == 1:
        return scans[0]
    scales = remembered(lambda: [scale_attrs(scale_or_stated(scan)) for scan in scans])
    return sum_detectors(
        [with_scale(scan, dict(held)) for scan, held in zip(scans, scales, strict=True)]
    )
