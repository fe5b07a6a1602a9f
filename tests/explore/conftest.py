"""A small simulated panel as a scan on disk with a study file, and a running page of it."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from xrfmap.io.nexus_write import write_nexus
from xrfmap.scan import instrument_of
from xrfmap.simulation.simulate import Simulated, painting

STUDY = """# Notes of the person who wrote this file stay where they are.
[object]
title = "Mill <b>by</b> a frozen river"   # a title with a tag in it
width_mm = 80
height_mm = 60

[maps]
elements = ["Ca", "Fe", "Cu", "Hg", "Pb"]

[[scan]]
file = "front.h5"
name = "front"

[[image]]
file = "photo.png"
control_points = [[0, 0, 0, 0], [160, 0, 80, 0], [0, 120, 0, 60], [160, 120, 80, 60]]

[[area]]
name = "left half"
polygon_mm = [[0, 0], [40, 0], [40, 60], [0, 60]]
layer = "picture layer"

[[layer]]
name = "picture layer"
role = "original paint"
"""


@pytest.fixture(scope="session")
def panel() -> Simulated:
    """Thirty by forty pixels of 2 mm, 1024 channels of 40 eV."""
    return painting("northern panel", shape=(30, 40), channels=1024, kev_per_channel=0.04, seed=3)


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory, panel: Simulated) -> Path:
    """Study, scan and photograph; tests that change the study copy it."""
    here = tmp_path_factory.mktemp("panel")
    scan = panel.scan
    write_nexus(
        here / "front.h5",
        scan["counts"].values,
        scan["live_time"].values,
        y_mm=np.arange(30) * 2.0 + 1,
        x_mm=np.arange(40) * 2.0 + 1,
        instrument=instrument_of(scan),
        title="small panel",
    )
    (here / "mill.toml").write_text(STUDY, encoding="utf-8")
    picture = np.zeros((120, 160, 3), np.uint8)
    picture[:, 80:] = (200, 180, 90)
    Image.fromarray(picture).save(here / "photo.png")
    return here


@dataclass
class Running:
    """A page served by the command line."""

    address: str
    study: Path
    process: subprocess.Popen[str]

    @property
    def origin(self) -> str:
        return "/".join(self.address.split("/")[:3])


@pytest.fixture(scope="module")
def served(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """``xrfmap explore`` on a copy of the study."""
    here = tmp_path_factory.mktemp("served")
    for file in folder.iterdir():
        (here / file.name).write_bytes(file.read_bytes())
    study = here / "mill.toml"
    process = subprocess.Popen(
        [sys.executable, "-m", "xrfmap", "explore", str(study)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    said: list[str] = []
    assert process.stderr is not None
    assert process.stdout is not None
    errors = threading.Thread(target=lambda: said.extend(process.stderr or []), daemon=True)
    errors.start()
    address = process.stdout.readline().strip()
    assert address.startswith("http://127.0.0.1:"), "".join(said)
    yield Running(address, study, process)
    process.terminate()
    process.wait(30)
    errors.join(5)
    process.stdout.close()
    process.stderr.close()
    assert not [line for line in said if "Traceback" in line], "".join(said)
