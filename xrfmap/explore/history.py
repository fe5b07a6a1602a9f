"""Steps that can be taken back."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["History", "Step"]

KEPT = 200  # an afternoon of drawing


@dataclass(frozen=True)
class Step:
    """One thing a person did, and how it is undone."""

    words: str  # "outline A", for the button and the message
    undo: Callable[[], None]


class History:
    """What was done, the latest last."""

    def __init__(self) -> None:
        self._steps: deque[Step] = deque(maxlen=KEPT)

    def did(self, words: str, undo: Callable[[], None]) -> None:
        """Note a step with the way back."""
        self._steps.append(Step(words, undo))

    @property
    def last(self) -> str | None:
        """What would be undone next."""
        return self._steps[-1].words if self._steps else None

    def undo(self) -> str | None:
        """Take the latest step back.

        Returns
        -------
        str or None
            What it was; None if there was nothing to undo. A step whose way back
            raises an error is gone from the list, and the error is passed on.
        """
        if not self._steps:
            return None
        step = self._steps.pop()
        step.undo()
        return step.words
