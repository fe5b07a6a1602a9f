"""Several studies in one go: each in a process of its own, with an index page over all.

A process each, so that a study that runs out of memory or crashes takes nothing
but itself along.
"""

from __future__ import annotations

import errno
import os
import queue
import traceback
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.context import BaseContext
from pathlib import Path
from typing import Any

from xrfmap.errors import InputError, XrfmapError
from xrfmap.io.results import write_error
from xrfmap.running.progress import Progress

__all__ = ["Outcome", "folders_for", "run_batch", "run_one"]

CRASH = "crash.txt"
OF_THE_DISK = {
    errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM, errno.EFBIG, errno.EIO,
}  # fmt: skip
"""What a disk that is full, read-only or broken says: no fault of the program."""

POLL_S = 0.2  # how often the parent looks for news; faster is not seen


@dataclass(frozen=True)
class Outcome:
    """What became of one study."""

    study: str
    folder: str
    title: str = ""
    period: str = ""
    overall: str = ""
    flags: int = 0
    report: str = ""
    error: str = ""
    crashed: bool = False

    @property
    def done(self) -> bool:
        """Whether there is a report."""
        return not self.error


def folders_for(studies: Sequence[Path], out: Path) -> list[Path]:
    """Choose the result folder of each study: `out` itself for one, folders below for several.

    Parameters
    ----------
    studies : sequence of Path
        Study files.
    out : Path
        What the user asked for.

    Returns
    -------
    list of Path
        One per study, named after its file.

    Raises
    ------
    InputError
        If two studies would write to the same folder.
    """
    if len(studies) == 1:
        return [out]
    folders = [out / path.stem for path in studies]
    for index, folder in enumerate(folders):
        # Case folded: "Mill" and "mill" are one folder on many machines.
        twins = [i for i, f in enumerate(folders) if f.name.casefold() == folder.name.casefold()]
        if len(twins) > 1:
            raise InputError(
                str(studies[twins[1]]),
                found=f"the same name as {studies[index]}",
                expected="study files with names of their own, since results are called by them",
                remedy="rename one, or run them with different --out",
            )
    return folders


def run_one(
    study: Path,
    folder: Path,
    fresh: bool,
    progress: Progress,
    workers: int = 1,
    cluster: str | None = None,
    block_workers: int | None = None,
) -> Outcome:
    """Run a study and tell what became of it; no error leaves this function.

    Parameters
    ----------
    study, folder : Path
        Study file and result folder.
    fresh : bool
        Repeat finished stages.
    progress : Progress
        Takes the news.
    workers : int
        Processes for fits of single spectra.
    cluster, block_workers
        Who fits the pixels of scans, see :func:`xrfmap.maps.many_machines.runner_for`.

    Returns
    -------
    Outcome
        With the message of the error if there was one. The traceback of a crash,
        which is a fault of this program and not of the user, is kept in
        ``crash.txt`` in the folder.
    """
    try:
        from xrfmap.maps.many_machines import runner_for
        from xrfmap.study.run import run_study

        with runner_for(cluster, block_workers) as runner:
            findings = run_study(
                study, folder, fresh=fresh, progress=progress, workers=workers, runner=runner
            )
    except XrfmapError as bad:
        return Outcome(str(study), str(folder), error=str(bad))
    except OSError as bad:
        if bad.errno not in OF_THE_DISK:
            return Outcome(str(study), str(folder), error=_crash(bad, folder), crashed=True)
        return Outcome(str(study), str(folder), error=str(write_error(folder, bad)))
    except Exception as bad:  # noqa: BLE001 - a crash of one study must not stop the others
        return Outcome(str(study), str(folder), error=_crash(bad, folder), crashed=True)
    finally:
        progress.close()
    (folder / CRASH).unlink(missing_ok=True)  # of an earlier run
    period = findings.period or {}
    years = [str(period[key]) for key in ("from", "to") if period.get(key) is not None]
    return Outcome(
        str(study),
        str(folder),
        title=findings.title,
        period=" to ".join(years),
        overall=findings.overall,
        flags=len(findings.flags),
        report=str(folder / "report.html"),
    )


def _crash(bad: Exception, folder: Path) -> str:
    note = folder / CRASH
    text = f"the program failed: {type(bad).__name__}: {bad}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        note.write_text("".join(traceback.format_exception(bad)), encoding="utf-8")
    except OSError:
        return text
    return f"{text}; this is a fault of the program, details for its developers are in {note}"


_news: Any = None  # queue of the worker process, set once when it starts


def _start_worker(news: Any, threads: int) -> None:
    global _news
    _news = news
    os.environ["NUMBA_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = str(threads)


class _Sender(Progress):
    """Sends the news of a worker process to its parent."""

    def begin(self, label: str) -> None:
        _news.put(("begin", label, 0))

    def step(self, done: int, total: int) -> None:
        _news.put(("step", done, total))

    def end(self, note: str = "") -> None:
        _news.put(("end", note, 0))

    def say(self, text: str) -> None:
        _news.put(("say", text, 0))


def _work(study: Path, folder: Path, fresh: bool, workers: int) -> Outcome:
    return run_one(study, folder, fresh, _Sender(), workers)


def _forward(news: Any, progress: Progress, wait: float) -> None:
    try:
        kind, one, two = news.get(timeout=wait)
    except queue.Empty:
        return
    if kind == "step":
        progress.step(one, two)
    else:
        getattr(progress, kind)(one)


def _in_process(
    study: Path, folder: Path, fresh: bool, progress: Progress, threads: int, context: BaseContext
) -> Outcome:
    news = context.Queue()
    with ProcessPoolExecutor(1, context, _start_worker, (news, threads)) as pool:
        future = pool.submit(_work, study, folder, fresh, threads)
        while not future.done():
            _forward(news, progress, POLL_S)
        while not news.empty():
            _forward(news, progress, 0.0)
        try:
            return future.result()
        except BrokenProcessPool:
            text = "the process ended without a word; most often the machine ran out of memory"
            return Outcome(str(study), str(folder), error=text, crashed=True)
        finally:
            progress.close()


def run_batch(
    studies: Sequence[Path],
    out: Path,
    *,
    fresh: bool = False,
    jobs: int = 1,
    progress: Callable[[str], Progress] | None = None,
    finished: Callable[[Outcome], None] | None = None,
) -> list[Outcome]:
    """Run several studies, `jobs` at a time, and write an index page.

    Parameters
    ----------
    studies : sequence of Path
        Study files.
    out : Path
        Folder; each study gets one of its own below, named after its file.
    fresh : bool
        Repeat finished stages.
    jobs : int
        Studies at a time; the cores are shared out between them.
    progress : callable, optional
        Called with the name of a study, gives what takes its news.
    finished : callable, optional
        Called with each outcome as it comes.

    Returns
    -------
    list of Outcome
        In the order of `studies`.

    Raises
    ------
    InputError
        If two studies would share a folder.
    """
    folders = folders_for(studies, out)
    context = get_context("spawn")  # a fork with threads of numerical libraries may hang
    threads = max(1, (os.cpu_count() or 1) // jobs)
    make = progress or (lambda name: Progress())

    def work(item: tuple[Path, Path]) -> Outcome:
        study, folder = item
        outcome = _in_process(study, folder, fresh, make(study.stem), threads, context)
        if finished is not None:
            finished(outcome)
        return outcome

    with ThreadPoolExecutor(max_workers=jobs) as threads_pool:
        waiting = [threads_pool.submit(work, item) for item in zip(studies, folders, strict=True)]
        outcomes = _gather(waiting)
    return outcomes


def _gather(waiting: Iterable[Future[Outcome]]) -> list[Outcome]:
    waiting = list(waiting)
    try:
        return [future.result() for future in waiting]
    except KeyboardInterrupt:
        # What has not begun is dropped; a study under way gets the same signal
        # from the terminal and leaves its finished stages behind.
        for future in waiting:
            future.cancel()
        raise
