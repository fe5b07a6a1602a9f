"""Scans and point spectra in NeXus/HDF5 files."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan, DetectorChoice, plan_axes
from xrfmap.io.chunks import read_box
from xrfmap.io.h5counts import H5Counts, storage_of
from xrfmap.io.hdf5 import (
    check_dataset,
    damaged,
    get_node,
    open_hdf5,
    read_small,
    read_string,
    text_attribute,
    walk_groups,
)
from xrfmap.io.lazy import lazy_counts, quick_check
from xrfmap.io.merge import grid, merge_instrument, merge_live_time
from xrfmap.io.nexus_facts import entry_of, instrument_facts
from xrfmap.io.nexus_find import Axis, Signal, by_hand, find_signal
from xrfmap.io.nexus_monitor import find_monitor
from xrfmap.io.nexus_times import find_time, point_positions, positions
from xrfmap.io.nexus_write import write_nexus
from xrfmap.io.point_list import ListedCounts, grid_of_points, spread
from xrfmap.io.safe import MAX_CHANNELS, clean_text
from xrfmap.io.stored import StoredCounts, check_counts
from xrfmap.io.units import factor, has_unit
from xrfmap.io.vet import vetted_hash
from xrfmap.numbers import whole
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument, ScanEntry

__all__ = ["open_nexus_point", "open_nexus_scan", "write_nexus"]


def open_nexus_scan(
    path: Path,
    entry: ScanEntry | None = None,
    instrument: Instrument | None = None,
    *,
    detector: DetectorChoice = None,
    allow_links: bool = False,
) -> xr.Dataset:
    """Open a scan; the counts stay on disk.

    Parameters
    ----------
    path : Path
        HDF5 file.
    entry : ScanEntry, optional
        What the study file says of the scan: dataset, live time, pixel size, origin.
        ``dataset`` may name the axes: ``"/entry/counts [energy, y, x]"``.
    instrument : Instrument, optional
        What the study file says of the instrument.
    detector : int, "sum" or None
        What to take of an axis of several detectors; see :mod:`xrfmap.calibration.detectors`.
    allow_links : bool
        Whether data may lie in other files (external links, virtual datasets).

    Returns
    -------
    xarray.Dataset
        See :mod:`xrfmap.scan`.

    Raises
    ------
    InputError
        If the file, or what it declares, cannot be used; if file and study contradict
        each other.
    """
    where = clean_text(path.name)
    sha = vetted_hash(path)
    with open_hdf5(path) as file:
        given = entry.dataset if entry is not None else None
        if given:
            signal = by_hand(file, given, allow_links=allow_links)
        else:
            signal = find_signal(file, scan=True, allow_links=allow_links)
        check_dataset(signal.counts, allow_links=allow_links)
        _check_number_type(signal.counts, where)
        infos = [axis.info for axis in signal.axes]
        name = clean_text(signal.counts.name)
        plan = plan_axes(infos, signal.counts.shape, where, name, detector)
        stored: StoredCounts = H5Counts(path, signal.counts, plan, allow_links)
        top = entry_of(signal.group)
        times, time_notes = find_time(_time_groups(signal, top), signal.counts, plan, where)
        monitor, monitor_notes = find_monitor(top, signal.counts, plan, times)
        if monitor is not None:
            times["monitor"] = monitor
        places = point_positions(signal, plan)
        if places is not None:
            stored, times, y, x, place_notes = _laid_out(stored, times, *places)
        else:
            y, y_notes = positions(_position_node(signal, plan, 0), stored.shape[0], 0, where)
            x, x_notes = positions(_position_node(signal, plan, 1), stored.shape[1], 1, where)
            place_notes = [*y_notes, *x_notes]
        energy, energy_notes = _energy(signal.axes[plan.order[2]], stored.shape[2], where)
        facts = instrument_facts(top, signal.counts)
        title = read_string(get_node(top, "title", allow_links=allow_links))
        storage = storage_of(signal.counts)
    notes = [*signal.notes, *plan.notes, *time_notes, *monitor_notes, *place_notes]
    notes += [*energy_notes, *facts.notes]
    live, live_notes = merge_live_time(
        times.get("live_time"), entry.live_time_s if entry else None, where
    )
    y, x = grid(y, x, (stored.shape[0], stored.shape[1]), entry, where)
    quick_check(stored)
    return make_scan(
        lazy_counts(stored, f"{sha[:16]}-{stored.field}-{plan.picks}"),
        live_time=live,
        real_time=times.get("real_time"),
        monitor=times.get("monitor"),
        y=y,
        x=x,
        energy_kev=energy,
        instrument=merge_instrument(facts.values, facts.detector, instrument, where),
        source=where,
        source_sha256=sha,
        title=title,
        storage=storage,
        notes=[*notes, *live_notes],
    ).assign_attrs(detectors=plan.detectors)


def open_nexus_point(
    path: Path,
    *,
    dataset: str | None = None,
    live_time_s: float | None = None,
    instrument: Instrument | None = None,
    allow_links: bool = False,
) -> xr.Dataset:
    """Open a point spectrum (``NXfluo``, or an ``NXdata`` of one dimension).

    Parameters
    ----------
    path : Path
        HDF5 file.
    dataset : str, optional
        Path in the file, where signal and axes are missing.
    live_time_s : float, optional
        Live time that the study file gives. [s]
    instrument : Instrument, optional
        What the study file says of the instrument.
    allow_links : bool
        Whether data may lie in other files.

    Returns
    -------
    xarray.Dataset
        Dims ``channel``; counts in memory.

    Raises
    ------
    InputError
        If the file, or what it declares, cannot be used.
    """
    where = clean_text(path.name)
    sha = vetted_hash(path)
    with open_hdf5(path) as file:
        signal = _find_point(file, dataset, allow_links)
        check_dataset(signal.counts, allow_links=allow_links)
        _check_number_type(signal.counts, where)
        axis = int(np.argmax(signal.counts.shape))
        size = int(signal.counts.shape[axis])
        if size != signal.counts.size or not 1 <= size <= MAX_CHANNELS:
            raise InputError(
                where,
                clean_text(signal.counts.name),
                found=f"shape {signal.counts.shape}",
                expected=f"one spectrum of 1 to {whole(MAX_CHANNELS)} channels",
                remedy="list scans under [[scan]]",
            )
        with damaged(path):
            box = tuple(slice(0, n) for n in signal.counts.shape)
            counts = np.ravel(read_box(signal.counts, box))
        top = entry_of(signal.group)
        plan = AxisPlan((None, None, axis))
        found, notes = find_time(_time_groups(signal, top), signal.counts, plan, where)
        times = {key: value.reshape(()) for key, value in found.items()}
        energy, energy_notes = _energy(signal.axes[axis], size, where)
        facts = instrument_facts(top, signal.counts)
        title = read_string(get_node(top, "title", allow_links=allow_links))
        storage = storage_of(signal.counts)
    check_counts(counts, where, signal_name := "counts")
    if not counts.any():
        raise InputError(
            where,
            signal_name,
            found=f"no count in {whole(size)} channels",
            expected="a spectrum with counts",
            remedy="check that the right dataset was exported",
        )
    live, _ = merge_live_time(times.get("live_time"), live_time_s, where)
    return make_scan(
        counts.astype(counts.dtype.newbyteorder("=")),
        live_time=live,
        real_time=times.get("real_time"),
        energy_kev=energy,
        instrument=merge_instrument(facts.values, facts.detector, instrument, where),
        source=where,
        source_sha256=sha,
        title=title,
        storage=storage,
        notes=[*signal.notes, *notes, *energy_notes, *facts.notes],
    )


def _find_point(file: h5py.File, dataset: str | None, allow_links: bool) -> Signal:
    if dataset:
        return by_hand(file, dataset, allow_links=allow_links)
    try:
        return find_signal(file, scan=False, allow_links=allow_links)
    except InputError:
        # NXfluo: the detector "fluorescence" holds data and energy even without NXdata
        for group in walk_groups(file):
            if text_attribute(group, "NX_class") == "NXdetector":
                node = get_node(group, "data")
                if isinstance(node, h5py.Dataset) and node.ndim == 1:
                    energy = get_node(group, "energy")
                    axis = Axis("energy", energy if isinstance(energy, h5py.Dataset) else None)
                    return Signal(group, node, (axis,))
        raise


def _check_number_type(counts: h5py.Dataset, where: str) -> None:
    if counts.dtype.kind not in "iuf":
        raise InputError(
            where,
            clean_text(counts.name),
            found=f"type {counts.dtype}",
            expected="integers or real numbers",
            remedy="name the dataset of counts in the study file",
        )


def _time_groups(signal: Signal, top: h5py.Group) -> list[h5py.Group]:
    """List groups that may hold the times, the most trusted first."""
    detectors = [g for g in walk_groups(top) if text_attribute(g, "NX_class") == "NXdetector"]
    own = [d for d in detectors if any(_same(d, name, signal.counts) for name in d)]
    return [signal.group, *(own or detectors), top]


def _same(group: h5py.Group, name: str, counts: h5py.Dataset) -> bool:
    if group.get(name, getclass=True, getlink=True) is not h5py.HardLink:
        return False
    return bool(group[name] == counts)


def _position_node(signal: Signal, plan: AxisPlan, which: int) -> h5py.Dataset | None:
    axis = plan.order[which]
    if axis is None:
        return None
    if signal.axes[axis].values is not None:
        return signal.axes[axis].values
    node = get_node(signal.group, "yx"[which])
    return node if isinstance(node, h5py.Dataset) and node.ndim in (1, 2) else None


def _laid_out(
    stored: StoredCounts,
    times: dict[str, npt.NDArray[np.float64]],
    y: npt.NDArray[np.float64],
    x: npt.NDArray[np.float64],
) -> tuple[
    StoredCounts,
    dict[str, npt.NDArray[np.float64]],
    npt.NDArray[np.float64] | None,
    npt.NDArray[np.float64] | None,
    list[str],
]:
    """Lay a list of points out on the grid of their positions, if there is one."""
    found = grid_of_points(y, x)
    if found is None:
        return stored, times, None, None, ["positions of the points make no grid"]
    index, at_y, at_x = found
    notes = [
        f"{whole(index.shape[0])} x {whole(index.shape[1])} pixels from a list of "
        f"{whole(y.size)} points"
    ]
    missing = int((index < 0).sum())
    if missing:
        notes.append(f"{whole(missing)} pixels have no point")
    laid = {name: value for name, old in times.items() if (value := spread(old, index)) is not None}
    return ListedCounts(stored, index), laid, at_y, at_x, notes


def _energy(axis: Axis, size: int, where: str) -> tuple[npt.NDArray[np.float64] | None, list[str]]:
    """Energy axis; ``None`` where the file has channel numbers or nothing."""
    node = axis.values
    if node is None or node.dtype.kind not in "iuf":
        return None, []
    name = clean_text(node.name)
    if node.shape not in ((size,), (size + 1,)):
        raise InputError(
            where,
            name,
            found=f"shape {node.shape}",
            expected=f"shape ({size},) to match the counts",
            remedy="export the data again",
        )
    values = read_small(node)
    if len(values) == size + 1:
        values = 0.5 * (values[1:] + values[:-1])
    units = text_attribute(node, "units")
    if size < 2 or (np.allclose(np.diff(values), 1.0) and not has_unit(units, "keV")):
        return None, []  # channel numbers
    if not has_unit(units, "keV"):
        shown = repr(units) if units else "no units"
        return None, [f"{name} has {shown}; the energy axis was passed over (expected keV or eV)"]
    values = values * factor(units, "keV", where, name)
    if not np.isfinite(values).all() or not (np.diff(values) > 0).all():
        return None, [f"{name} does not rise all the way; the energy axis was passed over"]
    return values, []
