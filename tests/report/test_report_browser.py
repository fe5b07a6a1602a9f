"""The page in headless Chromium: it works, fits, can be used by keyboard, and prints."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from itertools import pairwise

import numpy as np
import pytest
from invented_study import FINDINGS, HOSTILE, LINES, RUN, STUDY, make_maps, poisoned

from xrfmap.findings import Findings
from xrfmap.report import style, write_report
from xrfmap.report.words import number, whole
from xrfmap.settings import Study

pytestmark = pytest.mark.browser


@pytest.fixture(scope="session")
def report(tmp_path_factory, maps, spectra, study, findings, run):
    out = tmp_path_factory.mktemp("browser")
    photo = np.full((90, 120, 3), 180, dtype=np.uint8)
    point = spectra.drop_vars(["max_pixel_counts"])
    corner = make_maps(20, 30, LINES[:3])  # with the same families as the first
    return write_report(
        out, study, findings, {"front": maps, "corner": corner}, spectra,
        {"p01": point}, run, photographs={"front": {"Photograph": photo}},
    )  # fmt: skip


@pytest.fixture
def opened(browser, report):
    """Page at 1200 px; fails if the console said anything or the network was asked."""
    said, asked = [], []
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(report.as_uri())
    page.wait_for_selector("canvas[data-shown]")
    yield page
    page.close()
    assert said == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def canvas(page, number=0):
    """Picture on a light table, shape (y, x, 3)."""
    flat = page.evaluate(
        "n => { const c = document.querySelectorAll('canvas')[n];"
        "return [c.width, c.height, Array.from("
        "c.getContext('2d').getImageData(0, 0, c.width, c.height).data)]; }",
        number,
    )
    return np.array(flat[2], dtype=np.uint8).reshape(flat[1], flat[0], 4)[..., :3]


def picture(page, ident):
    """Picture of a plate, decoded without the browser."""
    import base64

    from PIL import Image

    uri = page.get_attribute(f"#img-{ident}", "src")
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(uri.split(",")[1]))).convert("RGB"))


def test_every_picture_loads(opened):
    broken = opened.evaluate(
        "Array.from(document.images).filter(i => !i.complete || i.naturalWidth === 0)"
        ".map(i => i.alt)"
    )
    assert opened.evaluate("document.images.length") > 25
    assert broken == []


@pytest.mark.parametrize("width", [320, 400, 768, 1600])
def test_page_fits_its_window(opened, width):
    opened.set_viewport_size({"width": width, "height": 900})
    opened.wait_for_timeout(200)
    assert opened.evaluate("document.documentElement.scrollWidth") <= width
    wide = opened.evaluate(
        "w => Array.from(document.querySelectorAll('body *')).filter(e => {"
        " const inside = e.closest('.tablewrap'); if (inside && inside !== e) return false;"
        " const b = e.getBoundingClientRect();"
        " return b.width > 0 && b.left >= 0 && b.right > w + 1; })"
        ".map(e => e.outerHTML.slice(0, 80))",
        width,
    )
    assert wide == []


def test_light_table_starts_with_the_first_map(opened):
    np.testing.assert_array_equal(canvas(opened), picture(opened, "pb_l"))


def test_choosing_a_map_shows_it(opened):
    opened.check("#light-table input[value=fe_k]", force=True)
    opened.wait_for_selector("canvas[data-shown=fe_k]")
    np.testing.assert_array_equal(canvas(opened), picture(opened, "fe_k"))
    assert "Fe K. Detection limit" in opened.inner_text("#light-table .about")


def test_maps_can_be_chosen_by_keyboard(opened):
    opened.focus("#light-table input[value=pb_l]")
    opened.keyboard.press("ArrowRight")
    opened.wait_for_selector("canvas[data-shown=pb_m]")
    np.testing.assert_array_equal(canvas(opened), picture(opened, "pb_m"))


def test_link_under_a_plate_puts_it_on_the_light_table(opened):
    opened.click("#plate-hg_l figcaption a")
    opened.wait_for_selector("canvas[data-shown=hg_l]")
    np.testing.assert_array_equal(canvas(opened), picture(opened, "hg_l"))


def test_second_scan_has_a_light_table_of_its_own(opened):
    opened.check("#light-table-2 input[value=fe_k_2]", force=True)
    opened.wait_for_selector("canvas[data-shown=fe_k_2]")
    assert canvas(opened, 1).shape == (20, 30, 3)
    np.testing.assert_array_equal(canvas(opened), picture(opened, "pb_l"))


def test_pixels_below_the_decision_threshold_can_be_greyed(opened, maps):
    opened.check("#light-table input[value=hg_l]", force=True)
    opened.check("#light-table [data-role=only-above]")
    opened.wait_for_timeout(200)
    grey = np.all(canvas(opened) == np.round(style.rgb(style.UNSURE) * 255), axis=-1)
    net = maps["net_counts"].sel(line="Hg L").values
    np.testing.assert_array_equal(grey, maps["fit_ok"].values & ~(net > 18))


def test_mixture_is_the_same_as_the_report_s_own_composite(opened, maps):
    from xrfmap.report.figures.composite import composite_image

    opened.check("#light-table input[value=mix]")
    lines = ["Pb L", "Fe K", "Hg L"]
    for light, ident in enumerate(("pb_l", "fe_k", "hg_l")):
        opened.select_option(f"#light-table select[data-light='{light}']", ident)
    opened.wait_for_selector("canvas[data-shown='pb_l fe_k hg_l']")
    expected = composite_image(maps, lines) * 255
    # the page has 254 steps of each map, so three factors may each be off by half a step
    assert np.abs(canvas(opened).astype(float) - expected).max() <= 2.0
    assert "orange: Pb L" in opened.inner_text("#light-table .mix")


def test_pointer_reads_place_and_value(opened, maps):
    field = opened.locator("#light-table .field")
    field.scroll_into_view_if_needed()
    box = field.bounding_box()
    # middle of the pixel in row 9 and column 15 of 45 x 60
    opened.mouse.move(box["x"] + box["width"] * 15.5 / 60, box["y"] + box["height"] * 9.5 / 45)
    words = opened.inner_text("#light-table output")
    found = re.fullmatch(r"x 16\.0, y 17\.2 mm: Pb L ([\d.]+) counts/s", words)
    assert found, words
    rate = float(maps["net_counts"].sel(line="Pb L").values[9, 15]) / 0.5
    shown = maps["net_counts"].sel(line="Pb L").values[maps["fit_ok"].values] / 0.5
    # the picture has 254 steps between the percentiles
    step = np.subtract(*np.percentile(shown, [99.5, 0.5])) / 253
    assert abs(float(found[1]) - rate) <= step


def test_reading_point_moves_by_keyboard(opened):
    opened.focus("#light-table .field")
    opened.keyboard.press("ArrowRight")
    # from the middle, column 30 and row 22 of 60 x 45, one to the right
    assert opened.inner_text("#light-table output").startswith("x 28.8, y 27.6 mm: Pb L ")
    opened.keyboard.press("Shift+ArrowDown")
    assert opened.inner_text("#light-table output").startswith("x 28.8, y 35.6 mm")


def test_unmeasured_pixels_read_as_such(opened):
    field = opened.locator("#light-table .field")
    field.scroll_into_view_if_needed()
    box = field.bounding_box()
    opened.mouse.move(box["x"] + box["width"] * 7.5 / 60, box["y"] + box["height"] * 5.5 / 45)
    assert "Pb L no measurement" in opened.inner_text("#light-table output")


def test_photograph_fades_in_over_the_map(opened):
    slider = opened.locator("#light-table input[type=range]")
    photo = opened.locator("#light-table img.photo")
    assert photo.evaluate("e => getComputedStyle(e).opacity") == "0"
    slider.focus()
    for _ in range(4):
        slider.press("ArrowRight")
    assert photo.evaluate("e => getComputedStyle(e).opacity") == "0.2"
    inside = photo.evaluate(
        "e => { const a = e.getBoundingClientRect(), b = e.parentNode.getBoundingClientRect();"
        "return Math.abs(a.width - b.width) + Math.abs(a.height - b.height); }"
    )
    assert inside < 1


def test_outlines_lie_where_the_area_is_and_can_be_hidden(opened):
    polygon = opened.locator("#light-table .outlines polygon.edge").bounding_box()
    field = opened.locator("#light-table .field").bounding_box()
    # the sledge runs from 10 to 22 mm in a field from 3.6 to 51.6 mm
    left = (polygon["x"] - field["x"]) / field["width"] * 48 + 3.6
    right = left + polygon["width"] / field["width"] * 48
    assert left == pytest.approx(10, abs=0.2)  # half of the outline's own width
    assert right == pytest.approx(22, abs=0.2)
    opened.uncheck("#light-table [data-role=show-areas]")
    assert not opened.locator("#light-table .outlines").is_visible()


def column(page, table, index):
    return page.eval_on_selector_all(
        f"#table-{table} tbody tr", f"rows => rows.map(r => r.cells[{index}].innerText)"
    )


def test_table_sorts_by_click_and_by_keyboard(opened):
    head = opened.locator("#table-line_families thead th").nth(1)
    head.locator("button").click()
    values = [float(v.replace("\u202f", "")) for v in column(opened, "line_families", 1)]
    assert values == sorted(values)
    assert head.get_attribute("aria-sort") == "ascending"
    head.locator("button").focus()
    opened.keyboard.press("Enter")
    values = [float(v.replace("\u202f", "")) for v in column(opened, "line_families", 1)]
    assert values == sorted(values, reverse=True)
    assert head.get_attribute("aria-sort") == "descending"
    first = opened.locator("#table-line_families thead th").nth(0)
    first.locator("button").click()
    names = column(opened, "line_families", 0)
    assert names == sorted(names)
    assert head.get_attribute("aria-sort") is None


def test_empty_cells_stay_last_whichever_way_a_table_sorts(opened):
    head = opened.locator("#table-areas thead th").nth(5).locator("button")
    head.click()
    assert column(opened, "areas", 5) == ["811", "51\u202f230", "–"]
    head.click()
    assert column(opened, "areas", 5) == ["51\u202f230", "811", "–"]


def test_folded_parts_open_by_keyboard_and_the_record_unfolds_on_paper(opened):
    record = opened.locator("details.unfold").first
    assert record.get_attribute("open") is None
    opened.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert record.get_attribute("open") is not None
    opened.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert record.get_attribute("open") is None
    folded = opened.locator("#areas details").first
    folded.locator("summary").focus()
    opened.keyboard.press("Enter")
    assert folded.locator("td", has_text="vermilion").is_visible()


def test_parts_of_the_fit_switch_on_and_off(opened):
    part = "#plot path.part[data-part='Fe K']"
    assert opened.locator(part).count() == 1
    assert "Fe Kα" in opened.locator("#plot text.mark").all_text_contents()
    opened.uncheck("#parts input[data-part='Fe K']")
    assert opened.locator(part).count() == 0
    assert "Fe Kα" not in opened.locator("#plot text.mark").all_text_contents()
    opened.click("#parts-none")
    assert opened.locator("#plot path.part").count() == 0
    opened.click("#parts-all")
    assert opened.locator("#plot path.part").count() == 10


def limits(page):
    return [float(page.input_value(f"#e-{end}")) for end in ("from", "to")]


def test_spectrum_zooms_by_drag_by_keys_and_by_numbers(opened):
    whole = limits(opened)
    plot = opened.locator("#plot")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    middle = box["y"] + box["height"] / 2
    opened.mouse.move(box["x"] + box["width"] * 0.3, middle)
    opened.mouse.down()
    opened.mouse.move(box["x"] + box["width"] * 0.5, middle, steps=4)
    opened.mouse.up()
    near = limits(opened)
    assert near[0] > whole[0]
    # a fifth of the plot's width is a little more than a fifth of the axis
    assert (near[1] - near[0]) / (whole[1] - whole[0]) == pytest.approx(0.215, abs=0.01)
    plot.focus()
    opened.keyboard.press("+")
    assert limits(opened)[1] - limits(opened)[0] == pytest.approx(
        0.6 * (near[1] - near[0]), abs=0.02
    )
    opened.keyboard.press("0")
    assert limits(opened) == whole
    opened.fill("#e-from", "9")
    opened.press("#e-from", "Tab")
    assert limits(opened) == [9.0, whole[1]]
    opened.fill("#e-from", "6")
    opened.fill("#e-to", "7.5")
    opened.press("#e-to", "Enter")
    assert limits(opened) == [6.0, 7.5]
    texts = opened.locator("#plot text.mark").all_text_contents()
    assert texts == ["Fe Kα", "Fe Kβ"]
    opened.click("button[data-zoom=all]")
    assert limits(opened) == whole


def test_names_above_the_spectrum_do_not_overlap(opened):
    for width in (400, 1200):
        opened.set_viewport_size({"width": width, "height": 900})
        opened.wait_for_timeout(200)
        boxes = opened.eval_on_selector_all(
            "#plot text.mark",
            "all => all.map(e => e.getBoundingClientRect()).map(b => [b.left, b.right])"
            ".sort((a, b) => a[0] - b[0])",
        )
        assert len(boxes) > 5
        # boxes of turned text carry the font's line gap; glyphs are 2 px narrower on each side
        assert all(b[0] - a[1] > -4 for a, b in pairwise(boxes))


def test_other_spectra_can_be_chosen(opened):
    names = opened.locator("#which option").all_inner_texts()
    assert names == ["Sum of the scan", "Maximum of any pixel of the scan", "Point p01"]
    opened.select_option("#which", "1")
    assert opened.locator("#plot path.part").count() == 0
    assert opened.locator("#plot path.model").count() == 0
    opened.select_option("#which", "2")
    assert opened.locator("#plot path.part").count() == 10


def test_numbers_of_the_page_s_programs_are_those_of_the_report(opened):
    values = [0.0, -0.5, 999.6, 1234.5, 51234.2, -123456.0, 0.012345, 2.5e-9, 1e7]
    shown = opened.evaluate("values => values.map(v => shownNumber(v, 3))", values)
    assert shown == [number(value) for value in values]
    assert opened.evaluate("() => shownNumber(10812345.4)") == whole(10812345)


def test_linear_scale_and_names_switch(opened):
    before = opened.get_attribute("#plot path.measured", "d")
    opened.uncheck("#log-scale")
    assert opened.get_attribute("#plot path.measured", "d") != before
    opened.uncheck("#line-names")
    assert opened.locator("#plot text.mark").count() == 0


def test_every_control_can_be_reached_and_shows_its_focus(opened):
    controls = opened.evaluate(
        "Array.from(document.querySelectorAll('button, select, input, a[href], [tabindex]'))"
        ".filter(e => e.offsetParent !== null && e.tabIndex < 0).length"
    )
    assert controls == 0
    opened.keyboard.press("Tab")
    assert opened.evaluate("document.activeElement.className") == "skip"
    opened.keyboard.press("Tab")
    assert opened.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_every_control_has_a_name(opened):
    nameless = opened.evaluate(
        "Array.from(document.querySelectorAll("
        "'input, select, button, [role=group], [role=region]'))"
        ".filter(e => !(e.labels && e.labels.length) && !e.getAttribute('aria-label')"
        " && !e.textContent.trim()).map(e => e.outerHTML)"
    )
    assert nameless == []


def test_all_text_on_the_page_has_the_contrast_of_wcag_aa(opened):
    # WCAG 2.1, success criterion 1.4.3: 4.5 : 1, and 3 : 1 from 24 px on
    weak = opened.evaluate(
        """() => {
      const parse = c => (c.match(/[\\d.]+/g) || [0, 0, 0, 0]).map(Number);
      const lum = c => [0, 1, 2].map(i => c[i] / 255)
        .map(v => v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4))
        .reduce((s, v, i) => s + v * [0.2126, 0.7152, 0.0722][i], 0);
      const ground = e => {
        for (; e; e = e.parentElement) {
          const c = parse(getComputedStyle(e).backgroundColor);
          if (c.length < 4 || c[3] > 0.5) { return c; }
        }
        return [255, 255, 255];
      };
      const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), out = [];
      for (let n = walk.nextNode(); n; n = walk.nextNode()) {
        const e = n.parentElement;
        if (!n.textContent.trim() || ["SCRIPT", "STYLE", "NOSCRIPT"].includes(e.tagName)) continue;
        const style = getComputedStyle(e);
        const ink = e.closest("svg") ? parse(style.fill) : parse(style.color);
        const a = lum(ink), b = lum(ground(e));
        const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
        if (ratio < (parseFloat(style.fontSize) >= 24 ? 3 : 4.5)) {
          out.push([n.textContent.trim().slice(0, 30), ratio]);
        }
      }
      return out; }"""
    )
    assert weak == []


def test_page_reads_without_its_programs(browser, report):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(report.as_uri())
    assert page.locator("#img-pb_l").is_visible()
    assert page.locator("noscript img").first.is_visible()
    assert not page.locator("#light-table .controls").is_visible()
    assert page.locator("#table-line_families th .plain").first.is_visible()
    context.close()


@pytest.fixture
def printed(opened, tmp_path):
    import pypdfium2

    path = tmp_path / "report.pdf"
    opened.pdf(path=path, prefer_css_page_size=True, print_background=True)
    document = pypdfium2.PdfDocument(path)
    yield document
    document.close()


def test_printed_page_is_a4_and_can_be_read(printed):
    assert 6 <= len(printed) <= 25
    text = ""
    for page in printed:
        # A4 in points, to the nearest point
        assert [round(side) for side in page.get_size()] == [595, 842]
        text += " " + page.get_textpage().get_text_bounded()
    text = " ".join(text.split()).casefold()
    for word in ("Stated period", "In a later layer", "Detection limit 76 counts/s",
                 "Next check", "energy [keV]", "ionising radiation"):  # fmt: skip
        assert word.casefold() in text, word
    assert "light table" not in text
    assert "drag across" not in text


def test_the_program_prints_the_same_page(report, printed):
    import pypdfium2

    # in a process of its own, as users do: this one has a browser open
    code = (
        "import sys, pathlib; from xrfmap.report.printing import print_report; "
        "print(print_report(pathlib.Path(sys.argv[1])))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, str(report)], capture_output=True, text=True, check=True
    )
    path = report.with_suffix(".pdf")
    assert told.stdout.strip() == str(path)
    document = pypdfium2.PdfDocument(path)
    words = [" ".join(p.get_textpage().get_text_bounded() for p in d) for d in (document, printed)]
    document.close()
    assert words[0].split() == words[1].split()
    assert list(report.parent.glob("*.part")) == []


def test_printed_page_has_its_pictures_and_nothing_beyond_the_margin(printed):
    shots = [page.render(scale=40 / 72).to_numpy()[..., :3] for page in printed]
    for shot in shots:
        ink = (shot < 200).any(axis=-1)
        # margins of 15 mm at the sides: 23 px at 40 dots per inch, less one of rounding
        assert not ink[:, :22].any()
        assert not ink[:, -22:].any()
        assert ink.mean() > 0.002
    blue_last = np.concatenate([shot.reshape(-1, 3) for shot in shots])[:, ::-1]
    orange = np.abs(blue_last.astype(int) - (254, 159, 109)).max(axis=1)
    assert (orange < 25).sum() > 200  # the middle of the maps' colour scale


@pytest.mark.usefixtures("coarse")
def test_hostile_text_runs_nothing_and_breaks_nothing(browser, tmp_path, spectra):
    study = Study.model_validate(poisoned({k: v for k, v in STUDY.items() if k != "area"}))
    maps = make_maps(20, 24, LINES[:3])
    maps = maps.assign_coords(line=[HOSTILE, *map(str, maps["line"].values[1:])])
    named = spectra.assign_coords(component=[HOSTILE, *map(str, spectra["component"].values[1:])])
    path = write_report(
        tmp_path, study, Findings.model_validate(poisoned(FINDINGS)), maps, named,
        {HOSTILE: named}, poisoned(RUN),
    )  # fmt: skip
    said = []
    page = browser.new_page()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    page.goto(path.as_uri())
    page.wait_for_selector("canvas[data-shown]")
    shown = style.visible_text(HOSTILE)
    assert page.inner_text("h1") == shown
    assert page.locator("#parts label").first.inner_text() == shown
    page.locator("#light-table .field").press("ArrowRight")
    assert shown in page.inner_text("#light-table output")
    page.locator("#parts input").first.uncheck()
    assert page.locator("#plot path.part").count() == 9
    page.close()
    assert said == []
