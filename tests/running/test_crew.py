"""Processes of a run: what is asked of them comes back, and none outlives the run."""

from __future__ import annotations

import os
import time

import pytest

from xrfmap.running.crew import Crew


def test_one_worker_works_in_this_process_one_after_the_other():
    with Crew() as crew:
        told = []
        for name, pid in crew.each(_pid, {"a": (1,), "b": (2,)}):
            told.append(name)
            assert pid == os.getpid()
        assert told == ["a", "b"]
        assert crew.submit(_half, 4).result() == 2


def test_an_error_in_this_process_is_raised_where_it_happens():
    with Crew() as crew, pytest.raises(TypeError):
        crew.submit(_half, "text")


def test_several_workers_are_other_processes_that_end_with_the_run():
    with Crew(2) as crew:
        tasks = {str(k): (k,) for k in range(6)}
        found = dict(crew.each(_pid, tasks))
        assert found.keys() == tasks.keys()
        assert os.getpid() not in found.values()
        assert 1 <= len(set(found.values())) <= 2
        with pytest.raises(TypeError):  # the error of the other process, here
            crew.submit(_half, "text").result()
    for pid in set(found.values()):
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_a_crew_that_was_dismissed_comes_back_when_asked():
    with Crew(2) as crew:
        first = crew.submit(_pid, 1)
        crew.dismiss()
        with pytest.raises(ProcessLookupError):
            os.kill(first.result(), 0)
        second = crew.submit(_pid, 1).result()
        assert second not in (first.result(), os.getpid())


def test_a_process_of_a_crew_keeps_to_one_thread():
    with Crew(2) as crew:
        assert set(crew.submit(_threads).result()) == {1}


def test_after_an_error_of_the_run_nothing_new_is_begun():
    waiting = []

    def interrupted():
        with Crew(2) as crew:
            waiting.extend(crew.submit(time.sleep, 0.3) for _ in range(12))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert any(future.cancelled() for future in waiting)


def _pid(_: int) -> int:
    return os.getpid()


def _half(value: int) -> float:
    return value / 2


def _threads() -> list[int]:
    """Threads of every library for linear algebra and OpenMP once atomic data were used."""
    from threadpoolctl import threadpool_info

    from xrfmap.physics.attenuation import attenuation

    attenuation("Pb", [10.0, 20.0])
    return [int(library["num_threads"]) for library in threadpool_info()]
