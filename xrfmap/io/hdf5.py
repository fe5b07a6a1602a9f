"""Opening HDF5 with care: links that leave the file, sizes, damage, filters."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import hdf5plugin  # noqa: F401  (registers the compression filters)
import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.chunks import read_box
from xrfmap.io.safe import MAX_CHUNK_BYTES, MAX_RANK, clean_text, require_file
from xrfmap.numbers import whole

__all__ = [
    "attribute",
    "check_dataset",
    "children",
    "damaged",
    "get_node",
    "is_hdf5",
    "open_hdf5",
    "read_small",
    "read_string",
    "text_attribute",
    "walk_groups",
]

MAX_CHILDREN = 10_000
MAX_GROUPS = 10_000
MAX_DEPTH = 32
MAX_SMALL = 20_000_000  # numbers read at once besides counts: live time of 20 million pixels
MAX_EMPTINESS = 10_000  # declared bytes per stored byte; real scans stay below some hundred
BOMB_BYTES = 1 << 30  # below one gigabyte even an empty dataset does no harm

# what h5py raises on damaged structures, depending on where it stumbles
_DAMAGE = (
    OSError,
    RuntimeError,
    KeyError,
    ValueError,
    TypeError,
    OverflowError,
    AttributeError,
    IndexError,
    MemoryError,
    NotImplementedError,
    SystemError,
)


@contextmanager
def damaged(path: Path) -> Iterator[None]:
    """Turn what h5py raises on a damaged file into an :class:`InputError`."""
    try:
        yield
    except InputError:
        raise
    except _DAMAGE as err:
        detail = clean_text(err) or type(err).__name__
        if "truncated file" in detail:
            detail = "a truncated HDF5 file"
        elif "No such file" in detail or not path.exists():
            detail = "no such file any more"
        else:
            detail = f"an HDF5 file that cannot be read ({detail})"
        raise InputError(
            clean_text(path),
            found=detail,
            expected="a complete HDF5 file",
            remedy="copy or export the file again",
        ) from err


def is_hdf5(path: Path) -> bool:
    """Tell whether a file carries the HDF5 signature, at its start or after a user block."""
    require_file(path)
    return bool(h5py.is_hdf5(path))


@contextmanager
def open_hdf5(path: Path) -> Iterator[h5py.File]:
    """Open an HDF5 file for reading, without locks (network shares often refuse them).

    Parameters
    ----------
    path : Path
        File to read.

    Yields
    ------
    h5py.File
        The open file.

    Raises
    ------
    InputError
        If the file is missing, not HDF5, truncated or damaged.
    """
    if not is_hdf5(path):
        raise InputError(
            clean_text(path),
            found="no HDF5 signature",
            expected="an HDF5 file",
            remedy="check the file, or describe it with a card",
        )
    with damaged(path), h5py.File(path, "r", locking=False) as file:
        yield file


@dataclass(frozen=True)
class _Place:
    file: str
    allow_links: bool

    def refuse(self, name: str, what: str) -> InputError:
        return InputError(
            self.file,
            clean_text(name),
            found=what,
            expected="data inside the file itself",
            remedy="copy the data into one file, or allow links if you trust where it came from",
        )


def get_node(
    root: h5py.Group, path: str, *, allow_links: bool = False, depth: int = 0
) -> h5py.Group | h5py.Dataset | None:
    """Find a group or dataset without following a link out of the file unasked.

    Parameters
    ----------
    root : h5py.Group
        Where a relative path starts.
    path : str
        Path of names; absolute paths start at the root of the file.
    allow_links : bool
        Whether links to other files may be followed.
    depth : int
        Number of soft links followed so far.

    Returns
    -------
    h5py.Group, h5py.Dataset or None
        ``None`` if there is nothing of that name.

    Raises
    ------
    InputError
        If a link leads to another file, or links go round in a circle.
    """
    place = _Place(clean_text(root.file.filename), allow_links)
    if depth > MAX_DEPTH:
        raise place.refuse(path, "links that go round in a circle")
    node: Any = root.file["/"] if path.startswith("/") else root
    for part in [p for p in path.split("/") if p not in ("", ".")]:
        if not isinstance(node, h5py.Group):
            return None
        node = _step(node, part, place, depth)
        if node is None:
            return None
    return node if isinstance(node, h5py.Group | h5py.Dataset) else None


def _step(group: h5py.Group, name: str, place: _Place, depth: int) -> Any:
    try:
        link = group.get(name, getlink=True)
    except TypeError as err:  # links of a kind that only a plug-in understands
        raise place.refuse(f"{group.name}/{name}", "a link of an unknown kind") from err
    if link is None:
        return None
    if isinstance(link, h5py.SoftLink):
        return get_node(group, link.path, allow_links=place.allow_links, depth=depth + 1)
    if isinstance(link, h5py.ExternalLink):
        if not place.allow_links:
            target = clean_text(link.filename)
            raise place.refuse(f"{group.name}/{name}", f"a link to another file ({target})")
        return group[name]
    return group[name]


def children(group: h5py.Group) -> list[str]:
    """Names in a group, in a fixed order; at most ten thousand."""
    return sorted(itertools.islice(iter(group), MAX_CHILDREN))


def walk_groups(root: h5py.Group, *, allow_links: bool = False) -> Iterator[h5py.Group]:
    """Every group below and including `root` once, parents first.

    Links to other files are passed over here (they are refused where their data is
    asked for), and so is what cannot be opened.
    """
    seen: set[Any] = set()
    queue: list[tuple[h5py.Group, int]] = [(root, 0)]
    while queue and len(seen) < MAX_GROUPS:
        group, depth = queue.pop(0)
        key = h5py.h5o.get_info(group.id).addr
        if key in seen:
            continue
        seen.add(key)
        yield group
        if depth < MAX_DEPTH:
            queue.extend((g, depth + 1) for g in _subgroups(group, allow_links))


def _subgroups(group: h5py.Group, allow_links: bool) -> Iterator[h5py.Group]:
    for name in children(group):
        try:
            link = group.get(name, getlink=True)
            if isinstance(link, h5py.ExternalLink) and not allow_links:
                continue
            if isinstance(link, h5py.HardLink) and group.get(name, getclass=True) is h5py.Dataset:
                continue
            node = get_node(group, name, allow_links=allow_links)
        except (InputError, *_DAMAGE):
            continue
        if isinstance(node, h5py.Group):
            yield node


def attribute(node: h5py.Group | h5py.Dataset, name: str) -> Any:
    """Attribute as stored, or ``None`` if it is missing or unreadable."""
    if name not in node.attrs:
        return None
    try:
        return node.attrs[name]
    except _DAMAGE:  # types that h5py does not know
        return None


def text_attribute(node: h5py.Group | h5py.Dataset, name: str) -> str:
    """Attribute as clean text; empty if missing."""
    value = attribute(node, name)
    if isinstance(value, np.ndarray):
        value = value.flat[0] if value.size == 1 else None
    return "" if value is None else clean_text(value)


def check_dataset(dset: h5py.Dataset, *, allow_links: bool = False) -> h5py.Dataset:
    """Check a dataset before anything of it is read.

    Parameters
    ----------
    dset : h5py.Dataset
        Dataset to read.
    allow_links : bool
        Whether virtual datasets and external storage are allowed.

    Returns
    -------
    h5py.Dataset
        The same dataset.

    Raises
    ------
    InputError
        If it lies in other files, needs a filter that is not there, declares chunks
        or sizes far beyond what it stores, or has never been written.
    """
    place = _Place(clean_text(dset.file.filename), allow_links)
    name = clean_text(dset.name)
    if not allow_links and (dset.is_virtual or dset.external):
        raise place.refuse(name, "a virtual dataset or external storage (data in other files)")
    if dset.shape is None or len(dset.shape) > MAX_RANK:
        rank = "no" if dset.shape is None else str(len(dset.shape))
        raise _bad(place, name, f"{rank} dimensions", f"1 to {MAX_RANK} dimensions")
    declared = math.prod(dset.shape) * dset.dtype.itemsize
    chunk = math.prod(dset.chunks or (0,)) * dset.dtype.itemsize
    if chunk > MAX_CHUNK_BYTES:
        limit = f"chunks of up to {whole(MAX_CHUNK_BYTES >> 20)} MB"
        raise _bad(place, name, f"chunks of {whole(chunk >> 20)} MB", limit)
    if declared > BOMB_BYTES and not dset.is_virtual:
        stored = dset.id.get_storage_size()
        if declared > MAX_EMPTINESS * max(stored, 1):
            raise _bad(
                place,
                name,
                f"{whole(declared)} bytes declared and {whole(stored)} stored",
                f"at most {whole(MAX_EMPTINESS)} bytes declared for one stored",
            )
    _check_filters(dset, place, name)
    return dset


def _bad(place: _Place, name: str, found: str, expected: str) -> InputError:
    return InputError(
        place.file,
        name,
        found=found,
        expected=expected,
        remedy="export the data again, in chunks of a few rows",
    )


def _check_filters(dset: h5py.Dataset, place: _Place, name: str) -> None:
    plist = dset.id.get_create_plist()
    for i in range(plist.get_nfilters()):
        code, _, _, label = plist.get_filter(i)
        if not h5py.h5z.filter_avail(code):
            raise InputError(
                place.file,
                name,
                found=f"compression filter {code} ({clean_text(label)})",
                expected="a filter that HDF5 or hdf5plugin knows",
                remedy="repack the file with gzip (h5repack -f GZIP=4 IN OUT)",
            )


def read_small(dset: h5py.Dataset, *, allow_links: bool = False) -> npt.NDArray[np.float64]:
    """Read positions, times or energies whole.

    Parameters
    ----------
    dset : h5py.Dataset
        Numbers, at most twenty million.
    allow_links : bool
        See :func:`check_dataset`.

    Returns
    -------
    ndarray
        Numbers in the shape stored.

    Raises
    ------
    InputError
        If these are no numbers or too many.
    """
    check_dataset(dset, allow_links=allow_links)
    if dset.dtype.kind not in "iufb" or dset.size > MAX_SMALL:
        place = _Place(clean_text(dset.file.filename), allow_links)
        found = f"type {dset.dtype}, shape {dset.shape}"
        raise _bad(place, clean_text(dset.name), found, f"at most {whole(MAX_SMALL)} numbers")
    with damaged(Path(dset.file.filename)):
        box = read_box(dset, tuple(slice(0, n) for n in dset.shape)) if dset.ndim else dset[()]
    return np.asarray(box, dtype=np.float64)


def read_string(node: h5py.Group | h5py.Dataset | None) -> str:
    """Text of a dataset of one string; empty if it is none."""
    if not isinstance(node, h5py.Dataset) or node.shape is None or node.size != 1:
        return ""
    if node.dtype.kind not in "OSU" or node.dtype.itemsize > 1 << 20:
        return ""
    value = node[()]
    return clean_text(value.flat[0] if isinstance(value, np.ndarray) else value)
