"""Threads for compiled code that holds no lock."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from functools import lru_cache

__all__ = ["share_out"]


def share_out(work: Callable[[int, int], None], most: int) -> None:
    """Do the parts of some work in threads, the first one in that which asks.

    Threads of our own: those of the compiler's parallel loops wait for more work at full
    speed, on cores that the next part of the pass needs. They are kept for the next call, since
    to start them takes as long as the fit of thirty pixels; so work must not share out in turn.

    Parameters
    ----------
    work : callable
        Takes the number of a part, and of how many.
    most : int
        Parts at most; as many as numba may have threads, or fewer.
    """
    from numba import get_num_threads

    parts = max(min(get_num_threads(), most), 1)
    others: list[Future[None]] = []
    try:
        others.extend(_threads().submit(work, part, parts) for part in range(1, parts))
        work(0, parts)
    finally:
        wait(others)  # they write where the caller would go on
    for other in others:
        other.result()


@lru_cache(maxsize=1)
def _threads() -> ThreadPoolExecutor:
    from numba import config

    most = int(config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
    return ThreadPoolExecutor(max(most - 1, 1), "share_out")


if hasattr(os, "register_at_fork"):  # threads do not live on in a forked process
    os.register_at_fork(after_in_child=_threads.cache_clear)
