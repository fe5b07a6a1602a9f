"""What a study says of layers: which covers which, the maps of cover on the page, the files."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
import xarray as xr

from xrfmap.findings import (
    DepthFinding,
    Findings,
    Interval,
    LayerFinding,
    StackFinding,
    ThicknessInterval,
)
from xrfmap.io.cover_file import read_cover, write_cover
from xrfmap.report.cover import cover_rows, cover_words, told_elements
from xrfmap.report.digest import matters
from xrfmap.report.figures import cover_map
from xrfmap.report.tables import csv_text
from xrfmap.report.write import write_report
from xrfmap.settings import Study
from xrfmap.study.stages_depth import covered_layers

STUDY = Study.model_validate(
    {
        "object": {"title": "Mill by a frozen river"},
        "area": [
            {"name": "sky", "elements": ["Hg", "Pb"], "layer": "picture layer"},
            {"name": "sledge", "elements": ["Hg"], "layer": "picture layer"},
            {"name": "label", "elements": ["Hg"]},
        ],
        "layer": [
            {"name": "picture layer", "material": ["lead white", "smalt"]},
            {"name": "first picture", "material": "vermilion"},
            {"name": "ground", "material": "chalk in glue"},
            {"name": "support", "material": "oak"},
        ],
    }
)
LAYERS = [
    LayerFinding(name=entry.name, not_before=None, not_after=None, because=[])
    for entry in STUDY.layer
]


def depth(area, element, state="covered", low=8.0, bound="lower_end_only"):
    return DepthFinding(
        area=area,
        element=element,
        lines=[f"{element} Lα", f"{element} Lβ"],
        state=state,
        cover_mg_cm2=Interval(value=4.6, low=2.6, high=10.0),
        cover_um=ThicknessInterval(value=14.0, low=low, high=31.0, material="lead white"),
        bound=bound,
        because="<b>bare paint is excluded</b>",
    )


def test_covered_element_lies_in_the_one_layer_below_that_holds_it():
    told, remarks = covered_layers(STUDY, LAYERS, [depth("sky", "Hg")])
    by_name = {layer.name: layer.covered_by for layer in told}
    assert len(by_name["first picture"]) == 1
    assert by_name["first picture"][0].startswith("picture layer: Hg in sky lies under 8 µm")
    assert "or more" in by_name["first picture"][0]
    assert by_name["picture layer"] == by_name["ground"] == []
    assert remarks == []


def test_the_word_of_the_finding_says_which_ends_are_told():
    """In the bounds of layers and in the summary alike."""
    ends = {"lower_end_only": "8 µm or more", "both": "8 to 31 µm", None: "8 µm or more"}
    for bound, words in ends.items():
        found = depth("sky", "Hg", bound=bound)
        layers, _ = covered_layers(STUDY, LAYERS, [found])
        assert words in layers[1].covered_by[0]
        findings = Findings(title="x", period=None, overall="compatible", depth=[found])
        (told,) = [p.detail for p in matters(findings) if p.anchor == "depth"]
        assert words in told
        assert "31" not in told or bound == "both"


@pytest.mark.parametrize(
    "finding",
    [
        depth("label", "Hg"),  # no layer named
        depth("sky", "Co"),  # the layer of the area holds smalt itself
        depth("sky", "Zn"),  # no layer below holds zinc
    ],
)
def test_covered_element_without_a_layer_of_its_own_is_a_remark(finding):
    told, remarks = covered_layers(STUDY, LAYERS, [finding])
    assert not any(layer.covered_by for layer in told)
    assert len(remarks) == 1
    assert finding.element in remarks[0]
    assert "may belong to a layer below" in remarks[0]


@pytest.mark.parametrize("state", ["at_surface", "cannot_tell"])
def test_nothing_follows_where_nothing_is_covered(state):
    told, remarks = covered_layers(STUDY, LAYERS, [depth("sky", "Hg", state)])
    assert told == LAYERS
    assert remarks == []


# ---------------------------------------------------------------- maps, page, files


@pytest.fixture
def cover():
    """Maps of two elements: mercury covered at the right, iron seen in one block."""
    state = np.full((2, 6, 8), -1, np.int8)
    state[0, :, 4:] = 1
    state[0, :, 2] = 0
    state[0, 0, 3] = 2
    state[1, 0, 0] = 0
    mass = np.where(state == 1, 4.6, np.where(state == 0, 0.1, np.nan)).astype(np.float32)
    dims = ("element", "y", "x")
    planes = {
        "state": (dims, state),
        "cover_mg_cm2": (dims, mass),
        "cover_mg_cm2_low": (dims, np.where(state == 1, mass - 1, mass * 0).astype(np.float32)),
        "cover_mg_cm2_high": (dims, mass + 1),
        "standard_errors": (dims, np.where(state == 1, 8, 0.2).astype(np.float32)),
        "ratio_to_bare": (dims, np.where(state == 1, 0.7, 1.0).astype(np.float32)),
        "ratio_to_bare_err": (dims, np.full(state.shape, 0.05, np.float32)),
        "soft": ("element", ["Hg Lα", "Fe Kα"]),
        "hard": ("element", ["Hg Lβ1", "Fe Kβ"]),
        "material": ("element", ["lead white", "lead white"]),
        "um_per_mg_cm2": ("element", [3.05, 3.05]),
    }
    return xr.Dataset(
        planes,
        coords={
            "element": ["Hg", "Fe"],
            "y": ("y", 2.0 + 4.0 * np.arange(6), {"units": "mm"}),
            "x": ("x", 2.0 + 4.0 * np.arange(8), {"units": "mm"}),
        },
        attrs={"block": 4, "surface_um": 5.0, "order_standard_errors": 4.0},
    )


def test_only_maps_that_say_something_are_shown(cover):
    assert told_elements(cover) == ["Hg"]


def test_words_count_the_blocks(cover):
    words = cover_words(cover, "Hg")
    # 24 covered, 6 at the surface, 1 undecided
    assert words.startswith(
        "Mercury shows in 31 blocks: in 19 % it lies at the surface, in 77 % under"
    )
    assert "The median thickness of the cover is 14 µm, if it is lead white." in words
    assert "Hg Lα against Hg Lβ1" in words


def test_rows_hold_every_block_that_is_seen(cover):
    heads, rows = cover_rows(cover, "Hg")
    table = list(csv.DictReader(io.StringIO(csv_text(heads, rows))))
    assert len(table) == 31
    covered = [row for row in table if row["state"] == "covered"]
    assert len(covered) == 24
    assert float(covered[0]["cover [mg/cm2]"]) == pytest.approx(4.6)
    assert float(covered[0]["cover [um of lead white]"]) == pytest.approx(4.6 * 3.05, rel=1e-3)
    assert {row["x [mm]"] for row in covered} == {"18", "22", "26", "30"} or {
        float(row["x [mm]"]) for row in covered
    } == {18.0, 22.0, 26.0, 30.0}


def test_figure_tells_the_states_apart(cover):
    ax = cover_map(cover, "Hg")
    shown, over = (image.get_array() for image in ax.get_images()[:2])
    assert np.ma.count(np.ma.masked_invalid(shown)) == 24
    # bare and undecided blocks have a colour of their own each
    assert len({tuple(c) for c in np.asarray(over).reshape(-1, 4) if c[3] > 0}) == 2
    assert "mercury" in ax.get_title("left")


def test_maps_of_cover_go_to_a_file_and_back(cover, tmp_path):
    path = write_cover(tmp_path / "cover.nc", cover)
    xr.testing.assert_identical(read_cover(path).load(), cover)
    assert [p.name for p in tmp_path.iterdir()] == ["cover.nc"]


def test_page_shows_maps_depth_and_stacks_with_every_text_escaped(cover, tmp_path):
    findings = Findings(
        title="Mill by a frozen river",
        period=None,
        overall="compatible",
        depth=[depth("sky", "Hg")],
        layers=covered_layers(STUDY, LAYERS, [depth("sky", "Hg")])[0],
        stacks=[
            StackFinding(area="sky", name="figure <i>below</i>", verdict="best", chi2=9.0,
                         freedom=8, because="explains the lines best"),
            StackFinding(area="sky", name="figure on top", verdict="excluded", chi2=90.0,
                         freedom=8, because="the lines disagree"),
        ],
    )  # fmt: skip
    write_report(tmp_path, STUDY, findings, cover={"front": cover})
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "What lies above what" in page
    assert "What lies above mercury" in page
    assert page.index("What lies above mercury") < page.index('id="table-depth"')
    assert "under a cover" in page
    assert "figure &lt;i&gt;below&lt;/i&gt;" in page
    assert "<b>bare paint" not in page
    assert (tmp_path / "figures" / "cover_hg.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "tables" / "cover_hg.csv").exists()
    assert not (tmp_path / "figures" / "cover_fe.png").exists()
    stacks = (tmp_path / "tables" / "stacks.csv").read_text(encoding="utf-8")
    assert "excluded" in stacks
    layers = (tmp_path / "tables" / "layers.csv").read_text(encoding="utf-8")
    assert "picture layer: Hg in sky" in layers
