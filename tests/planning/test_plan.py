"""Planning of dwell times: chances of detection against simulation of pixels."""

from __future__ import annotations

import json

import numpy as np
import pytest
from buried_paint import COVERS, GROUND, HEAD, PAINTS
from typer.testing import CliRunner

from xrfmap.cli.main import app
from xrfmap.fit.pixels import fit_counts
from xrfmap.maps.element_maps import pixel_values
from xrfmap.physics.layers import Layer, Stack
from xrfmap.planning.plan import chances, needed_dwell, plan_detection, planned_pixel, without
from xrfmap.planning.plan_figure import plan_figure, plan_rows
from xrfmap.planning.study_plan import plan_of_study

UNDER = Stack([Layer.from_thickness(PAINTS["Hg"], 2.0), GROUND])
COVERED = UNDER.under(Layer.from_thickness(COVERS["lead white"], 40.0))


@pytest.fixture(scope="module")
def pixel():
    return planned_pixel(COVERED, ("Hg",), HEAD)


def drawn(pixel, mean_per_second, dwell, many, seed):
    """Share of simulated pixels in which mercury L passes the threshold."""
    counts = np.random.default_rng(seed).poisson(dwell * mean_per_second, (many, 2048))
    result = fit_counts(counts.astype(np.float32), pixel.plan.design, pixel.plan.typical)
    values = pixel_values(result, pixel.plan)
    k = pixel.plan.lines.index("Hg L")
    return float((values["net_counts"][:, k] > values["decision_threshold"][:, k]).mean())


def test_chance_of_detection_is_the_share_of_simulated_pixels_that_show_it(pixel):
    many = 2000
    k = pixel.plan.lines.index("Hg L")
    dwells = np.geomspace(1e-3, 1.0, 40)
    told = chances(pixel, dwells)["chance"][:, k]
    for wanted in (0.3, 0.7, 0.95):
        n = int(np.abs(told - wanted).argmin())
        share = drawn(pixel, pixel.per_second, dwells[n], many, n)
        # three standard errors of 2000 pixels are 3.4 % at worst; 3 % more for counts of a
        # few, which are not Gaussian as the formula takes them
        assert share == pytest.approx(told[n], abs=0.065), wanted


@pytest.mark.slow
def test_pixels_without_the_element_pass_about_as_often_as_the_threshold_allows(pixel):
    blank = planned_pixel(without(COVERED, "Hg"), ("Hg",), HEAD)
    # 5 % by definition of the threshold; three standard errors of 2000 pixels are 1.5 %
    assert drawn(blank, blank.per_second, 3.0, 2000, 9) < 0.065
    # fitted with the shapes of a scan that does hold the element, neighbours are a little
    # off: half a standard error, which their granted spread leaves free, makes 12.6 % of it
    assert drawn(pixel, blank.per_second, 3.0, 2000, 9) < 0.126


def test_element_taken_out_leaves_the_rest():
    bare = without(COVERED, "Hg")
    assert "Hg" not in bare.elements
    assert len(bare.layers) == 3
    lost = COVERED.layers[1].areal_g_cm2 - bare.layers[1].areal_g_cm2
    share = COVERED.layers[1].material.mass_fractions["Hg"]
    assert lost == pytest.approx(share * COVERED.layers[1].areal_g_cm2)


@pytest.fixture(scope="module")
def plan():
    return plan_detection(
        "Hg", UNDER, COVERS["lead white"], HEAD, cover_um=[0, 40], dwell_s=[0.001, 0.01, 0.1, 1]
    )


def test_more_time_helps_and_more_cover_hinders(plan):
    chance = plan["best_chance"].transpose("cover", "dwell").values
    assert (np.diff(chance, axis=1) >= -1e-6).all()
    assert (chance[0] >= chance[1] - 1e-6).all()
    assert (plan["net_counts"].sel(line="Hg L").values > 0).all()
    # counts grow in proportion to time
    net = plan["net_counts"].sel(line="Hg L", cover=0).transpose("dwell").values
    np.testing.assert_allclose(net / net[0], [1, 10, 100, 1000])


def test_needed_dwell_reaches_the_chance_that_is_asked_for(plan):
    needed = needed_dwell(plan, 0.95)
    for um, seconds in zip(plan["cover"].values, needed.values, strict=True):
        row = plan["best_chance"].sel(cover=um).transpose("dwell").values
        if np.isnan(seconds):
            assert row.max() < 0.95
        else:
            after = plan["dwell"].values >= seconds * (1 - 1e-9)
            assert row[after].min() >= 0.95
    never = needed_dwell(plan, 1.1)
    assert np.isnan(never.values).all()


def test_table_and_figure_hold_every_cover_and_time(plan):
    rows = plan_rows(plan)
    assert len(rows) == 8
    assert {row["cover [um]"] for row in rows} == {0.0, 40.0}
    assert all(0 <= row["chance"] <= 1 for row in rows)
    left, right = plan_figure(plan).axes
    assert len(left.get_legend().get_texts()) == 2
    assert "Hg" in left.get_ylabel()
    assert "µm" in right.get_xlabel()


@pytest.mark.parametrize(
    ("element", "covers", "told"),
    [("Rh", [0], "anode"), ("Cu", [0], "holds no Cu"), ("Hg", [-1], ">= 0")],
)
def test_what_cannot_be_planned_is_refused(element, covers, told):
    with pytest.raises(ValueError, match=told):
        plan_detection(element, UNDER, COVERS["lead white"], HEAD, cover_um=covers, dwell_s=[0.1])


def test_dwell_times_are_above_zero(pixel):
    with pytest.raises(ValueError, match="> 0 s"):
        chances(pixel, [0.0, 1.0])


# ---------------------------------------------------------------- command


STUDY = """
[object]
title = "Mill by a frozen river"
[instrument]
anode = "Rh"
tube_kv = 50
[[area]]
name = "sky"
elements = ["Pb"]
[[layer]]
name = "picture layer"
material = ["lead white"]
thickness_um = 28
[[layer]]
name = "first picture"
material = "vermilion"
thickness_um = 30
[[layer]]
name = "ground"
role = "ground"
material = "chalk in glue"
[[layer]]
name = "support"
material = "oak"
[[stack]]
name = "green figure"
area = "sky"
layers = [{material = "lead white"}, {material = "verdigris", thickness_um = 20}]
"""


@pytest.fixture
def study(tmp_path):
    path = tmp_path / "mill.toml"
    path.write_text(STUDY, encoding="utf-8")
    return path


def test_command_writes_a_table_and_a_plot(study, tmp_path):
    out = tmp_path / "plan"
    done = CliRunner().invoke(
        app, ["plan", str(study), "--element", "Hg", "--cover-um", "0,30", "--dwell", "0.001,1",
              "--out", str(out), "--quiet"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "under lead white" in done.stdout  # the layer just above
    assert "vermilion 30 µm; chalk in glue 200 µm" in done.stdout
    assert (out / "plan_Hg.png").read_bytes().startswith(b"\x89PNG")
    lines = (out / "plan_Hg.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("cover [um],dwell [s],line,chance")
    assert "cover [µm]" in done.stdout  # people read µm, programs um
    assert len(lines) == 5


@pytest.mark.slow
def test_command_gives_json_and_writes_nothing(study, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(
        app, ["plan", str(study), "-e", "Cu", "--stack", "green figure", "--cover-um", "0",
              "--dwell", "1", "--json", "--quiet"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["element"] == "Cu"
    assert told["rows"][0]["chance"] > 0.99
    assert told["needed"] == [{"cover_um": 0.0, "dwell_s": 1.0}]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mill.toml"]


@pytest.mark.parametrize(
    ("options", "told", "code"),
    [
        (["-e", "Au"], "no layer that holds Au", 1),
        (["-e", "Hg", "--stack", "none"], "green figure", 1),
        (["-e", "Hg", "--cover", "led white"], "lead white", 1),
        (["-e", "Xx"], "--element", 2),
        (["-e", "Hg", "--dwell", "0,1"], "--dwell", 2),
        (["-e", "Hg", "--cover-um", "a"], "--cover-um", 2),
    ],
)
def test_slips_of_the_command_are_told(study, options, told, code):
    done = CliRunner().invoke(app, ["plan", str(study), *options, "--quiet"])
    assert done.exit_code == code
    assert told in done.output + done.stderr


def test_plan_needs_an_anode(study):
    study.write_text(STUDY.replace('anode = "Rh"\n', ""), encoding="utf-8")
    with pytest.raises(Exception, match="anode of the tube"):
        plan_of_study(study, "Hg", cover_um=[0], dwell_s=[1])
