"""The command line. Commands import what they need when they run, so that help is quick."""

from __future__ import annotations

import os
import sys
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated

import typer

from xrfmap import __version__
from xrfmap.cli.common import (
    DONE,
    FAILED,
    AsJson,
    ClusterAddress,
    Quiet,
    Workers,
    guarded,
    print_json,
    tell_error,
    write_any_text,
)
from xrfmap.cli.measure import calibrate, maps, spectrum
from xrfmap.cli.pigments import pigments
from xrfmap.cli.plan import plan
from xrfmap.errors import XrfmapError
from xrfmap.running.progress import progress_for

__all__ = ["app", "main"]

app = typer.Typer(
    name="xrfmap",
    help="From X-ray fluorescence scans of paintings to element maps, pigments and an argument "
    "about dates.\n\nTry it: `xrfmap demo mill` and then `xrfmap study mill/mill.toml --out "
    "results`.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"xrfmap {__version__}")
        raise typer.Exit(DONE)


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    pass


@app.command()
@guarded
def study(
    files: Annotated[list[Path], typer.Argument(help="Study files (TOML).", metavar="FILE.toml")],
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for the results.")],
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Repeat stages that an earlier run has finished.")
    ] = False,
    jobs: Annotated[
        int, typer.Option("--jobs", "-j", min=1, help="Studies at a time, where there are several.")
    ] = 1,
    repeat: Annotated[
        Path | None,
        typer.Option(
            "--repeat",
            metavar="RUN.json",
            help="Do the run of this record again, into DIR, and tell what comes out otherwise.",
        ),
    ] = None,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Print each report to a PDF as well (extra pdf).")
    ] = False,
    cluster: ClusterAddress = None,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> int:
    """Do the whole job for each study file, and write a report.

    With several study files each gets a folder of its own below DIR, and
    DIR/index.html lists them all. The last line printed is the path of the report.

    With --repeat the study is done afresh and held against an earlier run: inputs by
    SHA-256, settings, findings, every number of the maps. Exit code 0: all the same.

    Example: `xrfmap study mill.toml --out results`
    """
    from xrfmap.report.printing import print_report, printer
    from xrfmap.study.batch import Outcome, run_one

    if pdf:
        printer()
    if repeat is not None:
        from xrfmap.cli.repeat import run_again

        return run_again(files, out, repeat, cluster, workers, quiet=quiet, as_json=as_json)
    if len(files) > 1:
        from xrfmap.cli.batch import run_many

        if cluster is not None or workers is not None:
            raise typer.BadParameter("--cluster and --workers take one study at a time")

        return run_many(files, out, fresh=fresh, jobs=jobs, quiet=quiet, as_json=as_json, pdf=pdf)
    outcome: Outcome = run_one(
        files[0],
        out,
        fresh,
        progress_for(sys.stderr, quiet),
        workers=os.cpu_count() or 1,
        cluster=cluster,
        block_workers=workers,
    )
    if not outcome.done:
        tell_error(XrfmapError(outcome.error))
        return FAILED
    if pdf:
        print_report(Path(outcome.report))
    if as_json:
        typer.echo((Path(outcome.folder) / "findings.json").read_text(encoding="utf-8"))
        return DONE
    _say_verdict(outcome.overall, outcome.flags)
    typer.echo(outcome.report)
    return DONE


def _say_verdict(overall: str, flags: int) -> None:
    from xrfmap.report.words import VERDICT_NAMES

    name = VERDICT_NAMES[overall]  # type: ignore[index]
    typer.echo(f"overall: {overall} ({name.lower()}); {flags} flag{'' if flags == 1 else 's'}")


@app.command()
@guarded
def describe(
    file: Annotated[Path, typer.Argument(help="Scan or point spectrum.", metavar="FILE")],
    guess: Annotated[
        bool,
        typer.Option("--guess", help="Propose cards for a block of numbers without one."),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Folder for the pictures of --guess."),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Tell what a scan or spectrum holds, and what is wrong with it.

    Shape, units, live time, count rate, energy scale, instrument, and problems
    in plain words. Reads the whole file once, block by block.

    --guess is for a file of plain numbers whose layout nobody knows: it proposes up to
    three readings, each as a card to be written beside the file and a picture (PNG) to
    be compared with the painting.

    Example: `xrfmap describe front.h5`
    """
    if guess:
        from xrfmap.cli.guess import guess_files

        return guess_files(file, out or Path(), as_json)
    from xrfmap.cli.text import description_lines
    from xrfmap.io.describe import describe as look_at

    found = look_at(file)
    if as_json:
        print_json(found)
    else:
        typer.echo("\n".join(description_lines(found)))
    return DONE


@app.command()
@guarded
def demo(
    folder: Annotated[Path, typer.Argument(help="Folder; made if missing.", metavar="DIR")],
    quiet: Quiet = False,
) -> int:
    """Write the demo: a made-up panel, its scan, point spectra and study file.

    Example: `xrfmap demo mill`
    """
    from xrfmap.demo.write import REBUILD_NOTE, write_demo

    progress = progress_for(sys.stderr, quiet)
    progress.begin("simulating the panel")
    written = write_demo(folder)
    progress.end(f"{len(written)} files")
    progress.say(REBUILD_NOTE)
    typer.echo("\n".join(str(path) for path in written))
    return DONE


@app.command()
@guarded
def convert(
    source: Annotated[Path, typer.Argument(help="File to read.", metavar="IN")],
    target: Annotated[Path, typer.Argument(help="File to write.", metavar="OUT")],
    summed: Annotated[
        bool, typer.Option("--sum", help="Write the sum of all pixels as one spectrum.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace OUT if it exists.")] = False,
) -> int:
    """Write a scan or spectrum in another open format, told by the ending of OUT.

    .h5 .nxs: NeXus; .nc: netCDF; .msa .emsa: EMSA/MAS (ISO 22029, one spectrum).

    Example: `xrfmap convert front.h5 sum.msa --sum`
    """
    from xrfmap.errors import InputError
    from xrfmap.io.convert import convert as write_as

    if target.exists() and not force:
        raise InputError(
            str(target),
            found="a file of that name",
            expected="a new name",
            remedy="choose another name, or replace it with --force",
        )
    typer.echo(str(write_as(source, target, summed=summed)))
    return DONE


for command in (calibrate, maps, spectrum, pigments, plan):
    app.command()(command)


@app.command()
@guarded
def explore(
    file: Annotated[Path, typer.Argument(help="Study file or scan.", metavar="SCAN|STUDY")],
    results: Annotated[
        Path | None,
        typer.Option("--results", help="Result folder of the study, to use its maps."),
    ] = None,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Port; 0 takes any free one.")
    ] = 0,
    open_browser: Annotated[
        bool, typer.Option("--open", help="Open the address in the web browser.")
    ] = False,
) -> int:
    """Look at maps and spectra on a page served for this machine alone.

    Prints an address with a key in it: open it in a browser. Ctrl-C ends.

    Example: `xrfmap explore mill.toml --results results`
    """
    from xrfmap.explore import explore as show

    show(file, results=results, port=port, open_browser=open_browser)
    return DONE


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            write_any_text(stream)
    app()


if __name__ == "__main__":
    main()
