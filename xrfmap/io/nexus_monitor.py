"""Readings of a beam monitor in a NeXus file (``NXmonitor``; names from memory of its definition).

What is read is the strength of the incident beam in each pixel, in any unit: the counts of
the monitor over the time in which it counted.
"""

from __future__ import annotations

from collections.abc import Mapping

import h5py
import numpy as np
import numpy.typing as npt

from xrfmap.io.axes import AxisPlan
from xrfmap.io.hdf5 import read_small, text_attribute, walk_groups
from xrfmap.io.nexus_facts import linked
from xrfmap.io.nexus_times import per_pixel
from xrfmap.io.safe import clean_text

__all__ = ["find_monitor"]

Array = npt.NDArray[np.float64]

USUAL_NAMES = ("control", "monitor")  # as the definitions of NXentry and NXfluo call it
RATES = {"1/s", "s-1", "s^-1", "hz", "khz", "mhz", "cps", "counts/s", "count/s", "a", "ma", "ua",
         "µa", "na", "pa", "v", "mv", "w", "mw"}  # fmt: skip
"""Units of what is a strength by itself and not a sum over the time of a pixel."""


def find_monitor(
    entry: h5py.Group, counts: h5py.Dataset, plan: AxisPlan, times: Mapping[str, Array]
) -> tuple[Array | None, list[str]]:
    """Find the strength of the incident beam in each pixel.

    Parameters
    ----------
    entry : h5py.Group
        Where to look: ``data`` of a group of class ``NXmonitor``; one named ``control`` or
        ``monitor`` goes before others.
    counts : h5py.Dataset
        The counts of the detector, whose pixels the readings must match.
    plan : AxisPlan
        File axis of y, x and channel, and further axes.
    times : mapping
        ``real_time`` of each pixel [s], where known, shape (y, x).

    Returns
    -------
    ndarray, shape (y, x), or None
        Readings over the ``count_time`` of the monitor where the file gives it for each
        pixel, else over the real time; as they are where their unit is a rate or a current.
    list of str
        Why a monitor was passed over, and what was assumed.
    """
    groups = [g for g in walk_groups(entry) if text_attribute(g, "NX_class") == "NXmonitor"]
    usable = [g for g in groups if (node := linked(g, "data")) is not None and node.size > 1]
    named = [g for n in USUAL_NAMES for g in usable if g.name.rsplit("/", 1)[-1] == n]
    if not usable:
        return None, []
    if not named and len(usable) > 1:
        names = ", ".join(clean_text(g.name) for g in usable[:4])
        return None, [f"several monitors ({names}), none called control: all were passed over"]
    return _strength((named or usable)[0], counts, plan, times)


def _strength(
    group: h5py.Group, counts: h5py.Dataset, plan: AxisPlan, times: Mapping[str, Array]
) -> tuple[Array | None, list[str]]:
    node = linked(group, "data")
    name = clean_text(group.name)
    if node is None or node.dtype.kind not in "iuf":
        return None, [f"{name}/data holds no numbers; the monitor was passed over"]
    notes: list[str] = []
    readings = per_pixel(np.asarray(read_small(node), np.float64), counts, plan, notes)
    if readings is None:
        shape = f"shape {node.shape}, the counts {counts.shape}"
        return None, [f"{name}/data has {shape}; the monitor was passed over"]
    if not np.isfinite(readings).any() or np.nanmin(readings) < 0:
        return None, [f"{name}/data holds numbers below zero or none; the monitor was passed over"]
    if text_attribute(node, "units").strip().lower() in RATES:
        return readings, notes
    own = linked(group, "count_time")
    time = None
    if own is not None and own.size > 1 and own.dtype.kind in "iuf":
        time = per_pixel(np.asarray(read_small(own), np.float64), counts, plan, notes)
    elif "real_time" in times:
        time = times["real_time"]
    if time is None or time.shape != readings.shape:
        return readings, [*notes, f"counts of {name} are taken as counted in equal times"]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(time > 0, readings / time, np.nan), notes
