"""Reading and writing files; nothing else in the program opens a data file."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, read_head
from xrfmap.settings import Instrument, Point, ScanEntry

__all__ = ["open_point", "open_scan"]


def _unknown(path: Path, head: bytes) -> InputError:
    start = clean_text(head[:24]) or head[:8].hex(" ")
    return InputError(
        clean_text(path.name),
        found=f"a file that starts with {start!r}",
        expected="NeXus/HDF5 or EMSA/MAS (ISO 22029)",
        remedy="export the data in an open format",
    )


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
        return open_nexus_scan(path, entry, instrument, allow_links=allow_links)
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
        return open_nexus_point(
            path, live_time_s=live, instrument=instrument, allow_links=allow_links
        )
    if head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"#"):
        return open_emsa_point(path, live_time_s=live, instrument=instrument)
    raise _unknown(path, head)
