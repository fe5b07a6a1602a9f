"""Single spectra whose counters ran full: fitted without these channels, and told so."""

from __future__ import annotations

import json
from functools import lru_cache

import numpy as np
import pytest
from line_spectra import CHANNELS, RHODIUM, SCALE, model
from typer.testing import CliRunner

from xrfmap.areas.measured import Measured, lines_of
from xrfmap.cli.main import app
from xrfmap.depth.line_groups import groups_of
from xrfmap.depth.line_ratios import area_counts
from xrfmap.errors import InputError
from xrfmap.identification.identify import elements_of_sum
from xrfmap.io.emsa_write import write_emsa
from xrfmap.maps.element_maps import fit_spectrum
from xrfmap.physics.lineshape import EnergyScale, Response, self_convolution
from xrfmap.report.figures import fitted_spectrum
from xrfmap.report.viewer import spectra_data
from xrfmap.scan import make_scan
from xrfmap.simulation.expectation import Expected, expected
from xrfmap.simulation.paintings import stacks_of
from xrfmap.spectra.left_out import FullChannels
from xrfmap.study.run import run_study

NAMES = ("Fe K", "Ca K", "Pb L", "Cu K")
GIVEN = [name.split()[0] for name in NAMES]
TOP = 2**16 - 1
STRAIGHT = EnergyScale(-0.03, 0.02)
EARTH = ["Al", "Si", "S", "K", "Ca", "Ti", "Mn", "Fe", "Sr"]


def spectrum(iron=1.2e6, calcium=4e4):
    """Spectrum of which only main lines of iron or calcium go beyond 16 bits."""
    single = model(NAMES)
    background = single.continuum().sum(axis=1)
    mean = 2e5 * background / background.sum()
    for emitter, net in zip(single.emitters, (iron, calcium, 1e5, 3e4), strict=False):
        mean = mean + net * single.column(emitter)
    return np.random.default_rng(8).poisson(mean)


def point(counts, scale=SCALE):
    scan = make_scan(counts, live_time=60.0, instrument=RHODIUM)
    return scan.assign_attrs(scale.to_attrs())


@lru_cache(maxsize=2)
def umber() -> Expected:
    """Earth with manganese on gesso, by the physics of layers and not by the fit's columns."""
    return expected(
        stacks_of("gesso with earths")[4], RHODIUM, STRAIGHT, live_time_s=200.0, total_counts=3e6,
        channels=2048, pileup_tau_s=2e-7, response=Response(0.01, 0.2, 0.002),
    )  # fmt: skip


@lru_cache(maxsize=8)
def umber_fit(seed, kind):
    counts = np.random.default_rng(seed).poisson(umber().counts)
    if kind == "clipped":
        counts = np.minimum(counts, TOP).astype(np.uint16)
    elif kind == "untold":  # clipped at no counter's largest number: fitted as it is
        counts = np.minimum(counts, TOP - 1).astype(np.int64)
    return fit_spectrum(point(counts, STRAIGHT), elements=EARTH)


def pulls(seeds, kind, line):
    """Net counts less truth, in stated errors."""
    tables = [umber_fit(seed, kind).table.sel(line=line) for seed in seeds]
    return np.array([
        (float(t["net_counts"]) - umber().families[line]) / float(t["net_counts_err"])
        for t in tables
    ])  # fmt: skip


@pytest.mark.slow
def test_a_clipped_main_line_biases_neither_its_family_nor_its_neighbours():
    seeds = range(4)
    assert np.median(umber().counts[[321, 322]]) > 1.3 * TOP  # Fe K-alpha, 6.40 keV
    for line in ("Fe K", "Mn K", "Ca K", "Sr K"):
        found = pulls(seeds, "clipped", line)
        # the error holds what line ratios and shapes leave open, which is the same each time:
        # the mean of four need not shrink, but lies within two of it
        assert abs(found.mean()) < 2.0, line
        assert np.abs(found).max() < 3.5, line
        # counting, which differs each time, is a part of the error only
        assert found.std(ddof=1) < 2.0, line
        # "larger error", not "any error": iron is known to a few per cent all the same
        table = umber_fit(0, "clipped").table.sel(line=line)
        assert float(table["net_counts_err"]) < 0.03 * float(table["net_counts"]), line
    assert pulls([0], "untold", "Fe K")[0] < -3


@pytest.mark.slow
def test_pile_up_is_that_of_the_true_line():
    open_counts = np.random.default_rng(3).poisson(umber().counts)
    clipped = np.minimum(open_counts, TOP).astype(np.uint16)
    found = fit_spectrum(point(clipped, STRAIGHT), elements=EARTH).found
    twice = int(STRAIGHT.channel(2 * 6.404))  # Fe K-alpha1: Bearden 1967, from memory
    peak = slice(twice - 6, twice + 7)

    def of_pairs(counts):
        return self_convolution(counts, counts, STRAIGHT)[peak].sum()

    truth, low = of_pairs(open_counts), of_pairs(clipped)
    assert low < 0.75 * truth
    # the model keeps the shape only: compared with the pile-up of one iron and one calcium
    other = slice(int(STRAIGHT.channel(6.404 + 3.691)) - 6, int(STRAIGHT.channel(10.095)) + 7)
    made = found.model.pile_up[peak].sum() / found.model.pile_up[other].sum()
    whole = self_convolution(open_counts, open_counts, STRAIGHT)
    assert made == pytest.approx(whole[peak].sum() / whole[other].sum(), rel=0.02)


@pytest.mark.parametrize("kind", [np.uint16, np.int64])
def test_a_point_that_ran_full_is_told_with_what_its_counts_rest_on(kind):
    counts = spectrum()
    over = np.flatnonzero(counts > TOP)
    assert len(over) >= 3
    clipped = np.minimum(counts, TOP).astype(kind)
    fit = fit_spectrum(point(clipped), elements=GIVEN)
    words = fit.table.attrs["full_channels"]
    at = SCALE.energy(over)
    # Fe K-alpha lies at 6.40 keV (Bearden 1967, from memory)
    assert at[0] < 6.40 < at[-1]
    assert words.startswith(f"{len(over)} channels from {at[0]:.2f} to {at[-1]:.2f} keV")
    assert "ran full at 65\u202f535 counts and are left out of the fit" in words
    assert "net counts rest on what is left of the counts for Fe K (" in words
    assert "Cu K" not in words
    iron = fit.table.sel(line="Fe K")
    assert abs(float(iron["net_counts"]) - 1.2e6) < 3 * float(iron["net_counts_err"])
    assert (fit.spectra["left_out"].values[over] == 1).all()
    # what was not looked at lies about the peak and nowhere else
    assert fit.spectra["left_out"].values.sum() < 3 * len(over)


def test_a_sound_point_is_not_accused():
    fit = fit_spectrum(point(spectrum(4e5)), elements=GIVEN)
    assert fit.table.attrs["full_channels"] == ""
    assert "left_out" not in fit.spectra
    assert fit.found.model.left_out is None


@lru_cache(maxsize=1)
def drowned():
    """Calcium a hundred times too strong: K-beta ran full as well."""
    counts = np.minimum(spectrum(4e5, 5e7), TOP).astype(np.uint16)
    return point(counts), fit_spectrum(point(counts), elements=GIVEN)


def test_a_family_that_lies_in_full_channels_has_no_counts_and_says_so():
    _, fit = drowned()
    calcium = fit.table.sel(line="Ca K")
    for name in ("net_counts", "net_counts_err", "net_counts_ul", "detection_limit"):
        assert np.isnan(calcium[name])
        assert np.isfinite(fit.table[name].sel(line=["Fe K", "Pb L", "Cu K"])).all()
    words = fit.table.attrs["full_channels"]
    assert "Ca K has no net counts, since less than 5 % of its counts are left" in words
    finding = next(e for e in fit.elements if e.symbol == "Ca")
    assert finding.verdict == "present"
    assert "flanks of its peaks only" in finding.because
    assert finding.evidence["net_counts"] is None
    for line, truth in (("Fe K", 4e5), ("Pb L", 1e5), ("Cu K", 3e4)):
        one = fit.table.sel(line=line)
        assert abs(float(one["net_counts"]) - truth) < 3 * float(one["net_counts_err"]), line


def test_an_element_whose_lines_ran_full_is_there_without_an_amount():
    _, fit = drowned()
    lines = {x.family: x for x in lines_of(Measured("p", fit.table, tuple(fit.elements)))}
    assert lines["Ca K"].detected
    assert lines["Ca K"].net is lines["Ca K"].err is lines["Ca K"].ul is None
    # nor do the layers learn anything from it
    counts = area_counts(fit.found, "Ca")
    assert len(counts.groups) == len(groups_of(fit.found.model, "Ca")) > 0
    spread = np.sqrt(np.diagonal(counts.covariance[0]))
    assert (spread > np.abs(counts.net[0])).all()


def test_what_was_not_fitted_is_drawn_as_such():
    data, fit = drowned()
    held = fit.spectra.assign(counts=("channel", data["counts"].values))
    axes = fitted_spectrum(held, counts="counts")
    assert "ran full, not fitted" in axes.get_legend_handles_labels()[1]
    (one,) = spectra_data({}, {"p": held})
    marked = np.zeros(CHANNELS, bool)
    for first, last in one["full"]:
        marked[first : last + 1] = True
    np.testing.assert_array_equal(marked, held["left_out"].values.astype(bool))


def test_full_channels_are_those_at_the_top():
    counts = np.array([3, 255, 254, 255, 7], np.uint8)
    full = FullChannels.of(make_scan(counts))
    assert full.count == 255
    np.testing.assert_array_equal(full.channels, [False, True, False, True, False])
    assert FullChannels.of(make_scan(np.minimum(counts, 254))) is None


def test_the_command_gives_no_number_for_what_ran_full(tmp_path):
    data, _ = drowned()
    write_emsa(
        tmp_path / "p1.msa", data["counts"].values, zero_kev=SCALE.zero_kev,
        kev_per_channel=SCALE.kev_per_channel, live_time_s=60.0, instrument=RHODIUM,
    )  # fmt: skip
    words = ["spectrum", str(tmp_path / "p1.msa"), "--elements", ",".join(GIVEN)]
    words += ["--anode", "Rh", "--tube-kv", "50", "--quiet"]
    table = tmp_path / "points.csv"
    done = CliRunner().invoke(app, [*words, "--json", "--csv", str(table)], catch_exceptions=False)
    assert done.exit_code == 0
    assert "Ca K has no net counts" in done.stderr

    def refuse(name):
        raise ValueError(f"{name} is no JSON")

    rows = {row["line"]: row for row in json.loads(done.stdout, parse_constant=refuse)}
    assert rows["Ca K"]["net_counts"] is None
    assert rows["Ca K"]["element"] == "present"
    assert rows["Fe K"]["net_counts"] > 0
    (line,) = [text for text in table.read_text().splitlines() if "Ca K" in text]
    assert "nan" not in line
    assert ",,,,," in line


@pytest.mark.parametrize("sound", [0, 20])
def test_a_spectrum_that_is_full_nearly_everywhere_is_refused(tmp_path, sound):
    counts = np.full(CHANNELS, TOP)
    middle = int(SCALE.channel(12.0))
    counts[middle : middle + sound] = 20_000  # five bins of four channels: one peak and a half
    write_emsa(
        tmp_path / "p1.msa", counts, zero_kev=SCALE.zero_kev,
        kev_per_channel=SCALE.kev_per_channel, live_time_s=60.0, instrument=RHODIUM,
    )  # fmt: skip
    words = ["spectrum", str(tmp_path / "p1.msa"), "--anode", "Rh", "--tube-kv", "50", "--quiet"]
    done = CliRunner().invoke(app, words, catch_exceptions=False)
    assert done.exit_code != 0
    assert "p1.msa: counts: found" in done.stderr
    assert "channels between 1.50 and " in done.stderr
    assert "that ran full" in done.stderr
    assert "with less current" in done.stderr
    with pytest.raises(InputError, match="shorter time"):
        fit_spectrum(point(counts.astype(np.uint16)), elements=GIVEN)
    with pytest.raises(InputError, match="shorter time"):  # nor a scan of such pixels
        elements_of_sum(point(np.tile(counts.astype(np.uint16), (2, 3, 1))), elements=GIVEN)


def test_the_report_of_a_study_tells_of_it(tmp_path):
    clipped = np.minimum(spectrum(), TOP)
    write_emsa(
        tmp_path / "p1.msa", clipped, zero_kev=SCALE.zero_kev,
        kev_per_channel=SCALE.kev_per_channel, live_time_s=60.0, instrument=RHODIUM,
    )  # fmt: skip
    assert clipped.shape == (CHANNELS,)
    (tmp_path / "mill.toml").write_text(
        '[object]\ntitle = "Mill by a frozen river"\n[period]\nfrom = 1630\nto = 1650\n'
        '[instrument]\nanode = "Rh"\ntube_kv = 50\n[maps]\nelements = ["Fe", "Ca", "Pb", "Cu"]\n'
        '[[point]]\nfile = "p1.msa"\n'
    )
    run_study(tmp_path / "mill.toml", out=tmp_path / "results")
    found = json.loads((tmp_path / "results" / "findings.json").read_text())
    assert any(c.startswith("p1: ") and "ran full at 65\u202f535" in c for c in found["cautions"])


@lru_cache(maxsize=1)
def leaded():
    """Lead whose M lines, near 2.4 keV, ran full while its L lines did not."""
    names = ("Fe K", "Ca K", "Pb L", "Pb M", "Cu K")
    single = model(names)
    background = single.continuum().sum(axis=1)
    mean = 2e5 * background / background.sum()
    nets = {"Fe K": 4e5, "Ca K": 4e4, "Pb L": 1e6, "Pb M": 5e7, "Cu K": 3e4}
    for emitter in single.emitters:
        mean = mean + nets.get(emitter.label, 0.0) * single.column(emitter)
    counts = np.minimum(np.random.default_rng(8).poisson(mean), TOP).astype(np.uint16)
    return fit_spectrum(point(counts), elements=GIVEN)


def test_lines_in_channels_left_out_are_not_called_seen():
    fit = leaded()
    left_out = fit.spectra["left_out"].values.astype(bool)
    lead = next(e for e in fit.elements if e.symbol == "Pb")
    # Pb M-alpha lies at 2.35 keV, Pb L-alpha at 10.55 keV (Bearden 1967, from memory)
    assert left_out[int(SCALE.channel(2.35))]
    assert not left_out[int(SCALE.channel(10.55))]
    assert lead.lines == ["Pb L"]
    assert lead.because.startswith("Pb L with ")
    assert "no net counts of Pb M" in lead.because
    seen = lead.evidence["lines_seen"]
    assert "Pb La1" in seen
    assert not [name for name in seen if name.startswith("Pb M")]


@pytest.mark.parametrize(("net", "seen"), [(4e5, ["Fe Ka1", "Fe Kb1"]), (5e6, ["Fe Kb1"])])
def test_a_main_line_that_ran_full_is_not_called_seen_beside_one_that_did_not(net, seen):
    clipped = np.minimum(spectrum(net), TOP).astype(np.uint16)
    iron = next(
        e for e in fit_spectrum(point(clipped), elements=GIVEN).elements if e.symbol == "Fe"
    )
    assert iron.evidence["net_counts"] == pytest.approx(net, rel=0.05)
    assert iron.evidence["lines_seen"] == seen
