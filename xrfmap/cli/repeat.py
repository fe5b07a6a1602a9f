"""``xrfmap study --repeat``: a run done again and held against its record."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

import typer

from xrfmap.cli.common import DONE, FAILED, print_json, tell_error
from xrfmap.errors import InputError, XrfmapError
from xrfmap.numbers import whole
from xrfmap.running.progress import progress_for

__all__ = ["run_again"]


def run_again(
    files: Sequence[Path],
    out: Path,
    record_file: Path,
    cluster: str | None,
    workers: int | None,
    *,
    quiet: bool,
    as_json: bool,
) -> int:
    """Repeat a run and tell what comes out otherwise.

    Parameters
    ----------
    files : sequence of Path
        The one study file.
    out : Path
        Folder for the new results.
    record_file : Path
        ``run.json`` of the run that is repeated, with its results beside it.
    cluster, workers
        Who fits the pixels.
    quiet, as_json : bool
        Say nothing on the way; print the comparison as JSON.

    Returns
    -------
    int
        Exit code: 0 if inputs, settings and results are the same.

    Raises
    ------
    InputError
        If `record_file` is no record, or `out` is the folder it lies in.
    """
    from xrfmap.study.batch import run_one
    from xrfmap.study.repeat import before_run, compare_results, read_record
    from xrfmap.study.study_file import load_study

    if len(files) != 1:
        raise typer.BadParameter("--repeat takes one study file")
    record = read_record(record_file)
    if out.resolve() == record_file.parent.resolve():
        raise InputError(
            str(out),
            found="the folder of the run that is to be repeated",
            expected="another folder, since the two are compared",
            remedy="choose another --out",
        )
    study = load_study(files[0])
    found = before_run(
        record, files[0], study.model_dump(mode="json", by_alias=True, exclude_none=True)
    )
    outcome = run_one(
        files[0], out, True, progress_for(sys.stderr, quiet), os.cpu_count() or 1, cluster, workers
    )
    if not outcome.done:
        tell_error(XrfmapError(outcome.error))
        return FAILED
    compare_results(record_file.parent, out, found)
    if as_json:
        print_json(found.as_json())
    else:
        for difference in found.differences:
            typer.echo(str(difference))
        counted = ", ".join(f"{whole(number)} {what}" for what, number in found.compared.items())
        verdict = "the same" if found.same else "not the same"
        typer.echo(f"{verdict}: compared {counted}")
        typer.echo(outcome.report)
    return DONE if found.same else FAILED
