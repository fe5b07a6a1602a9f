"""Tube spectra: limits, closed forms, and the few published figures known."""

import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.physics import tube
from xrfmap.physics.atomic import attenuation, edge_energy, lines
from xrfmap.physics.tube import anode_lines, continuum, excitation, excitation_from_table
from xrfmap.settings import Instrument

ANODES = ("Cr", "Mo", "Rh", "Pd", "Ag", "W")


def totals(anode: str, tube_kv: float) -> tuple[float, float]:
    energy = np.arange(1.0, tube_kv, 0.02)
    return (
        float(continuum(anode, tube_kv, energy).sum() * 0.02),
        sum(number for _, number in anode_lines(anode, tube_kv)),
    )


@pytest.mark.parametrize("anode", ANODES)
@pytest.mark.parametrize("tube_kv", [15.0, 50.0])
def test_no_photon_has_more_energy_than_the_electrons(anode, tube_kv):
    # Duane and Hunt 1915
    energy = np.array([tube_kv - 0.1, tube_kv, tube_kv + 0.1, tube_kv + 10])
    made = continuum(anode, tube_kv, energy)
    assert made[0] > 0
    assert (made[1:] == 0).all()
    assert all(edge_energy(anode, x.shell) < tube_kv for x, _ in anode_lines(anode, tube_kv))


@pytest.mark.parametrize(
    ("anode", "tube_kv", "share"),
    # J. V. Gilfrich and L. S. Birks, Anal. Chem. 40, 1077 (1968), as quoted in textbooks and
    # from memory: characteristic lines are 75 % of the photons of a Cr tube at 45 kV, about
    # 60 % for Cu, 24 % for W (L lines)
    [("Cr", 45.0, 0.75), ("Cu", 45.0, 0.60), ("W", 45.0, 0.24)],
)
def test_share_of_characteristic_photons_is_as_measured(anode, tube_kv, share):
    white, peaks = totals(anode, tube_kv)
    # 0.1: their windows and take-off angles were others, and 1 keV is where we begin
    assert peaks / (white + peaks) == pytest.approx(share, abs=0.1)


def test_continuum_follows_kramers_where_nothing_is_absorbed():
    # Kramers 1923: photons ~ Z (E0/E - 1). Ebel's exponent is 1 for
    # 1.109 - 0.00435 Z + 0.00175 E0 = 1, Z = 45 at 49.6 kV; near E0 the electrons do not
    # go deep, so absorption in the anode is gone there
    tube_kv = (1 - 1.109 + 0.00435 * 45) / 0.00175
    energy = np.array([0.95, 0.98]) * tube_kv
    ratio = np.divide(*continuum("Rh", tube_kv, energy))
    # 1 %: the absorption that is left at 0.95 E0
    assert ratio == pytest.approx((1 / 0.95 - 1) / (1 / 0.98 - 1), rel=0.01)


@pytest.mark.parametrize("tube_kv", [30.0, 50.0])
def test_heavier_anodes_give_more_continuum(tube_kv):
    # Kramers 1923: the radiated energy is proportional to the atomic number
    energy = np.arange(8.0, tube_kv, 0.05)  # above the edges that cut the spectrum of Mo
    power = [float((continuum(a, tube_kv, energy) * energy).sum()) for a in ("Mo", "Rh", "Ag")]
    # 7 %: Ebel's exponent falls with Z, which leaves more of it at high energy
    assert power[1] / power[0] == pytest.approx(45 / 42, rel=0.07)
    assert power[2] / power[1] == pytest.approx(47 / 45, rel=0.07)


def test_rhodium_k_doublet_keeps_its_ratio():
    found = dict((x.siegbahn, n) for x, n in anode_lines("Rh", 50.0))
    # X-Ray Data Booklet, table 1-3 (from memory): 100 to 53 for Rh; absorption in the anode
    # hardly differs over 0.14 keV
    assert found["Ka2"] / found["Ka1"] == pytest.approx(0.53, abs=0.01)


def test_tungsten_at_50_kv_has_no_k_lines_but_all_l_lines():
    families = {x.family for x, _ in anode_lines("W", 50.0)}
    assert families == {"L"}
    assert {x.shell for x, _ in anode_lines("W", 50.0)} == {"L1", "L2", "L3"}


def test_characteristic_photons_grow_with_overvoltage_as_published():
    # Green and Cosslett, J. Phys. D 1, 425 (1968) (from memory): K photons per electron grow
    # as (U - 1)^1.63 up to U = 10 or so
    def k_photons(tube_kv: float) -> float:
        return sum(n for x, n in anode_lines("Cr", tube_kv) if x.family == "K")

    edge = edge_energy("Cr", "K")
    ratio = k_photons(4 * edge) / k_photons(2 * edge)
    # 20 %: absorption in the anode takes more of the deeper photons at higher voltage
    assert ratio == pytest.approx(3**1.63, rel=0.20)


def test_filter_acts_by_beer_and_lambert():
    bare, with_filter = (
        excitation(Instrument(anode="Rh", tube_kv=50, filter_material=m, filter_um=100))
        for m in (None, "Al")
    )
    hard = bare.energy_kev > 3
    expected = np.exp(-attenuation("Al", bare.energy_kev[hard]) * 2.70 * 0.01)
    # 2 %: handbooks differ by 0.1 % in the density, and the depth reaches 20 at 3 keV
    assert (with_filter.photons / bare.photons)[hard] == pytest.approx(expected, rel=0.02)
    assert with_filter.photons.sum() < bare.photons.sum()


def test_air_before_the_object_takes_the_soft_photons():
    air = excitation(Instrument(beam_path_cm=10))
    none = excitation(Instrument(atmosphere="vacuum"))
    ratio = air.photons / none.photons
    assert ratio[0] < 1e-3
    assert ratio[-1] > 0.99


def test_defaults_are_a_rhodium_tube_at_50_kv():
    silent = excitation(Instrument())
    assert {x.element for x, _ in silent.lines} == {tube.DEFAULT_ANODE} == {"Rh"}
    assert silent.energy_kev[-1] == pytest.approx(50.0, abs=0.05)


def test_bins_cover_the_spectrum_without_gap_and_do_not_change_its_sum():
    fine = excitation(Instrument(), step_kev=0.01)
    coarse = excitation(Instrument(), step_kev=0.05)
    # 0.3 %: what a bin of 50 eV loses in the curvature of the soft end
    assert coarse.photons.sum() == pytest.approx(fine.photons.sum(), rel=3e-3)
    assert len(coarse.all_energies()[0]) == coarse.energy_kev.size + len(coarse.lines)


def test_given_anode_takes_the_place_of_the_instruments():
    assert {x.element for x, _ in excitation(Instrument(anode="Rh"), "Mo").lines} == {"Mo"}


def test_unknown_filter_is_told_with_its_field():
    with pytest.raises(InputError, match=r"instrument: filter_material: found 'glas'"):
        excitation(Instrument(filter_material="glas", filter_um=10))


@pytest.mark.parametrize(
    ("energy", "photons", "message"),
    [
        ([1.0, 2.0], [1.0], "two equal rows"),
        ([1.0, 2.0, 4.0], [1.0, 1.0, 1.0], "even steps"),
        ([2.0, 1.0], [1.0, 1.0], "even steps"),
        ([1.0, 2.0], [1.0, -1.0], "photons must be >= 0"),
        ([1.0, 2.0], [1.0, float("nan")], "photons must be >= 0"),
    ],
)
def test_bad_tables_are_refused(energy, photons, message):
    with pytest.raises(ValueError, match=message):
        excitation_from_table(energy, photons)


def test_lines_of_the_anode_are_those_of_the_element():
    known = {x.name for f in ("K", "L") for x in lines("Ag", f)}
    assert {x.name for x, _ in anode_lines("Ag", 50.0)} <= known
