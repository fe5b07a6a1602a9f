"""Values behind the maps: rates, masks, stretch, limits, ratios, blocks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from invented_study import make_maps

from xrfmap.errors import InputError
from xrfmap.report import choices, fields, pixels, style
from xrfmap.report.marks import legible, line_marks, spread
from xrfmap.report.plates import build_atlas
from xrfmap.report.tables import Column, Table, csv_text
from xrfmap.report.words import number, share, signed, whole, with_error


def test_map_is_counts_divided_by_the_live_time_of_each_pixel(maps):
    held = maps.copy(deep=True)
    held["live_time"].values[0, 0] = 4.0
    shown = fields.field(held, "Fe K")
    counts = held["net_counts"].sel(line="Fe K").values
    assert shown.unit == "counts/s"
    assert shown.values[0, 0] == counts[0, 0] / 4.0
    assert shown.values[-1, -1] == counts[-1, -1] / 0.5


def test_map_stays_in_counts_where_no_live_time_is_known(maps):
    held = maps.assign(live_time=maps["live_time"] * np.nan)
    shown = fields.field(held, "Fe K")
    assert shown.unit == "counts"
    np.testing.assert_array_equal(shown.values, maps["net_counts"].sel(line="Fe K").values)


def test_a_pixel_whose_own_live_time_is_unknown_is_masked_and_not_shown_in_counts(maps):
    held = maps.copy(deep=True)
    held["live_time"].values[2, 3] = np.nan
    assert fields.field(held, "Fe K").bad[2, 3]


def test_a_map_is_freed_of_a_beam_that_wavered_and_says_so(maps):
    strength = np.linspace(0.5, 1.0, maps.sizes["y"])[:, None] * np.ones(maps.sizes["x"])
    held = maps.assign(beam=(("y", "x"), strength))
    shown, plain = fields.field(held, "Fe K"), fields.field(maps, "Fe K")
    assert shown.unit == "counts/s"
    np.testing.assert_allclose(shown.values, plain.values / strength, rtol=1e-12)
    # limits go the same way: 38 counts in 0.5 s
    found = fields.limits(held, "Hg L")
    good = maps["fit_ok"].values
    assert found.limit == pytest.approx(np.median(76.0 / strength[good]), rel=1e-12)
    assert found.share == fields.limits(maps, "Hg L").share
    assert "strength of the beam, 0.50 to 1.00" in fields.beam_words(held)
    assert fields.beam_words(maps) == ""
    # all counts stay as they were, so that the beam can be seen in them
    np.testing.assert_array_equal(
        fields.scalar_field(held, "total_counts", "", "counts").values,
        fields.scalar_field(maps, "total_counts", "", "counts").values,
    )
    atlas = build_atlas(held)
    assert all("strength of the beam" in plate.note for plate in atlas.elements)
    assert [p.title for p in atlas.quality][-1] == "Strength of the beam"
    assert not any("strength of the beam" in p.note for p in build_atlas(maps).elements)


def test_counts_without_live_time_are_freed_of_the_beam_as_well(maps):
    held = maps.assign(
        live_time=maps["live_time"] * np.nan, beam=0.5 * xr.ones_like(maps["live_time"])
    )
    shown = fields.field(held, "Fe K")
    assert shown.unit == "counts"
    np.testing.assert_allclose(shown.values, 2 * maps["net_counts"].sel(line="Fe K").values)


def test_failed_fits_are_masked_even_where_a_number_stands(maps):
    held = maps.copy(deep=True)
    held["fit_ok"].values[8, 9] = False
    assert np.isfinite(held["net_counts"].values[:, 8, 9]).all()
    assert fields.field(held, "Fe K").bad[8, 9]


def test_map_is_upright_when_the_stage_ran_backwards(maps):
    turned = maps.isel(y=slice(None, None, -1), x=slice(None, None, -1))
    np.testing.assert_array_equal(
        fields.field(turned, "Pb L").values, fields.field(maps, "Pb L").values
    )
    assert fields.grid(turned) == fields.grid(maps)


def test_edges_lie_half_a_step_outside_the_pixel_centres(maps):
    shape = fields.grid(maps)
    # 60 columns of 0.8 mm whose first centre is at 4.0 mm
    assert (shape.x0, shape.x1) == pytest.approx((3.6, 51.6))
    assert (shape.y0, shape.y1) == pytest.approx((9.6, 45.6))
    assert shape.aspect == pytest.approx(45 / 60)


def test_limits_are_medians_and_the_share_counts_measured_pixels_only(maps):
    found = fields.limits(maps, "Hg L")
    counts = maps["net_counts"].sel(line="Hg L").values
    good = maps["fit_ok"].values
    assert found.measured == good.sum()
    assert found.above == (counts[good] > 18.0).sum()
    assert found.share == found.above / good.sum()
    # every pixel has a limit of 38 counts and a live time of 0.5 s
    assert found.limit == 76.0
    assert found.threshold == 36.0
    assert found.limit_counts == 38.0


def test_ratio_is_given_only_where_both_exceed_their_detection_limits(maps):
    shown = fields.ratio(maps, "Pb M", "Pb L")
    soft, hard = (maps["net_counts"].sel(line=line).values for line in ("Pb M", "Pb L"))
    both = (soft > 38) & (hard > 38) & maps["fit_ok"].values
    np.testing.assert_array_equal(np.isfinite(shown.values), both)
    np.testing.assert_allclose(shown.values[both], (soft / np.where(both, hard, 1))[both])


def test_stretch_stands_at_the_percentiles_it_names():
    values = np.arange(1001.0)
    span = fields.stretch(values, 2, 98)
    assert (span.low, span.high) == (20.0, 980.0)
    assert "from percentile 2 to percentile 98" in span.sentence


@pytest.mark.parametrize("flat", [0.0, 7.5, -3.0])
def test_a_flat_map_still_has_a_range(flat):
    span = fields.stretch(np.full((4, 5), flat))
    assert span.high > span.low
    assert span.low <= flat <= span.high


def test_a_map_without_any_measurement_has_a_range():
    span = fields.stretch(np.full((4, 5), np.nan))
    assert (span.low, span.high) == (0.0, 1.0)


@given(st.floats(1e-3, 1e5))
def test_scale_bar_is_a_round_length_between_a_tenth_and_a_quarter_of_the_width(width):
    length = fields.nice_length(width)
    leading = length / 10 ** np.floor(np.log10(length) + 1e-9)
    assert leading == pytest.approx(1) or leading == pytest.approx(2) or leading == pytest.approx(5)
    # steps of 1, 2, 5 differ by at most 2.5, and 1 / (4 * 2.5) = 0.1; a thousandth more than a
    # quarter passes, so that 80 mm give 20 mm in spite of rounding
    assert 0.0999 * width <= length <= 0.25026 * width


def test_unknown_family_is_refused_with_those_there_are(maps):
    with pytest.raises(InputError, match="found 'Xx K'; expected one of Pb L, Pb M"):
        fields.field(maps, "Xx K")


def test_a_dataset_without_maps_is_refused(maps):
    with pytest.raises(InputError, match="decision_threshold"):
        fields.field(maps.drop_vars("decision_threshold"), "Pb L")


@given(st.lists(st.floats(0, 100), min_size=1, max_size=40), st.floats(0.1, 12))
def test_names_keep_their_order_their_distance_and_the_frame(places, gap):
    places = sorted(places)
    moved = spread(places, gap, 0.0, 100.0)
    room = min(gap, 100 / max(1, len(places) - 1))
    assert len(moved) == len(places)
    assert min(moved) >= -1e-9
    assert max(moved) <= 100 + 1e-9
    # a gap shrinks where there is no room for all; rounding leaves 1e-9
    assert all(b - a >= room - 1e-9 for a, b in pairwise(moved))


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(-1, 9)), max_size=30), st.floats(0.5, 12))
def test_names_shown_are_near_their_lines_and_the_weightiest_is_among_them(marks, gap):
    marks = sorted(marks)
    places, weights = [m[0] for m in marks], [m[1] for m in marks]
    chosen = legible(places, weights, gap, 0.0, 100.0)
    assert chosen == sorted(chosen)
    assert all(weights[i] > 0 for i in chosen)
    wanted = [places[i] for i in chosen]
    moved = spread(wanted, gap, 0.0, 100.0)
    assert all(abs(a - b) <= 2 * gap for a, b in zip(wanted, moved, strict=True))
    if any(w > 0 for w in weights):
        assert max(weights) in [weights[i] for i in chosen]


def test_names_that_have_room_stay_where_they_are():
    assert spread([10.0, 30.0, 80.0], 5.0, 0.0, 100.0) == [10.0, 30.0, 80.0]


def test_line_names_stand_at_published_energies():
    marks = {mark.label: mark.energy_kev for mark in line_marks(["Fe K", "Pb L", "continuum"])}
    # X-ray Data Booklet (LBNL), table 1-2: Fe Ka1 6.40384, Kb1 7.05798, Pb La1 10.5515,
    # Lb1 12.6137, Lg1 14.7644 keV; from memory. 5 eV is a quarter of a usual channel.
    expected = {
        "Fe Kα": 6.404, "Fe Kβ": 7.058, "Pb Lα": 10.5515, "Pb Lβ": 12.6137, "Pb Lγ": 14.7644,
    }  # fmt: skip
    assert marks == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.0, "0"), (1234.5, "1230"), (51234.2, "51\u202f200"), (0.012345, "0.0123"),
        (-4.0, "−4"), (2.5e-9, "2.50 × 10⁻⁹"), (float("nan"), "–"), (None, "–"),
        (999.6, "1000"), (1e7, "1.00 × 10⁷"),
    ],
)  # fmt: skip
def test_numbers_have_three_significant_digits(value, shown):
    assert number(value) == shown


def test_whole_numbers_keep_all_figures_and_signs_are_true_minuses():
    # thin spaces between groups of three, none in numbers of four figures: SI brochure (BIPM,
    # 9th edition, 5.4.4), from memory
    assert [whole(v) for v in (0, 5290, 10800, 4_000_000, -12345, 1e9)] == [
        "0", "5290", "10\u202f800", "4\u202f000\u202f000", "−12\u202f345",
        "1\u202f000\u202f000\u202f000",
    ]  # fmt: skip
    assert [signed(v) for v in (-0.9, 0.1, 12345.6)] == ["−0.9", "+0.1", "+12\u202f345.6"]
    assert signed(-9.72, 0) == "−10"
    assert signed(float("nan")) == "–"


def test_ticks_are_written_like_all_numbers_and_no_longer_than_needed():
    shown = [style.tick_text(v) for v in (-7.5, 20.0, 20000.0, 0.3, 4e7, 2.5e-5)]
    assert shown == ["−7.5", "20", "20\u202f000", "0.3", "4 × 10⁷", "2.5 × 10⁻⁵"]
    assert style.tick_text(0.1 + 0.2) == "0.3"


def test_table_groups_counts_but_neither_years_nor_the_file():
    columns = (Column("bytes", "Bytes", "number"), Column("not_before [year]", "Year", "number"))
    table = Table("t", "T", columns, ((7631222, 11607),))
    assert [cell.shown for cell in table.cells()[0]] == ["7\u202f631\u202f222", "11607"]
    assert csv_text(["a", "b"], table.rows) == "a,b\r\n7631222,11607\r\n"


def test_value_and_error_share_the_place_of_the_second_digit_of_the_error():
    assert with_error(1239.6, 34.9) == "1240 ± 35"
    assert with_error(0.020001, 3.2e-7) == "0.02000100 ± 0.00000032"
    assert with_error(51234.2, 240.1) == "51\u202f230 ± 240"


def test_share_never_rounds_to_none_or_all():
    assert share(0.00001) == "under 0.1 %"
    assert share(0.99999) == "over 99.9 %"
    assert share(0.0) == "0.0 %"
    assert share(1.0) == "100 %"


def test_coarser_picture_keeps_the_mean_and_needs_half_of_a_block():
    values = np.arange(24.0).reshape(4, 6)
    np.testing.assert_allclose(pixels.coarsen(values, 2), [[3.5, 5.5, 7.5], [15.5, 17.5, 19.5]])
    values[0, 0] = np.nan
    assert pixels.coarsen(values, 2)[0, 0] == pytest.approx((1 + 6 + 7) / 3)
    values[0, 1] = values[1, 0] = np.nan
    assert np.isnan(pixels.coarsen(values, 2)[0, 0])


def test_coarser_picture_of_an_odd_size_keeps_its_last_row():
    assert pixels.coarsen(np.ones((5, 7)), 2).shape == (3, 4)
    assert np.all(pixels.coarsen(np.ones((5, 7)), 2) == 1)


@given(st.integers(1, 4_000_000), st.integers(1, 60), st.integers(1_000, 6_000_000))
def test_pictures_together_stay_within_the_budget(size, count, budget):
    step = pixels.step_for(size, count, budget)
    assert size * count <= budget * step**2
    assert step == 1 or size * count > budget * (step - 1) ** 2


def test_composite_takes_families_of_different_elements(maps):
    lines = choices.composite_lines(maps)
    elements = [line.split()[0] for line in lines]
    assert len(lines) == 3
    assert len(set(elements)) == 3


def test_ratios_are_soft_over_hard_families_of_one_element(maps):
    assert choices.family_ratios(maps) == [("Pb M", "Pb L")]


def test_scatters_show_what_goes_together_and_what_parts():
    held = make_maps()
    net = held["net_counts"].values
    net[3] = net[2] * 1.1  # Ca follows Fe
    lines = list(held["line"].values)
    assert set(choices.scatter_pairs(held)[0]) == {lines[2], lines[3]}
