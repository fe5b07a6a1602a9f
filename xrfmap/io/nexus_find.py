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

import h5py
import numpy as np

from xrfmap.errors import InputError
from xrfmap.io.hdf5 import attribute, children, get_node, text_attribute, walk_groups
from xrfmap.io.safe import MAX_RANK, clean_text
from xrfmap.io.units import has_unit

__all__ = ["Axis", "Signal", "axis_order", "by_hand", "find_signal"]

_ENERGY = re.compile(r"(^(e|kev|ev|bins?|spectrum|mca)$)|energ|chan|mca", re.IGNORECASE)
_PLACE = r"^{0}$|^{0}[_0-9]|[_ ]{0}$|{0}[_ ]?(pos|axis|motor)|{1}"
_Y = re.compile(_PLACE.format("y", r"^rows?$|^lines?$|vertical"), re.IGNORECASE)
_X = re.compile(_PLACE.format("x", r"^col(umn)?s?$|horizontal"), re.IGNORECASE)
_BY_HAND = re.compile(r"^(?P<path>[^\[\]]+?)\s*(?:\[(?P<axes>[\w\s,]+)\])?$")


@dataclass(frozen=True)
class Axis:
    """One axis of the counts: its name and the dataset of its values, where there are any."""

    name: str = ""
    values: h5py.Dataset | None = None


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
    match = _BY_HAND.match(given.strip())
    path = match["path"] if match else given
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
    if match and match["axes"]:
        names = [n.strip() for n in match["axes"].split(",")]
        if len(names) != signal.counts.ndim:
            raise InputError(
                clean_text(file.filename),
                clean_text(path),
                found=f"{len(names)} axis names for shape {signal.counts.shape}",
                expected=f"{signal.counts.ndim} names, such as [y, x, energy]",
                remedy="correct dataset in the study file",
            )
        axes = tuple(_axis(signal.group, name, allow_links) for name in names)
        signal = Signal(signal.group, signal.counts, axes)
    return signal


def axis_order(signal: Signal, where: str) -> tuple[tuple[int | None, ...], list[str]]:
    """File axis of y, x and channel.

    Parameters
    ----------
    signal : Signal
        Counts of a scan.
    where : str
        File, for the message.

    Returns
    -------
    tuple of (int or None)
        ``None`` for y in a scan of one line.
    list of str
        What had to be assumed.

    Raises
    ------
    InputError
        If the axes are ambiguous, or there are more than three.
    """
    shape = signal.counts.shape
    roles = [_role(axis) for axis in signal.axes]
    live = [i for i, n in enumerate(shape) if n > 1 or len(shape) <= 3]
    if len(shape) > 3:  # further axes may only have length one
        live = live if len(live) >= 3 else sorted({*live, *range(len(shape) - 3, len(shape))})[-3:]
    if len(live) > 3:
        raise _axes_error(signal, where, "three axes (y, x, energy) longer than one")
    notes: list[str] = []
    energy = [i for i in live if roles[i] == "energy"]
    if len(energy) > 1:
        raise _axes_error(signal, where, "one energy axis")
    if not energy:
        known = [i for i in live if roles[i] in ("y", "x")]
        rest = [i for i in live if i not in known]
        if len(rest) == 1:
            energy = rest
        else:
            energy = [_guess_energy(signal, where, live)]
            notes.append(f"no axis is declared as energy; axis {energy[0] + 1} was taken")
    others = [i for i in live if i != energy[0]]
    if len(others) == 1:
        return ((others[0], None) if roles[others[0]] == "y" else (None, others[0])) + (
            energy[0],
        ), notes
    first, second = others
    if roles[first] == roles[second] != "":
        raise _axes_error(signal, where, "different names for y and x")
    if roles[first] == "x" or roles[second] == "y":
        first, second = second, first
    elif not roles[first] and not roles[second]:
        notes.append("the axes are not named y and x; the slower one was taken as y")
    return (first, second, energy[0]), notes


def _role(axis: Axis) -> str:
    units = text_attribute(axis.values, "units") if axis.values is not None else ""
    if has_unit(units, "keV") or _ENERGY.search(axis.name):
        return "energy"
    if _Y.search(axis.name):
        return "y"
    return "x" if _X.search(axis.name) else ""


def _guess_energy(signal: Signal, where: str, live: list[int]) -> int:
    """Take an axis whose length is a power of two from 256 on, if there is just one."""
    shape = signal.counts.shape
    powers = [i for i in live if shape[i] >= 256 and shape[i] & (shape[i] - 1) == 0]
    if len(powers) == 1:
        return powers[0]
    if powers and live[-1] in powers:  # two such axes: the usual place of the energy is last
        return live[-1]
    if not powers and shape[live[-1]] == max(shape):
        return live[-1]
    raise _axes_error(signal, where, "axes that tell which one is the energy")


def _axes_error(signal: Signal, where: str, expected: str) -> InputError:
    names = [axis.name or "." for axis in signal.axes]
    return InputError(
        where,
        clean_text(signal.counts.name),
        found=f"axes {names} with shape {signal.counts.shape}",
        expected=expected,
        remedy='name the axes in the study file: dataset = "/path [y, x, energy]"',
    )
