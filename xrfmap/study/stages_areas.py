"""Stages about areas as wholes: automatic ones, pairs compared, scans stitched."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.areas.blocks import AreaBlocks, blocks_from_scan
from xrfmap.areas.measured import area_evidence
from xrfmap.areas.two_areas import compare_blocks
from xrfmap.findings import AutomaticArea, Comparison
from xrfmap.io.results import write_maps
from xrfmap.maps.clusters import Clusters, cluster_maps
from xrfmap.maps.stitch import Stitched, stitch
from xrfmap.numbers import whole
from xrfmap.pigments import AreaEvidence
from xrfmap.pigments.assess import assess
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.settings import Area, Instrument
from xrfmap.study.stages import Run, Scanned, staged
from xrfmap.study.stages_fit import fit_masks, found_on

__all__ = ["automatic_areas", "compared_areas", "group_pixels", "stitched_scans"]

Mask = npt.NDArray[np.bool_]

LABEL = "automatic_area"
"""Variable that holds the number of the automatic area of each pixel, 0 for none."""


@dataclass(frozen=True)
class _Group:
    scan: Scanned
    number: int
    mask: Mask
    evidence: AreaEvidence


def group_pixels(run: Run, scans: Sequence[Scanned]) -> None:
    """Put the pixels of each scan into groups, where the study asks for it.

    Parameters
    ----------
    run : Run
        The run; told how the number of groups was chosen.
    scans : sequence of Scanned
        Their `maps` get the variable `automatic_area` (y, x), their `groups_file` is set.
    """
    wanted = run.study.areas.automatic
    if wanted is False:
        return
    number = None if wanted is True else wanted
    for index, scan in enumerate(scans, 1):
        path = run.store.work / f"groups-{index}.nc"
        kept = staged(
            run,
            f"groups-{index}",
            {"maps": scan.key, "number": number},
            lambda scan=scan, path=path: _group(scan, number, path),  # type: ignore[misc]
            f"automatic areas of {scan.name}",
        )
        if scan.maps is None:
            continue
        with xr.open_dataset(path, engine="h5netcdf") as held:
            scan.maps = scan.maps.assign({LABEL: held[LABEL].load()})
        scan.groups_file = path
        run.caution(f"Automatic areas of {scan.name}: {kept.value['because']}")


def _group(scan: Scanned, number: int | None, path: Path) -> tuple[dict[str, Any], list[Path]]:
    if scan.maps is None:
        raise RuntimeError("automatic areas are made from the maps")
    usable = bool(scan.maps["fit_ok"].any())
    found = cluster_maps(scan.maps, number) if usable else _nothing(scan.maps)
    about = {
        "units": "1",
        "meaning": "number of the automatic area, the largest first; 0: no usable measurement",
        "because": found.because,
        "families": ", ".join(found.families),
    }
    labels = xr.Dataset(
        {LABEL: (("y", "x"), (found.labels + 1).astype(np.int16), about)},
        coords={"y": scan.maps["y"], "x": scan.maps["x"]},
        attrs={"source": str(scan.maps.attrs.get("source", scan.name))},
    )
    write_maps(path, labels)
    return {"because": found.because, "sizes": list(found.sizes)}, [path]


def _nothing(maps: xr.Dataset) -> Clusters:
    labels = np.full((maps.sizes["y"], maps.sizes["x"]), -1, dtype=np.int16)
    return Clusters(labels, (), {}, (), "No pixel of the scan is usable.")


def automatic_areas(
    run: Run, scans: Sequence[Scanned], rules: RuleBase, instrument: Instrument,
    ignore: Iterable[str],
) -> list[AutomaticArea]:  # fmt: skip
    """Elements and possible pigments of each automatic area.

    Parameters
    ----------
    run : Run
        The run.
    scans : sequence of Scanned
        After :func:`group_pixels`.
    rules, instrument, ignore
        As for :func:`xrfmap.pigments.assess`.

    Returns
    -------
    list of AutomaticArea
        The largest first, scan by scan.

    Notes
    -----
    They raise no flag and bound no layer: a group may hold pixels of a declared retouching
    as well as original paint, so that it is no area in the sense of the study. What lies
    outside the drawn areas is judged by its own stage, with the same pixels.
    """
    groups = [group for n, scan in enumerate(scans, 1) for group in _groups_of(run, n, scan)]
    if not groups:
        return []
    study = run.study
    judged = assess(
        [g.evidence for g in groups], study.period, study.layer, rules,
        instrument=instrument, ignore=ignore,
    )  # fmt: skip
    return [
        AutomaticArea(
            **area.model_dump(),
            scan=group.scan.name,
            number=group.number,
            pixels=int(group.mask.sum()),
            share_of_scan=float(group.mask.mean()),
            in_drawn_areas={
                name: float((mask & group.mask).sum() / group.mask.sum())
                for name, mask in group.scan.masks.items()
                if (mask & group.mask).any()
            },
        )
        for group, area in zip(groups, judged.areas, strict=True)
    ]


def _groups_of(run: Run, number: int, scan: Scanned) -> list[_Group]:
    if scan.maps is None or LABEL not in scan.maps:
        return []
    labels = scan.maps[LABEL].transpose("y", "x").values
    several = len(run.study.scan) > 1
    masks = {
        f"automatic area {k}" + (f" of {scan.name}" if several else ""): labels == k
        for k in range(1, int(labels.max()) + 1)
    }
    measured = fit_masks(run, scan, f"group-{number}", masks, f"automatic areas of {scan.name}")
    note = "pixels of like composition, put together by the program; no layer assigned"
    return [
        _Group(scan, k, masks[name], area_evidence(Area(name=name, note=note), [found]))
        for k, (name, found) in enumerate(measured.items(), 1)
    ]


def compared_areas(run: Run, scans: Sequence[Scanned]) -> list[Comparison]:
    """Answer each ``[[compare]]`` of the study.

    Parameters
    ----------
    run : Run
        The run.
    scans : sequence of Scanned
        With maps and masks.

    Returns
    -------
    list of Comparison
        In the order of the study.
    """
    found = []
    for number, pair in enumerate(run.study.compare, 1):
        held = [(s, s.masks[name]) for name in pair.areas for s in scans if name in s.masks]
        kept = staged(
            run,
            f"compare-{number}",
            {"areas": pair, "of": [(s.key, _digest(mask)) for s, mask in held]},
            lambda pair=pair, held=held: (_compared(run, pair.areas, held), []),  # type: ignore[misc]
            f"comparing {pair.areas[0]} and {pair.areas[1]}",
        )
        found.append(Comparison.model_validate(kept.value))
    return found


def _compared(
    run: Run, names: tuple[str, str], held: Sequence[tuple[Scanned, Mask]]
) -> dict[str, Any]:
    (one, a), (two, b) = held
    same = one is two
    both = a & b if same else np.zeros((1, 1), dtype=bool)
    usable: list[Mask] = []
    for scan, mask in held:
        if scan.maps is None:
            raise RuntimeError("areas are compared after the maps are made")
        good = mask & scan.maps["fit_ok"].transpose("y", "x").values.astype(bool)
        usable.append(good & ~both if same else good)
    blocks: dict[str, AreaBlocks] = {}
    if same:  # together: channels that ran full in one are left out of both
        masks = dict(zip("ab", usable, strict=True))
        blocks = blocks_from_scan(one.data, found_on(run, one), masks)
    else:
        for key, scan, mask in zip("ab", (one, two), usable, strict=True):
            blocks |= blocks_from_scan(scan.data, found_on(run, scan), {key: mask})
    answer = compare_blocks(blocks.get("a"), blocks.get("b"), names)
    words = answer.answer
    if both.any():
        words += f" {whole(int(both.sum()))} pixels that lie in both areas were left out."
    if not same:
        words += (
            f" The areas lie on two scans ({one.name}, {two.name}): amounts can be compared only "
            "if tube, distance and angles were the same."
        )
    return answer.model_copy(update={"answer": words}).model_dump(mode="json")


def _digest(mask: Mask) -> str:
    return hashlib.sha256(np.packbits(mask).tobytes()).hexdigest()[:16]


def stitched_scans(run: Run, scans: Sequence[Scanned]) -> Stitched | None:
    """Put the scans of the study together, where it asks for it.

    Parameters
    ----------
    run : Run
        The run; told where each scan lies and how the overlaps agree.
    scans : sequence of Scanned
        With maps.

    Returns
    -------
    Stitched or None
        Quick, so it is made anew each time.

    Raises
    ------
    InputError
        If positions are not in mm or pixel sizes differ.
    """
    entry = run.study.stitch
    if entry is None:
        return None
    start = time.perf_counter()
    run.progress.begin(f"stitching {entry.name}")
    named: Mapping[str, Scanned] = {scan.name: scan for scan in scans}
    tiles = {n: m for n in entry.scans or named if (m := named[n].maps) is not None}
    made = stitch(tiles, place=entry.place, stage_error_mm=entry.stage_error_mm)
    for note in made.notes:
        run.caution(f"{entry.name}: {note}")
    run.progress.end(f"{whole(made.maps.sizes['y'])} x {whole(made.maps.sizes['x'])} pixels")
    run.timed("stitching", start)
    return made
