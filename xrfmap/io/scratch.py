"""Folders for files in the making, which the next run clears if this one is killed.

Each holds a lock for as long as its process lives: the system frees the lock with the
process, however that ends. So a folder of this machine whose lock is free was left behind.
Those of other machines stay: some shared disks keep the locks of each machine to itself.
"""

from __future__ import annotations

import os
import platform
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["scratch_folder", "sweep", "sweep_dead", "try_lock"]

SCRATCH = ".scratch."
LOCK = "xrfmap.lock"
"""Named after the program, so that a folder of somebody else is never taken for one of ours."""


@contextmanager
def scratch_folder(parent: Path | None = None) -> Iterator[Path]:
    """Make a folder for files that are not finished; it is removed at the end.

    Parameters
    ----------
    parent : Path, optional
        Where it is made, on the disk of the finished file; the system's folder for such
        files if not given. What dead processes left there is removed first.

    Yields
    ------
    Path
        ``.scratch.XXXXXXXX`` with nothing but its lock.

    Raises
    ------
    OSError
        If `parent` cannot be written.
    """
    where = Path(tempfile.gettempdir()) if parent is None else Path(parent)
    sweep_dead(where)
    folder = Path(tempfile.mkdtemp(prefix=SCRATCH, dir=where))
    try:
        with (folder / LOCK).open("w", encoding="utf-8") as handle:
            # Written only once it is held: an empty lock is one in the making, or lies on a
            # disk without locks, where nobody could tell whether its process lives.
            if try_lock(handle.fileno()):
                handle.write(f"{os.getpid()} {platform.node()}")
                handle.flush()
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def sweep_dead(folder: Path) -> None:
    """Remove what :func:`scratch_folder` made in a folder for processes that live no longer."""
    try:
        found = list(folder.glob(f"{SCRATCH}*"))
    except OSError:
        return
    for left in found:
        if _is_dead(left):
            shutil.rmtree(left, ignore_errors=True)


def _is_dead(left: Path) -> bool:
    lock = left / LOCK
    try:
        if left.is_symlink() or lock.is_symlink() or not lock.is_file() or not lock.stat().st_size:
            return False
        with lock.open("r+", encoding="utf-8") as handle:
            here = handle.read(1000).partition(" ")[2] == platform.node()
            return here and try_lock(handle.fileno())
    except (OSError, ValueError):  # of another user, gone just now, or not ours
        return False


def sweep(folder: Path) -> None:
    """Remove all that killed runs left in a folder, which this run holds for itself alone."""
    for left in folder.glob(f"{SCRATCH}*"):
        shutil.rmtree(left, ignore_errors=True)


def try_lock(descriptor: int) -> bool:
    """Lock an open file for this process, without waiting.

    Parameters
    ----------
    descriptor : int
        Of a file that is open for writing.

    Returns
    -------
    bool
        False if another one holds it, or the disk has no locks.
    """
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
