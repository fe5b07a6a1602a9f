"""Whole studies, both ways: areas, layers, tree rings, documents against a stated period.

The objects are made up. What each case rests on stands beside it: a published source with
how far it was read, or "common practice, no source". Dates of materials are checked one by
one in ``test_dates.py``.
"""

from studies import concluded, flagged, layer_of

LAYERS = """
[[layer]]
name = "varnish"
[[layer]]
name = "retouching"
[[layer]]
name = "old varnish"
[[layer]]
name = "picture layer"
role = "original paint"
[[layer]]
name = "ground"
material = "chalk in glue"
[[layer]]
name = "support"
material = "oak"
"""


def test_northern_panel_of_the_early_sixteenth_century_is_compatible():
    # common practice, no source: lead, tin, copper, mercury and iron in 1510-1520;
    # Klein 1998 (seen) after Wazny 1990: northern Polish oak, fewest sapwood rings 9
    found = concluded(
        """
        [period]
        from = 1510
        to = 1520
        [[area]]
        name = "all colours"
        elements = ["Pb", "Sn", "Cu", "Hg", "Fe", "Ca"]
        [[evidence]]
        kind = "tree_rings"
        last_ring_year = 1470
        provenance = "Baltic"
        """
    )
    assert found.overall == "compatible"
    assert found.flags == ()
    assert layer_of(found, "support").not_before == 1479


def test_modern_repair_in_an_old_picture_is_a_later_layer():
    # Pigments through the Ages (seen): titanium white as artists' colour 1921
    found = concluded(
        LAYERS
        + """
        [period]
        from = 1630
        to = 1650
        [[area]]
        name = "sledge"
        elements = ["Pb", "Hg", "Sn"]
        layer = "picture layer"
        [[area]]
        name = "lower left corner"
        elements = ["Ti", "Zn"]
        layer = "retouching"
        """
    )
    assert found.overall == "later_layer"
    assert flagged(found) == {("titanium white (anatase)", "lower left corner", "later_layer")}
    assert layer_of(found, "retouching").not_before == 1890
    assert layer_of(found, "picture layer").contradiction is None


def test_the_same_repair_undeclared_is_out_of_period():
    found = concluded(
        LAYERS
        + """
        [period]
        from = 1630
        to = 1650
        [[area]]
        name = "lower left corner"
        elements = ["Ti", "Zn"]
        layer = "picture layer"
        """
    )
    assert found.overall == "out_of_period"
    picture = layer_of(found, "picture layer")
    assert picture.not_before == 1890
    assert "after the stated period 1630 to 1650" in picture.contradiction
    assert any("retouching or filling" in way for way in picture.ways_out)
    # the support below is not drawn into it
    assert layer_of(found, "support").contradiction is None


def test_sky_of_1650_in_cobalt_blue_is_out_of_period():
    # encyclopaedia copies (seen): Thénard 1802; colour name 1777
    found = concluded(
        """
        [period]
        from = 1645
        to = 1655
        [[area]]
        name = "sky"
        elements = ["Pb", "Co"]
        colour = "blue"
        layer = "original paint"
        [[area]]
        name = "bank"
        elements = ["Fe", "Mn", "Pb", "Ti"]
        colour = "brown"
        layer = "original paint"
        [[area]]
        name = "coat"
        elements = ["Hg", "Pb"]
        colour = "red"
        layer = "original paint"
        """
    )
    assert flagged(found) == {("cobalt blue", "sky", "out_of_period")}
    assert "Co shows in this area only, of 3" in found.flags[0].reason


def test_sky_of_1650_in_smalt_is_compatible():
    # Spring 2017 (seen), Getty 1995 (seen): cobalt with nickel, arsenic, bismuth, potassium
    found = concluded(
        """
        [period]
        from = 1645
        to = 1655
        [[area]]
        name = "sky"
        elements = ["Pb", "Co", "Ni", "As", "Bi", "K", "Fe"]
        colour = "blue"
        layer = "original paint"
        """
    )
    assert found.overall == "compatible"
    assert {"lead white", "smalt"} <= set(found.areas[0].sets[0])


def test_earths_with_a_little_titanium_are_not_flagged():
    # Hradil 2020 (seen): clays of grounds and earths hold titanium
    found = concluded(
        """
        [period]
        from = 1620
        to = 1630
        [[area]]
        name = "ground at the edge"
        elements = ["Ca", "Fe", "Ti", "K", "Mn", "Pb"]
        amounts = { Ca = 30, Fe = 12, Ti = 0.4, K = 2, Mn = 0.3, Pb = 20 }
        layer = "ground"
        [[area]]
        name = "bank"
        elements = ["Fe", "Ti", "Mn", "Ca"]
        layer = "original paint"
        """
    )
    assert found.overall == "compatible"


def test_azurite_with_arsenic_is_no_emerald_green():
    # Gettens & Stout 1942, pp. 95-96 (seen): companions of azurite
    found = concluded(
        """
        [period]
        from = 1480
        to = 1500
        [[area]]
        name = "mantle"
        elements = ["Cu", "As", "Zn", "Ba", "Fe", "Pb"]
        colour = "blue"
        layer = "original paint"
        """
    )
    assert found.overall == "compatible"


def test_strong_copper_and_arsenic_in_a_green_of_1650_cannot_be_told():
    # common practice, no source: verdigris with orpiment has the same elements
    found = concluded(
        """
        [period]
        from = 1645
        to = 1655
        [[area]]
        name = "leaves"
        elements = ["Cu", "As", "Pb"]
        amounts = { Cu = 25, As = 42, Pb = 15 }
        colour = "green"
        layer = "original paint"
        """
    )
    assert flagged(found) == {("emerald green", "leaves", "cannot_tell")}
    assert "orpiment" in found.flags[0].reason
    assert "Raman" in found.flags[0].next_check


def test_lithopone_in_1850_and_in_1900():
    # naturalpigments.com (seen): patent 1874; Gettens & Stout (from memory): precursors 1847
    text = """
        [period]
        from = {start}
        to = {end}
        [[area]]
        name = "cloud"
        elements = ["Zn", "Ba"]
        amounts = {{ Zn = 20, Ba = 41 }}
        colour = "white"
        layer = "original paint"
        """
    early = concluded(text.format(start=1835, end=1845))
    assert flagged(early) == {("lithopone", "cloud", "cannot_tell")}
    assert "zinc white" in early.flags[0].reason
    assert "barytes" in early.flags[0].reason
    late = concluded(text.format(start=1895, end=1905))
    assert late.overall == "compatible"


def test_impressionist_palette_is_compatible_in_its_time_and_not_a_century_before():
    # Pigments through the Ages, eclecticlight.co, CAMEO (seen): chrome, cobalt, cadmium,
    # emerald green, zinc white were all on sale by 1860
    text = """
        [period]
        from = {start}
        to = {end}
        [[area]]
        name = "field"
        elements = ["Pb", "Cr", "Zn"]
        colour = "yellow"
        [[area]]
        name = "water"
        elements = ["Co", "Pb", "Zn"]
        colour = "blue"
        [[area]]
        name = "trees"
        elements = ["Cu", "As", "Pb"]
        colour = "green"
        [[area]]
        name = "sun"
        elements = ["Cd", "Zn", "Pb"]
        colour = "yellow"
        """
    assert concluded(text.format(start=1870, end=1890)).overall == "compatible"
    early = concluded(text.format(start=1760, end=1775))
    assert early.overall == "out_of_period"
    found = flagged(early)
    assert ("cobalt blue", "water", "out_of_period") in found
    assert ("cadmium yellow", "sun", "out_of_period") in found
    assert any(area == "field" and v == "out_of_period" for _, area, v in found)
    assert not any(area == "trees" for _, area, _ in found)  # azurite with arsenic would do


def test_panel_younger_than_the_claim_is_out_of_period():
    # Klein 1998 (seen): a tree-ring date contradicts only where it is later than the claim
    found = concluded(
        """
        [period]
        from = 1500
        to = 1510
        [[area]]
        name = "sky"
        elements = ["Pb", "Cu"]
        layer = "original paint"
        [[evidence]]
        kind = "tree_rings"
        last_ring_year = 1560
        provenance = "Poland"
        layer = "support"
        """
    )
    assert found.overall == "out_of_period"
    flag = found.flags[0]
    assert (flag.pigment, flag.layer) == ("wood of the panel", "support")
    support = layer_of(found, "support")
    assert support.not_before == 1569
    assert any("transferred" in way for way in support.ways_out)
    # the paint on it inherits the bound without a second contradiction
    paint = layer_of(found, "original paint")
    assert paint.not_before == 1569
    assert paint.contradiction is None


def test_old_reused_panel_under_a_younger_picture_is_normal():
    # dendro4art.org (seen): reused boards make the rings a minimum only
    found = concluded(
        """
        [period]
        from = 1640
        to = 1650
        [[area]]
        name = "sky"
        elements = ["Pb", "Co", "Ni"]
        layer = "original paint"
        [[evidence]]
        kind = "tree_rings"
        last_ring_year = 1480
        provenance = "Poland"
        """
    )
    assert found.overall == "compatible"
    assert any("reused boards are normal" in remark for remark in found.remarks)
    assert all(layer.contradiction is None for layer in found.layers)


def test_later_picture_over_an_older_one_is_normal():
    found = concluded(
        """
        [period]
        from = 1850
        to = 1860
        [[area]]
        name = "landscape"
        elements = ["Pb", "Cr", "Co"]
        layer = "second picture"
        [[layer]]
        name = "second picture"
        role = "original paint"
        [[layer]]
        name = "old varnish"
        [[layer]]
        name = "first picture"
        role = "earlier paint"
        not_after = 1700
        [[layer]]
        name = "ground"
        """
    )
    assert found.overall == "compatible"
    assert layer_of(found, "second picture").not_before == 1797
    assert layer_of(found, "first picture").not_after == 1700
    assert layer_of(found, "ground").not_after == 1700
    assert all(layer.contradiction is None for layer in found.layers)


def test_layer_under_a_documented_picture_cannot_hold_a_younger_material():
    # Bartoll 2008 (seen): Prussian blue 1704-06
    found = concluded(
        """
        [period]
        from = 1670
        to = 1680
        [[layer]]
        name = "upper paint"
        role = "original paint"
        [[layer]]
        name = "lower paint"
        role = "original paint"
        material = ["Prussian blue", "lead white"]
        [[evidence]]
        kind = "document"
        text = "bill of the joiner for the frame, describing the scene"
        year = 1681
        layer = "upper paint"
        """
    )
    assert ("Prussian blue", "layer lower paint", "out_of_period") in flagged(found)
    lower = layer_of(found, "lower paint")
    assert (lower.not_before, lower.not_after) == (1704, 1681)
    assert "not before 1704" in lower.contradiction
    assert "it lies under upper paint" in lower.contradiction
    assert any("order of the layers" in way for way in lower.ways_out)
    assert any("document means another object" in way for way in lower.ways_out)
    assert layer_of(found, "upper paint").contradiction is None


def test_inscription_younger_than_the_layer_allows_is_a_later_addition():
    # common practice, no source: inscriptions over varnish
    found = concluded(
        """
        [period]
        from = 1630
        to = 1650
        [[area]]
        name = "signature"
        elements = ["Fe", "Pb"]
        layer = "original paint"
        [[evidence]]
        kind = "document"
        year = 1660
        text = "inventory"
        [[evidence]]
        kind = "inscription"
        year = 1702
        text = "1702"
        """
    )
    paint = layer_of(found, "original paint")
    assert "says 1702" in paint.contradiction
    assert any("over the varnish" in way for way in paint.ways_out)
    assert found.overall == "compatible"  # the paint itself is not touched by it


def test_zinc_drier_and_brass_of_the_fifteenth_century_are_not_zinc_white():
    # Spring 2017 (seen): white vitriol in red lakes and blacks of the 15th century
    found = concluded(
        """
        [period]
        from = 1470
        to = 1490
        [[area]]
        name = "red mantle"
        elements = ["Zn", "K", "Pb", "Ca"]
        amounts = { Zn = 0.6, K = 3, Pb = 20, Ca = 8 }
        colour = "red"
        layer = "original paint"
        [[area]]
        name = "gilded edge"
        elements = ["Cu", "Zn"]
        amounts = { Cu = 70, Zn = 25 }
        colour = "gold"
        layer = "original paint"
        """
    )
    assert found.overall == "compatible"


def test_blue_without_a_visible_pigment_stays_open():
    # Pigments through the Ages (seen): natural and synthetic ultramarine share all elements
    found = concluded(
        """
        [period]
        from = 1660
        to = 1670
        [[area]]
        name = "turban"
        elements = ["Pb", "Ca", "K"]
        colour = "blue"
        layer = "original paint"
        [[area]]
        name = "collar"
        elements = ["Pb", "Ca"]
        colour = "white"
        layer = "original paint"
        """
    )
    assert flagged(found) == {("synthetic ultramarine", "turban", "cannot_tell")}


def test_naples_yellow_before_its_time_of_use_is_borderline():
    # encyclopaedia after Wainwright, Taylor & Harley (seen): easel painting 1600-30
    found = concluded(
        """
        [period]
        from = 1610
        to = 1620
        [[area]]
        name = "hat"
        elements = ["Pb", "Sb"]
        amounts = { Pb = 60, Sb = 20 }
        colour = "yellow"
        layer = "original paint"
        """
    )
    assert flagged(found) == {("Naples yellow", "hat", "borderline")}


def test_titanium_in_every_area_points_to_the_ground_or_the_instrument():
    # common practice, no source: place decides beside amount
    found = concluded(
        """
        [period]
        from = 1630
        to = 1650
        [[area]]
        name = "sky"
        elements = ["Pb", "Ti"]
        [[area]]
        name = "coat"
        elements = ["Hg", "Ti"]
        [[area]]
        name = "leaves"
        elements = ["Cu", "Ti"]
        """
    )
    assert found.overall == "out_of_period"
    assert all("shows in all 3 areas" in flag.reason for flag in found.flags)


def test_titanium_in_every_white_and_nowhere_else_is_a_pigment():
    found = concluded(
        """
        [period]
        from = 1630
        to = 1650
        [[area]]
        name = "cloud"
        elements = ["Pb", "Ti"]
        colour = "white"
        [[area]]
        name = "collar"
        elements = ["Pb", "Ti"]
        colour = "white"
        [[area]]
        name = "coat"
        elements = ["Hg", "Pb"]
        colour = "red"
        [[area]]
        name = "leaves"
        elements = ["Cu", "Pb"]
        colour = "green"
        """
    )
    assert all("all the white areas and no others" in flag.reason for flag in found.flags)


def test_overpaint_over_a_varnish_is_told_even_where_no_role_was_given():
    found = concluded(
        """
        [period]
        from = 1630
        to = 1650
        [[area]]
        name = "sky"
        elements = ["Pb", "Cr"]
        layer = "upper sky"
        [[layer]]
        name = "upper sky"
        [[layer]]
        name = "varnish"
        [[layer]]
        name = "picture layer"
        """
    )
    assert found.overall == "out_of_period"  # nobody declared it a later layer
    assert "lies over varnish" in found.flags[0].reason
    assert any("Lies over varnish" in text for text in layer_of(found, "upper sky").because)


def test_the_words_on_the_place_count_where_no_layer_was_given():
    text = """
        [period]
        from = 1630
        to = 1650
        [[area]]
        name = "spot"
        elements = ["Ti", "Zn"]
        where = "{where}"
        """
    assert concluded(text.format(where="over a loss at the edge")).overall == "later_layer"
    assert concluded(text.format(where="away from losses")).overall == "out_of_period"
    assert concluded(text.format(where="in the middle of the sky")).overall == "out_of_period"


def test_the_order_of_areas_does_not_change_the_verdicts():
    areas = [
        '[[area]]\nname = "a"\nelements = ["Ti", "Zn"]\nlayer = "retouching"\n',
        '[[area]]\nname = "b"\nelements = ["Pb", "Cr"]\nlayer = "original paint"\n',
        '[[area]]\nname = "c"\nelements = ["Pb", "Sn"]\nlayer = "original paint"\n',
    ]
    period = "[period]\nfrom = 1630\nto = 1650\n"
    one = concluded(period + "".join(areas))
    two = concluded(period + "".join(reversed(areas)))
    assert flagged(one) == flagged(two)
    assert one.overall == two.overall == "out_of_period"
    assert one.flags[0].verdict == "out_of_period"  # the most serious first
