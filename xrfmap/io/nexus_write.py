"""Write scans and point spectra as NeXus (``NXdata``; ``NXfluo`` names for points)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.lazy import block_shape
from xrfmap.io.results import atomic_write
from xrfmap.io.safe import clean_text
from xrfmap.io.stored import check_counts
from xrfmap.numbers import number
from xrfmap.settings import Instrument

__all__ = ["write_nexus"]

CHUNK_BYTES = 1 << 20  # about a row of 250 pixels; unpacks in a few milliseconds


def write_nexus(
    path: Path,
    counts: Any,
    live_time: npt.ArrayLike | None = None,
    *,
    real_time: npt.ArrayLike | None = None,
    monitor: npt.ArrayLike | None = None,
    y_mm: npt.ArrayLike | None = None,
    x_mm: npt.ArrayLike | None = None,
    energy_kev: npt.ArrayLike | None = None,
    instrument: Instrument | None = None,
    title: str = "",
    dtype: npt.DTypeLike | None = None,
    compression: str | None = "gzip",
) -> Path:
    """Write a scan or a point spectrum as a NeXus file.

    The same input gives the same bytes with the same HDF5 and zlib: no time stamps
    are stored. The file appears under its name only when it is complete.

    Parameters
    ----------
    path : Path
        File to write; replaced if it exists.
    counts : array_like or dask array, shape (y, x, channel) or (channel,)
        Counts; a dask array is written block by block. [counts]
    live_time, real_time : scalar or array_like, shape (y, x) or (), optional
        [s]
    monitor : array_like, shape (y, x), optional
        Strength of the incident beam, stored as a rate so that no reader divides it again.
    y_mm, x_mm : array_like, shape (y,) and (x,), optional
        Pixel centres. [mm]
    energy_kev : array_like, shape (channel,), optional
        Middle of each channel. [keV]
    instrument : Instrument, optional
        Only what was set is written.
    title : str
        Title of the entry.
    dtype : dtype, optional
        Type to store; that of `counts` if not given. Numbers that do not fit are
        refused.
    compression : {"gzip", None}
        ``gzip`` (with the byte shuffle filter) can be read by every HDF5.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If shapes do not fit, counts are negative or do not fit `dtype`, or the file
        cannot be written.
    """
    path = Path(path)
    array = counts if hasattr(counts, "dask") else np.asarray(counts)
    if array.ndim not in (1, 3):
        raise _shape_error(path, "counts", array.shape, "(y, x, channel) or (channel,)")
    store = np.dtype(dtype or array.dtype)
    with atomic_write(path) as part, h5py.File(part, "w", locking=False) as file:
        file.attrs["default"] = "entry"
        entry = _group(file, "entry", "NXentry", default="data")
        _put(entry, "title", title or path.stem)
        if array.ndim == 1:
            _put(entry, "definition", "NXfluo")
        inst = _group(entry, "instrument", "NXinstrument")
        _write_instrument(inst, instrument or Instrument())
        detector = _group(inst, "fluorescence", "NXdetector")
        data = _group(entry, "data", "NXdata")
        name = "counts" if array.ndim == 3 else "data"
        _write_counts(path, detector, name, array, store, compression)
        data[name] = detector[name]
        data.attrs["signal"] = name
        _write_axes(path, data, detector, array.shape, y_mm, x_mm, energy_kev)
        for key, value in (("live_time", live_time), ("real_time", real_time)):
            if value is not None:
                _write_time(path, detector, key, value, array.shape[:-1])
        if monitor is not None:
            strength = np.asarray(monitor, dtype=np.float64)
            if strength.shape != array.shape[:-1]:
                raise _shape_error(path, "monitor", strength.shape, str(array.shape[:-1]))
            _put(_group(entry, "control", "NXmonitor"), "data", strength, "1/s")
        _write_sensor(detector, instrument or Instrument())
    return path


def _shape_error(path: Path, field: str, found: Any, expected: str) -> InputError:
    return InputError(
        clean_text(path.name),
        field,
        found=f"shape {tuple(found)}",
        expected=f"shape {expected}",
        remedy="give arrays that match the counts",
    )


def _group(parent: h5py.Group, name: str, nx_class: str, default: str = "") -> h5py.Group:
    group = parent.create_group(name)
    group.attrs["NX_class"] = nx_class
    if default:
        group.attrs["default"] = default
    return group


def _put(group: h5py.Group, name: str, value: Any, units: str = "", **options: Any) -> h5py.Dataset:
    # time stamps would make two runs differ
    dset = group.create_dataset(name, data=value, track_times=False, **options)
    if units:
        dset.attrs["units"] = units
    return dset


def _write_counts(
    path: Path, group: h5py.Group, name: str, array: Any, store: np.dtype[Any], filt: str | None
) -> None:
    options: dict[str, Any] = {}
    if filt is not None:
        options = {"compression": filt, "compression_opts": 4, "shuffle": True}
    chunks = _chunks(array.shape, store.itemsize)
    dset = group.create_dataset(
        name, shape=array.shape, dtype=store, chunks=chunks, track_times=False, **options
    )
    dset.attrs["units"] = "counts"
    for key, block in _blocks(array, chunks):
        first = [k.start or 0 for k in key[:2]]
        check_counts(block, clean_text(path.name), name, first)
        dset[key] = _fit(path, block, store)


def _chunks(shape: tuple[int, ...], itemsize: int) -> tuple[int, ...]:
    if len(shape) == 1:
        return shape
    _, nx, nc = shape
    return 1, max(1, min(nx, CHUNK_BYTES // (nc * itemsize))), nc


def _blocks(array: Any, chunks: tuple[int, ...]) -> Iterator[tuple[Any, npt.NDArray[Any]]]:
    """Blocks of some thousand pixels that start and end on chunks."""
    if array.ndim == 1:
        yield (slice(None),), np.asarray(array)
        return
    ny, nx, _ = array.shape
    rows, columns = block_shape(array.shape, array.dtype.itemsize, (chunks[0], chunks[1]))
    if hasattr(array, "dask"):  # the blocks of a dask array are what can be had at one go
        rows, columns = array.chunks[0][0], array.chunks[1][0]
    for y in range(0, ny, rows):
        for x in range(0, nx, columns):
            key = (slice(y, min(y + rows, ny)), slice(x, min(x + columns, nx)), slice(None))
            yield key, np.asarray(array[key])


def _fit(path: Path, block: npt.NDArray[Any], store: np.dtype[Any]) -> npt.NDArray[Any]:
    """Convert a block, refusing numbers that the type cannot hold."""
    if block.dtype == store:
        return block
    if store.kind in "iu" and block.size:
        top = float(block.max())
        if top > np.iinfo(store).max or (block.dtype.kind == "f" and (block % 1 != 0).any()):
            raise InputError(
                clean_text(path.name),
                "counts",
                found=f"counts up to {number(top, 6)} of type {block.dtype}",
                expected=f"whole numbers that fit {store}",
                remedy="choose a wider type",
            )
    return block.astype(store)


def _write_axes(
    path: Path,
    data: h5py.Group,
    detector: h5py.Group,
    shape: tuple[int, ...],
    y_mm: npt.ArrayLike | None,
    x_mm: npt.ArrayLike | None,
    energy_kev: npt.ArrayLike | None,
) -> None:
    names = ("y", "x", "energy") if len(shape) == 3 else ("energy",)
    values: dict[str, npt.ArrayLike | None] = {"y": y_mm, "x": x_mm, "energy": energy_kev}
    axes = []
    for axis, name in enumerate(names):
        value = values[name]
        known = value is not None
        if not known:  # bare numbers keep the name, so that readers know which axis it is
            name = "channel" if name == "energy" else name
            value = np.arange(shape[axis], dtype=np.int32)
        array = np.asarray(value)
        if array.shape != (shape[axis],):
            raise _shape_error(path, name, array.shape, f"({shape[axis]},)")
        units = ("keV" if name == "energy" else "mm") if known else ""
        dset = _put(detector if name in ("energy", "channel") else data, name, array, units)
        if dset.parent != data:
            data[name] = dset
        data.attrs[f"{name}_indices"] = axis
        axes.append(name)
    data.attrs["axes"] = axes


def _write_time(
    path: Path, group: h5py.Group, name: str, value: npt.ArrayLike, shape: tuple[int, ...]
) -> None:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim and array.shape != shape:
        raise _shape_error(path, name, array.shape, str(shape))
    options = {"compression": "gzip", "shuffle": True} if math.prod(array.shape) > 1000 else {}
    _put(group, name, array, "s", **options)


def _write_instrument(inst: h5py.Group, said: Instrument) -> None:
    """Write what was said of tube, filter and angles into the NeXus base classes."""
    known = said.model_fields_set
    source = _group(inst, "source", "NXsource")
    _put(source, "probe", "x-ray")
    if "beam_path_cm" in known:  # negative in NeXus: upstream of the sample
        _put(source, "distance", -said.beam_path_cm, "cm")
    if "atmosphere" in known:
        _put(inst, "atmosphere", said.atmosphere)
    if said.anode is not None:
        _put(source, "type", "Fixed Tube X-ray")
        _put(source, "target_material", said.anode)
    if said.tube_kv is not None:
        _put(source, "voltage", said.tube_kv, "kV")
    if said.tube_ma is not None:
        _put(source, "current", said.tube_ma, "mA")
    if said.filter_material is not None and said.filter_um > 0:
        attenuator = _group(inst, "attenuator", "NXattenuator")
        _put(attenuator, "type", said.filter_material)
        _put(attenuator, "thickness", said.filter_um, "um")
    if "incidence_deg" in known:
        _put(_group(inst, "beam", "NXbeam"), "incidence_angle", said.incidence_deg, "deg")


def _write_sensor(detector: h5py.Group, said: Instrument) -> None:
    known, sensor = said.model_fields_set, said.detector.model_fields_set
    if "takeoff_deg" in known:
        _put(detector, "takeoff_angle", said.takeoff_deg, "deg")
    if "detector_path_cm" in known:
        _put(detector, "distance", said.detector_path_cm, "cm")
    if "material" in sensor:
        _put(detector, "sensor_material", said.detector.material)
    if "thickness_mm" in sensor:
        _put(detector, "sensor_thickness", said.detector.thickness_mm, "mm")
    for name, units in (("window_um", "um"), ("dead_layer_um", "um")):
        if name in sensor:
            _put(detector, name.removesuffix("_um"), getattr(said.detector, name), units)
    if "window_material" in sensor:
        _put(detector, "window_material", said.detector.window_material)
