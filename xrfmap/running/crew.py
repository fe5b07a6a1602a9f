"""Processes that a run keeps for what can be shared out.

A process takes two seconds to load the numerical libraries, so that one is started when
there is work for it and then kept for all stages of the run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from types import TracebackType
from typing import Any, ParamSpec, Self, TypeVar

from xrfmap.running.one_thread import stay_in_one_thread

__all__ = ["Crew"]

P = ParamSpec("P")
R = TypeVar("R")


class Crew:
    """Processes of a run; used as a context, so that none outlives it.

    Parameters
    ----------
    workers : int
        Processes at most, each started when the others are busy; with 1 everything is done
        in this process and at once.

    Notes
    -----
    A script that asks for more than one must be guarded by
    ``if __name__ == "__main__"``, as always with processes.
    """

    def __init__(self, workers: int = 1) -> None:
        self.workers = workers
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._pool is not None:
            # waited for: only then is what has not begun really cancelled
            self._pool.shutdown(cancel_futures=kind is not None)
            self._pool = None

    def dismiss(self) -> None:
        """Let the processes finish and go; others are started when there is work again."""
        self.__exit__(None, None, None)

    def submit(self, work: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        """Have something done.

        Parameters
        ----------
        work : callable
            A function of a module; it and its arguments go to another process.
        *args, **kwargs
            Its arguments.

        Returns
        -------
        Future
            Its value, or the error that it ended with; in this process an error is raised
            at once.
        """
        if self.workers > 1:
            if self._pool is None:
                # spawned: threads of numerical libraries do not survive a fork
                self._pool = ProcessPoolExecutor(
                    self.workers, get_context("spawn"), stay_in_one_thread
                )
            return self._pool.submit(work, *args, **kwargs)
        done: Future[R] = Future()
        done.set_result(work(*args, **kwargs))
        return done

    def each(
        self, work: Callable[..., R], tasks: Mapping[str, tuple[Any, ...]]
    ) -> Iterator[tuple[str, R]]:
        """Have the same thing done for many.

        Parameters
        ----------
        work : callable
            A function of a module.
        tasks : mapping of str to tuple
            Its arguments, by name.

        Yields
        ------
        tuple
            Name and value, in the order in which they are done.
        """
        if self.workers == 1:
            for name, args in tasks.items():
                yield name, work(*args)
            return
        waiting = {self.submit(work, *args): name for name, args in tasks.items()}
        for future in as_completed(waiting):
            yield waiting[future], future.result()
