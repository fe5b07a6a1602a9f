"""The study file, the instrument, and every default with its unit and reason.

Nothing here opens a data file; :func:`load_study` reads the TOML text only.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from xrfmap.errors import InputError

__all__ = [
    "Area",
    "Detector",
    "EnergyScaleByHand",
    "Evidence",
    "Image",
    "Instrument",
    "LayerEntry",
    "MapSettings",
    "Period",
    "Point",
    "ScanEntry",
    "Study",
    "StudyObject",
    "load_study",
]

Name = Annotated[str, Field(min_length=1, max_length=200)]
ElementSymbol = Annotated[str, Field(pattern=r"^[A-Z][a-z]?$")]
Year = Annotated[int, Field(ge=-4000, le=2200)]
MAX_STUDY_BYTES = 4_000_000  # a study is written by hand; more is a mistake or an attack


class _Strict(BaseModel):
    """Frozen, and deaf to no key: an unknown one is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Detector(_Strict):
    """Energy-dispersive detector."""

    material: str = "Si"  # the common sensor of drift detectors
    thickness_mm: float = Field(0.5, gt=0, le=20)  # common drift-detector sensor
    window_material: str = "Be"
    window_um: float = Field(12.5, ge=0, le=1000)  # a usual thin beryllium window
    dead_layer_um: float = Field(0.1, ge=0, le=100)  # contact and inactive silicon


class EnergyScaleByHand(_Strict):
    """Energy scale typed in by the user where the data cannot give one."""

    zero_kev: float
    kev_per_channel: float = Field(gt=0, le=1)
    noise_kev: float = Field(0.08, ge=0, le=1)
    fano: float = Field(0.115, ge=0.02, le=0.5)


class Instrument(_Strict):
    """Tube, geometry and detector. ``None`` means neither file nor user said so."""

    anode: ElementSymbol | None = None
    tube_kv: float | None = Field(None, gt=1, le=160)
    tube_ma: float | None = Field(None, gt=0)
    filter_material: str | None = None
    filter_um: float = Field(0.0, ge=0)
    incidence_deg: float = Field(90.0, gt=0, le=90)  # beam along the normal, scan practice
    takeoff_deg: float = Field(45.0, gt=0, le=90)
    beam_path_cm: float = Field(2.0, ge=0)  # tube to object
    detector_path_cm: float = Field(1.0, ge=0)  # object to detector
    atmosphere: Literal["air", "helium", "vacuum"] = "air"
    detector: Detector = Detector()
    energy_scale: EnergyScaleByHand | None = None


class StudyObject(_Strict):
    """What is studied."""

    title: Name
    support: str | None = None
    width_mm: float | None = Field(None, gt=0)
    height_mm: float | None = Field(None, gt=0)
    reference: str | None = None
    note: str | None = None


class Period(_Strict):
    """The date that is claimed, both years included."""

    start: Year = Field(alias="from")
    end: Year = Field(alias="to")
    note: str | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Period:
        if self.start > self.end:
            raise ValueError(f"from = {self.start} lies after to = {self.end}; swap them")
        return self


class ScanEntry(_Strict):
    """One scan file of the study."""

    file: str
    name: str | None = None
    dataset: str | None = None  # path inside an HDF5 file, where signal/axes are missing
    live_time_s: float | None = Field(None, gt=0)
    pixel_mm: tuple[float, float] | None = None  # (x, y)
    origin_mm: tuple[float, float] | None = None  # (x, y) of the first pixel


class Point(_Strict):
    """One point spectrum."""

    file: str
    name: str | None = None
    area: str | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    live_time_s: float | None = Field(None, gt=0)


class Area(_Strict):
    """A part of the object: polygon, mask image, or elements of an older report."""

    name: Name
    polygon_mm: list[tuple[float, float]] | None = Field(None, min_length=3)
    mask: str | None = None
    elements: list[ElementSymbol] | None = None
    amounts: dict[ElementSymbol, float] | None = None  # relative, any one unit
    layer: str | None = None
    colour: str | None = None
    where: str | None = None  # free words: edge, over a loss, under the varnish
    note: str | None = None


class LayerEntry(_Strict):
    """One layer of a cross-section; the list runs from top to bottom."""

    name: Name
    role: str | None = None  # original paint, retouching, overpaint, ground, support, varnish
    material: list[str] | str | None = None
    thickness_um: float | None = Field(None, gt=0)
    not_before: Year | None = None
    not_after: Year | None = None
    note: str | None = None


class Evidence(_Strict):
    """Evidence on dates that is not a spectrum."""

    kind: Literal["tree_rings", "document", "inscription", "cross_section", "other"]
    layer: str | None = None
    note: str | None = None
    # tree rings
    board: str | None = None
    last_ring_year: Year | None = None
    sapwood_rings: int | None = Field(None, ge=0, le=200)
    boundary_year: Year | None = None  # year of the heartwood-sapwood boundary ring
    bark_edge: bool = False
    provenance: str | None = None
    # documents and inscriptions
    year: Year | None = None
    year_from: Year | None = None
    year_to: Year | None = None
    text: str | None = None


class Image(_Strict):
    """Photograph, infrared image or radiograph to lay beside the maps."""

    file: str
    kind: Literal["photograph", "infrared", "radiograph", "ultraviolet"] = "photograph"
    control_points: list[tuple[float, float, float, float]] | None = None  # px, py, x_mm, y_mm


class RulesEntry(_Strict):
    """Pigment rules of the user's own."""

    file: str


class MapSettings(_Strict):
    """Choices for the maps."""

    elements: list[ElementSymbol] | None = None  # found from the scan where not given
    energy_min_kev: float = Field(1.5, ge=0.1)  # 1 cm of air passes about a quarter here
    energy_max_kev: float | None = Field(None, gt=1)  # tube voltage where not given


class Study(_Strict):
    """Everything a study file may hold."""

    object: StudyObject
    period: Period | None = None
    instrument: Instrument = Instrument()
    scan: list[ScanEntry] = []
    point: list[Point] = []
    area: list[Area] = []
    layer: list[LayerEntry] = []
    evidence: list[Evidence] = []
    image: list[Image] = []
    rules: RulesEntry | None = None
    maps: MapSettings = MapSettings()


def load_study(path: Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : Path
        TOML file.

    Returns
    -------
    Study
        The checked content.

    Raises
    ------
    InputError
        If the file is missing, is not TOML, or holds a bad or unknown field.
    """
    return Study.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
