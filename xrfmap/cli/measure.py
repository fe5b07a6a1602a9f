"""Commands on single files: energy scale, element maps, point spectra."""

from __future__ import annotations

import csv
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from xrfmap.cli.amounts import (
    Amounts,
    Asked,
    Composition,
    Geometry,
    Reference,
    ReferenceDensity,
    ReferenceUm,
    TubeMa,
    amount_lines,
    amounts_asked,
)
from xrfmap.cli.common import (
    DONE,
    FAILED,
    AsJson,
    ClusterAddress,
    Elements,
    Quiet,
    Workers,
    element_list,
    guarded,
    print_json,
    tell_error,
)
from xrfmap.errors import XrfmapError
from xrfmap.running.progress import progress_for

if TYPE_CHECKING:
    import xarray as xr

    from xrfmap.identification.identify import Found
    from xrfmap.running.progress import Progress
    from xrfmap.settings import Instrument

__all__ = ["calibrate", "maps", "spectrum"]

Anode = Annotated[str | None, typer.Option("--anode", help="Anode of the tube: Rh, Mo, Ag ...")]
TubeKv = Annotated[
    float | None, typer.Option("--tube-kv", help="Tube voltage [kV].", min=1.0, max=160.0)
]


def _instrument(anode: str | None, tube_kv: float | None) -> Instrument:
    """Take what the user says of the tube; a file that says otherwise is an error."""
    from xrfmap.settings import Instrument

    said: dict[str, Any] = {"tube_kv": tube_kv}
    names = element_list(anode, "--anode")
    if names is not None and len(names) > 1:
        raise typer.BadParameter("--anode takes one element")
    said["anode"] = names[0] if names else None
    return Instrument.model_validate({k: v for k, v in said.items() if v is not None})


@guarded
def calibrate(
    file: Annotated[Path, typer.Argument(help="Scan or point spectrum.", metavar="FILE")],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for FILE.calibration.json and .png.")
    ] = None,
    anode: Anode = None,
    tube_kv: TubeKv = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> int:
    """Find the energy scale and the peak width from the data, with uncertainties.

    Writes them as JSON and as a plot of the lines they rest on, into the present
    folder unless --out names another. With --json alone nothing is written.

    Example: `xrfmap calibrate front.h5 --out checks`
    """
    from xrfmap.calibration.calibrate import calibrate as find_scale
    from xrfmap.io import open_any
    from xrfmap.io.results import write_json
    from xrfmap.io.spool import straightened
    from xrfmap.report.calibration_report import calibration_record, plot_calibration

    progress = progress_for(sys.stderr, quiet)
    progress.begin(f"energy scale of {file.name}")
    with straightened(open_any(file, None, _instrument(anode, tube_kv))) as data:
        found = find_scale(data)
        progress.end()
        record = calibration_record(found)
        if as_json:
            print_json(record)
        else:
            typer.echo(_scale_words(record))
        if out is not None or not as_json:
            folder = out or Path()
            folder.mkdir(parents=True, exist_ok=True)
            stem = folder / f"{file.name}.calibration"
            written = write_json(stem.with_name(stem.name + ".json"), record)
            plot = plot_calibration(found, stem.with_name(stem.name + ".png"))
            if not as_json:
                typer.echo(f"{written}\n{plot}")
    return DONE


def _scale_words(record: dict[str, Any]) -> str:
    from xrfmap.cli.text import columns

    rows = []
    for name, factor, unit in (
        ("zero_kev", 1000.0, "eV"),
        ("kev_per_channel", 1000.0, "eV per channel"),
        ("noise_kev", 1000.0, "eV (FWHM)"),
        ("fano", 1.0, ""),
        ("fwhm_mn_ka_kev", 1000.0, "eV (FWHM at Mn Kα)"),
    ):
        err = record.get(f"{name}_err")
        shown = f"± {err * factor:.3g}" if err else ""
        label = name.removesuffix("_kev").replace("_", " ")
        rows.append((label, f"{record[name] * factor:.6g}", shown, unit))
    lines = columns(("", "value", "error", "unit"), rows)
    return "\n".join([*lines, record["because"]])


@guarded
def maps(
    scan: Annotated[Path, typer.Argument(help="Scan.", metavar="SCAN")],
    out: Annotated[Path, typer.Option("--out", "-o", help="File to write: maps.nc.")],
    elements: Elements = None,
    anode: Anode = None,
    tube_kv: TubeKv = None,
    tiff: Annotated[
        Path | None, typer.Option("--tiff", help="Folder for 32-bit images of the net counts.")
    ] = None,
    cluster: ClusterAddress = None,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> int:
    """Map the elements of a scan: net counts, errors and limits per pixel.

    Elements are found by test unless --elements names them. The file opens with
    `xarray.open_dataset`. A run that was broken off goes on where it stopped when the
    same command is given again.

    Example: `xrfmap maps front.h5 --out maps.nc`
    """
    from xrfmap.calibration.scale_choice import scale_or_stated, stated_scale_notes
    from xrfmap.io import open_scan
    from xrfmap.io.results import read_maps, write_tiffs
    from xrfmap.io.scratch import sweep
    from xrfmap.io.spool import straightened
    from xrfmap.io.workfolder import unfinished
    from xrfmap.maps.many_machines import runner_for
    from xrfmap.maps.map_file import find_and_map
    from xrfmap.spectra.faults import fault_words
    from xrfmap.spectra.residuals import residual_caution

    progress = progress_for(sys.stderr, quiet)
    with unfinished(out) as work, ExitStack() as stack:
        runner = stack.enter_context(runner_for(cluster, workers))
        progress.begin("energy scale")
        opened = open_scan(scan, None, _instrument(anode, tube_kv))
        if cluster is None:  # other machines could not see the scratch file
            sweep(work.parent)
            opened = stack.enter_context(straightened(opened, work.parent))
        data = scale_or_stated(opened)
        progress.end()
        progress.begin("elements and maps")
        found = find_and_map(
            data, out, work, element_list(elements), progress=progress.step,
            tell=lambda found: _tell_local(found, progress), runner=runner,
        )  # fmt: skip
        result, spectra = read_maps(out)
        names = ", ".join(found.present) or "no element"
        progress.end(f"{names}: {result.sizes['line']} line families")
    if tiff is not None:
        write_tiffs(tiff, result)
    if as_json:
        print_json([finding.model_dump(mode="json") for finding in found.elements])
    else:
        typer.echo("\n".join(_map_lines(result)))
        fit = {} if spectra is None else spectra.attrs
        notes = (*stated_scale_notes(data), *fault_words(result, data), *residual_caution(fit))
        for words in notes:
            typer.echo(f"note: {words}")
        typer.echo(str(out))
    return DONE


def _tell_local(found: Found, progress: Progress) -> None:
    """Say which elements only some pixels hold: for these pixels may be fitted once more."""
    local = [e.symbol for e in found.elements if "pixels" in e.evidence]
    if local:
        progress.say(f"held by some pixels only: {', '.join(local)}")


def _map_lines(result: xr.Dataset) -> list[str]:
    import numpy as np

    from xrfmap.cli.text import columns, figure

    rows = []
    good = result["fit_ok"].values.astype(bool)
    for index, label in enumerate(result["line"].values):
        net, threshold, limit = (
            result[name].isel(line=index).values[good]
            for name in ("net_counts", "decision_threshold", "detection_limit")
        )
        share = 100 * float((net > threshold).mean()) if good.any() else float("nan")
        middle = float(np.median(limit)) if good.any() else float("nan")
        # no sum: pixels are never below zero, so that of a weak family would be mostly noise
        highest = float(net.max()) if good.any() else float("nan")
        rows.append((str(label), figure(highest, 5), f"{share:.1f}", figure(middle)))
    head = ("line family", "net counts, highest", "% of pixels seen", "detection limit (median)")
    return columns(head, rows)


@guarded
def spectrum(
    points: Annotated[list[Path], typer.Argument(help="Point spectra.", metavar="POINT")],
    elements: Elements = None,
    anode: Anode = None,
    tube_kv: TubeKv = None,
    table: Annotated[
        Path | None, typer.Option("--csv", help="Also write the table to this file.")
    ] = None,
    amounts: Amounts = None,
    reference: Reference = None,
    composition: Composition = None,
    reference_um: ReferenceUm = None,
    reference_density: ReferenceDensity = 1.0,
    geometry_sr2: Geometry = None,
    tube_ma: TubeMa = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> int:
    """Fit point spectra: a table of line families with net counts, errors and limits.

    With --amounts also mass per area or mass fractions, from a reference or the known flux;
    --json then gives both tables, and --csv writes a second file, FILE.amounts.csv.
    One bad spectrum does not stop the others.

    Example: `xrfmap spectrum p01.msa p02.msa --csv points.csv`
    """
    given = element_list(elements)
    instrument = _instrument(anode, tube_kv)
    asked = amounts_asked(
        amounts, reference, composition, reference_um, reference_density, geometry_sr2, tube_ma,
        instrument,
    )  # fmt: skip
    rows: list[dict[str, Any]] = []
    told: list[dict[str, Any]] = []
    failed = False
    for path in points:
        progress = progress_for(sys.stderr, quiet)
        progress.begin(path.name)
        try:
            found, amounts_here = _fit_point(path, given, instrument, asked)
        except XrfmapError as bad:
            failed = True
            tell_error(bad)
            continue
        progress.end(f"{len(found)} line families")
        rows += found
        told += amounts_here
    if table is not None and rows:
        _write_csv(table, rows)
    if table is not None and told:
        _write_csv(table.with_name(f"{table.name}.amounts.csv"), told)
    if as_json:
        print_json(rows if asked is None else {"lines": rows, "amounts": told})
    elif rows:
        typer.echo("\n".join(_point_lines(rows)))
        if told:
            typer.echo("\n".join(["", *amount_lines(told)]))
    return FAILED if failed else DONE


FIELDS = ("net_counts", "net_counts_err", "net_counts_ul", "decision_threshold", "detection_limit")


def _fit_point(
    path: Path, elements: list[str] | None, instrument: Instrument, asked: Asked | None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    from xrfmap.calibration.scale_choice import scale_or_stated, stated_scale_notes
    from xrfmap.io import open_point
    from xrfmap.maps.element_maps import fit_spectrum

    data = scale_or_stated(open_point(path, None, instrument))
    for words in stated_scale_notes(data):
        typer.echo(f"{path.name}: {words}", err=True)
    fit = fit_spectrum(data, elements=elements)
    if fit.table.attrs.get("full_channels"):
        typer.echo(f"{path.name}: {fit.table.attrs['full_channels']}", err=True)
    verdicts = {finding.symbol: finding.verdict for finding in fit.elements}
    rows = []
    for index, label in enumerate(str(name) for name in fit.table["line"].values):
        row: dict[str, Any] = {"file": path.name, "line": label}
        values = {name: float(fit.table[name].values[index]) for name in FIELDS}
        # a family whose lines ran full has no counts, and JSON no word for NaN
        row |= {name: value if value == value else None for name, value in values.items()}
        rows.append(row | {"element": verdicts.get(label.split()[0], "not detected")})
    return rows, [] if asked is None else asked.answer(fit.found, data, path.name)


def _point_lines(rows: list[dict[str, Any]]) -> list[str]:
    from xrfmap.cli.text import columns, figure

    head = ("file", "line", "net counts", "error", "95 % upper limit", "decision threshold",
            "detection limit", "element")  # fmt: skip
    cells = [
        (r["file"], r["line"], *(figure(r[name]) for name in FIELDS), r["element"]) for r in rows
    ]
    return columns(head, cells, left=2)


def _write_csv(path: Path, rows: list[dict[str, Any]]) -> None:
    from xrfmap.io.results import atomic_write

    with atomic_write(path) as part, part.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
