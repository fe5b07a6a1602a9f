"""Amounts on the command line: a reference, what is asked of it, and slips."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from xrfmap.cli.amounts import amount_lines
from xrfmap.cli.main import app
from xrfmap.io.emsa_write import write_emsa
from xrfmap.physics.atomic import Material
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.stack import Layer, Stack
from xrfmap.settings import Instrument
from xrfmap.simulation.simulate import expected

SCALE = EnergyScale(-0.03, 0.02)
HEAD = Instrument(anode="Rh", tube_kv=50)
STEEL = Material("steel", {"Fe": 0.70, "Cr": 0.18, "Ni": 0.12}, 7.9)
BRASS = Material("brass", {"Cu": 0.63, "Zn": 0.37}, 8.5)
SAID = ("--composition", "Fe 0.70, Cr 0.18, Ni 0.12")


def run(*words):
    result = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("amounts")
    for seed, (name, body) in enumerate((("steel", STEEL), ("brass", BRASS))):
        made = expected(Stack([Layer(body, 2.0)]), HEAD, SCALE, live_time_s=20.0, secondary=True)
        drawn = np.random.default_rng(seed).poisson(made.counts).astype(np.uint32)
        write_emsa(
            place / f"{name}.msa", drawn, live_time_s=20.0, instrument=HEAD, title=name,
            zero_kev=SCALE.zero_kev, kev_per_channel=SCALE.kev_per_channel,
        )  # fmt: skip
    return place


def test_fractions_of_brass_by_a_steel_reference(folder):
    code, out, err = run(
        "spectrum", folder / "brass.msa", "--anode", "Rh", "--amounts", "thick", "--reference",
        folder / "steel.msa", *SAID, "--json", "--quiet",
    )  # fmt: skip
    assert code == 0, err
    told = json.loads(out)
    copper = next(a for a in told["amounts"] if a["element"] == "Cu")
    assert copper["unit"] == "mass fraction"
    assert copper["low"] < 0.63 < copper["high"]
    assert any(row["line"] == "Cu K" for row in told["lines"])


def test_people_read_micrograms_with_their_sign():
    row = {"file": "p", "element": "Zn", "value": 12345.0, "low": 1.5, "high": None,
           "unit": "ug/cm2", "lines": "Zn K", "refused": "", "note": ""}  # fmt: skip
    words = "\n".join(amount_lines([row]))
    assert "µg/cm²" in words
    assert "ug/cm2" not in words
    assert "12\u202f345" in words


@pytest.mark.slow
def test_a_thick_body_has_no_mass_per_area_and_that_is_said(folder):
    table = folder / "points.csv"
    code, out, err = run(
        "spectrum", folder / "brass.msa", "--anode", "Rh", "--amounts", "thin", "--reference",
        folder / "steel.msa", *SAID, "--csv", table, "--quiet",
    )  # fmt: skip
    assert code == 0, err
    assert "refused: " in out
    assert "same tube, current, filter" in out
    assert "refused" in (folder / "points.csv.amounts.csv").read_text()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--amounts", "thin"), "counts alone give no mass per area"),
        (("--amounts", "middling"), "expected thin or thick"),
        (("--amounts", "thick", "--reference", "x.msa"), "belong together"),
        (("--geometry-sr2", "1e-6"), "asks for --amounts"),
    ],
)
def test_slips_are_told_before_anything_is_read(options, words):
    code, _, err = run("spectrum", "missing.msa", *options)
    assert code == 2
    assert words in " ".join(err.replace("│", " ").split())
