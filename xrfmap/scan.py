"""What a scan holds: one Dataset with fixed names, dims and units, and its checks.

A scan has the dims ``y, x, channel``; a point spectrum has ``channel`` only. No
stage changes a Dataset in place: each takes one and returns it enlarged.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import ValidationError

from xrfmap.errors import InputError
from xrfmap.settings import Instrument

__all__ = [
    "GLOSSARY",
    "SCALE_ATTRS",
    "SCAN_DIMS",
    "Term",
    "check_scan",
    "instrument_of",
    "linear_scale",
    "make_scan",
    "notes_of",
]

SCAN_DIMS = ("y", "x", "channel")
SCALE_ATTRS = ("zero_kev", "kev_per_channel", "noise_kev", "fano")


@dataclass(frozen=True)
class Term:
    """One name of the glossary: where it lives, in what unit, and what it means."""

    dims: tuple[str, ...]
    units: str
    meaning: str


GLOSSARY: Mapping[str, Term] = MappingProxyType(
    {
        "counts": Term(("y", "x", "channel"), "counts", "events in each channel, not corrected"),
        "live_time": Term(("y", "x"), "s", "time in which the detector could count; NaN: unknown"),
        "real_time": Term(("y", "x"), "s", "time by the clock; NaN: unknown"),
        "monitor": Term(
            ("y", "x"), "1", "strength of the incident beam, in any unit; NaN: unknown"
        ),
        "y": Term(("y",), "mm", "position down the object of the pixel centre"),
        "x": Term(("x",), "mm", "position across the object of the pixel centre"),
        "energy": Term(("channel",), "keV", "energy at the middle of each channel"),
        "total_counts": Term(("y", "x"), "counts", "sum over the channels"),
        "net_counts": Term(("line", "y", "x"), "counts", "expected counts of a line family"),
        "net_counts_err": Term(("line", "y", "x"), "counts", "standard error of net_counts"),
        "net_counts_ul": Term(("line", "y", "x"), "counts", "95 % upper limit of net_counts"),
        "decision_threshold": Term(
            ("line", "y", "x"), "counts", "net counts above which the family is called seen"
        ),
        "detection_limit": Term(
            ("line", "y", "x"), "counts", "net counts that would be seen 95 % of the time"
        ),
        "feigned_share": Term(
            ("line", "beside"),
            "1",
            "counts that a family seems to gain per count of another one with other line ratios",
        ),
        "hidden_share": Term(
            ("line",), "1", "share of a family that elements which were not found may have"
        ),
        "hidden_counts": Term(
            ("line",),
            "counts",
            "counts of a family in the whole scan that elements which were not found may have",
        ),
        "deviance_per_dof": Term(("y", "x"), "1", "deviance of the fit per degree of freedom"),
        "fit_ok": Term(("y", "x"), "1", "whether the fit of the pixel converged and is usable"),
    }
)
"""Names, dims and units used everywhere. Positions are in ``pixel`` where no size is known."""


def make_scan(
    counts: Any,
    *,
    live_time: Any = None,
    real_time: Any = None,
    monitor: npt.ArrayLike | None = None,
    y: npt.ArrayLike | None = None,
    x: npt.ArrayLike | None = None,
    position_units: str = "mm",
    energy_kev: npt.ArrayLike | None = None,
    instrument: Instrument | None = None,
    source: str = "",
    source_sha256: str = "",
    title: str = "",
    storage: str = "",
    notes: Iterable[str] = (),
) -> xr.Dataset:
    """Put a scan or a point spectrum together and check it.

    Parameters
    ----------
    counts : array_like or dask array, shape (y, x, channel) or (channel,)
        Counts; a dask array stays lazy. [counts]
    live_time, real_time : scalar or array_like, shape (y, x) or (), optional
        NaN where unknown; `live_time` is all NaN if not given. [s]
    monitor : array_like, shape (y, x), optional
        Strength of the incident beam, in any unit: readings of a monitor over the time of
        the pixel; NaN where unknown.
    y, x : array_like, shape (y,) and (x,), optional
        Pixel centres; the pixel index in units of ``pixel`` if not given. [`position_units`]
    position_units : {"mm", "pixel"}
        Unit of `y` and `x`.
    energy_kev : array_like, shape (channel,), optional
        Middle of each channel, where known. [keV]
    instrument : Instrument, optional
        What is known of the instrument; only what was set is kept.
    source, source_sha256, title, storage : str
        File name, its hash, the title, and how the counts are stored in the file.
    notes : iterable of str
        Plain words on what the reader had to assume.

    Returns
    -------
    xarray.Dataset
        Checked by :func:`check_scan`.

    Raises
    ------
    InputError
        If the parts do not fit each other.
    """
    rank = np.ndim(counts)
    dims = SCAN_DIMS if rank == 3 else ("channel",)
    if rank not in (1, 3):
        raise InputError(
            source or "scan",
            "counts",
            found=f"{rank} dimensions",
            expected="3 (y, x, channel) or 1 (channel)",
            remedy="reshape the counts",
        )
    shape = tuple(np.shape(counts))[:-1]
    data: dict[str, Any] = {"counts": (dims, counts, {"units": "counts"})}
    times = {"live_time": np.nan if live_time is None else live_time, "real_time": real_time}
    for name, value in times.items():
        if value is not None:
            data[name] = (dims[:-1], _as_time(value, shape), {"units": "s"})
    if monitor is not None and rank == 3:
        data["monitor"] = (dims[:-1], np.asarray(monitor, dtype=np.float64), {"units": "1"})
    coords: dict[str, Any] = {}
    if rank == 3:
        coords = _positions(shape, y, x, position_units)
    if energy_kev is not None:
        energy = np.asarray(energy_kev, dtype=np.float64)
        coords["energy"] = (("channel",), energy, {"units": "keV"})
    attrs = {"source": source, "source_sha256": source_sha256, "title": title}
    attrs["instrument"] = (instrument or Instrument()).model_dump_json(exclude_unset=True)
    if storage:
        attrs["storage"] = storage
    attrs["notes"] = json.dumps(list(notes), ensure_ascii=False)
    return check_scan(_dataset(data, coords, attrs, source))


def _dataset(
    data: dict[str, Any], coords: dict[str, Any], attrs: dict[str, str], source: str
) -> xr.Dataset:
    try:
        return xr.Dataset(data, coords=coords, attrs=attrs)
    except ValueError as err:  # xarray says which sizes disagree
        raise InputError(
            source or "scan",
            found=str(err).splitlines()[0],
            expected="counts, times, positions and energies of matching shapes",
            remedy="export the data again with all parts complete",
        ) from err


def _as_time(value: Any, shape: tuple[int, ...]) -> Any:
    """Time in seconds; one number stands for every pixel."""
    if np.ndim(value) == 0:
        return np.full(shape, float(value))
    return value if hasattr(value, "dask") else np.asarray(value, dtype=np.float64)


def _positions(
    shape: tuple[int, ...], y: npt.ArrayLike | None, x: npt.ArrayLike | None, units: str
) -> dict[str, Any]:
    """Coordinates of the pixel centres; the pixel index unless both are known."""
    if y is None or x is None:
        y, x, units = np.arange(shape[0]), np.arange(shape[1]), "pixel"
    attrs = {"units": units}
    return {
        "y": (("y",), np.asarray(y, dtype=np.float64), attrs),
        "x": (("x",), np.asarray(x, dtype=np.float64), dict(attrs)),
    }


def check_scan(ds: xr.Dataset) -> xr.Dataset:
    """Check names, dims and units of a scan or a point spectrum.

    Reads no lazy array: counts are checked block by block where they are read.

    Parameters
    ----------
    ds : xarray.Dataset
        What a reader or a simulation made.

    Returns
    -------
    xarray.Dataset
        The same Dataset.

    Raises
    ------
    InputError
        With the file, the variable, what was found and what was expected.
    """
    where = str(ds.attrs.get("source") or "scan")
    if "counts" not in ds:
        raise _error(where, "counts", "nothing", "a variable named counts")
    dims = ds["counts"].dims
    if dims not in (SCAN_DIMS, ("channel",)):
        raise _error(where, "counts", f"dims {dims}", "dims (y, x, channel) or (channel)")
    if ds["counts"].dtype.kind not in "iuf":
        raise _error(where, "counts", f"type {ds['counts'].dtype}", "integers or real numbers")
    if 0 in ds["counts"].shape:
        raise _error(where, "counts", f"shape {ds['counts'].shape}", "at least one pixel, channel")
    for name in ("live_time", "real_time"):
        if name in ds or name == "live_time":
            _check_time(ds, name, where)
    if dims == SCAN_DIMS:
        _check_positions(ds, where)
    if "monitor" in ds:
        _check_monitor(ds, where)
    if "energy" in ds.coords:
        _check_energy(ds["energy"], where)
    _check_attrs(ds.attrs, where)
    return ds


def _error(where: str, field: str, found: str, expected: str, remedy: str = "") -> InputError:
    remedy = remedy or "export the data again, or build the scan with xrfmap.scan.make_scan"
    return InputError(where, field, found=found, expected=expected, remedy=remedy)


def _check_time(ds: xr.Dataset, name: str, where: str) -> None:
    if name not in ds:
        raise _error(where, name, "nothing", "a variable in seconds, NaN where unknown")
    time, want = ds[name], ds["counts"].dims[:-1]
    if time.dims != want:
        raise _error(where, name, f"dims {time.dims}", f"dims {want}, to match counts")
    if time.attrs.get("units") != "s":
        raise _error(where, name, f"units {time.attrs.get('units')!r}", "units 's'")
    if isinstance(time.data, np.ndarray):
        bad = (time.data < 0) | np.isinf(time.data)
        if bad.any():
            place = f" at pixel {_first(bad)}" if time.ndim else ""
            value = float(time.data[bad].flat[0]) if time.ndim else float(time.data)
            raise _error(
                where,
                name,
                f"{value:g} s{place}",
                "times of 0 s or more, NaN where unknown",
                "correct the times, or leave them out and give live_time_s in the study file",
            )


def _check_monitor(ds: xr.Dataset, where: str) -> None:
    monitor, want = ds["monitor"], SCAN_DIMS[:-1]
    if monitor.dims != want or monitor.shape != ds["counts"].shape[:-1]:
        found = f"dims {monitor.dims}, shape {monitor.shape}"
        raise _error(where, "monitor", found, f"dims {want}, one number for each pixel")
    bad = (monitor.values < 0) | np.isinf(monitor.values)
    if bad.any():
        raise _error(
            where,
            "monitor",
            f"{float(monitor.values[bad].flat[0]):g} at pixel {_first(bad)}",
            "readings of 0 or more, NaN where unknown",
            "correct the readings of the beam monitor, or leave them out",
        )


def _first(bad: npt.NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(i) for i in np.argwhere(bad)[0])


def _check_positions(ds: xr.Dataset, where: str) -> None:
    units = {name: ds[name].attrs.get("units") for name in ("y", "x") if name in ds.coords}
    if len(units) != 2:
        raise _error(where, "y, x", f"coordinates {sorted(units)}", "both y and x")
    if units["y"] != units["x"] or units["y"] not in ("mm", "pixel"):
        raise _error(where, "y, x", f"units {units}", "'mm' for both or 'pixel' for both")
    for name in ("y", "x"):
        values = np.asarray(ds[name].values, dtype=np.float64)
        step = np.diff(values)
        if not np.isfinite(values).all() or not (np.all(step > 0) or np.all(step < 0)):
            raise _error(
                where,
                name,
                "positions that repeat, turn round or are not numbers",
                "positions that rise or fall all the way",
                "leave them out and give pixel_mm in the study file",
            )


def _check_energy(energy: xr.DataArray, where: str) -> None:
    values = np.asarray(energy.values, dtype=np.float64)
    if energy.dims != ("channel",) or energy.attrs.get("units") != "keV":
        found = f"dims {energy.dims}, units {energy.attrs.get('units')!r}"
        raise _error(where, "energy", found, "dims (channel) and units 'keV'")
    if not np.isfinite(values).all() or not np.all(np.diff(values) > 0):
        raise _error(where, "energy", "values that do not rise", "energies that rise by channel")


def _check_attrs(attrs: Mapping[Any, Any], where: str) -> None:
    for name in ("source", "source_sha256", "title", "instrument"):
        if not isinstance(attrs.get(name), str):
            raise _error(where, f"attrs[{name!r}]", repr(attrs.get(name)), "text")
    try:
        Instrument.model_validate_json(attrs["instrument"])
    except ValidationError as err:
        found = err.errors()[0]["msg"]
        raise _error(where, "attrs['instrument']", found, "JSON of settings.Instrument") from err
    have = [name for name in SCALE_ATTRS if name in attrs]
    if have and len(have) < len(SCALE_ATTRS):
        raise _error(where, "attrs", f"only {have}", f"all of {list(SCALE_ATTRS)} or none")


def instrument_of(ds: xr.Dataset) -> Instrument:
    """Return what a scan says of its instrument; what was not said is a default.

    Parameters
    ----------
    ds : xarray.Dataset
        A scan or point spectrum.

    Returns
    -------
    Instrument
        ``model_fields_set`` tells what was said.
    """
    return Instrument.model_validate_json(ds.attrs["instrument"])


def notes_of(ds: xr.Dataset) -> list[str]:
    """Return what the reader had to assume, in plain words.

    Parameters
    ----------
    ds : xarray.Dataset
        A scan or point spectrum.

    Returns
    -------
    list of str
        Empty if nothing was assumed.
    """
    return [str(note) for note in json.loads(ds.attrs.get("notes", "[]"))]


def linear_scale(energy_kev: npt.ArrayLike, tolerance_channels: float = 0.1) -> tuple[float, float]:
    """Zero and gain of an even energy axis.

    Parameters
    ----------
    energy_kev : array_like, shape (channel,)
        Middle of each channel. [keV]
    tolerance_channels : float
        Largest distance from a straight line; a tenth of a channel is far below
        what a peak position can be known to.

    Returns
    -------
    tuple of float
        Energy of channel 0 [keV], keV per channel.

    Raises
    ------
    ValueError
        If there are fewer than two channels or the axis is not even.
    """
    energy = np.asarray(energy_kev, dtype=np.float64)
    if energy.size < 2:
        raise ValueError(f"an energy scale needs two channels, found {energy.size}")
    gain = (energy[-1] - energy[0]) / (energy.size - 1)
    off = np.abs(energy - (energy[0] + gain * np.arange(energy.size))).max()
    if not gain > 0 or off > tolerance_channels * gain:
        raise ValueError(f"energy axis is not even: {off:g} keV off a line of {gain:g} keV steps")
    return float(energy[0]), float(gain)
