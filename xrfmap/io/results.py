"""Result files: netCDF maps, TIFF images and JSON, each complete or not there at all."""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, require_file
from xrfmap.io.scratch import scratch_folder

__all__ = [
    "atomic_write",
    "file_stem",
    "plain_attrs",
    "read_maps",
    "write_json",
    "write_maps",
    "write_planes",
    "write_text",
    "write_tiffs",
]


IN_MEMORY = 300 << 20  # a fifth of the memory target


@contextmanager
def atomic_write(path: Path) -> Iterator[Path]:
    """Write a file under a temporary name and rename it when it is complete.

    Parameters
    ----------
    path : Path
        Final name; an older file there stays whole until the new one replaces it.

    Yields
    ------
    Path
        Temporary name in the same folder, with the same suffix. It does not exist yet.

    Raises
    ------
    InputError
        If the folder is missing or read-only, or the disk is full.
    """
    path = Path(path)
    try:
        with scratch_folder(path.parent) as folder:
            part = folder / path.name
            yield part
            with part.open("rb+") as stream:
                os.fsync(stream.fileno())  # a rename before the data would leave an empty file
            part.replace(path)
    except OSError as err:
        raise write_error(path, err) from err


def write_error(path: Path, err: OSError) -> InputError:
    return InputError(
        clean_text(path),
        found=clean_text(err.strerror or err),
        expected="a folder that can be written to, with space on the disk",
        remedy="choose another output folder or make space; earlier results are untouched",
    )


def write_maps(path: Path, maps: xr.Dataset, spectra: xr.Dataset | None = None) -> Path:
    """Write element maps as netCDF-4.

    Parameters
    ----------
    path : Path
        ``maps.nc``.
    maps : xarray.Dataset
        Dims ``line, y, x``; may be lazy, and is then computed block by block.
    spectra : xarray.Dataset, optional
        Written into the group ``spectrum``.

    Returns
    -------
    Path
        The file written; open it with ``xarray.open_dataset(path)`` and
        ``xarray.open_dataset(path, group="spectrum")``.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    with atomic_write(path) as part:
        plain_attrs(maps).to_netcdf(part, engine="h5netcdf", encoding=netcdf_encoding(maps))
        if spectra is not None:
            plain_attrs(spectra).to_netcdf(
                part,
                mode="a",
                group="spectrum",
                engine="h5netcdf",
                encoding=netcdf_encoding(spectra),
            )
    return Path(path)


def netcdf_encoding(ds: xr.Dataset) -> dict[str, dict[str, Any]]:
    """Compress numbers of some size; leave text and scalars alone."""
    return {
        str(name): {"zlib": True, "complevel": 4, "shuffle": True}
        for name, var in ds.data_vars.items()
        if var.ndim and var.dtype.kind in "iuf" and var.size > 1000
    }


def plain_attrs(ds: xr.Dataset) -> xr.Dataset:
    """Copy a Dataset with attributes that netCDF can hold; the rest becomes JSON text."""
    out = ds.drop_encoding()
    holders: list[Any] = [out, *out.variables.values()]
    for holder in holders:
        holder.attrs = {str(k): _plain_attr(v) for k, v in holder.attrs.items() if v is not None}
    return out


def _plain_attr(value: Any) -> Any:
    if isinstance(value, bool | np.bool_):
        return np.int8(value)
    if isinstance(value, str | int | float | np.number | np.ndarray):
        return value
    return json.dumps(_json_ready(value), ensure_ascii=False)


def read_maps(path: Path) -> tuple[xr.Dataset, xr.Dataset | None]:
    """Read what :func:`write_maps` wrote.

    Parameters
    ----------
    path : Path
        ``maps.nc``.

    Returns
    -------
    tuple of xarray.Dataset
        Maps, and spectra (``None`` if there are none), in memory; of large maps (more
        than 300 MB) the fields with dims ``line, y, x`` stay in the file and are read
        anew at each use: take them line by line.

    Raises
    ------
    InputError
        If the file is missing, damaged, or not made of element maps.
    """
    require_file(path)
    spectra = None
    try:
        maps = xr.open_dataset(path, engine="h5netcdf", cache=False)
        if maps.nbytes <= IN_MEMORY:
            with maps:
                maps = maps.load()
        else:  # the planes are read often; the fields of each line stay in the file
            planes = [name for name, var in maps.data_vars.items() if var.ndim < 3]
            maps = maps.assign({name: maps[name].load() for name in planes})
        try:
            with xr.open_dataset(path, engine="h5netcdf", group="spectrum") as ds:
                spectra = ds.load()
        except (OSError, KeyError):
            spectra = None
    except (OSError, ValueError, KeyError, RuntimeError, TypeError) as err:
        raise InputError(
            clean_text(path),
            found=f"a file that cannot be read ({clean_text(err)})",
            expected="maps written by this program (netCDF-4)",
            remedy="make the maps again",
        ) from err
    if "net_counts" not in maps or maps["net_counts"].dims != ("line", "y", "x"):
        raise InputError(
            clean_text(path),
            "net_counts",
            found=f"variables {[clean_text(v) for v in maps.data_vars][:10]}",
            expected="net_counts with dims (line, y, x)",
            remedy="make the maps again",
        )
    return maps, spectra


def write_tiffs(folder: Path, maps: xr.Dataset, variable: str = "net_counts") -> list[Path]:
    """Write one 32-bit float TIFF per line family.

    Parameters
    ----------
    folder : Path
        Made if missing.
    maps : xarray.Dataset
        As from :func:`read_maps`.
    variable : str
        Variable with dims ``line, y, x``.

    Returns
    -------
    list of Path
        ``Pb_L.tif`` and so on; the pixel size is in the resolution tags where the
        scan knows millimetres, and name and unit are in the description.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    folder = _made(folder)
    data = maps[variable]
    written = []
    for label in data["line"].values:
        about = {"line": str(label), "quantity": variable, "units": data.attrs.get("units", "")}
        path = folder / f"{file_stem(str(label))}.tif"
        written.append(_write_tiff(path, data.sel(line=label), about, _pixels_per_cm(maps)))
    return written


def write_planes(folder: Path, held: xr.Dataset, variables: Sequence[str]) -> list[Path]:
    """Write one 32-bit float TIFF for each variable over y, x that is there.

    Parameters
    ----------
    folder : Path
        Made if missing.
    held : xarray.Dataset
        Any, with coordinates y and x.
    variables : sequence of str
        Names; each gives the name of its file.

    Returns
    -------
    list of Path
        The files, tagged as those of :func:`write_tiffs`.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    folder = _made(folder)
    return [
        _write_tiff(
            folder / f"{file_stem(name)}.tif",
            held[name].transpose("y", "x"),
            {"quantity": name, "units": held[name].attrs.get("units", "")},
            _pixels_per_cm(held),
        )
        for name in variables
        if name in held
    ]


def _made(folder: Path) -> Path:
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise write_error(Path(folder), err) from err
    return Path(folder)


def _write_tiff(
    path: Path, data: xr.DataArray, about: Mapping[str, str], per_cm: tuple[float, float] | None
) -> Path:
    import tifffile

    with atomic_write(path) as part:
        tifffile.imwrite(
            part,
            np.asarray(data.values, dtype=np.float32),
            photometric="minisblack",
            resolution=per_cm or (1.0, 1.0),
            resolutionunit="CENTIMETER" if per_cm else "NONE",
            description=json.dumps(about),
            software="xrfmap",
            metadata=None,  # no program-specific keys, no time stamp
        )
    return path


def file_stem(label: str) -> str:
    """File name for a label, with letters, digits, ``-`` and ``_`` only."""
    return re.sub(r"[^A-Za-z0-9-]+", "_", clean_text(label, 80)).strip("_") or "map"


def _pixels_per_cm(maps: xr.Dataset) -> tuple[float, float] | None:
    per_cm = []
    for name in ("x", "y"):
        if name not in maps.coords or maps[name].attrs.get("units") != "mm" or maps[name].size < 2:
            return None
        per_cm.append(10.0 / abs(float(maps[name][1] - maps[name][0])))
    return per_cm[0], per_cm[1]


def write_json(path: Path, value: Any) -> Path:
    """Write JSON; numbers that are not finite become ``null``.

    Parameters
    ----------
    path : Path
        File to write.
    value : object
        Mappings, sequences, numbers, text, NumPy values, or a pydantic model.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    ready = _json_ready(value)
    return write_text(path, json.dumps(ready, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def write_text(path: Path, text: str) -> Path:
    """Write a text file in UTF-8 through a temporary name.

    Parameters
    ----------
    path : Path
        File to write.
    text : str
        Content.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    with atomic_write(path) as part:
        try:
            part.write_text(text, encoding="utf-8", errors="replace", newline="\n")
        except OSError as err:
            raise write_error(path, err) from err
    return Path(path)


def _json_ready(value: Any) -> Any:
    """Plain JSON values from NumPy, pydantic and paths."""
    if hasattr(value, "model_dump"):
        value = value.model_dump(mode="json", by_alias=True)
    if isinstance(value, Mapping):
        return {str(k): _json_ready(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _json_ready(value.tolist())
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [_json_ready(v) for v in items]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, str | int | float | bool):
        return value
    return str(value)
