"""Pictures of a study: what is refused, and when."""

import numpy as np
import pytest
import tifffile
import xarray as xr
from PIL import Image

from xrfmap.errors import InputError
from xrfmap.io.workfolder import WorkFolder
from xrfmap.pictures.register import Placement
from xrfmap.settings import ScanEntry
from xrfmap.study.run import run_study
from xrfmap.study.stages import Run, Scanned
from xrfmap.study.stages_pictures import LEAST_SIDE, hidden_of_study, split_hidden
from xrfmap.study.study_file import load_study

# the scan is not there: a bad picture must be told before anybody asks for it
STUDY = """
[object]
title = "Mill by a frozen river"
[[scan]]
file = "not there.h5"
[[image]]
file = "{file}"
control_points = {points}
"""
GOOD = [[1, 1, 0, 0], [38, 1, 30, 0], [1, 28, 0, 20]]


def told(folder, file="photo.png", points=GOOD):
    path = folder / "study.toml"
    path.write_text(STUDY.format(file=file, points=points), encoding="utf-8")
    with pytest.raises(InputError) as bad:
        run_study(path, folder / "out")
    return str(bad.value)


@pytest.fixture
def folder(tmp_path):
    Image.new("RGB", (40, 30), "white").save(tmp_path / "photo.png")
    return tmp_path


def test_a_good_picture_is_passed_and_the_missing_scan_told(folder):
    assert "not there.h5" in told(folder)


def test_a_picture_that_breaks_off_is_told_first(folder):
    noise = np.random.default_rng(1).integers(0, 255, (60, 60, 3), dtype=np.uint8)
    Image.fromarray(noise).save(folder / "whole.png")
    (folder / "half.png").write_bytes((folder / "whole.png").read_bytes()[:3000])
    words = told(folder, "half.png")
    assert "half.png" in words
    assert "cannot be read" in words


def test_other_files_are_told_first(folder):
    (folder / "text.png").write_text("no picture")
    assert "PNG, JPEG or TIFF" in told(folder, "text.png")


def test_a_picture_too_small_to_be_one_is_told_first(folder):
    Image.new("L", (LEAST_SIDE - 1, 50)).save(folder / "strip.png")
    assert "7 x 50 pixels" in told(folder, "strip.png")


def test_a_picture_without_values_is_told_first(folder):
    tifffile.imwrite(folder / "empty.tif", np.full((30, 40), np.nan, np.float32))
    assert "not a single value" in told(folder, "empty.tif")


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([*GOOD[:2], [41, 28, 0, 20]], r"image[1].control_points[3]"),
        ([[1, 1, 0, 0]], "one control point"),
        ([[1, 1, 0, 0], [2, 2, 1, 1], [3, 3, 2, 2]], "on one line"),
    ],
)
def test_control_points_that_cannot_be_right_are_told_first(folder, points, words):
    assert words in told(folder, points=points)


def test_a_photograph_that_is_not_aligned_leaves_the_hidden_design_untold(folder):
    """Said in the findings, with the reason; a missing entry could mean that nothing is there."""
    text = STUDY.format(file="photo.png", points=GOOD)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    run = Run(load_study(folder / "study.toml"), folder, WorkFolder(folder / "out"))
    scan = Scanned("front", xr.Dataset(), "key", ScanEntry(file="front.h5"), maps=xr.Dataset())
    scan.placements[0] = Placement(np.eye(2, 3), "not aligned", None, "none")
    split_hidden(run, [scan])
    (told,) = hidden_of_study([scan])
    assert (told.photograph, told.file, told.shapes) == ("photo.png", None, [])
    assert "not aligned" in told.refused
    assert hidden_of_study([Scanned("bare", xr.Dataset(), "key", scan.entry)]) == []
