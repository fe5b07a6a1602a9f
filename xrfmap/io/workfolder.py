"""The folder of a run: one run at a time, finished stages kept, results moved in whole.

Below the results lies ``work/``. It holds what finished stages found, each with
the key of everything it was made from, so that a second run can see whether it
still holds; and the folder in which new results grow before they are moved to
their place. It may be deleted at any time at the cost of doing the work again.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

from xrfmap import __version__
from xrfmap.errors import InputError
from xrfmap.io.results import write_error
from xrfmap.io.safe import sha256_of
from xrfmap.io.scratch import try_lock

__all__ = ["WorkFolder", "held", "make_key", "program_digest", "unfinished", "versions"]

WORK = "work"
NUMERIC = ("numpy", "scipy", "numba", "xraylib", "xarray", "dask", "h5py", "matplotlib")
"""Libraries whose version can change a number or a picture of the results."""


@cache
def program_digest() -> str:
    """SHA-256 over the program's own source files, so that a changed program repeats its work."""
    root = Path(__file__).parents[1]  # the whole package
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.suffix in {".py", ".toml", ".html", ".css", ".js", ".j2", ".svg"}:
            digest.update(path.relative_to(root).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


@cache
def versions() -> dict[str, str]:
    """Versions of the program, of Python and of the libraries behind its numbers."""
    found = {"xrfmap": __version__, "python": sys.version.split()[0]}
    for name in NUMERIC:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def make_key(stage: str, parts: Mapping[str, Any]) -> str:
    """Key of a stage: equal if and only if everything it is made from is equal.

    Parameters
    ----------
    stage : str
        Name of the stage.
    parts : mapping
        Hashes of inputs, settings, keys of earlier stages; anything JSON can hold.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    whole = {"stage": stage, "parts": parts, "program": program_digest(), "versions": versions()}
    text = json.dumps(whole, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


class WorkFolder:
    """Results folder with its ``work/`` below.

    Parameters
    ----------
    out : Path
        Where the results go; made if missing.

    Raises
    ------
    InputError
        If the folder cannot be made or written.
    """

    def __init__(self, out: Path) -> None:
        self.out = Path(out)
        self.work = self.out / WORK
        try:
            self.work.mkdir(parents=True, exist_ok=True)
        except OSError as bad:
            raise InputError(
                str(out),
                found=bad.strerror or type(bad).__name__,
                expected="a folder that can be written",
                remedy="choose another --out",
            ) from None

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the folder for this run.

        Raises
        ------
        InputError
            If another run holds it.
        """
        with held(self.work / "lock", self.out, "choose another --out"):
            yield

    def tidy(self) -> None:
        """Remove the folder again if nothing came into it."""
        if all(path.name == "lock" for path in self.work.iterdir()):
            shutil.rmtree(self.work, ignore_errors=True)
            if not any(self.out.iterdir()):
                self.out.rmdir()

    def kept(self, stage: str, key: str) -> dict[str, Any] | None:
        """Return what a finished stage found, if it was made from the same things.

        Parameters
        ----------
        stage : str
            Name under which it was kept.
        key : str
            From :func:`make_key`.

        Returns
        -------
        dict or None
            None if there is nothing, the key differs, or a file that belongs to
            it has been changed or removed since.
        """
        try:
            record = json.loads((self.work / f"{stage}.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        if not isinstance(record, dict) or record.get("key") != key:
            return None
        for name, digest in record.get("files", {}).items():
            path = self.out / name
            if not path.is_file() or path.stat().st_size == 0 or sha256_of(path) != digest:
                return None
        value = record.get("value")
        return value if isinstance(value, dict) else None

    def keep(
        self, stage: str, key: str, value: Mapping[str, Any], files: Iterable[Path] = ()
    ) -> None:
        """Keep what a stage found.

        Parameters
        ----------
        stage : str
            Name; an older record of that name is replaced.
        key : str
            From :func:`make_key`.
        value : mapping
            What JSON can hold (NaN included).
        files : iterable of Path
            Files below the results folder that belong to the record.
        """
        hashes = {path.relative_to(self.out).as_posix(): sha256_of(path) for path in files}
        record = {"key": key, "value": dict(value), "files": hashes}
        path = self.work / f"{stage}.json"
        part = path.with_suffix(".part")
        try:
            part.write_text(json.dumps(record), encoding="utf-8")
            part.replace(path)
        except OSError as bad:
            raise write_error(path, bad) from bad

    def forget(self, prefix: str, except_for: Iterable[str]) -> None:
        """Remove records whose names begin alike and that are no longer wanted."""
        wanted = set(except_for)
        for path in self.work.glob("*.json"):
            if path.stem.startswith(prefix) and path.stem not in wanted:
                path.unlink(missing_ok=True)

    def files_of(self, stage: str) -> list[str]:
        """Names of the files that an older record of a stage lists; empty if there is none."""
        try:
            record = json.loads((self.work / f"{stage}.json").read_text(encoding="utf-8"))
            return [str(name) for name in record.get("files", {})]
        except (OSError, ValueError, AttributeError):
            return []

    @contextmanager
    def growing(self) -> Iterator[Path]:
        """Empty folder in which results grow; gone afterwards, however the block ends."""
        for left in self.work.glob("new-*"):  # from a run that was killed
            shutil.rmtree(left, ignore_errors=True)
        folder = self.work / f"new-{os.getpid()}"
        folder.mkdir()
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def move_in(self, folder: Path, last: str, older: Iterable[str] = ()) -> list[Path]:
        """Move finished results to their place.

        Parameters
        ----------
        folder : Path
            Where they grew.
        last : str
            The file that is moved after all others, since people look for it.
        older : iterable of str
            Files of an earlier run below the results folder; those without a
            successor are removed, so that no old map stays beside a new report.

        Returns
        -------
        list of Path
            The files at their place.
        """
        names = sorted(
            (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()),
            key=lambda name: (name == last, name),
        )
        for name in set(older) - set(names):
            target = (self.out / name).resolve()
            if target.is_relative_to(self.out.resolve()):
                target.unlink(missing_ok=True)
        for name in names:
            target = self.out / name
            target.parent.mkdir(parents=True, exist_ok=True)
            (folder / name).replace(target)
        return [self.out / name for name in names]


@contextmanager
def held(path: Path, what: Path, remedy: str) -> Iterator[None]:
    """Hold a lock for this run.

    Parameters
    ----------
    path : Path
        Lock file; made if missing.
    what : Path
        What it is the lock of, for the message.
    remedy : str
        What to do if another run holds it, besides waiting.

    Raises
    ------
    InputError
        If another run holds it, or the file cannot be written.
    """
    try:
        handle = path.open("a+", encoding="utf-8")
    except OSError as bad:
        raise write_error(what, bad) from bad
    with handle:
        if not try_lock(handle.fileno()):
            handle.seek(0)
            raise InputError(
                str(what),
                found=f"a run that is still going on (process {handle.read(40) or 'unknown'})",
                expected="a place that no other run writes to",
                remedy=f"wait for it to end, or {remedy}",
            )
        # The system frees the lock with the process, however it ends: no stale lock.
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        yield


@contextmanager
def unfinished(path: Path) -> Iterator[Path]:
    """Folder beside a result file for work that is not finished, held for this run.

    Parameters
    ----------
    path : Path
        The file that is to be made.

    Yields
    ------
    Path
        Folder in ``PATH.unfinished``, which may hold what a run left that was broken off.
        It is removed if the block ends without an error, kept otherwise.

    Raises
    ------
    InputError
        If another run works on the same file, or the folder cannot be made.
    """
    folder = path.with_name(path.name + ".unfinished")
    try:
        folder.mkdir(exist_ok=True)
    except OSError as bad:
        raise write_error(path, bad) from bad
    with held(folder / "lock", path, "choose another file"):
        try:
            yield folder / "blocks"
        except BaseException:
            if not any(child.name != "lock" for child in folder.iterdir()):
                shutil.rmtree(folder, ignore_errors=True)
            raise
        shutil.rmtree(folder, ignore_errors=True)
