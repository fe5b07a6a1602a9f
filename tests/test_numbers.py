"""Numbers as people read them."""

from __future__ import annotations

import ast
import re
from itertools import pairwise
from pathlib import Path

import pytest

import xrfmap
from xrfmap.errors import InputError
from xrfmap.io.stored import check_size
from xrfmap.numbers import signed, whole

PACKAGE = Path(xrfmap.__file__).parent


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


COUNTED = re.compile(
    r" (single |net |more |different )?(pixels|bytes|counts|channels|numbers|MB)\b"
)
GROUPED = ("whole", "number", "figure", "with_error", "signed")
SMALL = {  # words, what is grouped already, and numbers below five figures by what they are
    ("areas/two_areas.py", "'their' if len(part) > 1 else 'its'"),
    ("cli/plan.py", "MOST"),
    ("cli/text.py", "size / 1000000.0"),
    ("explore/subject.py", "made"),
    ("explore/subject.py", "wanted"),
    ("explore/spectrum_panel.py", "curves.TOGETHER"),
    ("fit/full_channels.py", "their"),
    ("fit/pixels.py", "design.edges[-1]"),
    ("report/charts.py", "step"),
    ("report/cover.py", "side"),
    ("maps/stitch.py", "o.family"),
}


def bare_numbers(path: Path) -> set[tuple[str, str]]:
    """What stands in an f-string before pixels, bytes and the like without having been grouped."""
    found = set()
    strings = [n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.JoinedStr)]
    for first, then in (pair for string in strings for pair in pairwise(string.values)):
        if not isinstance(first, ast.FormattedValue) or not isinstance(then, ast.Constant):
            continue
        made = first.value.func if isinstance(first.value, ast.Call) else None
        name = getattr(made, "id", getattr(made, "attr", ""))
        if COUNTED.match(then.value) and name not in GROUPED:
            found.add((path.relative_to(PACKAGE).as_posix(), ast.unparse(first.value)))
    return found


def test_numbers_before_what_they_count_are_grouped():
    bare = set().union(*(bare_numbers(path) for path in PACKAGE.rglob("*.py")))
    assert bare == SMALL


def test_errors_group_large_numbers():
    with pytest.raises(InputError) as told:
        check_size((20_000, 30_000, 70_000), "front.h5", "counts")
    assert "20\u202f000 x 30\u202f000 pixels of 70\u202f000 channels" in told.value.found
