"""Reading and writing files; nothing else in the program opens a data file."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, read_head
from xrfmap.settings import Instrument, Point, ScanEntry

__all__ = ["open_any", "open_point", "open_scan"]


def _unknown(path: Path, head: bytes) -> InputError:
    start = clean_text(head[:24]) or head[:8].hex(" ")
    return InputError(
        clean_text(path.name),
        found=f"a file that starts with {start!r}",
        expected="NeXus/HDF5 or EMSA/MAS (ISO 22029)",
        remedy="export the data in an open format",
    )


def _is_emsa(head: bytes) -> bool:
    return head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"#")


def _holds_netcdf(path: Path) -> bool:
    from xrfmap.io.hdf5 import open_hdf5
    from xrfmap.io.netcdf import is_netcdf

    with open_hdf5(path) as file:
        return is_netcdf(file)


def _open_netcdf_scan(
    path: Path, entry: ScanEntry | None, instrument: Instrument | None
) -> xr.Dataset:
    from xrfmap.io.merge import grid
    from xrfmap.io.netcdf import open_netcdf

    live = entry.live_time_s if entry is not None else None
    ds = open_netcdf(path, live_time_s=live, instrument=instrument)
    if entry is None or ds["counts"].ndim != 3:
        return ds
    known = ds["y"].attrs["units"] == "mm"
    old_y, old_x = (ds["y"].values, ds["x"].values) if known else (None, None)
    shape = (ds.sizes["y"], ds.sizes["x"])
    y, x = grid(old_y, old_x, shape, entry, ds.attrs["source"])
    if y is None or x is None:
        return ds
    return ds.assign_coords(y=("y", y, {"units": "mm"}), x=("x", x, {"units": "mm"}))


def _want(ds: xr.Dataset, *, scan: bool) -> xr.Dataset:
    """Return `ds` if it is of the kind wanted."""
    if (ds["counts"].ndim == 3) is scan:
        return ds
    raise InputError(
        ds.attrs["source"],
        found="a point spectrum" if scan else "a scan",
        expected="a scan (y, x, energy)" if scan else "a point spectrum (energy)",
        remedy=f"list it under {'[[point]]' if scan else '[[scan]]'} in the study file",
    )


def open_any(path: Path | str, entry: ScanEntry | None = None) -> xr.Dataset:
    """Open a file that may hold a scan or a point spectrum; scans are tried first.

    Parameters
    ----------
    path : Path or str
        The file; its content decides.
    entry : ScanEntry, optional
        What is known of a scan.

    Returns
    -------
    xarray.Dataset
        Dims ``y, x, channel`` or ``channel``.

    Raises
    ------
    InputError
        If the file holds neither; the message is that of the scan reader.
    """
    path = Path(path)
    if _is_emsa(read_head(path)):
        return open_point(path)
    try:
        return open_scan(path, entry)
    except InputError as err:
        try:
            return open_point(path)
        except InputError:
            raise err from None


def open_scan(
    path: Path | str,
    entry: ScanEntry | None = None,
    instrument: Instrument | None = None,
    *,
    allow_links: bool = False,
) -> xr.Dataset:
    """Open a scan; the counts stay on disk.

    Parameters
    ----------
    path : Path or str
        The file; its content decides the format, not its name.
    entry : ScanEntry, optional
        What the study file says of the scan.
    instrument : Instrument, optional
        What the study file says of the instrument.
    allow_links : bool
        Whether data may lie in other files that the file names.

    Returns
    -------
    xarray.Dataset
        Dims ``y, x, channel``; see :mod:`xrfmap.scan`.

    Raises
    ------
    InputError
        If the file cannot be used, or contradicts what the study file says.
    """
    from xrfmap.io.hdf5 import is_hdf5
    from xrfmap.io.nexus import open_nexus_scan

    path = Path(path)
    head = read_head(path)
    if is_hdf5(path):
        if not (entry and entry.dataset) and _holds_netcdf(path):
            return _want(_open_netcdf_scan(path, entry, instrument), scan=True)
        return open_nexus_scan(path, entry, instrument, allow_links=allow_links)
    if _is_emsa(head):
        return _want(open_point(path), scan=True)
    raise _unknown(path, head)


def open_point(
    path: Path | str,
    entry: Point | None = None,
    instrument: Instrument | None = None,
    *,
    allow_links: bool = False,
) -> xr.Dataset:
    """Open a point spectrum.

    Parameters
    ----------
    path : Path or str
        The file; its content decides the format, not its name.
    entry : Point, optional
        What the study file says of the point.
    instrument : Instrument, optional
        What the study file says of the instrument.
    allow_links : bool
        Whether data may lie in other files that the file names.

    Returns
    -------
    xarray.Dataset
        Dims ``channel``; see :mod:`xrfmap.scan`.

    Raises
    ------
    InputError
        If the file cannot be used, or contradicts what the study file says.
    """
    from xrfmap.io.emsa import open_emsa_point
    from xrfmap.io.hdf5 import is_hdf5
    from xrfmap.io.nexus import open_nexus_point

    path = Path(path)
    head = read_head(path)
    live = entry.live_time_s if entry is not None else None
    if is_hdf5(path):
        if _holds_netcdf(path):
            from xrfmap.io.netcdf import open_netcdf

            ds = open_netcdf(path, live_time_s=live, instrument=instrument)
            return _want(ds, scan=False)
        return open_nexus_point(
            path, live_time_s=live, instrument=instrument, allow_links=allow_links
        )
    if _is_emsa(head):
        return open_emsa_point(path, live_time_s=live, instrument=instrument)
    raise _unknown(path, head)
