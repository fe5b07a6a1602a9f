"""What the page is about: a study or a bare scan, and results made earlier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text, safe_path
from xrfmap.numbers import whole
from xrfmap.settings import Instrument, ScanEntry, Study
from xrfmap.study.study_file import load_study
from xrfmap.studycheck import file_stem

__all__ = ["ScanSource", "Subject", "check_results", "open_subject"]


@dataclass(frozen=True)
class ScanSource:
    """One scan, and how to open it in this or another process.

    Attributes
    ----------
    name : str
        As areas call it.
    path : Path
        The file.
    entry : ScanEntry or None
        What the study says of it.
    instrument : Instrument or None
        What the study says of the instrument.
    elements : tuple of str or None
        Elements that the study asks for.
    results : Path or None
        Maps made earlier.
    """

    name: str
    path: Path
    entry: ScanEntry | None = None
    instrument: Instrument | None = None
    elements: tuple[str, ...] | None = None
    results: Path | None = None

    def open(self) -> xr.Dataset:
        """Open the scan; counts stay on disk."""
        from xrfmap.io import open_scan

        return open_scan(self.path, self.entry, self.instrument)


@dataclass
class Subject:
    """What is looked at.

    Attributes
    ----------
    title : str
        Heading of the page.
    scans : sequence of ScanSource
        One or more.
    study : Study or None
        The study as it reads now; replaced when an area is saved.
    study_path : Path or None
        Its file.
    """

    title: str
    scans: Sequence[ScanSource]
    study: Study | None = None
    study_path: Path | None = None
    notes: list[str] = field(default_factory=list)


def open_subject(path: Path, results: Path | None = None) -> Subject:
    """Tell a study from a scan and check that everything it needs is there.

    Parameters
    ----------
    path : Path
        Study file (by its ending ``.toml``) or scan.
    results : Path, optional
        Result folder of a study run.

    Returns
    -------
    Subject
        Nothing but the study file was read.

    Raises
    ------
    InputError
        If the study has no scan, a file leaves its folder, or the results hold no maps.
    """
    path = Path(path)
    if path.suffix.lower() != ".toml":
        maps = _maps_file(results, 0, path.stem)
        return Subject(clean_text(path.name), [ScanSource(path.stem, path, results=maps)])
    study = load_study(path)
    if not study.scan:
        raise InputError(
            str(path), "scan", found="no [[scan]]", expected="a scan to look at",
            remedy="add one, or read the areas typed in with `xrfmap study`",
        )  # fmt: skip
    elements = study.maps.elements
    scans = []
    for number, entry in enumerate(study.scan):
        name = entry.name or file_stem(entry.file)
        scans.append(
            ScanSource(
                name,
                safe_path(path.parent, entry.file, f"scan[{number + 1}].file"),
                entry,
                study.instrument,
                tuple(elements) if elements else None,
                _maps_file(results, number, name),
            )
        )
    return Subject(clean_text(study.object.title), scans, study, path)


def _maps_file(results: Path | None, number: int, name: str) -> Path | None:
    """Find the maps of a scan in a result folder, as ``xrfmap study`` names them."""
    from xrfmap.io.results import file_stem as safe_name

    if results is None:
        return None
    folder = Path(results)
    suffix = "" if number == 0 else f"-{safe_name(name)}"
    target = folder / f"maps{suffix}.nc"
    if not target.is_file():
        raise InputError(
            str(target), found="no such file", expected="the result folder of `xrfmap study`",
            remedy="run the study first, or leave --results out",
        )  # fmt: skip
    return target


def check_results(maps: xr.Dataset, scan: xr.Dataset, path: Path) -> None:
    """Refuse maps that were made of another scan.

    Raises
    ------
    InputError
        If size or hash of the scan differ.
    """
    mine, theirs = (tuple(ds.sizes[name] for name in ("y", "x")) for ds in (scan, maps))
    if mine != theirs:
        made, wanted = (f"{whole(rows)} x {whole(columns)}" for rows, columns in (theirs, mine))
        raise _other(path, f"maps with {made} pixels", f"{wanted} pixels")
    had, have = (str(ds.attrs.get("source_sha256") or "") for ds in (maps, scan))
    if had and have and had != have:
        raise _other(path, f"maps of a scan with hash {had[:12]}…", f"{have[:12]}…")


def _other(path: Path, found: str, expected: str) -> InputError:
    return InputError(
        str(path), found=found, expected=f"{expected}, as the scan has",
        remedy="run the study again, or name the result folder that belongs to this scan",
    )  # fmt: skip
