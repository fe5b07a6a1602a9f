"""Areas A and B of the page, compared as a study compares them."""

from __future__ import annotations

import time
from queue import Empty, SimpleQueue

import numpy as np
import pytest
from bokeh.document import Document

import xrfmap as xm
from xrfmap.areas.two_areas import compare_areas
from xrfmap.explore.bench import Bench
from xrfmap.explore.contrast import apart
from xrfmap.explore.page import Session
from xrfmap.explore.reading import first_pass
from xrfmap.explore.subject import open_subject


class Quick(Session):
    """A page whose changes take effect when the test asks, all in its one thread as on a server."""

    def __init__(self, *args):
        self.due = SimpleQueue()
        super().__init__(*args)

    def _later(self, change):
        self.due.put(change)

    def wait(self, condition):
        end = time.monotonic() + 120  # of a machine that others use; half a second on a quiet one
        while not condition():
            assert time.monotonic() < end, "two minutes for two areas of a small scan"
            try:
                self.due.get(timeout=0.01)()
            except Empty:
                continue


@pytest.fixture(scope="module")
def known(panel):
    scan = xm.calibrate(panel.scan)
    return scan, xm.find_elements(scan, ["Ca", "Fe", "Cu", "Hg", "Pb"], local=False)


@pytest.fixture
def page(folder, known):
    subject = open_subject(folder / "mill.toml", None)
    bench = Bench(subject.scans[0])
    bench.bands = first_pass(bench.scan)
    bench.found = known[1]
    bench.scale = known[1].model.scale
    yield Quick(Document(), subject, bench)
    bench.stop()


def square(rows, columns, shape=(30, 40)):
    mask = np.zeros(shape, dtype=bool)
    mask[rows, columns] = True
    return mask


@pytest.mark.parametrize(
    ("a", "b", "sizes", "words"),
    [
        (square(slice(0, 5), slice(0, 5)), square(slice(10, 15), slice(0, 5)), (25, 25), ""),
        (square(slice(0, 5), slice(0, 5)), square(slice(0, 30), slice(0, 40)), (25, 1175),
         "rest of B"),
        (square(slice(0, 30), slice(0, 40)), square(slice(0, 5), slice(0, 5)), (1175, 25),
         "rest of A"),
        (square(slice(0, 5), slice(0, 5)), square(slice(3, 9), slice(0, 5)), (15, 20), "10 pixels"),
        (square(slice(0, 5), slice(0, 5)), square(slice(0, 5), slice(0, 5)), (0, 0), "25 pixels"),
    ],
)  # fmt: skip
def test_areas_to_compare_share_no_pixel(a, b, sizes, words):
    one, two, said = apart(a, b)
    assert (int(one.sum()), int(two.sum())) == sizes
    assert not (one & two).any()
    assert words in said
    assert bool(said) == bool((a & b).any())


def test_the_page_gives_the_answer_of_a_study(page, known):
    desk = page.desk
    desk.drawn([0, 30, 30, 0], [0, 0, 60, 60])  # 15 by 30 pixels of 2 mm
    page.finding.view.active = 1
    desk.drawn([40, 80, 80, 40], [0, 0, 60, 60])
    page.finding.view.active = 2
    a, b = (desk.slots[name].mask for name in ("A", "B"))
    page.wait(lambda: desk._contrast.answer(a, b) is not None)
    told = desk._contrast.answer(a, b)
    study = compare_areas(known[0], a, b, found=known[1])
    assert told.verdict == study.verdict
    assert [r.family for r in told.families] == [r.family for r in study.families]
    assert [r.p_all for r in told.families] == pytest.approx([r.p_all for r in study.families])
    assert told.answer == study.answer
    head, table = desk._comparison()
    assert "A − B" in table
    assert told.answer[:20] in head


def test_areas_too_small_for_blocks_get_the_simple_test_and_it_says_so(page):
    desk = page.desk
    desk.drawn([0, 6, 6, 0], [0, 0, 6, 6])  # nine pixels
    page.finding.view.active = 1
    desk.drawn([40, 46, 46, 40], [0, 0, 6, 6])
    page.wait(lambda: all(desk.slots[n].spectrum is not None for n in "AB"))
    desk._comparison()
    page.wait(lambda: "simple test of the two sums" in desk._comparison()[0])
    head, table = desk._comparison()
    assert "fewer than 16 usable pixels" in head
    assert "Counting alone is in the errors" in table


def test_an_area_whose_channels_ran_full_says_so_and_what_to_do(page):
    counts = page.bench.scan["counts"].values.copy()
    counts[:10, :10] = np.iinfo(counts.dtype).max  # every channel, as beside a nail
    page.bench.scan = page.bench.scan.assign(counts=(page.bench.scan["counts"].dims, counts))
    desk = page.desk
    desk.drawn([0, 16, 16, 0], [0, 0, 16, 16])
    page.finding.view.active = 1
    desk.drawn([40, 56, 56, 40], [0, 0, 16, 16])
    page.wait(lambda: all(desk.slots[n].spectrum is not None for n in "AB"))
    head, told = desk._one("A")
    assert "64 pixels" in head
    assert "This area cannot be fitted: " in told
    assert "keV ran full, and too few are left" in told
    assert "without its brightest pixels" in told
    assert "shorter time or with less current" in told
    assert "waits" not in told
    assert "First look" in desk._one("B")[0]
    page.finding.view.active = 2
    head, table = desk._comparison()
    assert head.startswith('<p class="note">A: This area cannot be fitted')
    assert "B:" not in head
    assert table == ""


def test_a_scan_whose_elements_were_not_found_says_why_beside_each_area(page):
    page.bench.found = None
    desk = page.desk
    desk.drawn([0, 16, 16, 0], [0, 0, 16, 16])
    page.wait(lambda: desk.slots["A"].spectrum is not None)
    assert "The fit waits until the elements of the scan are found." in desk._one("A")[1]
    page.bench.search_failed = "mill: counts: found 2\u202f000 channels that ran full"
    told = desk._one("A")[1]
    assert "could not be found, so there are no maps and no fits" in told
    assert "2\u202f000 channels that ran full" in told
