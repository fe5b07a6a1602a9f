"""Metadata of Zarr stores, checked before the package ``zarr`` sees them.

Only plain numbers and a list of known packings are let through, as the older version
of the format can name object codecs that run code; links lead nowhere.
"""

from __future__ import annotations

import itertools
import json
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from xrfmap.errors import InputError
from xrfmap.io.safe import MAX_CHUNK_BYTES, MAX_RANK, clean_text, read_text
from xrfmap.numbers import whole

__all__ = [
    "COMPRESSORS",
    "ZarrArray",
    "array_metadata",
    "attributes",
    "is_zarr",
    "refuse",
    "refuse_links",
]

SIZE_KEEPING = ("bytes", "transpose", "crc32c", "shuffle", "delta")
COMPRESSORS = ("blosc", "zstd", "gzip", "zlib", "bz2", "lz4")
MAX_METADATA = 16 << 20
MAX_FILES = 20_000_000


@dataclass(frozen=True)
class ZarrArray:
    """What an array of a store declares, the same for both versions of the format."""

    shape: tuple[int, ...]
    chunks: tuple[int, ...]
    dtype: np.dtype[Any]
    names: tuple[str, ...]
    units: str
    codecs: tuple[str, ...]
    prefix: str
    separator: str

    def chunk_files(self, folder: Path, key: tuple[slice, ...]) -> Iterator[Path]:
        """Files of the chunks that a box touches; they may not exist."""
        ranges = [
            range(k.start // c, -(-k.stop // c)) for k, c in zip(key, self.chunks, strict=True)
        ]
        for index in itertools.product(*ranges):
            parts = [*([self.prefix] if self.prefix else []), *map(str, index)]
            yield folder / self.separator.join(parts)


def is_zarr(path: Path) -> bool:
    """Tell whether a folder is a Zarr store."""
    return path.is_dir() and any((path / n).is_file() for n in ("zarr.json", ".zgroup", ".zarray"))


def refuse(where: str, field: str, found: str, expected: str, remedy: str = "") -> InputError:
    """Build the error about a store."""
    remedy = remedy or "write the store again with xrfmap convert, or as HDF5"
    return InputError(where, field, found=found, expected=expected, remedy=remedy)


def _json(path: Path, where: str) -> dict[str, Any]:
    try:
        value = json.loads(read_text(path, MAX_METADATA))
    except (ValueError, RecursionError) as err:
        raise refuse(where, path.name, "text that is no JSON", "Zarr metadata") from err
    if not isinstance(value, dict):
        raise refuse(where, path.name, "no JSON object", "Zarr metadata")
    return value


def array_metadata(folder: Path, where: str, field: str) -> ZarrArray | None:
    """Read and check the metadata of an array, the same for both versions of the format."""
    for name in ("zarr.json", ".zarray"):
        path = folder / name
        if path.is_symlink() or folder.is_symlink():
            raise refuse(where, field, "a symbolic link", "data inside the store")
        if path.is_file():
            raw = _json(path, where)
            if name == "zarr.json" and raw.get("node_type") != "array":
                return None
            return _checked(raw, attributes(folder, where), where, field)
    return None


def attributes(folder: Path, where: str) -> dict[str, Any]:
    """Attributes of a group or array; empty if there are none."""
    for name in ("zarr.json", ".zattrs"):
        path = folder / name
        if path.is_file() and not path.is_symlink():
            raw = _json(path, where)
            found = raw.get("attributes", {}) if name == "zarr.json" else raw
            return found if isinstance(found, dict) else {}
    return {}


def _checked(raw: dict[str, Any], attrs: dict[str, Any], where: str, field: str) -> ZarrArray:
    config = _configuration(raw.get("chunk_grid"))
    shape = _sizes(raw.get("shape"), where, field)
    chunks = _sizes(raw.get("chunks", config.get("chunk_shape")), where, field)
    if len(chunks) != len(shape):
        raise refuse(where, field, f"chunks {chunks}", f"{len(shape)} sizes")
    dtype = _dtype(raw, where, field)
    nbytes = math.prod(chunks) * dtype.itemsize
    if nbytes > MAX_CHUNK_BYTES:
        limit = f"chunks of up to {whole(MAX_CHUNK_BYTES >> 20)} MB"
        raise refuse(where, field, f"chunks of {whole(nbytes >> 20)} MB", limit)
    codecs = _codecs(raw)
    for codec in codecs:
        if codec not in (*SIZE_KEEPING, *COMPRESSORS):
            known = ", ".join([*SIZE_KEEPING, *COMPRESSORS])
            raise refuse(where, field, f"codec {clean_text(codec, 60)!r}", f"one of {known}")
    if sum(codec in COMPRESSORS for codec in codecs) > 1:
        raise refuse(where, field, "packing in packing", "at most one compressor")
    names = raw.get("dimension_names") or attrs.get("_ARRAY_DIMENSIONS")
    labels = ("",) * len(shape)
    if isinstance(names, list) and len(names) == len(shape):
        labels = tuple(clean_text(n or "", 60) for n in names)
    return ZarrArray(
        shape,
        chunks,
        dtype,
        labels,
        clean_text(attrs.get("units", ""), 30),
        tuple(codecs),
        *_key_form(raw),
    )


def _configuration(node: Any) -> dict[str, Any]:
    config = node.get("configuration") if isinstance(node, dict) else None
    return config if isinstance(config, dict) else {}


def _sizes(sizes: Any, where: str, field: str) -> tuple[int, ...]:
    good = isinstance(sizes, list) and 0 < len(sizes) <= MAX_RANK
    if not good or not all(type(n) is int and 0 < n < 2**40 for n in sizes):
        found = f"sizes {clean_text(sizes, 80)}"
        raise refuse(where, field, found, f"1 to {MAX_RANK} whole numbers")
    return tuple(sizes)


def _key_form(raw: Mapping[str, Any]) -> tuple[str, str]:
    """Prefix and separator in the names of the files that hold chunks."""
    encoding = raw.get("chunk_key_encoding")
    if raw.get("zarr_format") == 3:
        old = isinstance(encoding, dict) and encoding.get("name") == "v2"
        separator = _configuration(encoding).get("separator", "." if old else "/")
        return "" if old else "c", "." if separator == "." else "/"
    return "", "/" if raw.get("dimension_separator") == "/" else "."


def _dtype(raw: Mapping[str, Any], where: str, field: str) -> np.dtype[Any]:
    name = raw.get("data_type", raw.get("dtype"))
    try:
        dtype = np.dtype(name) if isinstance(name, str) else None
    except (TypeError, ValueError, SyntaxError):
        dtype = None
    if dtype is None or dtype.kind not in "iuf" or dtype.itemsize > 8:
        raise refuse(where, field, f"type {clean_text(name, 60)}", "integers or real numbers")
    return dtype


def _codecs(raw: Mapping[str, Any]) -> list[str]:
    """Names of all packings, in the order in which they were applied."""
    found = []
    for item in (raw.get("filters"), raw.get("codecs"), [raw.get("compressor")]):
        for codec in item if isinstance(item, list) else []:
            if codec is not None:
                name = codec.get("name", codec.get("id")) if isinstance(codec, dict) else codec
                # the package numcodecs registers its names with a prefix
                found.append(str(name).removeprefix("numcodecs."))
    return found


def refuse_links(path: Path, where: str) -> None:
    """Refuse stores with links or special files: they could lead anywhere."""
    count = 0
    folders = [os.fspath(path)]
    while folders:
        with os.scandir(folders.pop()) as entries:
            for entry in entries:
                count += 1
                plain = entry.is_dir(follow_symlinks=False) or entry.is_file(follow_symlinks=False)
                if entry.is_symlink() or not plain or count > MAX_FILES:
                    name = clean_text(entry.name)
                    raise refuse(where, name, "a link or special file", "ordinary files only")
                if entry.is_dir(follow_symlinks=False):
                    folders.append(entry.path)
