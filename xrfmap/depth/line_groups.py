"""Groups of lines that a detector shows apart: K-alpha and K-beta, L-alpha, L-beta, L-gamma."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import spelled
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.templates import SpectrumModel

__all__ = ["GroupCounts", "LineGroup", "group_emitter", "groups_of", "line_groups", "part_of"]

Array = npt.NDArray[np.float64]

RESOLVED = 1.5
"""Gap between neighbouring lines, in widths of a peak, from which they count as apart.

Closer lines could be told apart with many counts, but then the exact shape of a peak
decides: at 1e6 counts and a gap of 1.3 widths, mercury L-beta4 came out 7 % wrong.
"""

LEAST_SHARE = 0.01
"""Groups with less of their family go to the nearest group: tables know them to 20 % at best."""


@dataclass(frozen=True)
class LineGroup:
    """Lines of one family that the detector shows as one peak.

    Attributes
    ----------
    label : str
        ``"Cu Kβ"``.
    element, family : str
        Symbol, and ``"K"``, ``"L"`` or ``"M"``.
    lines : tuple of str
        IUPAC or Siegbahn names as in :class:`xrfmap.spectra.templates.Emitter`.
    places : tuple of int
        Places of the lines in the family's emitter.
    energy_kev : float
        Mean energy, weighted as from a thin layer. [keV]
    """

    label: str
    element: str
    family: str
    lines: tuple[str, ...]
    places: tuple[int, ...]
    energy_kev: float


@dataclass(frozen=True, eq=False)
class GroupCounts:
    """Net counts of the groups of one element in n spectra.

    Attributes
    ----------
    groups : tuple of LineGroup
        g groups.
    net : ndarray, shape (n, g)
        Unbounded estimates, may be negative. [counts]
    covariance : ndarray, shape (n, g, g)
        Covariance, everything else in the spectrum left free. [counts2]
    """

    groups: tuple[LineGroup, ...]
    net: Array
    covariance: Array

    def only(self, groups: Sequence[LineGroup]) -> GroupCounts:
        """Return some of the groups, the others left free."""
        places = [self.groups.index(g) for g in groups]
        square = np.ix_(range(len(self.net)), places, places)
        return GroupCounts(tuple(groups), self.net[:, places], self.covariance[square])

    def take(self, which: npt.NDArray[np.intp]) -> GroupCounts:
        """Return some of the spectra."""
        return GroupCounts(self.groups, self.net[which], self.covariance[which])


def _name(emitter: Emitter, place: int, whole: bool) -> str:
    """Name of a group after its strongest line: ``"Lβ"``, or ``"Lβ2"`` where needed."""
    siegbahn = emitter.lines[place]
    if len(siegbahn) < 2 or "-" in siegbahn:
        return siegbahn
    return spelled(siegbahn[:2]) + (siegbahn[2:] if whole else "")


def line_groups(emitter: Emitter, width_kev: float) -> tuple[LineGroup, ...]:
    """Cut a family into groups of lines that are told apart.

    Parameters
    ----------
    emitter : Emitter
        The family.
    width_kev : float
        Full width at half maximum of a peak of that family. [keV]

    Returns
    -------
    tuple of LineGroup
        From the softest to the hardest. The M family stays one group: its lines lie
        closer than a peak width.
    """
    order = np.argsort(emitter.energies)
    if emitter.family == "M":
        return (_group(emitter, order.tolist(), f"{emitter.element} M"),)
    cuts = np.flatnonzero(np.diff(emitter.energies[order]) > RESOLVED * width_kev) + 1
    parts = [part.tolist() for part in np.split(order, cuts)]
    parts = _weak_joined(emitter, parts)
    main = [max(part, key=lambda k: emitter.weights[k]) for part in parts]
    short = [_name(emitter, k, False) for k in main]
    names = [n if short.count(n) == 1 else _name(emitter, k, True)
             for n, k in zip(short, main, strict=True)]  # fmt: skip
    return tuple(
        _group(emitter, part, f"{emitter.element} {name}")
        for part, name in zip(parts, names, strict=True)
    )


def _weak_joined(emitter: Emitter, parts: list[list[int]]) -> list[list[int]]:
    """Give weak groups to their nearest neighbour."""
    parts = list(parts)
    while len(parts) > 1:
        shares = [emitter.weights[part].sum() for part in parts]
        weakest = int(np.argmin(shares))
        if shares[weakest] >= LEAST_SHARE:
            break
        centre = [float(np.mean(emitter.energies[part])) for part in parts]
        others = [k for k in range(len(parts)) if k != weakest]
        nearest = min(others, key=lambda k: abs(centre[k] - centre[weakest]))
        parts[nearest] = sorted(parts[nearest] + parts[weakest])
        del parts[weakest]
    return parts


def _group(emitter: Emitter, places: Sequence[int], label: str) -> LineGroup:
    index = np.array(places)
    weights = emitter.weights[index]
    return LineGroup(
        label,
        emitter.element,
        emitter.family,
        tuple(emitter.lines[k] for k in places),
        tuple(int(k) for k in places),
        float(np.average(emitter.energies[index], weights=weights)),
    )


def groups_of(model: SpectrumModel, element: str) -> tuple[LineGroup, ...]:
    """All groups of an element's families in a model, family by family."""
    found: list[LineGroup] = []
    for emitter in model.emitters:
        if emitter.kind == "element" and emitter.element == element:
            found += line_groups(emitter, float(model.scale.fwhm(emitter.main_energy)))
    return tuple(found)


def group_emitter(model: SpectrumModel, group: LineGroup) -> Emitter:
    """Emitter of one group, its lines weighted as the refined model has them.

    An M family is one group, and stays what it is: paint still bends its ratios.
    """
    parent = next(
        e for e in model.emitters
        if e.kind == "element" and (e.element, e.family) == (group.element, group.family)
    )  # fmt: skip
    if group.family == "M":
        return parent
    shares = model.shares(parent)
    return part_of(parent, np.array(group.places), shares, group.label)


def part_of(parent: Emitter, places: npt.NDArray[np.intp], shares: Array, label: str) -> Emitter:
    """Emitter of some lines of a family."""
    whole = len(shares)
    others = {
        f.name: np.asarray(value)[places]
        for f in fields(parent)
        if isinstance(value := getattr(parent, f.name), np.ndarray) and len(value) == whole
    }
    part = shares[places]
    # kind "air": shown as it is, without the default cover of an element
    changed = {
        **others, "label": label, "weights": part / part.sum(), "kind": "air",
        "lines": tuple(parent.lines[k] for k in places),
        "shells": tuple(parent.shells[k] for k in places), "m": None,
    }  # fmt: skip
    return replace(parent, **changed)
