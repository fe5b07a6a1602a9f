"""A scan with more pixels than a figure or a table can show."""

from __future__ import annotations

from concurrent.futures import Future
from threading import Timer

import numpy as np
import pytest
from invented_study import make_maps

from xrfmap.report import charts, choices, fields, figures, pixels, write
from xrfmap.report.figures import furniture, spectra
from xrfmap.report.folder import ResultFolder


@pytest.fixture
def small_pictures(monkeypatch):
    """As if a figure and a table could hold far less."""
    monkeypatch.setattr(furniture, "_MOST", 10)
    monkeypatch.setattr(charts, "CELLS", 30)


def test_a_large_map_is_drawn_as_means_in_its_true_place(maps, small_pictures):
    ax = figures.element_map(maps, "Fe K")
    shown = fields.field(maps, "Fe K")
    step = furniture.drawn_step(shown.grid)
    assert step > 1
    drawn = ax.images[0].get_array()
    rows, columns = shown.values.shape
    assert drawn.shape == (-(-rows // step), -(-columns // step))
    # closed form: the mean of the block in the corner, wherever it was measured
    corner = shown.values[:step, :step]
    assert float(drawn[0, 0]) == pytest.approx(np.nanmean(corner), rel=1e-6)
    # the picture reaches over the edge where a block does; the frame does not
    left, right, _, top = ax.images[0].get_extent()
    wide = (shown.grid.x1 - shown.grid.x0) / columns
    assert right - left == pytest.approx(drawn.shape[1] * step * wide)
    assert ax.get_xlim() == pytest.approx((shown.grid.x0, shown.grid.x1))
    assert ax.get_ylim() == pytest.approx((shown.grid.y1, shown.grid.y0))
    assert (left, top) == pytest.approx((shown.grid.x0, shown.grid.y0))
    words = " ".join(t.get_text() for t in ax.texts)
    assert f"mean of {step} × {step}" in words


def test_a_small_map_says_nothing_of_means(maps):
    ax = figures.element_map(maps, "Fe K")
    assert not any("mean of" in t.get_text() for t in ax.texts)


def test_its_table_holds_means_and_says_so(maps, small_pictures):
    shown = fields.field(maps, "Fe K")
    step = pixels.step_for(shown.values.size, 1, charts.CELLS)
    lines = charts._grid_csv(shown, maps).splitlines()
    assert f"means of {step} x {step} pixels" in lines[0]
    assert len(lines) - 1 == -(-shown.values.shape[0] // step)
    x, y = np.sort(maps["x"].values), np.sort(maps["y"].values)
    first = lines[1].split(",")
    assert float(lines[0].split(",")[1]) == pytest.approx(x[:step].mean(), rel=1e-5)
    assert float(first[0]) == pytest.approx(y[:step].mean(), rel=1e-5)
    assert float(first[1]) == pytest.approx(np.nanmean(shown.values[:step, :step]), rel=1e-4)


def test_what_is_chosen_at_once_is_what_is_chosen_one_by_one():
    maps = make_maps()
    chosen = choices.Choice.of(maps)
    assert chosen.composite == choices.composite_lines(maps)
    assert chosen.ratios == choices.family_ratios(maps)
    assert chosen.scatters == choices.scatter_pairs(maps)
    assert chosen.composite


class Slow:
    """Crew that takes a while for each figure and notes how many it has in hand."""

    workers = 2

    def __init__(self):
        self.at_work = 0
        self.most = 0

    def submit(self, work, *args):
        drawn = Future()
        self.at_work += 1
        self.most = max(self.most, self.at_work)

        def finish():
            self.at_work -= 1
            drawn.set_result(b"")

        Timer(0.05, finish).start()
        return drawn


def test_figures_in_line_are_few(tmp_path, maps):
    crew = Slow()
    folder = ResultFolder(tmp_path, crew)
    ax = figures.element_map(maps, "Fe K")
    for k in range(12):
        folder.figure(folder.name(f"map {k}"), ax)
    folder.finish()
    assert 1 <= crew.most <= 5


class Sent:
    """Crew that may be sent away and must not be asked."""

    workers = 2
    gone = False

    def dismiss(self):
        self.gone = True

    def submit(self, *_):
        raise AssertionError("a figure of a large scan was drawn by another process")


@pytest.mark.usefixtures("coarse")
def test_figures_of_a_large_scan_are_drawn_in_this_process(
    tmp_path, maps, study, findings, monkeypatch
):
    monkeypatch.setattr(write, "LARGE", 100)
    crew = Sent()
    write.write_report(tmp_path, study, findings, maps=maps.isel(line=slice(2)), crew=crew)
    assert crew.gone
    assert list((tmp_path / "figures").glob("*.png"))


def test_a_scatter_plot_of_many_pixels_takes_one_in_so_many_and_says_so(maps, monkeypatch):
    monkeypatch.setattr(spectra, "_ENOUGH", 100)
    pixels_there = fields.field(maps, "Fe K").values.size
    ax = figures.element_scatter(maps, "Fe K", "Pb L")
    words = " ".join(t.get_text() for t in ax.texts)
    assert f"one in {-(-pixels_there // 100)} of" in words
    assert "one in" not in " ".join(
        t.get_text() for t in figures.element_scatter(small(maps), "Fe K", "Pb L").texts
    )


def small(maps):
    return maps.isel(y=slice(8), x=slice(8))
