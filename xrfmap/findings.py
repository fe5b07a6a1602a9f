"""What a study says in the end: the models behind ``findings.json`` (schema 1).

Frozen and plain, so that the report, the command line and a notebook read the
same thing. "Cannot tell" is a value here, never a missing row.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "VERDICT_ORDER",
    "AmountFinding",
    "AreaFinding",
    "AutomaticArea",
    "Bound",
    "Candidate",
    "Comparison",
    "DepthFinding",
    "ElementAmount",
    "ElementFinding",
    "FamilyComparison",
    "Findings",
    "Flag",
    "HiddenFinding",
    "HiddenJoint",
    "HiddenShape",
    "Interval",
    "LayerFinding",
    "RadiographDifference",
    "RadiographFinding",
    "Source",
    "StackFinding",
    "StackLayerFinding",
    "Verdict",
]

Verdict = Literal["out_of_period", "borderline", "later_layer", "cannot_tell", "compatible"]

VERDICT_ORDER: tuple[Verdict, ...] = (
    "out_of_period",
    "borderline",
    "later_layer",
    "cannot_tell",
    "compatible",
)
"""From the most serious to the least, as ``overall`` ranks them."""


class _Frozen(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Source(_Frozen):
    """Where a fact comes from, and whether the text was read."""

    text: str
    checked: Literal["seen", "from memory", "common practice"]


class ElementFinding(_Frozen):
    """Whether an element is in the scan, and what that rests on."""

    symbol: str
    lines: list[str]  # families used, "Pb L"
    verdict: Literal["present", "not detected", "not separable"]
    because: str
    evidence: dict[str, float | str | list[str] | None] = Field(default_factory=dict)


class ElementAmount(_Frozen):
    """Net counts of one element in one area, from its best family."""

    symbol: str
    line: str
    net_counts: float | None = None  # None for typed-in areas
    net_counts_err: float | None = None
    net_counts_ul: float | None = None
    detected: bool
    share_of_area: float | None = None  # fraction of the area's pixels above threshold
    note: str | None = None


class Candidate(_Frozen):
    """A pigment that would explain elements of an area."""

    pigment: str
    fits_period: Verdict
    support: list[str]
    against: list[str] = Field(default_factory=list)
    look_alikes: list[str] = Field(default_factory=list)
    sources: list[Source] = Field(default_factory=list)


class AreaFinding(_Frozen):
    """One area: its elements and the pigments that may explain them."""

    name: str
    layer: str | None
    elements: list[ElementAmount]
    candidates: list[Candidate]
    sets: list[list[str]] = Field(default_factory=list)  # pigment sets, fewest assumptions first
    unexplained: list[str] = Field(default_factory=list)
    summary: str = ""
    origin: Literal["scan", "point", "typed in"] = "scan"
    not_before: int | None = None  # the elements allow no earlier year, whatever the period
    not_before_because: str = ""


class AutomaticArea(AreaFinding):
    """A group of like pixels, made by the program: no layer, no claim, no flag."""

    scan: str
    number: int  # as in the picture and in automatic_areas.nc, from 1
    pixels: int
    share_of_scan: float
    in_drawn_areas: dict[str, float] = Field(default_factory=dict)  # share of its pixels


class Flag(_Frozen):
    """A material that does not fit the stated period, or that cannot be judged."""

    pigment: str
    elements: list[str]
    area: str
    layer: str | None
    verdict: Verdict
    reason: str
    sources: list[Source]
    next_check: str
    also: list[str] = Field(default_factory=list)  # what would explain the same elements as well


class LayerFinding(_Frozen):
    """Bounds on the date of a layer with the chain of reasons."""

    name: str
    not_before: int | None
    not_after: int | None
    because: list[str]
    contradiction: str | None = None
    ways_out: list[str] = Field(default_factory=list)
    role: str | None = None
    covered_by: list[str] = Field(default_factory=list)  # layers above, with what shows it


class Interval(_Frozen):
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


class ThicknessInterval(Interval):
    """Thickness of a named covering material."""

    material: str


class AmountFinding(_Frozen):
    """Amount of one element in one place, or why there is none."""

    place: str  # area or point
    element: str
    value: float | None
    low: float | None
    high: float | None
    unit: str  # "ug/cm2" or "mass fraction"
    lines: list[str] = Field(default_factory=list)
    refused: str = ""
    note: str = ""


Bound = Literal["both", "lower_end_only", "neither"]
"""Which ends of an interval of cover hold whatever the layers are."""


class DepthFinding(_Frozen):
    """Whether an element lies at the surface of an area or under cover."""

    area: str
    element: str
    lines: list[str]
    state: Literal["at_surface", "covered", "cannot_tell"]
    cover_mg_cm2: Interval | None = None
    cover_um: ThicknessInterval | None = None
    bound: Bound | None = None  # which ends of the two intervals hold; None without them
    bound_because: str = ""
    because: str = ""


class FamilyComparison(_Frozen):
    """One line family of two areas against each other: its amount, or its ratio to another."""

    family: str
    kind: Literal["amount", "ratio"]
    reference: str | None = None  # family that the ratio is to
    a: float | None  # of the first area, in the unit of the comparison, or per count
    a_err: float | None  # counting and unevenness of the area
    b: float | None
    b_err: float | None
    difference_percent: float | None  # first less second, of the mean of both
    low_percent: float | None  # 95 % interval of the difference
    high_percent: float | None
    p: float | None
    p_all: float | None  # corrected for all tests of the pair (Holm)
    verdict: Literal["differs", "no difference", "cannot tell"]
    detectable_percent: float | None  # would be found with a chance of 80 %
    uneven_share: float | None  # part of the variance that counting does not explain


class Comparison(_Frozen):
    """Two areas against each other: the same paint, as far as the measurement can tell."""

    areas: list[str]
    verdict: Literal["differs", "no difference detectable", "cannot tell"]
    detectable_percent: float | None = None  # smallest difference seen in every family
    answer: str
    unit: str = ""
    reference: str | None = None
    families: list[FamilyComparison] = Field(default_factory=list)


class HiddenShape(_Frozen):
    """A connected part of one element map that the visible picture does not explain."""

    element: str
    line: str
    sign: Literal["more", "less"]  # than the colours explain
    x: float  # of its middle
    y: float
    width: float  # of the box around it
    height: float
    area: float  # of its pixels, in the square of the unit
    significance: float  # largest, in standard errors
    share: float  # median of what is unexplained over what is explained there
    outline: Literal["own", "follows_picture"]
    outline_on_edges: float  # share of it along which the visible colour changes
    by_chance: float  # the same for the outline laid elsewhere


class HiddenJoint(_Frozen):
    """One picture from all families that show a shape with an outline of its own."""

    families: dict[str, float]  # weight and sign of each, squares come to 1
    elements: list[str]
    x: float  # middle and box of all those shapes together
    y: float
    width: float
    height: float
    area: float  # of their union
    significance: float  # of the surest of them


class HiddenFinding(_Frozen):
    """What the colours of a photograph leave unexplained on one scan."""

    scan: str
    file: str | None  # netCDF beside findings.json
    photograph: str
    placement: str = ""
    placement_error: float | None = None  # standard error, in the unit
    unit: str = "mm"
    level: float | None = None  # [standard errors]; noise exceeds it anywhere with the risk
    risk: float | None = None
    share_judged: float | None = None  # of the field; colours of the rest occur nowhere else
    shapes: list[HiddenShape] = Field(default_factory=list)  # most significant first
    joint: HiddenJoint | None = None
    cannot_tell: list[str] = Field(default_factory=list)  # what else may look like this
    refused: str = ""  # why nothing was split


class RadiographDifference(_Frozen):
    """A place where a given radiograph and the simulated one part."""

    absorbs: Literal["more", "less"]  # the given one, than simulated
    x: float  # of its middle
    y: float
    width: float  # of the box around it
    height: float
    area: float
    spreads: float  # largest, in spreads of all that the simulation misses


class RadiographFinding(_Frozen):
    """Radiograph that the found elements would give, and a given one against it."""

    scan: str
    file: str | None  # netCDF beside findings.json
    assumption: str = ""  # what the simulation rests on
    elements: list[str] = Field(default_factory=list)
    lower_bound_share: float | None = None  # of the field, where lead is a lower bound
    given: str | None = None  # file of the radiograph that was compared
    placement: str = ""
    placement_error: float | None = None  # standard error, in the unit
    unit: str = "mm"
    absorbing: Literal["light", "dark", "cannot tell"] | None = None  # in the given picture
    rank_correlation: Interval | None = None  # of grey and opacity, negative for a dark print
    linear_correlation: Interval | None = None
    differences: list[RadiographDifference] = Field(default_factory=list)  # strongest first
    cannot_tell: list[str] = Field(default_factory=list)  # what a difference may mean
    refused: str = ""  # why nothing was simulated or compared


class StackLayerFinding(_Frozen):
    """One layer of a proposed stack with its thickness in micrometres."""

    material: str
    thickness_um: Interval
    given: bool  # by the study, not fitted


class DecidingLine(_Frozen):
    """A group of lines that speaks for the best stack against another."""

    line: str
    gain: float  # chi-square by which the best stack explains it better
    counts: float
    best: float  # counts expected from the best stack
    this: float  # counts expected from this one


class StackFinding(_Frozen):
    """A stack of layers that the study proposes, and whether it explains its place."""

    area: str  # area, or "point NAME"
    name: str
    layers: list[StackLayerFinding] = Field(default_factory=list)
    verdict: Literal["best", "possible", "excluded", "cannot_tell"]
    chi2: float | None = None
    freedom: int | None = None
    aicc: float | None = None  # None where there are too few lines for it
    bic: float | None = None
    deciding: list[DecidingLine] = Field(default_factory=list)
    because: str = ""


class Findings(_Frozen):
    """Everything in ``findings.json``."""

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    period: dict[str, int | str | None] | None
    calibration: dict[str, float | str | None] | None = None
    elements: list[ElementFinding] = Field(default_factory=list)
    areas: list[AreaFinding] = Field(default_factory=list)
    flags: list[Flag] = Field(default_factory=list)
    layers: list[LayerFinding] = Field(default_factory=list)
    depth: list[DepthFinding] = Field(default_factory=list)
    amounts: list[AmountFinding] = Field(default_factory=list)
    stacks: list[StackFinding] = Field(default_factory=list)
    comparisons: list[Comparison] = Field(default_factory=list)
    automatic_areas: list[AutomaticArea] = Field(default_factory=list)
    hidden: list[HiddenFinding] = Field(default_factory=list)
    radiographs: list[RadiographFinding] = Field(default_factory=list)
    overall: Verdict
    open_questions: list[str] = Field(default_factory=list)
    remarks: list[str] = Field(default_factory=list)  # decline dates and the like
    cautions: list[str] = Field(default_factory=list)

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
