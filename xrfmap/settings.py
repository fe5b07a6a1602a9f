"""The study file, the instrument, and every default with its unit and reason.

The models say what one field may hold. What fields mean to each other (a point
that names an area, a layer that nobody listed) is checked in
:mod:`xrfmap.studycheck`; :func:`xrfmap.study.study_file.load_study` reads a whole study.
Nothing here opens a data file.
"""

from __future__ import annotations

import difflib
import json
import math
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from xrfmap.elements import Z_MAX, symbol
from xrfmap.studycheck import explain, read_toml

__all__ = [
    "ELEMENT_SYMBOLS",
    "AmountEntry",
    "Area",
    "AreaSettings",
    "CompareEntry",
    "DepthEntry",
    "Detector",
    "EnergyScaleByHand",
    "Evidence",
    "Image",
    "Instrument",
    "LayerEntry",
    "MapSettings",
    "Period",
    "Point",
    "ReferenceEntry",
    "RulesEntry",
    "ScanEntry",
    "StackEntry",
    "StackLayer",
    "StitchEntry",
    "Study",
    "StudyObject",
    "read_areas",
    "validated",
]

ELEMENT_SYMBOLS: tuple[str, ...] = tuple(symbol(z) for z in range(1, Z_MAX + 1))
"""Hydrogen to uranium, in order of atomic number."""


def _element(name: str) -> str:
    if name not in ELEMENT_SYMBOLS:
        close = difflib.get_close_matches(name.capitalize(), ELEMENT_SYMBOLS, n=1, cutoff=0.5)
        hint = f"; did you mean {close[0]}?" if close else ""
        raise ValueError(f"an element symbol from H to U{hint}")
    return name


def _relative(name: str) -> str:
    """Refuse a path that leaves the folder of the study file.

    A study file is passed from hand to hand; it must not be able to pull some
    other file of the reader's machine into a report.
    """
    windows = PureWindowsPath(name)
    parts = PurePosixPath(name.replace("\\", "/")).parts
    if windows.drive or windows.root or name.startswith("~") or ".." in parts or "\0" in name:
        raise ValueError("a path below the folder of the study file, without '..'")
    return name


Name = Annotated[str, Field(min_length=1, max_length=200)]
Words = Annotated[str, Field(max_length=20_000)]
FileName = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_relative)]
ElementSymbol = Annotated[str, AfterValidator(_element)]
Year = Annotated[int, Field(ge=-4000, le=2200)]
MAX_STUDY_BYTES = 4_000_000  # a study is written by hand; more is a mistake or an attack


class _Strict(BaseModel):
    """Frozen, and deaf to no key: an unknown one is an error; so is nan or inf."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False
    )


class Detector(_Strict):
    """Energy-dispersive detector."""

    material: Name = "Si"  # the common sensor of drift detectors
    thickness_mm: float = Field(0.5, gt=0, le=20)  # common drift-detector sensor
    window_material: Name = "Be"
    window_um: float = Field(12.5, ge=0, le=1000)  # a usual thin beryllium window
    dead_layer_um: float = Field(0.1, ge=0, le=100)  # contact and inactive silicon


class EnergyScaleByHand(_Strict):
    """Energy scale typed in by the user where the data cannot give one."""

    zero_kev: float = Field(ge=-5, le=5)
    kev_per_channel: float = Field(gt=0, le=1)
    noise_kev: float = Field(0.08, ge=0, le=1)  # electronic part of a usual drift detector
    fano: float = Field(0.115, ge=0.02, le=0.5)  # silicon, usual value


class Instrument(_Strict):
    """Tube, geometry and detector. ``None`` means neither file nor user said so."""

    anode: ElementSymbol | None = None
    tube_kv: float | None = Field(None, gt=1, le=160)
    tube_ma: float | None = Field(None, gt=0)
    filter_material: Name | None = None
    filter_um: float = Field(0.0, ge=0)
    incidence_deg: float = Field(90.0, gt=0, le=90)  # beam along the normal, scan practice
    takeoff_deg: float = Field(45.0, gt=0, le=90)  # detector beside the beam, scan practice
    beam_path_cm: float = Field(2.0, ge=0)  # tube to object
    detector_path_cm: float = Field(1.0, ge=0)  # object to detector
    atmosphere: Literal["air", "helium", "vacuum"] = "air"
    detector: Detector = Detector()
    energy_scale: EnergyScaleByHand | None = None


class StudyObject(_Strict):
    """What is studied."""

    title: Name
    support: Name | None = None
    width_mm: float | None = Field(None, gt=0)
    height_mm: float | None = Field(None, gt=0)
    reference: Name | None = None
    note: Words | None = None


class Period(_Strict):
    """The date that is claimed, both years included."""

    start: Year = Field(alias="from")
    end: Year = Field(alias="to")
    region: Name | None = None  # where it is said to come from; practice differed
    note: Words | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Period:
        if self.start > self.end:
            raise ValueError(f"from = {self.start} not after to = {self.end}; swap them")
        return self


class ScanEntry(_Strict):
    """One scan file of the study."""

    file: FileName
    name: Name | None = None  # the file's stem where not given
    dataset: Name | None = None  # path inside an HDF5 file, where signal/axes are missing
    detectors: Literal["each"] | None = None  # of several: calibrate each, then add them up
    live_time_s: float | None = Field(None, gt=0)
    pixel_mm: tuple[float, float] | None = None  # (x, y)
    origin_mm: tuple[float, float] | None = None  # (x, y) of the first pixel


class Point(_Strict):
    """One point spectrum."""

    file: FileName
    name: Name | None = None  # the file's stem where not given
    area: Name | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    live_time_s: float | None = Field(None, gt=0)


class Area(_Strict):
    """A part of the object: polygon, mask image, or elements of an older report."""

    name: Name
    scan: Name | None = None  # which scan the polygon or mask lies on, where there are several
    polygon_mm: list[tuple[float, float]] | None = Field(None, min_length=3, max_length=10_000)
    mask: FileName | None = None  # image of the scan's size; not zero = inside
    elements: list[ElementSymbol] | None = Field(None, min_length=1, max_length=92)
    amounts: dict[ElementSymbol, float] | None = None  # relative, any one unit
    layer: Name | None = None
    colour: Name | None = None
    where: Words | None = None  # free words: edge, over a loss, under the varnish
    note: Words | None = None


class LayerEntry(_Strict):
    """One layer of a cross-section; the list runs from top to bottom."""

    name: Name
    role: Name | None = None  # original paint, retouching, overpaint, ground, support, varnish
    material: list[Name] | Name | None = None
    thickness_um: float | None = Field(None, gt=0)
    not_before: Year | None = None
    not_after: Year | None = None
    note: Words | None = None


class Evidence(_Strict):
    """Evidence on dates that is not a spectrum."""

    kind: Literal["tree_rings", "document", "inscription", "cross_section", "other"]
    layer: Name | None = None
    note: Words | None = None
    # tree rings
    board: Name | None = None
    last_ring_year: Year | None = None
    sapwood_rings: int | None = Field(None, ge=0, le=200)
    boundary_year: Year | None = None  # year of the heartwood-sapwood boundary ring
    bark_edge: bool = False
    provenance: Name | None = None
    species: Name = "oak"  # sapwood statistics are for oak; others are dated by their rings only
    sapwood_low: int | None = Field(None, ge=0, le=200)  # own statistics, in place of the table
    sapwood_high: int | None = Field(None, ge=0, le=200)
    seasoning_years: int | None = Field(None, ge=0, le=100)  # added only where given
    # documents and inscriptions
    year: Year | None = None
    year_from: Year | None = None
    year_to: Year | None = None
    text: Words | None = None
    means: Literal["existed_by", "made_in", "not_before"] | None = None  # what the years say

    @model_validator(mode="after")
    def _in_order(self) -> Evidence:
        if None not in (self.year_from, self.year_to) and self.year_from > self.year_to:  # type: ignore[operator]
            raise ValueError(f"year_from = {self.year_from} not after year_to = {self.year_to}")
        return self


class Image(_Strict):
    """Photograph, infrared image or radiograph to lay beside the maps."""

    file: FileName
    kind: Literal["photograph", "infrared", "radiograph", "ultraviolet"] = "photograph"
    control_points: list[tuple[float, float, float, float]] | None = Field(
        None, max_length=1000
    )  # px, py, x_mm, y_mm
    scan: Name | None = None  # which scan it belongs to; every scan where not given
    align: bool = True  # by the edges it shares with the maps, where there are no control points


class RulesEntry(_Strict):
    """Pigment rules of the user's own."""

    file: FileName


class ReferenceEntry(_Strict):
    """What turns counts into amounts: a body of known composition, or the flux."""

    file: FileName | None = None  # point spectrum of the body, same instrument and current
    composition: dict[ElementSymbol, float] | None = None  # mass fractions that come to 1
    thickness_um: float | None = Field(None, gt=0)  # thick where not given
    density_g_cm3: float = Field(1.0, gt=0, le=25)  # counts for a body of given thickness only
    live_time_s: float | None = Field(None, gt=0)
    geometry_sr2: float | None = Field(None, gt=0)  # solid angles of beam and detector; flux known
    error: float = Field(0.2, gt=0, le=2)  # of that flux, relative; computed tube output is rough

    @model_validator(mode="after")
    def _one_way(self) -> ReferenceEntry:
        body = self.file is not None and self.composition is not None
        if body == (self.geometry_sr2 is not None) or (self.file is None) != (
            self.composition is None
        ):
            raise ValueError(
                "file and composition of a reference, or else geometry_sr2 where the flux is known"
            )
        return self


class AmountEntry(_Strict):
    """Places whose amounts are asked for, and what is known of them."""

    of: list[Name] = Field(min_length=1, max_length=2000)  # names of areas and points
    body: Literal["thin", "thick"]  # one thin layer, or one thick homogeneous body
    compounds: dict[ElementSymbol, Name] = {}  # thick: which material brings an element
    binder: Name | None = None
    binder_share: float = Field(0.0, ge=0, lt=1)  # of the mass


class MapSettings(_Strict):
    """Choices for the maps."""

    elements: list[ElementSymbol] | None = Field(None, min_length=1, max_length=92)  # else found
    energy_min_kev: float = Field(1.5, ge=0.1)  # 1 cm of air passes about a quarter here
    energy_max_kev: float | None = Field(None, gt=1)  # tube voltage where not given

    @property
    def energy_range(self) -> tuple[float, float]:
        """Fitted range; its upper end is cut at the tube voltage. [keV]."""
        return self.energy_min_kev, self.energy_max_kev or math.inf

    @model_validator(mode="after")
    def _in_order(self) -> MapSettings:
        if self.energy_min_kev >= (self.energy_max_kev or math.inf):
            raise ValueError("energy_min_kev below energy_max_kev")
        return self


class AreaSettings(_Strict):
    """Choices for the sums over areas."""

    min_pixels: int = Field(1, ge=1)  # one pixel is a spectrum too; its limits say how poor
    outside_share: float = Field(0.02, ge=0, le=1)  # of an area's surface off the scan, then told
    automatic: bool | Annotated[int, Field(ge=1, le=12)] = False  # or how many; none unless asked


class DepthEntry(_Strict):
    """Choices for what lies above what."""

    cover: Name | None = None  # lead white on most elements, ochre on lead, where not given
    elements: list[ElementSymbol] | None = Field(None, min_length=1, max_length=92)  # else present
    maps: bool = True  # maps of cover take a few seconds a scan
    block: int | None = Field(None, ge=1, le=1000)  # pixels a side; else from the counts


class StackLayer(_Strict):
    """One layer of a proposed stack."""

    material: Name
    thickness_um: float | None = Field(None, gt=0, le=10_000)  # fitted where not given


class StackEntry(_Strict):
    """A stack of layers that might explain an area or a point, from top to bottom."""

    name: Name | None = None  # its materials where not given
    area: Name | None = None
    point: Name | None = None
    layers: list[StackLayer] = Field(min_length=1, max_length=20)


class CompareEntry(_Strict):
    """Two areas to be held against each other."""

    areas: tuple[Name, Name]


class RadiographEntry(_Strict):
    """How a radiograph of the object was taken, or would be: for the simulated one."""

    simulate: bool = True  # a second a scan
    tube_kv: float = Field(30.0, ge=8, le=160)  # common practice for panels, no source
    anode: ElementSymbol = "W"  # usual
    support_material: Name = "cellulose"  # wood and canvas are mostly that
    support_mm: float = Field(8.0, ge=0, le=200)  # a common panel; a millimetre for canvas
    lead_white_um: float = Field(10.0, gt=0, le=300)  # of the median lead counts; no source


class StitchEntry(_Strict):
    """Scans of one object that are put together; coordinates as in their `origin_mm`."""

    name: Name = "whole"
    scans: list[Name] | None = Field(None, min_length=2, max_length=200)  # all if not given
    place: Literal["stage", "overlap"] = "overlap"  # what decides where each scan lies
    stage_error_mm: float = Field(1.0, gt=0, le=100)  # a tripod set up anew; a rail does better


class Study(_Strict):
    """Everything a study file may hold."""

    object: StudyObject
    period: Period | None = None
    instrument: Instrument = Instrument()
    scan: list[ScanEntry] = Field(default=[], max_length=200)
    point: list[Point] = Field(default=[], max_length=5000)
    area: list[Area] = Field(default=[], max_length=2000)
    layer: list[LayerEntry] = Field(default=[], max_length=200)
    evidence: list[Evidence] = Field(default=[], max_length=2000)
    image: list[Image] = Field(default=[], max_length=200)
    rules: RulesEntry | None = None
    reference: ReferenceEntry | None = None
    amount: list[AmountEntry] = Field(default=[], max_length=200)
    maps: MapSettings = MapSettings()
    areas: AreaSettings = AreaSettings()
    compare: list[CompareEntry] = Field(default=[], max_length=200)
    stitch: StitchEntry | None = None
    depth: DepthEntry = DepthEntry()
    stack: list[StackEntry] = Field(default=[], max_length=200)
    radiograph: RadiographEntry = RadiographEntry()


_Model = TypeVar("_Model", bound=BaseModel)


class _AreasOnly(_Strict):
    """A TOML file that lists areas and nothing more."""

    area: list[Area] = Field(min_length=1, max_length=2000)


def read_areas(path: Path) -> list[Area]:
    """Read the ``[[area]]`` entries of a TOML file, which may be a whole study.

    Parameters
    ----------
    path : Path
        TOML file, UTF-8, at most 4 MB.

    Returns
    -------
    list of Area
        In the order of the file; at least one.

    Raises
    ------
    InputError
        If the file is missing, is not UTF-8 TOML, or holds a bad or unknown field.
    """
    path = Path(path)
    data = read_toml(path, MAX_STUDY_BYTES)
    if "object" in data:
        return list(validated(Study, data, path).area)
    return list(validated(_AreasOnly, data, path).area)


def validated(model: type[_Model], data: dict[str, object], path: Path) -> _Model:
    """Check what a TOML file holds against a model.

    Raises
    ------
    InputError
        If a field is bad or unknown; it names the file, the field and the nearest known one.
    """
    # Through JSON, because pydantic's strict mode takes a list for a tuple only
    # there; strict, because "1630" in quotes is a slip that should be told.
    try:
        return model.model_validate_json(json.dumps(data, default=str), strict=True)
    except ValidationError as bad:
        raise explain(bad, model, data, str(path)) from None
