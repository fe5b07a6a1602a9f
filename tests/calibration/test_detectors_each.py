"""Scans of several detectors: each calibrated on its own, then added up."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from xrfmap.calibration.detectors import open_each
from xrfmap.errors import InputError
from xrfmap.io import open_scan
from xrfmap.simulation.simulate import Simulated, painting

GAINS, ZEROS = (0.0198, 0.0203), (-0.043, 0.021)


def made(number: int) -> Simulated:
    return painting(
        "chalk", anode="Rh", shape=(8, 8), total_counts=6000.0, channels=2048, seed=5 + number,
        kev_per_channel=GAINS[number], zero_kev=ZEROS[number],
    )  # fmt: skip


def write(path: Path, cubes: list[np.ndarray]) -> Path:
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs["NX_class"] = "NXdata"
        data.attrs["signal"] = "counts"
        data.attrs["axes"] = ["y", "x", "detector", "channel"]
        data["counts"] = np.stack(cubes, axis=2).astype(np.uint16)
        source = entry.create_group("instrument/source")
        entry["instrument"].attrs["NX_class"] = "NXinstrument"
        source.attrs["NX_class"] = "NXsource"
        source["target_material"] = "Rh"
        source["voltage"] = 50.0
        source["voltage"].attrs["units"] = "kV"
    return path


@pytest.fixture(scope="module")
def both() -> list[Simulated]:
    return [made(0), made(1)]


@pytest.fixture
def path(tmp_path, both) -> Path:
    return write(tmp_path / "two.h5", [one.scan["counts"].values for one in both])


def test_each_detector_gets_the_scale_that_is_remembered(path, both):
    scales = [one.scale.to_attrs() for one in both]
    total = open_each(path, remembered=lambda find: scales)
    assert total.attrs["kev_per_channel"] == GAINS[0]
    counts = total["counts"].values
    first = both[0].scan["counts"].values.astype(np.int64)
    # counts are moved, never made or lost inside the energy range that both detectors see
    moved = counts - first
    assert moved.min() >= 0
    assert moved.sum() == pytest.approx(both[1].scan["counts"].values.sum(), rel=1e-3)
    # lead L-alpha at 10.55 keV (Bearden 1967, from memory) lies at the same place in both
    lead = slice(*((np.array([10.3, 10.8]) - ZEROS[0]) / GAINS[0]).astype(int))
    sums = [cube.sum(axis=(0, 1))[lead].astype(float) for cube in (first, moved)]
    middles = [(np.arange(len(s)) * s).sum() / s.sum() for s in sums]
    assert abs(middles[0] - middles[1]) * GAINS[0] < 0.01  # without the move 0.27 keV apart


def test_a_file_of_several_detectors_says_what_can_be_done(path):
    with pytest.raises(InputError, match='detectors = "each"'):
        open_scan(path)


@pytest.mark.slow
def test_scales_are_found_for_each_detector(path):
    found = {}

    def keep(find):
        found["scales"] = find()
        return found["scales"]

    open_each(path, remembered=keep)
    for scale, gain, zero in zip(found["scales"], GAINS, ZEROS, strict=True):
        # within the aim of calibration: 10 eV at iron K-alpha
        channel = (6.404 - zero) / gain
        energy = scale["zero_kev"] + scale["kev_per_channel"] * channel
        assert energy == pytest.approx(6.404, abs=0.010)
