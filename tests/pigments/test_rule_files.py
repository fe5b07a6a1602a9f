"""The rule base: complete, consistent, sourced; bad rule files are told field by field."""

import re
from pathlib import Path

import pytest

from xrfmap.errors import InputError
from xrfmap.physics.atomic import families
from xrfmap.pigments import check_rules, list_rules, load_rules, match_pigments, show_rule
from xrfmap.pigments.dates import period_verdict
from xrfmap.pigments.rule_files import RULES_FOLDER
from xrfmap.pigments.show import expected_ratios

RULES = load_rules()
MATERIALS = list(RULES.materials.items())

GOOD = """
[material.test_yellow]
name = "test yellow"
colours = ["yellow"]
formula = "PbCrO4"
needs = [{ element = "Cr", lines = ["Cr K"] }]
earliest = { year = 1809, sources = ["S8c"] }
confirm = ["raman"]
sources = ["S8c"]
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_base_holds_more_than_ninety_materials_of_every_kind():
    assert len(MATERIALS) >= 90
    kinds = {material.kind for _, material in MATERIALS}
    assert kinds == {"pigment", "filler", "additive", "metal", "alteration"}
    invisible = [m.name for _, m in MATERIALS if m.visibility == "none"]
    assert {"indigo", "carbon black", "natural ultramarine"} <= set(invisible)
    colours = {colour for _, m in MATERIALS for colour in m.colours}
    assert {"white", "black", "red", "yellow", "blue", "green", "violet", "gold"} <= colours


@pytest.mark.parametrize(("key", "material"), MATERIALS, ids=[k for k, _ in MATERIALS])
def test_every_material_is_whole(key, material):
    assert material.sources
    assert material.earliest.sources
    for need in material.needs:
        own = {f"{need.element} {family}" for family in families(need.element)}
        assert set(need.lines) <= own
    if material.common is not None:
        assert material.earliest.low <= material.common.low
    if material.decline is not None and material.common is not None:
        assert material.common.low <= material.decline.high
    assert key not in RULES.look_alikes(key)
    for other in RULES.look_alikes(key):
        if other in material.look_alikes:
            assert key in RULES.look_alikes(other)


def test_names_mean_one_material_each():
    names = [material.name.lower() for _, material in MATERIALS]
    assert len(names) == len(set(names))


def test_sources_say_how_far_they_were_read():
    by_word = {entry.checked for entry in RULES.sources.values()}
    assert by_word == {"seen", "from memory", "common practice"}
    told = RULES.references(["S8c", "M6", "S8c"])
    assert [source.checked for source in told] == ["seen", "from memory"]


def test_look_alikes_are_computed_from_the_elements():
    # chrome yellow over anything and viridian over lead white: the same elements
    names = {RULES.materials[k].name for k in RULES.look_alikes("chrome_yellow")}
    assert {"viridian", "chromium oxide green", "chrome orange or chrome red"} <= names
    copper = {RULES.materials[k].name for k in RULES.look_alikes("azurite")}
    assert {"malachite", "verdigris", "phthalocyanine blue", "blue verditer"} <= copper


def test_expected_ratios_come_from_formula_weights():
    # Pb2SnO4: 2 x 207.2 / 118.71; PbSn0.76Si0.24O3: 207.2 / (0.76 x 118.71) (closed form)
    one = expected_ratios(RULES.materials["lead_tin_yellow_1"])
    two = expected_ratios(RULES.materials["lead_tin_yellow_2"])
    assert one["Pb:Sn"] == pytest.approx(2 * 207.2 / 118.71, rel=1e-3)
    assert two["Pb:Sn"] == pytest.approx(207.2 / (0.76 * 118.71), rel=1e-3)
    assert expected_ratios(RULES.materials["zinc_white"]) == {}


def test_names_are_found_whatever_their_spelling():
    assert RULES.find("Prussian Blue") == "prussian_blue"
    assert RULES.find("lead-tin yellow") == "lead_tin_yellow_1"
    assert RULES.find("PB15") == "phthalocyanine_blue"
    assert RULES.named_in("lead white in oil") == "lead_white"
    assert RULES.named_in("oak") is None


def test_an_unknown_name_is_answered_with_the_nearest():
    with pytest.raises(InputError, match=r"did you mean .*vermilion"):
        show_rule("vermillion")


def test_a_shown_rule_tells_dates_elements_and_sources():
    text = show_rule("smalt")
    for part in ("Co K-alpha lies on Fe K-beta", "1400 to 1560", "Ni up to 1", "(seen)", "[S14]"):
        assert part in text
    text = show_rule("lithopone")
    assert "Ba:Zn = 2.05 by mass" in text


def test_the_list_has_a_row_per_material():
    rows = list_rules()
    assert len(rows) == len(MATERIALS)
    assert {"key", "name", "elements", "earliest"} <= set(rows[0])
    assert next(r for r in rows if r["key"] == "indigo")["elements"] == "not visible"


def test_a_users_rule_is_added(tmp_path):
    rules = load_rules(write(tmp_path, GOOD))
    assert rules.materials["test_yellow"].name == "test yellow"
    assert rules.files["test_yellow"] == "mine.toml"
    assert "test_yellow" not in load_rules().materials
    assert "chrome_yellow" in rules.look_alikes("test_yellow")


def test_a_users_rule_overrides_field_by_field(tmp_path):
    text = """
[source.OWN]
text = "Report of our laboratory, 2020"
checked = "seen"
[material.zinc_white]
earliest = { year = 1600, sources = ["OWN"] }
common = { year = 1620, sources = ["OWN"] }
"""
    rules = load_rules(write(tmp_path, text))
    zinc = rules.materials["zinc_white"]
    assert (zinc.earliest.year, zinc.needed, zinc.formula) == (1600, ("Zn",), "ZnO")
    assert period_verdict(zinc, (1630, 1650)) == "compatible"
    amounts = {"Zn": 40, "Pb": 60}
    assert match_pigments(amounts, (1630, 1650)).overall == "out_of_period"
    assert match_pigments(amounts, (1630, 1650), rules=rules).overall == "compatible"


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("confirm", "confrim", ["material.test_yellow", "confrim", "did you mean confirm"]),
        ('year = 1809', 'year = "1809"', ["earliest.year", '"1809"', "valid integer"]),
        ('year = 1809', "year = 1809, low = 1820", ["earliest", "low <= year <= high"]),
        ('element = "Cr", lines', 'element = "Cx", lines', ["needs[1].element", "H to U"]),
        ('["Cr K"]', '["Cr X"]', ["needs[1].lines", "a line family such as"]),
        ('["Cr K"]', '["Fe K"]', ["needs[1]", "Fe K is another element's"]),
        ('["Cr K"]', '["Cr M"]', ["needs[1].lines", '"Cr M"', "Cr K"]),
        ('["raman"]', '["ramen"]', ["confirm[1]", '"ramen"', "'raman'"]),
        ('["yellow"]', '["yelow"]', ["colours[1]", "'yellow'"]),
        ('sources = ["S8c"] }', 'sources = ["S8cc"] }', ["earliest.sources", "did you mean S8c"]),
        ('formula = "PbCrO4"\n', "", ["formula", "nothing", "add it"]),
        ("needs = ", 'visibility = "none"\nneeds = ', ["needs, or visibility"]),
        (
            'sources = ["S8c"] }',
            'sources = ["S8c"] }\ncommon = { year = 1700, sources = ["S8c"] }',
            ["common use not before the first report"],
        ),
        (
            '{ element = "Cr", lines = ["Cr K"] }',
            '{ element = "Cr", lines = ["Cr K"] }, { element = "Zn", lines = ["Zn K"] }',
            ["Zn is not in PbCrO4", "fixed_ratio = false"],
        ),
        ("[material.test_yellow]", "[materials.test_yellow]", ["did you mean material"]),
        ("[material.test_yellow]", '[material."test yellow"]', ["letters, digits and _"]),
        ('name = "test yellow"', 'name = "test yellow"\nlook_alikes = ["chrom_yellow"]',
         ["look_alikes", "did you mean chrome_yellow"]),
        ('year = 1809', "year = nan", ["earliest.year"]),
    ],
)  # fmt: skip
def test_a_bad_field_is_told_with_file_rule_and_remedy(tmp_path, old, new, parts):
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new))
    problems = check_rules(path)
    assert problems
    text = str(problems[0])
    assert text.startswith(str(path))
    for part in parts:
        assert part in text, text
    with pytest.raises(InputError):
        load_rules(path)


def test_every_problem_of_a_file_is_listed(tmp_path):
    text = GOOD.replace('"S8c"] }', '"S0"] }') + GOOD.replace("test_yellow", "other").replace(
        "PbCrO4", "Pb(CrO4"
    ).replace("needs = [", 'needs = [{ element = "Pb", lines = ["Pb L"] }, ')
    problems = [str(p) for p in check_rules(write(tmp_path, text))]
    assert len(problems) == 2
    assert any("material.other" in p and "not closed" in p for p in problems)
    assert any("material.test_yellow" in p and "S0" in p for p in problems)


def test_a_rule_file_that_is_missing_or_no_toml_is_told(tmp_path):
    assert "no such file" in str(check_rules(tmp_path / "none.toml")[0])
    assert "not TOML" in str(check_rules(write(tmp_path, "[material"))[0])
    assert check_rules(write(tmp_path, GOOD)) == []


def test_a_good_innocent_source_silences_a_case(tmp_path):
    text = """
[innocent.chromium_here]
element = "Cr"
beside = ["Pb"]
up_to = 0.2
how_often = "often"
why = "our lead holds chromium"
sources = ["CP"]
"""
    rules = load_rules(write(tmp_path, text))
    assert match_pigments({"Pb", "Cr"}, (1630, 1650)).overall == "out_of_period"
    assert match_pigments({"Pb", "Cr"}, (1630, 1650), rules=rules).overall == "compatible"
    bad = text.replace('beside = ["Pb"]\n', "")
    assert "measured against its first element" in str(check_rules(write(tmp_path, bad))[0])


def test_the_rules_printed_in_the_page_for_curators_are_good(tmp_path):
    page = Path(RULES_FOLDER).parents[1] / "docs" / "pigments-and-dates.md"
    code = re.search(r"```toml\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    path = write(tmp_path, code[1])
    assert check_rules(path) == []
    assert load_rules(path).materials["zinc_white"].earliest.low == 1780
