"""Writes the demo: a made-up panel, its scan, five point spectra and a study file."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt

from xrfmap.demo import scene as demo_scene
from xrfmap.demo.photo import photograph
from xrfmap.demo.radiograph import radiograph
from xrfmap.io.emsa_write import write_emsa
from xrfmap.io.nexus_write import write_nexus
from xrfmap.io.results import atomic_write, write_text
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.settings import Detector, Instrument
from xrfmap.simulation.simulate import Simulated, expected, poisson, scan

__all__ = ["DEMO_FILES", "POINTS_MM", "REBUILD_NOTE", "demo_scan", "write_demo"]

Array = npt.NDArray[np.float64]

SCALE = EnergyScale(zero_kev=-0.043, kev_per_channel=0.0198, noise_kev=0.078, fano=0.117)
CHANNELS = 2048
PILEUP_TAU_S = 1.5e-7  # pulse-pair resolution of a fast drift detector (no source)
MEAN_COUNTS = 5500.0
REAL_TIME_S = 0.1
DEAD_SHARE = 0.07  # at the mean rate
POINT_LIVE_S = 60.0
POINT_COUNTS = 1.2e6
SEED = 16371650
INSTRUMENT = Instrument(
    anode="Rh",
    tube_kv=50.0,
    tube_ma=0.5,
    incidence_deg=90.0,
    takeoff_deg=45.0,
    beam_path_cm=2.0,
    detector_path_cm=1.0,
    atmosphere="air",
    detector=Detector(material="Si", thickness_mm=0.5, window_material="Be", window_um=12.5),
)
TITLE = "Mill by a frozen river"
POINTS_MM = {  # where each point spectrum was taken: x, y
    "p01": (115.0, 131.0),  # sledge
    "p02": (92.0, 84.0),  # sky over the older figure's robe
    "p03": (17.0, 168.0),  # lower left corner
    "p04": (58.0, 168.0),  # bank in the foreground
    "p05": (154.0, 12.0),  # sky at the right
}
DEMO_FILES = (
    "mill.toml",
    "front.h5",
    "photo.jpg",
    "radiograph.jpg",
    *(f"{name}.msa" for name in POINTS_MM),
)
REBUILD_NOTE = (
    "The demo is drawn with a fixed seed and holds no time stamps: the same versions of "
    "numpy, scipy, xraylib, Pillow, HDF5 and zlib give the same bytes; other versions may not."
)


def demo_scan() -> Simulated:
    """Scan of the panel, with its truth.

    Returns
    -------
    Simulated
        120 x 90 points of 2048 channels.
    """
    y, x = ((np.arange(n) + 0.5) * demo_scene.PIXEL_MM for n in demo_scene.SHAPE)
    weights = demo_scene.weights_at(x[None, :], y[:, None])
    stacks = demo_scene.structures(list(weights))
    share = np.array(list(weights.values()))
    rates = np.array(
        [expected(s, INSTRUMENT, SCALE, channels=CHANNELS).counts.sum() for s in stacks]
    )
    rate = np.einsum("k,kyx->yx", rates, share)
    live = REAL_TIME_S * (1 - DEAD_SHARE * rate / rate.mean())
    return scan(
        stacks,
        share,
        INSTRUMENT,
        SCALE,
        live_time_s=np.round(live, 5),
        total_counts=MEAN_COUNTS,
        channels=CHANNELS,
        pileup_tau_s=PILEUP_TAU_S,
        step_mm=demo_scene.PIXEL_MM,
        seed=SEED,
        title=TITLE,
    )


def _point_counts(name: str) -> npt.NDArray[np.int64]:
    """Draw the counts of one point spectrum from its mixture of structures."""
    x, y = POINTS_MM[name]
    weights = demo_scene.weights_at(x, y)
    stacks = demo_scene.structures(list(weights))
    mean = np.zeros(CHANNELS)
    for stack, share in zip(stacks, weights.values(), strict=True):
        mean += (
            float(share)
            * expected(
                stack,
                INSTRUMENT,
                SCALE,
                live_time_s=POINT_LIVE_S,
                total_counts=POINT_COUNTS,
                channels=CHANNELS,
                pileup_tau_s=PILEUP_TAU_S,
            ).counts
        )
    return poisson(mean, SEED + sorted(POINTS_MM).index(name) + 1)


def _write_picture(path: Path, picture: npt.NDArray[np.uint8]) -> Path:
    from PIL import Image

    with atomic_write(path) as part:
        Image.fromarray(picture).save(part, format="JPEG", quality=88)
    return path


def write_demo(folder: Path) -> list[Path]:
    """Write the demo files into a folder, which is made if needed.

    Parameters
    ----------
    folder : Path
        Folder; files of the same names are replaced.

    Returns
    -------
    list of Path
        The files, the study file first. See ``REBUILD_NOTE`` on their bytes.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    study = resources.files("xrfmap.demo").joinpath("data/mill.toml").read_text(encoding="utf-8")
    written = [write_text(folder / "mill.toml", study)]
    made = demo_scan().scan
    written.append(
        write_nexus(
            folder / "front.h5",
            made["counts"].values,
            made["live_time"].values,
            real_time=np.full(demo_scene.SHAPE, REAL_TIME_S),
            y_mm=made["y"].values,
            x_mm=made["x"].values,
            instrument=INSTRUMENT,
            title=TITLE,
        )
    )
    written.append(_write_picture(folder / "photo.jpg", photograph()))
    written.append(_write_picture(folder / "radiograph.jpg", radiograph()))
    for name in POINTS_MM:
        x, y = POINTS_MM[name]
        written.append(
            write_emsa(
                folder / f"{name}.msa",
                _point_counts(name),
                zero_kev=SCALE.zero_kev,
                kev_per_channel=SCALE.kev_per_channel,
                live_time_s=POINT_LIVE_S,
                title=f"{TITLE}, {name}, x {x:g} mm, y {y:g} mm",
                instrument=INSTRUMENT,
            )
        )
    return written
