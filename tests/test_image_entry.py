"""Pictures of a study file name scans that are there."""

import pytest

from xrfmap.errors import InputError
from xrfmap.study.study_file import load_study

STUDY = """
[object]
title = "Mill by a frozen river"
[[scan]]
file = "front.h5"
name = "front"
[[image]]
file = "photo.jpg"
scan = "{scan}"
"""


def test_a_picture_of_a_scan_that_is_not_there_is_refused(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY.format(scan="frnt"), encoding="utf-8")
    with pytest.raises(InputError, match=r"image\[1\]\.scan.*frnt.*front"):
        load_study(path)


def test_a_picture_may_name_its_scan(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY.format(scan="front"), encoding="utf-8")
    image = load_study(path).image[0]
    assert (image.scan, image.align, image.control_points) == ("front", True, None)
