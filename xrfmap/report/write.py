"""Writes the report: the page, every figure as PNG, the data of each as CSV."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.findings import Findings
from xrfmap.report import choices, content, fields, figures, grouping, pixels, record, style
from xrfmap.report import hidden as report_hidden
from xrfmap.report import radiograph as report_radiograph
from xrfmap.report.cover import block_words, cover_rows, cover_words, told_elements
from xrfmap.report.figures.diagrams import date_bars
from xrfmap.report.figures.hidden import signed_field
from xrfmap.report.figures.maps import QUALITY
from xrfmap.report.figures.radiograph import TITLES as RADIOGRAPH_TITLES
from xrfmap.report.figures.radiograph import radiograph_field
from xrfmap.report.page import render_page
from xrfmap.report.parts import Chart, CoverPart, HiddenPart, Parts, RadiographPart, ScanPart
from xrfmap.report.photographs import Photograph, as_photograph
from xrfmap.report.plates import BUDGET, build_atlas, slug
from xrfmap.report.tables import Table, csv_text, write_csv
from xrfmap.report.words import element_name
from xrfmap.settings import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["write_report"]

Array = npt.NDArray[np.float64]
DPI = 300
PER_PLATE = 12  # maps on one printed page


@dataclass
class _Folder:
    """Result folder; hands out names and keeps them apart."""

    out: Path
    taken: set[str] = field(default_factory=set)

    def name(self, wish: str) -> str:
        given = slug(wish, self.taken)
        self.taken.add(given)
        return given

    def figure(self, name: str, ax: Axes) -> None:
        path = self.out / "figures" / f"{name}.png"
        part = path.with_name(path.name + ".part")
        style.save_png(ax.figure, part, DPI)
        part.replace(path)

    def text(self, name: str, text: str) -> None:
        _replace(self.out / "tables" / f"{name}.csv", text)


def _replace(path: Path, text: str) -> None:
    """Write beside the place and move there, so that no half-written file is ever seen."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8", newline="")
    part.replace(path)


def _grid_csv(shown: fields.Field, maps: xr.Dataset) -> str:
    """Map as rows of numbers: x along the first line, y down the first column."""
    x, y = (np.sort(np.asarray(maps[axis].values, dtype=float)) for axis in ("x", "y"))
    head = ",".join([f"y\\x [{shown.grid.unit}]; values [{shown.unit or '1'}]",
                     *(f"{v:.6g}" for v in x)])  # fmt: skip
    lines = [head]
    for place, row in zip(y, shown.values, strict=True):
        cells = [f"{v:.5g}" if math.isfinite(v) else "" for v in row.tolist()]
        lines.append(",".join([f"{place:.6g}", *cells]))
    return "\r\n".join(lines) + "\r\n"


def _map_figures(folder: _Folder, maps: xr.Dataset, study: Study, scan: str) -> None:
    for line in fields.line_labels(maps):
        name = folder.name(f"{scan} map {line}")
        folder.figure(name, figures.element_map(maps, line, areas=study.area))
        folder.text(name, _grid_csv(fields.field(maps, line), maps))
    labels = fields.line_labels(maps)
    for start in range(0, len(labels), PER_PLATE):
        name = folder.name(f"{scan} plate {start // PER_PLATE + 1}")
        folder.figure(name, figures.plate_of_maps(maps, labels[start : start + PER_PLATE])[0])
    for variable, (title, unit) in QUALITY.items():
        if variable in maps:
            name = folder.name(f"{scan} quality {variable}")
            folder.figure(name, figures.quality_map(maps, variable))
            folder.text(name, _grid_csv(fields.scalar_field(maps, variable, title, unit), maps))


def _derived_figures(folder: _Folder, maps: xr.Dataset, scan: str) -> None:
    chosen = choices.composite_lines(maps)
    if len(chosen) > 1:
        # its data are the maps of its families
        folder.figure(folder.name(f"{scan} composite"), figures.composite_map(maps, chosen))
    for top, bottom in choices.family_ratios(maps):
        name = folder.name(f"{scan} ratio {top} {bottom}")
        folder.figure(name, figures.ratio_map(maps, top, bottom))
        folder.text(name, _grid_csv(fields.ratio(maps, top, bottom), maps))


def _wholes(folder: _Folder, maps: xr.Dataset, scan: str) -> tuple[Chart | None, Chart | None]:
    """Pictures of the seams of stitched scans and of the automatic areas, where there are any."""
    seams = groups = None
    if "tile" in maps:
        ax = figures.seam_map(maps)
        folder.figure(folder.name(f"{scan} seams"), ax)
        words = (
            "White lines: seams. Every pixel comes from one scan, moved by less than half a pixel; "
            "where scans overlap, from the one in which it lies further from the edge. Nothing "
            "was scaled or smoothed."
        )
        seams = _chart(ax, "Scans put together", words, alt="Map with the seams of the scans.")
    if "automatic_area" in maps and bool((maps["automatic_area"] > 0).any()):
        ax = figures.group_map(maps)
        folder.figure(folder.name(f"{scan} automatic areas"), ax)
        told = maps["automatic_area"].attrs
        families = f" They part most in {told['families']}." if told.get("families") else ""
        count = int(maps["automatic_area"].max())
        groups = _chart(
            ax, f"Automatic areas of {scan}" if scan else "Automatic areas",
            f"{told.get('because', '')}{families}",
            alt=f"Map of {count} automatic areas with their numbers; sizes are in the table.",
        )  # fmt: skip
    return seams, groups


def _scatters(
    folder: _Folder, maps: xr.Dataset, scan: str, areas: Mapping[str, npt.NDArray[np.bool_]]
) -> list[Chart]:
    charts = []
    kinds = ("The two elements whose maps go together most", "The two that part most")
    for pair, why in zip(choices.scatter_pairs(maps), kinds, strict=False):
        ax = figures.element_scatter(maps, *pair, areas=areas)
        name = folder.name(f"{scan} scatter {pair[0]} {pair[1]}")
        folder.figure(name, ax)
        one, two = (fields.field(maps, line) for line in pair)
        good = ~(one.bad | two.bad)
        heads = [f"{line} [{one.unit}]" for line in pair]
        rows = zip(one.values[good].tolist(), two.values[good].tolist(), strict=True)
        folder.text(name, csv_text(heads, rows))
        words = f"{why}: one material, two used together, or one layer may be the reason."
        if why is kinds[1]:
            words = f"{why}, among those seen in the scan."
        charts.append(_chart(ax, f"{pair[1]} against {pair[0]}", words))
    return charts


def _png(ax: Axes, dpi: int) -> bytes:
    buffer = io.BytesIO()
    style.save_png(ax.figure, buffer, dpi)
    return buffer.getvalue()


def _chart(ax: Axes, title: str, words: str, dpi: int = 150, alt: str = "") -> Chart:
    box = ax.figure.bbox
    scale = dpi / float(ax.figure.dpi)
    alt = alt or f"Scatter plot of {title}, one point a pixel."
    return Chart(title, pixels.data_uri(_png(ax, dpi)), alt, words, round(box.width * scale),
                 round(box.height * scale))  # fmt: skip


def _spectra_of(
    scans: Mapping[str, xr.Dataset], points: Mapping[str, xr.Dataset]
) -> Iterator[tuple[str, str, xr.Dataset, str]]:
    """File name, title, Dataset and variable of every spectrum."""
    for scan, spectra in scans.items():
        of = f" of {scan}" if scan else " of the scan"
        yield f"{scan} spectrum sum", f"Sum spectrum{of}", spectra, "sum_counts"
        if "max_pixel_counts" in spectra:
            title = f"Maximum of any pixel{of}"
            yield f"{scan} spectrum maximum", title, spectra, "max_pixel_counts"
    for name, point in points.items():
        counts = "sum_counts" if "sum_counts" in point else "counts"
        if "energy" in point.coords and counts in point:
            yield f"spectrum {name}", f"Point spectrum {name}", point, counts


def _spectrum_csv(spectra: xr.Dataset, counts: str) -> str:
    heads = ["channel", "energy [keV]", "measured [counts]"]
    columns: list[Array] = [np.asarray(spectra[v].values, dtype=float) for v in ("energy", counts)]
    if "model" in spectra and counts != "max_pixel_counts":
        heads.append("fit [counts]")
        columns.append(np.asarray(spectra["model"].values, dtype=float))
        if "component_counts" in spectra:
            parts = spectra["component_counts"].transpose("component", "channel")
            heads += [f"{c} [counts]" for c in spectra["component"].values]
            columns += list(np.asarray(parts.values, dtype=float))
    rows = ([n, *row] for n, row in enumerate(np.array(columns).T.tolist()))
    return csv_text(heads, rows)


def _spectrum_figures(
    folder: _Folder, scans: Mapping[str, xr.Dataset], points: Mapping[str, xr.Dataset]
) -> list[tuple[str, str]]:
    static: list[tuple[str, str]] = []
    for wish, title, held, counts in _spectra_of(scans, points):
        ax = figures.fitted_spectrum(held, counts=counts, title=title)
        name = folder.name(wish)
        folder.figure(name, ax)
        folder.text(name, _spectrum_csv(held, counts))
        if not static:
            static.append((pixels.data_uri(_png(ax, 110)), f"{title} with its fit"))
    return static


def _date_figures(folder: _Folder, study: Study, findings: Findings) -> None:
    bars = date_bars(study, findings)
    if any(bar.kind == "layer" for bar in bars):
        folder.figure(folder.name("diagram layers"), figures.layer_diagram(study, findings))
    if bars:
        folder.figure(folder.name("diagram dates"), figures.chronology_diagram(study, findings))
        heads = ["item", "kind", "not_before [year]", "not_after [year]", "in_conflict"]
        rows = [(b.label, b.kind, b.not_before, b.not_after, b.conflict) for b in bars]
        folder.text(folder.name("diagram dates data"), csv_text(heads, rows))


def _cover_parts(
    folder: _Folder, covers: Mapping[str, xr.Dataset], study: Study
) -> list[CoverPart]:
    """Figures and data of what lies above the elements; the page shows the telling ones."""
    parts = []
    for scan, cover in covers.items():
        label = scan if len(covers) > 1 else ""
        charts = []
        for element in told_elements(cover):
            name = folder.name(f"{label} cover {element}")
            ax = figures.cover_map(cover, element, areas=study.area)
            folder.figure(name, ax)
            folder.text(name, csv_text(*cover_rows(cover, element)))
            words = cover_words(cover, element)
            title = f"What lies above {element_name(element)}"
            alt = f"Map of the state of {element_name(element)} by blocks of pixels. {words}"
            made = _chart(ax, title, words)
            charts.append(replace(made, alt=alt))
        parts.append(CoverPart(scan, charts, block_words(cover)))
    return parts


def _hidden_parts(folder: _Folder, found: Mapping[str, xr.Dataset]) -> list[HiddenPart]:
    """Figures and data of what the visible picture leaves unexplained."""
    parts = []
    for scan, held in found.items():
        label = scan if len(found) > 1 else ""
        charts = []
        shown = report_hidden.pictures(held)
        for what, line in shown:
            name = folder.name(f"{label} hidden {what} {line or ''}")
            ax = figures.hidden_map(held, what, line)
            folder.figure(name, ax)
            folder.text(name, _grid_csv(signed_field(held, what, line), held))
            words = (
                report_hidden.joint_words(held)
                if line is None
                else report_hidden.line_words(held, line)
            )
            title = "Joint picture" if line is None else f"{line}, {what}"
            charts.append(replace(_chart(ax, title, words), alt=f"Map. {title}. {words}"))
        picture = ""
        if "picture" in held:
            seen = np.nan_to_num(held["picture"].values, nan=0.5)
            picture = pixels.data_uri(pixels.rgb_png(seen))
        table = report_hidden.shape_table(held, slug(label) if label else "")
        _write_tables(folder, [table])
        words = report_hidden.hidden_words(held)
        lines = report_hidden.told_lines(held)
        parts.append(HiddenPart(scan, picture, charts, words, table, lines))
    return parts


def _radiograph_parts(folder: _Folder, found: Mapping[str, xr.Dataset]) -> list[RadiographPart]:
    """Figures and data of the simulated radiograph and of a given one beside it."""
    parts = []
    for scan, held in found.items():
        label = scan if len(found) > 1 else ""
        charts = []
        for what, words in report_radiograph.pictures(held):
            name = folder.name(f"{label} radiograph {what if what != 'opacity' else 'simulated'}")
            ax = figures.radiograph_map(held, what)
            folder.figure(name, ax)
            folder.text(name, _grid_csv(radiograph_field(held, what), held))
            title = RADIOGRAPH_TITLES[what]
            charts.append(replace(_chart(ax, title, words), alt=f"{title}. {words}"))
        table = report_radiograph.difference_table(held, slug(label) if label else "")
        _write_tables(folder, [table])
        parts.append(RadiographPart(scan, charts, report_radiograph.radiograph_words(held), table))
    return parts


def _write_tables(folder: _Folder, tables: Sequence[Table | None]) -> None:
    for table in tables:
        if table is not None and table.rows:
            folder.taken.add(table.name)
            write_csv(table, folder.out / "tables")


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


def _scan_parts(
    folder: _Folder,
    maps: Mapping[str, xr.Dataset],
    study: Study,
    photographs: Mapping[str, Mapping[str, Photograph]],
) -> list[ScanPart]:
    """Figures and tables of every scan; returns what the page shows of it."""
    parts: list[ScanPart] = []
    taken: list[str] = []
    for name, held in maps.items():
        label = name if len(maps) > 1 else ""
        _map_figures(folder, held, study, label)
        _derived_figures(folder, held, label)
        areas = grouping.masks_to_colour(held, study, name, len(study.scan) > 1)
        scatters = _scatters(folder, held, label, areas)
        seams, groups = _wholes(folder, held, label)
        _write_tables(folder, [content.line_table(held, label if parts else "")])
        atlas = build_atlas(held, BUDGET // len(maps), taken)
        taken += [p.ident for p in (*atlas.elements, *atlas.derived, *atlas.quality)]
        pictures = photographs.get(name, {})
        parts.append(ScanPart(name, held, atlas, pictures, scatters, seams, groups))
    return parts


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
        Maps of cover, as from :func:`xrfmap.cover_maps.cover_maps`; several scans by name.
    hidden : Dataset or mapping of str to Dataset, optional
        What the visible picture leaves unexplained, as from
        :func:`xrfmap.hidden.hidden_design`; several scans by name.
    radiographs : Dataset or mapping of str to Dataset, optional
        Simulated radiographs, compared where one is given, as from
        :func:`xrfmap.radiograph_compare.compare_radiographs`; several scans by name.
    progress : callable, optional
        Told what is being written.

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
    folder = _Folder(out)
    _write_tables(
        folder,
        [*content.finding_tables(findings).values(), grouping.group_table(findings),
         grouping.comparison_table(findings), content.point_table(points),
         record.calibration_table(findings)],
    )  # fmt: skip
    tell("figures of maps")
    scans = _scan_parts(folder, all_maps, study, pictures)
    tell("figures of spectra and dates")
    named = {name if len(all_spectra) > 1 else "": held for name, held in all_spectra.items()}
    static = _spectrum_figures(folder, named, points)
    _date_figures(folder, study, findings)
    over = _cover_parts(folder, _by_scan(cover, study), study)
    tell("page")
    under = _hidden_parts(folder, _by_scan(hidden, study))
    rays = _radiograph_parts(folder, _by_scan(radiographs, study))
    parts = Parts(study, findings, scans, all_spectra, points, run, static, over, under, rays)
    page = render_page(parts)
    _replace(out / "report.html", page)
    return out / "report.html"
