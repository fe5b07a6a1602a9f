"""Edges of heavy elements in the scattered continuum, against scatter by layers."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d

from xrfmap.physics.atomic import Material, edge_energy, material_attenuation
from xrfmap.physics.lineshape import FWHM_PER_SIGMA, EnergyScale
from xrfmap.physics.scatter import compton_energy, scatter
from xrfmap.physics.stack import Layer, Stack, scatter_angle_deg
from xrfmap.physics.tube import excitation
from xrfmap.settings import Instrument
from xrfmap.spectra.continuum_edges import REFERENCE_KEV, energy_before, weakened
from xrfmap.spectra.emitters import LIGHT

RHODIUM = Instrument(anode="Rh", tube_kv=50.0)
SCALE = EnergyScale(-0.03, 0.02)
ENERGY = SCALE.energy(np.arange(2048))
ANGLE = scatter_angle_deg(RHODIUM)
WAYS = sum(1 / np.sin(np.radians(a)) for a in (RHODIUM.incidence_deg, RHODIUM.takeoff_deg))
UNIT = 1 / (WAYS * float(material_attenuation(LIGHT, REFERENCE_KEV)))
"""Light matter of an optical depth of one, in and out together. [g/cm2]"""


def scattered(element: str, light: float, heavy: float) -> tuple[np.ndarray, np.ndarray]:
    """Continuum of light matter below a film of masses per area [g/cm2], as detected."""
    layers = [Layer(LIGHT, np.inf)]
    if heavy:
        parts = {e: light * share for e, share in LIGHT.mass_fractions.items()} | {element: heavy}
        whole = light + heavy
        film = Material("film", {e: mass / whole for e, mass in parts.items()}, 1.0)
        layers.insert(0, Layer(film, whole))
    seen = scatter(Stack(layers), excitation(RHODIUM), RHODIUM)
    sigma = SCALE.fwhm(seen.energy_kev) / FWHM_PER_SIGMA
    kernel = np.exp(-0.5 * ((ENERGY[:, None] - seen.energy_kev) / sigma) ** 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    return kernel @ seen.continuum, kernel @ seen.elastic


def furthest_off(shape: np.ndarray, true: np.ndarray, near: np.ndarray) -> float:
    """Largest difference beyond a straight line, which the continuum basis can bend."""
    ratio = (shape / true)[near]
    return float(
        np.abs(ratio / np.polyval(np.polyfit(ENERGY[near], ratio, 1), ENERGY[near]) - 1).max()
    )


def test_energy_before_undoes_the_loss_of_a_compton_scatter():
    energy = np.array([2.0, 11.9, 30.0])
    np.testing.assert_allclose(energy_before(compton_energy(energy, ANGLE), ANGLE), energy)


@pytest.mark.parametrize(
    ("element", "shell", "light", "heavy"),
    [
        ("As", "K", 5e-4, 2e-4),
        ("As", "K", 2e-3, 1e-3),
        ("Pb", "L3", 1e-3, 4e-3),  # some ten micrometres of lead white
        ("Pb", "L3", 0.2, 0.1),  # as good as endless
        ("Fe", "K", 0.5, 0.02),
    ],
)
def test_an_edge_shows_where_scatter_by_layers_has_it(element, shell, light, heavy):
    whole, elastic = scattered(element, 0.0, 0.0)
    film = light / UNIT
    mass = {element: heavy / UNIT / (1 + film)}
    true, _ = scattered(element, light, heavy)
    edge = edge_energy(element, shell)
    near = (ENERGY > edge - 1.2) & (ENERGY < edge + 1.2)
    step = np.ptp((true / whole)[near]) / (true / whole)[near].mean()
    both = weakened(whole, elastic, mass, np.log(film), SCALE, RHODIUM)
    one = weakened(whole, None, mass, np.log(film), SCALE, RHODIUM)
    # 6 % of the step: a triangle stands for the Gaussian of the detector, a straight line for
    # what the continuum basis bends
    assert furthest_off(both, true, near) < 0.06 * step
    # one edge for both ways misses more of it the further its two energies are apart
    if light < 0.1:
        assert furthest_off(one, true, near) > 4 * furthest_off(both, true, near)


@pytest.mark.parametrize("element", ["As", "Pb"])
@pytest.mark.parametrize("light", [0.002, 0.02, 0.2])
def test_the_film_scatters_as_its_atoms_do(element, light):
    # lead scatters without loss fifty times as well as light matter, inside what it absorbs
    heavy = 0.02
    whole, elastic = scattered(element, 0.0, 0.0)
    true, true_elastic = scattered(element, light, heavy)
    film = light / UNIT
    mass = {element: heavy / UNIT / (1 + film)}
    both = weakened(whole, elastic, mass, np.log(film), SCALE, RHODIUM)
    alone = weakened(elastic, elastic, mass, np.log(film), SCALE, RHODIUM)
    here = (ENERGY > 6.0) & (ENERGY < 22.0)
    edges = [edge_energy(element, shell) for shell in ("K", "L3", "L2", "L1")]
    beside = [(ENERGY > edge - 1.0) & (ENERGY < edge + 0.5) for edge in edges]
    clear = here & ~np.any(beside, axis=0)
    for shape, right in ((both, true), (alone, true_elastic)):
        np.testing.assert_allclose((shape / right)[clear], 1.0, atol=0.003)
        # scatter by layers goes by steps of 50 eV and has its edges up to 25 eV off (arsenic:
        # 17 eV), which is up to 0.16 of the step where a peak is 150 eV wide
        step = maximum_filter1d(right, 75)  # over 1.5 keV
        assert (np.abs(shape - right) / step)[here].max() < 0.1


def test_no_heavy_elements_change_nothing():
    whole, elastic = scattered("As", 0.0, 0.0)
    for film_log in (-5.0, 0.0, 5.0):
        same = weakened(whole, elastic, {}, film_log, SCALE, RHODIUM)
        np.testing.assert_allclose(same, whole, rtol=1e-9)


@pytest.mark.parametrize(("channels", "gain"), [(4096, 0.02), (2048, 0.04), (256, 0.01)])
def test_channels_may_reach_beyond_what_tubes_give(channels, gain):
    scale = EnergyScale(-0.03, gain)
    ones = np.ones(channels)
    far = weakened(ones, 0.3 * ones, {"Pb": 0.05}, -3.0, scale, RHODIUM)
    assert far.shape == (channels,)
    assert np.isfinite(far).all()
    assert (far > 0).all()
    near = weakened(ones[:200], 0.3 * ones[:200], {"Pb": 0.05}, -3.0, scale, RHODIUM)
    np.testing.assert_allclose(far[:200], near, rtol=1e-9)
