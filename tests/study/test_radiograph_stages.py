"""Radiographs in a study: stage, findings, files, page."""

import json

import numpy as np
import pytest
import tifffile
import xarray as xr
from PIL import Image
from scipy.ndimage import gaussian_filter

from xrfmap.errors import InputError
from xrfmap.findings import Findings
from xrfmap.io.results import write_planes
from xrfmap.io.workfolder import WorkFolder
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.stack import Layer, Stack
from xrfmap.pictures.radiograph import LEAD_WHITE, Exposure, opacity
from xrfmap.report import write_report
from xrfmap.settings import Instrument, ScanEntry, Study
from xrfmap.simulation.expectation import expected
from xrfmap.study.stages import Run, Scanned
from xrfmap.study.stages_pictures import check_pictures, place_pictures
from xrfmap.study.stages_radiograph import radiographs_of_study, simulate_radiographs
from xrfmap.study.study_file import load_study

SHAPE, STEP = (40, 50), 2.0
TUBE = Instrument(anode="Rh", tube_kv=50)
NAIL = (slice(10, 17), slice(30, 37))
PER_UM = LEAD_WHITE.density_g_cm3 * 1e-4


def thickness():
    """Lead white from 2 to 18 um in patches, 10 in the middle, as the stage assumes."""
    field = gaussian_filter(np.random.default_rng(4).standard_normal(SHAPE), 3)
    field -= np.median(field)
    return 10 + 8 * np.tanh(field / field.std())


def maps():
    """Maps of that lead white with the noise of counts; the strength is told to nobody."""
    scale = EnergyScale(zero_kev=0.0, kev_per_channel=0.02, noise_kev=0.08, fano=0.115)
    um = np.linspace(0.5, 20, 12)
    curve = [
        expected(Stack([Layer(LEAD_WHITE, t * PER_UM)]), TUBE, scale).families["Pb L"] for t in um
    ]
    mean = np.interp(thickness(), um, np.array(curve) / curve[-1]) * 4000
    drawn = np.random.default_rng(5).poisson(mean).astype(float)
    return xr.Dataset(
        {
            "net_counts": (("line", "y", "x"), drawn[None]),
            "net_counts_err": (("line", "y", "x"), np.sqrt(drawn + 1)[None]),
        },
        coords={
            "line": ["Pb L"],
            "y": ("y", STEP * (np.arange(SHAPE[0]) + 0.5), {"units": "mm"}),
            "x": ("x", STEP * (np.arange(SHAPE[1]) + 0.5), {"units": "mm"}),
        },
    )


def film():
    """Radiograph of the same lead with a nail that the scan does not see; 4 pixels a point."""
    dark = opacity((thickness() * PER_UM * LEAD_WHITE.mass_fractions["Pb"])[None], ("Pb",))
    dark[NAIL] += 0.5
    grey = np.repeat(np.repeat(255 * (1 - 10**-dark), 4, axis=0), 4, axis=1)
    grain = np.random.default_rng(6).normal(0, 2, grey.shape)
    return np.clip(grey + grain, 0, 255).astype(np.uint8)


IMAGE = """
[[image]]
file = "ray.png"
kind = "radiograph"
"""
POINTS = "control_points = [[0, 0, 0, 0], [200, 0, 100, 0], [0, 160, 0, 80], [200, 160, 100, 80]]"


def done(folder, image=f"{IMAGE}{POINTS}", more=""):
    """Run the stages that concern radiographs on maps made here."""
    Image.fromarray(film()).save(folder / "ray.png")
    path = folder / "study.toml"
    text = (
        f'[object]\ntitle = "Mill by a frozen river"\n[[scan]]\nfile = "front.h5"\n{image}\n{more}'
    )
    path.write_text(text, encoding="utf-8")
    run = Run(load_study(path), folder, WorkFolder(folder / "out"))
    data = xr.Dataset(attrs={"instrument": TUBE.model_dump_json()})
    scan = Scanned("front", data, "key", ScanEntry(file="front.h5"), maps=maps())
    check_pictures(run)
    place_pictures(run, [scan])
    simulate_radiographs(run, [scan])
    return run, scan


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ray")
    with WorkFolder(folder / "out").locked():
        return done(folder)


def test_the_film_agrees_and_the_nail_is_found(compared):
    _, scan = compared
    (told,) = radiographs_of_study([scan])
    assert told.absorbing == "light"
    # without the nail the two are one curve of each other, but for 2 % noise of the counts
    assert told.rank_correlation.value > 0.9
    assert told.rank_correlation.low < told.rank_correlation.value < told.rank_correlation.high
    place = told.differences[0]
    assert place.absorbs == "more"
    # the middle of points 30 to 36 and 10 to 16
    assert (place.x, place.y) == (pytest.approx(67, abs=2), pytest.approx(27, abs=2))
    assert (told.given, told.file, told.elements) == ("ray.png", "radiograph.nc", ["Pb"])
    assert "control points" in told.placement
    assert told.cannot_tell
    assert told.refused == ""


def test_what_is_kept_is_the_same_on_the_next_run(compared):
    _, scan = compared
    with xr.open_dataset(scan.radiograph_file, engine="h5netcdf") as held:
        assert held["difference"].shape == SHAPE
        assert held.attrs["absorbing"] == "light"


def test_planes_are_written_as_images_with_their_size(compared, tmp_path):
    _, scan = compared
    written = write_planes(tmp_path / "radiograph", scan.radiograph, ("opacity", "nothing"))
    assert [p.name for p in written] == ["opacity.tif"]
    with tifffile.TiffFile(written[0]) as tiff:
        page = tiff.pages[0]
        np.testing.assert_array_equal(
            page.asarray(), scan.radiograph["opacity"].values.astype(np.float32)
        )
        assert page.tags["XResolution"].value[0] / page.tags["XResolution"].value[1] == 5.0
        assert json.loads(page.description)["units"] == "decades"


def test_the_page_shows_simulated_given_and_difference(compared, tmp_path):
    run, scan = compared
    findings = Findings(title="x", period=None, overall="compatible")
    hostile = scan.radiograph.assign_attrs(given_file="<b>ray</b>.png")
    write_report(tmp_path, run.study, findings, radiographs=hostile)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    section = page[page.index('<section id="radiograph">') : page.index('<section id="limits">')]
    for words in (
        "Radiograph simulated from the elements", "Given radiograph on the points of the scan",
        "Given radiograph against the simulated one", "What a difference may mean", "nails",
        "In the given picture light stands for what absorbs",
    ):  # fmt: skip
        assert words in section
    assert "<b>ray" not in page
    for name in ("simulated", "given", "difference"):
        assert (tmp_path / "figures" / f"radiograph_{name}.png").is_file()
        assert (tmp_path / "tables" / f"radiograph_{name}.csv").is_file()
    assert "more" in (tmp_path / "tables" / "radiograph_differences.csv").read_text()


def test_without_a_given_one_only_the_simulation_is_there(tmp_path):
    run, scan = done(tmp_path, image="")
    (told,) = radiographs_of_study([scan])
    assert (told.given, told.rank_correlation, told.differences) == (None, None, [])
    assert "Simulated for a tube with W anode at 30 kV" in told.assumption
    assert "given" not in scan.radiograph
    assert run.cautions == []


def test_one_that_cannot_be_aligned_is_told_and_not_compared(tmp_path):
    run, scan = done(tmp_path, image=f"{IMAGE}align = false")
    (told,) = radiographs_of_study([scan])
    assert "control points" in told.refused
    assert told.differences == []
    assert any("no comparison of radiographs on front" in c for c in run.cautions)


def test_exposure_comes_from_the_study(tmp_path):
    _, soft = done(tmp_path, image="", more="[radiograph]\ntube_kv = 20\nsupport_mm = 1")
    by_hand = Exposure(tube_kv=20, support_mm=1)
    with xr.open_dataset(soft.radiograph_file, engine="h5netcdf") as held:
        mass = held["mass"].values
    np.testing.assert_allclose(
        soft.radiograph["opacity"].values, opacity(mass, ("Pb",), by_hand), rtol=1e-6
    )


def test_it_can_be_left_out(tmp_path):
    _, scan = done(tmp_path, image="", more="[radiograph]\nsimulate = false")
    assert scan.radiograph is None
    assert radiographs_of_study([scan]) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('support_material = "oakk"', "cellulose"),
        ("tube_kv = 0", "tube_kv"),
        ("support_cm = 1", "support_mm"),
    ],
)
def test_slips_are_told_when_the_study_is_read(tmp_path, text, words):
    path = tmp_path / "study.toml"
    head = '[object]\ntitle = "x"\n[[scan]]\nfile = "front.h5"\n'
    path.write_text(f"{head}[radiograph]\n{text}\n", encoding="utf-8")
    with pytest.raises(InputError, match=words):
        load_study(path)


def test_a_study_without_radiographs_keeps_its_settings():
    assert Study.model_validate({"object": {"title": "x"}}).radiograph.tube_kv == Exposure().tube_kv
