"""Find the counts in a NeXus file and what each of its axes means.

Sources: NeXus manual, "Associating plottable data using attributes applied to the
NXdata group" (``signal``, ``axes``, ``AXISNAME_indices``, the ``default`` chain) and
the two older ways (``signal=1`` with ``axes`` or with ``axis`` and ``primary`` on
the datasets). From memory; the manual was not at hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisInfo, DetectorChoice, split_axes
from xrfmap.io.hdf5 import attribute, children, get_node, text_attribute, walk_groups
from xrfmap.io.safe import MAX_RANK, clean_text

__all__ = ["Axis", "Signal", "by_hand", "find_signal"]


@dataclass(frozen=True)
class Axis:
    """One axis of the counts: its name and the dataset of its values, where there are any."""

    name: str = ""
    values: h5py.Dataset | None = None
    pick: DetectorChoice = None

    @property
    def info(self) -> AxisInfo:
        """Name, unit and choice, without the values."""
        units = text_attribute(self.values, "units") if self.values is not None else ""
        return AxisInfo(self.name, units, self.pick)


@dataclass(frozen=True)
class Signal:
    """The counts, the group that declares them and one :class:`Axis` per dimension."""

    group: h5py.Group
    counts: h5py.Dataset
    axes: tuple[Axis, ...]
    notes: tuple[str, ...] = ()


def find_signal(file: h5py.File, *, scan: bool, allow_links: bool = False) -> Signal:
    """Find the counts through the ``default`` chain, else among all ``NXdata``.

    Parameters
    ----------
    file : h5py.File
        Open file.
    scan : bool
        Whether a scan (two or more dimensions longer than one) or a point spectrum
        is wanted.
    allow_links : bool
        Whether links to other files may be followed.

    Returns
    -------
    Signal
        The counts.

    Raises
    ------
    InputError
        If there is none, or several and the default chain names none of them.
    """
    where = clean_text(file.filename)
    found: list[Signal] = []
    for group in _default_chain(file, allow_links):
        signal = _signal_of(group, allow_links)
        if signal is not None and _fits(signal.counts, scan):
            return signal
    for group in walk_groups(file, allow_links=allow_links):
        signal = _signal_of(group, allow_links)
        if signal is not None and _fits(signal.counts, scan):
            found.append(signal)
    distinct = {h5py.h5o.get_info(s.counts.id).addr: s for s in reversed(found)}
    if len(distinct) == 1:
        return next(iter(distinct.values()))
    kind = "a scan (y, x, energy)" if scan else "a point spectrum (energy)"
    if not distinct:
        raise InputError(
            where,
            found=f"no NXdata group with {kind}; datasets: {_listing(file)}",
            expected=f"an NXdata group whose signal is {kind}",
            remedy=_other_kind(file, scan, allow_links),
        )
    names = ", ".join(sorted(clean_text(s.counts.name) for s in distinct.values())[:10])
    raise InputError(
        where,
        found=f"several candidates ({names})",
        expected=f"one signal that is {kind}, or a default attribute that names it",
        remedy='name the one you mean in the study file, as dataset = "/path/in/the/file"',
    )


def _other_kind(file: h5py.File, scan: bool, allow_links: bool) -> str:
    for group in walk_groups(file, allow_links=allow_links):
        signal = _signal_of(group, allow_links)
        if signal is not None and _fits(signal.counts, not scan):
            return (
                "this file holds a point spectrum: list it under [[point]]"
                if scan
                else "this file holds a scan: list it under [[scan]]"
            )
    return 'name the dataset in the study file, as dataset = "/path/in/the/file"'


def _listing(file: h5py.File) -> str:
    names = [
        f"{clean_text(group.name).rstrip('/')}/{clean_text(name)}"
        for group in walk_groups(file)
        for name in children(group)
        if group.get(name, getclass=True, getlink=True) is h5py.HardLink
        and group.get(name, getclass=True) is h5py.Dataset
    ]
    return ", ".join(names[:8]) + (", ..." if len(names) > 8 else "") if names else "none"


def _fits(counts: h5py.Dataset, scan: bool) -> bool:
    if counts.shape is None or not 1 <= len(counts.shape) <= MAX_RANK:
        return False
    long = sum(n > 1 for n in counts.shape)
    if not scan:
        return bool(counts.ndim == 1 or long == 1)
    return bool(counts.ndim >= 3 or long >= 2)


def _default_chain(file: h5py.File, allow_links: bool) -> Iterator[h5py.Group]:
    """List the groups along the ``default`` attributes, the deepest last; NXdata only."""
    group: h5py.Group = file
    for _ in range(16):
        name = text_attribute(group, "default")
        node = get_node(group, name, allow_links=allow_links) if name else None
        if not isinstance(node, h5py.Group):
            return
        group = node
        if text_attribute(group, "NX_class") in ("NXdata", ""):
            yield group


def _signal_of(group: h5py.Group, allow_links: bool) -> Signal | None:
    """Find the counts that a group declares, in the new or one of the old ways."""
    name = text_attribute(group, "signal")
    node = get_node(group, name, allow_links=allow_links) if name else None
    if isinstance(node, h5py.Dataset):
        return Signal(group, node, _group_axes(group, node, allow_links))
    for child in children(group):
        node = _dataset(group, child)
        if node is not None and text_attribute(node, "signal") == "1":
            return Signal(group, node, *_old_axes(group, node, allow_links))
    if text_attribute(group, "NX_class") == "NXdata":  # NXfluo asks for these names only
        node = _dataset(group, "data")
        if node is not None:
            names = ("energy",) if node.ndim == 1 else ()
            axes = tuple(Axis(n, _dataset(group, n)) for n in names)
            return Signal(group, node, axes or (Axis(),) * node.ndim)
    return None


def _dataset(group: h5py.Group, name: str, allow_links: bool = False) -> h5py.Dataset | None:
    """Dataset of that name; what lies in other files or cannot be opened counts as none."""
    try:
        node = get_node(group, name, allow_links=allow_links)
    except (InputError, OSError, KeyError, RuntimeError, ValueError):
        return None
    return node if isinstance(node, h5py.Dataset) else None


def _names(value: object) -> list[str]:
    """Axis names from a list attribute or from ``y:x:energy``."""
    if value is None:
        return []
    if isinstance(value, np.ndarray):
        parts = [clean_text(v) for v in value.flat]
        if len(parts) > 1:
            return parts
        value = parts[0] if parts else ""
    return [p.strip() for p in re.split(r"[:,]", clean_text(value).strip("[]")) if p.strip()]


def _group_axes(group: h5py.Group, counts: h5py.Dataset, allow_links: bool) -> tuple[Axis, ...]:
    names = _names(attribute(group, "axes"))
    slots = [""] * counts.ndim
    if len(names) == counts.ndim:
        slots = names
    else:  # fewer names than dimensions: each says where it belongs
        for name in names:
            index = attribute(group, f"{name}_indices")
            for i in np.ravel(index if index is not None else []):
                if isinstance(i, np.integer | int) and 0 <= i < counts.ndim:
                    slots[int(i)] = name
    if not any(slots):
        return _old_axes(group, counts, allow_links)[0]
    return tuple(_axis(group, name, allow_links) for name in slots)


def _axis(group: h5py.Group, name: str, allow_links: bool) -> Axis:
    if name in ("", "."):
        return Axis()
    return Axis(name, _dataset(group, name, allow_links))


def _old_axes(
    group: h5py.Group, counts: h5py.Dataset, allow_links: bool
) -> tuple[tuple[Axis, ...], tuple[str, ...]]:
    """Axes from attributes of the datasets, in the two older ways of NeXus."""
    names = _names(attribute(counts, "axes"))
    if len(names) == counts.ndim:
        return tuple(_axis(group, name, allow_links) for name in names), ()
    slots: list[tuple[int, Axis]] = []
    for child in children(group):
        node = _dataset(group, child, allow_links)
        number = text_attribute(node, "axis") if node is not None else ""
        if node is not None and number.isdecimal() and 1 <= int(number) <= counts.ndim:
            rank = text_attribute(node, "primary")
            slots.append((int(rank) if rank.isdecimal() else 99, Axis(child, node)))
    slots.sort(key=lambda s: s[0])
    forward = _place(slots, counts, lambda n: n - 1)
    if _lengths_fit(forward, counts):
        return forward, ()
    backward = _place(slots, counts, lambda n: counts.ndim - n)
    if _lengths_fit(backward, counts):
        return backward, ("axis numbers in this file count from the fastest dimension",)
    return forward, ()


def _place(
    slots: list[tuple[int, Axis]], counts: h5py.Dataset, index: Callable[[int], int]
) -> tuple[Axis, ...]:
    axes = [Axis()] * counts.ndim
    for _, axis in slots:
        at = index(int(text_attribute(axis.values, "axis")))
        if not axes[at].name:
            axes[at] = axis
    return tuple(axes)


def _lengths_fit(axes: tuple[Axis, ...], counts: h5py.Dataset) -> bool:
    """Tell whether every axis is as long as its dimension, or one longer (bin edges)."""
    return all(
        axis.values is None or axis.values.size in (n, n + 1)
        for axis, n in zip(axes, counts.shape, strict=True)
    )


def by_hand(file: h5py.File, given: str, *, allow_links: bool = False) -> Signal:
    """Find the counts at a path that the user gave, ``/path`` or ``/path [energy, y, x]``.

    Parameters
    ----------
    file : h5py.File
        Open file.
    given : str
        Path of a dataset, or of a group that declares a signal.
    allow_links : bool
        Whether links to other files may be followed.

    Returns
    -------
    Signal
        The counts, with axes as given, else as the file declares them.

    Raises
    ------
    InputError
        If there is no such dataset, or the axes do not match its dimensions.
    """
    path, named = split_axes(given, clean_text(Path(file.filename).name))
    node = get_node(file, path, allow_links=allow_links)
    signal: Signal | None = None
    if isinstance(node, h5py.Group):
        signal = _signal_of(node, allow_links)
    elif isinstance(node, h5py.Dataset):
        declared = _signal_of(node.parent, allow_links)
        signal = Signal(node.parent, node, (Axis(),) * node.ndim)
        if declared is not None and declared.counts == node:
            signal = declared
    if signal is None:
        raise InputError(
            clean_text(file.filename),
            clean_text(path),
            found=f"no dataset there; datasets: {_listing(file)}",
            expected="a dataset of counts",
            remedy="correct dataset in the study file",
        )
    if named is not None:
        if len(named) != signal.counts.ndim:
            raise InputError(
                clean_text(file.filename),
                clean_text(path),
                found=f"{len(named)} axis names for shape {signal.counts.shape}",
                expected=f"{signal.counts.ndim} names, such as [y, x, energy]",
                remedy="correct dataset in the study file",
            )
        axes = tuple(
            Axis(a.name, _axis(signal.group, a.name, allow_links).values, a.pick) for a in named
        )
        signal = Signal(signal.group, signal.counts, axes)
    return signal
