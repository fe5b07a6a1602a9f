"""Cautions that hold for many places are said once, and name them all."""

from __future__ import annotations

import json

from xrfmap.cautions import Cautions, by_place, listed, put_together
from xrfmap.fit.full_channels import FullFacts, amounts_together, full_together
from xrfmap.pigments import assess
from xrfmap.settings import Area
from xrfmap.spectra.residuals import LineResidual, residual_words, residuals_together
from xrfmap.study import stages, stages_depth, stages_fit

TOP = 255.0


def test_places_with_the_same_words_share_a_caution_in_the_order_of_the_first():
    told = Cautions()
    told.about("p01", "no live time")
    told.add("Elements are not compounds.")
    told.about("p02", "no live time")
    told.about("p02", "no live time")
    told.about("p03", "no tube voltage")
    told.add("Elements are not compounds.")
    assert told.sentences() == [
        "p01 and p02: no live time", "Elements are not compounds.", "p03: no tube voltage",
    ]  # fmt: skip


def test_names_are_listed_and_numbered_areas_joined():
    assert listed(["sky"]) == "sky"
    many = [f"area {k}" for k in range(1, 2001)]
    assert listed(many[:13]).endswith("area 12 and area 13")
    assert listed(many).endswith("area 11, area 12 and 1988 others")
    names = ["sky", "automatic area 1", "automatic area 3", "sledge"]
    assert listed(names) == "sky, automatic areas 1 and 3 and sledge"
    names = ["automatic area 2 of left", "automatic area 2 of right", "automatic area 4 of left"]
    assert listed(names) == "automatic areas 2 and 4 of left and automatic area 2 of right"


def test_what_is_told_of_places_names_those_that_share_it_once():
    marks = {name: {"Fe K": 0.1 * number} for number, name in enumerate("abcdefg", 1)}
    marks["b"]["Ca K"] = marks["g"]["Ca K"] = 0.6
    for name in "acdefg":
        marks[name]["Pb L"] = marks[name]["Pb M"] = 0.5

    def words(family, low, high):
        return f"{family} {low:.1f}-{high:.1f}"

    assert by_place(marks, words) == (
        "Fe K 0.1-0.7 in all of them; Pb L 0.5-0.5 and Pb M 0.5-0.5 in all but b; "
        "Ca K 0.6-0.6 in b and g"
    )


def test_twelve_areas_with_full_channels_give_one_caution_that_names_areas_and_elements():
    told = Cautions()
    names = [f"area {letter}" for letter in "abcdefghijkl"]
    for number, name in enumerate(names):
        less = {"Fe K": 0.20 + 0.01 * number} | ({"Ca K": 0.6} if number < 2 else {})
        none = ["Pb L"] if name == "area c" else []
        told.gather(full_together, name, FullFacts(3, 6.3, 6.5, None, less, none))
    (words,) = told.sentences()
    assert all(words.count(name) >= 1 for name in names)
    assert "Fe K (20 to 31 %) in all of them" in words
    assert "Ca K (60 %) in area a and area b" in words
    assert "no net counts, for Pb L in area c;" in words
    assert words.count("less current") == words.count("pile-up") == 1
    assert len(words) < 700  # one area alone takes about 350


def test_a_single_place_keeps_its_words_with_the_energies():
    facts = FullFacts(3, 6.3, 6.5, TOP, {"Fe K": 0.2}, [])
    words = full_together([("sky", facts)])
    assert words.startswith("sky: 3 channels from 6.30 to 6.50 keV ran full at 255 counts")
    assert amounts_together([("sky", facts)]) == f"amounts of {words}"
    many = amounts_together([("sky", facts), ("ice", facts)])
    assert many.startswith("amounts: channels that ran full are left out of the fits of sky and")
    assert FullFacts(**json.loads(json.dumps(vars(facts)))) == facts  # as a kept stage holds it


def test_spectra_whose_fits_miss_lines_are_told_together():
    iron = LineResidual("Fe Kα", 6.40, 2e5, 0.041)
    lead = LineResidual("Pb Lα", 10.55, 3e5, -0.032)
    text = {"p01": [iron, lead], "p02": [iron], "p03": [LineResidual("Fe Kα", 6.40, 2e5, 0.05)]}
    told = [(name, json.dumps([vars(one) for one in bad])) for name, bad in text.items()]
    assert residuals_together(told[:1]) == f"p01: {residual_words([iron, lead])}"
    words = residuals_together(told)
    assert "p01, p02 and p03: the fits" in words
    assert "Fe Kα at 6.40 keV (+4.1 to +5.0 %) in all of them" in words
    assert "Pb Lα at 10.55 keV (−3.2 %) in p01" in words
    assert words.count("less sure than elsewhere") == 1


def test_texts_that_say_the_same_of_areas_are_put_together():
    texts = ["a: no rule explains it", "a: b: no rule explains it", "No period.", "c: other"]
    assert put_together(texts, ["a", "a: b", "c"]) == (
        "a and a: b: no rule explains it", "No period.", "c: other",
    )  # fmt: skip


def test_a_question_on_many_areas_is_asked_once():
    areas = [Area(name=name, elements=["Pb", "Zn"]) for name in ("sky", "ice", "sledge")]
    questions = assess(areas, (1630, 1650), ()).open_questions
    (asked,) = [words for words in questions if "amounts were not stated" in words]
    assert asked.startswith("sky, ice and sledge: ")


def test_areas_that_leave_their_scans_lines_above_elements_and_stated_scales_are_told_once():
    assert stages_fit._outside_words([("ice", (50, "left"))]) == (
        "50 % of the area ice lies outside the scan left and was not measured"
    )
    several = [("ice", (50, "left")), ("sky", (20, "left")), ("mill", (7, "right"))]
    assert stages_fit._outside_words(several).endswith(
        ": outside the scan left 50 % of ice, 20 % of sky; outside the scan right 7 % of mill"
    )
    lines = [("left", ("Cu", "Cu Kα in 3 blocks")), ("left", ("Pb", "Pb Lα in 1 block"))]
    assert stages_depth._full_lines(lines).endswith(
        ": left, Cu (Cu Kα in 3 blocks), Pb (Pb Lα in 1 block)"
    )
    scales = [("p01", "no peak"), ("p02", "no peak"), ("p03", "one peak")]
    assert "(p01 and p02: no peak; p03: one peak)" in stages._stated_scales(scales)
    assert stages._stated_scales(scales[:2]).startswith("p01 and p02: ")
    assert "(no peak)" in stages._stated_scales(scales[:2])
