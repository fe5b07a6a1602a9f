"""Which axis of an array is y, x, energy or detector, from what a file or the user says."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text
from xrfmap.io.units import has_unit

__all__ = ["AxisInfo", "AxisPlan", "DetectorChoice", "parse_axes", "plan_axes", "split_axes"]

DetectorChoice = int | Literal["sum"] | None

_ENERGY = re.compile(r"(^(e|kev|ev|bins?|spectrum|mca)$)|energ|chan|mca", re.IGNORECASE)
_PLACE = r"^{0}$|^{0}[_0-9]|[_ ]{0}$|{0}[_ ]?(pos|axis|motor)|{1}"
_Y = re.compile(_PLACE.format("y", r"^rows?$|^lines?$|vertical"), re.IGNORECASE)
_X = re.compile(_PLACE.format("x", r"^col(umn)?s?$|horizontal"), re.IGNORECASE)
_DETECTOR = re.compile(r"^det|detector|sensor|^element|^sdd", re.IGNORECASE)
_GIVEN = re.compile(r"^(?P<path>[^\[\]]*?)\s*(?:\[(?P<axes>[\w\s,=]+)\])?$")


@dataclass(frozen=True)
class AxisInfo:
    """Name and unit of one axis, and which part of it is wanted (``None``: all)."""

    name: str = ""
    units: str = ""
    pick: DetectorChoice = None

    @property
    def role(self) -> str:
        """``energy``, ``y``, ``x``, ``detector`` or nothing."""
        if has_unit(self.units, "keV") or _ENERGY.search(self.name):
            return "energy"
        if _Y.search(self.name):
            return "y"
        if _X.search(self.name):
            return "x"
        return "detector" if _DETECTOR.search(self.name) else ""


@dataclass(frozen=True)
class AxisPlan:
    """How to bring an array into the order (y, x, channel).

    Parameters
    ----------
    order : tuple of (int or None)
        File axis of y, x and channel; ``None`` for an axis that the file does not have.
    picks : tuple of (int, int or None)
        Further file axes, each with the index taken, or ``None`` for the sum.
    notes : tuple of str
        What had to be assumed.
    detectors : int
        Length of the axis of detectors, 1 if there is none.
    """

    order: tuple[int | None, int | None, int]
    picks: tuple[tuple[int, int | None], ...] = ()
    notes: tuple[str, ...] = ()
    detectors: int = 1


def split_axes(given: str, where: str) -> tuple[str, list[AxisInfo] | None]:
    """Split ``/path [energy, y, x]`` into the path and the axes.

    Parameters
    ----------
    given : str
        As in the study file; path and axes may each be missing.
    where : str
        File, for the message.

    Returns
    -------
    str
        The path.
    list of AxisInfo or None
        ``None`` if no axes are given.

    Raises
    ------
    InputError
        If the text is not of this form.
    """
    match = _GIVEN.match(given.strip())
    if match is None:
        raise _bad_axes(where, given)
    return match["path"], parse_axes(match["axes"], where) if match["axes"] else None


def parse_axes(text: str, where: str) -> list[AxisInfo]:
    """Axes from ``y, x, detector=0, energy``.

    Parameters
    ----------
    text : str
        Names from the slowest axis to the fastest; ``=NUMBER`` takes one index and
        ``=sum`` adds all of them up.
    where : str
        File, for the message.

    Returns
    -------
    list of AxisInfo
        One for each name.

    Raises
    ------
    InputError
        If a name or a number cannot be read.
    """
    axes = []
    for part in text.split(","):
        name, equals, value = (p.strip() for p in part.partition("="))
        pick: DetectorChoice = None
        if equals:
            if value != "sum" and not (value.isdecimal() and len(value) < 6):
                raise _bad_axes(where, text)
            pick = "sum" if value == "sum" else int(value)
        if not name:
            raise _bad_axes(where, text)
        axes.append(AxisInfo(clean_text(name, 60), pick=pick))
    return axes


def _bad_axes(where: str, text: str) -> InputError:
    return InputError(
        where,
        "dataset",
        found=repr(clean_text(text, 100)),
        expected='a path, axes, or both, such as "/path [y, x, energy]"',
        remedy="correct dataset in the study file",
    )


def plan_axes(
    axes: Sequence[AxisInfo],
    shape: Sequence[int],
    where: str,
    field: str,
    detector: DetectorChoice = None,
) -> AxisPlan:
    """Find y, x and energy among the axes of an array.

    Parameters
    ----------
    axes : sequence of AxisInfo
        One for each dimension, from the slowest to the fastest; names may be empty.
    shape : sequence of int
        Shape of the array.
    where, field : str
        File and dataset, for messages.
    detector : int, "sum" or None
        What to take of an axis of detectors where `axes` does not say.

    Returns
    -------
    AxisPlan
        With notes on what was assumed.

    Raises
    ------
    InputError
        If the axes are ambiguous, or there are more than can be placed.
    """
    problem = _Problem(axes, shape, where, field)
    if len(axes) != len(shape):
        raise problem.error(f"{len(shape)} axis names")
    picks = _picks(axes, shape, problem, detector)
    live = [i for i in range(len(shape)) if i not in dict(picks)]
    while len(live) > 3:  # further axes may only have length one
        spare = next((i for i in live if shape[i] == 1 and not axes[i].role), None)
        spare = next((i for i in live if shape[i] == 1), None) if spare is None else spare
        if spare is None:
            raise problem.error("three axes (y, x, energy) longer than one")
        picks.append((spare, 0))
        live.remove(spare)
    notes: list[str] = []
    energy = _energy_axis(axes, shape, live, problem, notes)
    order = _pixel_axes(axes, [i for i in live if i != energy], problem, notes)
    several = [shape[i] for i, axis in enumerate(axes) if i != energy and axis.role == "detector"]
    count = several[0] if several else 1
    return AxisPlan((*order, energy), tuple(sorted(picks)), tuple(notes), count)


@dataclass(frozen=True)
class _Problem:
    axes: Sequence[AxisInfo]
    shape: Sequence[int]
    where: str
    field: str

    def error(self, expected: str, remedy: str = "") -> InputError:
        names = [axis.name or "." for axis in self.axes]
        return InputError(
            self.where,
            self.field,
            found=f"axes {names} with shape {tuple(self.shape)}",
            expected=expected,
            remedy=remedy or 'name the axes in the study file: dataset = "/path [y, x, energy]"',
        )


def _picks(
    axes: Sequence[AxisInfo], shape: Sequence[int], problem: _Problem, detector: DetectorChoice
) -> list[tuple[int, int | None]]:
    picks: list[tuple[int, int | None]] = []
    for i, axis in enumerate(axes):
        pick = axis.pick
        if pick is None and axis.role == "detector" and len(shape) > 2:
            pick = 0 if shape[i] == 1 else detector
            if pick is None:
                raise problem.error(
                    "one detector",
                    'calibrate each and add them up: detectors = "each"; or choose one '
                    "(detector=0) or add them up as they are (detector=sum): "
                    'dataset = "/path [y, x, detector=sum, energy]"',
                )
        if pick == "sum":
            picks.append((i, None))
        elif pick is not None:
            if pick >= shape[i]:
                raise problem.error(f"{axis.name or 'axis'} below {shape[i]}")
            picks.append((i, pick))
    return picks


def _energy_axis(
    axes: Sequence[AxisInfo],
    shape: Sequence[int],
    live: list[int],
    problem: _Problem,
    notes: list[str],
) -> int:
    energy = [i for i in live if axes[i].role == "energy"]
    if len(energy) > 1:
        raise problem.error("one energy axis")
    if energy:
        return energy[0]
    rest = [i for i in live if axes[i].role not in ("y", "x")]
    if len(rest) == 1:
        return rest[0]
    guess = _guess_energy(shape, live, problem)
    notes.append(f"no axis is declared as energy; axis {guess + 1} was taken")
    return guess


def _guess_energy(shape: Sequence[int], live: list[int], problem: _Problem) -> int:
    """Take an axis whose length is a power of two from 256 on, if there is just one."""
    powers = [i for i in live if shape[i] >= 256 and shape[i] & (shape[i] - 1) == 0]
    if len(powers) == 1:
        return powers[0]
    if powers and live[-1] in powers:  # two such axes: the usual place of the energy is last
        return live[-1]
    if not powers and live and shape[live[-1]] == max(shape):
        return live[-1]
    raise problem.error("axes that tell which one is the energy")


def _pixel_axes(
    axes: Sequence[AxisInfo], others: list[int], problem: _Problem, notes: list[str]
) -> tuple[int | None, int | None]:
    if not others:
        return None, None
    if len(others) == 1:
        return (others[0], None) if axes[others[0]].role == "y" else (None, others[0])
    first, second = others
    roles = axes[first].role, axes[second].role
    if roles[0] == roles[1] != "":
        raise problem.error("different names for y and x")
    if roles[0] == "x" or roles[1] == "y":
        return second, first
    if not any(roles):
        notes.append("the axes are not named y and x; the slower one was taken as y")
    return first, second
