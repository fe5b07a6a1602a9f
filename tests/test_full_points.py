"""Point spectra whose counters ran full: told, with the families that lost counts."""

from __future__ import annotations

import json

import numpy as np
import pytest
from line_spectra import CHANNELS, RHODIUM, SCALE, model

from xrfmap.io.emsa_write import write_emsa
from xrfmap.maps import fit_spectrum
from xrfmap.scan import make_scan
from xrfmap.study import run_study

NAMES = ("Fe K", "Ca K", "Pb L", "Cu K")
TOP = 2**16 - 1


def spectrum(iron=1.2e6):
    """Spectrum of which only the main line of iron goes beyond 16 bits."""
    single = model(NAMES)
    background = single.continuum().sum(axis=1)
    mean = 2e5 * background / background.sum()
    for emitter, net in zip(single.emitters, (iron, 4e4, 1e5, 3e4), strict=False):
        mean = mean + net * single.column(emitter)
    return np.random.default_rng(8).poisson(mean)


def point(counts):
    scan = make_scan(counts, live_time=60.0, instrument=RHODIUM)
    return scan.assign_attrs(SCALE.to_attrs())


@pytest.mark.parametrize("kind", [np.uint16, np.int64])
def test_a_point_that_ran_full_is_told_with_the_family_that_lost_counts(kind):
    counts = spectrum()
    over = np.flatnonzero(counts > TOP)
    assert len(over) >= 3
    clipped = np.minimum(counts, TOP).astype(kind)
    fit = fit_spectrum(point(clipped), elements=["Fe", "Ca", "Pb", "Cu"])
    words = fit.table.attrs["full_channels"]
    at = SCALE.energy(over)
    # Fe K-alpha lies at 6.40 keV (Bearden 1967, from memory)
    assert at[0] < 6.40 < at[-1]
    assert words.startswith(f"{len(over)} channels from {at[0]:.2f} to {at[-1]:.2f} keV")
    assert "ran full at 65\u202f535 counts; net counts of Fe K are too low" in words
    # and so they are
    assert float(fit.table["net_counts"].sel(line="Fe K")) < 0.9 * 1.2e6


def test_a_sound_point_is_not_accused():
    fit = fit_spectrum(point(spectrum(4e5)), elements=["Fe", "Ca", "Pb", "Cu"])
    assert fit.table.attrs["full_channels"] == ""


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
