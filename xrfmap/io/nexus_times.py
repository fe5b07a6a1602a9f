"""Times and positions in a NeXus file (names from memory of the NeXus definitions)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.hdf5 import read_small, text_attribute
from xrfmap.io.nexus_facts import linked
from xrfmap.io.nexus_find import Signal
from xrfmap.io.safe import clean_text
from xrfmap.io.units import factor, has_unit

__all__ = ["find_time", "per_pixel", "point_positions", "positions"]

# in the order in which they are believed; the last two are times by the clock
LIVE_NAMES = ("live_time", "livetime", "elapsed_live_time", "count_time")
REAL_NAMES = ("real_time", "realtime", "elapsed_real_time", "dwell_time", "exposure_time")


def find_time(
    groups: Sequence[h5py.Group],
    counts: h5py.Dataset,
    plan: AxisPlan,
    where: str,
) -> tuple[dict[str, npt.NDArray[np.float64]], list[str]]:
    """Live and real time of each pixel.

    Parameters
    ----------
    groups : sequence of h5py.Group
        Where to look, the most trusted first.
    counts : h5py.Dataset
        The counts.
    plan : AxisPlan
        File axis of y, x and channel, and further axes.
    where : str
        File, for messages.

    Returns
    -------
    dict
        ``live_time`` and ``real_time`` where found, shape (y, x) or (). [s]
    list of str
        What had to be assumed.

    Raises
    ------
    InputError
        If a time has another shape than the counts, or an unknown unit.
    """
    found: dict[str, npt.NDArray[np.float64]] = {}
    notes: list[str] = []
    for key, names in (("live_time", LIVE_NAMES), ("real_time", REAL_NAMES)):
        for name in names:
            node = next((n for g in groups if (n := linked(g, name)) is not None), None)
            if node is not None:
                found[key] = _seconds(node, counts, plan, where, notes)
                if name == "count_time":
                    notes.append("live time is count_time, which may be a time by the clock")
                break
    if "real_time" in found and "live_time" not in found:
        notes.append("no live time in the file; the real time stands in for it")
        found["live_time"] = found["real_time"]
    return found, notes


def _seconds(
    node: h5py.Dataset,
    counts: h5py.Dataset,
    plan: AxisPlan,
    where: str,
    notes: list[str],
) -> npt.NDArray[np.float64]:
    name = clean_text(node.name)
    units = text_attribute(node, "units")
    if not units:
        notes.append(f"{name} has no units; seconds were assumed")
    scale = factor(units, "s", where, name) if units else 1.0
    values = read_small(node) * scale
    found = per_pixel(values, counts, plan, notes)
    if found is not None:
        return found
    named = sorted(axis for axis in plan.order[:2] if axis is not None)
    stored = tuple(int(counts.shape[axis]) for axis in named)
    raise InputError(
        where,
        name,
        found=f"shape {values.shape}",
        expected=f"shape {stored} to match {clean_text(counts.name)}, or one number",
        remedy="export the scan again, or give live_time_s in the study file",
    )


def per_pixel(
    values: npt.NDArray[np.float64], counts: h5py.Dataset, plan: AxisPlan, notes: list[str]
) -> npt.NDArray[np.float64] | None:
    """Bring one number for each pixel, or one for all, into the shape (y, x).

    Parameters
    ----------
    values : ndarray
        As stored: one number, one for each pixel, or one for each pixel and detector.
    counts : h5py.Dataset
        The counts that they belong to.
    plan : AxisPlan
        File axis of y, x and channel, and further axes.
    notes : list of str
        Gets a note where detectors are averaged.

    Returns
    -------
    ndarray, shape (y, x), or None
        None if the shape does not fit the counts.
    """
    shape = tuple(1 if axis is None else int(counts.shape[axis]) for axis in plan.order[:2])
    if values.size == 1:
        return np.full(shape, values.flat[0])
    named = sorted(axis for axis in plan.order[:2] if axis is not None)
    further = {axis: index for axis, index in plan.picks if counts.shape[axis] > 1}
    squeezed = tuple(n for n in values.shape if n > 1)
    for axes in (named, sorted([*named, *further])):  # one time for all detectors, or for each
        stored = tuple(int(counts.shape[axis]) for axis in axes)
        if squeezed == tuple(n for n in stored if n > 1):
            return _arranged(values.reshape(stored), axes, plan, shape, notes)
    return None


def _arranged(
    values: npt.NDArray[Any],
    axes: Sequence[int],
    plan: AxisPlan,
    shape: tuple[int, ...],
    notes: list[str],
) -> npt.NDArray[np.float64]:
    """Bring times into (y, x), with the detector that is wanted."""
    picks = dict(plan.picks)
    for position in reversed(range(len(axes))):
        if axes[position] in picks:
            index = picks[axes[position]]
            if index is None:
                notes.append("live time is the mean over the detectors that are added up")
                values = np.asarray(values.mean(axis=position))
            else:
                values = values.take(index, axis=position)
    kept = [axis for axis in axes if axis not in picks]
    present = [axis for axis in plan.order[:2] if axis is not None]
    return values.transpose([kept.index(axis) for axis in present]).reshape(shape)


def positions(
    node: h5py.Dataset | None, size: int, along: int, where: str
) -> tuple[npt.NDArray[np.float64] | None, list[str]]:
    """Pixel centres along one axis.

    Parameters
    ----------
    node : h5py.Dataset or None
        Positions: shape (size,), (size + 1,) for edges, or a map (y, x) of positions
        as read back from the stage.
    size : int
        Number of pixels along the axis.
    along : int
        Which axis of a map runs along this coordinate (0 for y, 1 for x).
    where : str
        File, for messages.

    Returns
    -------
    ndarray or None
        Positions; ``None`` where the file has none that can be used. [mm]
    list of str
        Why positions were passed over or changed.

    Raises
    ------
    InputError
        If the length does not fit the counts.
    """
    if node is None or node.dtype.kind not in "iuf":
        return None, []
    name = clean_text(node.name)
    units = text_attribute(node, "units")
    if not units and node.shape == (size,) and (read_small(node) == np.arange(size)).all():
        return None, []  # pixel numbers
    if not has_unit(units, "mm"):
        shown = repr(units) if units else "no units"
        return None, [f"{name} has {shown}; positions were passed over (expected mm)"]
    values = read_small(node) * factor(units, "mm", where, name)
    notes: list[str] = []
    if values.ndim == 2 and values.shape[along] == size:
        mean = values.mean(axis=1 - along)
        spread = np.abs(values - np.expand_dims(mean, 1 - along)).max()
        if size > 1 and spread > 0.5 * abs(mean[-1] - mean[0]) / (size - 1):
            notes.append(f"{name} strays by {spread:.3g} mm, more than half a pixel, from a grid")
        values = mean
    if values.shape == (size + 1,):
        values = 0.5 * (values[1:] + values[:-1])
    if values.shape != (size,):
        raise InputError(
            where,
            name,
            found=f"shape {values.shape}",
            expected=f"shape ({size},) to match the counts",
            remedy="export the scan again, or give pixel_mm in the study file",
        )
    step = np.diff(values)
    if not np.isfinite(values).all() or not ((step > 0).all() or (step < 0).all()):
        return None, [f"{name} does not rise or fall all the way; positions were passed over"]
    return values, notes


def point_positions(
    signal: Signal, plan: AxisPlan
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]] | None:
    """Find the positions y and x of every point of a scan stored as a list.

    Parameters
    ----------
    signal : Signal
        The counts and the group that may hold ``y`` and ``x``.
    plan : AxisPlan
        With one pixel axis for a list.

    Returns
    -------
    tuple of ndarray or None
        Positions; ``None`` if the counts are no list, or either is missing or has no unit
        of length. [mm]
    """
    axes = [axis for axis in plan.order[:2] if axis is not None]
    if len(axes) != 1 or signal.counts.shape[axes[0]] < 4:
        return None
    shape = (signal.counts.shape[axes[0]],)
    found = []
    for name in ("y", "x"):
        node = linked(signal.group, name)
        units = "" if node is None else text_attribute(node, "units")
        if node is None or node.shape != shape or not has_unit(units, "mm"):
            return None
        values = read_small(node) * factor(units, "mm", "", name)
        found.append(np.asarray(values, dtype=np.float64))
    return found[0], found[1]
