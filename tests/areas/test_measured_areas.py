"""What an area shows, put together from several measurements."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from xrfmap.areas.measured import Measured, area_evidence, join_lines, lines_of
from xrfmap.findings import ElementFinding
from xrfmap.pigments import LineEvidence
from xrfmap.settings import Area, LayerEntry


def table(**net):
    """Families with their net counts; errors of 10 counts, thresholds of 16.45."""
    values = np.array(list(net.values()), dtype=float)
    columns = {
        "net_counts": values,
        "net_counts_err": np.full(values.size, 10.0),
        "net_counts_ul": values + 19.6,
        "decision_threshold": np.full(values.size, 16.45),
    }
    return xr.Dataset(
        {name: ("line", column) for name, column in columns.items()},
        coords={"line": [label.replace("_", " ") for label in net]},
    )


def finding(symbol, verdict, **evidence):
    return ElementFinding(
        symbol=symbol, lines=[f"{symbol} K"], verdict=verdict, because="x", evidence=evidence
    )


AREA = Area(name="sledge", polygon_mm=[(0, 0), (1, 0), (1, 1)], layer="picture", colour="red")
LAYERS = [LayerEntry(name="picture", role="original paint")]


def test_the_test_of_the_whole_spectrum_has_the_say_over_a_threshold_passed_by_chance():
    measured = Measured(
        "front",
        table(Pb_L=5000, Ni_K=20),
        (finding("Pb", "present"), finding("Ni", "not detected")),
    )
    seen = {line.family: line.detected for line in lines_of(measured)}
    assert seen == {"Pb L": True, "Ni K": False}


def test_what_the_fit_did_not_need_keeps_its_limit():
    measured = Measured(
        "front",
        table(Co_K=300),
        (
            finding("Co", "present"),
            finding("Ni", "not detected", net_counts=-3.0, net_counts_err=55.0, upper_limit=90.5),
        ),
    )
    nickel = next(line for line in lines_of(measured) if line.family == "Ni K")
    assert (nickel.net, nickel.err, nickel.ul, nickel.detected) == (0.0, 55.0, 90.5, False)


def test_a_second_measurement_is_brought_to_the_unit_of_the_first():
    base = [LineEvidence("Pb L", 1000, 10, 1020, True), LineEvidence("Sn K", 5, 10, 25, False)]
    other = [LineEvidence("Pb L", 4000, 20, 4040, True), LineEvidence("Sn K", 400, 20, 440, True)]
    lines, taken = join_lines(base, other)
    tin = next(line for line in lines if line.family == "Sn K")
    # lead says one count of the first is four of the second
    assert (tin.net, tin.err, tin.ul, tin.detected) == (100, 5, 110, True)
    assert taken == {"Sn K"}
    assert next(line for line in lines if line.family == "Pb L").net == 1000


def gold(**net):
    """Gold found by Au L, in one table with families that ran full (NaN)."""
    told = ElementFinding(symbol="Au", lines=["Au L"], verdict="present", because="x")
    return Measured("p01", table(**net), (told,))


def test_a_family_that_ran_full_confirms_nothing():
    # M before L: the first detected one is what the others confirm
    lines = lines_of(gold(Au_M=np.nan, Au_L=4000))
    assert {line.family: line.detected for line in lines} == {"Au L": True, "Au M": False}
    found = area_evidence(AREA, [gold(Au_M=np.nan, Au_L=4000)]).elements["Au"]
    assert found.detected
    assert found.confirmed_by == ("Au L",)  # the test on the whole spectrum, as without Au M
    assert found == replace(
        area_evidence(AREA, [gold(Au_L=4000)]).elements["Au"], lines=found.lines
    )


@pytest.mark.parametrize(
    "net", [{"Au_L": np.nan}, {"Au_L": np.nan, "Au_M": np.nan}, {"Au_L": np.nan, "Au_M": 3}]
)
def test_an_element_known_only_by_families_that_ran_full_is_there_unconfirmed(net):
    found = area_evidence(AREA, [gold(**net)]).elements["Au"]
    assert found.detected
    assert [line.family for line in found.lines if line.detected] == ["Au L"]
    assert found.best.net is None
    assert found.confirmed_by == ()


@pytest.mark.parametrize("full", ["base", "other"])
def test_a_family_that_ran_full_in_one_measurement_says_nothing_of_the_unit(full):
    blind = LineEvidence("Fe K", detected=True)
    iron, calcium = LineEvidence("Fe K", 5e5, 900, 5.1e5, True), (9000, 100, 9200, True)
    base = [blind if full == "base" else iron, LineEvidence("Ca K", *calcium)]
    other = [blind if full == "other" else iron, LineEvidence("Ca K", 18000, 140, 18270, True)]
    copper = LineEvidence("Cu K", 400, 30, 460, True)
    lines, taken = join_lines(base, [*other, copper])
    # calcium alone says that one count of the first is two of the second
    assert lines[-1] == LineEvidence("Cu K", 200, 15, 230, True)
    assert taken == {"Cu K"}
    assert lines[0] == base[0]


def test_a_limit_of_a_point_does_not_take_the_place_of_a_detection():
    base = [LineEvidence("Sn K", 100, 10, 120, True)]
    other = [LineEvidence("Sn K", 0, 1, 2, False)]
    assert join_lines(base, other) == (base, set())


def test_points_join_their_area_and_say_what_only_they_saw():
    scan = Measured("front", table(Pb_L=1000), (finding("Pb", "present"),), {"Pb L": 1.0})
    point = Measured(
        "p01", table(Pb_L=2000, S_K=300), (finding("Pb", "present"), finding("S", "present"))
    )
    found = area_evidence(AREA, [scan, point], LAYERS)
    assert found.origin == "scan"
    assert found.role == "original paint"
    assert found.colour == "red"
    assert set(found.present) == {"Pb", "S"}
    assert found.elements["Pb"].note is None
    assert found.elements["Pb"].share_of_area == 1.0
    assert found.elements["S"].note == "seen in p01 only, not in the sum over the area"
    assert area_evidence(AREA, [point], LAYERS).origin == "point"


def test_an_element_that_only_the_old_report_names_stays_with_a_note():
    area = AREA.model_copy(update={"elements": ["Sn", "Pb"]})
    found = area_evidence(area, [Measured("front", table(Pb_L=1000), (), {"Pb L": 1.0})], LAYERS)
    assert found.elements["Sn"].typed_in
    assert "typed in" in found.elements["Sn"].note
    assert not found.elements["Pb"].typed_in


def test_without_measurements_the_typed_in_elements_stand():
    found = area_evidence(Area(name="edge", elements=["Ba", "Zn"]), [])
    assert found.origin == "typed in"
    assert set(found.present) == {"Ba", "Zn"}


def test_not_separable_in_the_area_is_handed_on():
    measured = Measured(
        "front",
        table(Pb_L=1000, As_K=100),
        (
            finding("Pb", "present"),
            ElementFinding(
                symbol="As",
                lines=["As K"],
                verdict="not separable",
                because="x",
                evidence={"competitor": "Pb L"},
            ),
        ),
        {"Pb L": 1.0, "As K": float("nan")},
    )
    found = area_evidence(AREA, [measured], LAYERS)
    assert not found.elements["As"].detected
    assert found.elements["As"].competitor == "Pb L"
    assert found.elements["As"].lines[0].share_of_area is None


@pytest.mark.parametrize("both", [[], [LineEvidence("Pb L", 10, 1, 12, False)]])
def test_without_a_common_family_nothing_is_scaled(both):
    lines, taken = join_lines(both, [LineEvidence("Fe K", 50, 5, 60, True)])
    assert lines[-1] == LineEvidence("Fe K", 50, 5, 60, True)
    assert taken == {"Fe K"}
