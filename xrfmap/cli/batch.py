"""Several studies on the command line: a line of progress each, and a summary at the end."""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from xrfmap.cli.common import DONE, FAILED, print_json, tell_error
from xrfmap.cli.text import columns
from xrfmap.errors import XrfmapError
from xrfmap.report.printing import print_report
from xrfmap.running.progress import Progress, TextProgress
from xrfmap.study.batch import Outcome, run_batch
from xrfmap.study.index_page import write_index

if TYPE_CHECKING:
    from rich.progress import Progress as Bars
    from rich.progress import TaskID

__all__ = ["run_many"]


class _Row(Progress):
    """One study's line among the others on a terminal."""

    def __init__(self, bars: Bars, name: str) -> None:
        self._bars = bars
        self._name = name
        self._task: TaskID = bars.add_task(f"{name}: waiting", total=None)

    def begin(self, label: str) -> None:
        self._bars.reset(self._task, description=f"{self._name}: {label}", total=None)

    def step(self, done: int, total: int) -> None:
        self._bars.update(self._task, completed=done, total=total)

    def close(self) -> None:
        self._bars.remove_task(self._task)


class _Lines(TextProgress):
    """Plain lines of several studies, never two at once on one line."""

    _lock = threading.Lock()

    def _write(self, text: str) -> None:
        with self._lock:
            super()._write(text)


def run_many(
    files: Sequence[Path],
    out: Path,
    *,
    fresh: bool,
    jobs: int,
    quiet: bool,
    as_json: bool,
    pdf: bool = False,
) -> int:
    """Run several studies and tell what became of each.

    Parameters
    ----------
    files : sequence of Path
        Study files.
    out : Path
        Folder for the index page and a folder per study.
    fresh : bool
        Repeat finished stages.
    jobs : int
        Studies at a time.
    quiet, as_json : bool
        Say nothing on the way; print the outcomes as JSON.
    pdf : bool
        Print each report to a PDF as well.

    Returns
    -------
    int
        Exit code: 0 if every study has a report.
    """
    outcomes = _run(files, out, fresh, jobs, quiet)
    index = write_index(out, outcomes)
    for outcome in outcomes if pdf else ():
        if outcome.done:
            print_report(Path(outcome.report))
    if as_json:
        print_json([vars(outcome) | {"done": outcome.done} for outcome in outcomes])
    else:
        for outcome in outcomes:
            if not outcome.done:
                tell_error(XrfmapError(f"{Path(outcome.study).name}: {outcome.error}"))
        typer.echo("\n".join(_summary(outcomes)))
        typer.echo(str(index))
    return DONE if all(outcome.done for outcome in outcomes) else FAILED


def _run(files: Sequence[Path], out: Path, fresh: bool, jobs: int, quiet: bool) -> list[Outcome]:
    if quiet or not sys.stderr.isatty():
        return run_batch(
            files,
            out,
            fresh=fresh,
            jobs=jobs,
            progress=None if quiet else lambda name: _Lines(sys.stderr, f"{name}: "),
        )
    from rich.console import Console
    from rich.progress import BarColumn, SpinnerColumn, TextColumn
    from rich.progress import Progress as Bars

    console = Console(stderr=True)
    with Bars(
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        console=console,
    ) as bars:
        return run_batch(
            files,
            out,
            fresh=fresh,
            jobs=jobs,
            progress=lambda name: _Row(bars, name),
            finished=lambda outcome: bars.print(
                f"{Path(outcome.study).name}: {outcome.overall or 'failed'}", markup=False
            ),
        )


def _summary(outcomes: Sequence[Outcome]) -> list[str]:
    rows = [
        (Path(o.study).name, o.overall if o.done else "failed", str(o.flags) if o.done else "-")
        for o in outcomes
    ]
    done = sum(outcome.done for outcome in outcomes)
    flagged = sum(outcome.flags > 0 for outcome in outcomes)
    return [
        *columns(("study", "overall", "flags"), rows, left=2),
        f"{done} done, {flagged} of them with flags, {len(outcomes) - done} failed",
    ]
