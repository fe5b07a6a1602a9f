"""What goes into the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import xarray as xr

from xrfmap.findings import Findings
from xrfmap.report.folder import Picture
from xrfmap.report.photographs import Photograph
from xrfmap.report.plates import Atlas
from xrfmap.report.tables import Table
from xrfmap.settings import Study

__all__ = ["Chart", "CoverPart", "HiddenPart", "Parts", "RadiographPart", "ScanPart"]


@dataclass(frozen=True)
class Chart:
    """A figure drawn by matplotlib that the page shows as it is."""

    title: str
    picture: Picture
    alt: str
    words: str


@dataclass(frozen=True)
class ScanPart:
    """One scan with all that the page shows of it."""

    name: str
    maps: xr.Dataset
    atlas: Atlas
    photographs: Mapping[str, Photograph]
    scatters: Sequence[Chart] = ()
    seams: Chart | None = None
    groups: Chart | None = None


@dataclass(frozen=True)
class CoverPart:
    """Figures of what lies above the elements of one scan."""

    scan: str
    charts: Sequence[Chart]
    words: str


@dataclass(frozen=True)
class HiddenPart:
    """Pictures of what the visible picture of one scan leaves unexplained."""

    scan: str
    picture: str  # data address of the visible picture; empty where the scan was binned
    charts: Sequence[Chart]
    words: str
    table: Table
    lines: Sequence[str] = ()  # families with a shape of their own, most significant first


@dataclass(frozen=True)
class RadiographPart:
    """Radiographs of one scan: simulated, given, and where they part."""

    scan: str
    charts: Sequence[Chart]
    words: str
    table: Table


@dataclass(frozen=True)
class Parts:
    """All that goes into the page."""

    study: Study
    findings: Findings
    scans: Sequence[ScanPart]
    spectra: Mapping[str, xr.Dataset]  # of the scans, by name
    points: Mapping[str, xr.Dataset]
    run: Mapping[str, Any]
    static_spectra: Sequence[Chart] = ()
    cover: Sequence[CoverPart] = ()
    hidden: Sequence[HiddenPart] = ()
    radiographs: Sequence[RadiographPart] = ()
