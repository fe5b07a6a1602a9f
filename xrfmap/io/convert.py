"""From one open format to another."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.emsa import write_emsa
from xrfmap.io.netcdf import write_netcdf
from xrfmap.io.nexus_write import write_nexus
from xrfmap.io.safe import clean_text
from xrfmap.io.spool import straightened
from xrfmap.numbers import whole
from xrfmap.scan import instrument_of

__all__ = ["SUFFIXES", "convert", "sum_spectrum", "write_nexus_dataset"]

SUFFIXES = {
    ".h5": "NeXus",
    ".hdf5": "NeXus",
    ".nxs": "NeXus",
    ".nc": "netCDF",
    ".msa": "EMSA/MAS",
    ".emsa": "EMSA/MAS",
    ".zarr": "Zarr",
}
"""Output formats by the suffix of the file to write."""


def convert(source: Path, target: Path, *, summed: bool = False) -> Path:
    """Write a scan or a point spectrum in another open format.

    Parameters
    ----------
    source : Path
        Scan or point spectrum in any format that can be read.
    target : Path
        File to write; its suffix names the format (see `SUFFIXES`).
    summed : bool
        Write the sum over all pixels of a scan, as a point spectrum.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the source cannot be read, the suffix is unknown, or a scan is to be written
        as EMSA/MAS without `summed`.
    """
    from xrfmap.io import open_any

    source, target = Path(source), Path(target)
    kind = SUFFIXES.get(target.suffix.lower())
    if kind is None:
        raise InputError(
            clean_text(target.name),
            found=f"suffix {clean_text(target.suffix)!r}",
            expected=f"one of {', '.join(SUFFIXES)}",
            remedy="name the output file so that its suffix tells the format",
        )
    if target.exists() and target.samefile(source):
        raise InputError(
            clean_text(target.name),
            found="the same file as input and output",
            expected="two files",
            remedy="choose another name for the output",
        )
    ds = open_any(source)
    if summed and ds["counts"].ndim == 3:
        ds = sum_spectrum(ds)
    with straightened(ds, target.parent) as ds:
        return _write(target, kind, ds)


def _write(target: Path, kind: str, ds: xr.Dataset) -> Path:
    if kind == "netCDF":
        return write_netcdf(target, ds)
    if kind == "NeXus":
        return write_nexus_dataset(target, ds)
    if kind == "Zarr":
        from xrfmap.io.zarr_store import write_zarr

        return write_zarr(target, ds)
    if ds["counts"].ndim == 3:
        raise InputError(
            ds.attrs["source"],
            found=f"a scan of {whole(ds.sizes['y'])} x {whole(ds.sizes['x'])} pixels",
            expected="one spectrum, which is what EMSA/MAS holds",
            remedy="ask for the sum over all pixels (--sum), or write .nc or .h5",
        )
    return _write_emsa(target, ds)


def sum_spectrum(scan: xr.Dataset) -> xr.Dataset:
    """Sum a scan over its pixels.

    Parameters
    ----------
    scan : xarray.Dataset
        Scan; read block by block.

    Returns
    -------
    xarray.Dataset
        Point spectrum in 64-bit numbers; the live time is the sum, NaN if that of any
        pixel is unknown.
    """
    from xrfmap.io.lazy import iter_boxes
    from xrfmap.scan import make_scan, notes_of

    counts = scan["counts"]
    wide = np.int64 if counts.dtype.kind in "iu" else np.float64
    total = np.zeros(counts.shape[-1], dtype=wide)
    for _, _, channels, block in iter_boxes(counts):
        total[channels] += block.sum(axis=(0, 1), dtype=wide)
    times = {k: float(scan[k].sum(skipna=False)) for k in ("live_time", "real_time") if k in scan}
    out = make_scan(
        total,
        live_time=times["live_time"],
        real_time=times.get("real_time"),
        energy_kev=scan["energy"].values if "energy" in scan.coords else None,
        instrument=instrument_of(scan),
        source=scan.attrs["source"],
        source_sha256=scan.attrs["source_sha256"],
        title=scan.attrs["title"],
        notes=[
            *notes_of(scan),
            f"sum of {whole(counts.shape[0])} x {whole(counts.shape[1])} pixels",
        ],
    )
    scale = {k: scan.attrs[k] for k in scan.attrs if k in out.attrs or "kev" in k or "fano" in k}
    return out.assign_attrs({k: v for k, v in scale.items() if k not in out.attrs})


def write_nexus_dataset(path: Path, ds: xr.Dataset) -> Path:
    """Write a scan or point spectrum as NeXus; see :func:`xrfmap.io.nexus.write_nexus`.

    Parameters
    ----------
    path : Path
        File to write.
    ds : xarray.Dataset
        As in :mod:`xrfmap.scan`.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the counts are bad or the file cannot be written.
    """
    in_mm = ds["counts"].ndim == 3 and ds["y"].attrs.get("units") == "mm"
    live = ds["live_time"].values
    return write_nexus(
        path,
        ds["counts"].data,
        None if np.isnan(live).all() else live,
        real_time=ds["real_time"].values if "real_time" in ds else None,
        monitor=ds["monitor"].values if "monitor" in ds else None,
        y_mm=ds["y"].values if in_mm else None,
        x_mm=ds["x"].values if in_mm else None,
        energy_kev=ds["energy"].values if "energy" in ds.coords else None,
        instrument=instrument_of(ds),
        title=ds.attrs["title"],
    )


def _write_emsa(path: Path, ds: xr.Dataset) -> Path:
    live = float(ds["live_time"])
    return write_emsa(
        path,
        ds["counts"].values,
        energy_kev=ds["energy"].values if "energy" in ds.coords else None,
        live_time_s=None if np.isnan(live) else live,
        real_time_s=float(ds["real_time"]) if "real_time" in ds else None,
        title=ds.attrs["title"],
        owner=ds.attrs.get("emsa_owner", ""),
        date=ds.attrs.get("emsa_date", ""),
        time=ds.attrs.get("emsa_time", ""),
        instrument=instrument_of(ds),
    )
