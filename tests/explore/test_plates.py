"""How maps share the room."""

import pytest

from xrfmap.explore.plates import AXIS_PX, GAP_PX, plate_size
from xrfmap.report import style


@pytest.mark.parametrize("width", [500, 780, 1200, 1900])
@pytest.mark.parametrize("aspect", [0.2, 0.75, 1.0, 1.6, 5.0])
@pytest.mark.parametrize("plates", [1, 2, 3, 4, 5, 6])
def test_a_row_of_maps_fits_the_room_and_keeps_the_shape(width, aspect, plates):
    across, down, columns = plate_size(width, plates, aspect)
    assert 1 <= columns <= plates
    assert AXIS_PX + columns * (across + GAP_PX) <= width or across == 90
    # to a pixel of rounding; nothing is drawn lower than forty
    assert down == pytest.approx(max(across * aspect, 40), abs=1)


@pytest.mark.parametrize(("plates", "columns"), [(1, 1), (2, 2), (3, 3), (4, 2), (6, 3)])
def test_at_1280_pixels_maps_stand_in_whole_rows(plates, columns):
    assert plate_size(1280 - 500, plates, 0.75)[2] == columns


def luminance(colour):
    # WCAG 2.2, relative luminance, from memory
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in style.rgb(colour)]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_and_lines_of_the_page_can_be_told_from_the_ground():
    from xrfmap.explore.spectrum_panel import FIT_INK, INKS

    # WCAG AA: 4.5 for text, 3 for lines that carry meaning
    for text in (style.INK, style.MUTED, style.ACCENT, "#8c1c13"):
        assert contrast(text, style.PAPER) >= 4.5
    assert contrast("#ffffff", style.ACCENT) >= 4.5
    assert contrast("#6f685d", "#f2ede3") >= 4.5  # a button that cannot be used at present
    for line in (*INKS.values(), FIT_INK):
        assert contrast(line, "#ffffff") >= 3
