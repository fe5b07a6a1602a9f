"""The stages of a study, each from files or earlier findings to findings of its own.

Every stage asks the work folder first whether it has been done for the same
inputs, settings and program; what it finds is kept for the next run.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.cautions import Cautions, listed
from xrfmap.findings import ElementFinding
from xrfmap.io.card import companions
from xrfmap.io.safe import digest_of, safe_path
from xrfmap.io.workfolder import WorkFolder, make_key
from xrfmap.running.crew import Crew
from xrfmap.running.memory import hand_back
from xrfmap.running.progress import Progress
from xrfmap.scan import notes_of
from xrfmap.settings import Point, ScanEntry, Study
from xrfmap.studycheck import file_stem

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found
    from xrfmap.io.blocks import Runner
    from xrfmap.pictures.register import Placement

__all__ = [
    "Kept",
    "PointSpectrum",
    "Run",
    "Scanned",
    "calibrate_inputs",
    "read_inputs",
    "staged",
    "suffix_of",
]


@dataclass
class Run:
    """What all stages of one run share."""

    study: Study
    folder: Path
    """Folder of the study file; everything it names lies below."""
    store: WorkFolder
    fresh: bool = False
    crew: Crew = field(default_factory=Crew)
    """Processes for fits of single spectra and for figures; this one by default."""
    runner: Runner | None = None
    """Who works on the blocks of scans; this process by default."""
    progress: Progress = field(default_factory=Progress)
    inputs: dict[str, dict[str, Any]] = field(default_factory=dict)
    timings: list[dict[str, Any]] = field(default_factory=list)
    told: Cautions = field(default_factory=Cautions)
    """What a reader of the report must know."""
    closing: ExitStack = field(default_factory=ExitStack)
    """What must be put away when the run ends."""

    def caution(self, text: str) -> None:
        """Note what a reader of the report must know; once."""
        self.told.add(text)

    @property
    def cautions(self) -> list[str]:
        """All that was noted, places of which the same is said together."""
        return self.told.sentences()

    def timed(self, stage: str, start: float, repeated: bool = True) -> None:
        """Note how long a stage took since `start` of the performance counter."""
        seconds = round(time.perf_counter() - start, 3)
        self.timings.append({"stage": stage, "seconds": seconds, "repeated": repeated})

    def input_file(self, name: str, field_name: str) -> Path:
        """Path of a file that the study names; its hash goes into the record of the run.

        Raises
        ------
        InputError
            If the file is missing or lies outside the folder of the study.
        """
        path = safe_path(self.folder, name, field_name)
        if name not in self.inputs:
            digest, size = digest_of(path)
            self.inputs[name] = {"sha256": digest, "bytes": size}
        return path

    def digest(self, name: str) -> str:
        """SHA-256 of an input that :meth:`input_file` has seen."""
        return str(self.inputs[name]["sha256"])


@dataclass(frozen=True)
class Kept:
    """What a stage found, with its key for the stages that build on it."""

    key: str
    value: dict[str, Any]
    repeated: bool


def staged(
    run: Run,
    name: str,
    parts: Mapping[str, Any],
    work: Callable[[], tuple[dict[str, Any], list[Path]]],
    label: str,
) -> Kept:
    """Do a stage, or take what an earlier run kept of it.

    Parameters
    ----------
    run : Run
        The run.
    name : str
        Name of the stage and of what it is done for; part of a file name.
    parts : mapping
        Everything the outcome depends on.
    work : callable
        Does it; returns what JSON can hold and the files that belong to it.
    label : str
        For the person who waits.

    Returns
    -------
    Kept
        The findings of the stage.
    """
    key = make_key(name, parts)
    start = time.perf_counter()
    value = None if run.fresh else run.store.kept(name, key)
    repeated = value is None
    run.progress.begin(label)
    if value is None:
        value, files = work()
        hand_back()
        run.store.keep(name, key, value, files)
    run.progress.end("" if repeated else "kept from an earlier run")
    run.timed(label, start, repeated)
    return Kept(key, value, repeated)


@dataclass
class Measurement:
    """A scan or a point spectrum on its way through the stages."""

    name: str
    data: xr.Dataset
    key: str
    """Of everything that `data` was made from."""


@dataclass
class Scanned(Measurement):
    """One scan, its maps once they are made."""

    entry: ScanEntry
    masks: dict[str, npt.NDArray[np.bool_]] = field(default_factory=dict)
    """Pixels of each area drawn on it."""
    maps: xr.Dataset | None = None
    spectra: xr.Dataset | None = None
    maps_file: Path | None = None
    found: Found | None = None
    elements: list[ElementFinding] = field(default_factory=list)
    layer_answers: dict[str, dict[str, Any]] = field(default_factory=dict)
    """Per area what its fit says about layers."""
    cover: xr.Dataset | None = None
    """Maps of what lies above the elements, once they are made."""
    cover_file: Path | None = None
    placements: dict[int, Placement] = field(default_factory=dict)
    """Of the pictures of the study, by their number from 0."""
    hidden: xr.Dataset | None = None
    hidden_file: Path | None = None
    hidden_photograph: str = ""
    hidden_refused: str = ""
    """Why its maps were not split, where a photograph lies on it."""
    radiograph: xr.Dataset | None = None
    """Simulated, and compared where the study gives one."""
    radiograph_file: Path | None = None
    radiograph_refused: str = ""
    groups_file: Path | None = None
    """Numbers of the automatic areas, once they are made."""


def suffix_of(scan: Scanned, number: int) -> str:
    """End of the names of the result files of a scan: nothing for the first."""
    return "" if number == 0 else f"-{file_stem(scan.name)}"


@dataclass
class PointSpectrum(Measurement):
    """One point spectrum, its fit once it is made."""

    entry: Point
    table: xr.Dataset | None = None
    elements: list[ElementFinding] = field(default_factory=list)
    layer_answers: dict[str, Any] = field(default_factory=dict)
    """What its fit says about layers."""


def read_inputs(run: Run) -> tuple[list[Scanned], list[PointSpectrum]]:
    """Open every scan and point spectrum of the study; counts stay on disk.

    Parameters
    ----------
    run : Run
        The run; gets the hash of each input and what the readers had to assume.

    Returns
    -------
    list of Scanned, list of PointSpectrum
        In the order of the study.

    Raises
    ------
    InputError
        For the first file that cannot be used.
    """
    from xrfmap.calibration.detectors import open_each
    from xrfmap.io import open_point, open_scan
    from xrfmap.io.spool import straightened

    def digests(name: str, path: Path, field_name: str) -> dict[str, str]:
        """Hashes of a file and of all that it is read together with."""
        home = run.folder.resolve()
        others = [p.resolve().relative_to(home).as_posix() for p in companions(path)]
        for other in others:
            run.input_file(other, field_name)
        return {one: run.digest(one) for one in (name, *others)}

    start = time.perf_counter()
    run.progress.begin("reading")
    instrument = run.study.instrument
    said = instrument.model_dump(mode="json", exclude_unset=True)
    scans, points = [], []
    for number, entry in enumerate(run.study.scan, 1):
        path = run.input_file(entry.file, f"scan[{number}].file")
        files = digests(entry.file, path, f"scan[{number}].file")
        about = {"file": files, "entry": entry, "said": said}
        if entry.detectors == "each":
            data = open_each(
                path, entry, instrument, remembered=partial(_scales, run, number, about)
            )
        else:
            data = open_scan(path, entry, instrument)
        if run.runner is None:  # other machines could not see the scratch file
            data = run.closing.enter_context(straightened(data, run.store.work))
        key = make_key("read", about | {"counts": data.attrs["source_sha256"]})
        scans.append(Scanned(entry.name or file_stem(entry.file), data, key, entry))
    for number, spot in enumerate(run.study.point, 1):
        path = run.input_file(spot.file, f"point[{number}].file")
        data = open_point(path, spot, instrument)
        files = digests(spot.file, path, f"point[{number}].file")
        key = make_key("read", {"file": files, "entry": spot, "said": said})
        points.append(PointSpectrum(spot.name or file_stem(spot.file), data, key, spot))
    items: list[Measurement] = [*scans, *points]
    for item in items:
        for note in notes_of(item.data):
            run.told.about(item.name, note)
    run.progress.end(f"{len(scans)} scans, {len(points)} point spectra")
    run.timed("reading", start)
    return scans, points


def _scales(
    run: Run,
    number: int,
    about: Mapping[str, Any],
    find: Callable[[], list[dict[str, Any]]],
) -> list[dict[str, Any]]:
    """Energy scales of the detectors of a scan, found once."""
    label = f"energy scales of the detectors of {run.study.scan[number - 1].file}"
    kept = staged(run, f"detectors-{number}", about, lambda: ({"scales": find()}, []), label)
    return list(kept.value["scales"])


def calibrate_inputs(run: Run, scans: list[Scanned], points: list[PointSpectrum]) -> None:
    """Give every scan and point spectrum its energy scale.

    Parameters
    ----------
    run : Run
        The run; told where a scale is the file's own and not found from the lines.
    scans, points : list
        From :func:`read_inputs`; their `data` and `key` are replaced.

    Raises
    ------
    CalibrationError
        If a spectrum gives no scale and its file states none.
    """
    from xrfmap.calibration.scale_choice import scale_attrs, scale_or_stated, with_scale

    items: list[Measurement] = [*scans, *points]
    for number, item in enumerate(items, 1):
        kept = staged(
            run,
            f"calibrate-{number}",
            {"data": item.key},
            lambda item=item: (scale_attrs(scale_or_stated(item.data)), []),  # type: ignore[misc]
            f"energy scale of {item.name}",
        )
        attrs = dict(kept.value)
        item.data = with_scale(item.data, attrs)
        item.key = kept.key
        if attrs.get("calibration_from") == "file":
            run.told.gather(_stated_scales, item.name, str(attrs["calibration_refused"]))


def _stated_scales(items: Sequence[tuple[str, str]]) -> str:
    """One caution on all spectra whose files state their energy scale, with the reasons."""
    from xrfmap.calibration.scale_choice import stated_scale_words

    of: dict[str, list[str]] = {}
    for name, reason in items:
        of.setdefault(reason, []).append(name)
    one = len(of) == 1
    why = "; ".join(reason if one else f"{listed(n)}: {reason}" for reason, n in of.items())
    return f"{listed(name for name, _ in items)}: {stated_scale_words(why)}"
