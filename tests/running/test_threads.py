"""Work shared out among threads: all of it done, faults passed on, also in a forked process."""

from __future__ import annotations

import multiprocessing
import threading

import numba
import pytest

from xrfmap.running.threads import share_out


@pytest.fixture(autouse=True)
def two_threads(monkeypatch):
    """Two threads may be had, however many cores there are."""
    monkeypatch.setattr(numba, "get_num_threads", lambda: 2)


def parts_done(most: int) -> list[tuple[int, int]]:
    done: list[tuple[int, int]] = []
    share_out(lambda part, parts: done.append((part, parts)), most)
    return sorted(done)


@pytest.mark.parametrize("most", [0, 1, 2, 50])
def test_every_part_is_done_once(most):
    parts = max(min(2, most), 1)
    assert parts_done(most) == [(k, parts) for k in range(parts)]


@pytest.mark.parametrize("bad", [0, 1])
def test_a_fault_in_any_part_is_passed_on_after_the_others_have_ended(bad):
    ended = []

    def work(part: int, _parts: int) -> None:
        if part == bad:
            raise ValueError(str(part))
        threading.Event().wait(0.05)
        ended.append(part)

    with pytest.raises(ValueError, match=str(bad)):
        share_out(work, 2)
    assert ended == [1 - bad]


def _say(queue) -> None:
    queue.put(parts_done(2))


@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")  # Python 3.12 warns of threads
@pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="no fork here")
def test_a_forked_process_has_threads_of_its_own():
    parts_done(2)  # threads exist when the process is forked
    context = multiprocessing.get_context("fork")
    queue = context.Queue()
    child = context.Process(target=_say, args=(queue,))
    child.start()
    assert queue.get(timeout=20) == parts_done(2)
    child.join(20)
    assert child.exitcode == 0
