"""Felling dates of oak against published worked examples and statistics."""

from itertools import pairwise

import pytest

from xrfmap.dating.sapwood import SAPWOOD, sapwood_for
from xrfmap.dating.tree_rings import combine, felling
from xrfmap.errors import InputError
from xrfmap.settings import Evidence
from xrfmap.study.study_file import load_study


def board(**fields) -> Evidence:
    return Evidence(kind="tree_rings", **fields)


def test_heartwood_only_gives_the_earliest_felling_and_no_latest():
    # common practice, no source: youngest ring 1470 and the least missing sapwood give a
    # felling year of no earlier than about 1480. With the fewest rings found in northern
    # Poland, 9 (Klein 1998, seen, after Wazny 1990), the rule yields 1479.
    found = felling(board(last_ring_year=1470, provenance="Baltic"))
    assert (found.low, found.high, found.use) == (1479, None, 1479)
    assert found.likely == 1485  # median 15, the same source


def test_the_worked_form_of_the_handbook_holds():
    # Klein 1998, pp. 43-45 (seen), worked form: last heartwood ring 1597, Baltic oak, fewest
    # 9 -> felled in or after 1606; two years more -> not usable before 1608; median 15 -> 1612
    found = felling(board(last_ring_year=1597, provenance="Poland", seasoning_years=2))
    assert (found.low, found.use, found.likely) == (1606, 1608, 1612)
    assert "2 years of seasoning, as asked" in found.because
    assert felling(board(last_ring_year=1597, provenance="Poland")).use == 1606


def test_boundary_gives_an_interval():
    # Oxford Dendrochronology Laboratory report 2007/24 (seen): boundary 1446, 11 to 41
    # sapwood rings -> felled 1457-87
    found = felling(board(last_ring_year=1446, boundary_year=1446, provenance="Welsh border"))
    assert (found.low, found.high) == (1457, 1487)


def test_sapwood_that_was_found_moves_the_bounds():
    entry = {"provenance": "Poland"}
    # 12 rings found: boundary 1588; at least 9 is passed already, so felled 1600 or later
    found = felling(board(last_ring_year=1600, sapwood_rings=12, **entry))
    assert (found.low, found.high) == (1600, 1624)
    # 4 rings found: 5 more are missing at least
    found = felling(board(last_ring_year=1600, sapwood_rings=4, **entry))
    assert (found.low, found.high) == (1605, 1632)
    # more rings than the table knows: the rings win
    found = felling(board(last_ring_year=1600, sapwood_rings=50, **entry))
    assert (found.low, found.high) == (1600, 1600)


def test_bark_edge_gives_the_year():
    found = felling(board(last_ring_year=1612, bark_edge=True, provenance="Poland"))
    assert (found.low, found.high) == (1612, 1612)
    assert "winter after" in found.because


@pytest.mark.parametrize(
    ("provenance", "low", "high", "checked"),
    [
        ("northern Poland", 9, 36, "seen"),  # Klein 1998 after Wazny 1990
        ("southern Baltic", 9, 36, "seen"),
        ("eastern Baltic", 6, 19, "seen"),  # Sohar et al. 2012: 6.45-18.02, outwards
        ("Lithuania", 6, 19, "seen"),
        ("Finland", 4, 21, "seen"),  # the same: 4.09-20.85
        ("north Wales", 19, 50, "seen"),  # J. Archaeol. Sci. 8 (1981): 95 % 19-50
        ("England", 10, 55, "from memory"),  # Hillam, Morgan & Tyers 1987
        ("Weser region, western Germany", 7, 42, "seen"),  # Klein 1998
        ("the Netherlands", 7, 42, "seen"),
        (None, 7, None, "seen"),
        ("unknown", 7, None, "seen"),
    ],
)
def test_sapwood_statistics_are_those_of_the_sources(provenance, low, high, checked):
    table = sapwood_for(provenance)
    assert (table.low, table.high) == (low, high)
    assert table.sources[0].checked == checked


def test_every_region_has_a_source_and_sane_numbers():
    for table in SAPWOOD:
        assert table.sources
        assert table.high is None or table.low < table.high
        assert table.median is None or table.low < table.median


def test_own_statistics_go_before_the_table():
    entry = board(last_ring_year=1500, provenance="Poland", sapwood_low=12, sapwood_high=20)
    assert felling(entry).low == 1512
    entry = board(last_ring_year=1500, boundary_year=1500, sapwood_low=12, sapwood_high=20)
    assert (felling(entry).low, felling(entry).high) == (1512, 1520)


def test_sapwood_of_other_wood_is_not_guessed():
    found = felling(board(last_ring_year=1500, species="beech"))
    assert (found.low, found.high) == (1500, None)
    assert "oak only" in found.because


def test_a_panel_is_younger_than_its_youngest_board():
    old = felling(board(board="I", last_ring_year=1560, provenance="Poland"))
    young = felling(board(board="II", last_ring_year=1580, provenance="Poland"))
    panel = combine([old, young])
    assert panel.not_before == 1589
    assert panel.likely == 1595
    assert panel.lone_board is None
    assert "allow one felling, in 1589 or later" in panel.because[-1]


def test_boards_of_one_felling_narrow_each_other():
    one = felling(board(board="I", last_ring_year=1590, boundary_year=1585, provenance="Poland"))
    two = felling(board(board="II", last_ring_year=1598, boundary_year=1592, provenance="Poland"))
    panel = combine([one, two])
    assert panel.not_before == 1601
    assert "felled together, the trees were felled 1601 to 1621" in panel.because[-1]


def test_boards_of_different_fellings_are_told():
    one = felling(board(board="I", last_ring_year=1500, bark_edge=True))
    two = felling(board(board="II", last_ring_year=1590, provenance="Poland"))
    panel = combine([one, two])
    assert panel.not_before == 1599
    assert panel.lone_board == "II"
    assert any("different times" in text for text in panel.because)
    assert any("added or replaced" in text for text in panel.because)


def test_a_panel_without_boards_is_refused():
    with pytest.raises(ValueError, match="at least one dated board"):
        combine([])


@pytest.mark.parametrize(
    ("fields", "parts"),
    [
        ({}, ["last_ring_year", "found nothing"]),
        (
            {"last_ring_year": 1500, "boundary_year": 1510},
            ["boundary_year", "after the last ring 1500", "not after last_ring_year"],
        ),
        (
            {"last_ring_year": 1500, "boundary_year": 1490, "sapwood_rings": 4},
            ["sapwood_rings", "10 rings from boundary 1490 to 1500"],
        ),
        ({"last_ring_year": 1500, "sapwood_high": 20}, ["sapwood_high", "give both"]),
        (
            {"last_ring_year": 1500, "sapwood_low": 20, "sapwood_high": 10},
            ["sapwood_high", "not below sapwood_low"],
        ),
    ],
)
def test_rings_that_contradict_each_other_are_refused(fields, parts):
    with pytest.raises(InputError) as told:
        felling(board(board="II", **fields), "panel.toml")
    text = str(told.value)
    assert text.startswith("panel.toml: tree rings of II")
    for part in parts:
        assert part in text


def test_bounds_never_move_backwards_when_a_ring_is_added():
    # whatever is known of the sapwood, a younger last ring cannot make the felling older
    for provenance in ("Poland", "Finland", "England", None):
        for found in (None, 0, 5, 25):
            lows = [
                felling(board(last_ring_year=year, sapwood_rings=found, provenance=provenance)).low
                for year in range(1500, 1520)
            ]
            assert all(b - a == 1 for a, b in pairwise(lows))


def test_a_study_with_impossible_rings_is_refused_when_it_is_read(tmp_path):
    path = tmp_path / "mill.toml"
    path.write_text(
        '[object]\ntitle = "Mill by a frozen river"\n[[area]]\nname = "a"\nelements = ["Pb"]\n'
        '[[evidence]]\nkind = "tree_rings"\nboard = "II"\nlast_ring_year = 1500\n'
        "boundary_year = 1510\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="tree rings of II: boundary_year: found 1510, after"):
        load_study(path)
