"""Where an element that lies in a few places is said to be."""

import numpy as np

from xrfmap.maps.local_elements import largest_patch


def test_place_is_in_the_largest_patch_and_not_between_two():
    mask = np.zeros((40, 60), bool)
    mask[5:15, 4:14:2] = True  # columns of a chessboard do not touch: five patches of ten
    mask[20:32, 40:52] = np.indices((12, 12)).sum(axis=0) % 2 == 0  # corners touch: one of 72
    (row, column), share = largest_patch(mask)
    assert mask[row, column]
    assert 24 <= row <= 27
    assert 44 <= column <= 47
    assert share == 72 / (72 + 50)


def test_a_ring_has_its_place_on_itself():
    y, x = np.indices((31, 31)) - 15
    ring = np.abs(np.hypot(y, x) - 10) < 1.5
    (row, column), share = largest_patch(ring)
    assert ring[row, column]
    assert share == 1.0
