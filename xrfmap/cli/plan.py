"""Command that plans a measurement: dwell time against cover."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from xrfmap.cli.common import DONE, AsJson, Quiet, element_list, guarded, print_json
from xrfmap.errors import InputError
from xrfmap.numbers import whole
from xrfmap.running.progress import progress_for

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["plan"]

COVERS_UM = "0,5,10,20,40"
DWELL_S = "0.003,0.01,0.03,0.1,0.3,1,3,10"
MOST = 40
"""Thicknesses or times in one plan; each thickness is a spectrum of its own."""


def _numbers(text: str, option: str, least: float) -> list[float]:
    """Read numbers with commas between, rising; told with the option where they are not."""
    try:
        values = sorted({float(part) for part in text.split(",") if part.strip()})
    except ValueError:
        values = []
    good = values and values[0] >= least and values[-1] < 1e6 and len(values) <= MOST
    if not good or (option == "--dwell" and values[0] <= 0):
        raise typer.BadParameter(
            f"{text!r} in {option}; expected up to {MOST} numbers with commas between, such as "
            f"{COVERS_UM if option == '--cover-um' else DWELL_S}"
        )
    return values


@guarded
def plan(
    study: Annotated[Path, typer.Argument(help="Study file (TOML).", metavar="STUDY.toml")],
    element: Annotated[
        str, typer.Option("--element", "-e", help="Element to be found: Hg, Cu ...")
    ],
    stack: Annotated[
        str | None,
        typer.Option("--stack", help="A [[stack]] of the study; its [[layer]] list by default."),
    ] = None,
    cover: Annotated[
        str | None, typer.Option("--cover", help="Covering material; from the study by default.")
    ] = None,
    cover_um: Annotated[
        str, typer.Option("--cover-um", help="Thicknesses of the cover [µm].")
    ] = COVERS_UM,
    dwell: Annotated[str, typer.Option("--dwell", help="Live times of a pixel [s].")] = DWELL_S,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for the table and the plot.")
    ] = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> int:
    """Tell what dwell time finds an element under a cover.

    For the instrument and the layers of the study: the chance that one pixel shows the
    element, against dwell time and thickness of the cover, as a table (plan_Hg.csv) and a
    plot (plan_Hg.png), into the present folder unless --out names another. With --json
    alone nothing is written. Absolute times rest on a usual head; --json says on what.

    Example: `xrfmap plan mill.toml --element Hg --cover "lead white"`
    """
    from xrfmap.planning.plan import CHANCE, needed_dwell
    from xrfmap.planning.plan_figure import plan_rows
    from xrfmap.planning.study_plan import plan_of_study

    names = element_list(element, "--element") or []
    if len(names) != 1:
        raise typer.BadParameter("--element takes one element")
    covers, times = _numbers(cover_um, "--cover-um", 0.0), _numbers(dwell, "--dwell", 0.0)
    progress = progress_for(sys.stderr, quiet)
    progress.begin(f"expected spectra of {len(covers)} covers")
    made, basis = plan_of_study(
        study, names[0], stack=stack, cover=cover, cover_um=covers, dwell_s=times
    )
    progress.end()
    rows = plan_rows(made)
    needed = needed_dwell(made)
    if as_json:
        print_json(_record(made, needed, rows, basis, CHANCE))
    else:
        typer.echo("\n".join(_lines(made, needed, basis, CHANCE)))
    if out is not None or not as_json:
        for path in _written(made, rows, out or Path()):
            if not as_json:
                typer.echo(str(path))
    return DONE


def _finite(value: float) -> float | None:
    return float(f"{value:.4g}") if value == value else None


def _record(
    made: xr.Dataset, needed: xr.DataArray, rows: list[dict[str, Any]], basis: Any, chance: float
) -> dict[str, Any]:
    return {
        "element": made.attrs["element"],
        "cover": made.attrs["cover_material"],
        "basis": basis,
        "chance_wanted": chance,
        "needed": [
            {"cover_um": float(um), "dwell_s": _finite(float(s))}
            for um, s in zip(made["cover"].values, needed.values, strict=True)
        ],
        "rows": rows,
    }


def _lines(
    made: xr.Dataset, needed: xr.DataArray, basis: dict[str, Any], chance: float
) -> list[str]:
    """Table of the chances, with the dwell time that each cover asks for."""
    from xrfmap.cli.text import columns

    times = [float(t) for t in made["dwell"].values]
    heads = ("cover [µm]", *(f"{t:g} s" for t in times), f"needed for {100 * chance:g} %")
    rows = []
    for um, wanted in zip(made["cover"].values, needed.values, strict=True):
        row = made["best_chance"].sel(cover=um).transpose("dwell").values
        enough = f"{wanted:.2g} s" if wanted == wanted else f"over {times[-1]:g} s"
        if wanted <= times[0] * (1 + 1e-9):
            enough = f"{wanted:.2g} s or less"
        rows.append((f"{um:g}", *(f"{100 * c:.0f} %" for c in row), enough))
    head = (
        f"Chance that one pixel shows {made.attrs['element']} under "
        f"{made.attrs['cover_material']}, by dwell time:"
    )
    return [
        head, *columns(heads, rows), f"Layers below the cover: {basis['stack']}.",
        f"{basis['instrument']}; {whole(basis['counts_per_second'])} counts per second bare.",
        "Chances are those of a pixel of a map, at its decision threshold (5 % false alarms, up "
        "to twice that beside strong lines). A block of n pixels is as good as n times the dwell "
        "time.",
    ]  # fmt: skip


def _written(made: xr.Dataset, rows: list[dict[str, Any]], folder: Path) -> list[Path]:
    """Write table and plot under their names; each appears whole or not at all."""
    from xrfmap.io.results import atomic_write
    from xrfmap.planning.plan_figure import plan_figure
    from xrfmap.report.tables import csv_text

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise InputError(
            str(folder), "--out", found="a file", expected="a folder", remedy="name another"
        ) from None
    stem = f"plan_{made.attrs['element']}"
    table, plot = folder / f"{stem}.csv", folder / f"{stem}.png"
    text = csv_text(list(rows[0]), [list(row.values()) for row in rows])
    with atomic_write(table) as part:
        part.write_text(text, encoding="utf-8", newline="")
    with atomic_write(plot) as part:
        plan_figure(made).savefig(part, dpi=200, format="png")
    return [table, plot]
