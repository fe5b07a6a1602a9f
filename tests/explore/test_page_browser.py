"""The page in headless Chromium: draw, read, save, reload, undo, window, comparison, keyboard."""

from __future__ import annotations

import re
import time

import numpy as np
import pytest

from xrfmap.study.study_file import load_study

pytestmark = pytest.mark.browser

PLACE = """name => {
  const model = Bokeh.documents[0].get_model_by_name(name);
  const view = Bokeh.index.find_one(model);
  const outer = view.el.getBoundingClientRect();
  const box = view.frame.bbox;
  return [outer.left + box.left, outer.top + box.top, box.width, box.height,
          model.x_range.start, model.x_range.end, model.y_range.start, model.y_range.end];
}"""
LONGEST = 300  # seconds that a fit may take on a busy machine; the waits end when it is done


class Page:
    """The page as a person has it, with a look into its models where a canvas tells nothing."""

    def __init__(self, browser, address, width=1280, height=1000):
        self.tab = browser.new_page(viewport={"width": width, "height": height})
        self.problems = []
        self.requests = []
        self.tab.on("console", self._console)
        self.tab.on("pageerror", lambda bad: self.problems.append(str(bad)))
        self.tab.on("request", lambda request: self.requests.append(request.url))
        self.tab.goto(address)
        self.ready()

    def _console(self, message):
        if message.type in ("error", "warning"):
            self.problems.append(message.text)

    def ready(self):
        self.tab.wait_for_selector("body[data-ready=yes]", timeout=1000 * LONGEST)

    def value(self, name, attribute="value"):
        script = "([name, key]) => Bokeh.documents[0].get_model_by_name(name)[key]"
        return self.tab.evaluate(script, [name, attribute])

    def until(self, condition, what):
        end = time.monotonic() + LONGEST
        while time.monotonic() < end:
            found = condition()
            if found:
                return found
            self.tab.wait_for_timeout(100)
        told = self.value("status", "text")
        raise AssertionError(f"waited {LONGEST} s in vain: {what}; the page says {told}")

    def place(self, name, x, y=None):
        left, top, width, height, x0, x1, y0, y1 = self.tab.evaluate(PLACE, name)
        down = height / 2 if y is None else height * (1 - (y - y0) / (y1 - y0))
        return left + width * (x - x0) / (x1 - x0), top + down

    def button(self, name):
        self.tab.get_by_role("button", name=name, exact=True).click()

    def maps_shown(self):
        script = """() => [0, 1, 2, 3, 4, 5].map(n => {
            const root = Bokeh.documents[0].get_model_by_name("plate_" + n);
            return root.visible ? root.children[0].text : null;
        })"""
        found = [text for text in self.tab.evaluate(script) if text]
        return [re.sub("<[^>]+>", "", text).split(" [")[0] for text in found]

    def mapped(self):
        self.until(lambda: "Pb L" in self.value("families", "labels"), "element maps")

    def outline(self, corners, shown="map-0"):
        self.button("outline by corners")
        for corner in corners[:-1]:
            self.tab.mouse.click(*self.place(shown, *corner))
            self.tab.wait_for_timeout(350)  # two clicks within 300 ms are a double click
        self.tab.mouse.dblclick(*self.place(shown, *corners[-1]))

    def head(self):
        return self.value("finding-head", "text")

    def image(self, number):
        """Values of a map as they were sent."""
        script = """name => {
            const plot = Bokeh.documents[0].get_model_by_name(name);
            const drawn = plot.renderers.find(r => r.glyph.type == "Image");
            const image = drawn.data_source.data["image"][0];
            return {shape: image.shape, values: Array.from(image)};
        }"""
        found = self.tab.evaluate(script, f"map-{number}")
        return np.array(found["values"], dtype=float).reshape(found["shape"])


def check(page, served):
    assert page.problems == []
    # nothing came from anywhere else
    outside = [u for u in page.requests if not u.startswith((served.origin, "data:", "blob:"))]
    assert outside == []


@pytest.fixture
def page(browser, served):
    found = Page(browser, served.address)
    yield found
    found.tab.close()
    check(found, served)


@pytest.fixture(scope="module")
def one_page(browser, served):
    found = Page(browser, served.address)
    yield found
    found.tab.close()


@pytest.fixture
def same_page(one_page, served):
    """Page of the tests before, for those that take back what they do or only look."""
    yield one_page
    check(one_page, served)


@pytest.fixture(scope="module")
def counts(panel):
    return panel.scan["counts"].values


@pytest.fixture(scope="module")
def live(panel):
    return panel.scan["live_time"].values


def test_all_counts_are_shown_while_the_elements_are_looked_for(page, counts, live):
    page.until(lambda: page.maps_shown() != [], "a first map")
    if page.maps_shown() == ["all counts"]:
        page.until(lambda: page.value("families", "labels"), "controls")
        rate = counts.sum(axis=2) / live
        # sent as 32-bit floats
        assert page.image(0) == pytest.approx(rate, rel=1e-6)
    page.mapped()
    page.until(lambda: "all counts" not in page.maps_shown(), "the strongest elements")
    assert 1 <= len(page.maps_shown()) <= 3


def test_draw_read_save_reload_undo(page, served, counts):
    page.mapped()
    before = served.study.read_bytes()
    page.outline([(4, 4), (24, 4), (24, 20), (4, 20)])
    page.until(lambda: "every element" in page.head().lower(), "the full fit")
    # pixels with centres 5, 7 ... 23 mm across and 5, 7 ... 19 mm down
    inside = counts[2:10, 2:12]
    total = f"{inside.sum():,}".replace(",", "\u202f")
    assert f"{inside.shape[0] * inside.shape[1]} pixels" in page.head()
    assert total in page.head()
    table = page.value("finding-table", "text")
    assert "Pb L" in table
    assert "standard errors" in table

    page.tab.get_by_label("name", exact=True).fill("upper left & <b>corner</b>")
    page.tab.get_by_label("layer").select_option("retouching")
    page.tab.get_by_label("name", exact=True).press("Tab")
    page.button("Save into the study")
    page.until(lambda: "saved as" in page.value("finding-note", "text"), "saving")
    assert "<b>" not in page.value("finding-note", "text")
    study = load_study(served.study)
    saved = study.area[-1]
    assert (saved.name, saved.layer) == ("upper left & <b>corner</b>", "retouching")
    # a click is good to a fraction of a pixel of 2 mm
    assert np.array(saved.polygon_mm) == pytest.approx(
        np.array([(4, 4), (24, 4), (24, 20), (4, 20)]), abs=1.0
    )
    assert served.study.read_bytes().startswith(before)
    copies = list(served.study.parent.glob("mill.toml.*.bak"))
    assert [copy.read_bytes() for copy in copies] == [before]

    page.tab.reload()
    page.ready()
    page.until(
        lambda: any("upper left" in str(option) for option in page.value("take-A", "options")),
        "the area after reloading",
    )
    page.tab.get_by_label("area A is").select_option(label="upper left & <b>corner</b>")
    page.until(lambda: total in page.head(), "the sum of the saved area")


def test_saving_can_be_taken_back(same_page, served):
    same_page.mapped()
    before = served.study.read_bytes()
    same_page.outline([(50, 30), (70, 30), (60, 50)])
    same_page.until(lambda: same_page.value("corners"), "the outline")
    same_page.tab.get_by_label("name", exact=True).fill("triangle")
    same_page.tab.get_by_label("name", exact=True).press("Tab")
    same_page.button("Save into the study")
    same_page.until(lambda: "saved as" in same_page.value("finding-note", "text"), "saving")
    same_page.button("Undo: saving triangle")
    same_page.until(lambda: "taken back" in same_page.value("finding-note", "text"), "undoing")
    assert served.study.read_bytes() == before
    assert same_page.value("take-A") == "as drawn"
    same_page.button("Undo: outline A")
    same_page.until(lambda: same_page.value("take-A") == "nothing", "undoing the outline")
    assert same_page.value("corners") == ""


def test_a_name_that_is_taken_is_refused_in_words_and_nothing_changes(page, served):
    page.mapped()
    before = served.study.read_bytes()
    page.tab.get_by_role("textbox", name="corners").fill("10 10, 30 10, 30 30")
    page.tab.get_by_role("textbox", name="corners").press("Enter")
    page.until(lambda: page.value("take-A") == "as drawn", "the typed outline")
    page.tab.get_by_label("name", exact=True).fill("left half")
    page.tab.get_by_label("name", exact=True).press("Tab")
    page.button("Save into the study")
    page.until(lambda: "second time" in page.value("finding-note", "text"), "the refusal")
    assert served.study.read_bytes() == before


def test_the_pointer_reads_the_pixel(page, panel, counts):
    page.mapped()
    page.tab.mouse.move(*page.place("map-0", 21.3, 12.4))
    page.until(lambda: "x 21, y 13 mm" in page.value("here", "text"), "the pixel")
    text = page.value("here", "text")
    assert (
        f"{counts[6, 10].sum():,}".replace(",", "\u202f") in text
        or str(counts[6, 10].sum()) in text
    )
    assert "±" in text
    assert re.search("seen", text)

    def drawn():
        script = """() => {
            const plot = Bokeh.documents[0].get_model_by_name("spectrum-log");
            const line = plot.renderers.filter(r => r.glyph.type == "Step")[1];
            return Array.from(line.data_source.data["y"]);
        }"""
        return np.array(page.tab.evaluate(script), dtype=float)

    page.until(lambda: drawn().size == 1024, "its spectrum")
    # four channels together, as their mean
    together = counts[6, 10].reshape(-1, 4).mean(axis=1).repeat(4)
    assert drawn() == pytest.approx(together, abs=1e-9)
    page.tab.mouse.click(*page.place("map-0", 21.3, 12.4))
    page.until(lambda: "held" in page.value("here", "text"), "holding")
    page.tab.mouse.move(*page.place("map-0", 50, 40))
    page.tab.wait_for_timeout(400)
    assert "x 21, y 13 mm" in page.value("here", "text")


def test_a_window_drawn_in_the_spectrum_is_mapped(same_page, counts, live):
    same_page.mapped()
    first, last = same_page.place("spectrum-log", 6.2), same_page.place("spectrum-log", 6.6)
    same_page.tab.mouse.move(*first)
    same_page.tab.mouse.down()
    same_page.tab.mouse.move((first[0] + last[0]) / 2, first[1])
    same_page.tab.mouse.move(*last)
    same_page.tab.mouse.up()
    same_page.until(lambda: any("keV" in name for name in same_page.maps_shown()), "the map")
    low, high = same_page.value("window-low"), same_page.value("window-high")
    # a pixel of the screen is about 0.06 keV wide
    assert (low, high) == (pytest.approx(6.2, abs=0.13), pytest.approx(6.6, abs=0.13))
    number = len(same_page.maps_shown()) - 1
    caption = "() => Bokeh.documents[0].get_model_by_name('plate_%d').children[2].text" % number  # noqa: UP031
    same_page.until(lambda: "exactly" not in same_page.tab.evaluate(caption), "the exact count")
    image = same_page.image(number)
    energy = np.arange(1024) * 0.04
    possible = [
        counts[..., (energy >= low + a) & (energy <= high + b)].sum(axis=2) / live
        # the scale found from the lines may differ from the simulated one by a fraction
        # of a channel, which moves an end of the window by one channel at most
        for a in (-0.04, 0, 0.04) for b in (-0.04, 0, 0.04)
    ]  # fmt: skip
    assert any(image == pytest.approx(one, rel=1e-6) for one in possible)
    same_page.button("Undo: energy window")
    same_page.until(lambda: not any("keV" in name for name in same_page.maps_shown()), "undoing")


def test_zoom_is_linked_and_choice_of_maps_is_kept(same_page):
    same_page.mapped()
    shown = same_page.maps_shown()
    same_page.button("all counts")
    same_page.until(lambda: "all counts" in same_page.maps_shown(), "one map more")
    same_page.tab.mouse.move(*same_page.place("map-1", 40, 30))
    same_page.tab.mouse.wheel(0, -400)
    same_page.until(lambda: same_page.tab.evaluate(PLACE, "map-0")[5] < 79, "zooming")
    assert same_page.tab.evaluate(PLACE, "map-0")[4:] == same_page.tab.evaluate(PLACE, "map-1")[4:]
    same_page.button("whole scan")
    same_page.until(
        lambda: same_page.tab.evaluate(PLACE, "map-1")[4:6] == [0, 80], "the whole scan"
    )
    same_page.button("Undo: choice of maps")
    same_page.until(lambda: same_page.maps_shown() == shown, "the maps before")


def test_two_areas_are_compared(page):
    page.mapped()
    page.tab.get_by_label("area A is").select_option(label="left half")
    page.tab.get_by_label("area B is").select_option(label="the whole scan")
    page.button("A against B")
    page.until(lambda: "compared with the rest of B" in page.head(), "the comparison by blocks")
    assert re.search("Differs|No difference detectable", page.head())
    table = page.value("finding-table", "text")
    assert "Pb L" in table
    assert "seen from" in table
    assert "A − B [% of the mean]" in table


def test_components_can_be_switched(page):
    page.mapped()
    page.tab.get_by_label("area A is").select_option(label="left half")
    page.until(lambda: "every element" in page.head().lower(), "the fit")
    lines = "() => Bokeh.documents[0].get_model_by_name('spectrum-log').renderers"
    lines += ".find(r => r.glyph.type == 'MultiLine').data_source.data['xs'].length"
    many = page.tab.evaluate(lines)
    assert many == len(page.value("components", "labels"))
    page.button("continuum")
    page.until(lambda: page.tab.evaluate(lines) == many - 1, "one line less")


def test_everything_can_be_done_with_the_keyboard(same_page):
    same_page.mapped()
    same_page.tab.get_by_role("button", name="outline by corners").focus()
    same_page.tab.keyboard.press("Enter")
    same_page.tab.locator("#maps").focus()
    for keys in (["ArrowRight"], ["Shift+ArrowRight"], ["Shift+ArrowDown"]):
        for key in keys:
            same_page.tab.keyboard.press(key)
        same_page.tab.keyboard.press("Space")
    same_page.tab.keyboard.press("Enter")
    same_page.until(lambda: same_page.value("corners"), "the outline")
    same_page.until(lambda: "pixels" in same_page.head(), "its sum")
    same_page.tab.keyboard.press("Control+z")
    same_page.until(lambda: same_page.value("corners") == "", "undoing")


def test_the_photograph_lies_over_the_maps(same_page):
    same_page.mapped()
    same_page.tab.get_by_label("picture").select_option("1: photograph")
    same_page.until(
        lambda: "control points" in same_page.value("place-note", "text"), "the placement"
    )
    script = """() => {
        const plot = Bokeh.documents[0].get_model_by_name("map-0");
        const found = plot.renderers.filter(r => r.glyph.type == "ImageRGBA")[1];
        const image = found.data_source.data["image"][0];
        const [rows, columns] = image.shape;
        const at = (r, c) => image[Math.floor(r * rows) * columns + Math.floor(c * columns)];
        return [at(0.5, 0.2), at(0.5, 0.8)];
    }"""
    left, right = same_page.tab.evaluate(script)
    # black on the left, (200, 180, 90) on the right, opaque; lowest byte is red
    assert left & 0xFFFFFFFF == 0xFF000000
    assert [right >> shift & 0xFF for shift in (0, 8, 16, 24)] == [200, 180, 90, 255]


@pytest.mark.parametrize("width", [1800, 1280])
def test_nothing_overflows(same_page, width):
    same_page.tab.set_viewport_size({"width": width, "height": 1000})
    same_page.mapped()
    same_page.tab.get_by_label("area A is").select_option(label="left half")
    same_page.until(lambda: "Pb L" in same_page.value("finding-table", "text"), "a table")
    same_page.tab.wait_for_timeout(500)
    assert same_page.tab.evaluate("document.documentElement.scrollWidth") <= width
    right = same_page.tab.evaluate(
        "Math.max(...[...document.querySelectorAll('#maps > *, #maps *')]"
        ".map(e => e.getBoundingClientRect().right))"
    )
    assert right <= same_page.tab.evaluate(
        "document.querySelector('.told').getBoundingClientRect().left"
    )


def test_every_control_can_be_reached_by_tab_and_has_a_name(page):
    page.mapped()
    script = """() => {
        let here = document.activeElement;
        while (here && here.shadowRoot && here.shadowRoot.activeElement)
            here = here.shadowRoot.activeElement;
        const name = here.innerText || here.getAttribute("aria-label") || here.title ||
            (here.labels && here.labels.length ? here.labels[0].innerText : "") ||
            (here.closest(".bk-input-group") || here).innerText || here.id;
        return [here.tagName, name.trim()];
    }"""
    reached = []
    for _ in range(90):
        page.tab.keyboard.press("Tab")
        reached.append(tuple(page.tab.evaluate(script)))
    names = {name for _, name in reached}
    assert all(name for tag, name in reached if tag in ("BUTTON", "INPUT", "SELECT"))
    for wanted in ("Pb L", "no window", "point", "whole scan", "energy window", "area A"):
        assert wanted in names
