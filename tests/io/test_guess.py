"""An unknown block of numbers: the reading that shows a picture is proposed first."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from xrfmap.cli.main import app
from xrfmap.errors import InputError
from xrfmap.io import open_scan
from xrfmap.io.card import parse_card
from xrfmap.io.guess import card_text, guess_cards, picture_text


@lru_cache(maxsize=1)
def scene(ny, nx, nc, mean_counts=1500):
    """A made-up picture: six materials with lines of their own, laid out in soft shapes.

    Only read.
    """
    y, x = np.mgrid[:ny, :nx]
    channel = np.arange(nc)
    spectra = [
        np.exp(-0.5 * ((channel - c * nc) / (0.006 * nc)) ** 2)
        for c in (0.12, 0.2, 0.31, 0.45, 0.52)
    ]
    spectra.append(0.15 * np.exp(-4 * channel / nc))
    rate = np.zeros((ny, nx, nc))
    for i, spectrum in enumerate(spectra):
        disc = ((x / nx - 0.5) ** 2 + (y / ny - 0.4) ** 2) < 0.04
        layer = 1 + np.sin(x / nx * 7 + i) * np.cos(y / ny * 5 - i) + 2 * disc * (i % 2)
        rate += layer[..., None] * spectrum
    rate *= mean_counts / rate.sum(axis=2).mean()
    return np.random.default_rng(16).poisson(rate)


@pytest.mark.parametrize(
    ("order", "dtype", "name", "header"),
    [
        (("y", "x", "energy"), "<u2", "uint16", 0),
        (("y", "x", "energy"), ">u4", "uint32", 512),
        (("energy", "y", "x"), "<u2", "uint16", 1029),
        (("y", "energy", "x"), "u1", "uint8", 256),
        (("y", "x", "energy"), "<f4", "float32", 100),
    ],
)
def test_the_true_reading_comes_first(tmp_path, order, dtype, name, header):
    cube = scene(33, 47, 512, 600)
    path = tmp_path / "front.raw"
    sizes = dict(zip(("y", "x", "energy"), cube.shape, strict=True))
    stored = cube.transpose([("y", "x", "energy").index(n) for n in order]).astype(dtype)
    path.write_bytes(np.random.default_rng(0).bytes(header) + stored.tobytes())
    best = guess_cards(path)[0]
    assert best.card.type == name
    assert tuple(best.card.axes) == order
    assert best.card.shape == [sizes[n] for n in order]
    assert best.card.header_bytes == header
    if dtype not in ("u1",):
        assert best.card.byte_order == ("big" if dtype.startswith(">") else "little")
    # the picture is that of the true total counts
    np.testing.assert_array_equal(best.picture, cube.sum(axis=2)[: len(best.picture)])
    # what is proposed can be written down and used as it is
    path.with_name("front.raw.toml").write_text(card_text(best.card))
    np.testing.assert_array_equal(open_scan(path)["counts"].values, cube)
    assert parse_card(card_text(best.card), "card") == best.card


@pytest.mark.parametrize("kind", ["noise", "zeros", "text", "tiny"])
def test_a_block_without_a_picture_is_told(tmp_path, kind):
    content = {
        "noise": np.random.default_rng(1).bytes(400_000),
        "zeros": bytes(400_000),
        "text": b"the quick brown fox jumps over the lazy dog\n" * 5000,
        "tiny": b"abc",
    }[kind]
    (tmp_path / "a.raw").write_bytes(content)
    with pytest.raises(InputError, match="no picture shows"):
        guess_cards(tmp_path / "a.raw")


def test_a_picture_in_characters():
    ramp = np.tile(np.arange(40.0), (20, 1))
    lines = picture_text(ramp, 10).split("\n")
    assert {len(line) for line in lines} == {10}
    assert len(lines) == 2 or len(lines) == 3  # a character is twice as high as wide
    assert lines[0][0] == " "
    assert lines[0][-1] == "@"
    assert set(picture_text(np.ones((4, 4)))) == {" ", "\n"}


def test_the_command_writes_a_picture_of_each_reading(tmp_path):
    cube = scene(33, 47, 512, 600).astype("<u2")
    path = tmp_path / "front.raw"
    path.write_bytes(cube.tobytes())
    result = CliRunner().invoke(app, ["describe", str(path), "--guess", "--out", str(tmp_path)])
    assert result.exit_code == 0, result.output
    assert 'type = "uint16"' in result.output
    assert "compare the pictures with the painting" in result.output
    with Image.open(tmp_path / "front.raw.guess-1.png") as picture:
        shown = np.asarray(picture, dtype=float)
    times = shown.shape[0] // 33
    assert shown.shape == (33 * times, 47 * times)
    # the picture is the map of total counts, but for its grey levels
    total = cube.sum(axis=2, dtype=float)
    assert np.corrcoef(shown[::times, ::times].ravel(), total.ravel())[0, 1] > 0.95


def test_the_command_tells_a_block_without_a_picture(tmp_path):
    path = tmp_path / "noise.raw"
    path.write_bytes(np.random.default_rng(4).bytes(1 << 20))
    result = CliRunner().invoke(app, ["describe", str(path), "--guess", "--out", str(tmp_path)])
    assert result.exit_code == 1
    assert "in which no picture shows" in result.output
