"""The study file: what is accepted, and how a slip is told."""

from pathlib import Path

import pytest

from xrfmap.errors import InputError
from xrfmap.settings import ELEMENT_SYMBOLS, Study, read_areas
from xrfmap.study.study_file import load_study

HEAD = '[object]\ntitle = "Mill by a frozen river"\n'

FULL = (
    HEAD
    + """
support = "oak panel"
[period]
from = 1630
to = 1650
[instrument]
anode = "Rh"
tube_kv = 50
[[scan]]
file = "front.h5"
pixel_mm = [0.5, 0.5]
[[point]]
file = "p01.msa"
area = "sledge"
[[area]]
name = "sledge"
polygon_mm = [[10, 12], [22, 12], [22, 19]]
layer = "picture layer"
[[area]]
name = "lower left corner"
elements = ["Ti", "Zn"]
amounts = { Ti = 3, Zn = 0.5 }
layer = "retouching"
[[layer]]
name = "picture layer"
[[evidence]]
kind = "tree_rings"
last_ring_year = 1598
sapwood_rings = 0
provenance = "southern Baltic"
layer = "support"
"""
)


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "mill.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refused(folder: Path, text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        load_study(write(folder, text))
    return caught.value


def test_the_study_file_of_the_manual_is_read(tmp_path):
    study = load_study(write(tmp_path, FULL))
    assert study.object.title == "Mill by a frozen river"
    assert study.period is not None
    assert (study.period.start, study.period.end) == (1630, 1650)
    assert study.scan[0].pixel_mm == (0.5, 0.5)
    assert study.area[0].polygon_mm == [(10, 12), (22, 12), (22, 19)]
    assert study.area[1].amounts == {"Ti": 3, "Zn": 0.5}
    assert study.evidence[0].last_ring_year == 1598


def test_a_study_with_only_typed_in_areas_is_valid(tmp_path):
    study = load_study(write(tmp_path, HEAD + '[[area]]\nname = "a"\nelements = ["Pb"]\n'))
    assert study.scan == []
    assert study.area[0].elements == ["Pb"]


def test_a_byte_order_mark_is_no_obstacle(tmp_path):
    assert (
        load_study(write(tmp_path, b"\xef\xbb\xbf" + FULL.encode())).object.support == "oak panel"
    )


def test_settings_are_frozen(tmp_path):
    study = load_study(write(tmp_path, FULL))
    with pytest.raises(ValueError, match="frozen"):
        study.object.title = "other"


def test_there_are_92_elements_from_hydrogen_to_uranium():
    # Periodic table (IUPAC): spot checks of atomic number = position.
    assert len(ELEMENT_SYMBOLS) == 92
    for number, symbol in [(1, "H"), (22, "Ti"), (26, "Fe"), (50, "Sn"), (80, "Hg"), (82, "Pb")]:
        assert ELEMENT_SYMBOLS[number - 1] == symbol


@pytest.mark.parametrize(
    ("addition", "field", "found", "remedy"),
    [
        ("[perod]\nfrom = 1\n", "perod", "unknown key perod", "did you mean period?"),
        ("[period]\nform = 1\nto = 2\n", "period.form", "unknown key form", "did you mean from?"),
        (
            '[[area]]\nname = "sky"\nelemnts = ["Pb"]\n',
            "area[1] (sky).elemnts",
            "unknown key elemnts",
            "did you mean elements?",
        ),
        (
            "[instrument.detector]\nthicknes_mm = 1\n",
            "instrument.detector.thicknes_mm",
            "unknown key thicknes_mm",
            "did you mean thickness_mm?",
        ),
        ("[zzqqxx]\n", "zzqqxx", "unknown key zzqqxx", "remove it"),
        ("period = 3\n", "object.period", "unknown key period", "[period] or [[period]]"),
        ("[period]\nfrom = 1650\nto = 1630\n", "period", "1650", "swap them"),
        ('[period]\nfrom = "1630"\nto = 1650\n', "period.from", '"1630"', "correct"),
        ("[period]\nfrom = 1630-01-01\nto = 1650\n", "period.from", "1630-01-01", "correct"),
        ("[period]\nfrom = 1630.5\nto = 1650\n", "period.from", "1630.5", "correct"),
        ("[instrument]\ntube_kv = nan\n", "instrument.tube_kv", "nan", "correct"),
        ("[instrument]\ntube_kv = -5\n", "instrument.tube_kv", "-5", "correct"),
        ('[instrument]\nanode = "rh"\n', "instrument.anode", '"rh"', "did you mean Rh?"),
        ('[instrument]\natmosphere = "he"\n', "instrument.atmosphere", '"he"', "correct"),
        ("[[scan]]\n", "scan[1].file", "nothing", "add it"),
        ('[[scan]]\nfile = "a.h5"\npixel_mm = [1]\n', "scan[1].pixel_mm", "too few", "add"),
        (
            '[[area]]\nname = "a"\npolygon_mm = [[1, 2], [3, 4]]\n[[scan]]\nfile = "a.h5"\n',
            "area[1] (a).polygon_mm",
            "[[1, 2], [3, 4]]",
            "correct",
        ),
        ('[[area]]\nname = "a"\n', "area[1] (a)", "none of polygon_mm, mask", "type its elements"),
        (
            '[[area]]\nname = "a"\npolygon_mm = [[1, 2], [3, 4], [5, 7]]\n',
            "area[1] (a)",
            "no [[scan]]",
            "add the scan",
        ),
        (
            '[[area]]\nname = "a"\nelements = ["Pb"]\nlayer = "retuching"\n',
            "area[1] (a).layer",
            '"retuching"',
            "did you mean retouching?",
        ),
        (
            '[[area]]\nname = "a"\nelements = ["Pb"]\namounts = { Sn = 1 }\n',
            "area[1] (a).amounts",
            "Sn",
            "add Sn to elements",
        ),
        (
            '[[area]]\nname = "a"\nelements = ["Pb"]\n[[area]]\nname = "a"\nelements = ["Sn"]\n',
            "area[2].name",
            '"a" for the second time',
            "rename",
        ),
        (
            '[[point]]\nfile = "x/p.msa"\n[[point]]\nfile = "y/p.msa"\n',
            "point[2].name",
            '"p" for the second time',
            "rename",
        ),
        (
            '[[area]]\nname = "sledge"\nelements = ["Pb"]\n'
            '[[point]]\nfile = "p.msa"\narea = "slege"\n',
            "point[1].area",
            '"slege"',
            "did you mean sledge?",
        ),
        (
            '[[scan]]\nfile = "a.h5"\n[[scan]]\nfile = "b.h5"\n'
            '[[area]]\nname = "a"\npolygon_mm = [[1, 2], [3, 4], [5, 7]]\n',
            "area[1] (a).scan",
            "several scans",
            "on which scan",
        ),
        (
            '[[evidence]]\nkind = "document"\nyear_from = 1700\nyear_to = 1600\n',
            "evidence[1]",
            "1700",
            "correct",
        ),
        ("", "", "neither [[scan]] nor [[point]] nor [[area]]", "add a scan"),
    ],
)
def test_a_slip_is_told_with_its_place_and_a_remedy(tmp_path, addition, field, found, remedy):
    error = refused(tmp_path, HEAD + addition)
    assert error.where == str(tmp_path / "mill.toml")
    assert error.field == field
    assert found in error.found
    assert remedy in error.remedy
    assert error.expected


@pytest.mark.parametrize(
    "name", ["/etc/hostname", "../other.h5", "a/../../b.h5", "C:\\scan.h5", "\\\\host\\x", "~/a.h5"]
)
def test_a_file_outside_the_folder_of_the_study_is_refused(tmp_path, name):
    error = refused(tmp_path, HEAD + f"[[scan]]\nfile = '{name}'\n")
    assert error.field == "scan[1].file"
    assert "below the folder of the study file" in error.expected


def test_all_problems_of_a_file_are_named_at_once(tmp_path):
    error = refused(tmp_path, HEAD + '[period]\nfrom = "x"\nto = "y"\n[[scan]]\nfile = 3\n')
    assert error.field == "period.from"
    assert "also wrong: period.to, scan[1].file" in error.remedy


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load_study(tmp_path / "none.toml")


def test_a_folder_is_told(tmp_path):
    with pytest.raises(InputError, match="a folder"):
        load_study(tmp_path)


def test_text_that_is_not_toml_is_told_with_its_line(tmp_path):
    error = refused(tmp_path, "[object]\ntitle = Mill\n")
    assert "not TOML" in error.found
    assert "line 2" in error.found


def test_bytes_that_are_not_utf8_are_told_with_their_line(tmp_path):
    error = refused(tmp_path, b'[object]\ntitle = "M\xfchle"\n')
    assert error.field == "line 2"
    assert "0xfc" in error.found


def test_a_huge_file_is_refused_before_it_is_read(tmp_path):
    error = refused(tmp_path, b"#" * 4_000_001)
    assert "more than 4\u202f000\u202f000 bytes" in error.found


def test_deep_nesting_is_refused(tmp_path):
    error = refused(tmp_path, HEAD + "x = " + "[" * 100_000 + "]" * 100_000)
    assert "nested" in error.found


def test_areas_are_read_from_a_file_of_areas_and_from_a_study(tmp_path):
    only = write(tmp_path, '[[area]]\nname = "a"\nelements = ["Pb"]\n')
    assert [area.name for area in read_areas(only)] == ["a"]
    assert [area.name for area in read_areas(write(tmp_path, FULL))] == [
        "sledge",
        "lower left corner",
    ]
    with pytest.raises(InputError, match="did you mean area"):
        read_areas(write(tmp_path, '[[aera]]\nname = "a"\n'))


def test_every_default_can_be_written_down_and_read_again():
    study = Study.model_validate({"object": {"title": "x"}})
    assert Study.model_validate_json(study.model_dump_json(by_alias=True)) == study
