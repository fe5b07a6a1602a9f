"""Detector response against closed forms, independent integration and Monte Carlo."""

import numpy as np
import pytest
import xraydb
from scipy import integrate, stats

from xrfmap.physics import atomic
from xrfmap.physics.detector import (
    FWHM_PER_SIGMA,
    EnergyScale,
    Response,
    efficiency,
    escape,
    escape_lines,
    gas_transmission,
    line_shape,
    peaks,
    pile_up,
    self_convolution,
    shelf_shape,
)
from xrfmap.settings import Detector, Instrument

SCALE = EnergyScale(zero_kev=-0.05, kev_per_channel=0.02, noise_kev=0.08, fano=0.115)
EDGES = SCALE.edges(2048)


# ------------------------------------------------------------------ energy scale


def test_width_at_manganese_k_alpha_follows_the_formula():
    # noise 80 eV, F = 0.115, eps = 3.66 eV, 5.895 keV by hand:
    # sqrt(0.0064 + 5.5452 * 0.115 * 0.00366 * 5.895) = 0.14198 keV
    assert float(SCALE.fwhm(5.895)) == pytest.approx(0.14198, abs=2e-5)


def test_width_without_noise_is_the_fano_limit_of_silicon():
    # The width without any noise at Mn K-alpha is quoted as 117-120 eV for silicon, the best
    # detectors as 122-125 eV (data sheets, from memory)
    assert 0.117 < float(EnergyScale(0, 0.01, 0.0, 0.115).fwhm(5.895)) < 0.120


def test_channel_and_energy_are_inverse():
    channels = np.array([0.0, 100.5, 2047.0])
    assert SCALE.channel(SCALE.energy(channels)) == pytest.approx(channels, abs=1e-9)
    assert EDGES[0] == pytest.approx(SCALE.zero_kev - 0.01)


def test_scale_survives_the_attributes_of_a_dataset():
    full = EnergyScale(-0.05, 0.02, 0.08, 0.115, 1e-3, 1e-6, 2e-3, 3e-3)
    assert EnergyScale.from_attrs(full.to_attrs()) == full


def test_missing_scale_is_told():
    with pytest.raises(ValueError, match="kev_per_channel is missing; calibrate first"):
        EnergyScale.from_attrs({"zero_kev": 0.0})


# ------------------------------------------------------------------ shapes


@pytest.mark.parametrize("energy", [1.0, 6.4, 25.3])
@pytest.mark.parametrize("natural", [0.0, 0.012])
def test_a_peak_sums_to_one(energy, natural):
    edges = np.linspace(energy - 200, energy + 200, 400_001)
    total = line_shape(edges, energy, SCALE, natural_kev=natural).sum()
    # a Lorentzian of 12 eV keeps 2 x 0.006 / (pi 200) = 2e-5 beyond 200 keV
    assert total == pytest.approx(1.0, abs=3e-5 if natural else 1e-12)


def test_peak_without_tail_is_a_normal_distribution():
    sigma = SCALE.fwhm(6.4) / FWHM_PER_SIGMA
    expected = np.diff(stats.norm(6.4, sigma).cdf(EDGES))  # scipy
    shape = line_shape(EDGES, 6.4, SCALE, tail_fraction=0.0)
    assert shape == pytest.approx(expected, abs=1e-14)


def test_tail_is_an_exponentially_modified_normal_distribution():
    slope, sigma = 0.15, float(SCALE.fwhm(6.4)) / FWHM_PER_SIGMA
    mirrored = stats.exponnorm(slope / sigma, loc=-6.4, scale=sigma)  # scipy
    expected = np.diff(mirrored.sf(-EDGES))
    shape = line_shape(EDGES, 6.4, SCALE, tail_fraction=1.0, tail_slope_kev=slope)
    assert shape == pytest.approx(expected, abs=1e-12)  # both are exact


def test_tail_does_not_overflow_where_it_is_very_short():
    shape = line_shape(EDGES, 20.0, SCALE, tail_fraction=0.5, tail_slope_kev=1e-3)
    assert np.isfinite(shape).all()
    assert shape.sum() == pytest.approx(1.0, abs=1e-9)


def test_natural_width_gives_a_voigt_profile():
    natural, energy = 0.06, 60.0  # near a K line of lead: where the width is felt
    sigma = float(SCALE.fwhm(energy)) / FWHM_PER_SIGMA
    edges = np.linspace(energy - 2, energy + 2, 401)
    shape = line_shape(edges, energy, SCALE, tail_fraction=0, natural_kev=natural) / 0.01
    centres = 0.5 * (edges[1:] + edges[:-1])

    def voigt(e: float) -> float:  # direct convolution, by quadrature
        def part(t: float) -> float:
            normal = np.exp(-0.5 * (t / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
            return float(normal * natural / 2 / np.pi / ((e - t) ** 2 + natural**2 / 4))

        return float(integrate.quad(part, -8 * sigma, 8 * sigma, points=[e], limit=200)[0])

    expected = np.array([voigt(e - energy) for e in centres[::20]])
    # 1.2 % of the height is the stated accuracy of the weighted sum (Thompson et al. 1987)
    assert shape[::20] == pytest.approx(expected, abs=0.012 * expected.max())


def test_many_peaks_at_once_equal_the_sum_of_single_ones():
    energies, areas = [0.3, 2.3, 10.55, 12.6, 40.5], [5.0, 10.0, 100.0, 80.0, 7.0]
    single = sum(a * line_shape(EDGES, e, SCALE) for e, a in zip(energies, areas, strict=True))
    # 1e-5: peaks are cut where the tail has fallen to 1e-7 of its height
    assert peaks(EDGES, energies, areas, SCALE) == pytest.approx(single, abs=1e-5)


@pytest.mark.parametrize("energy", [-3.0, 60.0])
def test_peaks_outside_the_channels_leave_nothing(energy):
    assert peaks(EDGES, [energy], [1.0], SCALE).sum() == pytest.approx(0.0, abs=1e-9)


def test_shelf_is_flat_from_zero_to_the_peak_and_sums_to_one():
    shape = shelf_shape(EDGES, 10.0, SCALE)
    centres = SCALE.energy(np.arange(2048))
    middle = shape[(centres > 0.1) & (centres < 9.5)]
    assert shape.sum() == pytest.approx(1.0, abs=1e-9)
    assert np.ptp(middle) < 1e-6 * middle.mean()
    assert middle.mean() == pytest.approx(0.02 / 10.0, rel=1e-3)  # gain over energy
    assert shape[centres < -0.03].sum() == 0
    assert shape[centres > 10.5].sum() < 1e-9


def test_edge_of_the_shelf_is_the_distribution_function_of_the_peak():
    # scipy: where the collected share ends, the shelf falls like the peak's own integral
    shape = shelf_shape(EDGES, 10.0, SCALE) / (0.02 / 10.0)
    centres = SCALE.energy(np.arange(2048))
    sigma = float(SCALE.fwhm(10.0)) / FWHM_PER_SIGMA
    near = np.abs(centres - 10.0) < 0.2
    expected = stats.norm(10.0, sigma).sf(centres[near])
    # 2e-3: a channel is a sixth of the width, so its mean is not quite its middle
    assert shape[near] == pytest.approx(expected, abs=2e-3)


# ------------------------------------------------------------------ efficiency, escape


def test_efficiency_agrees_with_chantlers_tables():
    # by hand from the Chantler tables in xraydb: window, dead layer, sensor, without air
    bare = Instrument(atmosphere="vacuum", detector=Detector())
    for energy in (2.5, 6.0, 12.0, 20.0, 30.0):
        mu = {e: float(xraydb.mu_chantler(e, energy * 1000)) for e in ("Be", "Si")}
        photo = float(xraydb.mu_chantler("Si", energy * 1000, photo=True))
        window = np.exp(-mu["Be"] * 1.848 * 12.5e-4) * np.exp(-mu["Si"] * 2.329 * 0.1e-4)
        sensor = 1 - np.exp(-mu["Si"] * 2.329 * 0.05)
        expected = window * sensor * photo / mu["Si"]
        # 4 %: what the tables differ by for silicon at 20-30 keV
        assert float(efficiency(energy, bare)) == pytest.approx(expected, rel=0.04)


def test_half_a_millimetre_of_silicon_stops_nearly_all_iron_photons():
    # 1/mu of Si at 6.4 keV is about 0.035 mm (Chantler, xraydb): 0.5 mm is 14 of them
    bare = Instrument(atmosphere="vacuum", detector=Detector(window_um=0, dead_layer_um=0))
    share = float(atomic.photoabsorption("Si", 6.4) / atomic.attenuation("Si", 6.4))
    assert float(efficiency(6.4, bare)) == pytest.approx(share, abs=1e-5)


def test_nothing_is_seen_below_the_tables():
    assert efficiency([-1.0, 0.0, 0.05], Instrument()).tolist() == [0, 0, 0]


def test_atmospheres_differ_in_the_expected_order():
    at = [
        float(gas_transmission(2.0, Instrument(atmosphere=a), 1.0))
        for a in ("air", "helium", "vacuum")
    ]
    assert at[0] < at[1] < at[2] == 1.0


def test_escape_from_silicon_has_the_published_size():
    # Goldstein et al., Scanning Electron Microscopy and X-Ray Microanalysis (from memory):
    # about 1.8 % of the parent peak for P K-alpha in a Si(Li) detector
    fraction, energy = escape(2.0137)
    assert float(fraction / (1 - fraction)) == pytest.approx(0.018, abs=0.002)  # "about"
    assert float(energy) == pytest.approx(2.0137 - 1.742, abs=0.002)


def test_escape_formula_of_reed_and_ware_agrees_with_monte_carlo():
    # photons absorbed at exponential depth, isotropic K photons, their own absorption: the
    # physics behind the formula, without its integral
    rng = np.random.default_rng(1972)
    n, energy = 400_000, 3.69
    into, out = (float(atomic.attenuation("Si", e)) for e in (energy, 1.742))
    depth = rng.exponential(1 / into, n)
    cosine = rng.uniform(-1, 1, n)
    leaves = (cosine > 0) & (rng.exponential(1 / out, n) * cosine > depth)
    jump = atomic.photoabsorption("Si", 1.845) / atomic.photoabsorption("Si", 1.835)
    from_k = float(1 - 1 / jump)
    expected = leaves.mean() * from_k * atomic.fluorescence_yield("Si", "K")
    error = expected / np.sqrt(leaves.sum())
    # three standard errors, plus 3 % for the two K lines, which the formula follows singly
    assert float(escape(energy)[0]) == pytest.approx(expected, abs=3 * error + 0.03 * expected)


def test_nothing_escapes_below_the_k_edge():
    assert escape([1.0, 1.8])[0].tolist() == [0, 0]


def test_germanium_loses_two_lines():
    fraction, energy = escape_lines(np.array([15.0]), "Ge")
    # Ge Ka 9.886 and Kb 10.98 keV, X-Ray Data Booklet (from memory)
    assert energy[:, 0] == pytest.approx([15 - 9.88, 15 - 10.98], abs=0.02)
    assert (fraction > 0.01).all()


# ------------------------------------------------------------------ pile-up


def test_two_photons_add_their_energies():
    flat = EnergyScale(0.0, 0.02)
    a, b = np.zeros(500), np.zeros(500)
    a[100], b[150] = 2.0, 3.0
    both = self_convolution(a, b, flat)
    assert both[250] == pytest.approx(6.0)
    assert both.sum() == pytest.approx(6.0)


@pytest.mark.parametrize("zero", [-0.15, -0.043, 0.0, 0.13])
def test_sums_lie_at_the_right_energy_whatever_the_zero(zero):
    scale = EnergyScale(zero, 0.02)
    edges = scale.edges(1500)
    one = line_shape(edges, 6.4, scale, tail_fraction=0)
    pair = self_convolution(one, one, scale)
    centre = float((pair * scale.energy(np.arange(1500))).sum() / pair.sum())
    assert centre == pytest.approx(12.8, abs=1e-6)  # sharing between channels keeps the mean


def test_pile_up_agrees_with_a_simulated_stream_of_pulses():
    # a Poisson stream of photons of two energies; a pulse opens when none came in the last
    # tau, and sums what comes within tau after it
    rng = np.random.default_rng(7)
    tau, rate, n = 1e-6, 5e4, 2_000_000
    times = np.cumsum(rng.exponential(1 / rate, n))
    energy = rng.choice([100, 150], n, p=[0.7, 0.3])
    gap = np.diff(times, prepend=-1.0)
    opens = np.flatnonzero(gap > tau)[:-10]
    nexts = times[np.minimum(opens + 1, n - 1)] - times[opens] <= tau
    thirds = nexts & (times[np.minimum(opens + 2, n - 1)] - times[opens] <= tau)
    energy_sum = energy[opens] + nexts * energy[opens + 1] + thirds * energy[opens + 2]
    seen = np.bincount(energy_sum, minlength=600)
    single = np.zeros(600)
    single[100], single[150] = 0.7 * n, 0.3 * n
    expected = pile_up(single, n / rate, tau, EnergyScale(0.0, 0.02))
    for channel in (100, 150, 200, 250, 300):
        # four Poisson standard errors of the stream
        assert seen[channel] == pytest.approx(expected[channel], abs=4 * np.sqrt(expected[channel]))


def test_without_resolving_time_nothing_piles_up():
    counts = np.arange(10.0)
    assert pile_up(counts, 1.0, 0.0, SCALE) == pytest.approx(counts)


@pytest.mark.parametrize(("live", "tau"), [(0.0, 1e-7), (-1.0, 1e-7), (1.0, -1e-7)])
def test_impossible_times_are_refused(live, tau):
    with pytest.raises(ValueError, match="need live time > 0 and tau >= 0"):
        pile_up(np.ones(5), live, tau, SCALE)


def test_response_defaults_are_small_departures():
    r = Response()
    assert 0 < r.tail_fraction < 0.05
    assert 0 < r.shelf_fraction < 0.02
