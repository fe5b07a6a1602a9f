"""Maps of cover as netCDF-4."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

__all__ = ["read_cover", "write_cover"]


def write_cover(path: Path, cover: xr.Dataset) -> Path:
    """Write maps of cover; the file appears whole or not at all.

    Parameters
    ----------
    path : Path
        File to write.
    cover : Dataset
        From :func:`xrfmap.depth.cover_maps.cover_maps`.

    Returns
    -------
    Path
        The file.
    """
    part = path.with_name(path.name + ".part")
    packed = {
        name: {"zlib": True, "complevel": 4}
        for name, variable in cover.data_vars.items()
        if variable.ndim > 1
    }
    cover.to_netcdf(part, engine="h5netcdf", encoding=packed)
    part.replace(path)
    return path


def read_cover(path: Path) -> xr.Dataset:
    """Return what :func:`write_cover` wrote, in memory."""
    with xr.open_dataset(path, engine="h5netcdf") as held:
        return held.load()
