"""Areas saved into a study file."""

import tomllib
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xrfmap.errors import InputError
from xrfmap.explore.studyfile import add_area, area_block, take_back, toml_string
from xrfmap.settings import Area
from xrfmap.study.study_file import load_study

SQUARE = [(10.0, 12.0), (22.0, 12.0), (22.0, 19.5)]
TEXT = """# A study with remarks
[object]
title = "Mill"   # kept

[[scan]]
file = "front.h5"

[[area]]
name = "sky"
polygon_mm = [[0, 0], [9, 0], [9, 9]]
layer = "picture layer"

[[layer]]  # from the cross-section
name = "picture layer"
"""


@pytest.fixture
def study(tmp_path):
    path = tmp_path / "mill.toml"
    path.write_text(TEXT, encoding="utf-8", newline="")
    return path


@given(st.text())
def test_any_text_comes_back_from_toml_as_it_was(text):
    # tomllib of the standard library reads what we write
    assert tomllib.loads(f"a = {toml_string(text)}")["a"] == text


def test_half_a_surrogate_pair_becomes_the_replacement_character():
    text = toml_string("x\ud800y")
    assert tomllib.loads(f"a = {text}")["a"] == "x\ufffdy"


def test_the_new_area_stands_after_the_text_which_is_as_it_was(study):
    area = Area(name='edge "left" \\ 2\n[[scan]]', polygon_mm=SQUARE, layer="retouching", note="ü")
    saved = add_area(study, area)
    now = study.read_text(encoding="utf-8")
    assert now.startswith(TEXT)
    found = load_study(study)
    assert found == saved.study
    assert [a.name for a in found.area] == ["sky", area.name]
    assert found.area[1] == area
    assert len(found.scan) == 1


def test_the_old_file_is_kept_beside_it_and_is_no_study_to_a_pattern(study):
    saved = add_area(study, Area(name="b", polygon_mm=SQUARE), datetime(2026, 1, 2, 3, 4, 5))
    assert saved.backup.name == "mill.toml.20260102-030405.bak"
    assert saved.backup.read_text(encoding="utf-8") == TEXT
    again = add_area(study, Area(name="c", polygon_mm=SQUARE), datetime(2026, 1, 2, 3, 4, 5))
    assert again.backup != saved.backup
    assert sorted(p.name for p in study.parent.glob("*.toml")) == ["mill.toml"]


@pytest.mark.parametrize(
    ("area", "word"),
    [
        (Area(name="sky", polygon_mm=SQUARE), "second time"),
        (Area(name="x", polygon_mm=SQUARE, layer="no such layer"), "no such layer"),
        (Area(name="x", polygon_mm=SQUARE, scan="back"), "back"),
    ],
)
def test_what_the_study_would_refuse_is_not_saved(study, area, word):
    with pytest.raises(InputError, match=word) as caught:
        add_area(study, area)
    assert caught.value.where == str(study)
    assert study.read_text(encoding="utf-8") == TEXT
    assert [p.name for p in study.parent.iterdir()] == ["mill.toml"]


def test_a_list_written_in_one_line_cannot_be_added_to_and_says_so(study):
    text = TEXT.split("[[area]]")[0].replace(
        "[object]", 'area = [{name = "a", elements = ["Pb"]}]\n[object]', 1
    )
    study.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="not TOML"):
        add_area(study, Area(name="b", polygon_mm=SQUARE))
    assert study.read_text(encoding="utf-8") == text


@pytest.mark.parametrize("before", [TEXT.rstrip("\n"), TEXT.replace("\n", "\r\n"), "\ufeff" + TEXT])
def test_line_ends_and_marks_of_the_file_stay(study, before):
    study.write_bytes(before.encode("utf-8"))
    add_area(study, Area(name="b", polygon_mm=SQUARE))
    after = study.read_bytes()
    assert after.startswith(before.encode("utf-8"))
    if "\r\n" in before:
        assert after.count(b"\n") == after.count(b"\r\n")
    assert len(load_study(study).area) == 2


def test_taking_back_gives_the_very_bytes(study):
    saved = add_area(study, Area(name="b", polygon_mm=SQUARE))
    assert len(take_back(saved).area) == 1
    assert study.read_bytes() == TEXT.encode("utf-8")


def test_changes_by_others_are_not_lost_by_taking_back(study):
    saved = add_area(study, Area(name="b", polygon_mm=SQUARE))
    study.write_text(study.read_text(encoding="utf-8") + "\n# later remark\n", encoding="utf-8")
    with pytest.raises(InputError, match="changes made after"):
        take_back(saved)
    assert "later remark" in study.read_text(encoding="utf-8")


def test_a_link_to_the_study_stays_a_link_and_rights_stay(study, tmp_path):
    study.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(study)
    add_area(link, Area(name="b", polygon_mm=SQUARE))
    assert link.is_symlink()
    assert study.stat().st_mode & 0o777 == 0o640
    assert len(load_study(study).area) == 2


def test_numbers_are_written_without_noise():
    block = area_block(Area(name="a", polygon_mm=[(0.1 + 0.2, 1e-9), (12.0, 3.25), (-4.0, 5.0)]))
    assert "[[0.3, 0], [12, 3.25], [-4, 5]]" in block
    assert tomllib.loads(block)["area"][0]["polygon_mm"] == [[0.3, 0], [12, 3.25], [-4, 5]]
