"""Full fits of areas, one after the other, in a process of their own."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from xrfmap.explore.fits import AreaFit
from xrfmap.explore.reading import SumSpectrum
from xrfmap.explore.status import Status
from xrfmap.explore.worker import Child, Message, fit_on_request

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = ["FitQueue"]

WORDS = "testing every element on the area"
KEPT = 64  # fits that are remembered: an afternoon of drawing takes some tens


class FitQueue:
    """Fits the areas that pages show, the latest wishes first.

    Parameters
    ----------
    elements : tuple of str or None
        Elements that the study asks for.
    status : Status
        Where work is noted.
    tell : callable
        Called with ``"fit"`` when there is a new fit, with ``"status"`` otherwise.
    """

    def __init__(
        self, elements: tuple[str, ...] | None, status: Status, tell: Callable[[str], None]
    ) -> None:
        self._elements, self._status, self._tell = elements, status, tell
        self._lock = threading.RLock()
        self._found: Found | None = None
        self._fits: OrderedDict[bytes, AreaFit] = OrderedDict()
        self._failed: dict[bytes, str] = {}
        self._wanted: dict[int, dict[bytes, SumSpectrum]] = {}
        self._busy: bytes | None = None
        self._child: Child | None = None
        self._turn = 0  # of the child: an older one is not listened to
        self._gone = False

    def start(self, found: Found) -> None:
        """Begin, now that the elements of the scan are known."""
        with self._lock:
            self._found = found
        self._new_child()

    def stop(self) -> None:
        """End all work."""
        with self._lock:
            self._gone = True
            if self._child is not None:
                self._child.stop()

    def get(self, key: bytes) -> AreaFit | None:
        """Full fit of an area, if it was made."""
        with self._lock:
            return self._fits.get(key)

    def failed(self, key: bytes) -> str:
        """Say why the full fit of an area was tried in vain; empty if it was not."""
        with self._lock:
            return self._failed.get(key, "")

    def want(self, page: int, sums: Mapping[bytes, SumSpectrum]) -> None:
        """Name the areas that a page shows; a fit that no page waits for is given up.

        Parameters
        ----------
        page : int
            Which page, by any number of its own.
        sums : mapping of key to SumSpectrum
            The areas, the first to be fitted first; none when the page is closed.
        """
        with self._lock:
            self._wanted[page] = dict(sums)
            stale = self._busy is not None and self._busy not in dict(self._all())
        if stale:
            self._new_child()
        else:
            self._next()

    def _all(self) -> Sequence[tuple[bytes, SumSpectrum]]:
        return [entry for sums in self._wanted.values() for entry in sums.items()]

    def _new_child(self) -> None:
        with self._lock:
            if self._gone or self._found is None:
                return
            if self._child is not None:
                self._child.stop()
            self._busy = None
            self._turn += 1
            hear = partial(self._hear, self._turn)
            self._child = Child(fit_on_request, (self._found, self._elements), hear)
        self._next()

    def _next(self) -> None:
        with self._lock:
            if self._child is None or self._busy is not None:
                return
            self._status.drop(WORDS)
            for key, summed in self._all():
                if key not in self._fits and key not in self._failed:
                    self._busy = key
                    self._status.set(WORDS)
                    self._child.send((key, summed.counts, summed.live_time, summed.full))
                    break
        self._tell("status")

    def _hear(self, turn: int, message: Message) -> None:
        """Take news of the child; one that was given up has nothing to say."""
        with self._lock:
            if turn != self._turn or self._gone:
                return
            key, self._busy = self._busy, None
            ended = message.kind == "ended"  # killed from outside, for want of memory say
            if message.kind == "fit":
                self._fits[message.key] = message.value
                while len(self._fits) > KEPT:
                    self._fits.popitem(last=False)
            elif key is not None:
                self._failed[key] = "the fit broke off" if ended else str(message.value)
                self._status.failed = self._failed[key]
            if ended:
                self._child = None
        self._tell("fit")
        if ended and key is not None:
            self._new_child()
        else:
            self._next()
