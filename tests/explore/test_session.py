"""The page without a browser: what a bare scan and odd input from a browser lead to."""

from __future__ import annotations

import time
from dataclasses import replace
from html import unescape
from pathlib import Path

import h5py
import numpy as np
import pytest
from bokeh.document import Document

from xrfmap.errors import InputError
from xrfmap.explore.bench import Bench
from xrfmap.explore.layout import status_words
from xrfmap.explore.page import Session
from xrfmap.explore.rasters import raster, window
from xrfmap.explore.reading import first_pass
from xrfmap.explore.readout import pixel_reading
from xrfmap.explore.subject import check_results, open_subject
from xrfmap.explore.worker import Message, prepare
from xrfmap.io.nexus_write import write_nexus
from xrfmap.io.results import write_maps
from xrfmap.physics.lineshape import EnergyScale


class Quick(Session):
    """A page whose changes take effect at once."""

    def _later(self, change):
        change()


@pytest.fixture
def opened():
    """Open pages, and close what they opened."""
    benches = []

    def open_page(path, results=None):
        subject = open_subject(path, results)
        bench = Bench(subject.scans[0])
        benches.append(bench)
        bench.bands = first_pass(bench.scan)
        return Quick(Document(), subject, bench)

    yield open_page
    for bench in benches:
        bench.stop()


@pytest.fixture
def bare(tmp_path, panel):
    """A scan of which nothing is known but its counts."""
    with h5py.File(tmp_path / "bare.h5", "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "counts"})
        data.create_dataset("counts", data=panel.scan["counts"].values)
    return tmp_path / "bare.h5"


def wait(condition, seconds=30):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"{seconds} s for a few blocks of a small scan"
        time.sleep(0.01)


def test_a_bare_scan_is_shown_in_pixels_and_counts(opened, bare, panel):
    page = opened(bare)
    plate = page.plates[0]
    assert plate.root.visible
    assert "all counts" in plate.title.text
    assert "[counts]" in plate.title.text
    shown = plate.source.data["image"][0]
    assert np.array_equal(shown, panel.scan["counts"].values.sum(axis=2))
    assert "no energy scale" in page.spectrum.log.xaxis[0].axis_label


def test_an_area_of_a_bare_scan_is_summed_but_cannot_be_saved(opened, bare, panel):
    page = opened(bare)
    page.desk.drawn([-0.5, 9.5, 9.5, -0.5], [-0.5, -0.5, 4.5, 4.5])
    wait(lambda: page.desk.slots["A"].spectrum is not None)
    found = page.desk.slots["A"].spectrum
    assert np.array_equal(found.counts, panel.scan["counts"].values[:5, :10].sum(axis=(0, 1)))
    assert found.pixels == 50
    wait(lambda: "50 pixels" in page.finding.head.text)  # written just after the sum is there
    page._finding("save")
    assert "nothing to save" in page.finding.note.text


def test_a_window_in_channels_counts_exactly(opened, bare, panel):
    page = opened(bare)
    page.window.set((101.2, 140.0))
    wait(lambda: page.window.counts is not None and page.window.counts[1])
    # channels whose middle lies inside: 102 to 140
    expected = panel.scan["counts"].values[..., 102:141].sum(axis=2)
    assert np.array_equal(page.window.counts[0], expected)
    page.take_back()
    assert page.window.ends is None


@pytest.mark.parametrize(
    "sent",
    [
        {"x": [], "y": [], "held": []},
        {"x": ["<b>"], "y": [1.0], "held": [0]},
        {"x": [float("nan")], "y": [1.0], "held": [0]},
        {"x": [1e300], "y": [1.0], "held": [0]},
        {"y": [1.0]},
    ],
)
def test_odd_places_from_a_browser_change_nothing(opened, bare, sent):
    page = opened(bare)
    before = page.here.text
    # columns of unequal length are what a browser could send, and Bokeh would warn of
    page.shared.probe.update(data=sent)
    assert page.here.text == before


@pytest.mark.parametrize(
    ("low", "high"), [("a", 3), (None, None), (float("nan"), 4), (1e9, 2e9), (-9, -5)]
)
def test_odd_windows_from_a_browser_change_nothing(opened, bare, low, high):
    page = opened(bare)
    page.window.drawn(low, high)
    assert page.window.ends is None


def test_odd_outlines_are_refused_in_words(opened, bare):
    page = opened(bare)
    page.desk.drawn(["x", None, {}], [1, 2, 3])
    assert "not numbers" in page.finding.note.text
    page.desk.drawn([1e6, 2e6, 3e6], [1, 2, 9])
    assert "no pixel centre" in page.finding.note.text
    assert page.desk.slots["A"].mask is None


def test_every_step_can_be_taken_back_in_turn(opened, folder):
    page = opened(folder / "mill.toml")
    page.desk.drawn([10, 30, 30], [10, 10, 30])
    page.window.set((6.2, 6.6))
    page.finding.view.active = 1
    page.finding.takes["B"].value = "area:left half"
    assert page.undo.label == "Undo: area B"
    page.take_back()
    assert page.desk.slots["B"].choice == "nothing"
    page.take_back()
    assert page.window.ends is None
    page.take_back()
    assert page.desk.slots["A"].choice == "nothing"
    assert page.undo.disabled
    page.take_back()
    assert "nothing to take back" in page.finding.note.text


def test_results_of_another_scan_are_refused(folder, tmp_path, panel):
    maps = panel.truth.rename({"net_counts": "x_net"}).assign_attrs(source_sha256="0" * 64)
    subject = open_subject(folder / "mill.toml")
    with pytest.raises(InputError, match="hash 000000000000"):
        check_results(maps, subject.scans[0].open(), tmp_path)
    with pytest.raises(InputError, match="29 x 40"):
        check_results(maps.isel(y=slice(1, None)), subject.scans[0].open(), tmp_path)


def test_a_result_folder_without_maps_is_refused(folder, tmp_path):
    with pytest.raises(InputError, match="run the study first"):
        open_subject(folder / "mill.toml", tmp_path)


def test_maps_of_an_earlier_run_are_shown_at_once(opened, folder, tmp_path, panel):
    truth = panel.truth.sel(line=["Pb L", "Ca K"])
    net = truth["net_counts"].values.astype(np.float32)
    maps = truth.drop_vars("net_counts")
    for name, value in {
        "net_counts": net, "net_counts_err": np.sqrt(net + 9), "net_counts_ul": net + 9,
        "decision_threshold": np.full_like(net, 5), "detection_limit": np.full_like(net, 12),
    }.items():  # fmt: skip
        maps[name] = (("line", "y", "x"), value, {"units": "counts"})
    maps["fit_ok"] = (("y", "x"), np.ones(net.shape[1:], bool))
    maps["live_time"] = panel.scan["live_time"]
    maps = maps.assign_coords(y=("y", np.arange(30) * 2.0 + 1, {"units": "mm"}))
    maps = maps.assign_coords(x=("x", np.arange(40) * 2.0 + 1, {"units": "mm"}))
    maps.attrs = {**panel.scale.to_attrs(), "source_sha256": ""}
    write_maps(tmp_path / "maps.nc", maps)
    page = opened(folder / "mill.toml", tmp_path)
    titles = [plate.title.text for plate in page.plates if plate.root.visible]
    assert [t.split("[")[0] for t in titles] == ["<h3>Ca K <span>", "<h3>Pb L <span>"]
    rate = net[0] / panel.scan["live_time"].values
    # 32-bit floats on both sides
    assert page.plates[1].source.data["image"][0] == pytest.approx(rate, rel=1e-5)


def test_windows_and_areas_are_divided_by_the_monitor_of_the_beam(panel, tmp_path):
    # the same paint under a beam that fades to 60 % from top to bottom: what is counted fades,
    # what is shown does not. Truth: the monitor that was written, in units of its median
    beam = np.linspace(1.0, 0.6, 30)[:, None] * np.ones((1, 40))
    time = panel.scan["live_time"].values
    path = write_nexus(tmp_path / "fading.h5", panel.scan["counts"].values, time)
    with h5py.File(path, "r+") as file:
        group = file.create_group("entry/control")
        group.attrs["NX_class"] = "NXmonitor"
        group["data"], group["count_time"] = 1e5 * beam * time, time
        group["data"].attrs["units"], group["count_time"].attrs["units"] = "counts", "s"
    bench = Bench(open_subject(path).scans[0])
    relative = beam / np.median(beam)
    counts = np.full((30, 40), 700.0)
    shown = window(bench, counts, (3.0, 4.0), True)
    right = bench.frame.upright(counts / (time * relative))
    np.testing.assert_allclose(shown.values, right, rtol=1e-9)
    assert shown.unit == "counts/s"
    assert "divided by the strength of the beam" in shown.caption
    bench.bands = first_pass(bench.scan)
    total = raster(bench, "total_counts")
    assert total is not None
    counted = panel.scan["counts"].values.sum(axis=2)
    # all counts keep the beam, as in the report: there it can be seen
    np.testing.assert_allclose(total.values, bench.frame.upright(counted / time), rtol=1e-9)
    mask = np.zeros((30, 40), bool)
    mask[5:9, 3:30] = True
    seconds, unit = bench.exposure_of(mask)
    assert unit == "net counts/s"
    assert seconds == pytest.approx(float((time * relative)[mask].sum()), rel=1e-9)


def test_without_live_times_areas_are_compared_by_their_pixels(bare):
    bench = Bench(open_subject(bare).scans[0])
    mask = np.zeros((30, 40), bool)
    mask[:2] = True
    assert bench.exposure_of(mask) == (80.0, "net counts per pixel")


def test_large_maps_stay_in_a_file_and_go_with_the_page(folder, monkeypatch):
    monkeypatch.setattr("xrfmap.io.results.IN_MEMORY", 1000)  # as if they were larger
    bench = Bench(open_subject(folder / "mill.toml").scans[0])
    bench.start()
    try:
        wait(lambda: bench.maps is not None or bench.status.failed, seconds=120)
        assert not bench.status.failed
        assert bench.maps is not None
        file = Path(bench.maps.encoding["source"])
        assert file.is_file()
        assert not bench.maps["net_counts"].variable._in_memory
        assert bench.maps["fit_ok"].variable._in_memory
        told = {r.family: r for r in pixel_reading(bench.maps, 3, 4, bench.families)}
        assert any(row.state == "seen" for row in told.values())
        for number, family in enumerate(bench.families):
            value = float(bench.maps["net_counts"].values[number, 3, 4])
            assert told[family].net == value or told[family].state != "seen"
    finally:
        bench.stop()
    assert not file.parent.exists()


def heard(path: Path) -> tuple[Bench, list[Message]]:
    """What a bench is told by the process that prepares its scan, run in this process."""

    class Pipe:
        def __init__(self):
            self.messages = []

        def send(self, message):
            self.messages.append(message)

    pipe = Pipe()
    bench = Bench(replace(open_subject(path).scans[0], elements=("Ca", "Pb")))
    prepare(pipe, bench.source, None, None)
    for message in pipe.messages:
        bench._hear(message)
    return bench, pipe.messages


def test_where_the_lines_give_no_energy_scale_the_one_of_the_file_is_taken(panel, tmp_path):
    # 925 counts or so: too few for any search of lines, while the file states its energies
    counts = np.random.default_rng(1).binomial(panel.scan["counts"].values[:6, :8], 0.003)
    energy = -0.013 + 0.0402 * np.arange(1024)
    stated = write_nexus(tmp_path / "faint.h5", counts, 0.01, energy_kev=energy)
    bench, messages = heard(stated)
    assert [m.kind for m in messages if m.kind != "progress"] == ["scale", "found"]
    assert bench.found is not None
    told = next(m.value for m in messages if m.kind == "scale")
    taken = EnergyScale.from_attrs(told).energy(np.arange(1024))
    np.testing.assert_allclose(taken, energy, atol=1e-6)
    assert "faint: the energy scale is the one its file states" in bench.status.caution
    assert "3000 are needed" in bench.status.caution
    assert bench.status.caution in unescape(status_words(bench.status))
    bare = write_nexus(tmp_path / "bare.h5", counts, 0.01)
    bench, messages = heard(bare)
    assert [m.kind for m in messages if m.kind != "progress"] == ["failed"]
    assert "energy scale cannot be found" in bench.status.failed
    assert not bench.status.caution


def test_a_scale_found_from_the_lines_needs_no_caution(folder):
    bench, messages = heard(folder / "front.h5")
    assert "scale" in [m.kind for m in messages]
    assert not bench.status.caution


def test_a_study_without_a_scan_is_told_what_to_do(tmp_path):
    path = tmp_path / "typed.toml"
    path.write_text('[object]\ntitle = "x"\n[[area]]\nname = "a"\nelements = ["Pb"]\n')
    with pytest.raises(InputError, match="xrfmap study"):
        open_subject(path)


def test_a_window_keeps_its_channels_when_the_energy_scale_arrives(opened, bare, panel):
    page = opened(bare)
    page.window.set((100.0, 140.0))
    page.bench.scale = EnergyScale(-0.02, 0.04, 0.08, 0.115)
    page._news("scale")
    assert page.window.ends == pytest.approx((-0.02 + 4.0, -0.02 + 5.6))
    assert page.spectrum.log.xaxis[0].axis_label == "energy [keV]"
    wait(lambda: page.window.counts is not None and page.window.counts[1])
    expected = panel.scan["counts"].values[..., 100:141].sum(axis=2)
    assert np.array_equal(page.window.counts[0], expected)
    assert page.bench.status.words == ""
