"""Simulated spectra and scans: bookkeeping, statistics, seeds, and the demo scene."""

import numpy as np
import pytest
from painted import slow_but

from xrfmap.demo import scene as demo_scene
from xrfmap.physics.atomic import Material, lines, natural_width
from xrfmap.physics.detector import efficiency, escape
from xrfmap.physics.layers import Layer, Stack, emission
from xrfmap.physics.lineshape import EnergyScale, Response
from xrfmap.physics.paints import paint, pigment
from xrfmap.physics.tube import excitation
from xrfmap.scan import check_scan
from xrfmap.settings import Instrument
from xrfmap.simulation.paintings import KINDS, patches, stacks_of
from xrfmap.simulation.simulate import expected, painting, poisson, scan, spectrum

RHODIUM = Instrument(anode="Rh", tube_kv=50.0, tube_ma=0.5)
SCALE = EnergyScale(-0.043, 0.0198)
IRON = Stack([Layer(Material("iron", {"Fe": 1.0}, 7.87), 0.001)])
CHALK = stacks_of("chalk")[0]


def window(counts: np.ndarray, low: float, high: float) -> float:
    energy = SCALE.energy(np.arange(len(counts)))
    return float(counts[(energy > low) & (energy < high)].sum())


def test_net_counts_are_emission_times_efficiency_less_escape_and_shelf():
    made = expected(IRON, RHODIUM, SCALE, live_time_s=2.0, geometry_sr2=1e-6)
    rates = emission(IRON, excitation(RHODIUM), RHODIUM, lines("Fe", "K"))
    hand = sum(
        rate
        * float(efficiency(x.energy_kev, RHODIUM))
        * float(1 - escape(x.energy_kev)[0] - Response().shelf_fraction)
        for x, rate in rates
    )
    # by hand: rate x 0.5 mA x 1e-6 sr2 x 2 s
    assert made.families["Fe K"] == pytest.approx(hand * 1e-6, rel=1e-9)


def test_spectrum_holds_the_net_counts_at_the_line():
    made = expected(IRON, RHODIUM, SCALE, response=Response(shelf_fraction=0.0))
    seen = window(made.counts, 5.6, 7.6)
    # 1.5 %: scatter below the lines adds about 1 % of an iron film, and nothing is lost
    assert seen == pytest.approx(made.families["Fe K"], rel=0.015)
    assert seen > made.families["Fe K"]


def test_escape_peak_has_its_share():
    made = expected(IRON, RHODIUM, SCALE, response=Response(0.0, 0.15, 0.0))
    without = window(made.counts, 3.9, 4.0) + window(made.counts, 5.0, 5.1)
    peak = window(made.counts, 4.46, 4.86) - 2 * without  # Ka less 1.74 keV
    alpha = sum(x.rate for x in lines("Fe", "K") if x.name[2] == "L")
    share = float(escape(6.4)[0])
    # 10 %: the background under the peak is a straight line between its sides
    assert peak == pytest.approx(made.families["Fe K"] * alpha * share / (1 - share), rel=0.10)


def test_argon_of_air_appears_in_air_only():
    assert expected(IRON, RHODIUM, SCALE).families["Ar K"] > 0
    helium = RHODIUM.model_copy(update={"atmosphere": "helium"})
    assert "Ar K" not in expected(IRON, helium, SCALE).families


def test_counts_grow_with_live_time_and_current():
    one = spectrum(CHALK, RHODIUM, SCALE, live_time_s=1.0)
    double = RHODIUM.model_copy(update={"tube_ma": 1.0})
    assert spectrum(CHALK, RHODIUM, SCALE, live_time_s=2.0) == pytest.approx(2 * one)
    assert spectrum(CHALK, double, SCALE) == pytest.approx(2 * one)


def test_total_counts_are_met_before_pile_up():
    assert spectrum(CHALK, RHODIUM, SCALE, total_counts=5000).sum() == pytest.approx(5000)


def test_pile_up_puts_sum_peaks_and_takes_from_the_lines():
    options = {"live_time_s": 1.0, "total_counts": 1e5}
    clean = expected(CHALK, RHODIUM, SCALE, **options)
    piled = expected(CHALK, RHODIUM, SCALE, pileup_tau_s=1e-6, **options)
    # rate 1e5/s, tau 1e-6 s: a share exp(-2 x 0.1) is left single (Poisson)
    assert piled.families["Ca K"] / clean.families["Ca K"] == pytest.approx(np.exp(-0.2))
    assert window(piled.counts, 7.2, 7.55) > 5 * window(clean.counts, 7.2, 7.55)  # 2 x Ca K


def test_wider_lines_keep_their_counts():
    narrow = spectrum(IRON, RHODIUM, SCALE, response=Response(natural_width=False))
    wide = spectrum(IRON, RHODIUM, SCALE, response=Response(natural_width=True))
    # 1e-3: Lorentzian wings that leave the channels
    assert wide.sum() == pytest.approx(narrow.sum(), rel=1e-3)
    assert wide.max() < narrow.max()


def test_natural_widths_are_those_of_krause_and_oliver():
    # M. O. Krause and J. H. Oliver, J. Phys. Chem. Ref. Data 8, 329 (1979) (from memory):
    # K-alpha-1 widths: Mn 1.48, Cu 2.11, Mo 6.5 eV
    for element, value in {"Mn": 1.48, "Cu": 2.11, "Mo": 6.5}.items():
        alpha = next(x for x in lines(element, "K") if x.siegbahn == "Ka1")
        # 0.5 eV: xraylib takes its level widths from a later compilation
        assert natural_width(alpha) * 1000 == pytest.approx(value, abs=0.5)


# ------------------------------------------------------------------ scans


def small(seed: int = 3, **options):
    return scan(
        stacks_of("northern panel"), patches(6, (12, 10), 1), RHODIUM, SCALE,
        total_counts=3000, channels=2048, seed=seed, **options,
    )  # fmt: skip


def test_same_seed_gives_the_same_counts_and_another_seed_does_not():
    first, again, other = small(), small(), small(seed=4)
    assert (first.scan.counts.values == again.scan.counts.values).all()
    assert (first.scan.counts.values != other.scan.counts.values).any()
    assert (first.truth.net_counts.values == other.truth.net_counts.values).all()


def test_scan_is_a_valid_scan_without_energies():
    made = small()
    check_scan(made.scan)
    assert "energy" not in made.scan.coords
    assert made.scan.counts.dtype == np.uint16


def test_counts_scatter_like_poisson_around_the_expectation():
    whole = np.ones((1, 60, 60))
    made = scan([CHALK], whole, RHODIUM, SCALE, total_counts=2000, seed=11)
    totals = made.scan.counts.values.sum(axis=2, dtype=np.int64)
    mean = spectrum(CHALK, RHODIUM, SCALE, total_counts=2000).sum()
    # 3600 totals: mean to 4 standard errors, variance to 4 standard errors sqrt(2/3600)
    assert totals.mean() == pytest.approx(mean, abs=4 * np.sqrt(mean / 3600))
    assert totals.var() / mean == pytest.approx(1.0, abs=4 * np.sqrt(2 / 3600))


def test_truth_is_what_the_spectrum_holds():
    made = scan([IRON], np.ones((1, 40, 40)), RHODIUM, SCALE, total_counts=3000,
                response=Response(shelf_fraction=0.0), seed=5)  # fmt: skip
    total = made.scan.counts.values.sum(axis=(0, 1), dtype=np.int64)
    truth = float(made.truth.net_counts.sel(line="Fe K").sum())
    # as for the single spectrum above: scatter adds about 1 %; counting noise is 0.05 %
    assert window(total, 5.6, 7.6) == pytest.approx(truth, rel=0.015)


def test_pixels_mix_their_structures_by_share_and_live_time():
    shares = np.array([[[1.0, 0.0, 0.25]], [[0.0, 1.0, 0.75]]])
    live = np.array([[0.1, 0.1, 0.2]])
    made = scan([IRON, CHALK], shares, RHODIUM, SCALE, live_time_s=live, seed=1)
    iron, chalk, mixed = made.truth.net_counts.sel(line="Fe K").values[0]
    assert mixed == pytest.approx(2 * (0.25 * iron + 0.75 * chalk))


def test_wrong_weights_are_refused():
    with pytest.raises(ValueError, match=r"weights must be \(1, y, x\), found shape"):
        scan([IRON], np.ones((2, 3, 3)), RHODIUM, SCALE)


def test_too_many_counts_for_the_stored_type_are_refused():
    with pytest.raises(ValueError, match="more than 65\u202f535 counts"):
        scan([IRON], np.ones((1, 1, 1)), RHODIUM, SCALE, total_counts=1e7, live_time_s=1e4)


def test_poisson_is_the_same_for_the_same_seed():
    mean = np.full(1000, 3.0)
    assert (poisson(mean, 1) == poisson(mean, 1)).all()
    assert poisson(mean, 1).mean() == pytest.approx(3.0, abs=4 * np.sqrt(3 / 1000))


# ------------------------------------------------------------------ paintings


@pytest.mark.parametrize("kind", slow_but(("southern canvas",), KINDS))
def test_every_painting_can_be_scanned_with_any_anode(kind):
    anode = dict(zip(KINDS, ("Rh", "Mo", "Pd", "Ag", "W", "Cr"), strict=True))[kind]
    made = painting(
        kind, anode=anode, kev_per_channel=0.02, zero_kev=-0.15, shape=(6, 5), total_counts=4000
    )
    check_scan(made.scan)
    mean = float(made.scan.counts.sum("channel").mean())
    # pile-up takes 1 %, counting noise 0.3 % over 30 pixels
    assert mean == pytest.approx(4000, rel=0.03)


@pytest.mark.parametrize(("gain", "channels"), [(0.005, 4096), (0.02, 4096), (0.04, 2048)])
def test_number_of_channels_fits_the_gain(gain, channels):
    made = painting("chalk", kev_per_channel=gain, zero_kev=-0.15, shape=(2, 2))
    assert made.scan.sizes["channel"] == channels


def test_a_scan_can_keep_its_tube_to_itself():
    assert painting("chalk", shape=(2, 2), told=False).scan.attrs["instrument"] == "{}"
    assert "Rh" in painting("chalk", shape=(2, 2)).scan.attrs["instrument"]


def test_patches_fill_the_picture():
    share = patches(4, (20, 30), 2)
    assert share.sum(axis=0) == pytest.approx(np.ones((20, 30)))
    assert (share.max(axis=(1, 2)) > 0.5).all()


def test_unknown_painting_and_pigment_are_told_with_the_known_ones():
    with pytest.raises(ValueError, match="known are chalk, northern panel"):
        stacks_of("fresco")
    with pytest.raises(ValueError, match="no material is called 'mauve'; known are Prussian blue"):
        pigment("mauve")
    with pytest.raises(ValueError, match="volume_share must lie between 0 and 1"):
        paint({"chalk": 1}, volume_share=1.0)


# ------------------------------------------------------------------ the demo scene


def grid() -> dict[tuple[str, str], np.ndarray]:
    y, x = ((np.arange(n) + 0.5) * demo_scene.PIXEL_MM for n in demo_scene.SHAPE)
    return demo_scene.weights_at(x[None, :], y[:, None])


def test_demo_scene_is_filled_everywhere():
    total = np.sum(list(grid().values()), axis=0)
    assert total == pytest.approx(np.ones(demo_scene.SHAPE))


def test_mercury_of_the_hidden_figure_shines_through_the_sky():
    weights = demo_scene.weights_at(92.0, 84.0)
    keys = [k for k, v in weights.items() if v > 0.5]
    assert keys == [("light sky", "robe")]
    made = expected(demo_scene.structures(keys)[0], RHODIUM, SCALE, total_counts=5500)
    assert made.families["Hg L"] > 300  # well seen in a single pixel: 9 sigma of background


def test_earth_holds_a_little_titanium_and_the_repair_much():
    bank, repair = demo_scene.structures([("bank", ""), ("repair", "")])
    a, b = (expected(s, RHODIUM, SCALE, total_counts=5500).families for s in (bank, repair))
    assert a["Ti K"] < 0.01 * a["Fe K"]
    assert b["Ti K"] > 100 * a["Ti K"]
    assert b["Zn K"] > 1000
    assert a["K K"] > 5
    assert a["Si K"] > 5
