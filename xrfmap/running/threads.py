"""Threads for compiled code that holds no lock."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

__all__ = ["share_out"]


def share_out(work: Callable[[int, int], None], most: int) -> None:
    """Do the parts of some work in threads.

    Threads of our own: those of the compiler's parallel loops wait for more work at full
    speed, on cores that the next part of the pass needs.

    Parameters
    ----------
    work : callable
        Takes the number of a part, and of how many.
    most : int
        Parts at most; as many as numba may have threads, or fewer.
    """
    from numba import get_num_threads

    parts = max(min(get_num_threads(), most), 1)
    if parts == 1:
        work(0, 1)
        return
    with ThreadPoolExecutor(parts) as threads:
        list(threads.map(work, range(parts), [parts] * parts))
