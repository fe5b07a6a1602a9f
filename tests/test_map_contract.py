"""Maps keep their contract, and agree with what was simulated."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from xrfmap.identify import elements_of_sum
from xrfmap.maps import fit_spectrum, map_elements, summed_spectra
from xrfmap.simulate import painting

FIELDS = {
    "net_counts",
    "net_counts_err",
    "net_counts_ul",
    "decision_threshold",
    "detection_limit",
}


@cache
def case():
    sim = painting("northern panel", shape=(40, 40), kev_per_channel=0.0198, zero_kev=-0.043,
                   channels=2048, seed=3)  # fmt: skip
    scan = sim.scan.assign_attrs(sim.scale.to_attrs())
    found = elements_of_sum(scan)
    return scan, found, map_elements(scan, found), sim.truth


def test_fields_dims_and_units_are_those_of_the_contract():
    scan, _, maps, _ = case()
    for name in FIELDS:
        assert maps[name].dims == ("line", "y", "x")
        assert maps[name].attrs["units"] == "counts"
    for name in ("live_time", "total_counts", "deviance_per_dof", "fit_ok"):
        assert maps[name].dims == ("y", "x")
    assert maps["energy"].attrs["units"] == "keV"
    assert maps["x"].equals(scan["x"])
    assert {"zero_kev", "kev_per_channel", "noise_kev", "fano"} <= set(maps.attrs)


def test_amplitudes_and_limits_are_ordered():
    _, _, maps, _ = case()
    assert bool((maps["net_counts"] >= 0).all())
    assert bool((maps["net_counts_err"] > 0).all())
    assert bool((maps["net_counts_ul"] >= maps["net_counts"]).all())
    assert bool((maps["detection_limit"] > maps["decision_threshold"]).all())
    assert bool(maps["fit_ok"].all())


@pytest.mark.parametrize("line", ["Pb L", "Ca K", "Fe K", "Hg L", "Cu K"])
def test_maps_are_unbiased_where_the_element_is(line):
    _, _, maps, truth = case()
    true = truth["net_counts"].sel(line=line).values
    net = maps["net_counts"].sel(line=line).values
    here = true > 100
    # mean over several hundred pixels: 1.5 % leaves room for the line ratios of hidden paint,
    # which differ from pixel to pixel while the maps use those of the sum
    assert net[here].sum() == pytest.approx(true[here].sum(), rel=0.015)


@pytest.mark.parametrize("line", ["Pb L", "Ca K", "Fe K", "Hg L", "Cu K", "Sn L", "Co K"])
def test_upper_limits_hold_the_truth(line):
    _, _, maps, truth = case()
    true = truth["net_counts"].sel(line=line).values
    held = float((maps["net_counts_ul"].sel(line=line).values >= true).mean())
    # 95 % at the least; three binomial standard errors of 1600 pixels are 1.6 %
    assert held > 0.934


def test_the_deviance_says_that_the_model_describes_the_pixels():
    _, _, maps, _ = case()
    # the mean deviance of a Poisson bin is no exact one: 1.15 around two counts, less below
    # half a count (computed from the distribution), so that a perfect model gives 0.85-1.15
    assert 0.85 < float(maps["deviance_per_dof"].mean()) < 1.15


def test_a_pixel_without_counts_is_missing_not_zero():
    scan, found, _, _ = case()
    cube = np.array(scan["counts"])
    cube[3, 4] = 0
    maps = map_elements(scan.assign(counts=(scan["counts"].dims, cube)), found)
    assert bool(maps["net_counts"][:, 3, 4].isnull().all())
    assert not bool(maps["fit_ok"][3, 4])
    assert bool(maps["net_counts"][:, 3, 5].notnull().all())


def test_components_of_the_sum_add_up_to_the_model():
    _, found, _, _ = case()
    spectra = summed_spectra(found)
    inside = spectra["model"].notnull()
    total = spectra["component_counts"].sum("component").where(inside)
    assert np.allclose(total.values[inside], spectra["model"].values[inside], rtol=1e-9)
    assert float(spectra["max_pixel_counts"].max()) <= float(spectra["sum_counts"].max())


def test_a_part_of_the_scan_is_fitted_like_the_whole():
    scan, found, _, truth = case()
    part = scan.isel(y=slice(0, 20), x=slice(0, 20))
    spectrum = part[["counts"]].sum(("y", "x"))
    fit = fit_spectrum(spectrum, like=found)
    true = truth["net_counts"].isel(y=slice(0, 20), x=slice(0, 20)).sum(("y", "x"))
    for line in ("Pb L", "Fe K", "Ca K"):
        row = fit.table.sel(line=line)
        # five standard errors and 2 % of model error
        limit = 5 * float(row["net_counts_err"]) + 0.02 * float(true.sel(line=line))
        assert abs(float(row["net_counts"]) - float(true.sel(line=line))) < limit
