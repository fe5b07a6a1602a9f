"""Mask pictures: what counts as inside, and what is refused."""

import numpy as np
import pytest
from PIL import Image

from xrfmap.errors import InputError
from xrfmap.io.images import read_mask

MARKED = np.array([[0, 255, 0], [0, 0, 7]], dtype=np.uint8)


@pytest.mark.parametrize("suffix", ["png", "tif"])
@pytest.mark.parametrize("mode", ["L", "RGB", "1", "I;16"])
def test_any_value_that_is_not_zero_is_inside(tmp_path, suffix, mode):
    path = tmp_path / f"mask.{suffix}"
    if mode == "I;16":
        picture = Image.fromarray(MARKED.astype(np.uint16))
    elif mode == "1":
        picture = Image.fromarray(MARKED > 0)
    else:
        picture = Image.fromarray(MARKED).convert(mode)
    picture.save(path)
    np.testing.assert_array_equal(read_mask(path), MARKED > 0)


def test_what_is_fully_transparent_is_outside(tmp_path):
    values = np.full((2, 2, 4), 255, dtype=np.uint8)
    values[0, 0, 3] = 0
    values[1, 1, :3] = 0
    Image.fromarray(values).save(tmp_path / "mask.png")
    assert read_mask(tmp_path / "mask.png").tolist() == [[False, True], [True, False]]


def test_the_colour_of_a_palette_counts_and_not_its_number(tmp_path):
    picture = Image.fromarray(np.array([[0, 1]], dtype=np.uint8)).convert("P")
    picture.putpalette([255, 255, 255, 0, 0, 0])
    picture.save(tmp_path / "mask.png")
    assert read_mask(tmp_path / "mask.png").tolist() == [[True, False]]


@pytest.mark.parametrize("harm", ["text", "cut", "jpeg", "none"])
def test_what_is_no_lossless_picture_is_refused(tmp_path, harm):
    path = tmp_path / "mask.png"
    noise = np.random.default_rng(1).integers(0, 255, (60, 60), dtype=np.uint8)
    if harm == "text":
        path.write_text("not a picture")
    elif harm == "jpeg":
        Image.fromarray(noise).save(path, format="JPEG")
    elif harm == "cut":
        Image.fromarray(noise).save(path)
        path.write_bytes(path.read_bytes()[:900])
    with pytest.raises(InputError, match=r"mask\.png"):
        read_mask(path)


def test_a_huge_picture_is_refused_before_it_is_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr("xrfmap.io.images.MAX_MASK_PIXELS", 5)
    Image.fromarray(MARKED).save(tmp_path / "mask.png")
    with pytest.raises(InputError, match="3 x 2 pixels"):
        read_mask(tmp_path / "mask.png")
