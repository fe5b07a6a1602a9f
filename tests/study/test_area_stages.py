"""Automatic areas, compared areas and stitched scans as a study asks for them."""

import csv
import json

import numpy as np
import pytest
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.nexus_write import write_nexus
from xrfmap.scan import instrument_of
from xrfmap.simulation.simulate import painting
from xrfmap.study.run import run_study
from xrfmap.study.study_file import load_study

HEAD = """
[object]
title = "Mill by a frozen river"
[period]
from = 1630
to = 1650
"""
TWO_SCANS = """
[[scan]]
file = "left.h5"
[[scan]]
file = "right.h5"
"""
TWO_AREAS = """
[[area]]
name = "upper"
scan = "left"
polygon_mm = [[0, 0], [13, 0], [13, 12], [0, 12]]
layer = "original paint"
[[area]]
name = "lower"
scan = "left"
polygon_mm = [[0, 12], [13, 12], [13, 24], [0, 24]]
layer = "retouching"
[[area]]
name = "older report"
elements = ["Pb"]
"""
ASKED = """
[areas]
automatic = 3
[[compare]]
areas = ["upper", "lower"]
[stitch]
place = "stage"
"""


def loaded(tmp_path, text):
    path = tmp_path / "study.toml"
    path.write_text(HEAD + text, encoding="utf-8")
    return load_study(path)


@pytest.mark.parametrize(("value", "held"), [("true", True), ("false", False), ("4", 4)])
def test_automatic_areas_are_asked_for_by_a_word_or_a_number(tmp_path, value, held):
    study = loaded(tmp_path, f"{TWO_SCANS}\n[areas]\nautomatic = {value}\n")
    assert study.areas.automatic is held or study.areas.automatic == held == 4


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[areas]\nautomatic = 13\n", "automatic"),
        ('[[compare]]\nareas = ["upper", "uper"]\n', "did you mean upper"),
        ('[[compare]]\nareas = ["upper", "older report"]\n', "drawn on a scan"),
        ('[[compare]]\nareas = ["upper", "upper"]\n', "twice"),
        ('[[compare]]\nareas = ["upper"]\n', r"compare\[1\]"),
        ('[stitch]\nscans = ["left", "write"]\n', "did you mean right"),
        ('[stitch]\nscans = ["left", "left"]\n', "each once"),
        ('[stitch]\nname = "left"\n', "name of its own"),
        ('[stitch]\nplace = "guess"\n', "overlap"),
        ("[stitch]\nstage_error_mm = 0\n", "stage_error_mm"),
    ],
)
def test_slips_are_told_when_the_study_is_read(tmp_path, text, words):
    with pytest.raises(InputError, match=words):
        loaded(tmp_path, TWO_SCANS + TWO_AREAS + text)


def test_one_scan_cannot_be_stitched(tmp_path):
    with pytest.raises(InputError, match="two or more scans"):
        loaded(tmp_path, '[[scan]]\nfile = "left.h5"\n[stitch]\n')


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """A study of two overlapping scans cut from one simulated painting of 24 x 20 pixels."""
    folder = tmp_path_factory.mktemp("areas")
    made = painting("northern panel", shape=(24, 20), kev_per_channel=0.0198, zero_kev=-0.043,
                    channels=2048, seed=5)  # fmt: skip
    for name, columns in (("left", slice(0, 13)), ("right", slice(7, 20))):
        part = made.scan.isel(x=columns)
        write_nexus(
            folder / f"{name}.h5", part["counts"].values, part["live_time"].values,
            y_mm=part["y"].values, x_mm=part["x"].values, instrument=instrument_of(part),
        )  # fmt: skip
    path = folder / "study.toml"
    path.write_text(HEAD + TWO_SCANS + TWO_AREAS + ASKED, encoding="utf-8")
    return run_study(path, folder / "out"), folder / "out", made


@pytest.mark.slow
def test_a_study_gives_automatic_areas_with_candidates_and_no_flag(results):
    findings, out, _ = results
    assert {a.scan for a in findings.automatic_areas} == {"left", "right"}
    for name in ("left", "right"):
        mine = [a for a in findings.automatic_areas if a.scan == name]
        assert [a.number for a in mine] == [1, 2, 3]
        assert sum(a.pixels for a in mine) == 24 * 13
        assert all(a.layer is None for a in mine)
    assert any(a.candidates for a in findings.automatic_areas)
    names = {a.name for a in findings.automatic_areas}
    assert not names & {flag.area for flag in findings.flags}
    assert not names & {a.name for a in findings.areas}
    with xr.open_dataset(out / "automatic_areas.nc") as held:
        sizes = np.bincount(held["automatic_area"].values.ravel().astype(int), minlength=4)
    assert [a.pixels for a in findings.automatic_areas if a.scan == "left"] == sizes[1:].tolist()


@pytest.mark.slow
def test_a_study_compares_its_areas(results):
    findings, out, _ = results
    (answer,) = findings.comparisons
    assert answer.areas == ["upper", "lower"]
    assert answer.families
    assert json.loads((out / "findings.json").read_text())["comparisons"][0]["answer"]
    with (out / "tables" / "comparisons.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(answer.families)
    assert {row["first"] for row in rows} == {"upper"}


@pytest.mark.slow
def test_a_study_stitches_its_scans(results):
    _, out, made = results
    with xr.open_dataset(out / "stitched-whole.nc") as held:
        whole = held.load()
    assert dict(whole.sizes) | {"line": 0} == {"line": 0, "y": 24, "x": 20}
    # columns 7 to 12 are in both scans: the middle of the overlap parts them
    assert (whole["tile"].values[12, :10] == 0).all()
    assert (whole["tile"].values[12, 10:] == 1).all()
    lead = whole.sel(line="Pb L")
    truth = float(made.truth["net_counts"].sel(line="Pb L").sum())
    error = float((lead["net_counts_err"] ** 2).sum() ** 0.5)
    # four standard errors, and 3 % for shapes refined on each half by itself
    assert float(lead["net_counts"].sum()) == pytest.approx(truth, abs=4 * error + 0.03 * truth)
    assert (out / "stitched-whole" / "Pb_L.tif").is_file()


@pytest.mark.slow
def test_the_report_shows_all_three(results):
    _, out, _ = results
    page = (out / "report.html").read_text(encoding="utf-8")
    assert '<section id="automatic">' in page
    assert '<section id="comparisons">' in page
    assert "White lines: seams" in page
    section = page[page.index('<section id="automatic">') :]
    assert section.index("<img") < section.index("<table")  # the picture first
    for name in ("left_automatic_areas", "whole_seams"):
        assert (out / "figures" / f"{name}.png").is_file()
    assert (out / "tables" / "automatic_areas.csv").is_file()
