"""Pictures laid on the grid of a scan."""

import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.report.fields import Grid
from xrfmap.report.overlay import for_screen, lay_on, place

GRID = Grid(0, 80, 0, 60, 30, 40, "mm")


def test_three_points_give_the_affine_map_through_them():
    true = np.array([[2.0, 0.3, 5.0], [-0.2, 1.8, 7.0]])
    places = np.array([[0, 0], [80, 0], [0, 60]])
    pixels = places @ true[:, :2].T + true[:, 2]
    found = place([(*p, *q) for p, q in zip(pixels, places, strict=True)], (200, 150), GRID)
    # closed form: three points fix an affine map; rounding of doubles
    assert found.matrix == pytest.approx(true, abs=1e-10)


def test_two_points_give_a_turn_without_shear():
    # a picture turned by 90 degrees: x of the scan runs down the picture
    found = place([(100, 0, 0, 0), (100, 160, 80, 0)], (100, 160), GRID)
    assert found.matrix == pytest.approx(np.array([[0, -2, 100], [2, 0, 0]]), abs=1e-10)


def test_more_points_than_needed_tell_by_how_much_they_miss():
    points = [(0, 0, 0, 0), (160, 0, 80, 0), (0, 120, 0, 60), (160, 120, 80, 61)]
    words = place(points, (160, 120), GRID).words
    # least squares spreads 1 mm over four corners as a quarter each: rms 0.25 mm
    assert "0.25 mm" in words


@pytest.mark.parametrize(
    "points",
    [[(0, 0, 0, 0)], [(0, 0, 0, 0), (1, 1, 1, 1), (2, 2, 2, 2)], [(0, 0, 5, 5), (9, 9, 5, 5)]],
)
def test_points_that_do_not_tell_are_refused(points):
    with pytest.raises(InputError, match="control_points"):
        place(points, (160, 120), GRID)


def test_without_points_it_is_said_that_nothing_is_aligned():
    assert place(None, (160, 120), GRID).words.startswith("not aligned")


def test_a_picture_comes_back_where_it_lies():
    picture = np.zeros((120, 160, 3), np.uint8)
    picture[60:, :80] = (10, 200, 30)
    half = place([(0, 0, 0, 0), (160, 0, 40, 0), (0, 120, 0, 60)], (160, 120), GRID)
    found = lay_on(picture, half, GRID, longest=80)
    assert found.shape == (60, 80, 4)
    assert (found[:, :40, 3] == 255).all()  # it covers the left half of the scan
    assert (found[:, 41:, 3] == 0).all()
    assert found[45, 10].tolist() == [10, 200, 30, 255]
    assert found[15, 10, :3].tolist() == [0, 0, 0]


def test_deep_grey_is_stretched_and_made_smaller():
    picture = np.linspace(100, 4000, 40 * 60).reshape(40, 60).astype(np.uint16)
    found, scale = for_screen(picture, longest=20)
    assert scale == pytest.approx(1 / 3)
    assert found.shape == (13, 20, 3)
    assert (found.min(), found.max()) == (0, 255)
