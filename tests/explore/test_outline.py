"""Outlines: what a browser or a person may send, and what becomes of it."""

from contextlib import suppress

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from xrfmap.areas.members import polygon_surface
from xrfmap.errors import InputError
from xrfmap.explore.frame import Frame
from xrfmap.explore.outline import corners_text, mask_of, outline, parse_corners

MM = {"units": "mm"}
FRAME = Frame.of(
    xr.Dataset(
        coords={"x": ("x", np.arange(40) * 2.0 + 1, MM), "y": ("y", np.arange(30) * 2.0 + 1, MM)}
    )
)


def test_typed_corners_come_back_as_typed():
    corners = parse_corners("10 12, 22.5 12; (22.5, 19)", FRAME)
    assert corners == ((10, 12), (22.5, 12), (22.5, 19))
    assert parse_corners(corners_text(corners), FRAME) == corners


@given(st.text(max_size=60))
def test_any_text_is_either_an_outline_or_an_error_that_says_what_is_wrong(text):
    with suppress(InputError):  # any other error fails the test
        assert len(parse_corners(text, FRAME)) >= 3


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([0, 1], [0, 1]),
        ([0, 1, 2], [0, 1]),
        ([0, np.nan, 2], [0, 1, 2]),
        ([0, np.inf, 2], [0, 1, 2]),
        ([5, 5, 5, 5], [3, 3, 3, 3]),
        (["a", "b", "c"], [1, 2, 3]),
        ([0.0] * 10_001, [0.0] * 10_001),
    ],
)
def test_what_is_no_outline_is_refused(x, y):
    with pytest.raises(InputError, match="outline"):
        outline(x, y, FRAME)


def test_a_free_hand_circle_keeps_its_surface_with_few_corners():
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    corners = outline(40 + 15 * np.cos(turn), 30 + 15 * np.sin(turn), FRAME)
    assert len(corners) < 60
    # closed form; a third of a pixel (0.67 mm) off a radius of 15 mm is 9 % of the surface
    assert polygon_surface(corners) == pytest.approx(np.pi * 15**2, rel=0.09)


def test_pixels_inside_are_those_whose_centres_are_inside():
    mask = mask_of(((0, 0), (4, 0), (4, 6), (0, 6)), FRAME)
    assert mask.sum() == 6  # centres at 1, 3 mm across and 1, 3, 5 mm down
    assert mask[:3, :2].all()


def test_an_outline_between_the_pixels_is_refused():
    with pytest.raises(InputError, match="no pixel centre"):
        mask_of(((1.2, 1.2), (1.8, 1.2), (1.8, 1.8)), FRAME)
