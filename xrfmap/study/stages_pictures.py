"""Stages of a study that lay its pictures on the scans and look for a hidden design."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.findings import HiddenFinding
from xrfmap.io.images import read_image
from xrfmap.io.results import plain_attrs
from xrfmap.numbers import whole
from xrfmap.pictures.hidden import HIDDEN_CAUTIONS, hidden_design
from xrfmap.pictures.hidden_findings import hidden_finding
from xrfmap.pictures.register import NOWHERE, Placement, field_of, picture_on_grid, place
from xrfmap.settings import Image
from xrfmap.study.stages import Run, Scanned, staged, suffix_of

__all__ = ["check_pictures", "hidden_of_study", "place_pictures", "split_hidden"]

LEAST_SIDE = 8  # pixels; less is an icon or a slip


def check_pictures(run: Run) -> None:
    """Read every picture of the study once, so that a bad one is told before the fits.

    Parameters
    ----------
    run : Run
        The run; gets the hash of each picture.

    Raises
    ------
    InputError
        If a picture is missing, damaged, without values, or too small to hold anything, or
        if its control points are too few, on one line, or off the picture.
    """
    for number, image in enumerate(run.study.image, 1):
        where = f"image[{number}]"
        path = run.input_file(image.file, f"{where}.file")
        staged(
            run,
            f"picture-{number}",
            {"file": run.digest(image.file), "entry": image.model_dump(mode="json")},
            lambda image=image, path=path, where=where: (_checked(image, path, where), []),  # type: ignore[misc]
            f"reading {image.file}",
        )


def _checked(image: Image, path: Path, where: str) -> dict[str, Any]:
    picture = read_image(path)
    rows, columns = picture.shape[:2]
    if min(rows, columns) < LEAST_SIDE:
        raise InputError(
            image.file, found=f"{whole(columns)} x {whole(rows)} pixels",
            expected=f"{LEAST_SIDE} or more on each side", remedy="give the picture itself",
        )  # fmt: skip
    if not np.isfinite(picture).any():
        raise InputError(
            image.file, found="not a single value in its pixels", expected="a picture",
            remedy="export the picture again",
        )  # fmt: skip
    for k, (px, py, *_) in enumerate(image.control_points or (), 1):
        if not (0 <= px <= columns and 0 <= py <= rows):
            raise InputError(
                image.file, f"{where}.control_points[{k}]",
                found=f"pixel ({px:g}, {py:g})",
                expected=f"within {whole(columns)} x {whole(rows)} pixels",
                remedy="count from the upper left corner, in pixels of this very file",
            )  # fmt: skip
    if image.control_points:
        place(image.control_points, (columns, rows), NOWHERE, name=image.file)
    return {"columns": columns, "rows": rows}


def place_pictures(run: Run, scans: Sequence[Scanned]) -> None:
    """Lay each picture of the study on the scans it belongs to.

    Parameters
    ----------
    run : Run
        The run; told where a picture could not be aligned.
    scans : sequence of Scanned
        With maps; get `placements`, by the number of the picture from 0.

    Raises
    ------
    InputError
        If control points are too few, or lie on one line or place.
    """
    for number, image in enumerate(run.study.image):
        path = run.input_file(image.file, f"image[{number + 1}].file")
        for index, scan in enumerate(scans, 1):
            if scan.maps is None or image.scan not in (None, scan.name):
                continue
            parts = {
                "maps": scan.key,
                "file": run.digest(image.file),
                "entry": image.model_dump(mode="json"),
                "object": run.study.object.model_dump(mode="json"),
            }
            kept = staged(
                run,
                f"picture-{number + 1}-on-{index}",
                parts,
                lambda image=image, path=path, scan=scan: (_placed(run, image, path, scan), []),  # type: ignore[misc]
                f"{image.file} on {scan.name}",
            )
            value = kept.value
            if value["refused"]:
                run.caution(value["refused"])
            scan.placements[number] = Placement(
                np.asarray(value["matrix"]), value["words"], value["error"], value["method"]
            )


def _placed(run: Run, image: Image, path: Path, scan: Scanned) -> dict[str, Any]:
    from xrfmap.pictures.align import align

    if scan.maps is None:
        raise RuntimeError("pictures are placed after the maps are made")
    picture = read_image(path)
    size = run.study.object.width_mm, run.study.object.height_mm
    refused = ""
    found = place(
        image.control_points,
        (picture.shape[1], picture.shape[0]),
        field_of(scan.maps),
        size,
        image.file,
    )
    if not image.control_points and image.align:
        try:
            found = align(picture, scan.maps, size, image.file)
        except InputError as bad:
            refused = f"{bad}; it is shown spread over the field, and nothing is judged by it"
    return {
        "matrix": found.matrix.tolist(), "words": found.words, "error": found.error,
        "method": found.method, "refused": refused,
    }  # fmt: skip


def split_hidden(run: Run, scans: Sequence[Scanned]) -> None:
    """Split the maps of each scan by the first photograph that is aligned with it.

    Parameters
    ----------
    run : Run
        The run; gets the cautions that belong to it.
    scans : sequence of Scanned
        With placements; get `hidden`, `hidden_file` and `hidden_picture`.
    """
    for index, scan in enumerate(scans, 1):
        chosen = _photograph_of(run, scan)
        if chosen is None or scan.maps is None:
            loose = [i for i in scan.placements if run.study.image[i].kind == "photograph"]
            if loose:  # the picture itself was told of when it was placed
                scan.hidden_photograph = run.study.image[loose[0]].file
                scan.hidden_refused = "the photograph is not aligned with the scan"
            continue
        number, placement = chosen
        entry = run.study.image[number]
        path = run.store.work / f"hidden-{index}.nc"
        parts = {
            "maps": scan.key,
            "file": run.digest(entry.file),
            "placement": placement.matrix.tolist(),
            "error": placement.error,
        }
        kept = staged(
            run,
            f"hidden-{index}",
            parts,
            lambda scan=scan, entry=entry, placement=placement, path=path: (  # type: ignore[misc]
                _split(run, scan, entry, placement, path)
            ),
            f"hidden design under {scan.name}",
        )
        scan.hidden_photograph, scan.hidden_refused = entry.file, kept.value["refused"]
        if scan.hidden_refused:
            run.caution(f"no search for a hidden design on {scan.name}: {kept.value['refused']}")
            continue
        # read where it is needed: of a large scan it has 200 MB
        held = run.closing.enter_context(xr.open_dataset(path, engine="h5netcdf"))
        scan.hidden, scan.hidden_file = held, path
        for text in HIDDEN_CAUTIONS:
            run.caution(text)


def hidden_of_study(scans: Sequence[Scanned]) -> list[HiddenFinding]:
    """Give the findings of the search for a hidden design on each scan, or why it was not made.

    Parameters
    ----------
    scans : sequence of Scanned
        After :func:`split_hidden`.

    Returns
    -------
    list of HiddenFinding
        One for each scan on which a photograph lies.
    """
    found = []
    for number, scan in enumerate(scans):
        if scan.hidden_refused:
            found.append(
                HiddenFinding(
                    scan=scan.name, file=None, photograph=scan.hidden_photograph,
                    refused=scan.hidden_refused,
                )
            )  # fmt: skip
        elif scan.hidden is not None:
            found.append(
                hidden_finding(scan.hidden, scan.name, f"hidden{suffix_of(scan, number)}.nc")
            )
    return found


def _photograph_of(run: Run, scan: Scanned) -> tuple[int, Placement] | None:
    for number, placement in scan.placements.items():
        if run.study.image[number].kind == "photograph" and placement.method != "none":
            return number, placement
    return None


def _split(
    run: Run, scan: Scanned, entry: Image, placement: Placement, path: Path
) -> tuple[dict[str, Any], list[Path]]:
    if scan.maps is None:
        raise RuntimeError("maps are split after they are made")
    maps = scan.maps.sortby(["y", "x"])
    picture = read_image(run.input_file(entry.file, "image.file"))
    seen = picture_on_grid(picture, placement, maps["x"].values, maps["y"].values)
    if seen.ndim == 2:
        return {"refused": f"{entry.file} has no colours"}, []
    try:
        found = hidden_design(maps, seen, placement_error=placement.error)
    except InputError as bad:
        return {"refused": str(bad)}, []
    found = found.assign(colour_elsewhere=found["colour_elsewhere"].astype(np.int8))
    if found.attrs["binned"] == 1:
        found["picture"] = (("y", "x", "band"), seen.astype(np.float32))
    found.attrs |= {"photograph": entry.file, "placement": placement.words}
    if placement.error is not None:
        found.attrs["placement_error"] = placement.error
    _write(path, found)
    return {"refused": "", "shapes": found.attrs["shapes"]}, [path]


def _write(path: Path, found: xr.Dataset) -> None:
    part = path.with_name(path.name + ".part")
    packed = {
        name: {"zlib": True, "complevel": 4} for name, v in found.data_vars.items() if v.ndim > 1
    }
    plain_attrs(found).to_netcdf(part, engine="h5netcdf", encoding=packed)
    part.replace(path)
