"""A run done again, and held against the record of the first one.

``run.json`` says what a run was made from: SHA-256 of every input, settings, versions. The
results beside it say what came out. Whoever repeats the run sees where anything differs.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.results import read_maps
from xrfmap.io.safe import clean_text, digest_of, read_text, safe_path
from xrfmap.io.workfolder import program_digest, versions
from xrfmap.numbers import whole

__all__ = ["Difference", "Repeat", "before_run", "compare_results", "read_record"]

Kind = Literal["input", "settings", "program", "findings", "maps"]
MOST = 200  # differences listed of one kind; more help nobody
RUN = "run.json"


@dataclass(frozen=True)
class Difference:
    """One thing that is not as it was.

    Attributes
    ----------
    kind : str
        ``input``, ``settings``, ``program``, ``findings`` or ``maps``.
    where : str
        File, setting, place in ``findings.json``, or file and variable of maps.
    before, now : str
        What it was, and what it is.
    """

    kind: Kind
    where: str
    before: str
    now: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.where}: was {self.before}, is {self.now}"


@dataclass
class Repeat:
    """What a repeated run shows."""

    differences: list[Difference] = field(default_factory=list)
    compared: dict[str, int] = field(default_factory=dict)
    """How many inputs, settings, findings and numbers of maps were compared."""

    @property
    def same(self) -> bool:
        """Whether inputs, settings and results are the same; versions may differ."""
        return all(d.kind == "program" for d in self.differences)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "same": self.same,
            "compared": self.compared,
            "differences": [asdict(d) for d in self.differences],
        }


def read_record(path: Path) -> dict[str, Any]:
    """Read ``run.json``.

    Parameters
    ----------
    path : Path
        File of an earlier run, with its results beside it.

    Returns
    -------
    dict
        The record.

    Raises
    ------
    InputError
        If it is no record of a run.
    """
    try:
        record = json.loads(read_text(path))
    except ValueError:
        record = None
    wanted = ("study", "inputs", "settings", "versions")
    if not isinstance(record, dict) or any(name not in record for name in wanted):
        raise InputError(
            clean_text(path),
            found="no record of a run",
            expected="run.json from the results folder of a study",
            remedy="name the run.json of the run that is to be repeated",
        )
    return record


def before_run(record: Mapping[str, Any], study: Path, settings: Mapping[str, Any]) -> Repeat:
    """Compare what a run is made from.

    Parameters
    ----------
    record : mapping
        From :func:`read_record`.
    study : Path
        Study file that is to be run.
    settings : mapping
        Its settings, as ``run.json`` would hold them.

    Returns
    -------
    Repeat
        Differences of inputs, settings and versions.
    """
    found = Repeat()
    inputs = dict(record["inputs"])
    for name, about in inputs.items():
        path = study if name == record["study"] else safe_path(study.parent, name, "inputs")
        try:
            now = digest_of(path)[0]
        except InputError as bad:
            now = bad.found
        before = str(about["sha256"] if isinstance(about, Mapping) else about)
        if now != before:
            found.differences.append(Difference("input", name, _short(before), _short(now)))
    old = dict(_leaves(record["settings"]))
    found.differences += _unlike("settings", old, dict(_leaves(settings)))
    here = {**versions(), "program_sha256": program_digest()}
    there = {**record["versions"], "program_sha256": record.get("program_sha256", "")}
    found.differences += _unlike("program", dict(_leaves(there)), dict(_leaves(here)))
    found.compared = {"inputs": len(inputs), "settings": len(old)}
    return found


def compare_results(before: Path, now: Path, found: Repeat) -> Repeat:
    """Compare the results of two runs.

    Parameters
    ----------
    before, now : Path
        Results folders.
    found : Repeat
        What :func:`before_run` gave; is added to.

    Returns
    -------
    Repeat
        The same.

    Raises
    ------
    InputError
        If results are missing or cannot be read.
    """
    old, new = (dict(_leaves(json.loads(read_text(f / "findings.json")))) for f in (before, now))
    found.differences += _unlike("findings", old, new)
    found.compared["findings"] = len(old)
    numbers = 0
    names = {path.name for folder in (before, now) for path in folder.glob("maps*.nc")}
    for name in sorted(names):
        there = [(folder / name).is_file() for folder in (before, now)]
        if not all(there):
            words = ["there" if one else "missing" for one in there]
            found.differences.append(Difference("maps", name, *words))
            continue
        count, unlike = _compare_maps(before / name, now / name)
        numbers += count
        found.differences += unlike
    found.compared["numbers in maps"] = numbers
    return found


def _compare_maps(before: Path, now: Path) -> tuple[int, list[Difference]]:
    (old, old_spectra), (new, new_spectra) = read_maps(before), read_maps(now)
    pairs = [(before.name, old, new)]
    if old_spectra is not None and new_spectra is not None:
        pairs.append((f"{before.name} spectrum", old_spectra, new_spectra))
    numbers, unlike = 0, []
    for place, one, other in pairs:
        for name in sorted({*map(str, one.variables), *map(str, other.variables)}):
            where = f"{place}: {name}"
            if name not in one.variables or name not in other.variables:
                words = ["there" if name in ds.variables else "missing" for ds in (one, other)]
                unlike.append(Difference("maps", where, *words))
                continue
            numbers += one[name].size
            unlike += _compare_variable(where, one[name], other[name])
        old_attrs, new_attrs = (dict(_leaves(ds.attrs)) for ds in (one, other))
        unlike += _unlike("maps", old_attrs, new_attrs, f"{place}: attribute ")
    return numbers, unlike


def _compare_variable(where: str, one: xr.DataArray, other: xr.DataArray) -> Iterator[Difference]:
    if one.shape != other.shape or one.dtype.kind != other.dtype.kind:
        yield Difference(
            "maps", where, f"shape {one.shape}, {one.dtype}", f"shape {other.shape}, {other.dtype}"
        )
        return
    count, largest = 0, 0.0
    parts = range(len(one)) if one.ndim == 3 else [None]
    for part in parts:  # line by line: large maps stay in their files
        a, b = (v.values if part is None else v[part].values for v in (one, other))
        equal = (a == b) | ((a != a) & (b != b))
        count += int((~equal).sum())
        if a.dtype.kind in "iuf" and not np.all(equal):
            off = np.abs(a.astype(np.float64) - b.astype(np.float64))[~equal]
            largest = max(largest, float(np.nanmax(off, initial=0.0)))
    if count:
        yield Difference(
            "maps", where, f"{whole(one.size)} numbers",
            f"otherwise in {whole(count)} of them, by up to {largest:.6g}",
        )  # fmt: skip


def _unlike(
    kind: Kind, before: Mapping[str, Any], now: Mapping[str, Any], prefix: str = ""
) -> list[Difference]:
    """Compare two flat mappings."""
    found = [
        Difference(kind, prefix + name, _told(before, name), _told(now, name))
        for name in sorted({*before, *now})
        if _told(before, name) != _told(now, name)
    ]
    if len(found) > MOST:
        rest = Difference(kind, f"{whole(len(found) - MOST)} more places", "one thing", "another")
        found = [*found[:MOST], rest]
    return found


def _told(held: Mapping[str, Any], name: str) -> str:
    return repr(held[name]) if name in held else "not there"


def _short(digest: str) -> str:
    return f"SHA-256 {digest[:16]}..." if len(digest) == 64 else digest


def _leaves(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Nested values with dotted names."""
    if isinstance(value, Mapping) and value:
        for key, part in value.items():
            yield from _leaves(part, f"{name}.{key}" if name else str(key))
    elif isinstance(value, list | tuple) and value:
        for number, part in enumerate(value, 1):
            yield from _leaves(part, f"{name}[{number}]")
    else:
        yield name, value.tolist() if isinstance(value, np.ndarray | np.generic) else value
