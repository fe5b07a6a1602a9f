"""Simulated radiographs: closed forms, and a painted stack whose opacity is known."""

import numpy as np
import pytest
import xarray as xr
import xraylib

from xrfmap.errors import InputError
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.stack import Layer, Stack
from xrfmap.pictures.radiograph import LEAD_WHITE, Exposure, opacity, simulated_radiograph
from xrfmap.settings import Instrument
from xrfmap.simulation.expectation import expected

TUBE = Instrument(anode="Rh", tube_kv=50)
SCALE = EnergyScale(zero_kev=0.0, kev_per_channel=0.02, noise_kev=0.08, fano=0.115)


def test_no_paint_weakens_nothing():
    assert opacity(np.zeros((1, 2, 2)), ("Pb",)) == pytest.approx(np.zeros((2, 2)), abs=1e-12)


def test_weakening_lies_between_that_of_the_softest_and_the_hardest_photons():
    """Beer's law with xraylib's own attenuation bounds any mixture of energies."""
    mass = 0.01  # g/cm2
    found = float(opacity(np.array([mass]), ("Pb",), Exposure(tube_kv=25)))
    at = [xraylib.CS_Total(82, e) * mass / np.log(10) for e in np.arange(8.0, 25.0, 0.1)]
    assert min(at) < found < max(at)


def test_weakening_grows_with_mass_but_ever_slower():
    """A mixed beam hardens: the derivative of the logarithm falls."""
    steps = np.diff(opacity(np.linspace(0, 0.05, 6)[None], ("Pb",)))
    assert (steps > 0).all()
    assert (np.diff(steps) < 0).all()


def test_harder_tube_shows_less_contrast():
    soft, hard = (float(opacity(np.array([0.01]), ("Pb",), Exposure(tube_kv=v))) for v in (20, 50))
    assert hard < soft


def painted(thicknesses):
    """Maps of lead white of known thicknesses, one a pixel."""
    per_um = LEAD_WHITE.density_g_cm3 * 1e-4
    counts = [
        expected(Stack([Layer(LEAD_WHITE, um * per_um)]), TUBE, SCALE).families["Pb L"]
        for um in thicknesses
    ]
    values = 7.0 * np.array(counts)[None, None, :]  # a strength that nobody tells it
    return xr.Dataset(
        {"net_counts": (("line", "y", "x"), values)},
        coords={"line": ["Pb L"], "y": [0.0], "x": np.arange(len(thicknesses)) * 1.0},
    )


def test_known_thicknesses_come_back_when_the_median_is_as_assumed():
    thick = np.array([2.0, 5.0, 10.0, 14.0, 20.0])
    found = simulated_radiograph(painted(thick), TUBE, Exposure(lead_white_um=10))
    per_um = LEAD_WHITE.density_g_cm3 * 1e-4 * LEAD_WHITE.mass_fractions["Pb"]
    # the curve is interpolated between fourteen thicknesses: 3 %
    assert found["mass"].values[0, 0] / per_um == pytest.approx(thick, rel=0.03)
    assert not found["lower_bound"].values.any()


def test_lead_beyond_the_reach_of_its_lines_is_a_lower_bound():
    found = simulated_radiograph(painted([5.0, 10.0, 500.0]), TUBE, Exposure(lead_white_um=10))
    assert found["lower_bound"].values[0].tolist() == [False, False, True]
    words = "(33 % of the pixels), the least that there must be is taken"
    assert words in found.attrs["assumption"]
    assert "10 µm of lead white" in found.attrs["assumption"]


def test_without_lead_there_is_no_scale():
    maps = painted([10.0]).assign_coords(line=["Fe K"])
    with pytest.raises(InputError, match="lead"):
        simulated_radiograph(maps, TUBE)


@pytest.mark.parametrize("bad", [np.array([-0.1]), np.zeros((2, 3))])
def test_impossible_masses_are_refused(bad):
    with pytest.raises(ValueError, match="masses"):
        opacity(bad, ("Pb",))


def test_pixels_are_worked_on_a_few_at_a_time(monkeypatch):
    masses = np.random.default_rng(1).random((3, 7, 11)) * 1e-2
    elements = ("Pb", "Fe", "Sn")
    whole = opacity(masses, elements)
    one = [opacity(masses[:, y, x], elements) for y in range(7) for x in range(11)]
    np.testing.assert_allclose(whole.ravel(), one, rtol=1e-12)
    monkeypatch.setattr("xrfmap.pictures.radiograph.AT_ONCE", 10)
    np.testing.assert_allclose(opacity(masses, elements), whole, rtol=1e-12)
    assert not opacity(np.zeros((0, 7, 11)), ()).any()
