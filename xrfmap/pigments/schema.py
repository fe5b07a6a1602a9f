"""What a rule file may hold: materials, innocent sources, and where each fact comes from."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from xrfmap.findings import Source
from xrfmap.pigments.formula import atoms, mixture_fractions
from xrfmap.settings import ElementSymbol, Year

__all__ = [
    "AnyOf",
    "Companion",
    "Conflict",
    "DateRange",
    "Decline",
    "Expected",
    "Innocent",
    "Material",
    "Method",
    "Need",
    "Region",
    "SourceEntry",
]

Key = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{1,60}$")]
Text = Annotated[str, Field(min_length=1, max_length=600)]
HowOften = Literal["often", "sometimes", "rarely"]
Method = Literal[
    "cross_section", "raman", "xrd", "ftir", "uv", "sem_edx", "chromatography", "reflectance",
    "microscopy", "infrared", "radiocarbon",
]  # fmt: skip
Colour = Literal[
    "white", "black", "grey", "brown", "red", "orange", "pink", "yellow", "green", "blue",
    "violet", "gold", "silver", "colourless",
]  # fmt: skip


def _family(label: str) -> str:
    element, _, family = label.partition(" ")
    if family not in ("K", "L", "M") or not element:
        raise ValueError('a line family such as "Pb L"')
    return label


Family = Annotated[str, AfterValidator(_family)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SourceEntry(_Strict):
    """A published text, and whether it was read for this rule base."""

    text: Text
    checked: Literal["seen", "from memory", "common practice"]

    def source(self, key: str) -> Source:
        """Give the reference as the findings file prints it."""
        return Source(text=f"{self.text} [{key}]", checked=self.checked)


class DateRange(_Strict):
    """A year with its spread: from the earliest to the latest that a serious source gives."""

    year: Year
    low: Year
    high: Year
    note: Text | None = None  # what the sources disagree about
    sources: list[str] = Field(min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _fill(cls, data: object) -> object:
        # a date without a spread is given by one number in the file
        if isinstance(data, dict) and "year" in data:
            return {"low": data["year"], "high": data["year"], **data}
        return data

    @model_validator(mode="after")
    def _in_order(self) -> DateRange:
        if not self.low <= self.year <= self.high:
            raise ValueError(
                f"low <= year <= high, found {self.low}, {self.year}, {self.high}; order them"
            )
        return self

    def words(self) -> str:
        """``"1780 to 1796"``, ``"about 1430"``, ``"antiquity"``."""
        if self.high <= 500:
            return "antiquity"
        if self.low == self.high:
            return f"{self.year}"
        if self.low <= 0:
            return f"antiquity to {self.high}"
        return f"{self.low} to {self.high}"


class Decline(DateRange):
    """When a material drops out of use: a remark, never a reason for a flag."""

    revival: Text | None = None


class Need(_Strict):
    """An element that must show before the material is considered."""

    element: ElementSymbol
    lines: list[Family] = Field(min_length=1)  # families that prove it, the best first
    caution: Text | None = None  # what overlaps them

    @model_validator(mode="after")
    def _own_lines(self) -> Need:
        for label in self.lines:
            if label.partition(" ")[0] != self.element:
                raise ValueError(f"line families of {self.element}; {label} is another element's")
        return self


class AnyOf(_Strict):
    """Elements of which at least one must show beside the needed ones."""

    any: list[ElementSymbol] = Field(min_length=1)
    always: list[ElementSymbol] = []  # never missing, so that one low limit rules it out
    weaker: list[ElementSymbol] = []  # these count too, but say less
    at_least: float = Field(gt=0, le=10)  # mass relative to the first needed element
    why: Text


class Expected(_Strict):
    """An element that a usual grade brings, so that a low upper limit speaks against it."""

    element: ElementSymbol
    at_least: float = Field(gt=0, le=10)  # mass relative to the first needed element
    why: Text


class Companion(_Strict):
    """An element that the material may bring along, up to an amount."""

    element: ElementSymbol
    up_to: float = Field(gt=0, le=1000)  # mass relative to the first needed element
    how_often: HowOften = "sometimes"
    why: Text


class Conflict(_Strict):
    """An element that speaks against the material where it is more than a trace."""

    element: ElementSymbol
    why: Text


class Part(_Strict):
    """One compound of a mixture sold as one pigment."""

    formula: Text
    mass: float = Field(gt=0)

    @model_validator(mode="after")
    def _readable(self) -> Part:
        atoms(self.formula)
        return self


class Region(_Strict):
    """A part of the world where practice differed."""

    name: Text
    words: list[str] = Field(min_length=1)  # that a study may use for it, lower case
    note: Text
    earliest: DateRange | None = None
    common: DateRange | None = None
    any_of_too: list[ElementSymbol] = []  # count there as further elements of `any_of`
    sources: list[str] = Field(min_length=1)


class Material(_Strict):
    """A pigment, filler, metal or drier, and how it shows.

    ``expected`` shares come from the formula (or the parts of a mixture), so that a
    mass ratio is never typed in.
    """

    name: Text
    also: list[Text] = []
    colours: list[Colour] = Field(min_length=1)
    kind: Literal["pigment", "filler", "additive", "metal", "alteration"] = "pigment"
    formula: Text  # for people; read by the program where parts are not given
    parts: list[Part] = []
    ratio_spread: float = Field(1.5, ge=1, le=20)  # factor either way, composition of the trade
    fixed_ratio: bool = True
    visibility: Literal["good", "weak", "none"] = "good"
    needs: list[Need] = []
    any_of: AnyOf | None = None
    expects: list[Expected] = []
    companions: list[Companion] = []
    conflicts: list[Conflict] = []
    max_share: float | None = Field(None, gt=0, le=1)  # of the visible mass: driers and traces
    earliest: DateRange
    common: DateRange | None = None
    decline: Decline | None = None
    regions: list[Region] = []
    only_there: bool = False  # known from its regions only, and matched only where one is stated
    rarity: Literal["staple", "usual", "occasional", "rare"] = "usual"
    look_alikes: list[Key] = []
    look_alike_note: Text | None = None
    confirm: list[Method] = Field(min_length=1)
    confidence: Literal["high", "medium", "low"] = "medium"
    note: Text | None = None
    sources: list[str] = Field(min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> Material:
        if (self.visibility == "none") == bool(self.needs):
            raise ValueError('needs, or visibility = "none"; one of the two')
        if self.common is not None and self.common.low < self.earliest.low:
            raise ValueError(
                f"common use not before the first report; common.low = {self.common.low} "
                f"lies before earliest.low = {self.earliest.low}"
            )
        self._check_ratio()
        return self

    def _check_ratio(self) -> None:
        if not self.has_ratio:
            return
        shares = self.expected()
        missing = [need.element for need in self.needs if need.element not in shares]
        if missing:
            raise ValueError(
                f"needed elements that the formula holds; {', '.join(missing)} is not in "
                f"{self.formula}: mend the formula, give parts, or set fixed_ratio = false"
            )

    @property
    def has_ratio(self) -> bool:
        """Whether the formula fixes a mass ratio of needed elements."""
        return self.fixed_ratio and len(self.needs) > 1

    def expected(self) -> dict[str, float]:
        """Mass fractions by the formula or by the parts of the mixture."""
        parts = [(p.formula, p.mass) for p in self.parts] or [(self.formula, 1.0)]
        return mixture_fractions(parts)

    @property
    def needed(self) -> tuple[str, ...]:
        """Symbols of the needed elements, the leading one first."""
        return tuple(need.element for need in self.needs)


class Innocent(_Strict):
    """A source of an element that is no pigment choice: clay, trace, dirt, mordant."""

    element: ElementSymbol
    beside: list[ElementSymbol] = []  # must be detected in the same area
    up_to: float | None = Field(None, gt=0)  # mass relative to the first of `beside`
    share: float | None = Field(None, gt=0, le=1)  # of the visible mass
    how_often: HowOften = "sometimes"
    colours: list[Colour] = []  # only in areas of these colours, where given
    why: Text
    sources: list[str] = Field(min_length=1)

    @model_validator(mode="after")
    def _measured_against_something(self) -> Innocent:
        if self.up_to is not None and not self.beside:
            raise ValueError("beside, because up_to is measured against its first element")
        return self
