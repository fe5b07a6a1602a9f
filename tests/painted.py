"""Small simulated paintings with known truth, found and mapped once for several tests."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
import xarray as xr
from line_spectra import RHODIUM

from xrfmap.identification.identify import Found, base_model
from xrfmap.maps.element_maps import map_elements
from xrfmap.maps.finding import find_elements
from xrfmap.simulation.simulate import Simulated, painting
from xrfmap.spectra.emitters import family_emitter

SIDE = 16


def slow_but(quick, cases):
    """Cases of a parametrised test, all slow but those that stand for the rest every time."""
    return [case if case in quick else pytest.param(case, marks=pytest.mark.slow) for case in cases]


@lru_cache(maxsize=32)
def simulated(
    kind: str, anode: str = "Rh", total: float = 6000.0, seed: int = 4, side: int = SIDE
) -> Simulated:
    return painting(
        kind, anode=anode, shape=(side, side), total_counts=total, kev_per_channel=0.0198,
        zero_kev=-0.043, channels=2048, seed=seed,
    )  # fmt: skip


def scan_of(made: Simulated) -> xr.Dataset:
    """Scan with its true energy scale: calibration has tests of its own."""
    return made.scan.assign_attrs(made.scale.to_attrs())


@lru_cache(maxsize=32)
def found_in(kind: str, anode: str = "Rh", total: float = 6000.0, seed: int = 4) -> Found:
    return find_elements(scan_of(simulated(kind, anode, total, seed)))


@lru_cache(maxsize=2)
def cobalt_in(rows: tuple[int, int], columns: tuple[int, int], net: float) -> xr.Dataset:
    """Chalk of 30 x 30 pixels, those within first and last row and column with cobalt."""
    made = simulated("chalk", "Rh", 3000.0, 1, side=30)
    rng = np.random.default_rng(5)
    cobalt = family_emitter("Co", "K", RHODIUM)
    assert cobalt is not None
    column = base_model(np.ones(2048), made.scale, RHODIUM).column(cobalt)
    counts = made.scan["counts"].values.astype(np.int64)
    place = counts[slice(*rows), slice(*columns)]
    place += rng.poisson(net * column, place.shape)
    scan = scan_of(made)
    return scan.assign(counts=(scan["counts"].dims, counts.astype(np.uint16)))


@lru_cache(maxsize=4)
def maps_of(kind: str) -> xr.Dataset:
    return map_elements(scan_of(simulated(kind)), found_in(kind))


def true_sums(made: Simulated) -> dict[str, float]:
    """True net counts of each family over the whole scan."""
    sums = made.truth["net_counts"].sum(("y", "x"))
    return {str(line): float(v) for line, v in zip(sums.line.values, sums.values, strict=True)}


def true_elements(made: Simulated) -> set[str]:
    return {line.split()[0] for line in true_sums(made)}


def chessboard_half(made: Simulated) -> xr.Dataset:
    """Sum spectrum of every other pixel, as a point spectrum."""
    side = made.scan.sizes["y"]
    white = (np.add.outer(np.arange(side), np.arange(side)) % 2) == 0
    counts = made.scan["counts"].values[white].sum(axis=0)
    return xr.Dataset(
        {
            "counts": ("channel", counts),
            "live_time": float(made.scan.live_time.values[white].sum()),
        },
        attrs={**made.scan.attrs, **made.scale.to_attrs()},
    )
