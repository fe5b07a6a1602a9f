"""Full fits in a process of their own: in order, given up, broken off."""

from __future__ import annotations

import time

import numpy as np
import pytest

import xrfmap as xm
from xrfmap.explore.fit_queue import FitQueue
from xrfmap.explore.fits import first_look
from xrfmap.explore.reading import sum_pixels
from xrfmap.explore.status import Status

ELEMENTS = ("Ca", "Fe", "Cu", "Hg", "Pb")


@pytest.fixture(scope="module")
def scan(panel):
    return panel.scan.assign_attrs(panel.scale.to_attrs())


@pytest.fixture(scope="module")
def found(scan):
    return xm.find_elements(scan, list(ELEMENTS))


@pytest.fixture(scope="module")
def make_queue():
    """Queues that end with the module."""
    made = []

    def make():
        made.append(FitQueue(ELEMENTS, Status(), lambda what: None))
        return made[-1]

    yield make
    for queue in made:
        queue.stop()


@pytest.fixture(scope="module")
def queue(make_queue, found):
    """One that is running; each test names its areas as no other does."""
    made = make_queue()
    made.start(found)
    return made


def part(scan, rows):
    mask = np.zeros((30, 40), dtype=bool)
    mask[rows] = True
    return sum_pixels(scan, mask)


def wait(condition, seconds=120):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "a fit of five elements takes some seconds"
        time.sleep(0.05)


def test_first_look_and_full_fit_agree_with_the_simulated_truth(scan, panel, found, queue):
    rows = slice(3, 12)
    summed = part(scan, rows)
    truth = panel.truth["net_counts"].isel(y=rows).sum(["y", "x"])
    queue.want(1, {b"truth": summed})
    wait(lambda: queue.get(b"truth") is not None)
    for fit in (first_look(summed.counts, found), queue.get(b"truth")):
        strong = {row.family: row for row in fit.detected}
        for family in ("Pb L", "Fe K"):
            # 2 % of the counts: what the study's own elements, five of fourteen, leave open
            off = abs(strong[family].net - float(truth.sel(line=family)))
            assert off < 4 * strong[family].err + 0.02 * strong[family].net, family
    assert queue.get(b"truth").complete
    assert not first_look(summed.counts, found).complete


def test_areas_of_all_pages_are_fitted(scan, found, make_queue):
    queue = make_queue()
    queue.want(1, {b"a": part(scan, slice(0, 5))})  # before the elements are known
    queue.want(2, {b"b": part(scan, slice(5, 10))})
    assert queue.get(b"a") is None
    queue.start(found)
    wait(lambda: queue.get(b"a") is not None and queue.get(b"b") is not None)


def test_a_fit_that_nobody_waits_for_is_given_up(scan, queue):
    queue.want(1, {b"left": part(scan, slice(0, 5))})
    queue.want(1, {b"kept": part(scan, slice(5, 10))})
    wait(lambda: queue.get(b"kept") is not None)
    assert queue.get(b"left") is None
    assert not queue.failed(b"left")


def test_a_child_that_is_killed_is_told_of_and_replaced(scan, queue):
    queue.want(1, {b"killed": part(scan, slice(0, 5)), b"next": part(scan, slice(5, 10))})
    queue._child._process.kill()
    wait(lambda: queue.get(b"next") is not None)
    assert queue.failed(b"killed")
    assert queue._status.failed == "the fit broke off"


def test_a_spectrum_that_cannot_be_fitted_does_not_stop_the_next(scan, queue):
    good = part(scan, slice(5, 10))
    bad = type(good)(np.full(7, np.nan), 1, 1.0)  # a spectrum of another instrument, say
    queue.want(1, {b"bad": bad, b"good": good})
    wait(lambda: queue.get(b"good") is not None)
    assert queue.failed(b"bad")
    assert queue._status.failed == queue.failed(b"bad") != "the fit broke off"
