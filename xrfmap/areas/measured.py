"""What each area shows, put together from its sum spectrum, its points and typed-in elements."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from xrfmap.findings import ElementFinding
from xrfmap.pigments.evidence import (
    AreaEvidence,
    ElementEvidence,
    LineEvidence,
    evidence_from_area,
    evidence_from_lines,
)
from xrfmap.pigments.roles import role_of
from xrfmap.settings import Area, LayerEntry

__all__ = ["Measured", "area_evidence", "join_lines", "lines_of"]


@dataclass(frozen=True)
class Measured:
    """One measurement of an area.

    Attributes
    ----------
    name : str
        Scan or point spectrum it comes from.
    table : Dataset
        Dim line: `net_counts`, `net_counts_err`, `net_counts_ul`,
        `decision_threshold` [counts]; NaN for a family whose lines ran full.
    findings : tuple of ElementFinding
        What the test says of each element of this spectrum.
    shares : mapping of str to float
        Share of the area's pixels above threshold per family; empty for points.
    """

    name: str
    table: xr.Dataset
    findings: tuple[ElementFinding, ...] = ()
    shares: Mapping[str, float] | None = None


def lines_of(measured: Measured) -> list[LineEvidence]:
    """Line families of one measurement as the pigment rules take them.

    A family whose lines ran full is known to be there only by the verdict on its element. It
    stands for the element where no other family does, and confirms nothing beside one.
    """
    table, shares = measured.table, measured.shares or {}
    present = {f.symbol for f in measured.findings if f.verdict == "present"}
    lines: list[LineEvidence] = []
    blind: list[str] = []
    for index, label in enumerate(str(name) for name in table["line"].values):
        net, err, limit, threshold = (
            float(table[name].values[index])
            for name in ("net_counts", "net_counts_err", "net_counts_ul", "decision_threshold")
        )
        # The threshold alone passes one empty family in twenty; among forty families
        # that would invent two. The test of the whole spectrum has the say.
        seen = net > threshold and (not measured.findings or label.split()[0] in present)
        share = shares.get(label)
        if share is not None and np.isnan(share):
            share = None
        if np.isnan(net):
            blind.append(label)
        else:
            lines.append(LineEvidence(label, net, err, limit, seen, share))
    shown = {line.family.split()[0] for line in lines if line.detected}
    for label in blind:
        symbol = label.split()[0]
        lines.append(LineEvidence(label, detected=symbol in present - shown))
        shown.add(symbol)
    fitted = {line.family.split()[0] for line in lines}
    lines += [_unseen(f) for f in measured.findings if f.symbol not in fitted and _has_limit(f)]
    return lines


def _has_limit(finding: ElementFinding) -> bool:
    return isinstance(finding.evidence.get("upper_limit"), float) and bool(finding.lines)


def _unseen(finding: ElementFinding) -> LineEvidence:
    """Limit of an element that the fit did not need: "not seen" has a number, too."""
    net, err, limit = (
        finding.evidence.get(name) for name in ("net_counts", "net_counts_err", "upper_limit")
    )
    return LineEvidence(
        finding.lines[0],
        max(net, 0.0) if isinstance(net, float) else None,
        err if isinstance(err, float) else None,
        limit if isinstance(limit, float) else None,
        detected=False,
    )


def join_lines(
    base: Sequence[LineEvidence], other: Sequence[LineEvidence]
) -> tuple[list[LineEvidence], set[str]]:
    """Bring the families of a second measurement into the unit of the first.

    Parameters
    ----------
    base, other : sequence of LineEvidence
        Two measurements of one area, each in counts of its own.

    Returns
    -------
    lines : list of LineEvidence
        Those of `base`; a family that only `other` detects is taken from there,
        scaled by the sum of the families that both detect and have counts of.
    taken : set of str
        Families that came from `other`.

    Notes
    -----
    Without a family that both detect there is no common unit: then nothing is
    scaled and the counts of the two cannot be compared. A family that ran full in one
    of the two has no counts there and so says nothing of the unit.
    """
    mine = {line.family: line for line in base}
    pairs = [(mine[line.family], line) for line in other if line.family in mine]
    both = [
        (old.net, new.net)
        for old, new in pairs
        if old.detected and new.detected and old.net is not None and new.net is not None
    ]
    above, below = (sum(values) for values in zip(*both, strict=True)) if both else (1.0, 1.0)
    factor = above / below if below > 0 and above > 0 else 1.0
    taken = set()
    for line in other:
        old = mine.get(line.family)
        if old is None or (line.detected and not old.detected):
            mine[line.family] = _scaled(line, factor)
            taken.add(line.family)
    return list(mine.values()), taken


def _scaled(line: LineEvidence, factor: float) -> LineEvidence:
    net, err, limit = (
        None if value is None else value * factor for value in (line.net, line.err, line.ul)
    )
    return replace(line, net=net, err=err, ul=limit)


def area_evidence(
    area: Area,
    measured: Sequence[Measured],
    layers: Sequence[LayerEntry] = (),
    overall: Iterable[ElementFinding] = (),
) -> AreaEvidence:
    """Evidence of one area from everything that was measured or typed in for it.

    Parameters
    ----------
    area : Area
        The area as the study names it.
    measured : sequence of Measured
        The sum over the scan first, if there is one, then its points.
    layers : sequence of LayerEntry
        Layers of the study, for the role of the area's layer.
    overall : iterable of ElementFinding
        What the whole scan says of each element; used for measurements without
        findings of their own.

    Returns
    -------
    AreaEvidence
        Elements that were only typed in stand beside the measured ones, with a note.
    """
    typed = evidence_from_area(area, layers)
    if not measured:
        return typed
    lines = lines_of(measured[0])
    seen_by: dict[str, str] = {}
    for more in measured[1:]:
        lines, taken = join_lines(lines, lines_of(more))
        seen_by |= {family: more.name for family in taken}
    found = evidence_from_lines(
        area.name,
        lines,
        findings=_strongest(measured) or overall,
        layer=area.layer,
        role=role_of(area.layer, layers),
        colour=area.colour,
        where=area.where,
        note=area.note,
        origin="scan" if measured[0].shares is not None else "point",
    )
    elements = {symbol: _noted(e, seen_by) for symbol, e in found.elements.items()}
    for symbol, element in typed.elements.items():
        if symbol not in elements or not elements[symbol].detected:
            elements[symbol] = replace(element, note="typed in; not seen in the spectra here")
    return replace(found, elements=elements)


def _strongest(measured: Sequence[Measured]) -> tuple[ElementFinding, ...]:
    """Pick the best finding per element of all measurements: present before not separable."""
    order = ("present", "not separable", "not detected")
    best: dict[str, ElementFinding] = {}
    for finding in (f for m in measured for f in m.findings):
        old = best.get(finding.symbol)
        if old is None or order.index(finding.verdict) < order.index(old.verdict):
            best[finding.symbol] = finding
    return tuple(best.values())


def _noted(element: ElementEvidence, seen_by: Mapping[str, str]) -> ElementEvidence:
    names = {seen_by.get(line.family) for line in element.lines if line.detected}
    if not element.detected or None in names:
        return element
    where = ", ".join(sorted(name for name in names if name))
    return replace(element, note=f"seen in {where} only, not in the sum over the area")
