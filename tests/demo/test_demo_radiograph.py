"""The demo's radiograph shows what lies behind the scan too; the comparison finds just that."""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from xrfmap.demo import scene as demo_scene
from xrfmap.demo import write as demo
from xrfmap.demo.radiograph import NAILS_MM, RADIOGRAPH_SIZE, radiograph, radiograph_matrix
from xrfmap.io.images import read_image
from xrfmap.pictures.radiograph import simulated_radiograph
from xrfmap.pictures.radiograph_compare import compare_radiographs, differences_of
from xrfmap.pictures.register import field_of, picture_on_grid, place
from xrfmap.simulation.simulate import expected
from xrfmap.study.study_file import load_study

SHIPPED = Path(__file__).parents[2] / "demo_scans"


@pytest.fixture(scope="module")
def drawn():
    return radiograph()


@pytest.fixture(scope="module")
def maps():
    """Maps of the demo's heavy elements with the noise of counts, from its known structures."""
    y, x = ((np.arange(n) + 0.5) * demo_scene.PIXEL_MM for n in demo_scene.SHAPE)
    weights = demo_scene.weights_at(x[None, :], y[:, None])
    lines = ("Pb L", "Fe K", "Hg L", "Cu K", "Sn K", "Ti K", "Zn K", "Mn K")
    share = np.array(list(weights.values()))
    made = [expected(s, demo.INSTRUMENT, demo.SCALE, channels=demo.CHANNELS)
            for s in demo_scene.structures(list(weights))]  # fmt: skip
    total = np.array([m.counts.sum() for m in made])
    geometry = demo.MEAN_COUNTS / np.einsum("k,kyx->yx", total, share).mean()
    table = np.array([[m.families.get(line, 0.0) for line in lines] for m in made])
    counts = np.random.default_rng(8).poisson(geometry * np.einsum("kl,kyx->lyx", table, share))
    return xr.Dataset(
        {
            "net_counts": (("line", "y", "x"), counts.astype(float)),
            "net_counts_err": (("line", "y", "x"), np.sqrt(counts + 1.0)),
        },
        coords={
            "line": list(lines),
            "y": ("y", y, {"units": "mm"}),
            "x": ("x", x, {"units": "mm"}),
        },
    )


def test_shipped_radiograph_is_the_one_that_is_written(drawn):
    shipped = read_image(SHIPPED / "radiograph.jpg").astype(float)
    assert drawn.shape == shipped.shape == (RADIOGRAPH_SIZE[1], RADIOGRAPH_SIZE[0])
    # JPEG at quality 88 on grain of 3: a few levels
    assert np.sqrt(np.mean((shipped - drawn) ** 2)) < 6


def placed():
    y, x = ((np.arange(n) + 0.5) * demo_scene.PIXEL_MM for n in demo_scene.SHAPE)
    field = xr.Dataset(coords={"y": y, "x": ("x", x, {"units": "mm"})})
    study = load_study(SHIPPED / "mill.toml")
    (image,) = [i for i in study.image if i.kind == "radiograph"]
    return place(image.control_points, RADIOGRAPH_SIZE, field_of(field), name=image.file)


def test_control_points_of_the_study_place_it_as_well_as_they_say():
    found, true = placed(), radiograph_matrix()
    assert 0.1 < found.error < 1.0  # read to whole pixels, half a millimetre, and not quite surely
    corners = np.array([[0, 0, 1], [240, 0, 1], [0, 180, 1], [240, 180, 1]]).T
    miss = np.linalg.solve(true[:, :2], found.matrix @ corners - true @ corners)
    # corners lie outside of the points, where the error of an affine map grows
    assert np.sqrt(np.mean(np.sum(miss**2, axis=0))) < 2 * found.error


@pytest.mark.slow
def test_nails_and_the_older_figure_are_where_the_two_part(maps, drawn):
    """Both are absent from the simulation: the nails lie behind, the figure mostly below reach."""
    compared = compare_radiographs(
        simulated_radiograph(maps, demo.INSTRUMENT),
        picture_on_grid(drawn, placed(), maps["x"].values, maps["y"].values),
    )
    assert compared.attrs["absorbing"] == "light"
    # the scan sees the landscape only in part: neither nothing nor the whole
    assert 0.5 < compared.attrs["rank_correlation"] < 0.98
    more = [d for d in differences_of(compared) if d["sign"] > 0]
    for at_x, at_y in NAILS_MM:
        assert any(abs(d["x"] - at_x) < 4 and abs(d["y"] - at_y) < 4 for d in more)
    robe = compared["difference"].sel(x=slice(60, 66), y=slice(84, 100)).values
    beside = compared["difference"].sel(x=slice(216, 222), y=slice(150, 166)).values
    assert robe.mean() > beside.mean()
