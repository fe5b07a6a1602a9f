"""Stage of a study that simulates a radiograph from its maps and compares a given one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.findings import Interval, RadiographDifference, RadiographFinding
from xrfmap.io.images import read_image
from xrfmap.io.results import plain_attrs
from xrfmap.numbers import whole
from xrfmap.pictures.radiograph import Exposure, simulated_radiograph
from xrfmap.pictures.radiograph_compare import (
    RADIOGRAPH_CAUTIONS,
    compare_radiographs,
    differences_of,
)
from xrfmap.pictures.register import Placement, picture_on_grid
from xrfmap.scan import instrument_of
from xrfmap.settings import Image, RadiographEntry
from xrfmap.study.stages import Run, Scanned, staged, suffix_of

__all__ = ["radiograph_finding", "radiographs_of_study", "simulate_radiographs"]

LEAST_POINTS = 24  # on the shorter side of a scan; smaller is no picture to compare


def simulate_radiographs(run: Run, scans: Sequence[Scanned]) -> None:
    """Simulate the radiograph of each scan, and compare the first given one that is aligned.

    Parameters
    ----------
    run : Run
        The run; told where a given radiograph could not be compared.
    scans : sequence of Scanned
        With maps and placements; get `radiograph` and `radiograph_file`, or
        `radiograph_refused`.
    """
    entry = run.study.radiograph
    if not entry.simulate:
        return
    for index, scan in enumerate(scans, 1):
        if scan.maps is None:
            continue
        given = _given_on(run, scan)
        parts: dict[str, Any] = {"maps": scan.key, "radiograph": entry.model_dump(mode="json")}
        if given is not None:
            image, placement = given
            parts |= {
                "file": run.digest(image.file),
                "placement": placement.matrix.tolist(),
                "error": placement.error,
            }
        path = run.store.work / f"radiograph-{index}.nc"
        kept = staged(
            run,
            f"radiograph-{index}",
            parts,
            lambda scan=scan, given=given, path=path: _made(run, scan, entry, given, path),  # type: ignore[misc]
            f"radiograph from the elements of {scan.name}",
        )
        scan.radiograph_refused = kept.value["refused"]
        if kept.value["made"]:
            with xr.open_dataset(path, engine="h5netcdf") as held:
                pictures = held.drop_vars("mass")  # as large as all maps; no later stage asks
                scan.radiograph, scan.radiograph_file = pictures.load(), path
        if scan.radiograph_refused and _asked(run, scan):
            run.caution(f"no comparison of radiographs on {scan.name}: {scan.radiograph_refused}")


def _asked(run: Run, scan: Scanned) -> bool:
    return any(
        image.kind == "radiograph" and image.scan in (None, scan.name) for image in run.study.image
    )


def _given_on(run: Run, scan: Scanned) -> tuple[Image, Placement] | None:
    for number, placement in scan.placements.items():
        image = run.study.image[number]
        if image.kind == "radiograph" and placement.method != "none":
            return image, placement
    return None


def _made(
    run: Run,
    scan: Scanned,
    entry: RadiographEntry,
    given: tuple[Image, Placement] | None,
    path: Path,
) -> tuple[dict[str, Any], list[Path]]:
    if scan.maps is None:
        raise RuntimeError("a radiograph is simulated after the maps are made")
    exposure = Exposure(**entry.model_dump(exclude={"simulate"}))
    maps = scan.maps[["net_counts"]].sortby(["y", "x"])  # the other fields stay in their file
    try:
        found = simulated_radiograph(maps, instrument_of(scan.data), exposure)
    except InputError as bad:
        return {"made": False, "refused": str(bad)}, []
    refused = ""
    if given is not None:
        try:
            found = _compared(run, found, *given)
        except InputError as bad:
            refused = str(bad)
    elif _asked(run, scan):
        refused = "the given radiograph is not aligned with the scan; give control points"
    _write(path, found)
    return {"made": True, "refused": refused}, [path]


def _compared(run: Run, found: xr.Dataset, image: Image, placement: Placement) -> xr.Dataset:
    x, y = found["x"].values, found["y"].values
    if min(x.size, y.size) < LEAST_POINTS:
        raise InputError(
            image.file, found=f"a scan of {whole(x.size)} x {whole(y.size)} points",
            expected=f"{LEAST_POINTS} or more on each side", remedy="compare them by eye",
        )  # fmt: skip
    picture = read_image(run.input_file(image.file, "image.file"))
    grey = picture_on_grid(picture, placement, x, y)
    step = float(np.mean([np.median(np.diff(v)) for v in (x, y)]))
    # two standard errors of the placement, as for the split by colours
    reach = max(1, math.ceil(2 * (placement.error or step) / step))
    compared = compare_radiographs(found, grey, reach=reach)
    about: dict[str, Any] = {"given_file": image.file, "placement": placement.words}
    if placement.error is not None:
        about["placement_error"] = placement.error
    return compared.assign_attrs(about)


def _write(path: Path, found: xr.Dataset) -> None:
    part = path.with_name(path.name + ".part")
    whole = found.assign(lower_bound=found["lower_bound"].astype(np.int8))
    packed = {name: {"zlib": True, "complevel": 4} for name in whole.data_vars}
    plain_attrs(whole).to_netcdf(part, engine="h5netcdf", encoding=packed)
    part.replace(path)


def radiographs_of_study(scans: Sequence[Scanned]) -> list[RadiographFinding]:
    """Give the simulated radiographs and what comparing a given one says.

    Parameters
    ----------
    scans : sequence of Scanned
        After :func:`simulate_radiographs`.

    Returns
    -------
    list of RadiographFinding
        One for each scan for which a radiograph was simulated.
    """
    return [
        radiograph_finding(
            scan.radiograph, scan.name, f"radiograph{suffix_of(scan, number)}.nc",
            scan.radiograph_refused,
        )
        for number, scan in enumerate(scans)
        if scan.radiograph is not None
    ]  # fmt: skip


def radiograph_finding(
    held: xr.Dataset, scan: str, file: str | None, refused: str = ""
) -> RadiographFinding:
    """Say for ``findings.json`` what one result of the stage holds."""
    about = held.attrs
    told: dict[str, Any] = {}
    if "given" in held:
        told = {
            "given": about.get("given_file"),
            "placement": about.get("placement", ""),
            "placement_error": about.get("placement_error"),
            "absorbing": about["absorbing"],
            "differences": [
                RadiographDifference(
                    absorbs="more" if d["sign"] > 0 else "less",
                    spreads=d["peak"],
                    **{k: d[k] for k in ("x", "y", "width", "height", "area")},
                )
                for d in differences_of(held)
            ],
            "cannot_tell": list(RADIOGRAPH_CAUTIONS),
            **{
                f"{kind}_correlation": Interval(
                    value=about[f"{kind}_correlation"],
                    low=about[f"{kind}_correlation_low"],
                    high=about[f"{kind}_correlation_high"],
                )
                for kind in ("rank", "linear")
            },
        }
    return RadiographFinding(
        scan=scan,
        file=file,
        assumption=str(about["assumption"]),
        elements=[str(e) for e in held["element"].values],
        lower_bound_share=float(np.mean(held["lower_bound"].values)),
        unit=str(held["x"].attrs.get("units", "mm")),
        refused=refused,
        **told,
    )
