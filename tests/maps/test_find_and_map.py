"""Elements found and mapped in one go: the same as one after the other, each pixel fitted once."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from painted import cobalt_in, scan_of, simulated

from xrfmap.identification.identify import Found, elements_of_sum
from xrfmap.maps import candidate_scores, element_maps
from xrfmap.maps.finding import find_elements
from xrfmap.maps.local_elements import with_traces
from xrfmap.maps.map_file import find_and_map, map_to_file
from xrfmap.study.fit_many import findings_from, findings_to

ROWS, COLUMNS, NET = (20, 22), (10, 13), 45.0  # too few for the sum: 270 counts in 2.7 million


def in_blocks(scan: xr.Dataset) -> xr.Dataset:
    return scan.assign(counts=scan["counts"].chunk({"y": 10, "x": 15, "channel": -1}))


@pytest.fixture
def plain() -> xr.Dataset:
    return in_blocks(scan_of(simulated("chalk", "Rh", 3000.0, 1, side=30)))


@pytest.fixture(scope="module")
def local() -> xr.Dataset:
    return in_blocks(cobalt_in(ROWS, COLUMNS, NET))


@pytest.fixture(scope="module")
def wanted(local, tmp_path_factory) -> tuple[Found, bytes]:
    """Elements and map file of the scan with cobalt, one after the other; only read."""
    return one_after_the_other(local, tmp_path_factory.mktemp("wanted"))


@pytest.fixture
def fitted(monkeypatch) -> list[int]:
    """Pixels of each call of the fit of pixels."""
    pixels: list[int] = []
    real = element_maps.fit_counts

    def counted(counts, *rest):
        pixels.append(len(counts))
        return real(counts, *rest)

    monkeypatch.setattr(element_maps, "fit_counts", counted)
    monkeypatch.setattr(candidate_scores, "fit_counts", counted)
    return pixels


def one_after_the_other(scan: xr.Dataset, folder: Path) -> tuple[Found, bytes]:
    found = find_elements(scan)
    path = map_to_file(scan, found, folder / "want.nc", folder / "want")
    return found, path.read_bytes()


def dumped(found: Found) -> list[dict]:
    return [e.model_dump() for e in found.elements]


class StoppedError(Exception):
    pass


def stop_at(pixels: int):
    def step(done: int, _total: int) -> None:
        if done >= pixels:
            raise StoppedError

    return step


def test_each_pixel_is_fitted_once_where_nothing_hides(tmp_path, plain, fitted):
    found = find_and_map(plain, tmp_path / "maps.nc", tmp_path / "work")
    assert sum(fitted) == 900
    assert not (tmp_path / "work").exists()
    other, want = one_after_the_other(plain, tmp_path)
    assert dumped(found) == dumped(other)
    assert (tmp_path / "maps.nc").read_bytes() == want


def test_an_element_of_few_pixels_has_its_map(tmp_path, local, wanted, fitted):
    told: list[tuple[str, ...]] = []
    found = find_and_map(
        local, tmp_path / "maps.nc", tmp_path / "work", tell=lambda f: told.append(f.present)
    )
    assert sum(fitted) == 2 * 900
    assert not (tmp_path / "work").exists()
    assert "Co" in found.present
    assert told == [found.present]
    other, want = wanted
    assert dumped(found) == dumped(other)
    assert (tmp_path / "maps.nc").read_bytes() == want
    with xr.open_dataset(tmp_path / "maps.nc") as got:
        cobalt = got["net_counts"].sel(line="Co K").values
    place = slice(*ROWS), slice(*COLUMNS)
    assert cobalt[place].mean() == pytest.approx(NET, abs=9)  # three errors of the mean of six
    cobalt[place] = np.nan
    assert np.nanmean(cobalt) < 3  # cut at zero, and so not nought


def test_what_was_found_earlier_need_not_be_looked_for_again(local, wanted):
    found, _ = wanted
    kept = json.loads(json.dumps(findings_to(found.elements)))
    plain = elements_of_sum(local)
    again = with_traces(plain, findings_from(kept))
    assert again.elements == found.elements
    assert again.model.labels == found.model.labels
    np.testing.assert_array_equal(again.fit.amplitude, found.fit.amplitude)
    assert with_traces(plain, plain.elements) is plain


def test_elements_that_are_given_are_not_looked_for(tmp_path, local, fitted):
    found = find_and_map(local, tmp_path / "maps.nc", tmp_path / "work", ["Ca", "Fe"])
    assert set(found.present) <= {"Ca", "Fe"}
    assert sum(fitted) == 900


# the second round finds a whole round and a part of one
@pytest.mark.parametrize("rounds", [pytest.param(1, marks=pytest.mark.slow), 2])
def test_a_run_that_broke_off_goes_on_with_the_next_block(tmp_path, local, wanted, fitted, rounds):
    _, want = wanted
    seen = [0]
    broken = stop_at(450)

    def step(done: int, total: int) -> None:
        seen[0] += done == 0
        if seen[0] == rounds:
            broken(done, total)

    work = tmp_path / "work"
    with pytest.raises(StoppedError):
        find_and_map(local, tmp_path / "maps.nc", work, progress=step)
    assert not (tmp_path / "maps.nc").exists()
    kept = len([*work.rglob("*.npz")])
    assert kept == (3 if rounds == 1 else 6 + 3)
    fitted.clear()
    find_and_map(local, tmp_path / "maps.nc", work)
    assert sum(fitted) == 150 * (12 - kept)  # six blocks, twice
    assert (tmp_path / "maps.nc").read_bytes() == want
    assert not work.exists()
