"""Finished blocks of a long piece of work, kept on disk so that it can be taken up again.

A file for each block, complete or not there: written under another name and renamed, with
the check sums of the zip format inside. The folder belongs to one key; with another key it
is emptied. A process killed at any moment leaves the blocks that were finished.
"""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.io.results import write_error

__all__ = ["BlockStore"]

KEY_FILE = "key"


class BlockStore:
    """Folder of finished blocks.

    Parameters
    ----------
    folder : Path
        Made if missing; whatever else lies in it goes with it.
    key : str
        Says what the blocks are made from; blocks with another key are removed.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """

    def __init__(self, folder: Path, key: str) -> None:
        self.folder = Path(folder)
        try:
            if self._key() != key:
                self.remove()
                self.folder.mkdir(parents=True, exist_ok=True)
                (self.folder / KEY_FILE).write_text(key, encoding="ascii")
            for part in self.folder.glob("*.part"):  # of a run that was killed
                part.unlink()
        except OSError as bad:
            raise write_error(self.folder, bad) from bad

    def _key(self) -> str:
        try:
            return (self.folder / KEY_FILE).read_text(encoding="ascii")
        except (OSError, ValueError):
            return ""

    def _path(self, number: int) -> Path:
        return self.folder / f"{number}.npz"

    def finished(self) -> set[int]:
        """Numbers of the blocks that are there and whole; damaged ones are removed."""
        numbers = set()
        for path in self.folder.glob("*.npz"):
            try:
                with zipfile.ZipFile(path) as file:
                    whole = file.testzip() is None
            except (OSError, zipfile.BadZipFile, EOFError):
                whole = False
            if whole and path.stem.isdigit():
                numbers.add(int(path.stem))
            else:
                path.unlink(missing_ok=True)
        return numbers

    def put(self, number: int, arrays: Mapping[str, npt.NDArray[Any]]) -> None:
        """Keep a block.

        Parameters
        ----------
        number : int
            Number of the block.
        arrays : mapping of str to ndarray
            What was made of it.

        Raises
        ------
        InputError
            If the disk is full or the folder has gone; what was kept before stays.
        """
        part = self.folder / f"{number}.part"
        try:
            with part.open("wb") as stream:
                np.savez(stream, allow_pickle=False, **arrays)
            part.replace(self._path(number))
        except OSError as bad:
            raise write_error(self.folder, bad) from bad

    def get(self, number: int, names: Iterable[str] | None = None) -> dict[str, npt.NDArray[Any]]:
        """Give back what :meth:`put` was given, or some of it."""
        with np.load(self._path(number), allow_pickle=False) as file:
            return {name: file[name] for name in (file.files if names is None else names)}

    def remove(self) -> None:
        """Remove the folder with all that it holds."""
        shutil.rmtree(self.folder, ignore_errors=True)
