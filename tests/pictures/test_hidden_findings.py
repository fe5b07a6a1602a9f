"""Hidden shapes in findings.json: where they are, how large, how sure; against known truth."""

import json

import numpy as np
import pytest
from hidden_scenes import CONTENT, colours, figure, paints, scan_of
from scipy.ndimage import gaussian_filter

from xrfmap.findings import Findings
from xrfmap.pictures.hidden import HIDDEN_CAUTIONS, hidden_design
from xrfmap.pictures.hidden_findings import hidden_finding

SHAPE = (90, 110)
STEP_Y, STEP_X = 0.5, 0.8  # mm; unlike, so that the two cannot be taken for each other


@pytest.fixture(scope="module")
def split():
    shares = paints(SHAPE, 1)
    maps = scan_of(shares, 300, 1, hidden=figure(SHAPE))
    maps = maps.assign_coords(
        y=("y", 100 + STEP_Y * np.arange(SHAPE[0]), {"units": "mm"}),
        x=("x", 20 + STEP_X * np.arange(SHAPE[1]), {"units": "mm"}),
    )
    found = hidden_design(maps, colours(shares, 1), placement_error=0.3)
    return found.assign_attrs(photograph="photo.jpg", placement="by hand", placement_error=0.3)


@pytest.fixture(scope="module")
def told(split):
    return hidden_finding(split, "front", "hidden.nc")


def box(truth):
    """Left, right, top and bottom of the part of a figure above half, in mm."""
    rows, columns = np.nonzero(truth > 0.5)
    return (
        20 + STEP_X * (columns.min() - 0.5), 20 + STEP_X * (columns.max() + 0.5),
        100 + STEP_Y * (rows.min() - 0.5), 100 + STEP_Y * (rows.max() + 0.5),
    )  # fmt: skip


def test_shapes_lie_where_the_figure_lies(told):
    left, right, top, bottom = box(figure(SHAPE))
    own = [s for s in told.shapes if s.outline == "own"]
    assert {(s.element, s.line, s.sign) for s in own} == {("Cu", "Cu K", "more")}
    # the patch rounds an outline by 1.5 pixels, and a shape reaches to half the level: 3 each way
    for shape in own:
        assert left - 3 * STEP_X < shape.x < right + 3 * STEP_X
        assert top - 3 * STEP_Y < shape.y < bottom + 3 * STEP_Y
        assert shape.width <= right - left + 6 * STEP_X
        assert shape.height <= bottom - top + 6 * STEP_Y
        assert shape.area <= shape.width * shape.height + 1e-6
        assert shape.significance >= told.level


def test_area_is_that_of_the_named_pixels(split, told):
    own = sum(s.area for s in told.shapes if s.outline == "own")
    named = int((split["shape"].values == 1).sum())
    # areas are written with two decimals
    assert own == pytest.approx(named * STEP_Y * STEP_X, abs=0.01 * len(told.shapes))


def test_share_is_what_was_hidden_there(split, told):
    """The scene adds 0.6 of a unit to what its paints hold, both as means over a patch."""
    shares = paints(SHAPE, 1)
    held = gaussian_filter(np.tensordot(CONTENT[:, 0], shares, axes=(0, 0)), 1.5)
    added = gaussian_filter(0.6 * figure(SHAPE), 1.5)
    inside = split["shape"].sel(line="Cu K").values == 1
    own = [s for s in told.shapes if s.outline == "own"]
    mean = np.average([s.share for s in own], weights=[s.area for s in own])
    # what is explained near a border of two paints is a choice between them: a quarter
    assert mean == pytest.approx(np.median(added[inside] / held[inside]), rel=0.25)


def test_joint_picture_spans_the_shapes(split, told):
    joint = told.joint
    assert joint.elements == ["Cu"]
    assert joint.families == {"Cu K": pytest.approx(1.0)}
    own = [s for s in told.shapes if s.outline == "own"]
    assert joint.width >= max(s.width for s in own)
    assert joint.area <= sum(s.area for s in own) + 0.01 * len(own)
    assert joint.significance == max(s.significance for s in own)


def test_what_it_cannot_tell_and_where_the_data_are_stands_beside_it(told):
    assert told.cannot_tell == list(HIDDEN_CAUTIONS)
    assert (told.file, told.photograph, told.unit) == ("hidden.nc", "photo.jpg", "mm")
    assert told.placement_error == 0.3
    assert 0 < told.share_judged <= 1
    assert told.risk == 0.05


def test_nothing_hidden_is_a_finding_too():
    shares = paints((60, 70), 3, size=5)
    split = hidden_design(scan_of(shares, 100, 3), colours(shares, 3), placement_error=0.3)
    told = hidden_finding(split, "front", None)
    assert told.joint is None
    assert not [s for s in told.shapes if s.outline == "own"]
    assert told.cannot_tell


def test_findings_hold_it_and_stay_schema_1(told):
    found = Findings(title="x", period=None, overall="compatible", hidden=[told])
    text = json.loads(found.model_dump_json(by_alias=True))
    assert text["schema"] == 1
    assert text["hidden"][0]["shapes"][0]["element"] == "Cu"
    # files written before know no such field
    del text["hidden"]
    assert Findings.model_validate(text).hidden == []
