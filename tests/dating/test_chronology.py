"""Dates over layers: bounds pass up and down, contradictions are told with ways out."""

import tomllib
from textwrap import dedent

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xrfmap.dating.chronology import conclude, date_layers, resolve
from xrfmap.errors import InputError
from xrfmap.findings import AreaFinding
from xrfmap.layer_stack import group_of, stack_of
from xrfmap.settings import Study


def study_of(text: str) -> Study:
    data = tomllib.loads(dedent(text))
    return Study.model_validate({"object": {"title": "Mill by a frozen river"}, **data})


def by_name(study: Study, areas=()):
    return {layer.name: layer for layer in resolve(study, areas)}


FIVE = """
[[layer]]
name = "varnish"
[[layer]]
name = "second picture"
role = "original paint"
[[layer]]
name = "first picture"
role = "earlier paint"
[[layer]]
name = "ground"
[[layer]]
name = "panel"
role = "support"
"""


def test_bounds_pass_up_and_down_the_stack():
    layers = by_name(
        study_of(
            FIVE
            + """
            [[evidence]]
            kind = "tree_rings"
            last_ring_year = 1500
            provenance = "Poland"
            layer = "support"
            [[evidence]]
            kind = "document"
            text = "inventory"
            year = 1600
            layer = "first picture"
            """
        )
    )
    # 1500 + 9 for everything from the panel up; 1600 for everything from that picture down
    assert [layers[n].not_before for n in layers] == [1509] * 5
    assert [layers[n].not_after for n in layers] == [None, None, 1600, 1600, 1600]
    assert "it lies on panel (tree rings, see there)" in layers["ground"].because[0]
    assert "it lies under first picture (document, see there)" in layers["ground"].because[1]
    assert all(layer.contradiction is None for layer in layers.values())


def test_role_words_find_the_layer_they_mean():
    # "support" is the role of the panel, "paint" the uppermost paint
    study = study_of(
        FIVE
        + """
        [[evidence]]
        kind = "tree_rings"
        last_ring_year = 1500
        bark_edge = true
        [[evidence]]
        kind = "document"
        year = 1700
        """
    )
    assert [place.name for place in stack_of(study)] == [
        "varnish", "second picture", "first picture", "ground", "panel",
    ]  # fmt: skip
    layers = by_name(study)
    assert layers["panel"].because[0].startswith("Not before 1500: tree rings")
    assert layers["second picture"].because[1].startswith("Not after 1700: document")


def test_layers_that_nobody_listed_are_put_where_they_belong():
    study = study_of(
        """
        [[area]]
        name = "corner"
        elements = ["Ti"]
        layer = "retouching"
        [[area]]
        name = "sky"
        elements = ["Pb"]
        layer = "original paint"
        [[evidence]]
        kind = "tree_rings"
        last_ring_year = 1500
        """
    )
    assert [place.name for place in stack_of(study)] == ["retouching", "original paint", "support"]


@pytest.mark.parametrize(
    ("role", "group"),
    [
        ("retouching", "retouching"),
        ("old varnish", "varnish"),
        ("overpaint", "overpaint"),
        ("original paint", "paint"),
        ("imprimatura", "ground"),
        ("underdrawing", "underdrawing"),
        ("oak panel", "support"),
        ("lining", "aside"),
        ("label on the back", "aside"),
        ("mystery", "other"),
    ],
)
def test_roles_fall_into_groups(role, group):
    assert group_of(role) == group


def test_a_lining_is_not_part_of_the_order():
    layers = by_name(
        study_of(
            """
            [[layer]]
            name = "picture"
            [[layer]]
            name = "ground"
            [[layer]]
            name = "canvas"
            [[layer]]
            name = "lining"
            not_before = 1880
            """
        )
    )
    assert layers["lining"].not_before == 1880
    assert layers["picture"].not_before is None


def test_materials_of_a_layer_bound_it_and_antiquity_bounds_nothing():
    # Bartoll 2008 (seen): Prussian blue 1704-06
    layers = by_name(
        study_of(
            """
            [[layer]]
            name = "picture"
            material = ["lead white in oil", "Prussian blue", "oak gall"]
            [[layer]]
            name = "ground"
            material = "chalk"
            """
        )
    )
    assert layers["picture"].not_before == 1704
    assert "Prussian blue, stated for this layer" in layers["picture"].because[0]
    assert layers["ground"].not_before is None
    assert layers["ground"].because == ["Nothing in the study bounds this layer"]


def test_areas_bound_their_layer():
    area = AreaFinding(
        name="sky", layer="picture", elements=[], candidates=[], not_before=1777,
        not_before_because="cobalt asks for cobalt blue",
    )  # fmt: skip
    layers = by_name(study_of('[[layer]]\nname = "picture"\n[[layer]]\nname = "ground"\n'), [area])
    assert layers["picture"].not_before == 1777
    assert "cobalt asks for cobalt blue" in layers["picture"].because[0]
    assert layers["ground"].not_before is None


def test_documents_say_what_they_mean():
    text = """
        [[layer]]
        name = "retouching"
        [[layer]]
        name = "picture"
        [[evidence]]
        kind = "document"
        layer = "retouching"
        text = "report on a restoration"
        {years}
        """
    span = by_name(study_of(text.format(years="year_from = 1931\nyear_to = 1933")))
    assert (span["retouching"].not_before, span["retouching"].not_after) == (1931, 1933)
    by = by_name(study_of(text.format(years="year = 1932")))
    assert (by["retouching"].not_before, by["retouching"].not_after) == (None, 1932)
    made = by_name(study_of(text.format(years='year = 1932\nmeans = "made_in"')))
    assert (made["retouching"].not_before, made["retouching"].not_after) == (1932, 1932)
    since = by_name(study_of(text.format(years='year = 1932\nmeans = "not_before"')))
    assert (since["retouching"].not_before, since["retouching"].not_after) == (1932, None)
    assert since["picture"].not_before is None
    none = by_name(study_of(text.format(years="")))
    assert none["retouching"].not_before is None
    assert any("without a year" in text for text in none["retouching"].because)


def test_inscriptions_are_claims_and_never_bounds():
    text = """
        [[layer]]
        name = "picture"
        [[layer]]
        name = "panel"
        role = "support"
        [[evidence]]
        kind = "tree_rings"
        last_ring_year = 1600
        bark_edge = true
        [[evidence]]
        kind = "inscription"
        text = "anno {year}"
        year = {year}
        """
    fits = by_name(study_of(text.format(year=1650)))["picture"]
    assert (fits.not_before, fits.not_after, fits.contradiction) == (1600, None, None)
    assert any("a claim that the bounds allow" in text for text in fits.because)
    early = by_name(study_of(text.format(year=1540)))["picture"]
    assert "says 1540" in early.contradiction
    assert "it lies on panel" in early.contradiction
    assert any("copied with the picture" in way for way in early.ways_out)


def test_a_layer_older_by_its_place_than_its_material_allows_is_told_once():
    chronology = date_layers(
        study_of(
            FIVE
            + """
            [[evidence]]
            kind = "document"
            text = "dated bill"
            year = 1700
            layer = "second picture"
            [[evidence]]
            kind = "other"
            text = "pigment named by X-ray diffraction"
            year = 1809
            means = "not_before"
            layer = "ground"
            """
        )
    )
    layers = {layer.name: layer for layer in chronology.layers}
    clash = layers["ground"].contradiction
    assert "ground is not before 1809" in clash
    assert "yet not after 1700 (it lies under second picture: document: dated bill)" in clash
    assert layers["second picture"].contradiction is None
    assert any("exclude each other; see ground" in t for t in layers["first picture"].because)
    assert len(chronology.open_questions) == 1
    assert "the order of the layers in the cross-section was read wrongly" in layers[
        "ground"
    ].ways_out  # fmt: skip


def test_the_claim_is_tested_and_never_used_as_a_bound():
    text = FIVE + "[period]\nfrom = 1630\nto = 1650\n"
    layers = by_name(study_of(text))
    assert all(layer.not_before is None and layer.not_after is None for layer in layers.values())


def test_a_varnish_or_retouching_younger_than_the_claim_is_normal():
    found = conclude(
        study_of(
            """
            [period]
            from = 1630
            to = 1650
            [[layer]]
            name = "varnish"
            not_before = 1950
            [[layer]]
            name = "retouching"
            material = "titanium white"
            [[layer]]
            name = "picture"
            """
        )
    )
    assert all(layer.contradiction is None for layer in found.layers)
    assert [(f.pigment, f.verdict) for f in found.flags] == [
        ("titanium white (anatase)", "later_layer")
    ]
    assert found.overall == "later_layer"


def test_median_sapwood_is_likely_and_not_a_bound():
    # northern Poland, median 15 (Klein 1998, seen): 1598 + 15 = 1613 lies after the claim
    found = conclude(
        study_of(
            """
            [period]
            from = 1600
            to = 1610
            [[evidence]]
            kind = "tree_rings"
            last_ring_year = 1598
            provenance = "southern Baltic"
            """
        )
    )
    support = found.layers[-1]
    assert support.not_before == 1607
    assert support.contradiction is None
    assert any("about 1613 or later: likely, not a bound" in text for text in support.because)
    assert found.overall == "compatible"


def test_a_lone_young_board_is_named_in_the_flag():
    found = conclude(
        study_of(
            """
            [period]
            from = 1600
            to = 1610
            [[evidence]]
            kind = "tree_rings"
            board = "I"
            last_ring_year = 1560
            provenance = "Poland"
            [[evidence]]
            kind = "tree_rings"
            board = "II"
            last_ring_year = 1700
            provenance = "Poland"
            """
        )
    )
    assert found.overall == "out_of_period"
    assert "Only II is so young" in found.flags[0].reason
    assert any("replaced or added later" in way for way in found.layers[-1].ways_out)


def test_seasoning_counts_only_where_it_is_asked_for():
    text = """
        [[evidence]]
        kind = "tree_rings"
        last_ring_year = 1600
        bark_edge = true
        {more}
        """
    assert by_name(study_of(text.format(more="")))["support"].not_before == 1600
    with_years = by_name(study_of(text.format(more="seasoning_years = 5")))
    assert with_years["support"].not_before == 1605


def test_bad_tree_rings_stop_with_the_board_named():
    study = study_of('[[evidence]]\nkind = "tree_rings"\nboard = "III"\n')
    with pytest.raises(InputError, match="tree rings of III: last_ring_year"):
        resolve(study)


def test_a_study_without_layers_and_evidence_has_no_chronology():
    assert resolve(study_of('[[area]]\nname = "a"\nelements = ["Pb"]\n')) == []


YEARS = st.one_of(st.none(), st.integers(1300, 2000))


@given(st.lists(st.tuples(YEARS, YEARS), min_size=1, max_size=7))
def test_bounds_rise_upwards_and_hold_every_own_bound(bounds):
    # conservation: whatever the bounds, what lies higher is never bounded earlier, and no
    # bound of a layer itself is lost
    entries = [
        {
            "name": f"layer {i}",
            "role": "paint",
            **({"not_before": low} if low is not None else {}),
            **({"not_after": high} if high is not None else {}),
        }
        for i, (low, high) in enumerate(bounds)
    ]
    study = Study.model_validate({"object": {"title": "x"}, "layer": entries})
    layers = resolve(study)
    lows = [layer.not_before if layer.not_before is not None else 0 for layer in layers]
    highs = [layer.not_after if layer.not_after is not None else 9999 for layer in layers]
    assert lows == sorted(lows, reverse=True)
    assert highs == sorted(highs, reverse=True)
    for layer, (low, high) in zip(layers, bounds, strict=True):
        assert low is None or layer.not_before >= low
        assert high is None or layer.not_after <= high
    impossible = any(low > high for low, high in zip(lows, highs, strict=True))
    assert impossible == any(layer.contradiction for layer in layers)
