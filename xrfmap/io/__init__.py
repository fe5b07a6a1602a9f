"""Reading and writing files; nothing else in the program opens a data file."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.axes import DetectorChoice
from xrfmap.io.safe import clean_text, read_head
from xrfmap.settings import Instrument, Point, ScanEntry

__all__ = ["open_any", "open_detectors", "open_point", "open_scan"]


def open_scan(
    path: Path | str,
    entry: ScanEntry | None = None,
    instrument: Instrument | None = None,
    *,
    detector: DetectorChoice = None,
    allow_links: bool = False,
) -> xr.Dataset:
    """Open a scan; the counts stay on disk.

    Parameters
    ----------
    path : Path or str
        The file, a Zarr folder or a card; the content decides the format, not the name.
    entry : ScanEntry, optional
        What the study file says of the scan.
    instrument : Instrument, optional
        What the study file says of the instrument.
    detector : int, "sum" or None
        What to take of an axis of several detectors, where neither the file nor
        `entry` says. ``sum`` adds them up channel by channel, as they are.
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
    from xrfmap.io.zarr_meta import is_zarr

    path = Path(path)
    if is_zarr(path):
        from xrfmap.io.zarr_store import open_zarr_scan

        return open_zarr_scan(path, entry, instrument, detector=detector, allow_links=allow_links)
    head = read_head(path)
    if _is_hdf5(path):
        from xrfmap.io.nexus import open_nexus_scan

        if _holds_netcdf(path) and not (entry and entry.dataset):
            return _want(_open_netcdf_scan(path, entry, instrument), scan=True)
        return open_nexus_scan(path, entry, instrument, detector=detector, allow_links=allow_links)
    from xrfmap.io.arrays import find_array_file, open_with_detectors

    array = find_array_file(path, entry)
    if array is not None:
        return open_with_detectors(array, instrument, detector)
    if _is_emsa(head):
        return _want(open_point(path), scan=True)
    from xrfmap.io.table import is_table

    if is_table(head):
        from xrfmap.io.pixel_table import open_table_scan

        return open_table_scan(path, entry, instrument)
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
    path = Path(path)
    head = read_head(path)
    live = entry.live_time_s if entry is not None else None
    if _is_hdf5(path):
        return _open_hdf5_point(path, live, instrument, allow_links)
    from xrfmap.io.arrays import find_array_file, open_array_point

    array = find_array_file(path, None)
    if array is not None:
        return open_array_point(array, live, instrument)
    if _is_emsa(head):
        from xrfmap.io.emsa import open_emsa_point

        return open_emsa_point(path, live_time_s=live, instrument=instrument)
    from xrfmap.io.table import is_table, open_table_point

    if is_table(head):
        return open_table_point(path, live, instrument)
    raise _unknown(path, head)


def open_any(
    path: Path | str, entry: ScanEntry | None = None, instrument: Instrument | None = None
) -> xr.Dataset:
    """Open a file that may hold a scan or a point spectrum; scans are tried first.

    Parameters
    ----------
    path : Path or str
        The file; its content decides.
    entry : ScanEntry, optional
        What is known of a scan.
    instrument : Instrument, optional
        What is known of the instrument.

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
    if not path.is_dir() and _is_emsa(read_head(path)):
        return open_point(path, None, instrument)
    try:
        return open_scan(path, entry, instrument)
    except InputError as err:
        try:
            return open_point(path, None, instrument)
        except InputError:
            raise err from None


def open_detectors(
    path: Path | str,
    entry: ScanEntry | None = None,
    instrument: Instrument | None = None,
    *,
    allow_links: bool = False,
) -> list[xr.Dataset]:
    """Open each detector of a scan on its own.

    Calibrate each, then add them up with :func:`xrfmap.io.combine.sum_detectors`.

    Parameters
    ----------
    path, entry, instrument, allow_links
        See :func:`open_scan`.

    Returns
    -------
    list of xarray.Dataset
        One for each detector that is used; a single one for a scan of one detector.

    Raises
    ------
    InputError
        See :func:`open_scan`.
    """
    from xrfmap.io.arrays import find_array_file, with_scale

    path = Path(path)
    first = open_scan(path, entry, instrument, detector=0, allow_links=allow_links)
    count = int(first.attrs.get("detectors", 1))
    rest = [
        open_scan(path, entry, instrument, detector=i, allow_links=allow_links)
        for i in range(1, count)
    ]
    array = None if path.is_dir() or _is_hdf5(path) else find_array_file(path, entry)
    cards = array.card.detector if array is not None else []
    return [
        with_scale(ds, cards[i]) if i < len(cards) else ds
        for i, ds in enumerate([first, *rest])
        if i >= len(cards) or cards[i].use
    ]


def _is_hdf5(path: Path) -> bool:
    from xrfmap.io.hdf5 import is_hdf5

    return is_hdf5(path)


def _is_emsa(head: bytes) -> bool:
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")[:40].upper().replace(b" ", b"")
    return start.startswith(b"#FORMAT")


def _holds_netcdf(path: Path) -> bool:
    from xrfmap.io.hdf5 import open_hdf5
    from xrfmap.io.netcdf import is_netcdf
    from xrfmap.io.vet import vetted_hash

    vetted_hash(path)  # before the library touches its content
    with open_hdf5(path) as file:
        if "net_counts" in file and "counts" not in file:
            raise InputError(
                clean_text(path.name),
                found="element maps",
                expected="counts of a scan or point spectrum",
                remedy="name the scan from which the maps were made",
            )
        return is_netcdf(file)


def _open_hdf5_point(
    path: Path, live: float | None, instrument: Instrument | None, allow_links: bool
) -> xr.Dataset:
    from xrfmap.io.netcdf import open_netcdf
    from xrfmap.io.nexus import open_nexus_point

    if _holds_netcdf(path):
        return _want(open_netcdf(path, live_time_s=live, instrument=instrument), scan=False)
    return open_nexus_point(path, live_time_s=live, instrument=instrument, allow_links=allow_links)


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


def _unknown(path: Path, head: bytes) -> InputError:
    start = clean_text(head[:24]) or head[:8].hex(" ")
    return InputError(
        clean_text(path.name),
        found=f"a file that starts with {start!r}",
        expected="NeXus/HDF5, netCDF, EMSA/MAS, a table, .npy, TIFF, Zarr, or a raw block "
        "with a card beside it",
        remedy="export the data in an open format, or write a card (xrfmap/docs/formats.md; "
        "xrfmap describe --guess proposes one)",
    )
