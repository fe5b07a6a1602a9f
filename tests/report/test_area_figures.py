"""Figures and tables of automatic areas, compared areas and stitched scans."""

import json

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000
from test_report_figures import DICHROMATS, pixels_of, seen, texts

from xrfmap.findings import AutomaticArea, Candidate, Comparison, ElementAmount, FamilyComparison
from xrfmap.report import figures, grouping, style


@pytest.mark.parametrize("sight", list(DICHROMATS))
def test_the_first_eight_colours_of_areas_stay_apart(sight):
    # a difference of 2.3 is just noticeable (Mahy et al. 1994, from memory), side by side;
    # patches far apart need a multiple. Under tritanopia, the rarest, the least is smallest.
    lab = seen([style.rgb(ink) for ink in style.AREA_INKS[:8]], sight)
    gaps = deltaE_ciede2000(lab[:, None], lab[None])[np.triu_indices(8, 1)]
    assert gaps.min() > 3 * 2.3


def test_each_area_of_a_scatter_has_a_mark_and_a_name(maps):
    line_x, line_y = (str(v) for v in maps["line"].values[:2])
    shape = (maps.sizes["y"], maps.sizes["x"])
    masks = {name: np.zeros(shape, dtype=bool) for name in ("sky", "coat")}
    masks["sky"][:4], masks["coat"][-4:] = True, True
    ax = figures.element_scatter(maps, line_x, line_y, areas=masks)
    assert [t.get_text().split(" (")[0] for t in ax.get_legend().get_texts()] == ["sky", "coat"]
    marked = [line for line in ax.lines if line.get_marker() in style.AREA_MARKS]
    assert len({line.get_marker() for line in marked}) == 2
    assert len({line.get_color() for line in marked}) == 2


def test_points_of_an_area_are_those_of_its_pixels_whichever_way_the_stage_ran(maps):
    line_x, line_y = (str(v) for v in maps["line"].values[:2])
    mask = np.zeros((maps.sizes["y"], maps.sizes["x"]), dtype=bool)
    mask[2, 3:9] = True
    one = figures.element_scatter(maps, line_x, line_y, areas={"a": mask})
    back = maps.isel(y=slice(None, None, -1))
    two = figures.element_scatter(back, line_x, line_y, areas={"a": mask[::-1]})
    first, second = (
        next(line for line in ax.lines if line.get_marker() == style.AREA_MARKS[0])
        for ax in (one, two)
    )
    assert np.array_equal(first.get_xydata(), second.get_xydata())


def test_automatic_areas_carry_their_numbers(maps):
    labels = np.ones((maps.sizes["y"], maps.sizes["x"]), dtype=np.int16)
    labels[:, labels.shape[1] // 2 :] = 2
    labels[0, 0] = 0
    held = maps.assign(automatic_area=(("y", "x"), labels))
    ax = figures.group_map(held)
    said = texts(ax)
    assert "Automatic areas" in said
    assert "no measurement" in said
    numbers = {t.get_text(): t.xy for t in ax.texts if t.get_text() in ("1", "2")}
    assert numbers["1"][0] < numbers["2"][0]
    shown = pixels_of(ax).reshape(-1, 3)
    for ink in style.AREA_INKS[:2]:
        wanted = np.round(style.rgb(ink) * 255)
        assert (np.abs(shown - wanted).max(axis=1) <= 1).mean() > 0.05


def test_seams_are_drawn_where_the_scans_meet(maps):
    tile = np.zeros((maps.sizes["y"], maps.sizes["x"]), dtype=np.int16)
    middle = tile.shape[1] // 2
    tile[:, middle:] = 1
    held = maps.assign(tile=(("y", "x"), tile))
    held.attrs["stitched_from"] = json.dumps([{"name": "left"}, {"name": "right"}])
    ax = figures.seam_map(held)
    said = texts(ax)
    assert "left" in said
    assert "right" in said
    drawn = [s for c in ax.collections for s in c.get_segments()]
    x = maps["x"].values
    assert {round(float(p[0]), 6) for s in drawn for p in s} == {
        round(float(x[middle - 1] + x[middle]) / 2, 6)
    }


def test_tables_tell_groups_and_comparisons(findings):
    group = AutomaticArea(
        name="automatic area 1", layer=None, scan="front", number=1, pixels=120,
        share_of_scan=0.4, in_drawn_areas={"sky": 0.5},
        elements=[ElementAmount(symbol="Pb", line="Pb L", detected=True)],
        candidates=[Candidate(pigment="titanium white", fits_period="out_of_period", support=[])],
    )  # fmt: skip
    row = FamilyComparison(
        family="Pb L", kind="ratio", reference="Ca K", a=1.0, a_err=0.1, b=2.0, b_err=0.2,
        difference_percent=-67.0, low_percent=-90.0, high_percent=-40.0, p=0.001, p_all=0.002,
        verdict="differs", detectable_percent=20.0, uneven_share=0.25,
    )  # fmt: skip
    pair = Comparison(areas=["sky", "coat"], verdict="differs", answer="Differs.", families=[row])
    held = findings.model_copy(update={"automatic_areas": [group], "comparisons": [pair]})
    (line,) = grouping.group_table(held).rows
    assert line[:4] == (1, "front", 120, 40.0)
    assert "titanium white (out of period)" in line
    assert "sky 50 %" in line
    (line,) = grouping.comparison_table(held).rows
    assert line[:4] == ("sky", "coat", "Pb L", "ratio to Ca K")
    assert line[-1] == 25.0


def test_drawn_areas_are_coloured_before_automatic_ones(maps, study):
    labels = np.ones((maps.sizes["y"], maps.sizes["x"]), dtype=np.int16)
    held = maps.assign(automatic_area=(("y", "x"), labels))
    drawn = grouping.masks_to_colour(held, study, "front", several=False)
    assert drawn
    assert not any(name.startswith("automatic") for name in drawn)
    bare = study.model_copy(update={"area": []})
    assert list(grouping.masks_to_colour(held, bare, "front", several=False)) == [
        "automatic area 1"
    ]
