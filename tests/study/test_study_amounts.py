"""Amounts asked for in a study file: findings, cautions, and slips told before any fit."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.fit.full_channels import FullFacts, full_together
from xrfmap.io.emsa_write import write_emsa
from xrfmap.io.workfolder import WorkFolder
from xrfmap.physics.atomic import Material
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.stack import Layer, Stack
from xrfmap.settings import Instrument
from xrfmap.simulation.simulate import expected
from xrfmap.study import stages_amounts
from xrfmap.study.run import run_study
from xrfmap.study.stages import Run
from xrfmap.study.study_file import load_study

SCALE = EnergyScale(-0.03, 0.02)
TOP = 2**16 - 1  # largest number of a counter of 16 bits
HEAD = Instrument(anode="Rh", tube_kv=50)
BODIES = {
    "steel": Material("steel", {"Fe": 0.70, "Cr": 0.18, "Ni": 0.12}, 7.9),
    "brass": Material("brass", {"Cu": 0.63, "Zn": 0.37}, 8.5),
}
STUDY = """
[object]
title = "Fitting of a frame"
[instrument]
anode = "Rh"
tube_kv = 50
[[point]]
file = "brass.msa"
[reference]
file = "steel.msa"
composition = { Fe = 0.70, Cr = 0.18, Ni = 0.12 }
[[amount]]
of = ["brass"]
body = "thick"
"""


@pytest.fixture
def study(tmp_path):
    for seed, (name, body) in enumerate(BODIES.items()):
        made = expected(Stack([Layer(body, 2.0)]), HEAD, SCALE, live_time_s=20.0, secondary=True)
        drawn = np.random.default_rng(seed).poisson(made.counts)
        write_emsa(
            tmp_path / f"{name}.msa", drawn, live_time_s=20.0, instrument=HEAD, title=name,
            zero_kev=SCALE.zero_kev, kev_per_channel=SCALE.kev_per_channel,
        )  # fmt: skip
    path = tmp_path / "fitting.toml"
    path.write_text(STUDY, encoding="utf-8")
    return path


@pytest.mark.slow
def test_fractions_of_a_point_stand_in_findings_and_report(study, tmp_path):
    found = run_study(study, tmp_path / "out")
    copper = next(a for a in found.amounts if a.element == "Cu")
    assert copper.place == "brass"
    assert copper.unit == "mass fraction"
    assert copper.low < 0.63 < copper.high
    assert any("same tube, current" in words for words in found.cautions)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Amounts by fundamental parameters" in page
    assert "amounts.csv" in {p.name for p in (tmp_path / "out" / "tables").iterdir()}


@pytest.mark.slow
def test_channels_that_ran_full_below_an_amount_and_its_reference_are_told(tmp_path):
    for seed, (name, body) in enumerate(BODIES.items()):
        made = expected(Stack([Layer(body, 2.0)]), HEAD, SCALE, live_time_s=20.0, secondary=True)
        longer = 1.5 * TOP / made.counts.max()  # main lines half as high again as the counter
        drawn = np.random.default_rng(seed).poisson(longer * made.counts)
        write_emsa(
            tmp_path / f"{name}.msa", np.minimum(drawn, TOP), live_time_s=20.0 * longer,
            instrument=HEAD, title=name,
            zero_kev=SCALE.zero_kev, kev_per_channel=SCALE.kev_per_channel,
        )  # fmt: skip
    path = tmp_path / "fitting.toml"
    path.write_text(STUDY, encoding="utf-8")
    for _ in range(2):  # done, and kept
        cautions = run_study(path, tmp_path / "out").cautions
        full = [words for words in cautions if "ran full at 65\u202f535 counts" in words]
        assert [words.partition(": ")[0] for words in full] == ["brass", "reference"]
        assert "counts for Cu K (" in full[0]  # said once, though fitted for the amounts as well
        assert "counts for Fe K (" in full[1]


def test_a_fit_for_amounts_that_reads_otherwise_is_told_beside_that_of_the_place(
    tmp_path, monkeypatch
):
    path = tmp_path / "fitting.toml"
    path.write_text(STUDY, encoding="utf-8")
    for name in BODIES:
        (tmp_path / f"{name}.msa").write_text("not read here", encoding="utf-8")
    copper, zinc = (FullFacts(1, 8.0, 8.0, TOP, {name: 0.5}, []) for name in ("Cu K", "Zn K"))
    full = {
        "amounts": [],
        "full_channels": [["brass", asdict(copper)], ["pin", asdict(zinc)]],
        "reference_full": None,
    }
    monkeypatch.setattr(stages_amounts, "_answers", lambda *_: (full, []))
    run = Run(load_study(path), tmp_path, WorkFolder(tmp_path / "out"))
    run.told.gather(full_together, "brass", copper)
    run.told.gather(full_together, "pin", copper)
    stages_amounts.amounts_of_study(run, [], [])
    both, pin = (words for words in run.cautions if " K (" in words)
    assert "of the fits of brass and pin;" in both
    assert "Cu K (50 %) in all of them" in both
    assert pin.startswith("amounts of pin: the channel at 8.00 keV ran full")
    assert "Zn K (50 %)" in pin


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('composition = { Fe = 0.70, Cr = 0.18, Ni = 0.12 }\n', "", "file and composition"),
        ('body = "thick"', 'body = "middling"', "body"),
    ],
)  # fmt: skip
def test_slips_in_the_study_file_are_told(tmp_path, old, new, words):
    path = tmp_path / "fitting.toml"
    path.write_text(STUDY.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=words):
        load_study(path)
