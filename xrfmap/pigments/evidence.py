"""What one area shows: elements with counts or amounts, place, colour, and how sure they are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from xrfmap.findings import ElementFinding
from xrfmap.pigments.roles import Standing, role_of, standing, standing_of_place
from xrfmap.settings import Area, LayerEntry, read_areas

__all__ = [
    "AreaEvidence",
    "ElementEvidence",
    "LineEvidence",
    "areas_from_toml",
    "evidence_from_area",
    "evidence_from_lines",
]

_FAINT = 0.2  # relative error; worse than this, an overlapped family is the better measure
Origin = Literal["scan", "point", "typed in"]

# Line pairs that are taken for one another, softer than the usual peak width apart; energies
# by the xraylib tables. A family on the left needs more than its own peak where the element
# on the right is in the same area.
OVERLAPS: Mapping[str, tuple[str, ...]] = {
    "As K": ("Pb", "Bi"),
    "Ti K": ("Ba",),
    "Ba L": ("Ti",),
    "Co K": ("Fe",),
    "Mn K": ("Cr", "Fe"),
    "Cr K": ("Mn", "V", "Ba"),
    "V K": ("Ti", "Ba"),
    "Ni K": ("Co",),
    "Zn K": ("Cu",),
    "Bi L": ("Pb",),
    "Au L": ("Hg", "Zn"),
    "Hg L": ("Au",),
    "Se K": ("As", "Hg"),
    "S K": ("Pb", "Hg", "Mo"),
    "Cl K": ("Rh", "Pb"),
    "Ag L": ("Ar",),
    "Cd L": ("K", "Ag"),
    "Sn L": ("Ca",),
    "Sb L": ("Ca", "Sn"),
    "K K": ("Cd", "In", "Sn"),
    "In L": ("K", "Cd"),
    "Br K": ("As", "Hg"),
    "Pb M": ("S", "Hg"),
    "Hg M": ("S", "Pb"),
    "Mo L": ("S", "Pb"),
    "Zr L": ("P",),
}


@dataclass(frozen=True)
class LineEvidence:
    """Net counts of one line family in an area, summed or per pixel, one unit for all.

    Attributes
    ----------
    family : str
        ``"Pb L"``.
    net, err, ul : float or None
        Net counts, standard error, 95 % upper limit [counts]; None for a family that was not
        measured or whose lines ran full, of which nothing is known.
    detected : bool
        Above the decision threshold. A family without net counts is so only where its element
        is present and no other family shows it.
    share_of_area : float or None
        Fraction of the area's pixels in which the family is detected.
    """

    family: str
    net: float | None = None
    err: float | None = None
    ul: float | None = None
    detected: bool = False
    share_of_area: float | None = None


def _relative_error(line: LineEvidence) -> float:
    return (line.err or 0.0) / line.net if line.net else float("inf")


def _overlapped(line: LineEvidence) -> bool:
    """Whether a family is better left aside: on another element's line, or faint."""
    return line.family in OVERLAPS or _relative_error(line) > _FAINT


@dataclass(frozen=True)
class ElementEvidence:
    """One element in an area.

    Attributes
    ----------
    symbol : str
        Such as ``"Pb"``.
    lines : tuple of LineEvidence
        Families measured, best first; empty where the element was typed in.
    amount : float or None
        Relative mass of a typed-in element, in any one unit for the area.
    detected : bool
        Seen, or stated by the older report.
    confirmed_by : tuple of str
        Further families or lines that show it beyond the overlap ("Sn K", "As Kb"); never a
        family without net counts.
    competitor : str or None
        Line family or element that could make the same peak and was not ruled out.
    share_of_area : float or None
        Fraction of the area's pixels in which it is detected.
    note : str or None
        Anything to be printed with it.
    """

    symbol: str
    lines: tuple[LineEvidence, ...] = ()
    amount: float | None = None
    detected: bool = True
    confirmed_by: tuple[str, ...] = ()
    competitor: str | None = None
    share_of_area: float | None = None
    note: str | None = None

    @property
    def best(self) -> LineEvidence | None:
        """Family that amounts rest on.

        Of the detected ones, a family that nothing overlaps goes before one on another
        element's line (Sn K before Sn L, which lies on Ca K) unless it is faint; then the
        smallest relative error counts. Where none is detected, the first one.
        """
        seen = [line for line in self.lines if line.detected and line.net and line.net > 0]
        if not seen:
            return self.lines[0] if self.lines else None
        return min(seen, key=lambda line: (_overlapped(line), _relative_error(line)))

    @property
    def typed_in(self) -> bool:
        """Whether it comes from an older report and not from a spectrum."""
        return not self.lines


@dataclass(frozen=True)
class AreaEvidence:
    """One area of the object as the pigment rules see it.

    Attributes
    ----------
    name : str
        Name of the area.
    elements : mapping of str to ElementEvidence
        By symbol; undetected elements with an upper limit belong here too.
    layer : str or None
        Layer as the study names it.
    role : str or None
        Role of that layer, ``"retouching"``; the layer's own name where none is given.
    colour, where, note : str or None
        Free words of the study.
    origin : {"scan", "point", "typed in"}
        Where the elements come from.
    """

    name: str
    elements: Mapping[str, ElementEvidence] = field(default_factory=dict)
    layer: str | None = None
    role: str | None = None
    colour: str | None = None
    where: str | None = None
    note: str | None = None
    origin: Origin = "typed in"

    @property
    def standing(self) -> Standing:
        """Later, original or unassigned, by role, then by the words on the place."""
        by_role = standing(self.role if self.role is not None else self.layer)
        if by_role == "unassigned" and standing_of_place(self.where):
            return "later"
        return by_role

    @property
    def present(self) -> dict[str, ElementEvidence]:
        """The detected elements."""
        return {symbol: e for symbol, e in self.elements.items() if e.detected}


def evidence_from_area(area: Area, layers: Sequence[LayerEntry] = ()) -> AreaEvidence:
    """Evidence of an area whose elements were typed in from another report.

    Parameters
    ----------
    area : Area
        With `elements` and perhaps `amounts`, which are taken as relative masses.
    layers : sequence of LayerEntry
        Layers of the study, for the role of the area's layer.
    """
    amounts = area.amounts or {}
    symbols = [*(area.elements or []), *(s for s in amounts if s not in (area.elements or []))]
    return AreaEvidence(
        name=area.name,
        elements={
            symbol: ElementEvidence(symbol, amount=amounts.get(symbol))
            for symbol in dict.fromkeys(symbols)
            if amounts.get(symbol, 1.0) > 0
        },
        layer=area.layer,
        role=role_of(area.layer, layers),
        colour=area.colour,
        where=area.where,
        note=area.note,
        origin="typed in",
    )


def areas_from_toml(path: Path) -> list[AreaEvidence]:
    """Areas of a TOML file of ``[[area]]`` tables with `elements` (a study file will do).

    Raises
    ------
    InputError
        If the file cannot be used; see :func:`xrfmap.settings.read_areas`.
    """
    return [evidence_from_area(area) for area in read_areas(Path(path)) if area.elements]


def evidence_from_lines(
    name: str,
    lines: Iterable[LineEvidence],
    *,
    findings: Iterable[ElementFinding] = (),
    layer: str | None = None,
    role: str | None = None,
    colour: str | None = None,
    where: str | None = None,
    note: str | None = None,
    origin: Origin = "scan",
    confirmed_by: Mapping[str, Sequence[str]] | None = None,
    competitors: Mapping[str, str] | None = None,
) -> AreaEvidence:
    """Evidence of an area from the net counts of its line families.

    Parameters
    ----------
    name : str
        Name of the area.
    lines : iterable of LineEvidence
        One per family; families of one element are put together. An element counts as
        detected where any of its families is.
    findings : iterable of ElementFinding
        What the whole scan says of each element. ``"not separable"`` there makes a
        competitor here; ``"present"`` with two families or more confirms.
    confirmed_by, competitors : mapping, optional
        Per symbol: what else shows it in this area, what could make the same peak.
    layer, role, colour, where, note, origin
        See :class:`AreaEvidence`.
    """
    grouped: dict[str, list[LineEvidence]] = {}
    for line in lines:
        grouped.setdefault(line.family.partition(" ")[0], []).append(line)
    told = {finding.symbol: finding for finding in findings}
    confirmed_by, competitors = confirmed_by or {}, competitors or {}
    elements = {
        symbol: _element(
            symbol, own, told.get(symbol), confirmed_by.get(symbol, ()), competitors.get(symbol)
        )
        for symbol, own in grouped.items()
    }
    return AreaEvidence(name, elements, layer, role, colour, where, note, origin)


def _element(
    symbol: str,
    lines: list[LineEvidence],
    finding: ElementFinding | None,
    confirmed: Sequence[str],
    competitor: str | None,
) -> ElementEvidence:
    seen = [line for line in lines if line.detected]
    further = [line.family for line in seen[1:]]
    if finding is not None and finding.verdict == "present":
        # the test on the whole scan used every line of the family, not one peak
        further += finding.lines
    unknown = {line.family for line in lines if line.net is None}
    further = [label for label in further if label not in unknown]
    if finding is not None and finding.verdict == "not separable" and competitor is None:
        competitor = str(finding.evidence.get("competitor") or "an overlapping line")
    shares = [line.share_of_area for line in seen if line.share_of_area is not None]
    return ElementEvidence(
        symbol,
        lines=tuple(sorted(lines, key=lambda line: not line.detected)),
        detected=bool(seen),
        confirmed_by=tuple(dict.fromkeys([*confirmed, *further])),
        competitor=competitor,
        share_of_area=max(shares, default=None),
    )
