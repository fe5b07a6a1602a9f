"""Elements of one area against a period: what must be flagged, and what must not.

The rows are judgements of common practice on typed-in element lists; the dates behind them
are checked one by one in ``test_dates.py``, with their sources.
"""

from dataclasses import replace

import pytest

from xrfmap.errors import InputError
from xrfmap.pigments import AreaEvidence, assess, match_pigments
from xrfmap.pigments.evidence import ElementEvidence, LineEvidence

P1640 = (1630, 1650)


def flags(result):
    return {(flag.pigment, flag.verdict) for flag in result.flags}


@pytest.mark.parametrize(
    ("elements", "period", "pigment", "verdict"),
    [
        # one sound anachronism each
        (["Pb", "Co"], P1640, "cobalt blue", "out_of_period"),
        (["Pb", "Cd"], P1640, "cadmium yellow", "out_of_period"),
        (["Pb", "Cd", "Se"], P1640, "cadmium red", "out_of_period"),
        (["Pb", "Cr"], P1640, "chrome yellow", "out_of_period"),
        (["Pb", "Cr", "Fe"], P1640, "chrome yellow", "out_of_period"),
        (["Pb", "Ti"], P1640, "titanium white (anatase)", "out_of_period"),
        (["Ti", "Zn"], P1640, "titanium white (anatase)", "out_of_period"),
        (["Zn", "Ba"], P1640, "lithopone", "out_of_period"),
        (["Co", "Sn", "Pb"], P1640, "cobalt blue", "out_of_period"),
        (["Bi", "V"], (1900, 1910), "bismuth vanadate yellow", "out_of_period"),
        (["Mo", "Cr", "Pb"], (1900, 1910), "molybdate orange or red", "out_of_period"),
        (["Cd", "Se", "Pb"], (1870, 1880), "cadmium red", "out_of_period"),
        (["Y", "In", "Mn"], (1990, 2000), "YInMn blue", "out_of_period"),
        # between first reports and common use
        (["Pb", "Cr"], (1805, 1812), "chrome yellow", "borderline"),
        (["Pb", "Co"], (1800, 1810), "cobalt blue", "borderline"),
        (["Pb", "Sb"], P1640, "Naples yellow", "borderline"),
        (["Co", "Ni", "Pb"], (1510, 1520), "smalt", "borderline"),
        (["Ti", "Pb"], (1900, 1905), "titanium white (anatase)", "borderline"),
        (["Cd", "Pb"], (1830, 1838), "cadmium yellow", "borderline"),
        # shared with a material of the period
        (["Pb", "Zn"], P1640, "zinc white", "cannot_tell"),
    ],
)
def test_these_elements_raise_a_flag(elements, period, pigment, verdict):
    result = match_pigments(elements, period)
    assert (pigment, verdict) in flags(result)
    assert result.overall == verdict


@pytest.mark.parametrize(
    ("elements", "period"),
    [
        # common practice, no source: a northern panel of the early 16th century
        (["Pb", "Sn", "Cu", "Hg", "Fe"], (1510, 1520)),
        (["Pb", "Sn"], P1640),
        # smalt with what its ores and its glass bring (Spring 2017, seen; Getty 1995, seen)
        (["Pb", "Co", "Ni", "As", "Bi", "Fe", "K"], P1640),
        (["Pb", "Co", "Ni"], P1640),
        (["Pb", "Co", "K"], P1640),
        (["Co", "Ni", "Cu", "Zn", "Mn", "Ca", "Sr", "K"], P1640),
        # companions of copper ores (Gettens & Stout 1942, pp. 95-96, seen)
        (["Pb", "Cu", "As"], P1640),
        (["Cu", "Zn", "Ba", "Sb", "Bi", "Fe", "Ca"], (1480, 1500)),
        # earths (Hradil 2020, seen): titanium, potassium, manganese; barium with umber
        (["Fe", "Ti", "K", "Ca", "Mn", "Pb"], P1640),
        (["Fe", "Mn", "Ba", "Pb"], P1640),
        (["Pb", "Fe", "Ti"], (1250, 1260)),
        # brass leaf, gilding on bole, silver in lead, tin leaf
        (["Cu", "Zn", "Sn"], (1480, 1500)),
        (["Au", "Ag", "Cu", "Fe", "Ti"], (1350, 1360)),
        (["Pb", "Ag"], (1500, 1520)),
        (["Sn"], (1400, 1450)),
        # lead-tin-antimony yellow (Roy & Berrie, seen)
        (["Pb", "Sn", "Sb"], P1640),
        # powdered glass in a red lake (Studies in Conservation 2023, seen)
        (["Mn", "K", "Ca", "Pb"], (1520, 1540)),
        # bismuth powder (Spring, Grout & White 2003, seen)
        (["Bi", "Pb"], (1510, 1530)),
        # what came with the 19th and 20th centuries, in its own time
        (["Pb", "Cr"], (1830, 1850)),
        (["Co", "Pb"], (1840, 1860)),
        (["Cd", "Zn"], (1880, 1900)),
        (["Cu", "As"], (1830, 1850)),
        (["Ti", "Zn", "Ba"], (1950, 1960)),
        (["Zn", "Ba"], (1900, 1910)),
        # decline is no reason for a flag
        (["Pb", "Sn"], (1840, 1850)),
        (["Cu", "Ca"], (1900, 1910)),
    ],
)
def test_these_elements_raise_none(elements, period):
    result = match_pigments(elements, period)
    assert flags(result) == set()
    assert result.overall == "compatible"
    assert result.areas[0].unexplained == []


@pytest.mark.parametrize(
    ("amounts", "verdict"),
    [
        # amount decides; limits are orders of magnitude, so the cases lie well apart
        ({"Ti": 0.3, "Fe": 20, "Pb": 60}, "compatible"),  # earth
        ({"Ti": 30, "Fe": 2, "Pb": 10}, "out_of_period"),  # titanium white with some ochre
        ({"Zn": 1, "Cu": 50, "Pb": 30}, "compatible"),  # zinc of the copper ore
        ({"Zn": 40, "Cu": 5, "Pb": 40}, "out_of_period"),  # zinc white beside a little copper
        ({"Zn": 0.8, "Pb": 60}, "compatible"),  # white vitriol as a drier
        ({"Zn": 30, "Pb": 60}, "out_of_period"),
        ({"Ba": 1, "Cu": 50}, "compatible"),  # gangue of azurite
        ({"Ba": 60, "Cu": 10, "Pb": 10}, "out_of_period"),  # barytes
        ({"Ba": 0.4, "Fe": 20, "Mn": 6}, "compatible"),  # umber
        ({"As": 1, "Cu": 50, "Pb": 20}, "compatible"),  # arsenic of the copper ore
        ({"As": 40, "Cu": 25, "Pb": 20}, "cannot_tell"),  # emerald green, or two of the period
        ({"Cr": 0.05, "Fe": 30, "Pb": 30}, "compatible"),  # trace in an ochre
        ({"Cr": 8, "Fe": 3, "Pb": 60}, "out_of_period"),
        ({"Sb": 0.2, "Pb": 80}, "compatible"),  # impurity of lead
        ({"Sb": 20, "Pb": 60}, "borderline"),  # Naples yellow
        ({"Co": 0.02, "Fe": 20, "Mn": 8}, "compatible"),  # trace in umber
        ({"Co": 10, "Pb": 50}, "out_of_period"),
        ({"Cd": 0.1, "Zn": 30, "Pb": 10}, "out_of_period"),  # zinc white; its cadmium is no case
        ({"Ag": 0.3, "Pb": 90}, "compatible"),
        ({"Mn": 0.2, "Pb": 60, "Ca": 20}, "compatible"),
        ({"Ni": 0.05, "Pb": 60}, "compatible"),  # instrument
        ({"Sn": 0.3, "Hg": 40, "Pb": 30}, "compatible"),
    ],
)
def test_amount_decides(amounts, verdict):
    result = match_pigments(amounts, P1640)
    assert result.overall == verdict, flags(result)


def test_cadmium_of_zinc_white_is_not_called_cadmium_yellow():
    result = match_pigments({"Cd": 0.1, "Zn": 30, "Pb": 10}, P1640)
    assert flags(result) == {("zinc white", "out_of_period")}


def test_a_declared_retouching_turns_the_flag_into_a_later_layer():
    elements = ["Ti", "Zn"]
    for layer in ("retouching", "overpaint", "varnish", "infill of a loss", "label"):
        result = match_pigments(elements, P1640, layer=layer)
        assert flags(result) == {("titanium white (anatase)", "later_layer")}, layer
        assert "later intervention" in result.flags[0].reason
    for layer in (None, "original paint", "ground", "picture layer"):
        assert match_pigments(elements, P1640, layer=layer).overall == "out_of_period", layer


def test_a_borderline_material_in_a_later_layer_has_no_weight():
    result = match_pigments(["Pb", "Sb"], P1640, layer="retouching")
    assert result.overall == "compatible"
    assert any("no weight" in remark for remark in result.remarks)


def test_each_flag_says_why_from_whom_and_what_next():
    flag = match_pigments(["Pb", "Cr"], P1640, colour="yellow").flags[0]
    assert "Chromium (Cr) is stated by the report" in flag.reason
    assert "1797 to 1809" in flag.reason
    assert "The stated period ends in 1650" in flag.reason
    assert "No layer was stated" in flag.reason
    assert {source.checked for source in flag.sources} <= {"seen", "from memory"}
    assert flag.sources
    assert "Raman" in flag.next_check
    assert "cross-section" in flag.next_check
    assert "owner" in flag.next_check
    assert "lead and chromium are toxic" in flag.next_check


def test_cobalt_blue_is_told_from_smalt_and_the_reason_says_what_is_missing():
    flag = match_pigments(["Pb", "Co"], P1640).flags[0]
    assert "smalt falls short" in flag.reason.lower()
    assert "Ni, As, Bi" in flag.reason


def test_colour_without_a_visible_pigment_cannot_be_told():
    blue = match_pigments(["Pb", "Ca"], P1640, colour="blue")
    assert blue.overall == "cannot_tell"
    assert blue.flags[0].pigment == "synthetic ultramarine"
    assert "indigo" in blue.flags[0].reason
    assert "natural ultramarine" in blue.flags[0].reason


@pytest.mark.parametrize(
    ("cobalt", "rival", "told"),
    # told from iron K-beta, or not: then its counts may be those of iron however many they are
    [(371.0, None, True), (150.0, None, False), (3000.0, "Fe K", False)],
)
def test_a_hint_of_cobalt_in_a_blue_area_is_told_where_no_blue_was_matched(cobalt, rival, told):
    lines = {
        "Pb": LineEvidence("Pb L", 9.6e5, 2e3, 9.7e5, detected=True),
        "Fe": LineEvidence("Fe K", 5200.0, 190.0, 5600.0, detected=True),
        "Co": LineEvidence("Co K", cobalt, 103.0, cobalt + 170.0),
    }
    elements = {e: ElementEvidence(e, (x,), detected=x.detected) for e, x in lines.items()}
    elements["Co"] = replace(elements["Co"], competitor=rival)
    area = AreaEvidence("sky", elements, colour="pale grey-blue")
    (flag,) = assess([area], P1640).flags
    assert (flag.pigment, flag.verdict) == ("Prussian blue", "cannot_tell")
    assert ("hint of cobalt (Co), 3.6 standard errors" in flag.reason) == told
    assert ("a little smalt would do, too, unless it is chance" in flag.reason) == told


def test_iron_in_a_blue_area_is_no_prussian_blue_and_no_silence_either():
    result = match_pigments(["Pb", "Fe"], P1640, colour="blue")
    assert flags(result) == {("Prussian blue", "cannot_tell")}
    assert match_pigments(["Pb", "Fe"], P1640, colour="brown").flags == ()
    assert match_pigments(["Pb", "Fe"], P1640).flags == ()


@pytest.mark.parametrize(
    ("elements", "colour", "period"),
    [
        (["Cu", "Pb"], "blue", P1640),  # azurite is visible
        (["Co", "Ni", "Pb"], "pale blue", P1640),  # smalt is visible
        (["Cu", "Cl", "Pb"], "green", P1640),
        (["Fe", "Pb"], "red", P1640),
        (["Hg", "Pb"], "red", P1640),
        (["Pb", "Ca"], "white", P1640),
        (["Ca"], "black", P1640),
        (["Pb", "Ca"], "blue", (1960, 1970)),  # nothing is left that would decide
    ],
)
def test_colours_with_an_explanation_call_for_nothing(elements, colour, period):
    assert match_pigments(elements, period, colour=colour).overall == "compatible"


def test_a_copper_area_is_not_called_phthalocyanine():
    result = match_pigments(["Cu", "Pb"], P1640, colour="green")
    assert result.flags == ()
    names = {alike for c in result.areas[0].candidates for alike in c.look_alikes}
    assert "phthalocyanine green" in names


def test_candidates_tell_support_against_and_look_alikes():
    area = match_pigments(["Pb", "Co", "Ni", "As"], P1640).areas[0]
    smalt = next(c for c in area.candidates if c.pigment == "smalt")
    assert any("Ni, As beside Co" in text for text in smalt.support)
    assert "cobalt blue" in smalt.look_alikes
    assert smalt.sources
    realgar = match_pigments({"As": 60, "Co": 2, "Ni": 0.5}, P1640).areas[0]
    against = [t for c in realgar.candidates if c.pigment == "orpiment" for t in c.against]
    assert any("smalt" in text for text in against)


def test_sets_put_the_fewest_assumptions_first():
    area = match_pigments({"Zn": 33, "Ba": 68}, (1880, 1900)).areas[0]
    assert area.sets[0] == ["lithopone"]
    assert ["barytes", "zinc white"] in [sorted(names) for names in area.sets]
    # Zn:Ba of lithopone is about a half by mass; ten times more zinc asks for zinc white too
    area = match_pigments({"Zn": 90, "Ba": 10}, (1880, 1900)).areas[0]
    assert ["lithopone"] not in area.sets
    assert all("zinc white" in names for names in area.sets[:1])


def test_an_excess_of_lead_over_lead_tin_yellow_needs_another_lead_pigment():
    # Pb2SnO4 has Pb:Sn = 3.49 by mass; 100 is far beyond any factor of two
    assert match_pigments({"Pb": 35, "Sn": 10}, P1640).areas[0].sets[0] == [
        "lead-tin yellow, type I"
    ]
    first = match_pigments({"Pb": 1000, "Sn": 30}, P1640).areas[0].sets[0]
    assert sorted(first) == ["lead white", "lead-tin yellow, type I"]


@pytest.mark.parametrize(
    ("elements", "period", "first", "last"),
    [
        (["Pb"], (1630, 1650), "Lead (Pb) was stated.",
         "Nothing here contradicts the stated period (1630 to 1650)."),
        (["Pb", "Sn"], (1640, 1640), "Lead (Pb) and tin (Sn) were stated.",
         "Nothing here contradicts the stated period (1640)."),
    ],
)  # fmt: skip
def test_summary_of_an_area_is_in_whole_sentences(elements, period, first, last):
    summary = match_pigments(elements, period).areas[0].summary
    assert summary.startswith(first)
    assert summary.endswith(last)


def test_what_no_rule_explains_is_asked_about():
    result = match_pigments(["Pb", "I"], P1640)
    assert result.areas[0].unexplained == ["I"]
    assert any("iodine" in question for question in result.open_questions)
    assert "Not explained by any rule: iodine (I)" in result.areas[0].summary


def test_missing_amounts_are_asked_for_where_they_would_decide():
    result = match_pigments(["Pb", "Zn"], P1640)
    assert any("amounts were not stated" in question for question in result.open_questions)


def test_without_a_period_nothing_is_compared():
    result = match_pigments(["Pb", "Cr"])
    assert result.flags == ()
    assert result.overall == "cannot_tell"
    assert any("No period was stated" in q for q in result.open_questions)


def test_a_declined_pigment_is_remarked_on():
    result = match_pigments(["Pb", "Sn"], (1840, 1850))
    assert any("lead-tin yellow" in r and "remark only" in r for r in result.remarks)


def test_asian_smalt_may_show_cobalt_with_manganese_only():
    # from memory, no source: Asian cobalt ores are often rich in manganese
    elements = ["Co", "Mn", "Pb"]
    assert match_pigments(elements, (1700, 1750)).overall == "out_of_period"
    assert match_pigments(elements, (1700, 1750), region="India").overall == "compatible"


def test_no_sentence_calls_anything_genuine_or_false():
    words = ("authentic", "fake", "forger", "genuine", "fraud")
    for elements in (["Pb", "Sn"], ["Ti", "Zn"], ["Pb", "Zn"], ["Pb", "Sb"]):
        for layer in (None, "retouching"):
            result = match_pigments(elements, P1640, layer=layer)
            text = repr(result).lower()
            assert not any(word in text for word in words)


@pytest.mark.parametrize(
    ("elements", "period", "message"),
    [
        (["Pb", "Xx"], P1640, 'found "Xx"; expected element symbols from H to U'),
        (["pb"], P1640, "did you mean Pb"),
        ({"Pb": -1.0}, P1640, "a relative mass of 0 or more"),
        ({"Pb": float("nan")}, P1640, "a relative mass of 0 or more"),
        (["Pb"], (1650, 1630), "found 1650 to 1630"),
    ],
)
def test_bad_questions_are_refused(elements, period, message):
    with pytest.raises(InputError, match=message):
        match_pigments(elements, period)
