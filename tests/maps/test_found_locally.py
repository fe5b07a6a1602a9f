"""An element that the sum cannot tell from another one and that some pixels hold for sure."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
import xarray as xr
from line_spectra import CHANNELS, RHODIUM, SCALE, model

from xrfmap.findings import ElementFinding
from xrfmap.fit.map_design import MapDesign
from xrfmap.identification.identify import Found, elements_of_sum
from xrfmap.maps.element_maps import map_elements
from xrfmap.maps.finding import find_elements
from xrfmap.maps.local_elements import with_traces
from xrfmap.scan import make_scan

NET = {"Fe K": 300.0, "Ca K": 400.0, "Pb L": 3000.0, "Pb M": 250.0, "S K": 0.0}
PATCH = (slice(5, 9), slice(20, 25))
SULFUR = 120.0


def mean_of(sulfur: float) -> np.ndarray:
    plain = model(tuple(NET))
    background = plain.continuum().sum(axis=1)
    net = {**NET, "S K": sulfur}
    peaks = sum(net[e.label] * plain.column(e) for e in plain.emitters if e.label in net)
    return 1500 * background / background.sum() + peaks


@lru_cache(maxsize=1)
def painted() -> xr.Dataset:
    """Lead, calcium and iron alike everywhere; sulfur K, beside lead M, in twenty pixels."""
    rng = np.random.default_rng(2)
    counts = rng.poisson(mean_of(0.0), (16, 32, CHANNELS))
    counts[:, :16] = rng.poisson(mean_of(0.0), (16, 16, CHANNELS))
    counts[PATCH] = rng.poisson(mean_of(SULFUR), (4, 5, CHANNELS))
    scan = make_scan(counts.astype(np.uint16), live_time=0.1, instrument=RHODIUM)
    return scan.assign_attrs(SCALE.to_attrs())


@lru_cache(maxsize=1)
def of_sum() -> Found:
    found = elements_of_sum(painted())
    told = next(e for e in found.elements if e.symbol == "S")
    # else this is not the scene in question
    assert told.verdict == "not separable"
    assert "S K" in found.model.labels
    return found


def test_a_family_of_the_model_does_not_join_it_again():
    sulfur = ElementFinding(
        symbol="S", lines=["S K"], verdict="present", because="in some pixels",
        evidence={"pixels": 20.0},
    )  # fmt: skip
    found = with_traces(of_sum(), [sulfur])
    assert found.model.labels.count("S K") == 1
    plan = MapDesign.of(found, pixels=512)
    assert plan.lines.count("S K") == 1
    true = 20 * SULFUR
    net, error = found.fit.net("S K")
    # with two equal columns each had about half of the counts and an error of 4,000
    assert abs(net - true) < 3 * error < true
    assert np.linalg.cond(found.fit.matrix / np.linalg.norm(found.fit.matrix, axis=0)) < 1e6


def test_a_model_refuses_two_families_of_one_name():
    spectra = model(("Fe K", "S K"))
    iron, sulfur = spectra.emitters[:2]
    with pytest.raises(ValueError, match=r"more than one S K$"):
        spectra.with_emitters([iron, sulfur, sulfur])


@pytest.mark.slow
def test_maps_of_an_element_found_in_some_pixels_have_its_counts_and_errors_of_their_size():
    found = find_elements(painted())
    told = next(e for e in found.elements if e.symbol == "S")
    assert told.verdict == "present"
    assert told.because.startswith("found locally")
    maps = map_elements(painted(), found)
    assert list(maps["line"].values).count("S K") == 1
    sulfur = maps.sel(line="S K").isel(y=PATCH[0], x=PATCH[1])
    net, error = sulfur["net_counts"].values, sulfur["net_counts_err"].values
    pulls = (net - SULFUR) / error
    # means of twenty pixels; with two families of one name the error was 5,000 counts
    assert abs(pulls.mean()) < 3 / np.sqrt(20)
    assert 0.5 < pulls.std() < 1.6
    assert error.mean() < 0.5 * SULFUR
