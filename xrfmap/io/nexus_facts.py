"""Instrument facts in a NeXus file.

Base classes and names after the NeXus definitions (from memory): ``NXsource``
(``target_material``, ``voltage``, ``current``, ``distance``), ``NXattenuator``
(``type``, ``thickness``), ``NXdetector`` (``sensor_material``, ``sensor_thickness``,
``distance``, ``polar_angle``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import h5py

from xrfmap.errors import InputError
from xrfmap.io.hdf5 import get_node, read_small, read_string, text_attribute, walk_groups
from xrfmap.io.safe import clean_text
from xrfmap.io.units import factor, has_unit

__all__ = ["Facts", "entry_of", "instrument_facts", "linked"]

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
        gas = read_string(linked(group, "atmosphere")).lower()
        if gas in ("air", "helium", "vacuum"):
            facts.values["atmosphere"] = gas
    return facts


def linked(group: h5py.Group, name: str) -> h5py.Dataset | None:
    """Dataset of a group; what lies in another file counts as none."""
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
    node = linked(group, name)
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
    target = read_string(linked(group, "target_material"))
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
    inside = [g for g in groups if read_string(linked(g, "status")).lower() != "out"]
    found = []
    for group in inside:
        material = read_string(linked(group, "type"))
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
        text = read_string(linked(group, name))
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
