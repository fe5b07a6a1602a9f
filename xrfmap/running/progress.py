"""What long work tells while it runs: silent by default, lines or a bar for the command line."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, TextIO

from xrfmap.numbers import whole

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

__all__ = ["Progress", "TerminalProgress", "TextProgress", "progress_for"]

BAR_AFTER_S = 2.0  # shorter work is over before a bar has been read
LINE_EVERY_S = 30.0  # a log file wants signs of life, not a line per block


class Progress:
    """Takes the news of a run and says nothing: the default in Python code."""

    def begin(self, label: str) -> None:
        """Start a piece of work."""

    def step(self, done: int, total: int) -> None:
        """Tell how much of the present piece is done."""

    def end(self, note: str = "") -> None:
        """Finish the present piece; the note says what came of it."""

    def say(self, text: str) -> None:
        """Tell something that is not an error."""

    def close(self) -> None:
        """Leave the terminal as it was found."""


class TextProgress(Progress):
    """Plain lines: one at the end of each piece, and a sign of life in long ones.

    Parameters
    ----------
    stream : TextIO
        Where the lines go.
    prefix : str
        Put before each line, where several studies run at once.
    """

    def __init__(self, stream: TextIO | None = None, prefix: str = "") -> None:
        self._stream = stream or sys.stderr
        self._prefix = prefix
        self._label = ""
        self._start = self._last = 0.0

    def begin(self, label: str) -> None:
        """Start a piece of work."""
        self._label = label
        self._start = self._last = time.monotonic()

    def step(self, done: int, total: int) -> None:
        """Tell how much of the present piece is done."""
        now = time.monotonic()
        if now - self._last >= LINE_EVERY_S and total:
            self._last = now
            self._write(f"{self._label}: {whole(done)} of {whole(total)}")

    def end(self, note: str = "") -> None:
        """Finish the present piece; the note says what came of it."""
        seconds = time.monotonic() - self._start
        self._write(f"{self._label}: {note or 'done'} ({seconds:.1f} s)")

    def say(self, text: str) -> None:
        """Tell something that is not an error."""
        self._write(text)

    def _write(self, text: str) -> None:
        self._stream.write(self._prefix + text + "\n")
        self._stream.flush()


class TerminalProgress(TextProgress):
    """As :class:`TextProgress`, with a bar for pieces that take over two seconds."""

    def __init__(self, stream: TextIO | None = None) -> None:
        super().__init__(stream)
        self._bar: Bar | None = None
        self._task: TaskID | None = None

    def step(self, done: int, total: int) -> None:
        """Tell how much of the present piece is done."""
        if self._bar is None:
            if time.monotonic() - self._start < BAR_AFTER_S or done >= total:
                return
            self._open(total)
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=done, total=total)

    def _open(self, total: int) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.percentage:.0f} %"),
            TimeRemainingColumn(),
            console=Console(file=self._stream),
            transient=True,
        )
        self._task = self._bar.add_task(self._label, total=total)
        self._bar.start()

    def end(self, note: str = "") -> None:
        """Finish the present piece; the note says what came of it."""
        self.close()
        super().end(note)

    def close(self) -> None:
        """Leave the terminal as it was found."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
            self._task = None


def progress_for(stream: TextIO, quiet: bool = False) -> Progress:
    """Progress that suits a stream.

    Parameters
    ----------
    stream : TextIO
        Where news go, most often standard error.
    quiet : bool
        Say nothing.

    Returns
    -------
    Progress
        A bar on a terminal, plain lines elsewhere.
    """
    if quiet:
        return Progress()
    return TerminalProgress(stream) if stream.isatty() else TextProgress(stream)
