"""A beam that wavers: strength per pixel from a monitor, or per row from the scatter.

Counts are left as they are, since they are Poisson and every error and limit rests on
that. What is divided is the exposure: a rate is net counts over live time times the
relative strength of the beam, see :func:`rates`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import median_filter

from xrfmap.spectra.faults import row_list

__all__ = ["beam_of", "exposure", "rates", "row_beam"]

Array = npt.NDArray[np.float64]

GROUPS = 16
"""Parts of a row that are compared each with itself above and below: paint that changes
moves some of them, the beam all."""

REACH = 7
"""Rows whose median is the measure: longer swells cannot be told from the paint."""

SEEN = 3.0  # standard errors of the scatter
SURE = 5.0  # standard errors of all counts, and
LEAST = 0.01  # of the strength: below, nothing is gained
ALIKE = 0.3
"""Scatter and fluorescence must tell of the same change within this share of it."""


def row_beam(scatter: npt.ArrayLike, total: npt.ArrayLike, live: npt.ArrayLike) -> Array:
    """Strength of the beam in each row against the rows around it.

    Parameters
    ----------
    scatter : array_like, shape (y, x)
        Counts in the scattered lines of the anode; NaN where masked. [counts]
    total : array_like, shape (y, x)
        Counts of all channels. [counts]
    live : array_like, shape (y, x)
        Live time; taken as even where unknown. [s]

    Returns
    -------
    ndarray, shape (y,)
        Relative strength; exactly 1 in rows where no change is sure, and in rows without
        counts.

    Notes
    -----
    Scatter and fluorescence of sixteen parts of a row are compared with the running median
    of seven rows, and the middle of the parts is taken. A row counts as changed when the
    scatter is off by more than three standard errors, the fluorescence by the same factor,
    and both together by more than five standard errors and one per cent. Slow changes, over more
    than about three rows, look like the painting and are not touched: only a monitor tells.
    """
    s, t = np.asarray(scatter, np.float64), np.asarray(total, np.float64)
    time = np.asarray(live, np.float64)
    time = np.where(time > 0, time, np.nan)
    if not np.isfinite(time).any():
        time = np.ones_like(time)
    valid = np.isfinite(s) & (t > 0) & np.isfinite(time)
    counted = valid.mean(axis=1) > 0.5
    factor = np.ones(len(s))
    if counted.sum() < REACH:
        return factor
    parts = np.array_split(np.arange(s.shape[1]), min(GROUPS, s.shape[1]))
    rows = np.flatnonzero(counted)
    off_s, err_s = _off(s, time, valid, parts, rows)
    off_l, err_l = _off(t - s, time, valid, parts, rows)
    alike = np.abs(off_s - off_l) < ALIKE * np.abs(off_s) + 2 * np.hypot(err_s, err_l)
    alike &= np.abs(off_s) > SEEN * err_s
    weight = err_s**-2 + err_l**-2
    mean = (off_s * err_s**-2 + off_l * err_l**-2) / weight
    sure = (np.abs(mean) > SURE / np.sqrt(weight)) & (np.abs(mean) > np.log1p(LEAST))
    factor[rows] = np.where(sure & alike, np.exp(mean), 1.0)
    return factor


def _off(
    counts: Array,
    time: Array,
    valid: npt.NDArray[np.bool_],
    parts: list[npt.NDArray[np.intp]],
    rows: npt.NDArray[np.intp],
) -> tuple[Array, Array]:
    """Logarithm of each row's rate against its neighbours, and its error."""
    good = np.where(valid, counts, 0.0)
    exposed = np.where(valid, time, 0.0)
    n = np.array([good[rows][:, p].sum(axis=1) for p in parts])
    t = np.array([exposed[rows][:, p].sum(axis=1) for p in parts])
    rate = np.maximum(n, 0.5) / np.maximum(t, 1e-12)
    usual = median_filter(rate, size=(1, REACH), mode="nearest")
    logs = np.log(rate / usual)
    middle = np.median(logs, axis=0)
    # spread between the parts holds counting and what the paint changes from row to row
    spread = 1.4826 * np.median(np.abs(logs - middle), axis=0)
    counting = 1 / np.sqrt(np.maximum(n.mean(axis=0), 1.0))
    # 1.2533: the median is less exact than a mean; the usual rate has an error of its own
    error = 1.2533 * np.maximum(spread, counting) * np.sqrt((1 + 1.57 / REACH) / len(parts))
    return middle, error


def beam_of(scan: xr.Dataset, scatter: Array, total: Array) -> xr.DataArray | None:
    """Relative strength of the beam in each pixel.

    Parameters
    ----------
    scan : Dataset
        With `live_time`; a variable ``monitor(y, x)`` is believed before the scatter.
    scatter, total : ndarray, shape (y, x)
        See :func:`row_beam`.

    Returns
    -------
    DataArray, dims y, x, or None
        Mean near one; None where the beam was steady as far as can be told. NaN where the
        monitor has no value. Attribute ``because`` in plain words.
    """
    if "monitor" in scan:
        reading = np.asarray(scan["monitor"].values, np.float64)
        usable = np.isfinite(reading) & (reading > 0)
        if usable.any():
            beam = np.where(usable, reading, np.nan) / float(np.median(reading[usable]))
            low, high = np.nanmin(beam), np.nanmax(beam)
            words = (
                f"the beam monitor runs from {low:.3f} to {high:.3f} of its median; rates are "
                "normalised by it, counts are not"
            )
            return _as_array(scan, beam, words)
    factor = row_beam(scatter, total, np.asarray(scan["live_time"].values, np.float64))
    off = np.flatnonzero(factor != 1.0)
    if not len(off):
        return None
    words = (
        f"the beam wavered in {'rows' if len(off) > 1 else 'row'} {row_list(off)} (from "
        f"{factor[off].min():.3f} to {factor[off].max():.3f} of the rows around, told by the "
        "scatter); rates are normalised, counts are not"
    )
    return _as_array(scan, np.broadcast_to(factor[:, None], total.shape).copy(), words)


def _as_array(scan: xr.Dataset, beam: Array, words: str) -> xr.DataArray:
    return xr.DataArray(
        beam, dims=("y", "x"), coords={"y": scan["y"], "x": scan["x"]},
        attrs={"units": "1", "because": words},
    )  # fmt: skip


def exposure(maps: xr.Dataset) -> xr.DataArray | None:
    """Give what counts of a pixel are divided by to be compared with those of another.

    Parameters
    ----------
    maps : Dataset
        Maps or a scan: ``live_time(y, x)`` [s] and, where the beam wavered, ``beam(y, x)``.

    Returns
    -------
    DataArray, dims y, x, or None
        Live time [s] times the relative strength of the beam; the strength alone where no
        live time is known (attribute ``units`` "1"); None where neither is known. NaN in
        pixels where one of them is missing.
    """
    live = maps.get("live_time")
    known = live is not None and bool((live > 0).any())
    if "beam" not in maps:
        return live.where(live > 0).assign_attrs(units="s") if live is not None and known else None
    beam = maps["beam"].where(maps["beam"] > 0)
    if live is None or not known:
        return beam.assign_attrs(units="1")
    return (live.where(live > 0) * beam).assign_attrs(units="s")


def rates(maps: xr.Dataset) -> xr.Dataset:
    """Net count rates: net counts over live time and relative beam strength.

    Parameters
    ----------
    maps : Dataset
        From :func:`xrfmap.map_elements`.

    Returns
    -------
    Dataset
        ``rate(line, y, x)`` and ``rate_err`` [counts/s]; NaN where the live time is not
        known. Errors are those of the counts; that of the beam strength is not in them.
    """
    time = exposure(maps)
    if time is None or time.attrs["units"] != "s":  # a beam without a time gives no rate
        time = maps["net_counts"].isel(line=0, drop=True) * np.nan
    result = xr.Dataset(
        {"rate": maps["net_counts"] / time, "rate_err": maps["net_counts_err"] / time}
    )
    for name in ("rate", "rate_err"):
        result[name].attrs["units"] = "counts/s"
    return result
