"""Numbers as people read them."""

from __future__ import annotations

import pytest

from xrfmap.numbers import signed, whole


@pytest.mark.parametrize(
    ("value", "places", "told"),
    [
        (-0.04, 1, "+0.0"),
        (-0.06, 1, "−0.1"),
        (12345.6, 0, "+12\u202f346"),
        (-1e4, 0, "−10\u202f000"),
    ],
)
def test_a_sign_goes_with_what_is_left_after_rounding(value, places, told):
    assert signed(value, places) == told


def test_there_is_no_minus_before_nought():
    assert [whole(v) for v in (-0.3, -0.0, 0.3, -0.7)] == ["0", "0", "0", "−1"]
