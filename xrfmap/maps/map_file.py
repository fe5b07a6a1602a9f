"""Element maps of scans of any size, written to a file block by block.

The work can be taken up where it was broken off: finished blocks are kept in a folder
until the file is complete. Their key holds everything they are made from.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.fit.map_design import RATIO_SPREAD
from xrfmap.identification.identify import Found, elements_of_sum
from xrfmap.io.block_store import BlockStore
from xrfmap.io.blocks import Box, Here, Runner, boxes_of
from xrfmap.io.map_writer import pack_chunk, write_blocks
from xrfmap.io.results import write_maps
from xrfmap.io.workfolder import program_digest, versions
from xrfmap.maps.candidate_scores import CandidateScores
from xrfmap.maps.element_maps import (
    PIXEL_FIELDS,
    PLANES,
    SCORES,
    BlockFit,
    block_fit,
    empty_planes,
    map_elements,
    map_frame,
    summed_spectra,
)
from xrfmap.maps.like_pixels import add_of_like_pixels
from xrfmap.maps.traces import TraceSearch, add_traces
from xrfmap.running.one_thread import in_one_thread

__all__ = ["find_and_map", "map_to_file"]

Arrays = dict[str, npt.NDArray[Any]]


def map_to_file(
    scan: xr.Dataset,
    found: Found,
    path: Path,
    work: Path,
    *,
    ratio_spread: float = RATIO_SPREAD,
    progress: Callable[[int, int], None] | None = None,
    runner: Runner | None = None,
) -> Path:
    """Fit every pixel of a scan and write the maps; little is in memory at a time.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan, ``counts(y, x, channel)``.
    found : Found
        From :func:`xrfmap.find_elements` on the same scan.
    path : Path
        ``maps.nc``.
    work : Path
        Folder for finished blocks; with blocks of the same work in it, only the others
        are fitted. Removed when the file is complete.
    ratio_spread : float
        See :func:`xrfmap.map_elements`.
    progress : callable, optional
        Told the pixels done, and of how many, after each block.
    runner : Runner, optional
        Who computes: this process by default, or a cluster (:mod:`xrfmap.maps.many_machines`).

    Returns
    -------
    Path
        The file written, with the content that :func:`xrfmap.map_elements` gives.

    Raises
    ------
    InputError
        If the scan cannot be read or the disk is full; finished blocks stay in `work`.
    """
    boxes = boxes_of(scan["counts"])
    if not _regular(boxes):  # chunks of uneven sizes: only of arrays made in memory
        maps = map_elements(scan, found, ratio_spread=ratio_spread, progress=progress)
        return write_maps(path, maps, summed_spectra(found))
    done = _fitted(scan, block_fit(scan, found, ratio_spread), boxes, work, progress, runner)
    return _write(scan, found, path, done)


@in_one_thread
def find_and_map(
    scan: xr.Dataset,
    path: Path,
    work: Path,
    elements: Sequence[str] | None = None,
    *,
    energy_range: tuple[float, float] | None = None,
    progress: Callable[[int, int], None] | None = None,
    tell: Callable[[Found], None] | None = None,
    runner: Runner | None = None,
) -> Found:
    """Find the elements of a scan and map them; each pixel is fitted once if it may be.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan, ``counts(y, x, channel)``.
    path, work, progress, runner
        See :func:`map_to_file`.
    elements, energy_range
        See :func:`xrfmap.find_elements`.
    tell : callable, optional
        Given the elements as soon as they are sure, before the maps are complete.

    Returns
    -------
    Found
        What :func:`xrfmap.find_elements` gives; the maps are those of :func:`map_to_file`.

    Raises
    ------
    ValueError
        If the scan has no energy scale.
    InputError
        If the scan cannot be read or the disk is full; finished blocks stay in `work`.

    Notes
    -----
    Elements of a few pixels are looked for in what the fit of all pixels leaves over. The
    maps of this fit are those that are wanted, unless such an element is found: then the
    pixels are fitted once more, with it.
    """
    found = elements_of_sum(scan, elements, energy_range=energy_range)
    if elements is None:
        found = add_of_like_pixels(scan, found)
    boxes = boxes_of(scan["counts"])
    fit = block_fit(scan, found)
    scores = None if elements is not None else CandidateScores.of(found, fit.designs)
    told = tell or _nobody
    if scores is None or not _regular(boxes):
        found = found if scores is None else add_traces(scan, found, runner=runner)
        told(found)
        map_to_file(scan, found, path, work, progress=progress, runner=runner)
        return found
    done = _fitted(scan, replace(fit, scores=scores), boxes, work, progress, runner)
    more = _searched(scan, found, scores, done)
    told(more)
    if more is found:
        _write(scan, found, path, done)
    else:  # until then the first blocks stay: what was found hangs on them
        map_to_file(scan, more, path, work / "again", progress=progress, runner=runner)
        done.store.remove()
    return more


def _nobody(_found: Found) -> None:
    """Tell nobody."""


@dataclass(frozen=True, eq=False)
class _Done:
    """Blocks of a scan that are all fitted, and the planes that they make up."""

    fit: BlockFit
    boxes: list[Box]
    store: BlockStore
    planes: Arrays


def _fitted(
    scan: xr.Dataset,
    fit: BlockFit,
    boxes: list[Box],
    work: Path,
    progress: Callable[[int, int], None] | None,
    runner: Runner | None,
) -> _Done:
    """Fit the blocks that are not in `work` yet."""
    counts = scan["counts"]
    ny, nx, _ = counts.shape
    store = BlockStore(work, _key(scan, fit, boxes))
    ready = store.finished()
    todo = [number for number in range(len(boxes)) if number not in ready]
    done = sum(_pixels(boxes[number]) for number in ready)
    if progress is not None:
        progress(done, ny * nx)
    planes = empty_planes(ny, nx)
    for number in ready:
        _place(planes, boxes[number], store.get(number, PLANES))
    run = (runner or Here()).run
    missing = [boxes[number] for number in todo]
    for at, packed in run(counts, missing, fit, Packer(_tile(boxes)), in_order=False):
        store.put(todo[at], packed)
        _place(planes, boxes[todo[at]], packed)
        done += _pixels(boxes[todo[at]])
        if progress is not None:
            progress(done, ny * nx)
    return _Done(fit, boxes, store, planes)


def _searched(scan: xr.Dataset, found: Found, scores: CandidateScores, done: _Done) -> Found:
    """Look for elements of a few pixels in the scores of all blocks."""
    search = TraceSearch(scan, found, scores.emitters)
    for number, box in enumerate(done.boxes):
        search.add(box, done.store.get(number, [SCORES])[SCORES])
    return search.found_with_traces()


def _write(scan: xr.Dataset, found: Found, path: Path, done: _Done) -> Path:
    """Put fitted blocks together into the file; they are no longer needed then."""
    plan = done.fit.designs[0]
    frame = map_frame(scan, found, plan, done.planes)
    chunks = _chunks(done.store, done.boxes, len(plan.lines))
    write_blocks(path, frame, summed_spectra(found), PIXEL_FIELDS, _tile(done.boxes), chunks)
    done.store.remove()
    return Path(path)


@dataclass(frozen=True)
class Packer:
    """Packs the fields of a block as they will stand in the file.

    Parameters
    ----------
    tile : tuple of int
        Rows and columns of a whole block.
    """

    tile: tuple[int, int]

    def __call__(self, fields: Arrays) -> Arrays:
        """Pack what a :class:`BlockFit` gave; the planes stay as they are."""
        parts = [pack_chunk(image, self.tile) for name in PIXEL_FIELDS for image in fields[name]]
        ends = np.cumsum([len(part) for part in parts], dtype=np.int64)
        packed: Arrays = {name: fields[name] for name in (*PLANES, SCORES) if name in fields}
        return packed | {"ends": ends, "bytes": np.frombuffer(b"".join(parts), np.uint8)}


def _chunks(
    store: BlockStore, boxes: list[Box], lines: int
) -> Iterator[tuple[str, int, tuple[int, int], bytes]]:
    """Packed chunks of all blocks, with their places in the file."""
    for number, (rows, cols) in enumerate(boxes):
        kept = store.get(number, ("ends", "bytes"))
        starts = np.concatenate([[0], kept["ends"]])
        for k in range(len(PIXEL_FIELDS) * lines):
            raw = kept["bytes"][starts[k] : starts[k + 1]].tobytes()
            yield PIXEL_FIELDS[k // lines], k % lines, (rows.start, cols.start), raw


def _place(planes: Arrays, box: Box, fields: Arrays) -> None:
    for name in PLANES:
        planes[name][box] = fields[name]


def _tile(boxes: list[Box]) -> tuple[int, int]:
    rows, cols = boxes[0]
    return rows.stop - rows.start, cols.stop - cols.start


def _regular(boxes: list[Box]) -> bool:
    """Whether all blocks lie on the grid of the first, as chunks of a file must."""
    tile = _tile(boxes)
    return all(
        box.start % size == 0 and box.stop - box.start <= size
        for pair in boxes
        for box, size in zip(pair, tile, strict=True)
    )


def _pixels(box: Box) -> int:
    return int((box[0].stop - box[0].start) * (box[1].stop - box[1].start))


def _key(scan: xr.Dataset, fit: BlockFit, boxes: list[Box]) -> str:
    """SHA-256 over all that the blocks are made from."""
    digest = hashlib.sha256()
    plan = fit.designs[0]
    about = (
        scan.attrs.get("source_sha256"), getattr(scan["counts"].data, "name", ""), boxes,
        plan.lines, plan.design.labels, program_digest(), sorted(versions().items()),
        None if fit.scores is None else [e.label for e in fit.scores.emitters],
    )  # fmt: skip
    digest.update(repr(about).encode())
    arrays: list[npt.NDArray[Any]] = [] if fit.group is None else [fit.group]
    for plan in fit.designs:
        arrays += [plan.design.matrix, plan.design.edges, plan.typical, plan.deviations]
        arrays += [] if plan.owed is None else [plan.owed]
    if not hasattr(scan["counts"].data, "dask"):  # counts in memory, perhaps of no file
        arrays.append(scan["counts"].values)
    for array in arrays:
        digest.update(repr(array.shape).encode() + np.ascontiguousarray(array).tobytes())
    return digest.hexdigest()
