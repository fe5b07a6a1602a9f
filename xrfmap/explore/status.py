"""What is being done at present, told from any thread."""

from __future__ import annotations

from threading import Lock

__all__ = ["Status"]


class Status:
    """Pieces of work under way, for the line at the top of the page.

    Attributes
    ----------
    failed : str
        What went wrong last; empty if nothing did.
    caution : str
        What to know about the scan while reading the page; empty if nothing.
    """

    def __init__(self) -> None:
        self._work: dict[str, tuple[int, int]] = {}
        self._lock = Lock()
        self.failed = ""
        self.caution = ""

    def set(self, name: str, done: int = 0, total: int = 0) -> bool:
        """Note how far a piece of work is; `total` of 0 where nobody knows.

        Returns
        -------
        bool
            Whether that is worth telling: fifty times for each piece.
        """
        with self._lock:
            before = self._work.get(name)
            self._work[name] = (done, total)
        step = max(total // 50, 1)
        return before is None or before[1] != total or done // step != before[0] // step

    def drop(self, *names: str) -> None:
        """Take pieces of work off the line."""
        with self._lock:
            for name in names:
                self._work.pop(name, None)

    @property
    def words(self) -> str:
        """One line; empty when nothing is going on."""
        with self._lock:
            work = list(self._work.items())
        return "; ".join(
            f"{name} {100 * done // total} %" if total and done else name
            for name, (done, total) in work
        )
