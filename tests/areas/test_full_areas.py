"""Areas of scans whose counters ran full in many or in few pixels."""

from __future__ import annotations

import time

import numpy as np
import pytest
import xarray as xr
from line_spectra import CHANNELS, RHODIUM, SCALE, model

from xrfmap.areas.members import sum_areas
from xrfmap.errors import InputError
from xrfmap.explore.fit_queue import FitQueue
from xrfmap.explore.fits import first_look
from xrfmap.explore.markup import family_table
from xrfmap.explore.reading import sum_pixels
from xrfmap.explore.status import Status
from xrfmap.identification.identify import elements_of_sum
from xrfmap.io.workfolder import WorkFolder
from xrfmap.maps.element_maps import fit_spectrum
from xrfmap.maps.traces import add_traces
from xrfmap.scan import make_scan
from xrfmap.spectra.left_out import FULL_SHARE, Tops
from xrfmap.spectra.score_test import SHARED_ERROR
from xrfmap.spectra.sums import scan_sums
from xrfmap.study.stages import Run, Scanned
from xrfmap.study.stages_fit import fit_masks
from xrfmap.study.study_file import load_study

NAMES = ("Fe K", "Ca K", "Pb L", "Cu K")
GIVEN = [name.split()[0] for name in NAMES]
NET = (16e3, 900.0, 2e3, 700.0)
TOP = 255


def mean_of(net):
    single = model(NAMES)
    background = single.continuum().sum(axis=1)
    mean = 3e3 * background / background.sum()
    for emitter, counts in zip(single.emitters, net, strict=False):
        mean = mean + counts * single.column(emitter)
    return mean


def scan_of(counts):
    return make_scan(counts, live_time=0.1, instrument=RHODIUM).assign_attrs(SCALE.to_attrs())


@pytest.fixture(scope="module")
def cube():
    """Eight rows of strong iron (a main line of about 900 counts a channel), eight of weak."""
    rng = np.random.default_rng(4)
    strong = rng.poisson(mean_of(NET), (8, 16, CHANNELS))
    weak = rng.poisson(mean_of((1e3, *NET[1:])), (8, 16, CHANNELS))
    return np.concatenate([strong, weak])


def halves():
    upper = np.zeros((16, 16), bool)
    upper[:8] = True
    return {"strong": upper, "weak": ~upper}


def test_full_channels_of_an_area_are_left_out_of_its_fit(cube):
    clipped = np.minimum(cube, TOP).astype(np.uint8)
    sums = sum_areas(scan_of(clipped), halves())
    marked = sums["left_out"]
    assert not marked.sel(area="weak").any()
    at = SCALE.energy(np.flatnonzero(marked.sel(area="strong").values))
    assert at.min() < 6.40 < at.max()  # Fe K-alpha, Bearden 1967, from memory
    assert np.ptp(at) < 1.0
    whole = sum_areas(scan_of(cube.astype(np.uint16)), halves())
    assert "left_out" not in whole
    like = fit_spectrum(whole.sel(area="weak").drop_vars("area"), elements=GIVEN).found
    area = sums.sel(area="strong").drop_vars("area")
    fit = fit_spectrum(area, elements=GIVEN, like=like)
    assert "ran full in some of the pixels" in fit.table.attrs["full_channels"]
    for line, net in zip(NAMES, NET, strict=True):
        one = fit.table.sel(line=line)
        assert abs(float(one["net_counts"]) - 128 * net) < 3 * float(one["net_counts_err"]), line
    # the same counts fitted as they are lose a part of the iron
    untold = fit_spectrum(area.drop_vars("left_out"), elements=GIVEN, like=like).table
    low = float(untold["net_counts"].sel(line="Fe K"))
    assert low < 128 * NET[0] - 5 * float(untold["net_counts_err"].sel(line="Fe K"))


def test_a_few_full_pixels_among_many_cost_no_channel(cube):
    some = cube[8:].copy()
    iron = int(SCALE.channel(6.40))
    assert some.max() < TOP
    some[0, 0, iron - 2 : iron + 3] = TOP
    everywhere = {"all": np.ones((8, 16), bool)}
    # one pixel of 128 with about 50 counts each: four per cent
    sums = sum_areas(scan_of(some.astype(np.uint8)), everywhere)
    assert sums["left_out"].values[0, iron - 2 : iron + 3].all()
    many = np.concatenate([some, np.tile(cube[8:], (16, 1, 1))])
    sums = sum_areas(scan_of(many.astype(np.uint8)), {"all": np.ones(many.shape[:2], bool)})
    share = TOP / sums["counts"].values[0, iron]
    assert share < FULL_SHARE
    assert "left_out" not in sums


def hot_among_usual(iron, pixels):
    """Few pixels of strong iron among 2048 of weak: as counted, and by counters of 8 bits."""
    rng = np.random.default_rng(5)
    true = rng.poisson(mean_of((1e3, *NET[1:])), (128, 16, CHANNELS))
    true[:pixels, 2] = rng.poisson(mean_of((iron, *NET[1:])), (pixels, CHANNELS))
    like = fit_spectrum(summed(true.astype(np.uint16)), elements=GIVEN).found
    return true, np.minimum(true, TOP).astype(np.uint8), like


def summed(counts):
    everywhere = {"all": np.ones(counts.shape[:2], bool)}
    return sum_areas(scan_of(counts), everywhere).isel(area=0).drop_vars("area")


def test_the_top_of_a_peak_that_ran_full_goes_with_its_flanks():
    true, clipped, like = hot_among_usual(16e3, 3)
    sums = summed(clipped)
    full = clipped.max(axis=(0, 1)) == TOP
    share = 3 * TOP / sums["counts"].values
    top = int(np.argmax((true - clipped).sum(axis=(0, 1))))
    assert share[top] < FULL_SHARE < share[full].max()
    assert (sums["left_out"].values == full).all()
    # the scan's own sum is judged by the same rule
    np.testing.assert_array_equal(scan_sums(scan_of(clipped)).full, full)
    truth = (2048 - 3) * 1e3 + 3 * 16e3

    def off(spectrum):
        iron = fit_spectrum(spectrum, elements=GIVEN, like=like).table.sel(line="Fe K")
        net, error = float(iron["net_counts"]), float(iron["net_counts_err"])
        # without what all bins share: it has nothing to do with full channels
        return (net - truth) / np.sqrt(error**2 - (SHARED_ERROR * net) ** 2)

    assert abs(off(sums)) < 3
    # the flanks alone left out, the top pulls the peak down
    assert off(sums.assign(left_out=("channel", full & (share > FULL_SHARE)))) < -4


def test_a_single_grain_whose_peaks_all_ran_full_leaves_no_number_rather_than_a_wrong_one():
    true, clipped, like = hot_among_usual(80e3, 1)
    lost = (true - clipped).sum()
    assert lost > 0.02 * 2.1e6  # many errors of the open sum, which are a tenth of a per cent
    table = fit_spectrum(summed(clipped), elements=GIVEN, like=like).table
    assert np.isnan(table["net_counts"].sel(line="Fe K"))
    assert "Fe K has no net counts" in table.attrs["full_channels"]
    for line, net in zip(NAMES[1:], NET[1:], strict=True):
        one = table.sel(line=line)
        assert abs(float(one["net_counts"]) - 2048 * net) < 3 * float(one["net_counts_err"]), line


@pytest.mark.slow
def test_areas_of_the_explorer_are_fitted_without_their_full_channels(cube):
    scan = scan_of(np.minimum(cube, TOP).astype(np.uint8))
    like = fit_spectrum(summed(cube[8:].astype(np.uint16)), elements=GIVEN).found
    assert like.model.left_out is None  # the scan as a whole has none; the area has
    area = sum_pixels(scan, halves()["strong"])
    assert sum_pixels(scan, halves()["weak"]).full is None
    queue = FitQueue(tuple(GIVEN), Status(), lambda what: None)
    try:
        queue.start(like)
        queue.want(1, {b"a": area})
        end = time.monotonic() + 120
        while (fit := queue.get(b"a")) is None:
            assert time.monotonic() < end
            assert not queue.failed(b"a")
            time.sleep(0.05)
    finally:
        queue.stop()
    rows = {row.family: row for row in fit.rows}
    look = {row.family: row for row in first_look(area.counts, like, area.full).rows}
    untold = {row.family: row for row in first_look(area.counts, like).rows}
    for line, net in zip(NAMES, NET, strict=True):
        assert abs(rows[line].net - 128 * net) < 3 * rows[line].err, line
        # shapes are the scan's in the first look, and not in its errors: 2 % more
        assert abs(look[line].net - 128 * net) < 3 * look[line].err + 0.02 * 128 * net, line
    # what is cut off at the top is missed, though the fit finds the top amiss by itself and goes by
    # the flanks: 0.9 % are left of the 4 % that are cut off
    assert untold["Fe K"].net < look["Fe K"].net - look["Fe K"].err


def test_the_first_look_gives_no_number_for_a_family_in_full_channels():
    _, clipped, like = hot_among_usual(80e3, 1)
    scan = scan_of(clipped)
    area = sum_pixels(scan, np.ones(clipped.shape[:2], bool))
    look = first_look(area.counts, like, area.full)
    rows = {row.family: row for row in look.rows}
    iron = rows["Fe K"]
    assert np.isnan([iron.net, iron.err, iron.high, iron.limit, *vars(iron.measure).values()]).all()
    assert iron.state == "not separable"
    assert "ran full" in iron.words
    assert "nan" not in family_table(look).lower()
    for line, net in zip(NAMES[1:], NET[1:], strict=True):
        assert abs(rows[line].net - 2048 * net) < 3 * rows[line].err + 0.02 * 2048 * net, line
    with pytest.raises(InputError, match="less current"):
        first_look(area.counts, like, np.ones(CHANNELS, bool))


@pytest.mark.slow
def test_a_local_trace_beside_a_line_that_ran_full_has_its_own_counts():
    rng = np.random.default_rng(6)
    true = rng.poisson(mean_of((1e3, *NET[1:])), (48, 48, CHANNELS))
    manganese = model(("Mn K",))
    trace = 60 * manganese.column(manganese.emitters[0])  # beside 16 000 of iron
    true[10:20, 10:20] = rng.poisson(mean_of(NET) + trace, (10, 10, CHANNELS))
    scan = scan_of(np.minimum(true, TOP).astype(np.uint8))
    found = add_traces(scan, elements_of_sum(scan, elements=GIVEN))
    assert set(found.present) == {*GIVEN, "Mn"}
    evidence = next(e for e in found.elements if e.symbol == "Mn").evidence
    assert 100 <= evidence["pixels"] < 150  # the patch, and one or two pixels around it
    truth = 60 * 50  # the black fields of the patch
    # fitted as it is the flat top of iron gives it half as much again, with an error of 15 %
    assert abs(evidence["net_counts"] - truth) < 4 * evidence["net_counts_err"]
    assert evidence["net_counts_err"] < 0.06 * truth


def test_tops_of_parts_are_those_of_the_whole():
    rng = np.random.default_rng(2)
    pixels = rng.integers(240, 256, (60, 40)).astype(np.uint8)
    whole = Tops.of(pixels)
    joined = Tops.none(40)
    for part in np.split(pixels, [7, 30, 31]):
        joined = joined.joined(Tops.of(part))
    np.testing.assert_array_equal(joined.largest, pixels.max(axis=0))
    full = pixels.max(axis=0) == TOP
    np.testing.assert_array_equal(joined.pixels[full], (pixels == TOP).sum(axis=0)[full])
    np.testing.assert_array_equal(joined.pixels[full], whole.pixels[full])
    assert full.any()


def test_a_study_tells_in_which_areas_channels_ran_full(cube, tmp_path):
    (tmp_path / "mill.toml").write_text(
        '[object]\ntitle = "Mill by a frozen river"\n[[scan]]\nfile = "mill.h5"\n'
    )
    (tmp_path / "mill.h5").touch()
    study = load_study(tmp_path / "mill.toml")
    whole = sum_areas(scan_of(cube.astype(np.uint16)), halves())
    weak = whole.sel(area="weak").drop_vars("area")
    maps = xr.Dataset(
        {
            "net_counts": (("line", "y", "x"), np.ones((1, 16, 16))),
            "decision_threshold": (("line", "y", "x"), np.zeros((1, 16, 16))),
            "fit_ok": (("y", "x"), np.ones((16, 16), bool)),
        },
        coords={"line": ["Fe K"]},
    )
    scan = Scanned(
        "mill", scan_of(np.minimum(cube, TOP).astype(np.uint8)), "key", study.scan[0],
        maps=maps, found=fit_spectrum(weak, elements=GIVEN).found,
    )  # fmt: skip
    for _ in range(2):  # fitted, and kept
        run = Run(study, tmp_path, WorkFolder(tmp_path / "out"))
        measured = fit_masks(run, scan, "area-1", halves(), "areas of mill")
        assert list(measured) == ["strong", "weak"]
        (told,) = run.cautions
        assert told.startswith("strong: ")
        assert "ran full in some of the pixels and are left out of the fit" in told
        assert "net counts rest on what is left of the counts for Fe K (" in told


@pytest.mark.slow
def test_a_study_tells_of_many_areas_in_one_caution(cube, tmp_path):
    (tmp_path / "mill.toml").write_text(
        '[object]\ntitle = "Mill by a frozen river"\n[[scan]]\nfile = "mill.h5"\n'
    )
    (tmp_path / "mill.h5").touch()
    study = load_study(tmp_path / "mill.toml")
    whole = sum_areas(scan_of(cube.astype(np.uint16)), halves())
    maps = xr.Dataset(
        {
            "net_counts": (("line", "y", "x"), np.ones((1, 16, 16))),
            "decision_threshold": (("line", "y", "x"), np.zeros((1, 16, 16))),
            "fit_ok": (("y", "x"), np.ones((16, 16), bool)),
        },
        coords={"line": ["Fe K"]},
    )
    like = fit_spectrum(whole.sel(area="weak").drop_vars("area"), elements=GIVEN).found
    scan = Scanned(
        "mill", scan_of(np.minimum(cube, TOP).astype(np.uint8)), "key", study.scan[0],
        maps=maps, found=like,
    )  # fmt: skip
    masks = {}
    for number in range(12):  # columns of the strong half
        masks[f"plank {number + 1}"] = np.zeros((16, 16), bool)
        masks[f"plank {number + 1}"][:8, number] = True
    run = Run(study, tmp_path, WorkFolder(tmp_path / "out"))
    fit_masks(run, scan, "area-1", masks, "areas of mill")
    (told,) = run.cautions
    assert all(f"{name}," in told or f"{name};" in told or f"{name} and" in told for name in masks)
    assert "with a larger error, for Fe K (" in told
    assert told.count("all of them") == 1  # iron, of every plank; no other line ran full
