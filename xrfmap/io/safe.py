"""Limits on what a file may declare, and cleaning of what it says.

A file is not trusted: its sizes are checked before memory is asked for, its texts
lose control codes before they reach a terminal, and paths that it names stay
below the folder that they are meant for.
"""

from __future__ import annotations

import hashlib
import re
import stat
import unicodedata
from pathlib import Path, PureWindowsPath

from xrfmap.errors import InputError
from xrfmap.numbers import whole

__all__ = [
    "MAX_CHANNELS",
    "MAX_CHUNK_BYTES",
    "MAX_PIXELS",
    "MAX_RANK",
    "MAX_TEXT_BYTES",
    "clean_text",
    "digest_of",
    "read_head",
    "read_text",
    "require_file",
    "safe_path",
    "sha256_of",
]

MAX_RANK = 6  # NeXus needs three or four; the others may only be of length one
MAX_CHANNELS = 65_536  # digital pulse processors stop at 16 bits
MAX_PIXELS = 1_000_000_000  # the largest scan this program is planned for
MAX_CHUNK_BYTES = 256 << 20  # one chunk is unpacked whole; a third of the memory target
MAX_TEXT_BYTES = 64 << 20  # 65 536 channels of text take about 2 MB

# escape sequences of terminals: CSI, OSC (ended by BEL or ST), other two-byte forms
_ESCAPES = re.compile(r"(?:\x1b\[|\x9b)[0-?]*[ -/]*[@-~]|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)|\x1b.")


def clean_text(text: object, limit: int = 500) -> str:
    """Text from a file, fit for a terminal, a page and a file attribute.

    Parameters
    ----------
    text : object
        Text or bytes (read as UTF-8, else Latin-1); anything else through ``str``.
    limit : int
        Longest result; the rest is cut and marked with an ellipsis.

    Returns
    -------
    str
        One line without terminal escape sequences, control codes and characters
        that turn the reading direction or have no width.
    """
    if isinstance(text, bytes):
        raw = bytes(text[: 8 * limit])
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
    plain = _ESCAPES.sub("", str(text)[: 8 * limit])
    plain = re.sub(r"\s+", " ", plain)
    # C*: control, format (direction marks), surrogate, private use, unassigned
    plain = "".join(c for c in plain if not unicodedata.category(c).startswith("C"))
    plain = re.sub(r"\s+", " ", plain).strip()  # once more: what is gone may have parted blanks
    return plain if len(plain) <= limit else plain[: limit - 1].rstrip() + "…"


def safe_path(base: Path, given: str, field: str = "file") -> Path:
    """Path of a file that a study or card names, kept below its own folder.

    Parameters
    ----------
    base : Path
        Folder of the study file or card.
    given : str
        The path as written there.
    field : str
        Name of the entry, for the message.

    Returns
    -------
    Path
        Resolved path, which may not exist.

    Raises
    ------
    InputError
        If `given` is absolute, climbs out with ``..`` or leads out by a symbolic link.
    """

    def refuse(found: str) -> InputError:
        return InputError(
            clean_text(base),
            field,
            found=f"{clean_text(given)!r} ({found})",
            expected="a path below the folder of the file that names it",
            remedy="copy the file into that folder and name it from there",
        )

    if not given or "\x00" in given:
        raise refuse("empty, or with a zero byte")
    windows = PureWindowsPath(given)
    if Path(given).is_absolute() or windows.is_absolute() or windows.drive or given[0] in "/\\~":
        raise refuse("absolute")
    if ".." in Path(given).parts or ".." in windows.parts:
        raise refuse("climbs out with ..")
    try:
        root = base.resolve()
        full = (root / given).resolve()
        # Python 3.13 leaves a loop of links as it is; nothing else is still a link then
        looped = any(part.is_symlink() for part in (full, *full.parents))
    except (OSError, RuntimeError) as err:  # link loop, name too long
        raise refuse(clean_text(err)) from err
    if not full.is_relative_to(root):
        raise refuse("leads out by a symbolic link")
    if looped:
        raise refuse("a loop of symbolic links")
    return full


def require_file(path: Path) -> Path:
    """Check that a path is a readable, non-empty, ordinary file.

    Parameters
    ----------
    path : Path
        File to read.

    Returns
    -------
    Path
        The same path.

    Raises
    ------
    InputError
        If it is missing, empty, a folder, or a device or pipe (which could wait for ever).
    """
    expected = "a file that can be read"
    try:
        info = path.stat()
    except FileNotFoundError as err:
        raise InputError(
            clean_text(path), found="no such file", expected=expected, remedy="check the path"
        ) from err
    except (OSError, ValueError) as err:  # no permission, name too long, zero byte
        raise InputError(
            clean_text(path),
            found=clean_text(getattr(err, "strerror", None) or err),
            expected=expected,
            remedy="check the path and the permissions",
        ) from err
    if not stat.S_ISREG(info.st_mode):
        kind = "a folder" if stat.S_ISDIR(info.st_mode) else "a device or pipe"
        raise InputError(
            clean_text(path), found=kind, expected=expected, remedy="name the file itself"
        )
    if info.st_size == 0:
        raise InputError(
            clean_text(path),
            found="an empty file",
            expected="data",
            remedy="export or copy the file again",
        )
    return path


def read_head(path: Path, size: int = 4096) -> bytes:
    """First bytes of an ordinary file.

    Parameters
    ----------
    path : Path
        File to read.
    size : int
        Largest number of bytes.

    Returns
    -------
    bytes
        At most `size` bytes.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    require_file(path)
    try:
        with path.open("rb") as stream:
            return stream.read(size)
    except OSError as err:
        raise InputError(
            clean_text(path),
            found=clean_text(err.strerror or err),
            expected="a file that can be read",
            remedy="check the permissions and the disk",
        ) from err


def read_text(path: Path, limit: int = MAX_TEXT_BYTES) -> str:
    r"""Whole text of a file, line ends made alike.

    Parameters
    ----------
    path : Path
        UTF-8 text, with or without a byte order mark, else Latin-1.
    limit : int
        Largest file that is read. [bytes]

    Returns
    -------
    str
        Text with ``\n`` at the line ends.

    Raises
    ------
    InputError
        If the file cannot be read, is larger than `limit` or holds zero bytes.
    """
    raw = read_head(path, limit + 1)
    if len(raw) > limit:
        raise InputError(
            clean_text(path),
            found=f"more than {whole(limit)} bytes",
            expected=f"a text file of at most {whole(limit)} bytes",
            remedy="export the data in a binary form (HDF5, .npy)",
        )
    if b"\x00" in raw:
        raise InputError(
            clean_text(path),
            found="zero bytes",
            expected="plain text in UTF-8 or Latin-1",
            remedy="save the file as plain text (not UTF-16), or describe it with a card",
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def sha256_of(path: Path) -> str:
    """SHA-256 of a file.

    Parameters
    ----------
    path : Path
        File to read.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    require_file(path)
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as err:
        raise InputError(
            clean_text(path),
            found=clean_text(err.strerror or err),
            expected="a file that can be read to its end",
            remedy="check the permissions and the disk",
        ) from err


def digest_of(path: Path) -> tuple[str, int]:
    """SHA-256 and size of a file, or of a folder with all that lies in it.

    Parameters
    ----------
    path : Path
        File, or a folder such as a Zarr store.

    Returns
    -------
    tuple
        64 hexadecimal digits, and the bytes of all files together. That of a folder is the
        SHA-256 of a text with a line ``NAME`` and a line ``SHA-256`` for each file below
        it, in the order of their names; links are not followed.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    if not path.is_dir():
        return sha256_of(path), path.stat().st_size
    total, size = hashlib.sha256(), 0
    for file in sorted(p for p in path.rglob("*") if p.is_file() and not p.is_symlink()):
        if size_of := file.stat().st_size:  # an empty file holds nothing but its name
            digest = sha256_of(file)
        else:
            digest = hashlib.sha256().hexdigest()
        total.update(f"{file.relative_to(path).as_posix()}\n{digest}\n".encode())
        size += size_of
    return total.hexdigest(), size
