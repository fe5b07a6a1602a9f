"""Maps as the page shows them: native pixels, colour key, limits and words for each."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.report import choices, fields, pixels, style
from xrfmap.report.figures.composite import composite_image
from xrfmap.report.figures.maps import QUALITY
from xrfmap.report.marks import family_of
from xrfmap.report.words import element_name, number, share
from xrfmap.running.memory import hand_back

__all__ = ["Atlas", "Plate", "build_atlas", "slug"]

Array = npt.NDArray[np.float64]
BUDGET = 5_000_000  # pixels of all maps on the page; about 6 MB as text


@dataclass(frozen=True)
class Plate:
    """One picture of the scanned field with all that has to stand beside it."""

    ident: str
    title: str
    subtitle: str
    alt: str
    image: str  # data address
    low: float | None
    high: float | None
    unit: str
    statement: str
    note: str
    lines: tuple[str, ...] = ()  # families of a composite
    above: str = ""  # data address of the one-bit mask above the decision threshold
    swatches: tuple[tuple[str, str], ...] = ()

    @property
    def key(self) -> tuple[str, str]:
        """Ends of the colour bar in words."""
        return number(self.low), f"{number(self.high)} {self.unit}".strip()


@dataclass(frozen=True)
class Atlas:
    """All plates of a scan."""

    grid: fields.Grid
    step: int
    elements: tuple[Plate, ...]
    derived: tuple[Plate, ...]  # composite, ratios
    quality: tuple[Plate, ...]
    bad: int
    measured: int

    @property
    def bar(self) -> tuple[float, str]:
        """Width of the scale bar as a share of the picture [%], and its words."""
        length = fields.nice_length(self.grid.x1 - self.grid.x0)
        return 100 * length / (self.grid.x1 - self.grid.x0), f"{number(length)} {self.grid.unit}"

    @property
    def columns(self) -> int:
        """Width of the pictures [pixels]."""
        return -(-self.grid.columns // self.step)

    @property
    def rows(self) -> int:
        """Height of the pictures [pixels]."""
        return -(-self.grid.rows // self.step)

    def ticks(self, axis: str) -> list[tuple[float, str]]:
        """Places on an axis as shares of the picture [%] with their numbers."""
        low, high = (self.grid.x0, self.grid.x1) if axis == "x" else (self.grid.y0, self.grid.y1)
        step = fields.nice_length((high - low) * 0.8)
        first = np.ceil(low / step) * step
        places = np.arange(first, high + step * 1e-6, step)
        return [(100 * float((p - low) / (high - low)), number(float(p) + 0.0)) for p in places]


def slug(text: str, taken: Iterable[str] = ()) -> str:
    """Name that is safe in a file name and in an identifier, unlike those taken."""
    base = re.sub(r"[^a-z0-9]+", "_", text.casefold()).strip("_")[:48] or "item"
    used, name, count = set(taken), base, 1
    while name in used:
        count += 1
        name = f"{base}_{count}"
    return name


def _family_words(line: str) -> str:
    pair = family_of(line)
    return f"{element_name(pair[0])}, {pair[1]} lines" if pair else line


def limit_words(found: fields.Limits) -> str:
    """Say the detection limit of a map and how much lies above its threshold."""
    if not found.measured:
        return "No pixel was measured."
    counts = "" if found.unit == "counts" else f" ({number(found.limit_counts)} counts)"
    return (
        f"Detection limit {number(found.limit)} {found.unit}{counts}, median over "
        f"{number(found.measured, 9)} pixels; {share(found.share)} of pixels above the decision "
        "threshold."
    )


def _picture(shown: fields.Field, span: fields.Stretch, step: int) -> str:
    indices = pixels.index_image(pixels.coarsen(shown.values, step), span)
    return pixels.data_uri(pixels.palette_png(indices))


def _element_plate(maps: xr.Dataset, line: str, step: int, taken: Sequence[str]) -> Plate:
    shown = fields.field(maps, line)
    span = fields.stretch(shown.values)
    above = fields.above_threshold(maps, line).astype(np.float32)
    found = fields.limits(maps, line)
    what = _family_words(line)
    alt = (
        f"Map of {what}: from {number(span.low)} (dark) to {number(span.high)} {shown.unit} "
        f"(light); {share(found.share)} of pixels above the decision threshold. "
        f"{_where(shown)}"
    )
    return Plate(
        ident=slug(line, taken), title=line, subtitle=what, alt=alt,
        image=_picture(shown, span, step), low=span.low, high=span.high, unit=shown.unit,
        statement=limit_words(found),
        note=" ".join(filter(None, [f"{span.sentence}.", fields.beam_words(maps)])),
        above=pixels.data_uri(pixels.mask_png(pixels.coarsen(above, step) >= 0.5)),
    )  # fmt: skip


def _range_words(shown: fields.Field) -> str:
    span = fields.stretch(shown.values)
    return f"{number(span.low)} to {number(span.high)} {shown.unit}"


def _where(shown: fields.Field) -> str:
    """Part of the field where the map is brightest, for readers who cannot see it."""
    rows, columns = shown.values.shape
    if rows < 3 or columns < 3 or shown.bad.all():
        return ""
    best, words = -np.inf, ""
    for i, tall in enumerate(np.array_split(np.arange(rows), 3)):
        for j, wide in enumerate(np.array_split(np.arange(columns), 3)):
            part = shown.values[np.ix_(tall, wide)]
            mean = float(part[np.isfinite(part)].mean()) if np.isfinite(part).any() else -np.inf
            if mean > best:
                names = ("upper", "middle", "lower")[i], ("left", "centre", "right")[j]
                best, words = mean, " ".join(names)
    return (
        f"Strongest in the {words} of the field."
        if words != "middle centre"
        else ("Strongest in the middle of the field.")
    )


def _ratio_plate(maps: xr.Dataset, pair: tuple[str, str], step: int, taken: Sequence[str]) -> Plate:
    shown = fields.ratio(maps, *pair)
    span = fields.stretch(shown.values)
    bad = fields.field(maps, pair[0]).bad | fields.field(maps, pair[1]).bad
    indices = pixels.index_image(
        pixels.coarsen(shown.values, step), span, blank=pixels.UNSURE_INDEX
    )
    indices[pixels.coarsen(bad.astype(float), step) >= 0.5] = pixels.MASK_INDEX
    element = element_name(pair[0].split()[0])
    words = (
        f"Soft over hard lines of {element}. Softer lines are held back more by a cover, so the "
        "ratio falls where something lies above; the matrix changes it too."
    )
    return Plate(
        ident=slug(f"{pair[0]} over {pair[1]}", taken), title=f"{pair[0]} / {pair[1]}",
        subtitle="ratio of net counts",
        alt=f"Map of the ratio {pair[0]} to {pair[1]}, from {number(span.low)} to "
            f"{number(span.high)}. {_where(shown)}",
        image=pixels.data_uri(pixels.palette_png(indices)), low=span.low, high=span.high, unit="",
        statement=words, note=f"{span.sentence}.",
        swatches=((style.UNSURE, "one of the two not above its detection limit"),),
    )  # fmt: skip


def _composite_plate(
    maps: xr.Dataset, lines: Sequence[str], step: int, taken: Sequence[str]
) -> Plate:
    picture = composite_image(maps, lines)
    if step > 1:
        picture = np.stack([pixels.coarsen(picture[..., c], step) for c in range(3)], axis=-1)
    named = [
        (ink, f"{_family_words(line)}: {_range_words(fields.field(maps, line))}")
        for ink, line in zip(style.COMPOSITE_INKS, lines, strict=False)
    ]
    colours = ("orange", "blue-green", "violet")
    said = ", ".join(f"{line} in {c}" for line, c in zip(lines, colours, strict=False))
    return Plate(
        ident=slug("composite", taken), lines=tuple(lines),
        title=" + ".join(lines), subtitle="composite",
        alt=f"Composite of {said}.", image=pixels.data_uri(pixels.rgb_png(picture)),
        low=None, high=None, unit="",
        statement="Families chosen because their maps differ most. Equal colour is not equal "
                  "amount.",
        note=f"Each stretched between its percentiles {fields.LOW_PERCENT:g} and "
             f"{fields.HIGH_PERCENT:g}.",
        swatches=tuple(named),
    )  # fmt: skip


def _quality_plate(maps: xr.Dataset, name: str, step: int, taken: Sequence[str]) -> Plate:
    title, unit = QUALITY[name]
    shown = fields.scalar_field(maps, name, title, unit)
    span = fields.stretch(shown.values)
    words = {
        "total_counts": "All counts of the detector: shows distance, tilt and dead time as well "
                        "as paint.",
        "deviance_per_dof": "Near 1 where the model explains the spectrum; higher values mark "
                            "pixels that hold something the model lacks.",
        "live_time": "Counting time of each pixel after dead time.",
        "beam": "Strength of the beam, by its monitor or by what the tube lines scatter. "
                "Element maps are divided by it; the picture of all counts is not.",
    }  # fmt: skip
    return Plate(
        ident=slug(name, taken), title=title, subtitle="quality of the measurement",
        alt=f"Map of {title.lower()}, from {number(span.low)} to "
            f"{number(span.high)} {shown.unit}".rstrip() + ".",
        image=_picture(shown, span, step), low=span.low, high=span.high, unit=shown.unit,
        statement=words[name], note=f"{span.sentence}.",
    )  # fmt: skip


def _worth_showing(maps: xr.Dataset, name: str) -> bool:
    if name not in maps:
        return False
    values = fields.upright(maps[name])
    finite = values[np.isfinite(values)]
    # a constant live time says nothing as a picture
    return finite.size > 0 and (name != "live_time" or float(np.ptp(finite)) > 1e-6)


def build_atlas(
    maps: xr.Dataset,
    budget: int = BUDGET,
    taken: Iterable[str] = (),
    chosen: choices.Choice | None = None,
) -> Atlas:
    """All plates of a scan.

    Parameters
    ----------
    maps : Dataset
        Element maps.
    budget : int
        Pixels that all plates together may have; beyond it they are made coarser.
    taken : iterable of str
        Identifiers that plates of other scans have on the same page.
    chosen : Choice, optional
        Composite and ratios to show; chosen anew by default.
    """
    fields.check_maps(maps)
    lines = fields.line_labels(maps)
    shape = fields.grid(maps)
    step = pixels.step_for(shape.rows * shape.columns, len(lines) + 3, budget)
    names = list(taken)

    def add(made: list[Plate], plate: Plate) -> None:
        names.append(plate.ident)
        made.append(plate)
        hand_back()

    elements: list[Plate] = []
    for line in lines:
        add(elements, _element_plate(maps, line, step, names))
    derived: list[Plate] = []
    chosen = choices.Choice.of(maps) if chosen is None else chosen
    if len(chosen.composite) > 1:
        add(derived, _composite_plate(maps, chosen.composite, step, names))
    for pair in chosen.ratios:
        add(derived, _ratio_plate(maps, pair, step, names))
    quality: list[Plate] = []
    for name in QUALITY:
        if _worth_showing(maps, name):
            add(quality, _quality_plate(maps, name, step, names))
    bad = fields.field(maps, lines[0]).bad if lines else fields.bad_pixels(maps)
    count = int(np.count_nonzero(bad))
    return Atlas(
        shape, step, tuple(elements), tuple(derived), tuple(quality), count, bad.size - count
    )
