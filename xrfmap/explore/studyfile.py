"""An area added to a study file: the text as it was, one block more, checked before it counts.

The file is never written anew from what was understood of it: comments and order belong
to the person who wrote it. The old file is copied first; the new one takes its place in
one step, and only after it was read back through the same checks as any study.
"""

from __future__ import annotations

import math
import os
import shutil
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from threading import Lock

from xrfmap.errors import InputError
from xrfmap.io.results import atomic_write
from xrfmap.io.scratch import scratch_folder
from xrfmap.settings import MAX_STUDY_BYTES, Area, Study
from xrfmap.study.study_file import load_study

__all__ = ["Saved", "add_area", "area_block", "take_back", "toml_string"]

_ONE_AT_A_TIME = Lock()


@dataclass(frozen=True)
class Saved:
    """What was done to a study file, enough to take it back.

    Attributes
    ----------
    path, backup : Path
        The study file, and the copy of what it was.
    before, after : bytes
        Its content before and after.
    study : Study
        What it says now.
    area : str
        Name of the new area.
    """

    path: Path
    backup: Path
    before: bytes
    after: bytes
    study: Study
    area: str


def toml_string(text: str) -> str:
    r"""Write a basic string of TOML 1.0: quotes, backslashes and control characters escaped."""
    short = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    out = []
    for char in text:
        code = ord(char)
        if char in short:
            out.append(short[char])
        elif code < 0x20 or code == 0x7F or 0xD800 <= code < 0xE000:
            # half of a surrogate pair is no character: the text would not be UTF-8
            out.append("\\uFFFD" if code >= 0xD800 else f"\\u{code:04X}")
        else:
            out.append(char)
    return '"' + "".join(out) + '"'


def _toml_number(value: float) -> str:
    if not math.isfinite(value):
        raise ValueError(f"a corner must be finite, found {value}")
    text = repr(round(float(value), 6))
    return text.removesuffix(".0") if "e" not in text else f"{value:.6f}"


def area_block(area: Area) -> str:
    """Text of an ``[[area]]`` entry.

    Parameters
    ----------
    area : Area
        With a polygon; fields that are None are left out.

    Returns
    -------
    str
        TOML, with a newline at its end.
    """
    lines = ["[[area]]", f"name = {toml_string(area.name)}"]
    if area.scan is not None:
        lines.append(f"scan = {toml_string(area.scan)}")
    if area.polygon_mm is not None:
        pairs = (f"[{_toml_number(x)}, {_toml_number(y)}]" for x, y in area.polygon_mm)
        lines.append(f"polygon_mm = [{', '.join(pairs)}]")
    for key in ("layer", "colour", "where", "note"):
        value = getattr(area, key)
        if value is not None:
            lines.append(f"{key} = {toml_string(value)}")
    return "\n".join(lines) + "\n"


def add_area(path: Path, area: Area, now: datetime | None = None) -> Saved:
    """Add an area to a study file.

    Parameters
    ----------
    path : Path
        The study file.
    area : Area
        The new area.
    now : datetime, optional
        For the name of the copy.

    Returns
    -------
    Saved
        With the study as it now reads, and the way back.

    Raises
    ------
    InputError
        If the study would not pass its checks with the new area (a name used twice, an
        unknown layer ...), or the file cannot be written. It is then as it was.
    """
    path = Path(path).resolve()  # a link to the study keeps pointing at it
    with _ONE_AT_A_TIME:
        before = _read(path)
        after = _with_block(before, area_block(area))
        study = _checked(path, after)
        backup = _copy(path, before, now or datetime.now())
        _replace(path, before, after)
    return Saved(path, backup, before, after, study, area.name)


def take_back(saved: Saved) -> Study:
    """Give a study file the content it had; the copy stays where it is.

    Raises
    ------
    InputError
        If the file has been changed since by anybody else.
    """
    with _ONE_AT_A_TIME:
        if _read(saved.path) != saved.after:
            raise InputError(
                str(saved.path),
                found="changes made after the area was saved",
                expected="the file as it was saved",
                remedy=f"remove the area by hand; the earlier file is kept as {saved.backup.name}",
            )
        study = _checked(saved.path, saved.before)
        _replace(saved.path, saved.after, saved.before)
    return study


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(MAX_STUDY_BYTES + 1)
    except OSError as bad:
        raise _unwritable(path, bad) from None


def _with_block(before: bytes, block: str) -> bytes:
    newline = b"\r\n" if b"\r\n" in before else b"\n"
    gap = b"" if before.endswith(b"\n") or not before else newline
    return before + gap + newline + block.encode("utf-8").replace(b"\n", newline)


def _checked(path: Path, content: bytes) -> Study:
    """Read content through the checks of a study, under the name of the real file."""
    try:
        # beside the study, since the same disk must take the new file anyway
        with scratch_folder(path.parent) as folder:
            trial = folder / path.name
            trial.write_bytes(content)
            return load_study(trial)
    except InputError as bad:
        raise InputError(
            str(path), bad.field, found=bad.found, expected=bad.expected, remedy=bad.remedy
        ) from None
    except OSError as bad:
        raise _unwritable(path, bad) from None


def _copy(path: Path, content: bytes, now: datetime) -> Path:
    """Keep the old content under a name of its own, which no other command takes for a study."""
    stamp = now.strftime("%Y%m%d-%H%M%S")
    for number in range(1, 1000):
        extra = "" if number == 1 else f"-{number}"
        target = path.with_name(f"{path.name}.{stamp}{extra}.bak")
        try:
            with target.open("xb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        except FileExistsError:
            continue
        except OSError as bad:
            raise _unwritable(path, bad) from None
        return target
    raise _unwritable(path, OSError("a thousand copies of this second"))


def _replace(path: Path, expected: bytes, content: bytes) -> None:
    with atomic_write(path) as part:
        part.write_bytes(content)
        shutil.copymode(path, part)
        if _read(path) != expected:
            raise InputError(
                str(path),
                found="a file that changed while the area was being saved",
                expected="the file as it was read",
                remedy="save again",
            )


def _unwritable(path: Path, bad: OSError) -> InputError:
    return InputError(
        str(path),
        found=bad.strerror or str(bad),
        expected="a study file in a folder that can be written to",
        remedy="check the permissions and the disk; the file is as it was",
    )
