"""Small matrices in one thread.

Linear algebra libraries start a thread per core for every product. For the matrices of a
spectrum (a few hundred rows, some ten columns) the threads mostly wait for each other:
measured on two busy cores, a fit of one spectrum took twelve times as long with two threads.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from typing import ParamSpec, TypeVar

__all__ = ["in_one_thread", "stay_in_one_thread"]

_SETTINGS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")

P = ParamSpec("P")
R = TypeVar("R")


def in_one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Run a function with the linear algebra libraries held to one thread each."""

    @functools.wraps(function)
    def limited(*args: P.args, **kwargs: P.kwargs) -> R:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(1, user_api="blas"):
            return function(*args, **kwargs)

    return limited


def stay_in_one_thread() -> None:
    """Hold this process to one thread for good: it is one of several that share the cores.

    Atomic data are looked up by OpenMP threads that wait by turning round; two processes
    with two such threads each on two cores took three times as long as one after the other.
    """
    from threadpoolctl import threadpool_limits

    os.environ.update(dict.fromkeys(_SETTINGS, "1"))  # for libraries still to come
    threadpool_limits(1)  # for those that are here
