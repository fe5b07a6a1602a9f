"""Mask pictures: what counts as inside, and what is refused."""

import struct
import zlib

import numpy as np
import pytest
import tifffile
from PIL import Image

from xrfmap.errors import InputError
from xrfmap.io.images import read_image, read_mask

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


# ------------------------------------------------------------ photographs and radiographs
@pytest.mark.parametrize(
    ("name", "dtype", "shape"),
    [
        ("a.png", "u1", (5, 7)),
        ("a.png", "u1", (5, 7, 3)),
        ("a.png", "u2", (5, 7)),
        ("a.tif", "u1", (5, 7, 3)),
        ("a.tif", "u2", (5, 7)),
        ("a.tif", "f4", (5, 7)),
    ],
)
def test_pictures_keep_their_numbers(tmp_path, name, dtype, shape):
    pixels = np.random.default_rng(2).integers(0, 250, shape).astype(dtype)
    if name.endswith("tif"):
        tifffile.imwrite(tmp_path / name, pixels)
    else:
        Image.fromarray(pixels).save(tmp_path / name)
    got = read_image(tmp_path / name)
    assert got.dtype.itemsize == pixels.dtype.itemsize
    np.testing.assert_array_equal(got, pixels)


def test_a_photograph_is_turned_upright(tmp_path):
    pixels = np.zeros((4, 8, 3), dtype=np.uint8)
    pixels[:, :4] = 255
    exif = Image.Exif()
    exif[0x0112] = 6  # Exif 2.3, Orientation: the first row is the right side
    Image.fromarray(pixels).save(tmp_path / "a.png", exif=exif)
    got = read_image(tmp_path / "a.png")
    assert got.shape == (8, 4, 3)
    assert got[0].all()
    assert not got[-1].any()


def test_transparent_parts_are_white(tmp_path):
    values = np.zeros((2, 2, 4), dtype=np.uint8)
    values[0, 0, 3] = 255
    Image.fromarray(values).save(tmp_path / "a.png")
    got = read_image(tmp_path / "a.png")
    assert got[0, 0].tolist() == [0, 0, 0]
    assert got[1, 1].tolist() == [255, 255, 255]


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif"])
def test_pictures_are_made_smaller_by_whole_blocks(tmp_path, name):
    pixels = np.kron(np.arange(12, dtype=np.uint8).reshape(3, 4) * 20, np.ones((50, 50), "u1"))
    if name.endswith("jpg"):
        Image.fromarray(pixels).save(tmp_path / name, quality=100)
    else:
        Image.fromarray(pixels).save(tmp_path / name)
    got = read_image(tmp_path / name, longest_side=4)
    assert got.shape == (3, 4)
    # JPEG rounds; one step of 256 after the mean over blocks
    assert np.abs(got.astype(int) - np.arange(12).reshape(3, 4) * 20).max() <= 1


def test_a_picture_with_more_pixels_than_allowed_is_refused_unread(tmp_path):
    # IHDR of a PNG (PNG specification, 11.2.2): 60000 x 60000, nothing behind it
    data = b"\x89PNG\r\n\x1a\n"
    for kind, body in (
        (b"IHDR", struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)),
        (b"IDAT", zlib.compress(bytes(9))),
    ):
        data += struct.pack(">I", len(body)) + kind + body
        data += struct.pack(">I", zlib.crc32(kind + body))
    path = tmp_path / "a.png"
    path.write_bytes(data)
    for read in (read_image, read_mask):
        with pytest.raises(InputError, match="million pixels"):
            read(path)


@pytest.mark.parametrize("content", [b"", b"text", b"GIF89a", b"\x89PNG\r\n\x1a\n", b"II*\x00"])
def test_other_files_are_no_pictures(tmp_path, content):
    (tmp_path / "a.png").write_bytes(content)
    with pytest.raises(InputError):
        read_image(tmp_path / "a.png")
