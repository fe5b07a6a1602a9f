"""The whole job: from a study file to findings, maps and a report in one folder."""

from __future__ import annotations

import os
import platform
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import xarray as xr

from xrfmap.findings import ElementFinding, Findings
from xrfmap.io.results import file_stem, write_json, write_maps, write_planes, write_tiffs
from xrfmap.io.safe import sha256_of
from xrfmap.io.scratch import sweep
from xrfmap.io.workfolder import WorkFolder, make_key, program_digest, versions
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.running.crew import Crew
from xrfmap.running.progress import Progress
from xrfmap.scan import instrument_of
from xrfmap.spectra.sums import forget_sums
from xrfmap.study.stages import (
    Measurement,
    PointSpectrum,
    Run,
    Scanned,
    calibrate_inputs,
    read_inputs,
    suffix_of,
)
from xrfmap.study.stages_amounts import amounts_of_study
from xrfmap.study.stages_areas import automatic_areas, compared_areas, group_pixels, stitched_scans
from xrfmap.study.stages_depth import covered_layers, depth_of_study, map_cover, stacks_of_study
from xrfmap.study.stages_fit import draw_areas, fit_points, map_scans, measure_areas, strong_outside
from xrfmap.study.stages_pictures import (
    check_pictures,
    hidden_of_study,
    place_pictures,
    split_hidden,
)
from xrfmap.study.stages_radiograph import radiographs_of_study, simulate_radiographs
from xrfmap.study.study_file import load_study

if TYPE_CHECKING:
    from xrfmap.dating.chronology import Conclusion
    from xrfmap.io.blocks import Runner
    from xrfmap.maps.stitch import Stitched
    from xrfmap.pigments import AreaEvidence
    from xrfmap.report.photographs import Photograph

__all__ = ["run_study"]

PAGE = "report.html"


def run_study(
    path: Path | str,
    out: Path | str,
    *,
    fresh: bool = False,
    progress: Progress | None = None,
    workers: int = 1,
    runner: Runner | None = None,
) -> Findings:
    """Do the whole job for one study file.

    Parameters
    ----------
    path : Path or str
        Study file (TOML).
    out : Path or str
        Folder for the results; made if missing.
    fresh : bool
        Repeat stages that an earlier run in the same folder has finished.
    progress : Progress, optional
        Takes the news; silent if not given.
    workers : int
        Processes for the fits of points and areas, and for figures; a script that asks for
        more than one must be guarded by ``if __name__ == "__main__"``.
    runner : Runner, optional
        Who fits the pixels of scans: this process by default, or a cluster, see
        :func:`xrfmap.maps.many_machines.runner_for`.

    Returns
    -------
    Findings
        What ``findings.json`` holds. The page is ``report.html`` in `out`.

    Raises
    ------
    InputError
        If the study or a file it names cannot be used, or another run holds `out`.
    CalibrationError
        If a scan gives no energy scale and the study states none.

    Notes
    -----
    On an error nothing half-written remains: results of an earlier run stay as
    they were, and finished stages of this one are kept for the next.
    """
    path, out = Path(path), Path(out)
    study = load_study(path)
    store = WorkFolder(out)
    try:
        with store.locked(), Crew(workers) as crew:
            run = Run(study, path.parent, store, fresh, crew, runner, progress or Progress())
            run.inputs[path.name] = {"sha256": sha256_of(path), "bytes": path.stat().st_size}
            sweep(store.work)
            with run.closing:
                return _stages(run, path)
    finally:
        store.tidy()


def _stages(run: Run, path: Path) -> Findings:
    started = time.perf_counter()
    check_pictures(run)  # told now, not after the fits
    scans, points = read_inputs(run)
    draw_areas(run, scans)
    calibrate_inputs(run, scans, points)
    map_scans(run, scans)
    group_pixels(run, scans)
    whole = stitched_scans(run, scans)
    fit_points(run, points)
    place_pictures(run, scans)
    split_hidden(run, scans)
    simulate_radiographs(run, scans)
    findings = _judge(run, scans, points)
    parts = {
        "findings": findings.model_dump(mode="json"),
        "study": run.study.model_dump(mode="json"),
        "made from": [item.key for item in (*scans, *points)],
        "pictures": [run.digest(image.file) for image in run.study.image],
    }
    key = make_key("report", parts)
    if run.fresh or run.store.kept("report", key) is None:
        record = _record(run, path, scans)
        forget_sums()  # the report rests on maps
        _publish(run, key, findings, scans, points, record, started, whole)
    else:
        run.progress.begin("report")
        run.progress.end("kept from an earlier run")
    return findings


def _judge(run: Run, scans: Sequence[Scanned], points: Sequence[PointSpectrum]) -> Findings:
    """Areas, pigments and dates: quick but for the areas, so done anew each time."""
    from xrfmap.dating.chronology import conclude
    from xrfmap.pigments import load_rules

    study = run.study
    rules = load_rules(run.input_file(study.rules.file, "rules.file") if study.rules else None)
    areas = measure_areas(run, scans, points)
    start = time.perf_counter()
    run.progress.begin("pigments and dates")
    measured: list[Measurement] = [*scans, *points]
    ask = partial(
        conclude,
        study,
        rules=rules,
        instrument=instrument_of(measured[0].data) if measured else study.instrument,
        ignore=_of_the_instrument(measured),
    )
    result = ask([*areas, *_suspect(ask, strong_outside(run, scans))])
    instrument, of_it = ask.keywords["instrument"], ask.keywords["ignore"]
    groups = automatic_areas(run, scans, rules, instrument, of_it)
    run.progress.end(f"{len(result.flags)} flags, overall {result.overall}")
    run.timed("pigments and dates", start)
    map_cover(run, scans)
    depth = depth_of_study(study, scans, points)
    layers, below = covered_layers(study, result.layers, depth)
    return Findings(
        title=study.object.title,
        period=study.period.model_dump(by_alias=True) if study.period else None,
        calibration=_calibration(scans, points),
        elements=_elements(scans, points),
        areas=list(result.areas),
        flags=list(result.flags),
        layers=layers,
        depth=depth,
        amounts=amounts_of_study(run, scans, points),
        stacks=stacks_of_study(study, scans, points),
        comparisons=compared_areas(run, scans),
        automatic_areas=groups,
        hidden=hidden_of_study(scans),
        radiographs=radiographs_of_study(scans),
        overall=result.overall,
        open_questions=list(result.open_questions),
        remarks=[*result.remarks, *below],
        cautions=[*run.cautions, *result.cautions],
    )


def _suspect(
    ask: Callable[[Sequence[AreaEvidence]], Conclusion], groups: Sequence[AreaEvidence]
) -> list[AreaEvidence]:
    """Those groups outside the areas that hold something out of place."""
    flagged = {
        flag.area
        for flag in (ask(groups).flags if groups else ())
        if flag.verdict in ("out_of_period", "borderline")
    }
    return [group for group in groups if group.name in flagged]


def _of_the_instrument(measured: Sequence[Measurement]) -> set[str]:
    """Elements that the tube or its filter brings along."""
    instruments = [instrument_of(item.data) for item in measured]
    return {i.anode for i in instruments if i.anode} | {
        i.filter_material for i in instruments if i.filter_material
    }


def _calibration(
    scans: Sequence[Scanned], points: Sequence[PointSpectrum]
) -> dict[str, float | str | None] | None:
    measured: list[Measurement] = [*scans, *points]
    if not measured:
        return None
    attrs = measured[0].data.attrs
    return {
        **EnergyScale.from_attrs(attrs).to_attrs(),
        "of": measured[0].name,
        "because": str(attrs.get("calibration_because", "")),
    }


def _elements(scans: Sequence[Scanned], points: Sequence[PointSpectrum]) -> list[ElementFinding]:
    """Verdict per element: of the scans; what only a point shows is added with its name."""
    order = ("present", "not separable", "not detected")
    best: dict[str, ElementFinding] = {}
    sources: list[Scanned | PointSpectrum] = [*scans, *points]
    for number, source in enumerate(sources):
        for finding in source.elements:
            old = best.get(finding.symbol)
            if old is not None and order.index(old.verdict) <= order.index(finding.verdict):
                continue
            if number > 0:
                text = f"{source.name}: {finding.because}"
                finding = finding.model_copy(update={"because": text})
            best[finding.symbol] = finding
    return list(best.values())


def _record(run: Run, path: Path, scans: Sequence[Scanned]) -> dict[str, Any]:
    """Gather what ``run.json`` holds, except the time of writing the report itself."""
    return {
        "schema": 1,
        "study": path.name,
        "started": datetime.now(UTC).isoformat(timespec="seconds"),
        "versions": versions(),
        "program_sha256": program_digest(),
        "machine": {"system": platform.platform(), "cores": os.cpu_count()},
        "inputs": run.inputs,
        "settings": run.study.model_dump(mode="json", by_alias=True, exclude_none=True),
        "scans": {s.name: _about(s) for s in scans},
        "timings": list(run.timings),
        "cautions": list(run.cautions),
    }


def _about(scan: Scanned) -> dict[str, Any]:
    about: dict[str, Any] = {"file": scan.entry.file, "shape": list(scan.data["counts"].shape)}
    if scan.maps is not None and "fit_ok" in scan.maps:
        about["pixels_left_out"] = int((~scan.maps["fit_ok"].astype(bool)).sum())
    if scan.spectra is not None and "residuals" in scan.spectra.attrs:
        about["sum_spectrum"] = str(scan.spectra.attrs["residuals"])
    return about


def _publish(
    run: Run,
    key: str,
    findings: Findings,
    scans: Sequence[Scanned],
    points: Sequence[PointSpectrum],
    record: Mapping[str, Any],
    started: float,
    whole: Stitched | None,
) -> None:
    """Write all results beside the old ones, then move them in, the page last."""
    from xrfmap.report import write_report

    start = time.perf_counter()
    run.progress.begin("report")
    with run.store.growing() as new:
        for number, scan in enumerate(scans):
            _place_maps(new, scan, number)
        fitted: dict[str, xr.Dataset] = {p.name: p.table for p in points if p.table is not None}
        write_report(
            new,
            run.study,
            findings,
            _whole_maps(new, run, whole) | {s.name: s.maps for s in scans if s.maps is not None},
            {s.name: s.spectra for s in scans if s.spectra is not None},
            fitted,
            dict(record),
            photographs=_photographs(run, scans),
            cover={s.name: s.cover for s in scans if s.cover is not None},
            hidden={s.name: s.hidden for s in scans if s.hidden is not None},
            radiographs={s.name: s.radiograph for s in scans if s.radiograph is not None},
            crew=run.crew,
        )
        write_json(new / "findings.json", findings)
        seconds = time.perf_counter() - start
        timings = [
            *run.timings,
            {"stage": "report", "seconds": round(seconds, 3), "repeated": True},
        ]
        total = round(time.perf_counter() - started, 3)
        write_json(new / "run.json", {**record, "timings": timings, "seconds": total})
        files = run.store.move_in(new, PAGE, older=run.store.files_of("report"))
    run.store.keep("report", key, {}, files)
    run.progress.end(f"{len(files)} files")


def _photographs(run: Run, scans: Sequence[Scanned]) -> dict[str, dict[str, Photograph]]:
    """Pictures of the study laid over each scan."""
    from xrfmap.io.images import read_image
    from xrfmap.report.photographs import lay_over_scan

    study = run.study
    pictures = [
        (image, read_image(run.input_file(image.file, f"image[{number}].file")))
        for number, image in enumerate(study.image, 1)
    ]
    size = study.object.width_mm, study.object.height_mm
    return {
        s.name: lay_over_scan(pictures, s.maps, size, s.placements)
        for s in scans
        if s.maps is not None
    }


def _whole_maps(new: Path, run: Run, whole: Stitched | None) -> dict[str, xr.Dataset]:
    """Write stitched maps as a file and as images; they stand first in the report."""
    if whole is None or run.study.stitch is None:
        return {}
    name = run.study.stitch.name
    write_maps(new / f"stitched-{file_stem(name)}.nc", whole.maps)
    write_tiffs(new / f"stitched-{file_stem(name)}", whole.maps)
    return {name: whole.maps}


def _place_maps(new: Path, scan: Scanned, number: int) -> None:
    """Link or copy the kept maps of a scan, and write them as images."""
    if scan.maps is None or scan.maps_file is None:
        return
    suffix = suffix_of(scan, number)
    _link(scan.maps_file, new / f"maps{suffix}.nc")
    if scan.cover_file is not None:
        _link(scan.cover_file, new / f"cover{suffix}.nc")
    if scan.hidden_file is not None and scan.hidden is not None:
        _link(scan.hidden_file, new / f"hidden{suffix}.nc")
        write_tiffs(new / f"hidden{suffix}", scan.hidden, "unexplained")
    if scan.radiograph_file is not None and scan.radiograph is not None:
        _link(scan.radiograph_file, new / f"radiograph{suffix}.nc")
        write_planes(new / f"radiograph{suffix}", scan.radiograph, ("opacity", "difference"))
    if scan.groups_file is not None:
        _link(scan.groups_file, new / f"automatic_areas{suffix}.nc")
    write_tiffs(new / f"maps{suffix}", scan.maps)


def _link(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:  # another disk, or a file system without links
        shutil.copyfile(source, target)
