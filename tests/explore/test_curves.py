"""Curves and names in the spectrum figure."""

import numpy as np
import pytest
import xarray as xr

from xrfmap.explore.curves import CROWD, components, labels, per_pixel, residuals
from xrfmap.explore.reading import SumSpectrum
from xrfmap.physics.atomic import lines


def spectra(**parts):
    values = np.array(list(parts.values()), dtype=float)
    model = values.sum(axis=0)
    return xr.Dataset(
        {
            "component_counts": (("component", "channel"), values),
            "sum_counts": ("channel", model + 2 * np.sqrt(model)),
            "model": ("channel", model),
            "model_error": ("channel", np.zeros(model.size)),
        },
        coords={"component": [name.replace("_", " ") for name in parts]},
    )


FLAT = np.full(8, 100.0)


def test_components_add_up_to_the_model_whatever_is_joined():
    data = spectra(Pb_L=4 * FLAT, Rh_K_Compton=FLAT, Rh_K_Rayleigh=2 * FLAT, continuum=FLAT)
    found = components(data, 10)
    assert [part.label for part in found] == ["Pb L", "tube scatter", "continuum"]
    assert sum(part.counts for part in found) == pytest.approx(data["model"].values / 10)


def test_families_without_counts_are_left_out():
    found = components(spectra(Pb_L=FLAT, Fe_K=0 * FLAT), 1)
    assert [part.label for part in found] == ["Pb L"]


def test_misfit_is_in_standard_deviations_of_the_counts():
    # two Poisson standard deviations above the model, as built
    assert residuals(spectra(Pb_L=FLAT)) == pytest.approx(np.full(8, 2.0))


def test_counts_of_one_pixel_stay_the_same_in_all():
    counts = np.arange(10.0)
    assert per_pixel(SumSpectrum(counts, 1, 1.0)).sum() == pytest.approx(counts.sum())
    assert np.array_equal(per_pixel(SumSpectrum(counts, 5, 1.0)), counts / 5)


def test_names_stand_in_the_range_apart_and_point_to_their_lines():
    shown = components(spectra(Fe_K=FLAT, Cu_K=FLAT, Pb_L=FLAT), 1)
    found = labels(shown, 2.0, 20.0, 0.4)
    places = [label.place for label in found]
    assert np.diff(places).min() >= 0.4 - 1e-9
    iron = next(label for label in found if label.text == "Fe Kα")
    strongest = max(lines("Fe", "K"), key=lambda line: line.rate)
    assert iron.energy == strongest.energy_kev
    assert all(2.0 < place < 20.0 for place in places)


def test_a_crowd_of_names_is_thinned_to_the_leading_lines():
    families = "Si_K P_K S_K K_K Ca_K Ti_K Mn_K Fe_K Co_K Ni_K Cu_K Zn_K Pb_L".split()
    found = labels(components(spectra(**dict.fromkeys(families, FLAT)), 1), 1.0, 40.0, 0.5)
    assert len(found) <= CROWD
    assert not [label for label in found if label.text.endswith("β")]
