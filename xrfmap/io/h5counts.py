"""Counts in an HDF5 dataset, read on request."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.axes import AxisPlan
from xrfmap.io.chunk_table import ChunkTable, state_of, table_of
from xrfmap.io.chunks import read_box, read_chunks
from xrfmap.io.hdf5 import damaged, get_node, open_hdf5
from xrfmap.io.safe import clean_text
from xrfmap.io.stored import StoredCounts

__all__ = ["H5Counts", "storage_of"]

_FILTER_NAMES = {1: "gzip", 2: "shuffle", 3: "checksum", 4: "szip", 32000: "lzf", 32001: "blosc"}
_FILTER_NAMES |= {32004: "lz4", 32008: "bitshuffle", 32013: "zfp", 32015: "zstd", 32026: "blosc2"}


def storage_of(dset: h5py.Dataset) -> str:
    """Say in a line where and how a dataset is stored."""
    plist = dset.id.get_create_plist()
    codes = [plist.get_filter(i)[0] for i in range(plist.get_nfilters())]
    names = " + ".join(_FILTER_NAMES.get(code, f"filter {code}") for code in codes)
    layout = f"chunks {dset.chunks}" if dset.chunks else "not chunked"
    return f"{clean_text(dset.name)}; {dset.dtype}; {layout}; {names or 'not compressed'}"


class H5Counts(StoredCounts):
    """Counts in a dataset of an HDF5 file, opened anew for each read.

    The list of its chunks is kept, by each process for itself.
    """

    def __init__(
        self, path: Path, dset: h5py.Dataset, plan: AxisPlan, allow_links: bool = False
    ) -> None:
        where, name = clean_text(path.name), str(dset.name)
        super().__init__(where, clean_text(name), dset.shape, plan, dset.dtype)
        # the dataset's own file, which is another one behind a link that was allowed
        self.path, self.dataset = Path(dset.file.filename).resolve(), name
        self.allow_links = allow_links
        self.in_chunks_of(dset.chunks)
        self._table: ChunkTable | None = None

    def __getstate__(self) -> dict[str, Any]:
        return self.__dict__ | {"_table": None}

    def read(self, key: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Read a box in the axis order of the file."""
        table = self._table
        with damaged(self.path):
            if table is not None and table.state != state_of(self.path):
                table = None
            if table is not None and table.addressed and table.simple:
                return read_chunks(table, key)
        with open_hdf5(self.path) as file:
            node = get_node(file, self.dataset, allow_links=self.allow_links)
            if not isinstance(node, h5py.Dataset) or node.shape != self.file_shape:
                raise InputError(
                    self.where,
                    self.field,
                    found="another content than when the scan was opened",
                    expected=f"a dataset of shape {self.file_shape}",
                    remedy="do not change the file during a run; start again",
                )
            if table is None:
                table = self._table = table_of(node)
            return read_box(node, key, table)
