"""The card: a small TOML file that says what a block of numbers means.

A card lies beside the data under the same name with ``.toml`` added
(``front.raw`` and ``front.raw.toml``). ``xrfmap/docs/formats.md`` describes it.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, read_text, safe_path
from xrfmap.settings import Instrument

__all__ = [
    "Card",
    "DetectorCard",
    "Padding",
    "card_beside",
    "companions",
    "load_card",
    "parse_card",
]

MAX_CARD_BYTES = 1_000_000
Size = Annotated[int, Field(ge=1, le=2**40)]
Bytes = Annotated[int, Field(ge=0, le=2**40)]
NumberName = Annotated[
    str, Field(pattern=r"^(u?int(8|16|24|32|40|48|56|64)|float(16|32|64))$", max_length=10)
]


class _Strict(BaseModel):
    """Frozen, and deaf to no key: an unknown one is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Padding(_Strict):
    """Bytes that stand before and after each step along an axis."""

    before_bytes: Bytes = 0
    after_bytes: Bytes = 0


class DetectorCard(_Strict):
    """One of several detectors: whether it is used, and its own energy scale."""

    use: bool = True
    zero_kev: float | None = None
    kev_per_channel: float | None = Field(None, gt=0, le=1)
    noise_kev: float = Field(0.08, ge=0, le=1)  # as in settings.EnergyScaleByHand
    fano: float = Field(0.115, ge=0.02, le=0.5)


class Card(_Strict):
    """What a card may hold.

    ``type``, ``shape`` and ``axes`` are needed for a raw block; an array file (.npy,
    TIFF, Zarr) knows the first two itself.
    """

    file: str | None = None  # name of the data; that of the card without .toml if not given
    type: NumberName | None = None
    byte_order: Literal["little", "big"] = "little"  # that of nearly all machines today
    header_bytes: Bytes = 0
    axes: list[str] | None = Field(None, min_length=1, max_length=6)  # slowest first
    shape: list[Size] | None = Field(None, min_length=1, max_length=6)  # as `axes`
    padding: dict[str, Padding] = {}
    take: dict[str, int | Literal["sum"]] = {}  # which index of a further axis
    detector: list[DetectorCard] = []
    title: str = Field("", max_length=500)
    live_time_s: float | None = Field(None, ge=0)
    live_time_file: str | None = None  # .npy of shape (y, x), in seconds
    real_time_s: float | None = Field(None, ge=0)
    monitor_file: str | None = None  # .npy of shape (y, x): strength of the incident beam
    pixel_mm: tuple[float, float] | None = None  # (x, y)
    origin_mm: tuple[float, float] | None = None  # (x, y) of the first pixel
    zero_kev: float | None = None
    kev_per_channel: float | None = Field(None, gt=0, le=1)
    instrument: Instrument = Instrument()

    @model_validator(mode="after")
    def _fits_together(self) -> Card:
        if self.shape is not None and self.axes is None:
            raise ValueError("shape needs axes: name one axis for each size")
        names = self.axes or []
        if self.shape is not None and len(self.shape) != len(names):
            raise ValueError(f"{len(self.shape)} sizes for {len(names)} axes")
        if len(set(names)) != len(names):
            raise ValueError("an axis is named twice")
        for name in [*self.padding, *self.take]:
            if name not in names:
                raise ValueError(f"{name!r} is none of the axes {names}")
        if (self.zero_kev is None) != (self.kev_per_channel is None):
            raise ValueError("zero_kev and kev_per_channel go together")
        for one in self.detector:
            if (one.zero_kev is None) != (one.kev_per_channel is None):
                raise ValueError("zero_kev and kev_per_channel of a detector go together")
        return self


def parse_card(text: str, where: str) -> Card:
    """Card from TOML text.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        File, for messages.

    Returns
    -------
    Card
        The checked card.

    Raises
    ------
    InputError
        If it is not TOML, or holds a bad or unknown key (the nearest one is named).
    """
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as err:
        raise InputError(
            where,
            found=f"text that is no TOML ({clean_text(err)})",
            expected="a card in TOML",
            remedy="see xrfmap/docs/formats.md for an example",
        ) from err
    try:
        return Card.model_validate(content)
    except ValidationError as err:
        raise _card_error(where, err.errors(include_url=False)[0]) from err


def _card_error(where: str, problem: Mapping[str, Any]) -> InputError:
    path = ".".join(clean_text(part, 60) for part in problem["loc"])
    message = clean_text(problem["msg"]).removeprefix("Value error, ")
    if problem["type"] != "extra_forbidden":
        found = message if not path else clean_text(repr(problem["input"]), 80)
        return InputError(
            where,
            path,
            found=found,
            expected=message if path else "parts that fit each other",
            remedy="correct the card; see xrfmap/docs/formats.md",
        )
    known = {
        "detector": list(DetectorCard.model_fields),
        "padding": list(Padding.model_fields),
        "instrument": list(Instrument.model_fields),
    }.get(str(problem["loc"][0]) if len(problem["loc"]) > 1 else "", list(Card.model_fields))
    near = difflib.get_close_matches(str(problem["loc"][-1]), known, n=1)
    return InputError(
        where,
        path,
        found="an unknown key",
        expected=f"one of {', '.join(known)}",
        remedy=f"did you mean {near[0]}?" if near else "remove it; see xrfmap/docs/formats.md",
    )


def load_card(path: Path) -> tuple[Card, Path]:
    """Read a card and find its data.

    Parameters
    ----------
    path : Path
        Card; its name ends in ``.toml``.

    Returns
    -------
    Card
        The checked card.
    Path
        File of the data, in the folder of the card or below.

    Raises
    ------
    InputError
        If the card is bad, or names data outside its folder.
    """
    card = parse_card(read_text(path, MAX_CARD_BYTES), clean_text(path.name))
    name = card.file or path.name.removesuffix(".toml")
    return card, safe_path(path.parent, name, "file")


def card_beside(path: Path) -> Card | None:
    """Card that lies beside a data file; ``None`` if there is none.

    Parameters
    ----------
    path : Path
        Data file, such as ``front.raw``.

    Returns
    -------
    Card or None
        From ``front.raw.toml``.

    Raises
    ------
    InputError
        If the card is bad, or is about another file.
    """
    beside = path.with_name(path.name + ".toml")
    if not beside.is_file():
        return None
    card, data = load_card(beside)
    if data != path.resolve():
        raise InputError(
            clean_text(beside.name),
            "file",
            found=clean_text(card.file),
            expected=clean_text(path.name),
            remedy="correct file in the card, or leave it out",
        )
    return card


def companions(path: Path) -> list[Path]:
    """Find the other files that a listed file is read together with.

    Parameters
    ----------
    path : Path
        Data, or a card.

    Returns
    -------
    list of Path
        The card beside the data, or the data that a card names; and the files of live times
        and of the beam monitor that the card names. Only those that are there.

    Raises
    ------
    InputError
        If a listed card is bad, or a card names something outside its folder.
    """
    if looks_like_card(path):
        card, found = load_card(path)
        others = [found]
    else:
        others = [path.with_name(path.name + ".toml")]
        try:
            beside = card_beside(path)
        except InputError:  # no card; where one is needed, the reader says what is wrong
            return others
        if beside is None:
            return []
        card = beside
    named = [getattr(card, field) for field in ("live_time_file", "monitor_file")]
    others += [safe_path(path.parent, name) for name in named if name is not None]
    return [other for other in others if other.is_file()]


def looks_like_card(path: Path) -> bool:
    """Tell whether a file is named like a card."""
    return re.search(r"\.toml$", path.name, re.IGNORECASE) is not None
