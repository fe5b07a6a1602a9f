"""The section on a hidden design: pictures, words, tables; nothing where nothing was sought."""

import base64
import csv
import io
import json
import re

import numpy as np
import pytest
from hidden_scenes import colours, figure, paints, scan_of
from matplotlib.text import Text
from PIL import Image

from xrfmap.pictures.hidden import HIDDEN_CAUTIONS, hidden_design, shapes_of
from xrfmap.report import write_report
from xrfmap.report.figures import hidden_map
from xrfmap.report.hidden import (
    hidden_words,
    joint_words,
    line_words,
    shape_table,
    sure_words,
    told_lines,
)
from xrfmap.report.words import number

SHAPE = (60, 70)


@pytest.fixture(scope="module")
def hidden():
    shares = paints(SHAPE, 1, size=5)
    picture = colours(shares, 1)
    found = hidden_design(
        scan_of(shares, 100, 1, hidden=figure(SHAPE)), picture, placement_error=0.3
    )
    found["picture"] = (("y", "x", "band"), picture)
    return found.assign_attrs(photograph="<b>photo</b>.png", placement="placed by hand")


@pytest.fixture(scope="module")
def folder(hidden, study, findings, tmp_path_factory):
    out = tmp_path_factory.mktemp("report")
    write_report(out, study, findings, hidden=hidden)
    return out


def test_page_shows_the_visible_picture_first_then_the_joint_one(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    section = page[page.index('<section id="hidden">') : page.index('<section id="limits">')]
    names = re.findall(r'<span class="name">([^<]+)</span>', section)
    assert names == [
        "Visible picture", "All families together", "Copper (Cu K): more or less",
        "Copper (Cu K): how sure that is",
    ]  # fmt: skip
    assert '<a href="#hidden">Hidden design</a>' in page
    for words in HIDDEN_CAUTIONS:
        assert words in section
    assert "<b>photo</b>" not in page  # a file name is text, not markup


def test_the_summary_says_that_something_is_not_explained(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    summary = page[: page.index('<section id="hidden">')]
    assert "Shapes in Cu that the visible picture does not explain" in summary


def test_visible_picture_has_the_colours_that_were_compared(folder, hidden):
    page = (folder / "report.html").read_text(encoding="utf-8")
    section = page[page.index('<section id="hidden">') :]
    data = re.search(r'src="data:image/png;base64,([^"]+)"', section)[1]
    shown = np.asarray(Image.open(io.BytesIO(base64.b64decode(data)))) / 255
    assert shown == pytest.approx(hidden["picture"].values, abs=0.5 / 255 + 1e-6)  # eight bits


def test_figures_and_their_data_are_written(folder, hidden):
    for name in ("hidden_joint", "hidden_unexplained_cu_k", "hidden_significance_cu_k"):
        assert (folder / "figures" / f"{name}.png").stat().st_size > 10_000
        with (folder / "tables" / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            rows = list(csv.reader(file))
        assert len(rows) == SHAPE[0] + 1
    given = [float(v) if v else np.nan for v in rows[20][1:]]
    # five digits are written
    assert np.allclose(
        given, hidden["significance"].sel(line="Cu K")[19], rtol=1e-4, equal_nan=True
    )


def test_table_tells_whose_outline_a_shape_follows(folder):
    with (folder / "tables" / "hidden_shapes.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {row["line"] for row in rows if row["outline"] == "of its own"} == {"Cu K"}
    assert all(row["sign"] in ("more", "less") for row in rows)


def test_words_name_sign_and_significance(hidden):
    assert told_lines(hidden) == ["Cu K"]
    assert line_words(hidden, "Cu K").startswith("More copper than places of like colour hold")
    peak = max(shape["peak"] for shape in shapes_of(hidden))
    assert f"up to {number(peak)} here" in sure_words(hidden, "Cu K")
    assert "Orange stands for more Cu K (1.00); violet for the opposite" in joint_words(hidden)
    assert "the chance that noise alone goes so far anywhere in the scan is 5 %" in (
        hidden_words(hidden)
    )


def test_a_strong_shape_leaves_weaker_ones_to_be_seen(hidden):
    strong = hidden.assign(significance=hidden["significance"] * 100)
    level = float(hidden.attrs["level"])
    (image,) = hidden_map(strong, "significance", "Cu K").get_images()
    assert image.get_clim() == pytest.approx((-4 * level, 4 * level))
    # the differences themselves keep the scale of their own
    (image,) = hidden_map(hidden, "unexplained", "Cu K").get_images()
    largest = np.nanquantile(np.abs(hidden["unexplained"].sel(line="Cu K")), 0.995)
    assert image.get_clim()[1] == pytest.approx(largest)


@pytest.mark.parametrize(("what", "line"), [("joint", None), ("significance", "Cu K")])
def test_pictures_of_the_page_can_be_read_in_a_narrow_window(hidden, what, line):
    figure_ = hidden_map(hidden, what, line).figure
    figure_.canvas.draw()
    texts = [t for t in figure_.findobj(Text) if t.get_visible() and t.get_text().strip()]
    shown = 390 / (72 * figure_.get_figwidth())  # a window of 420 px less its margins
    assert min(t.get_fontsize() for t in texts) * shown >= 9.0
    box = figure_.bbox
    for text in texts:
        inside = text.get_window_extent()
        assert box.x0 <= inside.x0 <= inside.x1 <= box.x1, text.get_text()
        assert box.y0 <= inside.y0 <= inside.y1 <= box.y1, text.get_text()


def test_no_section_where_nothing_was_sought(tmp_path, study, findings):
    write_report(tmp_path, study, findings)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert 'id="hidden"' not in page


def test_one_shape_that_follows_edges_is_told_in_the_singular(hidden):
    shapes = json.loads(hidden.attrs["shapes"])
    for count, words in ((1, "1 more shape follows edges"), (2, "2 more shapes follow edges")):
        many = [{**shapes[0], "follows_picture": i > 0} for i in range(count + 1)]
        assert words in hidden_words(hidden.assign_attrs(shapes=json.dumps(many)))


def test_lengths_and_areas_of_the_page_have_their_units(hidden):
    titles = [column.title for column in shape_table(hidden).columns]
    unit = hidden["x"].attrs["units"]
    assert {f"Area [{unit}²]", f"x [{unit}]", f"y [{unit}]"} <= set(titles)
