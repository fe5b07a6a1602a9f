"""The page: whole in itself, escaped, complete, in order of weight, and of a size to mail."""

from __future__ import annotations

import csv
import io
import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from invented_study import (
    FINDINGS,
    HOSTILE,
    LINES,
    RUN,
    STUDY,
    make_maps,
    make_spectra,
    poisoned,
)  # fmt: skip

from xrfmap.findings import VERDICT_ORDER, Findings
from xrfmap.report import style, write_report
from xrfmap.report.content import finding_tables, told_depth
from xrfmap.report.digest import checks, in_short, matters, open_points, split_reason
from xrfmap.report.figures.diagrams import layer_note
from xrfmap.report.page import render_page
from xrfmap.report.parts import HiddenPart, Parts, ScanPart
from xrfmap.report.photographs import Photograph, lay_over_scan
from xrfmap.report.plates import build_atlas, slug
from xrfmap.report.record import calibration_table, run_tables
from xrfmap.report.tables import Table, csv_text
from xrfmap.report.words import VERDICT_MEANINGS, VERDICT_NAMES
from xrfmap.settings import Image, LayerEntry, Study

PHOTO = (np.add.outer(np.arange(90), np.arange(120)) % 256).astype(np.uint8)


class Reader(HTMLParser):
    """Elements with their attributes, and all text outside scripts and styles."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.text, self.blocks, self._inside = [], "", [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._inside = dict(attrs)
            self.blocks.append([dict(attrs), ""])

    def handle_endtag(self, tag):
        if tag in ("script", "style"):
            self._inside = None

    def handle_data(self, data):
        if self._inside is None:
            self.text += data
        else:
            self.blocks[-1][1] += data

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


@pytest.fixture(scope="session")
def result(tmp_path_factory, maps, spectra, study, findings, run):
    out = tmp_path_factory.mktemp("result")
    point = spectra.drop_vars(["max_pixel_counts"])
    write_report(
        out, study, findings, maps, spectra, {"p01": point}, run, photographs={"Photograph": PHOTO}
    )
    return out


@pytest.fixture(scope="session")
def page(result):
    return (result / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def reader(page):
    return Reader(page)


def test_page_fetches_nothing(reader):
    for tag, attrs in reader.elements:
        for name in ("src", "href", "data", "poster", "action", "srcset", "background"):
            value = attrs.get(name)
            assert value is None or value.startswith(("data:", "#")), (tag, name, value[:60])
        assert "url(" not in (attrs.get("style") or "")
    assert not any("@import" in text or "url(" in text for _, text in reader.blocks)
    assert not reader.all("iframe") + reader.all("object") + reader.all("embed")


def test_browser_is_told_to_run_only_the_page_s_own_program(reader):
    import base64
    import hashlib

    policy = next(m["content"] for m in reader.all("meta") if "http-equiv" in m)
    programs = [text for attrs, text in reader.blocks if attrs == {}]
    code = programs[-1]
    found = base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()
    assert f"script-src 'sha256-{found}';" in policy
    assert policy.startswith("default-src 'none'; img-src data:;")


def test_every_picture_has_a_description(reader):
    pictures = reader.all("img")
    assert len(pictures) > 15
    # the strip of the colour bar is described by the numbers beside it
    described = [p for p in pictures if p["alt"]]
    assert len(described) >= 13
    assert all(p["alt"] or p["height"] == "1" for p in pictures)


def test_identifiers_are_unique_and_links_lead_somewhere(reader):
    idents = [attrs["id"] for _, attrs in reader.elements if "id" in attrs]
    assert len(idents) == len(set(idents))
    for link in reader.all("a"):
        assert link["href"][1:] in idents


def test_headings_do_not_skip_a_level(reader):
    levels = [int(tag[1]) for tag, _ in reader.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


def test_summary_comes_first_with_period_verdict_and_three_findings(page, reader):
    text = reader.text
    start, end = page.index('id="summary"'), page.index('id="maps"')
    assert start < end
    summary = Reader(page[start:end]).text
    assert "1630 to 1650" in summary
    assert "In a later layer" in summary
    assert VERDICT_MEANINGS["later_layer"] in summary
    assert "Titanium white in lower left corner (retouching)" in summary
    assert "Is the picture below of the same century?" in summary
    assert len(re.findall(r"<li>", page[start : page.index("What remains open")])) == 3
    assert text.index("Summary") < text.index("Element maps")


def test_each_plate_states_limit_share_and_stretch(reader):
    assert (
        reader.text.count("Detection limit 76 counts/s (38 counts), median over 2684 pixels") == 8
    )
    # eight families, three quality maps less the constant live time, the ratio
    assert reader.text.count("Stretched from percentile 0.5 to percentile 99.5 of the") == 11
    assert "Turquoise marks 16 points without a usable measurement" in reader.text


def test_flags_stand_in_order_of_weight_with_reason_sources_and_next_check(reader):
    text = reader.text[reader.text.index("Materials and the stated period") :]
    first, second = text.index("titanium white"), text.index("lead-tin yellow")
    assert first < second
    assert "Raman on the retouching: rutile or anatase" in text
    assert "trade list of 1921 (from memory)" in " ".join(text.split())


def test_page_has_every_part_a_colleague_needs(reader):
    text = " ".join(reader.text.split())
    for word in (
        "What X-ray fluorescence cannot see", "ionising radiation", "toxic", "Sampling",
        "ab" * 32, "maps.energy_min_kev", "0.1.0", "11.2", "energy per channel", "0.020001",
        "not separable", "under a cover", "lead white in oil", "common practice",
        "1607 lies after 1600", "the panel was reused", "The tube line of rhodium",
        "lead-tin yellow is rare after about 1750",
    ):  # fmt: skip
        assert word in text, word


def test_no_verdict_claims_that_a_work_is_real_or_false(reader):
    words = reader.text.lower()
    for word in ("authentic", "fake", "forger", "genuine", "counterfeit"):
        assert word not in words


@pytest.mark.slow
def test_result_is_the_same_each_time(result, tmp_path, maps, spectra, study, findings, run):
    point = spectra.drop_vars(["max_pixel_counts"])
    write_report(
        tmp_path, study, findings, maps, spectra, {"p01": point}, run,
        photographs={"Photograph": PHOTO},
    )  # fmt: skip
    for path in sorted(p.relative_to(result) for p in result.rglob("*") if p.is_file()):
        assert (tmp_path / path).read_bytes() == (result / path).read_bytes(), path


def test_every_figure_is_300_dpi_and_has_its_data_beside(result):
    from PIL import Image

    names = {p.stem for p in (result / "figures").glob("*.png")}
    tables = {p.stem for p in (result / "tables").glob("*.csv")}
    assert len(names) > 15
    for name in names:
        with Image.open(result / "figures" / f"{name}.png") as image:
            assert image.info["dpi"] == pytest.approx((300, 300), abs=0.1)
    # these are drawn from the maps and the layers, which have tables of their own
    others = {"plate_1", "composite", "diagram_layers", "diagram_dates"}
    assert names - tables == others
    assert {"map_pb_l", "layers", "diagram_dates_data"} <= tables


def test_map_table_gives_back_the_map(result, maps):
    with (result / "tables" / "map_fe_k.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0][0] == "y\\x [mm]; values [counts/s]"
    np.testing.assert_allclose([float(v) for v in rows[0][1:]], maps["x"].values)
    np.testing.assert_allclose([float(r[0]) for r in rows[1:]], maps["y"].values)
    values = np.array([[float(v) if v else np.nan for v in r[1:]] for r in rows[1:]])
    rate = maps["net_counts"].sel(line="Fe K").values / 0.5
    np.testing.assert_allclose(values, rate, rtol=1e-4)  # written with five digits


def test_no_half_written_file_is_left(result):
    assert not [p for p in result.rglob("*") if ".part" in p.name]


@pytest.mark.usefixtures("coarse")
def test_hostile_text_appears_as_text(tmp_path, spectra):
    study = Study.model_validate(poisoned({k: v for k, v in STUDY.items() if k != "area"}))
    findings = Findings.model_validate(poisoned(FINDINGS))
    maps = make_maps(20, 24, LINES[:3])
    maps = maps.assign_coords(line=[HOSTILE, *map(str, maps["line"].values[1:])])
    named = spectra.assign_coords(component=[HOSTILE, *map(str, spectra["component"].values[1:])])
    path = write_report(
        tmp_path, study, findings, maps, named, {HOSTILE: named},
        poisoned(RUN) | {HOSTILE: HOSTILE},
        photographs={HOSTILE: PHOTO},
    )  # fmt: skip
    page = path.read_text(encoding="utf-8")
    read = Reader(page)
    # light table, spectra, program
    assert [b[0].get("type") for b in read.blocks] == [
        None, "application/json", "application/json", None,
    ]  # fmt: skip
    assert not any("onerror" in attrs for _, attrs in read.elements)
    assert all(attrs.get("src", "data:").startswith("data:") for _, attrs in read.elements)
    shown = style.visible_text(HOSTILE)
    assert read.text.count(shown) > 60
    assert read.all("title") == [{}]
    assert "{{7*7}}" in read.text
    assert "49" not in read.all("title")
    assert not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e]", page)
    for block in read.blocks[1:3]:
        assert shown in json.dumps(json.loads(block[1]), ensure_ascii=False).replace('\\"', '"')
    for file in tmp_path.rglob("*"):
        assert re.fullmatch(r"[a-z0-9_]+\.(png|csv|html)|figures|tables", file.name)


def test_tables_for_spreadsheets_hold_no_formula():
    text = csv_text(["=1+1", "b"], [["@cmd", -3.5], ["-2+3", None], ["+x", 2], [" =a", True]])
    assert text.splitlines() == ["'=1+1,b", "'@cmd,-3.5", "'-2+3,", "'+x,2", "' =a,yes"]


def test_control_characters_become_visible():
    assert style.visible_text("a\x1b[0m\x07\x7f\x85b\u202ec\nd") == "a␛[0m␇␡[U+0085]b[U+202E]c d"


def test_names_of_files_are_safe_and_never_meet():
    assert slug("../../etc/passwd") == "etc_passwd"
    assert slug("Pb L", {"pb_l"}) == "pb_l_2"
    assert slug("画") == "item"


def test_findings_that_matter_are_ranked_by_verdict(findings):
    heads = [point.headline for point in matters(findings, most=9)]
    # the contradiction weighs like an out-of-period material
    assert heads[0].startswith("Dates of the layer “ground”")
    assert heads[1].startswith("Titanium white")
    assert heads[2].startswith("Mercury lies under a cover")
    assert heads[3].startswith("Lead-tin yellow")
    # what a layer dates to says more than what could not be told apart
    assert heads[4].startswith("The layer “")
    assert heads[-1] == "Arsenic cannot be separated here"


def test_same_material_in_two_areas_is_one_finding():
    flag = FINDINGS["flags"][0]
    twice = FINDINGS | {"flags": [flag, flag | {"area": "sky"}], "layers": [], "depth": []}
    first = matters(Findings.model_validate(twice))[0]
    assert first.headline.startswith("Titanium white in lower left corner and sky (retouching)")


def test_a_headline_does_not_name_a_variety_that_elements_do_not_tell():
    flag = FINDINGS["flags"][0] | {"pigment": "titanium white (anatase)"}
    found = Findings.model_validate(FINDINGS | {"flags": [flag], "layers": [], "depth": []})
    assert matters(found)[0].headline.startswith("Titanium white in lower left corner")


def test_a_headline_names_the_elements_where_several_materials_would_explain_them():
    flag = FINDINGS["flags"][0] | {
        "pigment": "lithopone", "elements": ["Ba", "Zn"], "also": ["barytes", "zinc white"],
    }  # fmt: skip
    found = Findings.model_validate(FINDINGS | {"flags": [flag], "layers": [], "depth": []})
    head = matters(found)[0].headline
    assert head.startswith("Barium and zinc, as in lithopone, in lower left corner")
    # varieties of one material are no other material
    flag |= {"pigment": "titanium white (anatase)", "also": ["titanium white (rutile)"]}
    found = Findings.model_validate(FINDINGS | {"flags": [flag], "layers": [], "depth": []})
    assert matters(found)[0].headline.startswith("Titanium white in lower left corner")


def test_a_hidden_shape_says_which_of_its_elements_the_lines_show_below_a_cover():
    part = HiddenPart("front", "", [], "", Table("hidden", "Shapes", (), ()), ("Hg L", "Cu K"))
    depth = FINDINGS["depth"][0] | {"element": "Hg", "state": "covered", "area": "sky"}
    quiet = FINDINGS | {"flags": [], "layers": [], "depth": [depth]}
    point = next(
        p for p in matters(Findings.model_validate(quiet), most=9, hidden=[part])
        if p.anchor == "hidden"
    )  # fmt: skip
    assert "Mercury lies under a cover in sky, as the lines show." in point.detail
    bare = FINDINGS | {"flags": [], "layers": [], "depth": [depth | {"state": "at_surface"}]}
    point = next(
        p for p in matters(Findings.model_validate(bare), most=9, hidden=[part])
        if p.anchor == "hidden"
    )  # fmt: skip
    assert "under a cover" not in point.detail


def test_a_study_without_flags_says_that_nothing_was_found():
    plain = FINDINGS | {"flags": [], "layers": [], "depth": [], "overall": "compatible"}
    first = matters(Findings.model_validate(plain))[0]
    assert first.headline.startswith(
        "No material outside the stated period was found in the 2 areas"
    )


def test_long_reasons_are_cut_at_a_sentence_or_a_pause():
    two = "Cobalt is seen, from about 1777 on. It lies in 3 of 4 areas. " + "More words. " * 40
    assert in_short(two, 70) == "Cobalt is seen, from about 1777 on. It lies in 3 of 4 areas."
    long = "one part of a sentence that goes on; another part of it, and a third " + "word " * 50
    assert in_short(long, 60) == "One part of a sentence that goes on; another part of it …"
    assert in_short("x" * 500, 40) == "X" + "x" * 39 + " …"


def test_an_area_tells_which_of_its_elements_lie_under_a_cover(reader):
    text = " ".join(reader.text.split())
    assert re.search(r"Under a cover ?Hg: at least in part below the paint in sight", text)


def test_energy_scale_has_the_digits_that_its_errors_bear(findings):
    held = {"zero_kev": -0.0403692, "zero_kev_err": 0.00084, "kev_per_channel": 0.02000123}
    table = calibration_table(findings.model_copy(update={"calibration": held}))
    assert [row[1].shown for row in table.cells()] == ["−0.04037", "0.0200012"]
    # a minus sign that a reader of CSV files takes for one
    text = csv_text([c.key for c in table.columns], table.rows)
    assert "zero,-0.0403692,0.00084,keV" in text


def test_a_layer_named_by_its_role_is_not_named_twice():
    varnish = LayerEntry(name="varnish", role="varnish", thickness_um=15)
    assert layer_note(varnish, None) == "about 15 µm"
    assert layer_note(LayerEntry(name="top", role="varnish"), None) == "varnish"


def test_a_first_sentence_that_says_little_is_followed_by_the_start_of_the_second():
    words = "Titanium is seen. It asks for a white of 1890 to 1919 (by a patent, or by the trade)"
    cut = "Titanium is seen. It asks for a white of 1890 to 1919 (by a patent …"
    assert in_short(f"{words}, and it is late", 76) == cut
    # a pause within brackets is none if there is one outside
    words = "Zinc is. From 1874 (a patent), and so on (known, as ever, by name)"
    assert in_short(words, 56) == "Zinc is. From 1874 (a patent) …"


def test_a_reason_is_split_without_losing_a_word():
    words = "First sentence. " * 30 + "Last sentence."
    lead, rest = split_reason(words)
    assert f"{lead} {rest}" == words
    assert len(lead) <= 330


def test_checks_come_once_and_in_order_of_weight():
    flag = FINDINGS["flags"][0]
    order = list(reversed(VERDICT_ORDER))
    flags = [flag | {"verdict": v, "next_check": f"check for {v}"} for v in order]
    flags.append(flag | {"verdict": "borderline", "next_check": "check for out_of_period"})
    found = checks(Findings.model_validate(FINDINGS | {"flags": flags}))
    assert [c.text for c in found] == [f"check for {v}" for v in VERDICT_ORDER]


def test_open_points_name_what_cannot_be_told(findings):
    words = open_points(findings)
    assert words[0] == "Is the picture below of the same century?"
    assert "Lead-tin yellow in sledge: Tin lies below its detection limit." in words
    assert any(word.startswith("Arsenic: As cannot be separated") for word in words)


def test_what_the_lines_do_not_tell_of_depth_is_one_open_point():
    cases = [
        {"area": "sledge", "element": e, "lines": [f"{e} K"], "state": "cannot_tell"}
        for e in ("Fe", "Cu", "Ca")
    ]
    found = Findings.model_validate(FINDINGS | {"depth": [*FINDINGS["depth"], *cases]})
    assert sum("3 of 5 cases" in word for word in open_points(found)) == 1
    table = told_depth(found)
    assert [row[1] for row in table.rows] == ["Hg", "Pb"]
    # the upper end does not hold: neither it nor a single value stands on the page
    assert table.rows[0][3:7] == (7.6, None, None, "lead white in oil")
    both = [{**found.depth[0].model_dump(), "bound": "both"}]
    held = told_depth(Findings.model_validate(FINDINGS | {"depth": both}))
    assert held.rows[0][3:7] == (7.6, 13.8, 10.2, "lead white in oil")
    whole = finding_tables(found)["depth"]
    text = csv_text([column.key for column in whole.columns], whole.rows)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows[0]["bound"] == "lower end only"
    assert rows[0]["cover_high [um]"] == "13.8"  # the file holds all of it, with the word for it


def test_study_without_a_scan_has_a_report(tmp_path, findings):
    study = Study.model_validate({k: v for k, v in STUDY.items() if k not in ("scan", "area")})
    read = Reader(write_report(tmp_path, study, findings).read_text(encoding="utf-8"))
    assert "Element maps" not in read.text
    assert "Materials and the stated period" in read.text
    assert not read.all("canvas")


def test_bare_findings_have_a_report(tmp_path):
    bare = Findings.model_validate(
        {"schema": 1, "title": "x", "period": None, "overall": "compatible"}
    )
    study = Study.model_validate({"object": {"title": "x"}})
    text = Reader(write_report(tmp_path, study, bare).read_text(encoding="utf-8")).text
    assert "none stated" in text
    assert VERDICT_NAMES["compatible"] in text


@pytest.mark.slow
def test_several_scans_share_one_page(tmp_path, study, findings, maps, spectra):
    both = {"front": maps, "corner": make_maps(20, 30)}
    path = write_report(
        tmp_path, study, findings, both, dict.fromkeys(both, spectra),
        photographs={"corner": {"Photograph": PHOTO}},
    )  # fmt: skip
    read = Reader(path.read_text(encoding="utf-8"))
    idents = [attrs["id"] for _, attrs in read.elements if "id" in attrs]
    assert len(idents) == len(set(idents))
    assert {"light-table", "light-table-2", "maps-2"} <= set(idents)
    assert (tmp_path / "figures" / "corner_map_pb_l.png").is_file()
    assert (tmp_path / "tables" / "line_families_corner.csv").is_file()


@pytest.mark.usefixtures("coarse")
def test_counts_are_shown_as_counts_where_no_live_time_is_known(tmp_path, study, findings, maps):
    held = maps.isel(line=slice(2)).assign(live_time=maps["live_time"] * np.nan)
    text = Reader(write_report(tmp_path, study, findings, held).read_text(encoding="utf-8")).text
    assert "live time unknown, maps in counts" in text
    assert "counts/s" not in text
    assert "Detection limit 38 counts, median over 2684 pixels" in text


def test_record_of_the_run_becomes_tables():
    tables = {table.name: table for table in run_tables(RUN | {"odd": {"a": {"b": [1, 2]}}})}
    assert tables["run_inputs"].rows == (("front.h5", "ab" * 32, 5123456),)
    assert ("maps.energy_min_kev", 1.5) in tables["run_settings"].rows
    assert tables["run_run"].rows == (("started", RUN["started"]),)


def test_numbers_keep_the_digits_their_error_allows(findings):
    cells = finding_tables(findings)["areas"].cells()
    assert [c.shown for c in cells[0][5:7]] == ["51\u202f230", "240"]
    assert cells[0][5].order == "51234.2"


def test_picture_lies_where_its_control_points_say(maps):
    # 100 pixels are 10 mm, and the picture starts at x = 20 mm, y = 15 mm; red left, blue right
    picture = np.zeros((200, 300, 3), np.uint8)
    picture[:, :150, 0] = picture[:, 150:, 2] = 255
    points = [(0, 0, 20, 15), (300, 0, 50, 15), (0, 200, 20, 35)]
    entry = Image(file="photo.png", control_points=points)
    laid = lay_over_scan([(entry, picture), (entry, picture)], maps)
    assert list(laid) == ["Photograph", "Photograph 2"]
    shown = laid["Photograph"].pixels

    def at(x, y):
        rows, columns = shown.shape[:2]
        # the scanned field runs from 3.6 to 51.6 mm and from 9.6 to 45.6 mm
        return tuple(shown[int((y - 9.6) / 36 * rows), int((x - 3.6) / 48 * columns)])

    assert at(34, 20) == (255, 0, 0)
    assert at(36, 20) == (0, 0, 255)
    grey = tuple(np.round(style.rgb(style.UNSURE) * 255).astype(int))
    assert at(19, 20) == at(30, 14) == at(30, 36) == grey
    assert laid["Photograph"].words.startswith("placed by 3 control points")


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((4, 5, 4), np.uint8),
        np.zeros(4, np.uint8),
        np.zeros((4, 5), np.int64),
        np.zeros((0, 5), np.uint8),
    ],
)
def test_a_picture_of_another_shape_or_type_is_refused(tmp_path, study, findings, maps, picture):
    with pytest.raises(ValueError, match="a picture has shape"):
        write_report(tmp_path, study, findings, maps, photographs={"x": picture})
    assert not any(tmp_path.iterdir())  # told before anything is drawn


@pytest.mark.slow
def test_page_of_a_large_scan_stays_under_15_mb_ci_part(study, findings):
    lines = tuple(
        f"{e} K" for e in "Al Si P S Cl K Ca Ti Cr Mn Fe Co Ni Cu Zn As Sr Sn Sb Ba".split()
    )
    maps = make_maps(400, 500, lines)
    rng = np.random.default_rng(1)
    # white noise: the worst case for a PNG
    maps["net_counts"].values[:] = rng.uniform(0, 1000, maps["net_counts"].shape)
    spectra = make_spectra(4096, lines)
    points = {f"p{n}": spectra for n in range(5)}
    photo = rng.integers(0, 255, (1200, 1500, 3), dtype=np.uint8)
    scan = ScanPart("front", maps, build_atlas(maps), {"Photograph": Photograph(photo)})
    page = render_page(Parts(study, findings, [scan], {"front": spectra}, points, RUN))
    assert len(page.encode()) < 15e6


def luminance(colour):
    """Relative luminance, WCAG 2.1."""
    parts = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in style.rgb(colour)]
    return float(np.dot(parts, [0.2126, 0.7152, 0.0722]))


def contrast(one, two):
    """Contrast ratio, WCAG 2.1."""
    light, dark = sorted((luminance(one), luminance(two)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula_gives_the_ends_of_its_scale():
    # WCAG 2.1, definition of contrast ratio: black on white is 21 : 1
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize(
    "ink", [style.INK, style.MUTED, style.ACCENT, *style.VERDICT_INKS.values()]
)
@pytest.mark.parametrize("ground", [style.PAPER, "#ffffff"])
def test_every_ink_reads_on_paper(ink, ground):
    # WCAG 2.1, success criterion 1.4.3 (AA): 4.5 : 1
    assert contrast(ink, ground) >= 4.5


@pytest.mark.parametrize("index", range(8))
def test_every_curve_can_be_seen_on_white(index):
    # WCAG 2.1, success criterion 1.4.11 (graphical objects): 3 : 1
    assert contrast(style.component_ink(index)[0], "#ffffff") >= 3


def test_page_and_figures_use_the_same_inks():
    css = Path(style.__file__).with_name("static").joinpath("report.css").read_text()
    for name, ink in (("ink", style.INK), ("muted", style.MUTED), ("accent", style.ACCENT),
                      ("paper", style.PAPER), ("mask", style.MASK)):  # fmt: skip
        assert f"--{name}: {ink};" in css
    for verdict, ink in style.VERDICT_INKS.items():
        assert f".v-{verdict} {{ color: {ink}; }}" in css
