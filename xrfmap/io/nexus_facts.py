"""Times, positions and instrument facts in a NeXus file.

Base classes and names after the NeXus definitions (from memory): ``NXsource``
(``target_material``, ``voltage``, ``current``, ``distance``), ``NXattenuator``
(``type``, ``thickness``), ``NXdetector`` (``sensor_material``, ``sensor_thickness``,
``distance``, ``polar_angle``, ``count_time``, ``real_time``, ``dead_time``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.hdf5 import get_node, read_small, read_string, text_attribute, walk_groups
from xrfmap.io.safe import clean_text
from xrfmap.io.units import factor, has_unit

__all__ = ["Facts", "entry_of", "find_time", "instrument_facts", "positions"]

# in the order in which they are believed; the last two are times by the clock
LIVE_NAMES = ("live_time", "livetime", "elapsed_live_time", "count_time")
REAL_NAMES = ("real_time", "realtime", "elapsed_real_time", "dwell_time", "exposure_time")
ELEMENT_NAMES = MappingProxyType(
    {
        "rhodium": "Rh", "molybdenum": "Mo", "palladium": "Pd", "silver": "Ag",
        "tungsten": "W", "chromium": "Cr", "copper": "Cu", "iron": "Fe", "cobalt": "Co",
        "gold": "Au", "titanium": "Ti", "platinum": "Pt",
    }
)  # fmt: skip


@dataclass
class Facts:
    """What a file says of its instrument, as fields of ``settings.Instrument``."""

    values: dict[str, Any] = field(default_factory=dict)
    detector: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def entry_of(node: h5py.Group) -> h5py.Group:
    """``NXentry`` that holds a group, else the root of the file."""
    group = node
    for _ in range(32):
        if text_attribute(group, "NX_class") == "NXentry" or group.name == "/":
            return group
        group = group.parent
    return node.file["/"]


def instrument_facts(entry: h5py.Group, counts: h5py.Dataset) -> Facts:
    """Facts of tube, filter, angles and detector below an entry.

    Parameters
    ----------
    entry : h5py.Group
        Entry to search.
    counts : h5py.Dataset
        The counts; the detector that holds them is preferred to others.

    Returns
    -------
    Facts
        With notes on what is there and could not be used.
    """
    facts = Facts()
    groups: dict[str, list[h5py.Group]] = {}
    for group in walk_groups(entry):
        groups.setdefault(text_attribute(group, "NX_class"), []).append(group)
    for source in groups.get("NXsource", [])[:1]:
        _source(source, facts)
    _attenuators(groups.get("NXattenuator", []), facts)
    detectors = groups.get("NXdetector", [])
    own = [d for d in detectors if _holds(d, counts)] or detectors
    if len(own) > 1:
        facts.notes.append(f"{len(own)} detectors are described; the first was taken")
    for detector in own[:1]:
        _detector(detector, facts)
    _angles([*own[:1], *groups.get("NXbeam", []), *groups.get("NXsample", [])], facts)
    for group in groups.get("NXinstrument", []):
        gas = read_string(_node(group, "atmosphere")).lower()
        if gas in ("air", "helium", "vacuum"):
            facts.values["atmosphere"] = gas
    return facts


def _node(group: h5py.Group, name: str) -> h5py.Dataset | None:
    try:
        node = get_node(group, name)
    except InputError:  # a link out of the file: facts from elsewhere are not needed
        return None
    return node if isinstance(node, h5py.Dataset) else None


def _holds(group: h5py.Group, counts: h5py.Dataset) -> bool:
    return any(
        group.get(name, getclass=True, getlink=True) is h5py.HardLink and group[name] == counts
        for name in list(group)[:1000]
    )


def _number(group: h5py.Group, name: str, target: str, facts: Facts) -> float | None:
    """One number in the unit wanted; a note where it cannot be used."""
    node = _node(group, name)
    if node is None or node.shape is None or node.size != 1:
        return None
    where = f"{clean_text(group.name)}/{name}"
    try:
        value = float(read_small(node).flat[0])
    except InputError:
        facts.notes.append(f"{where} is not a number and was passed over")
        return None
    units = text_attribute(node, "units")
    if not has_unit(units, target):
        shown = repr(units) if units else "no units"
        facts.notes.append(f"{where} has {shown} and was passed over (expected {target})")
        return None
    return value * factor(units, target, where, name)


def _source(group: h5py.Group, facts: Facts) -> None:
    target = read_string(_node(group, "target_material"))
    symbol = ELEMENT_NAMES.get(target.lower(), target)
    if re.fullmatch(r"[A-Z][a-z]?", symbol):
        facts.values["anode"] = symbol
    elif target:
        facts.notes.append(f"target material {target!r} is no element and was passed over")
    for name, unit, key in (("voltage", "kV", "tube_kv"), ("current", "mA", "tube_ma")):
        value = _number(group, name, unit, facts)
        if value:
            facts.values[key] = abs(value)
    distance = _number(group, "distance", "cm", facts)
    if distance is not None:  # negative in NeXus: upstream of the sample
        facts.values["beam_path_cm"] = abs(distance)


def _attenuators(groups: Sequence[h5py.Group], facts: Facts) -> None:
    inside = [g for g in groups if read_string(_node(g, "status")).lower() != "out"]
    found = []
    for group in inside:
        material = read_string(_node(group, "type"))
        thickness = _number(group, "thickness", "um", facts)
        if material and thickness:
            found.append((material, thickness))
    if len(found) < len(inside):
        facts.notes.append("an attenuator without material or thickness was passed over")
    if len(found) > 1:
        facts.notes.append("several attenuators are described; the first was taken")
    if found:
        facts.values["filter_material"], facts.values["filter_um"] = found[0]


def _detector(group: h5py.Group, facts: Facts) -> None:
    for name, key in (("sensor_material", "material"), ("window_material", "window_material")):
        text = read_string(_node(group, name))
        if text:
            facts.detector[key] = "Si" if text.lower() == "silicon" else text
    for name, unit, key in (
        ("sensor_thickness", "mm", "thickness_mm"),
        ("window", "um", "window_um"),
        ("dead_layer", "um", "dead_layer_um"),
    ):
        value = _number(group, name, unit, facts)
        if value is not None:
            facts.detector[key] = value
    distance = _number(group, "distance", "cm", facts)
    if distance is not None:
        facts.values["detector_path_cm"] = abs(distance)


def _angles(groups: Iterable[h5py.Group], facts: Facts) -> None:
    """Angles to the surface of the object, by name or from the scattering angle."""
    polar = None
    for group in groups:
        for name in ("incidence_angle", "incident_angle"):
            value = _number(group, name, "deg", facts)
            if value is not None:
                facts.values.setdefault("incidence_deg", value)
        for name in ("takeoff_angle", "take_off_angle", "elevation_angle", "exit_angle"):
            value = _number(group, name, "deg", facts)
            if value is not None:
                facts.values.setdefault("takeoff_deg", value)
        if polar is None and text_attribute(group, "NX_class") == "NXdetector":
            polar = _number(group, "polar_angle", "deg", facts)
    if polar is not None and "takeoff_deg" not in facts.values and "incidence_deg" in facts.values:
        # beam, surface normal and detector in one plane, as such heads are built
        takeoff = polar - facts.values["incidence_deg"]
        if 0 < takeoff <= 90:
            facts.values["takeoff_deg"] = takeoff
            facts.notes.append("take-off angle from polar_angle less incidence angle")


def find_time(
    groups: Sequence[h5py.Group],
    counts: h5py.Dataset,
    order: Sequence[int | None],
    where: str,
) -> tuple[dict[str, npt.NDArray[np.float64]], list[str]]:
    """Live and real time of each pixel.

    Parameters
    ----------
    groups : sequence of h5py.Group
        Where to look, the most trusted first.
    counts : h5py.Dataset
        The counts.
    order : sequence of (int or None)
        File axis of y, x and channel (channel only for a point).
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
            node = next((n for g in groups if (n := _node(g, name)) is not None), None)
            if node is not None:
                found[key] = _seconds(node, counts, order, where, notes)
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
    order: Sequence[int | None],
    where: str,
    notes: list[str],
) -> npt.NDArray[np.float64]:
    name = clean_text(node.name)
    units = text_attribute(node, "units")
    if not units:
        notes.append(f"{name} has no units; seconds were assumed")
    scale = factor(units, "s", where, name) if units else 1.0
    pixel_axes = [axis for axis in order[:-1]]
    shape = tuple(1 if axis is None else int(counts.shape[axis]) for axis in pixel_axes)
    values = read_small(node) * scale
    if values.size == 1:
        return np.full(shape, values.flat[0])
    named = sorted(axis for axis in pixel_axes if axis is not None)
    stored = tuple(int(counts.shape[axis]) for axis in named)
    squeezed = tuple(n for n in values.shape if n > 1)
    if squeezed != tuple(n for n in stored if n > 1):
        raise InputError(
            where,
            name,
            found=f"shape {values.shape}",
            expected=f"shape {stored} to match {clean_text(counts.name)}, or one number",
            remedy="export the scan again, or give live_time_s in the study file",
        )
    values = values.reshape(stored)
    present = [axis for axis in pixel_axes if axis is not None]
    return values.transpose([named.index(axis) for axis in present]).reshape(shape)


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
