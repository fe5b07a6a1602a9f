"""Emission and scatter of layered objects against closed forms."""

import numpy as np
import pytest
import xraylib
from scipy import integrate

from xrfmap.physics import atomic
from xrfmap.physics.atomic import Material, material_attenuation
from xrfmap.physics.layers import (
    Layer,
    Stack,
    emission,
    layer_emission,
    scatter,
    scatter_angle_deg,
    stack_lines,
)
from xrfmap.physics.paints import paint, pigment
from xrfmap.physics.scatter import _rebinned, compton_energy, compton_profile
from xrfmap.physics.tube import Excitation, excitation
from xrfmap.settings import Instrument

SLANTED = Instrument(incidence_deg=60.0, takeoff_deg=40.0)
SIN_IN, SIN_OUT = np.sin(np.radians(60.0)), np.sin(np.radians(40.0))
TUBE = excitation(Instrument(anode="Rh", tube_kv=50.0))


def beam(energy: float) -> Excitation:
    """One photon per second of one energy."""
    return Excitation(np.array([energy - 1.0, energy]), np.array([0.0, 1.0]))


def line(element: str, name: str) -> atomic.Line:
    return next(x for x in atomic.lines(element, name[0]) if x.siegbahn == name)


def mu(material: Material, energy: float) -> float:
    return float(material_attenuation(material, energy))


IRON = Material("iron", {"Fe": 1.0}, 7.87)
COPPER = Material("copper", {"Cu": 1.0}, 8.96)
KA = line("Fe", "Ka1")


# ------------------------------------------------------------------ Sherman equation


def test_thick_pure_element_has_the_closed_form():
    # Sherman 1955, infinite thickness: sigma / (4 pi) / (mu_in + mu_out sin_in / sin_out)
    rate = emission(Stack([Layer(IRON, np.inf)]), beam(20.0), SLANTED, [KA])[0][1]
    sigma = float(atomic.line_cross_section(KA, 20.0))
    ratio = SIN_IN / SIN_OUT
    expected = sigma / (mu(IRON, 20.0) + mu(IRON, KA.energy_kev) * ratio) / (4 * np.pi)
    assert rate == pytest.approx(expected, rel=1e-12)


def test_thin_film_is_proportional_to_its_mass():
    # Sherman 1955, thin limit: sigma m / (4 pi sin_in)
    mass = 1e-8
    rate = emission(Stack([Layer(IRON, mass)]), beam(20.0), SLANTED, [KA])[0][1]
    expected = float(atomic.line_cross_section(KA, 20.0)) * mass / SIN_IN / (4 * np.pi)
    assert rate == pytest.approx(expected, rel=2e-6)  # 1e-8 g/cm2 times mu of 100 cm2/g


def test_layer_of_any_thickness_agrees_with_direct_integration():
    mass = 0.004
    rate = emission(Stack([Layer(IRON, mass)]), beam(20.0), SLANTED, [KA])[0][1]
    into, out = mu(IRON, 20.0) / SIN_IN, mu(IRON, KA.energy_kev) / SIN_OUT
    seen, _ = integrate.quad(lambda m: np.exp(-(into + out) * m), 0, mass)  # depth by depth
    expected = float(atomic.line_cross_section(KA, 20.0)) / SIN_IN * seen / (4 * np.pi)
    assert rate == pytest.approx(expected, rel=1e-9)


def test_polychromatic_emission_is_the_sum_over_energies():
    two = Excitation(np.array([15.0, 20.0]), np.array([3.0, 2.0]))
    stack = Stack([Layer(IRON, 0.002), Layer(COPPER, np.inf)])
    single = [emission(stack, beam(e), SLANTED, [KA])[0][1] for e in (15.0, 20.0)]
    both = emission(stack, two, SLANTED, [KA])[0][1]
    assert both == pytest.approx(3 * single[0] + 2 * single[1], rel=1e-12)


def test_cover_absorbs_on_the_way_in_and_out():
    # Beer and Lambert, both ways
    cover = Layer(Material("lead", {"Pb": 1.0}, 11.3), 0.003)
    bare = Stack([Layer(IRON, np.inf)])
    ratio = (
        emission(bare.under(cover), beam(20.0), SLANTED, [KA])[0][1]
        / emission(bare, beam(20.0), SLANTED, [KA])[0][1]
    )
    depth = 0.003 * (
        mu(cover.material, 20.0) / SIN_IN + mu(cover.material, KA.energy_kev) / SIN_OUT
    )
    assert ratio == pytest.approx(np.exp(-depth), rel=1e-12)


def test_cutting_a_layer_in_two_changes_nothing():
    lead_white = paint({"lead white": 1})
    whole = Stack([Layer(lead_white, 0.01), Layer(IRON, np.inf)])
    cut = Stack([Layer(lead_white, 0.004), Layer(lead_white, 0.006), Layer(IRON, np.inf)])
    which = stack_lines(whole, 50.0)
    one = layer_emission(whole, TUBE, SLANTED, which)
    three = layer_emission(cut, TUBE, SLANTED, which)
    assert three[:2].sum(axis=0) == pytest.approx(one[0], rel=1e-12)
    assert three[2] == pytest.approx(one[1], rel=1e-12)


def test_a_cover_changes_ratios_within_a_family():
    # the reason why families are split: K-beta and L1 lines are harder and pass better
    ground = Stack([Layer(paint({"vermilion": 1}), 0.01)])
    covered = ground.under(Layer(paint({"lead white": 1}), 0.01))
    la, lb = line("Hg", "La1"), line("Hg", "Lb1")

    def ratio(stack: Stack) -> float:
        found = emission(stack, TUBE, SLANTED, [la, lb])
        return found[1][1] / found[0][1]

    assert ratio(covered) > 1.05 * ratio(ground)


def test_only_lines_within_reach_of_the_tube_are_listed():
    found = {x.label for x in stack_lines(Stack([Layer(paint({"barytes": 1}), 0.01)]), 30.0)}
    assert "Ba L" in found
    assert "Ba K" not in found  # its edge is at 37.4 keV (X-Ray Data Booklet, from memory)


def test_emission_of_elements_not_in_the_stack_is_zero():
    assert emission(Stack([Layer(IRON, 1.0)]), TUBE, SLANTED, [line("Cu", "Ka1")])[0][1] == 0


# ------------------------------------------------------------------ secondary excitation


@pytest.mark.parametrize(("in_deg", "out_deg"), [(45.0, 45.0), (90.0, 45.0), (60.0, 30.0)])
def test_enhancement_of_iron_by_nickel_has_the_closed_form(in_deg, out_deg):
    # Sherman 1955 / Shiraiwa and Fujino 1966 (from memory), thick homogeneous object, one
    # exciting energy E, line i excited by lines j:
    # S/P = 1/2 w_j sum_j sigma_j(E) sigma_i(j) / sigma_i(E) [ sin1/mu_E ln(1 + mu_E/(mu_j sin1))
    #       + sin2/mu_i ln(1 + mu_i/(mu_j sin2)) ]
    alloy = Material("Fe-Ni", {"Fe": 0.5, "Ni": 0.5}, 8.2)
    angles = Instrument(incidence_deg=in_deg, takeoff_deg=out_deg)
    stack = Stack([Layer(alloy, np.inf)])
    primary = emission(stack, beam(20.0), angles, [KA])[0][1]
    both = emission(stack, beam(20.0), angles, [KA], secondary=True)[0][1]
    sin1, sin2 = np.sin(np.radians(in_deg)), np.sin(np.radians(out_deg))
    mu_e, mu_i = mu(alloy, 20.0), mu(alloy, KA.energy_kev)
    expected = 0.0
    for j in (*atomic.lines("Ni", "K"), *atomic.lines("Fe", "K")):
        if j.energy_kev <= atomic.edge_energy("Fe", "K"):
            continue
        mu_j = mu(alloy, j.energy_kev)
        geometry = sin1 / mu_e * np.log1p(mu_e / (mu_j * sin1)) + sin2 / mu_i * np.log1p(
            mu_i / (mu_j * sin2)
        )
        rates = [float(atomic.line_cross_section(j, 20.0))]
        rates.append(float(atomic.line_cross_section(KA, j.energy_kev)))
        rates.append(float(atomic.line_cross_section(KA, 20.0)))
        expected += 0.5 * 0.5 * rates[0] * rates[1] / rates[2] * geometry
    # 0.5 %: the object is cut into 48 sublayers with a constant source in each
    assert both / primary - 1 == pytest.approx(expected, rel=5e-3)
    assert expected > 0.2  # it matters


def test_enhancement_reaches_across_layers():
    # a thin iron film on thick nickel: nickel K lines from below excite it. Closed form for
    # a film too thin to absorb: photons j per depth x reach the film with 1/2 E1(mu_j x) per
    # unit mass; int_0^inf exp(-a x) 1/2 E1(mu_j x) dx = 1/(2a) ln(1 + a/mu_j)
    nickel = Material("nickel", {"Ni": 1.0}, 8.9)
    film = 1e-7
    stack = Stack([Layer(IRON, film), Layer(nickel, np.inf)])
    extra = (
        emission(stack, beam(20.0), SLANTED, [KA], secondary=True)[0][1]
        - emission(stack, beam(20.0), SLANTED, [KA])[0][1]
    )
    a = mu(nickel, 20.0) / SIN_IN
    expected = 0.0
    for j in atomic.lines("Ni", "K"):
        made = float(atomic.line_cross_section(j, 20.0)) / SIN_IN
        flux = made / (2 * a) * np.log1p(a / mu(nickel, j.energy_kev))
        expected += flux * float(atomic.line_cross_section(KA, j.energy_kev)) * film / (4 * np.pi)
    # 2 %: the source right below the film is cut into sublayers, where E1 is steepest, and
    # lines below 1e-4 of the strongest are left out
    assert extra == pytest.approx(expected, rel=0.02)


# ------------------------------------------------------------------ scatter


def test_compton_energy_at_right_angles_follows_comptons_formula():
    # A. H. Compton 1923: at 90 degrees the wavelength grows by h/mc = 0.02426 angstrom
    wavelength = 12.39842 / 20.216 + 0.0242631
    assert float(compton_energy(20.216, 90.0)) == pytest.approx(12.39842 / wavelength, abs=1e-4)


def test_angle_of_the_usual_head_is_135_degrees():
    assert scatter_angle_deg(Instrument(incidence_deg=90, takeoff_deg=45)) == 135


def test_rayleigh_scatter_of_a_thick_object_has_the_closed_form():
    chalk = pigment("chalk")
    found = scatter(Stack([Layer(chalk, np.inf)]), TUBE, SLANTED)
    x, rate = max(found.rayleigh, key=lambda item: item[1])
    photons = dict(TUBE.lines)[x]
    angle = np.radians(scatter_angle_deg(SLANTED))
    sigma = sum(
        w * xraylib.DCS_Rayl(atomic.atomic_number(e), x.energy_kev, angle)
        for e, w in chalk.mass_fractions.items()
    )
    m = mu(chalk, x.energy_kev)
    expected = photons * sigma / (m + m * SIN_IN / SIN_OUT)
    assert rate == pytest.approx(expected, rel=1e-9)


def test_compton_peak_holds_the_photons_of_its_cross_section():
    chalk = pigment("chalk")
    found = scatter(Stack([Layer(chalk, np.inf)]), TUBE, SLANTED)
    x, _, rates = max(found.compton, key=lambda item: item[2].sum())
    angle = np.radians(scatter_angle_deg(SLANTED))
    after = float(compton_energy(x.energy_kev, scatter_angle_deg(SLANTED)))
    sigma = sum(
        w * xraylib.DCS_Compt(atomic.atomic_number(e), x.energy_kev, angle)
        for e, w in chalk.mass_fractions.items()
    )
    m = mu(chalk, x.energy_kev) + mu(chalk, after) * SIN_IN / SIN_OUT
    assert rates.sum() == pytest.approx(dict(TUBE.lines)[x] * sigma / m, rel=1e-9)


def test_light_matter_scatters_more_by_compton_and_heavy_matter_by_rayleigh():
    def ratio(name: str) -> float:
        found = scatter(Stack([Layer(pigment(name), np.inf)]), TUBE, SLANTED)
        return sum(r.sum() for _, _, r in found.compton) / sum(r for _, r in found.rayleigh)

    # order of mean atomic number: 7, 13, 60; incoherent scatter goes as Z, coherent as Z^2 or
    # more, so each step must cost at least its factor in Z
    assert ratio("cellulose") / ratio("chalk") > 13 / 7
    assert ratio("chalk") / ratio("lead white") > 60 / 13


def test_compton_peak_of_carbon_is_as_wide_as_its_electrons_move():
    # Impulse approximation by hand: electron momentum p moves the energy by
    # p q / (mc) / (1 + E (1 - cos) / mc^2), q the momentum transfer; half of the profile of
    # carbon (Biggs, Mendelsohn and Mann 1975, in xraylib) is at 0.7 atomic units
    energies, shares = compton_profile(Material("C", {"C": 1.0}, 2.0), 20.216, 100.0)
    above = energies[shares > shares.max() / 2]
    after = float(compton_energy(20.216, 100.0))
    q = np.sqrt(20.216**2 + after**2 - 2 * 20.216 * after * np.cos(np.radians(100.0)))
    half = next(p for p in np.arange(0.1, 5, 0.01)
                if xraylib.ComptonProfile(6, p) < xraylib.ComptonProfile(6, 0.0) / 2)  # fmt: skip
    recoil = 1 + 20.216 * (1 - np.cos(np.radians(100.0))) / 510.999
    # two grid steps of 22 eV, one at each end
    width = 2 * half / 137.036 * q / recoil
    assert above[-1] - above[0] == pytest.approx(width, abs=0.045)


def test_compton_peak_lies_near_the_energy_of_a_free_electron():
    energies, shares = compton_profile(pigment("cellulose"), 20.216, 135.0)
    assert shares.sum() == pytest.approx(1.0)
    # 50 eV: bound electrons shift the maximum by a fraction of their binding (C 284 eV), and
    # the grid has steps of 25 eV
    assert energies[shares.argmax()] == pytest.approx(float(compton_energy(20.216, 135)), abs=0.05)
    assert energies.max() <= 20.216


def test_scattered_continuum_ends_at_the_tube_voltage():
    found = scatter(Stack([Layer(pigment("chalk"), 0.1)]), TUBE, Instrument())
    assert (found.continuum >= 0).all()
    assert found.continuum.shape == found.energy_kev.shape
    assert found.energy_kev[-1] <= 50.0


def test_scattered_continuum_has_no_teeth():
    # closed form: between edges the tube continuum, the cross-sections and the Compton shift
    # are smooth in the energy; a parabola through three bins of 0.05 keV misses less than 1e-3
    found = scatter(Stack([Layer(pigment("cellulose"), 0.2)]), TUBE, Instrument())
    inside = (found.energy_kev > 26) & (found.energy_kev < 38)
    rate = found.continuum[inside]
    bend = 2 * rate[1:-1] / (rate[:-2] + rate[2:]) - 1
    assert np.abs(bend).max() < 1e-3


def test_bins_brought_closer_together_keep_their_counts():
    grid = np.arange(10.0, 20.0, 0.05) + 0.025
    even = np.full(grid.size, 7.0)
    borders = 10.0 + 0.9 * (np.append(grid - 0.025, grid[-1] + 0.025) - 10.0)
    shared = _rebinned(grid, borders, even)
    assert shared.sum() == pytest.approx(even.sum())
    # density over density: as many counts in nine tenths of the width
    assert shared[grid < 18.9] == pytest.approx(7.0 / 0.9)


# ------------------------------------------------------------------ layers


def test_thickness_and_mass_per_area_agree():
    layer = Layer.from_thickness(IRON, 10.0)
    assert layer.areal_g_cm2 == pytest.approx(7.87e-3)
    assert layer.thickness_um == pytest.approx(10.0)


@pytest.mark.parametrize("mass", [0.0, -1.0, float("nan")])
def test_layers_without_mass_are_refused(mass):
    with pytest.raises(ValueError, match="mass per area must be > 0"):
        Layer(IRON, mass)


def test_empty_stacks_are_refused():
    with pytest.raises(ValueError, match="at least one layer"):
        Stack([])
