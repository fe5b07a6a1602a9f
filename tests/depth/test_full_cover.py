"""Lines that ran full and layer order: maps of cover, depth of areas and points.

Scans of known truth, as counted and as counters of 8 or 16 bits would have it. The figures
that a fit of the clipped counts gave stand beside the checks.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
import xarray as xr
from buried_paint import COVERS, HEAD, SCALE, UNSEEN, spectrum, stack

from xrfmap.depth.area_depth import area_depth
from xrfmap.depth.cover_choice import DepthSettings, element_model, usable_groups
from xrfmap.depth.cover_maps import cover_maps
from xrfmap.depth.cover_sums import block_sums
from xrfmap.depth.line_ratios import SplitDesign
from xrfmap.fit.full_blocks import FullWatch
from xrfmap.io.workfolder import WorkFolder
from xrfmap.maps.element_maps import fit_spectrum
from xrfmap.maps.finding import find_elements
from xrfmap.report.cover import cover_words
from xrfmap.scan import make_scan
from xrfmap.study.stages import Run, Scanned
from xrfmap.study.stages_depth import map_cover
from xrfmap.study.study_file import load_study

TOP = 255

# ---------------------------------------------------------------- maps of cover


ELEMENTS = {
    name: sorted({e for layer in stack(name, 22.0, "lead white", 20).layers
                  for e in layer.material.mass_fractions} - UNSEEN)
    for name in ("Cu", "Hg")
}  # fmt: skip


@lru_cache(maxsize=2)
def half_covered(element, counts):
    """12 x 12 pixels of bare paint, and as many under 20 um of lead white."""
    rng = np.random.default_rng(4)
    parts = [
        rng.poisson(spectrum(element, 22.0, "lead white", um, counts), (12, 12, 2048))
        for um in (0, 20)
    ]
    return np.concatenate(parts, axis=1)


def as_scan(counts):
    scan = make_scan(counts, live_time=1.0, instrument=HEAD)
    energy = ("channel", SCALE.energy(np.arange(2048)))
    return scan.assign_coords(energy=energy).assign_attrs(SCALE.to_attrs())


def counted(element, counts, top=None):
    """Scan, its elements, and the cover over one of them in blocks."""
    true = half_covered(element, counts)
    if top is None:
        held = true.astype(np.uint32)
    else:
        held = np.minimum(true, top).astype(np.min_scalar_type(top))
    scan = as_scan(held)
    found = find_elements(scan, ELEMENTS[element])
    settings = DepthSettings(cover=COVERS["lead white"])
    block = 1 if counts > 1e6 else 3
    return cover_maps(scan, found, elements=[element], block=block, settings=settings)


def agree(clipped, whole):
    """Ratios of the clipped blocks against those of all counts."""
    off = clipped["ratio_to_bare"].values - whole["ratio_to_bare"].values
    error = clipped["ratio_to_bare_err"].values
    assert np.isfinite(off).all()
    # the same photons but for those that were lost: a block lies beyond two of the stated
    # errors less often than 5 %
    assert (np.abs(off) < 2 * error).mean() > 0.95
    # what shapes leave open is the same in all blocks, and in the error
    assert abs(off.mean()) < 1.0 * error.mean()


CASES = [("Cu", 1.5e4, 255), ("Cu", 3e6, 65535)]


@pytest.mark.slow
@pytest.mark.parametrize(("element", "counts", "top"), CASES)
def test_bare_paint_whose_main_line_ran_full_is_not_called_covered(element, counts, top):
    # as it was, all blocks of the bare half were called covered: 16 of 16 at 15 000 counts a
    # pixel, by 11 standard errors, and 144 of 144 at three million, by 8
    clipped = counted(element, counts, top).sel(element=element)
    whole = counted(element, counts).sel(element=element)
    half = clipped.sizes["x"] // 2
    bare, covered = clipped["state"].values[:, :half], clipped["state"].values[:, half:]
    assert not (bare == 1).any()
    if counts > 1e6:  # with fewer the flanks, a quarter of the main line, leave it open
        assert (bare == 0).mean() > 0.9
    assert not (covered == 0).any()
    assert (bare != -1).all()
    assert (covered != -1).all()
    agree(clipped, whole)
    assert clipped["full"] == ""


@pytest.mark.slow
def test_mercury_is_judged_by_the_lines_that_are_left():
    clipped = counted("Hg", 2e4, 255).sel(element="Hg")
    half = clipped.sizes["x"] // 2
    state = clipped["state"].values
    assert not (state[:, :half] == 1).any()
    assert (state[:, :half] == 0).mean() > 0.8
    assert (state[:, half:] == 1).mean() > 0.8


def test_a_main_line_with_too_little_left_has_no_number_and_says_so():
    maps = counted("Cu", 6e4, 255)
    one = maps.sel(element="Cu")
    half = one.sizes["x"] // 2
    bare = one["state"].values[:, :half]
    # as it was: covered in all 16 blocks, by 17 standard errors
    assert (bare == 2).all()
    for name in ("ratio_to_bare", "cover_mg_cm2", "cover_mg_cm2_high", "standard_errors"):
        assert np.isnan(one[name].values[:, :half]).all(), name
    assert not (one["state"].values[:, half:] == 0).any()
    assert str(one["full"].values) == f"Cu Kα in {bare.size} blocks"
    words = cover_words(maps, "Cu")
    assert f"Not compared, since their channels ran full: Cu Kα in {bare.size} blocks." in words


@pytest.mark.slow
def test_groups_keep_their_numbers_where_another_ran_full():
    scan = as_scan(np.minimum(half_covered("Cu", 6e4), TOP).astype(np.uint8))
    found = find_elements(scan, ELEMENTS["Cu"])
    watch = FullWatch.of(scan, found)
    sums, full = block_sums(scan, 3, watch)
    flat = sums.reshape(-1, sums.shape[2])
    counts = SplitDesign.of(found, ["Cu"], pixels=9).fit(flat, full)["Cu"]
    names = [g.label for g in counts.groups]
    alpha, beta = names.index("Cu Kα"), names.index("Cu Kβ")
    bare = np.arange(len(flat)) % sums.shape[1] < sums.shape[1] // 2
    assert np.isnan(counts.net[bare, alpha]).all()
    assert np.isnan(counts.covariance[bare, alpha]).all()
    whole = half_covered("Cu", 6e4).astype(np.uint32)
    open_found = find_elements(as_scan(whole), ELEMENTS["Cu"])
    open_sums, none = block_sums(as_scan(whole), 3)
    assert none is None
    true = SplitDesign.of(open_found, ["Cu"], pixels=9).fit(open_sums.reshape(flat.shape))["Cu"]
    off = (counts.net - true.net)[bare, beta]
    error = np.sqrt(counts.covariance[bare, beta, beta])
    assert np.isfinite(off).all()
    assert (np.abs(off) < 2 * error).all()


@pytest.mark.slow
def test_a_model_of_some_groups_is_that_of_all_of_them():
    counts = half_covered("Hg", 2e4).sum(axis=(0, 1))
    found = fit_spectrum(as_scan(counts), elements=ELEMENTS["Hg"]).found
    groups = usable_groups(found, "Hg")
    whole, alone = (element_model(found, "Hg", g, nodes=4) for g in (groups, groups[1:]))
    some = whole.only(groups[1:])
    areal = np.array([0.0, 2e-3])
    assert some.groups == alone.groups
    np.testing.assert_allclose(some.table, alone.table)
    # only ratios of groups count, and those do not hang on the others
    one, other = (m.at(areal) - m.at(areal)[..., :1] for m in (some, alone))
    np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9)


@pytest.mark.slow
def test_a_study_tells_which_lines_ran_full(tmp_path):
    (tmp_path / "mill.toml").write_text(
        '[object]\ntitle = "Mill by a frozen river"\n[depth]\nelements = ["Cu"]\n'
        '[[scan]]\nfile = "mill.h5"\n'
    )
    (tmp_path / "mill.h5").touch()
    study = load_study(tmp_path / "mill.toml")
    data = as_scan(np.minimum(half_covered("Cu", 6e4), TOP).astype(np.uint8))
    found = find_elements(data, ELEMENTS["Cu"])
    for _ in range(2):  # mapped, and kept
        scan = Scanned("mill", data, "key", study.scan[0], found=found)
        run = Run(study, tmp_path, WorkFolder(tmp_path / "out"))
        map_cover(run, [scan])
        (told,) = run.cautions
        assert told.startswith("mill: lines that ran full say nothing on what lies above Cu: ")
        assert "Cu Kα in " in told


def test_full_pixels_are_counted_across_the_blocks_of_a_file():
    rng = np.random.default_rng(8)
    pixels = np.minimum(rng.poisson(240, (20, 16, 30)), TOP).astype(np.uint8)
    scan = xr.Dataset({"counts": (("y", "x", "channel"), pixels)})
    watch = FullWatch(float(TOP), np.flatnonzero((pixels == TOP).any(axis=(0, 1))), 30)
    lazy = scan.chunk({"y": 7, "x": 5, "channel": -1})
    for side in (3, 16):
        (one, full), (other, same) = (block_sums(s, side, watch) for s in (scan, lazy))
        np.testing.assert_array_equal(one, other)
        np.testing.assert_array_equal(full.kind, same.kind)
        np.testing.assert_array_equal(full.masks, same.masks)


def test_pixels_without_counts_beside_clipped_ones_are_told_nothing():
    rng = np.random.default_rng(1)
    lit = rng.poisson(spectrum("Cu", 22.0, "lead white", 0, 1e5), (6, 6, 2048))
    lit[:3, :3] = 0  # a corner that was not measured
    scan = as_scan(np.minimum(lit, TOP).astype(np.uint8))
    found = find_elements(scan, ELEMENTS["Cu"])
    settings = DepthSettings(cover=COVERS["lead white"])
    state = cover_maps(scan, found, elements=["Cu"], block=3, settings=settings)["state"].values[0]
    assert state[0, 0] == -1
    assert 1 not in state  # bare paint is not called covered


# ---------------------------------------------------------------- areas and points


def depth_of(net, full=2**16 - 1):
    """Depth of bare copper in a point spectrum of a counter with 16 bits."""
    mean = spectrum("Cu", 22.0, "lead white", 0, 1e6)
    counts = np.random.default_rng(5).poisson(net / mean.max() * mean)
    top = np.minimum(counts, full).astype(np.uint16)
    settings = DepthSettings(cover=COVERS["lead white"])
    found = fit_spectrum(as_scan(top), elements=ELEMENTS["Cu"]).found
    return area_depth(found, "p", elements=["Cu"], settings=settings)[0]


@pytest.mark.slow
def test_depth_of_a_point_does_without_the_channels_that_ran_full():
    # twice a full counter at the top; a count below full, it is fitted as it is
    untold = depth_of(1.3e5, 2**16 - 2).finding
    assert untold.state != "at_surface"
    finding = depth_of(1.3e5).finding
    assert finding.state == "at_surface"
    assert finding.lines == ["Cu Kα", "Cu Kβ"]


def test_depth_of_a_point_whose_main_line_is_gone_cannot_be_told():
    depth = depth_of(8e5)
    assert depth.finding.state == "cannot_tell"
    assert depth.finding.cover_mg_cm2 is None
    assert "Cu Kα" in depth.finding.because
    assert "lies outside channels that ran full" in depth.finding.because
    place = [g.label for g in depth.groups].index("Cu Kα")
    assert np.isnan([depth.net[place], depth.error[place]]).all()
