"""Scans in Zarr stores (folders), with the names of :mod:`xrfmap.scan`.

Needs the optional package ``zarr``.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.io.axes import AxisInfo, AxisPlan, DetectorChoice, plan_axes, split_axes
from xrfmap.io.chunks import check_packed
from xrfmap.io.lazy import lazy_counts, quick_check
from xrfmap.io.merge import grid, merge_instrument, merge_live_time
from xrfmap.io.results import plain_attrs
from xrfmap.io.safe import clean_text, sha256_of
from xrfmap.io.scratch import scratch_folder
from xrfmap.io.stored import StoredCounts
from xrfmap.io.zarr_meta import ZarrArray, array_metadata, attributes, refuse, refuse_links
from xrfmap.scan import check_scan, make_scan
from xrfmap.settings import Instrument, ScanEntry

__all__ = ["open_zarr_scan", "write_zarr"]

MAX_SMALL = 20_000_000


def _zarr(where: str) -> Any:
    if find_spec("zarr") is None:
        raise refuse(
            where,
            "",
            "a Zarr store",
            "the package zarr, which is not installed",
            "install it with: pip install 'xrfmap[zarr]'",
        )
    import zarr

    return zarr


class ZarrCounts(StoredCounts):
    """Counts in a Zarr array, opened anew for each read."""

    def __init__(self, path: Path, array: str, meta: ZarrArray, plan: AxisPlan) -> None:
        where = clean_text(path.name)
        super().__init__(where, clean_text(array), meta.shape, plan, meta.dtype)
        self.path, self.array, self.meta = path.resolve(), array, meta
        self.in_chunks_of(meta.chunks)

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box in the axis order of the store."""
        return _read(self.path, self.array, self.meta, key, self.where)


def _read(
    path: Path, array: str, meta: ZarrArray, key: tuple[slice, ...], where: str
) -> npt.NDArray[Any]:
    zarr = _zarr(where)
    folder = path / array if array else path
    size = math.prod(meta.chunks) * meta.dtype.itemsize
    try:
        for file in meta.chunk_files(folder, key):
            if file.is_file():
                check_packed(meta.codecs, file, size)
        node = zarr.open_array(folder, mode="r")
        return np.asarray(node[key])
    except Exception as err:
        found = f"a chunk that cannot be read ({clean_text(err, 120)})"
        raise refuse(where, array, found, "a whole store") from err


def open_zarr_scan(
    path: Path,
    entry: ScanEntry | None = None,
    instrument: Instrument | None = None,
    *,
    detector: DetectorChoice = None,
    allow_links: bool = False,
) -> xr.Dataset:
    """Open a scan in a Zarr store; the counts stay on disk.

    Parameters
    ----------
    path : Path
        Folder of the store: a group with ``counts`` (and ``live_time``, ``x``, ``y``,
        ``energy``), or a single array.
    entry : ScanEntry, optional
        What the study file says; ``dataset`` names another array.
    instrument : Instrument, optional
        What the study file says of the instrument.
    detector : int, "sum" or None
        What to take of an axis of several detectors.
    allow_links : bool
        Whether the store may hold symbolic links.

    Returns
    -------
    xarray.Dataset
        See :mod:`xrfmap.scan`.

    Raises
    ------
    InputError
        If ``zarr`` is missing, or the store cannot be used.
    """
    where = clean_text(path.name)
    _zarr(where)
    if not allow_links:
        refuse_links(path, where)
    array, meta, axes = _which(path, entry, where)
    plan = plan_axes(axes, meta.shape, where, clean_text(array), detector)
    stored = ZarrCounts(path, array, meta, plan)
    ny, nx, nc = stored.shape
    times = {n: _small(path, n, (ny, nx), "s", where) for n in ("live_time", "real_time")}
    live, notes = merge_live_time(times["live_time"], entry.live_time_s if entry else None, where)
    y, x = (_small(path, n, (size,), "mm", where) for n, size in (("y", ny), ("x", nx)))
    y, x = grid(y, x, (ny, nx), entry, where)
    quick_check(stored)
    token = _hash(path)
    attrs = attributes(path, where)
    return make_scan(
        lazy_counts(stored, f"{token[:16]}-{array}-{plan.picks}"),
        live_time=live,
        real_time=times["real_time"],
        monitor=_small(path, "monitor", (ny, nx), "1", where),
        y=y,
        x=x,
        energy_kev=_small(path, "energy", (nc,), "keV", where),
        instrument=_instrument(attrs, instrument, where),
        source=where,
        source_sha256=token,
        title=clean_text(attrs.get("title", "")),
        storage=f"Zarr; {meta.dtype}; chunks {meta.chunks}",
        notes=[*plan.notes, *notes],
    ).assign_attrs(detectors=plan.detectors)


def _which(
    path: Path, entry: ScanEntry | None, where: str
) -> tuple[str, ZarrArray, Sequence[AxisInfo]]:
    """Name, metadata and axes of the array of counts."""
    given, axes = split_axes(entry.dataset, where) if entry and entry.dataset else ("", None)
    name = given.strip("/")
    if not name and array_metadata(path, where, "") is None:
        name = "counts"
    if ".." in Path(name).parts or Path(name).is_absolute():
        raise refuse(where, clean_text(name), "a path that leads out", "a path in the store")
    meta = array_metadata(path / name if name else path, where, clean_text(name))
    if meta is None:
        raise refuse(
            where,
            clean_text(name),
            "no array of that name",
            "an array of counts",
            'name it in the study file: dataset = "path/in/the/store"',
        )
    if axes is None:
        axes = [AxisInfo(n) for n in meta.names]
        if len(axes) == 3 and not any(a.role for a in axes):
            axes = [AxisInfo(n) for n in ("y", "x", "energy")]
    return name, meta, axes


def _small(
    path: Path, name: str, shape: tuple[int, ...], units: str, where: str
) -> npt.NDArray[np.float64] | None:
    """Read an array of times, positions or energies; ``None`` if it is not there."""
    meta = array_metadata(path / name, where, name)
    if meta is None or meta.units != units:
        return None
    if meta.shape != shape or np.prod(shape) > MAX_SMALL:
        raise refuse(where, name, f"shape {meta.shape}", f"shape {shape}, to match the counts")
    box = tuple(slice(0, n) for n in shape)
    return np.asarray(_read(path, name, meta, box, where), dtype=np.float64)


def _instrument(attrs: dict[str, Any], said: Instrument | None, where: str) -> Instrument:
    try:
        own = Instrument.model_validate_json(str(attrs.get("instrument", "{}")))
    except ValueError as err:
        raise refuse(where, "instrument", clean_text(err, 80), "JSON of an instrument") from err
    facts = own.model_dump(exclude_unset=True)
    return merge_instrument(facts, facts.pop("detector", {}), said, where)


def _hash(path: Path) -> str:
    """SHA-256 over names and contents of all files of a store."""
    total = hashlib.sha256()
    for file in sorted(p for p in path.rglob("*") if p.is_file() and p.stat().st_size):
        total.update(f"{file.relative_to(path).as_posix()}\n{sha256_of(file)}\n".encode())
    return total.hexdigest()


def write_zarr(path: Path, ds: xr.Dataset) -> Path:
    """Write a scan as a Zarr store, block by block.

    Parameters
    ----------
    path : Path
        Folder to make; must not exist.
    ds : xarray.Dataset
        As in :mod:`xrfmap.scan`.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        If ``zarr`` is missing, the folder exists, or cannot be written.
    """
    where = clean_text(path.name)
    _zarr(where)
    if path.exists():
        raise refuse(where, "", "a folder of that name", "a new name", "choose another name")
    if ds["counts"].ndim != 3:
        raise refuse(where, "", "a point spectrum", "a scan", "write points as .msa, .nc or .h5")
    out = plain_attrs(check_scan(ds))
    try:
        with scratch_folder(path.parent) as folder:
            part = folder / path.name
            out.to_zarr(part, mode="w", consolidated=False)
            part.rename(path)
    except OSError as err:
        found = clean_text(err.strerror or err)
        raise refuse(where, "", found, "a folder that can be written to") from err
    return path
