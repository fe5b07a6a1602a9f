"""Areas from files, and what layer and place words mean."""

import pytest

from xrfmap.errors import InputError
from xrfmap.pigments import areas_from_toml, assess, load_rules, match_area, match_pigments
from xrfmap.pigments.alarms import colours_in
from xrfmap.pigments.roles import role_of, standing, standing_of_place
from xrfmap.settings import LayerEntry

AREAS = """
[[area]]
name = "sky"
elements = ["Pb", "Co"]
colour = "blue"
layer = "original paint"
[[area]]
name = "corner"
elements = ["Ti", "Zn"]
amounts = { Ti = 10, Zn = 5 }
layer = "retouching"
"""


def test_areas_come_from_a_file_of_their_own(tmp_path):
    path = tmp_path / "areas.toml"
    path.write_text(AREAS, encoding="utf-8")
    areas = areas_from_toml(path)
    assert [area.name for area in areas] == ["sky", "corner"]
    assert areas[1].elements["Ti"].amount == 10
    found = assess(areas, (1630, 1650))
    assert [(f.area, f.verdict) for f in found.flags] == [
        ("sky", "out_of_period"),
        ("corner", "later_layer"),
    ]


def test_a_slip_in_the_file_is_told(tmp_path):
    path = tmp_path / "areas.toml"
    path.write_text(AREAS.replace('"Co"', '"Cq"'), encoding="utf-8")
    with pytest.raises(InputError, match=r"area\[1\] \(sky\).*Cq"):
        areas_from_toml(path)


def test_one_area_and_the_short_door_say_the_same(tmp_path):
    path = tmp_path / "areas.toml"
    path.write_text(AREAS, encoding="utf-8")
    _, flags = match_area(areas_from_toml(path)[0], load_rules(), (1630, 1650))
    short = match_pigments(["Pb", "Co"], (1630, 1650), colour="blue", layer="original paint").flags
    assert [(f.pigment, f.verdict, f.elements) for f in flags] == [
        (f.pigment, f.verdict, f.elements) for f in short
    ]


def test_an_element_of_amount_zero_is_not_there():
    assert match_pigments({"Pb": 10, "Cr": 0}, (1630, 1650)).overall == "compatible"


@pytest.mark.parametrize(
    ("role", "word"),
    [
        ("retouching", "later"),
        ("Overpaint of about 1900", "later"),
        ("old varnish", "later"),
        ("filling", "later"),
        ("lining", "later"),
        ("later addition", "later"),
        ("original paint", "original"),
        ("original varnish", "original"),
        ("picture layer", "original"),
        ("ground", "original"),
        ("support", "original"),
        ("earlier paint", "original"),
        ("something", "unassigned"),
        (None, "unassigned"),
    ],
)
def test_roles_stand_for_original_or_later(role, word):
    assert standing(role) == word


@pytest.mark.parametrize(
    ("where", "later"),
    [
        ("over a loss", True),
        ("at the edge, above the varnish", True),
        ("retouched corner", True),
        ("away from any losses and retouching", False),
        ("under the varnish", False),
        ("not in a loss", False),
        ("in the middle of the sky", False),
        (None, False),
    ],
)
def test_place_words_count_where_the_area_is(where, later):
    assert standing_of_place(where) is later


def test_a_layer_entry_gives_its_role_and_else_its_name():
    layers = [LayerEntry(name="top", role="retouching"), LayerEntry(name="ground")]
    assert role_of("top", layers) == "retouching"
    assert role_of("ground", layers) == "ground"
    assert role_of("varnish", layers) == "varnish"
    assert role_of(None, layers) is None


@pytest.mark.parametrize(
    ("words", "colours"),
    [
        ("pale grey-blue", {"grey", "blue"}),
        ("flesh", {"pink"}),
        ("Greenland shark", set()),
        ("ochre", {"yellow"}),
        ("", set()),
        (None, set()),
    ],
)
def test_colours_are_read_from_free_words(words, colours):
    assert colours_in(words) == colours
