"""Scans and point spectra in netCDF-4, with the names of :mod:`xrfmap.scan`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.h5counts import H5Counts, storage_of
from xrfmap.io.hdf5 import check_dataset, open_hdf5
from xrfmap.io.lazy import lazy_counts, quick_check
from xrfmap.io.merge import merge_instrument, merge_live_time
from xrfmap.io.results import atomic_write, plain_attrs
from xrfmap.io.safe import MAX_CHANNELS, clean_text
from xrfmap.io.stored import check_counts
from xrfmap.io.vet import vetted_hash
from xrfmap.numbers import whole
from xrfmap.scan import check_scan
from xrfmap.settings import Instrument

__all__ = ["is_netcdf", "open_netcdf", "write_netcdf"]

CHUNK_BYTES = 1 << 20
MAX_SMALL = 20_000_000


def is_netcdf(file: h5py.File) -> bool:
    """Tell whether an HDF5 file holds counts in the way that this program writes netCDF."""
    node = file.get("counts", getlink=True)
    if not isinstance(node, h5py.HardLink) or "_NCProperties" not in file.attrs:
        return False
    return file.get("counts", getclass=True) is h5py.Dataset


def write_netcdf(path: Path, ds: xr.Dataset) -> Path:
    """Write a scan or point spectrum as netCDF-4, block by block.

    Parameters
    ----------
    path : Path
        File to write.
    ds : xarray.Dataset
        As in :mod:`xrfmap.scan`.

    Returns
    -------
    Path
        The file written; open it with ``xarray.open_dataset``.

    Raises
    ------
    InputError
        If the Dataset is no scan, or the file cannot be written.
    """
    out = plain_attrs(check_scan(ds))
    encoding: dict[str, Any] = {}
    for name, var in out.data_vars.items():
        if var.ndim and var.size > 1000:
            encoding[str(name)] = {"zlib": True, "complevel": 4, "shuffle": True}
    if out["counts"].ndim == 3:
        _, nx, nc = out["counts"].shape
        columns = max(1, min(nx, CHUNK_BYTES // (nc * out["counts"].dtype.itemsize)))
        encoding.setdefault("counts", {})["chunksizes"] = (1, columns, nc)
    with atomic_write(Path(path)) as part:
        out.to_netcdf(part, engine="h5netcdf", encoding=encoding)
    return Path(path)


def open_netcdf(
    path: Path,
    *,
    live_time_s: float | None = None,
    instrument: Instrument | None = None,
) -> xr.Dataset:
    """Open what :func:`write_netcdf` wrote; the counts of a scan stay on disk.

    Parameters
    ----------
    path : Path
        netCDF-4 file.
    live_time_s : float, optional
        Live time that the study file gives. [s]
    instrument : Instrument, optional
        What the study file says of the instrument.

    Returns
    -------
    xarray.Dataset
        See :mod:`xrfmap.scan`.

    Raises
    ------
    InputError
        If the file cannot be used, or contradicts the study file.
    """
    where = clean_text(path.name)
    sha = vetted_hash(path)
    with open_hdf5(path) as file:
        counts = check_dataset(file["counts"])
        for name in ("live_time", "real_time", "monitor", "y", "x", "energy"):
            if isinstance(file.get(name), h5py.Dataset):
                _check_small(check_dataset(file[name]), where)
        rank, storage = counts.ndim, storage_of(counts)
        if rank not in (1, 3) or counts.dtype.kind not in "iuf":
            raise InputError(
                where,
                "counts",
                found=f"shape {counts.shape} of type {counts.dtype}",
                expected="counts (y, x, channel) or (channel)",
                remedy="write the file with xrfmap convert",
            )
        stored = H5Counts(path, counts, AxisPlan((0, 1, 2))) if rank == 3 else None
        if rank == 1 and counts.size > MAX_CHANNELS:
            _check_small(counts, where, MAX_CHANNELS)
    ds = _load(path, where, drop=("counts",) if rank == 3 else ())
    if stored is not None:
        quick_check(stored)
        token = f"{sha[:16]}-counts"
        data = lazy_counts(stored, token)
        ds = ds.assign(counts=(("y", "x", "channel"), data, {"units": "counts"}))
    else:
        check_counts(ds["counts"].values, where)
    return _finish(ds, where, sha, storage, live_time_s, instrument)


def _check_small(dset: h5py.Dataset, where: str, most: int = MAX_SMALL) -> None:
    if dset.size > most:
        raise InputError(
            where,
            clean_text(dset.name),
            found=f"{whole(dset.size)} numbers",
            expected=f"at most {whole(most)}",
            remedy="write the file with xrfmap convert",
        )


def _load(path: Path, where: str, drop: tuple[str, ...]) -> xr.Dataset:
    known = ("counts", "live_time", "real_time", "monitor", "y", "x", "energy")
    try:
        with xr.open_dataset(
            path, engine="h5netcdf", decode_cf=False, drop_variables=list(drop)
        ) as raw:
            keep = [name for name in known if name in raw.variables]
            ds = raw[keep].load()
    except (OSError, ValueError, KeyError, RuntimeError, TypeError, AttributeError) as err:
        raise InputError(
            where,
            found=f"a file that cannot be read ({clean_text(err)})",
            expected="a scan or point spectrum in netCDF-4",
            remedy="write the file again with xrfmap convert",
        ) from err
    return ds.set_coords([name for name in ("y", "x", "energy") if name in ds])


def _finish(
    ds: xr.Dataset,
    where: str,
    sha: str,
    storage: str,
    live_time_s: float | None,
    instrument: Instrument | None,
) -> xr.Dataset:
    """Clean the attributes and bring in what the study file says."""
    attrs = {
        str(k): clean_text(v, 10_000) if isinstance(v, str) else v for k, v in ds.attrs.items()
    }
    attrs |= {"source": where, "source_sha256": sha, "storage": storage}
    attrs.setdefault("title", "")
    attrs.setdefault("instrument", "{}")
    if "live_time" in ds:
        live, _ = merge_live_time(ds["live_time"].values, live_time_s, where)
        ds["live_time"] = (ds["live_time"].dims, np.asarray(live), {"units": "s"})
    out = check_scan(ds.assign_attrs(attrs))
    said = Instrument.model_validate_json(attrs["instrument"]).model_dump(exclude_unset=True)
    detector = said.pop("detector", {})
    merged = merge_instrument(said, detector, instrument, where)
    return out.assign_attrs(instrument=merged.model_dump_json(exclude_unset=True))
