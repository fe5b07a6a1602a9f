"""Figures: units, scale, masks, colours that stay apart, and the same bytes each time."""

from __future__ import annotations

import io
import subprocess
import sys
from itertools import combinations, pairwise

import numpy as np
import pytest
from invented_study import LINES, make_maps
from matplotlib import colormaps
from matplotlib.figure import Figure
from skimage.color import deltaE_ciede2000, rgb2lab

from xrfmap.findings import Findings
from xrfmap.report import fields, figures, style
from xrfmap.report.figures.composite import composite_image
from xrfmap.report.figures.diagrams import date_bars, year_frame
from xrfmap.report.figures.spectra import shown_range
from xrfmap.settings import Study

# Machado, Oliveira, Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE TVCG 15, 1291 (2009), severity 1.0; from memory.
DICHROMATS = {
    "normal sight": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip


def seen(colours, sight):
    """CIELAB of sRGB colours as an eye of that sight sees them."""
    values = np.atleast_2d(np.asarray(colours, dtype=float))
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    changed = np.clip(linear @ DICHROMATS[sight].T, 0, 1)
    back = np.where(changed <= 0.0031308, changed * 12.92, 1.055 * changed ** (1 / 2.4) - 0.055)
    return rgb2lab(back[None])[0]


def pixels_of(ax):
    buffer = io.BytesIO()
    style.save_png(ax.figure, buffer, 100)
    from PIL import Image

    return np.asarray(Image.open(buffer).convert("RGB"))


def texts(ax):
    return " | ".join(t.get_text() for t in ax.figure.findobj(lambda a: hasattr(a, "get_text")))


def test_lightness_of_the_single_map_scale_rises_from_black_to_cream():
    light = rgb2lab(style.map_lut()[None] / 255.0)[0, :, 0]
    assert np.all(np.diff(light) > 0)
    assert light[0] < 1
    assert light[-1] > 95


def test_equal_steps_of_the_single_map_scale_look_equal():
    def unevenness(colours):
        lab = rgb2lab(np.asarray(colours)[None])[0]
        steps = deltaE_ciede2000(lab[:-1], lab[1:])
        return steps.max() / steps.min()

    places = np.linspace(0, 253, 17).round().astype(int)
    ours = unevenness(style.map_lut()[places] / 255.0)
    # CIEDE2000 over sixteen steps: a plain grey wedge in sRGB has 2.3 by this measure, a rainbow
    # scale over 4; the scale was made even in CAM02-UCS, which differs a little from CIEDE2000
    assert ours < 2.5
    assert unevenness(colormaps["jet"](np.linspace(0, 1, 17))[:, :3]) > 4


@pytest.mark.parametrize("sight", DICHROMATS)
def test_mask_colour_stands_apart_from_every_step_of_the_scale(sight):
    scale = seen(style.map_lut() / 255.0, sight)
    mask = seen(style.rgb(style.MASK), sight)
    # a difference of 2.3 is just noticed side by side (Mahy et al. 1994, from memory); ten times
    # that is seen across a picture
    assert np.linalg.norm(scale - mask, axis=1).min() > 23


@pytest.mark.parametrize("sight", DICHROMATS)
def test_composite_colours_and_their_mixtures_stay_apart(sight):
    inks = [style.rgb(ink) for ink in style.COMPOSITE_INKS]

    def screen(chosen):
        return 1 - np.prod([1 - ink for ink in chosen], axis=0)

    alone = seen(inks, sight)
    assert min(np.linalg.norm(a - b) for a, b in combinations(alone, 2)) > 40
    mixed = [screen(c) for n in (1, 2, 3) for c in combinations(inks, n)] + [np.zeros(3)]
    # 10 is four times what is just noticed; the search found nothing much better for three inks
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen(mixed, sight), 2)) > 10


def test_element_map_says_unit_stretch_limit_and_mask(maps):
    ax = figures.element_map(maps, "Hg L")
    words = texts(ax)
    assert "Hg L, mercury" in words
    assert "net counts [counts/s]" in words
    assert "from percentile 0.5 to percentile 99.5" in words
    assert "Detection limit 76 counts/s (median over pixels)" in words
    assert "no measurement: 16 pixels" in words
    assert ax.get_xlabel() == "x [mm]"


def test_element_map_stays_in_counts_where_the_live_time_is_unknown(maps):
    held = maps.assign(live_time=maps["live_time"] * np.nan)
    words = texts(figures.element_map(held, "Hg L"))
    assert "net counts [counts]" in words
    assert "counts/s" not in words


def test_y_runs_downward_and_millimetres_are_square(maps):
    ax = figures.element_map(maps, "Pb L")
    low, high = ax.get_ylim()
    assert low > high
    assert ax.get_aspect() == 1.0


def test_scale_bar_has_the_length_it_names(maps):
    ax = figures.element_map(maps, "Pb L")
    bars = [line for line in ax.lines if line.get_linewidth() == 2.4]
    assert len(bars) == 1
    left, right = bars[0].get_xdata()
    assert right - left == pytest.approx(10)  # the scan is 48 mm wide
    assert "10 mm" in texts(ax)


def test_shown_range_is_the_percentiles_of_the_measured_pixels(maps):
    ax = figures.element_map(maps, "Fe K", percentiles=(5, 95))
    rate = maps["net_counts"].sel(line="Fe K").values / 0.5
    expected = np.nanpercentile(np.where(maps["fit_ok"].values, rate, np.nan), [5, 95])
    np.testing.assert_allclose(ax.images[0].get_clim(), expected)


def test_bad_pixels_can_be_seen_in_the_picture(maps):
    mask = np.round(style.rgb(style.MASK) * 255).astype(int)
    with_mask = pixels_of(figures.element_map(maps, "Fe K"))
    whole = maps.copy(deep=True)
    whole["fit_ok"].values[:] = True
    whole["net_counts"].values[:] = np.nan_to_num(whole["net_counts"].values)
    without = pixels_of(figures.element_map(whole, "Fe K"))
    assert (np.abs(with_mask.astype(int) - mask).max(axis=-1) <= 1).sum() > 200
    assert (np.abs(without.astype(int) - mask).max(axis=-1) <= 1).sum() == 0


def test_ratio_map_tells_unmeasured_from_too_weak(maps):
    words = texts(figures.ratio_map(maps, "Hg L", "Pb L"))
    weak = int((~np.isfinite(fields.ratio(maps, "Hg L", "Pb L").values)).sum()) - 16
    assert f"one of the two not above its detection limit: {weak} pixels" in words
    assert "no measurement: 16 pixels" in words


def test_composite_of_one_family_is_its_ink_times_its_stretched_value(maps):
    picture = composite_image(maps, ["Fe K"])
    shown = fields.field(maps, "Fe K")
    span = fields.stretch(shown.values)
    part = np.clip((shown.values - span.low) / (span.high - span.low), 0, 1)
    good = ~shown.bad
    ink = style.rgb(style.COMPOSITE_INKS[0])
    np.testing.assert_allclose(picture[good], part[good][:, None] * ink)
    np.testing.assert_allclose(picture[~good], np.tile(style.rgb(style.MASK), (16, 1)))


def test_composite_takes_no_more_than_three(maps):
    with pytest.raises(ValueError, match="one to three families, found 4"):
        figures.composite_map(maps, LINES[:4])


def test_plate_holds_every_family_in_one_figure(maps):
    axes = figures.plate_of_maps(maps)
    assert [ax.get_title("left") for ax in axes] == list(LINES)
    assert len({id(ax.figure) for ax in axes}) == 1
    assert "10 mm, the same for all maps" in texts(axes[0])


def test_spectrum_is_logarithmic_with_named_lines(spectra):
    ax = figures.fitted_spectrum(spectra, title="Sum")
    assert ax.get_yscale() == "log"
    words = texts(ax)
    assert ax.get_xlabel() == "energy [keV]"
    assert ax.get_ylabel() == "counts per channel"
    assert all(name in words for name in ("Pb Lα", "Fe Kα", "Hg Lβ", "fit", "measured"))


def test_a_spectrum_without_a_fit_of_its_own_has_named_lines_too(spectra):
    words = texts(figures.fitted_spectrum(spectra, counts="max_pixel_counts"))
    assert "Pb Lα" in words
    assert "| fit |" not in words


def test_shown_energies_are_those_the_model_covers_and_no_more_than_there_are():
    energy = 0.02 * np.arange(2000)
    counts = np.full(2000, 50.0)
    model = np.full(2000, np.nan)
    model[100:1995] = 50.0
    low, high = shown_range(energy, counts, model)
    # a fifth of a keV of air on either side; the spectrum ends at 39.98 keV
    assert (low, high) == pytest.approx((1.8, 39.98))


def test_only_the_parts_asked_for_are_drawn(spectra):
    words = texts(figures.fitted_spectrum(spectra, components=["Fe K"], name_lines=False))
    assert "Fe K" in words
    assert "Pb L" not in words


def test_names_above_a_spectrum_do_not_overlap(spectra):
    ax = figures.fitted_spectrum(spectra)
    ax.figure.draw_without_rendering()
    boxes = [t.get_window_extent() for t in ax.texts if t.get_rotation() == 90]
    boxes.sort(key=lambda box: box.x0)
    assert len(boxes) > 10
    # boxes are as wide as the font is high; glyphs leave a fifth of that free
    assert all(b.x0 - a.x0 > 0.8 * a.width for a, b in pairwise(boxes))


def test_scatter_has_units_and_counts_its_pixels(maps):
    ax = figures.element_scatter(maps, "Pb L", "Fe K")
    assert ax.get_xlabel() == "Pb L, net counts [counts/s]"
    assert f"{45 * 60 - 16} pixels" in texts(ax)


def test_large_scatter_becomes_a_density():
    ax = figures.element_scatter(make_maps(80, 100), "Pb L", "Fe K")
    assert len(ax.collections) == 1
    assert "pixels" in texts(ax)


def test_layers_run_from_top_to_bottom(study, findings):
    ax = figures.layer_diagram(study, findings)
    low, high = ax.get_ylim()
    assert low > high
    words = texts(ax)
    assert words.index("retouching") < words.index("picture layer") < words.index("support")
    assert "stated period 1630 to 1650" in words


def test_chronology_holds_period_rings_documents_and_layers(study, findings):
    kinds = [bar.kind for bar in date_bars(study, findings)]
    assert kinds == ["period", "tree rings", "document", *["layer"] * 5]
    words = texts(figures.chronology_diagram(study, findings))
    assert "1598" in words
    assert "1652" in words


def test_year_frame_holds_every_bound_with_air(study, findings):
    low, high = year_frame(date_bars(study, findings))
    assert low <= 1598 - 15
    assert high >= 1916 + 15
    assert low % 10 == high % 10 == 0


def test_diagrams_of_a_study_without_any_date():
    bare = Study.model_validate({"object": {"title": "x"}, "layer": [{"name": "ground"}]})
    empty = Findings.model_validate(
        {"schema": 1, "title": "x", "period": None, "overall": "compatible"}
    )
    assert "no bound" in texts(figures.layer_diagram(bare, empty))
    assert "no bound" in texts(figures.chronology_diagram(bare, empty))


def test_a_figure_can_be_drawn_into_axes_of_ones_own(maps, spectra, study, findings):
    for draw in (
        lambda ax: figures.element_map(maps, "Pb L", ax=ax),
        lambda ax: figures.ratio_map(maps, "Pb M", "Pb L", ax=ax),
        lambda ax: figures.composite_map(maps, ["Pb L", "Fe K"], ax=ax),
        lambda ax: figures.fitted_spectrum(spectra, ax=ax),
        lambda ax: figures.element_scatter(maps, "Pb L", "Fe K", ax=ax),
        lambda ax: figures.chronology_diagram(study, findings, ax=ax),
    ):
        ax = Figure().subplots()
        assert draw(ax) is ax


def test_a_figure_is_the_same_bytes_each_time(maps):
    first, second = io.BytesIO(), io.BytesIO()
    style.save_png(figures.element_map(maps, "Pb L").figure, first, 80)
    style.save_png(figures.element_map(maps, "Pb L").figure, second, 80)
    assert first.getvalue() == second.getvalue()


def test_figures_leave_pyplot_alone():
    code = (
        "import sys; from xrfmap.report import figures, write; "
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("title", ["cost $5", "$x^{2", "\x1b[31mred", "画 ✓", "a" * 500, "<b>"])
def test_no_title_can_break_a_figure(spectra, title):
    ax = figures.fitted_spectrum(spectra, title=title)
    style.save_png(ax.figure, io.BytesIO(), 60)
    assert "\x1b" not in ax.get_title("left")


@pytest.mark.parametrize(("rows", "columns"), [(1, 40), (40, 1), (1, 1), (3, 200), (200, 3)])
def test_any_shape_of_scan_gives_a_map(rows, columns):
    held = make_maps(max(rows, 6), max(columns, 8)).isel(y=slice(rows), x=slice(columns))
    ax = figures.element_map(held, "Pb L")
    style.save_png(ax.figure, io.BytesIO(), 60)
    width, height = ax.figure.get_size_inches()
    assert 1 < width < 8
    assert 1 < height < 8


def test_a_scan_without_a_measurement_gives_a_map(maps):
    held = maps.copy(deep=True)
    held["net_counts"].values[:] = np.nan
    ax = figures.element_map(held, "Pb L")
    style.save_png(ax.figure, io.BytesIO(), 60)
    assert f"no measurement: {45 * 60} pixels" in texts(ax)
