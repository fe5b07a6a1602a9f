"""The demo files: complete, readable, small, and the same on every rebuild."""

import hashlib
from pathlib import Path

import numpy as np
import pytest

from xrfmap.demo.write import DEMO_FILES, POINTS_MM, SCALE, write_demo
from xrfmap.io import open_point, open_scan
from xrfmap.study.study_file import load_study

SHIPPED = Path(__file__).parents[2] / "demo_scans"


def digests(folder: Path) -> dict[str, str]:
    return {n: hashlib.sha256((folder / n).read_bytes()).hexdigest() for n in DEMO_FILES}


@pytest.mark.slow
def test_demo_is_rebuilt_to_the_same_bytes(tmp_path):
    written = write_demo(tmp_path / "one")
    write_demo(tmp_path / "two")
    assert [p.name for p in written] == list(DEMO_FILES)
    assert digests(tmp_path / "one") == digests(tmp_path / "two")
    # the shipped files may come from other versions of the libraries: same up to noise
    new, old = (open_scan(p / "front.h5") for p in (tmp_path / "one", SHIPPED))
    sums = [s["counts"].sum(("y", "x")).values.astype(float) for s in (new, old)]
    # five standard errors of the difference in every channel
    assert np.all(np.abs(sums[0] - sums[1]) <= 5 * np.sqrt(sums[0] + sums[1] + 1))


def test_shipped_demo_is_complete_and_small():
    assert all((SHIPPED / name).is_file() for name in DEMO_FILES)
    assert sum((SHIPPED / name).stat().st_size for name in DEMO_FILES) < 10_000_000


def test_shipped_scan_has_live_times_and_no_energies():
    scan = open_scan(SHIPPED / "front.h5")
    assert dict(scan.sizes) == {"y": 90, "x": 120, "channel": 2048}
    assert "energy" not in scan.coords
    assert bool((scan["live_time"] > 0.08).all())
    assert float(scan["counts"].sum("channel").mean()) == pytest.approx(5500, rel=0.03)  # pile-up


def test_shipped_points_carry_their_energy_scale():
    for name in POINTS_MM:
        point = open_point(SHIPPED / f"{name}.msa")
        step = np.diff(point["energy"].values)
        assert step == pytest.approx(np.full(2047, SCALE.kev_per_channel))
        assert float(point["live_time"]) == 60.0


def test_study_names_what_is_there():
    study = load_study(SHIPPED / "mill.toml")
    assert {p.file for p in study.point} == {f"{n}.msa" for n in POINTS_MM}
    assert study.period is not None
    assert (study.period.start, study.period.end) == (1630, 1650)
    places = {p.name: (p.x_mm, p.y_mm) for p in study.point}
    assert places == {name: tuple(at) for name, at in POINTS_MM.items()}
