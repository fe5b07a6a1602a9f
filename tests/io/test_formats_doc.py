"""The examples in the description of the formats work as they stand."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

import xrfmap
from xrfmap.io import open_point, open_scan
from xrfmap.io.card import Card, DetectorCard, Padding, parse_card
from xrfmap.settings import ScanEntry

TEXT = (Path(xrfmap.__file__).parent / "docs" / "formats.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", TEXT, re.DOTALL)


def block(kind: str, word: str) -> str:
    return next(body for name, body in BLOCKS if name == kind and word in body)


def test_the_emsa_example(tmp_path):
    path = tmp_path / "p.msa"
    path.write_text(block("text", "#FORMAT"))
    ds = open_point(path)
    assert ds["counts"].values.tolist() == [0, 3, 12, 7, 5, 4, 2, 1]
    assert ds["energy"].values[0] == pytest.approx(-0.04)


def test_the_spectrum_example(tmp_path):
    path = tmp_path / "p.csv"
    path.write_text(block("text", "energy_keV"))
    ds = open_point(path)
    assert float(ds["live_time"]) == 60
    assert ds["counts"].size == 16


def test_the_table_example(tmp_path):
    path = tmp_path / "scan.csv"
    path.write_text(block("text", "y,x,live_time"))
    ds = open_scan(path)
    assert ds["counts"].shape == (2, 2, 4)
    assert ds["counts"].values[1, 0].tolist() == [0, 2, 11, 8]


def test_the_card_example(tmp_path):
    text = block("toml", "[padding.y]").replace("[90, 120, 2048]", "[3, 4, 64]")
    cube = np.random.default_rng(0).poisson(3.0, (3, 4, 64)).astype("<u2")
    rows = b"".join(bytes(64) + row.tobytes() for row in cube)
    (tmp_path / "front.raw").write_bytes(bytes(512) + rows)
    (tmp_path / "front.raw.toml").write_text(text)
    np.save(tmp_path / "beam.npy", np.full((3, 4), 0.9))
    ds = open_scan(tmp_path / "front.raw")
    np.testing.assert_array_equal(ds["counts"].values, cube)
    assert ds["x"].values[0] == 10
    assert (ds["monitor"].values == 0.9).all()


def test_the_detector_example():
    card = parse_card(block("toml", "[[detector]]"), "card")
    assert [one.use for one in card.detector] == [True, True, False]


def test_the_study_example():
    ScanEntry.model_validate(tomllib.loads(block("toml", "[[scan]]"))["scan"][0])


def test_every_key_of_the_card_is_described():
    for model in (Card, DetectorCard, Padding):
        for key in model.model_fields:
            assert re.search(rf"\b{key}\b", TEXT), key
