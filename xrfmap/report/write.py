"""Writes the report: the page, every figure as PNG, the data of each as CSV."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import xarray as xr

from xrfmap.findings import Findings
from xrfmap.report import charts, content, grouping, record
from xrfmap.report.folder import ResultFolder, replace_text
from xrfmap.report.page import render_page
from xrfmap.report.parts import Parts
from xrfmap.report.photographs import Photograph, as_photograph
from xrfmap.running.crew import Crew
from xrfmap.settings import Study

__all__ = ["write_report"]

LARGE = 1_000_000  # pixels of a scan whose figures are drawn one after the other


def _by_scan(given: Any, study: Study) -> dict[str, Any]:
    """One Dataset, or several by the name of their scan, as several by name."""
    if given is None:
        return {}
    if isinstance(given, xr.Dataset):
        entry = study.scan[0] if study.scan else None
        return {(entry.name or entry.file) if entry else "scan": given}
    return dict(given)


def _photographs(
    given: Mapping[str, Any], scans: Sequence[str]
) -> dict[str, dict[str, Photograph]]:
    """Pictures by scan; a plain mapping of pictures belongs to the first scan."""
    several = all(isinstance(value, Mapping) for value in given.values())
    by_scan = given if several else {scans[0]: given} if scans else {}
    return {
        scan: {name: as_photograph(picture) for name, picture in pictures.items()}
        for scan, pictures in by_scan.items()
    }


def write_report(
    out: Path,
    study: Study,
    findings: Findings,
    maps: xr.Dataset | Mapping[str, xr.Dataset] | None = None,
    spectra: xr.Dataset | Mapping[str, xr.Dataset] | None = None,
    points: Mapping[str, xr.Dataset] | None = None,
    run: Mapping[str, Any] | None = None,
    *,
    photographs: Mapping[str, Any] | None = None,
    cover: xr.Dataset | Mapping[str, xr.Dataset] | None = None,
    hidden: xr.Dataset | Mapping[str, xr.Dataset] | None = None,
    radiographs: xr.Dataset | Mapping[str, xr.Dataset] | None = None,
    progress: Callable[[str], None] | None = None,
    crew: Crew | None = None,
) -> Path:
    """Write ``report.html``, ``figures/*.png`` and ``tables/*.csv``.

    Parameters
    ----------
    out : Path
        Result folder; made if it is not there.
    study : Study
        What was asked.
    findings : Findings
        What was found.
    maps : Dataset or mapping of str to Dataset, optional
        Element maps, dims line, y, x, as in ``maps.nc``; several scans by name; None where
        the study has no scan.
    spectra : Dataset or mapping of str to Dataset, optional
        Sum and maximum-pixel spectra with model and components, dims channel, component.
    points : mapping of str to Dataset, optional
        Point spectra by name: ``sum_counts`` (or ``counts``) over channel with coordinate
        ``energy`` [keV]; ``model`` and ``component_counts`` where fitted; ``net_counts`` and its
        kin over ``line`` for the table.
    run : mapping, optional
        What ``run.json`` holds: versions, settings, inputs, timings.
    photographs : mapping, optional
        Pictures registered to the scan: name, and a `Photograph` or an array of shape (y, x, 3)
        or (y, x) that covers just the scanned field, uint8 or floats from 0 to 1. For several
        scans a mapping of such mappings by the name of the scan.
    cover : Dataset or mapping of str to Dataset, optional
        Maps of cover, as from :func:`xrfmap.depth.cover_maps.cover_maps`; several scans by name.
    hidden : Dataset or mapping of str to Dataset, optional
        What the visible picture leaves unexplained, as from
        :func:`xrfmap.pictures.hidden.hidden_design`; several scans by name.
    radiographs : Dataset or mapping of str to Dataset, optional
        Simulated radiographs, compared where one is given, as from
        :func:`xrfmap.pictures.radiograph_compare.compare_radiographs`; several scans by name.
    progress : callable, optional
        Told what is being written.
    crew : Crew, optional
        Draws the figures; this process by default.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        If `maps` or `spectra` lack what the contract asks.
    ValueError
        If a photograph is no picture; told before anything is drawn.
    """
    tell = progress or (lambda _: None)
    points, run = points or {}, run or {}
    all_maps, all_spectra = _by_scan(maps, study), _by_scan(spectra, study)
    pictures = _photographs(photographs or {}, list(all_maps))
    for part in ("figures", "tables"):
        (out / part).mkdir(parents=True, exist_ok=True)
    large = any(m.sizes["y"] * m.sizes["x"] > LARGE for m in all_maps.values())
    crew = crew or Crew()
    if large:  # the maps take longer to prepare than to draw, and each process 300 MB
        crew.dismiss()
        crew = Crew()
    folder = ResultFolder(out, crew)
    folder.tables(
        [*content.finding_tables(findings).values(), grouping.group_table(findings),
         grouping.comparison_table(findings), content.point_table(points),
         record.calibration_table(findings)],
    )  # fmt: skip
    tell("figures of maps")
    scans = charts.scan_parts(folder, all_maps, study, pictures)
    tell("figures of spectra and dates")
    named = {name if len(all_spectra) > 1 else "": held for name, held in all_spectra.items()}
    still = charts.spectrum_figures(folder, named, points)
    charts.date_figures(folder, study, findings)
    over = charts.cover_parts(folder, _by_scan(cover, study), study)
    under = charts.hidden_parts(folder, _by_scan(hidden, study))
    rays = charts.radiograph_parts(folder, _by_scan(radiographs, study))
    folder.finish()
    tell("page")
    parts = Parts(study, findings, scans, all_spectra, points, run, still, over, under, rays)
    page = render_page(parts)
    replace_text(out / "report.html", page)
    return out / "report.html"
