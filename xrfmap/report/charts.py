"""Every figure of a report with its data, and what the page says of those that it shows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.findings import Findings
from xrfmap.report import choices, content, fields, figures, grouping, pixels
from xrfmap.report import hidden as report_hidden
from xrfmap.report import radiograph as report_radiograph
from xrfmap.report.cover import block_words, cover_rows, cover_words, told_elements
from xrfmap.report.figures.diagrams import date_bars
from xrfmap.report.figures.hidden import signed_field
from xrfmap.report.figures.maps import QUALITY
from xrfmap.report.figures.radiograph import TITLES as RADIOGRAPH_TITLES
from xrfmap.report.figures.radiograph import radiograph_field
from xrfmap.report.figures.spectra import left_out
from xrfmap.report.folder import ResultFolder
from xrfmap.report.parts import Chart, CoverPart, HiddenPart, RadiographPart, ScanPart
from xrfmap.report.photographs import Photograph
from xrfmap.report.plates import BUDGET, build_atlas, slug
from xrfmap.report.tables import csv_text
from xrfmap.report.words import element_name
from xrfmap.settings import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "cover_parts",
    "date_figures",
    "hidden_parts",
    "radiograph_parts",
    "scan_parts",
    "spectrum_figures",
]

Array = npt.NDArray[np.float64]
PER_PLATE = 12  # maps on one printed page
CELLS = 250_000  # numbers in the table of a map
POINTS = 100_000  # rows in the table of a scatter plot


def _chart(folder: ResultFolder, name: str, ax: Axes, title: str, words: str, alt: str) -> Chart:
    """Figure that goes to a file and onto the page."""
    return Chart(title, folder.figure(name, ax, on_page=True), alt, words)


def _grid_csv(shown: fields.Field, maps: xr.Dataset) -> str:
    """Map as rows of numbers: x along the first line, y down the first column.

    A large map as means over blocks, which the first cell says: a table of millions of
    numbers opens in no spreadsheet, and the netCDF file and the images hold them all.
    """
    x, y = (np.sort(np.asarray(maps[axis].values, dtype=float)) for axis in ("x", "y"))
    step = pixels.step_for(shown.values.size, 1, CELLS)
    told = f"; means of {step} x {step} pixels" if step > 1 else ""
    x, y = (pixels.coarsen(axis[None, :], step)[0] if step > 1 else axis for axis in (x, y))
    head = ",".join([f"y\\x [{shown.grid.unit}]; values [{shown.unit or '1'}]{told}",
                     *(f"{v:.6g}" for v in x)])  # fmt: skip
    lines = [head]
    for place, row in zip(y, pixels.coarsen(shown.values, step), strict=True):
        cells = [f"{v:.5g}" if math.isfinite(v) else "" for v in row.tolist()]
        lines.append(",".join([f"{place:.6g}", *cells]))
    return "\r\n".join(lines) + "\r\n"


def _map_figures(folder: ResultFolder, maps: xr.Dataset, study: Study, scan: str) -> None:
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


def _derived_figures(
    folder: ResultFolder, maps: xr.Dataset, scan: str, chosen: choices.Choice
) -> None:
    if len(chosen.composite) > 1:
        # its data are the maps of its families
        ax = figures.composite_map(maps, chosen.composite)
        folder.figure(folder.name(f"{scan} composite"), ax)
    for top, bottom in chosen.ratios:
        name = folder.name(f"{scan} ratio {top} {bottom}")
        folder.figure(name, figures.ratio_map(maps, top, bottom))
        folder.text(name, _grid_csv(fields.ratio(maps, top, bottom), maps))


def _wholes(folder: ResultFolder, maps: xr.Dataset, scan: str) -> tuple[Chart | None, Chart | None]:
    """Pictures of the seams of stitched scans and of the automatic areas, where there are any."""
    seams = groups = None
    if "tile" in maps:
        ax = figures.seam_map(maps)
        words = (
            "White lines: seams. Every pixel comes from one scan, moved by less than half a pixel; "
            "where scans overlap, from the one in which it lies further from the edge. Nothing "
            "was scaled or smoothed."
        )
        seams = _chart(
            folder, folder.name(f"{scan} seams"), ax, "Scans put together", words,
            "Map with the seams of the scans.",
        )  # fmt: skip
    if "automatic_area" in maps and bool((maps["automatic_area"] > 0).any()):
        ax = figures.group_map(maps)
        told = maps["automatic_area"].attrs
        families = f" They differ most in {told['families']}." if told.get("families") else ""
        count = int(maps["automatic_area"].max())
        groups = _chart(
            folder, folder.name(f"{scan} automatic areas"), ax,
            f"Automatic areas of {scan}" if scan else "Automatic areas",
            f"{told.get('because', '')}{families}",
            f"Map of {count} automatic areas with their numbers; sizes are in the table.",
        )  # fmt: skip
    return seams, groups


def _scatters(
    folder: ResultFolder,
    maps: xr.Dataset,
    scan: str,
    areas: Mapping[str, npt.NDArray[np.bool_]],
    chosen: choices.Choice,
) -> list[Chart]:
    charts = []
    kinds = (
        "The two elements whose maps go together most", "The two whose maps go together least",
    )  # fmt: skip
    for pair, why in zip(chosen.scatters, kinds, strict=False):
        ax = figures.element_scatter(maps, *pair, areas=areas)
        name = folder.name(f"{scan} scatter {pair[0]} {pair[1]}")
        one, two = (fields.field(maps, line) for line in pair)
        good = ~(one.bad | two.bad)
        heads = [f"{line} [{one.unit}]" for line in pair]
        every = max(1, -(-int(good.sum()) // POINTS))
        values = (one.values[good][::every].tolist(), two.values[good][::every].tolist())
        rows = zip(*values, strict=True)
        folder.text(name, csv_text(heads, rows))
        words = f"{why}: they may belong to one material, to two used together, or to one layer."
        if why is kinds[1]:
            words = f"{why}, among those seen in the scan."
        if every > 1:
            words += f" The table holds one pixel in {every}; maps.nc holds all."
        title = f"{pair[1]} against {pair[0]}"
        alt = f"Scatter plot of {title}, one point a pixel."
        charts.append(_chart(folder, name, ax, title, words, alt))
    return charts


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
        unused = left_out(spectra)
        if unused is not None:
            heads.append("left out of the fit (ran full)")
            columns.append(unused.astype(float))
        if "component_counts" in spectra:
            parts = spectra["component_counts"].transpose("component", "channel")
            heads += [f"{c} [counts]" for c in spectra["component"].values]
            columns += list(np.asarray(parts.values, dtype=float))
    rows = ([n, *row] for n, row in enumerate(np.array(columns).T.tolist()))
    return csv_text(heads, rows)


def spectrum_figures(
    folder: ResultFolder, scans: Mapping[str, xr.Dataset], points: Mapping[str, xr.Dataset]
) -> list[Chart]:
    """Figures and data of all spectra; the first stands in where a page runs no script."""
    still: list[Chart] = []
    for wish, title, held, counts in _spectra_of(scans, points):
        ax = figures.fitted_spectrum(held, counts=counts, title=title)
        name = folder.name(wish)
        folder.text(name, _spectrum_csv(held, counts))
        if still:
            folder.figure(name, ax)
        else:
            still.append(_chart(folder, name, ax, title, "", f"{title} with its fit"))
    return still


def date_figures(folder: ResultFolder, study: Study, findings: Findings) -> None:
    """Diagrams of layers and dates, where there is something to date."""
    bars = date_bars(study, findings)
    if any(bar.kind == "layer" for bar in bars):
        folder.figure(folder.name("diagram layers"), figures.layer_diagram(study, findings))
    if bars:
        folder.figure(folder.name("diagram dates"), figures.chronology_diagram(study, findings))
        heads = ["item", "kind", "not_before [year]", "not_after [year]", "in_conflict"]
        rows = [(b.label, b.kind, b.not_before, b.not_after, b.conflict) for b in bars]
        folder.text(folder.name("diagram dates data"), csv_text(heads, rows))


def cover_parts(
    folder: ResultFolder, covers: Mapping[str, xr.Dataset], study: Study
) -> list[CoverPart]:
    """Figures and data of what lies above the elements; the page shows the telling ones."""
    parts = []
    for scan, cover in covers.items():
        label = scan if len(covers) > 1 else ""
        charts = []
        for element in told_elements(cover):
            name = folder.name(f"{label} cover {element}")
            ax = figures.cover_map(cover, element, areas=study.area)
            folder.text(name, csv_text(*cover_rows(cover, element)))
            words = cover_words(cover, element)
            title = f"What lies above {element_name(element)}"
            alt = f"Map of the state of {element_name(element)} by blocks of pixels. {words}"
            charts.append(_chart(folder, name, ax, title, words, alt))
        parts.append(CoverPart(scan, charts, block_words(cover)))
    return parts


def hidden_parts(folder: ResultFolder, found: Mapping[str, xr.Dataset]) -> list[HiddenPart]:
    """Figures and data of what the visible picture leaves unexplained."""
    parts = []
    for scan, held in found.items():
        label = scan if len(found) > 1 else ""
        charts = []
        shown = report_hidden.pictures(held)
        for what, line in shown:
            name = folder.name(f"{label} hidden {what} {line or ''}")
            ax = figures.hidden_map(held, what, line)
            folder.text(name, _grid_csv(signed_field(held, what, line), held))
            if line is None:
                title, words = "All families together", report_hidden.joint_words(held)
            else:
                say = (
                    report_hidden.sure_words if what == "significance" else report_hidden.line_words
                )
                title, words = report_hidden.line_title(line, what), say(held, line)
            charts.append(_chart(folder, name, ax, title, words, f"Map. {title}. {words}"))
        picture = ""
        if "picture" in held:
            seen = np.nan_to_num(held["picture"].values, nan=0.5)
            picture = pixels.data_uri(pixels.rgb_png(seen))
        table = report_hidden.shape_table(held, slug(label) if label else "")
        folder.tables([table])
        words = report_hidden.hidden_words(held)
        lines = report_hidden.told_lines(held)
        parts.append(HiddenPart(scan, picture, charts, words, table, lines))
    return parts


def radiograph_parts(folder: ResultFolder, found: Mapping[str, xr.Dataset]) -> list[RadiographPart]:
    """Figures and data of the simulated radiograph and of a given one beside it."""
    parts = []
    for scan, held in found.items():
        label = scan if len(found) > 1 else ""
        charts = []
        for what, words in report_radiograph.pictures(held):
            name = folder.name(f"{label} radiograph {what if what != 'opacity' else 'simulated'}")
            ax = figures.radiograph_map(held, what)
            folder.text(name, _grid_csv(radiograph_field(held, what), held))
            title = RADIOGRAPH_TITLES[what]
            charts.append(_chart(folder, name, ax, title, words, f"{title}. {words}"))
        table = report_radiograph.difference_table(held, slug(label) if label else "")
        folder.tables([table])
        parts.append(RadiographPart(scan, charts, report_radiograph.radiograph_words(held), table))
    return parts


def scan_parts(
    folder: ResultFolder,
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
        chosen = choices.Choice.of(held)
        _derived_figures(folder, held, label, chosen)
        areas = grouping.masks_to_colour(held, study, name, len(study.scan) > 1)
        scatters = _scatters(folder, held, label, areas, chosen)
        seams, groups = _wholes(folder, held, label)
        folder.tables([content.line_table(held, label if parts else "")])
        atlas = build_atlas(held, BUDGET // len(maps), taken, chosen)
        taken += [p.ident for p in (*atlas.elements, *atlas.derived, *atlas.quality)]
        pictures = photographs.get(name, {})
        parts.append(ScanPart(name, held, atlas, pictures, scatters, seams, groups))
    return parts
