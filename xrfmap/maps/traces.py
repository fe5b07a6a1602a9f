"""Elements that only a few pixels hold: too little for the sum, plain where they are.

Pixels are split like the fields of a chessboard. The white ones say where a candidate
might be; the black ones beside them, whose counts had no part in that choice, say whether
it is. A place picked by chance therefore gives no false discovery.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import binary_dilation, convolve

from xrfmap.errors import InputError
from xrfmap.fit.map_design import row_designs
from xrfmap.identification.identify import Found, identify_part
from xrfmap.io.blocks import Block, Box, Here, Runner, as_it_is, boxes_of
from xrfmap.io.lazy import map_blocks
from xrfmap.maps.candidate_scores import CandidateScores, ScoreBlocks, Scores
from xrfmap.maps.local_elements import Local, row_counts_of, with_local
from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.left_out import FullChannels, Tops

__all__ = ["TraceSearch", "add_traces"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Z = npt.NDArray[np.float32]

Z_PIXEL = 2.5
"""Standard errors at which a single pixel is a hint: 0.6 % of empty pixels pass."""

NEIGHBOURS = 2
"""Other hints needed among the twelve white fields around one: by chance 1 in 60 000."""

Z_PLACE = 7.0
"""Standard errors of all black fields together that make a full fit worth its time.

The full fit asks for five, after all shape uncertainties that this sum leaves out."""

HALO = 3
"""Rows beside a pixel that say whether it is a place: two around a hint, and one beside it."""

ROWS = 64
"""Rows judged at a time."""

MOST_SHARE = 0.2
"""A candidate hinted at in more of the scan than this is no local trace."""


@in_one_thread
def add_traces(scan: xr.Dataset, found: Found, *, runner: Runner | None = None) -> Found:
    """Look for elements that only a few pixels hold.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan, ``counts(y, x, channel)``.
    found : Found
        From the sum spectrum of the same scan.
    runner : Runner, optional
        Who computes: this process by default, or a cluster (:mod:`xrfmap.maps.many_machines`).

    Returns
    -------
    Found
        With local elements added: their verdict says how many pixels and where.
    """
    designs, group = row_designs(found, pixels=scan.sizes["y"] * scan.sizes["x"])
    scores = CandidateScores.of(found, designs)
    if scores is None:
        return found
    search = TraceSearch(scan, found, scores.emitters)
    boxes = boxes_of(scan["counts"])
    work = ScoreBlocks(designs, group, scores)
    for number, part in (runner or Here()).run(scan["counts"], boxes, work, as_it_is):
        search.add(boxes[number], part)
    return search.found_with_traces()


class TraceSearch:
    """Elements of a few pixels, from the scores of all pixels.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan.
    found : Found
        From its sum spectrum.
    emitters : sequence of Emitter
        Families that the scores are for.
    """

    def __init__(self, scan: xr.Dataset, found: Found, emitters: Sequence[Emitter]) -> None:
        self.scan, self.found, self.emitters = scan, found, tuple(emitters)
        self._hints = _Hints((scan.sizes["y"], scan.sizes["x"]), len(self.emitters))

    def add(self, box: Box, scores: Scores) -> None:
        """Take the scores (candidates, rows, columns) of a block; blocks come in order."""
        self._hints.add(*box, scores)

    def found_with_traces(self) -> Found:
        """Fit the places of all hints; what was found before if they confirm nothing."""
        places: dict[str, Mask] = {}  # per element, from the family that says most
        surest: dict[str, float] = {}
        for number, emitter in enumerate(self.emitters):
            joint = self._hints.joint(number)
            if joint > max(Z_PLACE, surest.get(emitter.element, 0.0)):
                places[emitter.element] = self._hints.mask(number)
                surest[emitter.element] = joint
        if not places:
            return self.found
        sums = _sums(self.scan, list(places.values()))
        confirmed: dict[str, Local] = {}
        for (element, mask), (counts, full) in zip(places.items(), sums, strict=True):
            rows = row_counts_of(mask, self.found)
            try:
                part = identify_part(counts, self.found, row_counts=rows, full=full)
            except InputError:  # nearly all channels ran full: nothing is confirmed there
                continue
            verdict = next((e for e in part.elements if e.symbol == element), None)
            if verdict is not None and verdict.verdict == "present":
                confirmed[element] = Local(verdict, mask, 2 * int(mask.sum()), "in half of them")
        return with_local(self.scan, self.found, confirmed)


def _joint(z: Z) -> float:
    """Sum of standard normal scores in its own standard errors (Stouffer)."""
    return float(z.sum() / np.sqrt(len(z)))


class _Hints:
    """Places of all candidates, found while the scores come in, row after row.

    Only the scores of some rows are in memory, and those of the places: all of them would
    take 240 bytes for each pixel.
    """

    def __init__(self, shape: tuple[int, int], candidates: int) -> None:
        self.shape, self.candidates = shape, candidates
        self.first = 0  # row of the scan that `rows` begins with
        self.done = 0  # rows that have been judged
        self.bands: list[Z] = []
        self.found: list[list[tuple[npt.NDArray[np.int64], Z]]] = [[] for _ in range(candidates)]
        self.pixels = np.zeros(candidates, np.int64)

    def add(self, rows: slice, cols: slice, score: Scores) -> None:
        """Take the scores of a block; blocks come in order."""
        ny, nx = self.shape
        if cols.start == 0:
            self.bands.append(np.empty((self.candidates, rows.stop - rows.start, nx), np.float32))
        self.bands[-1][:, :, cols] = score
        if cols.stop == nx and (rows.stop == ny or rows.stop - self.done >= ROWS + HALO):
            self._judge(rows.stop)

    def _judge(self, stop: int) -> None:
        """Find the places in those rows whose neighbours are all there."""
        ny, nx = self.shape
        last = stop if stop == ny else stop - HALO
        z = np.concatenate(self.bands, axis=1)
        mine = slice(self.done - self.first, last - self.first)
        for k in range(self.candidates):
            place = _places(z[k], self.first)[mine]
            at = np.flatnonzero(place)
            self.pixels[k] += len(at)
            if self.pixels[k] > MOST_SHARE * ny * nx:
                self.found[k] = []  # no local trace: nothing of it is wanted any more
            elif len(at):
                self.found[k].append((at + self.done * nx, z[k][mine][place]))
        keep = max(last - HALO, self.first)
        self.bands = [z[:, keep - self.first :].copy()]
        self.first, self.done = keep, last

    def joint(self, number: int) -> float:
        """Give the standard errors of all places of a candidate together; 0 without any."""
        if not self.found[number] or self.pixels[number] > MOST_SHARE * np.prod(self.shape):
            return 0.0
        return _joint(np.concatenate([z for _, z in self.found[number]]))

    def mask(self, number: int) -> Mask:
        """Places of a candidate, shape (y, x)."""
        mask = np.zeros(self.shape, bool)
        for at, _ in self.found[number]:
            mask.flat[at] = True
        return mask


def _places(z: Z, first: int) -> Mask:
    """Black fields beside white ones that hint at a candidate together.

    Rows count from `first`; of the outermost :data:`HALO` rows only those at the edge of
    the scan are right.
    """
    rows, columns = np.arange(first, first + len(z)), np.arange(z.shape[1])
    white = (np.add.outer(rows, columns) % 2) == 0
    hint: Mask = white & (z > Z_PIXEL)  # NaN is no hint
    if not hint.any():
        return hint
    around = convolve(hint.astype(np.int16), np.ones((5, 5), np.int16), mode="constant")
    core = hint & (around - 1 >= NEIGHBOURS)
    return np.asarray(binary_dilation(core, np.ones((3, 3), bool)) & ~white & np.isfinite(z))


def _sums(scan: xr.Dataset, masks: Sequence[Mask]) -> list[tuple[Array, FullChannels | None]]:
    """Sum spectrum over each mask, and where its pixels ran full, in one pass."""
    channels = scan.sizes["channel"]
    sums = [np.zeros(channels) for _ in masks]
    tops = [Tops.none(channels) for _ in masks]
    wanted = np.asarray(np.any(masks, axis=0))

    def work(rows: slice, cols: slice, block: Block) -> list[tuple[int, Array, Tops]]:
        chosen = [(k, mask[rows, cols]) for k, mask in enumerate(masks)]
        parts = [(k, block[c]) for k, c in chosen if c.any()]
        return [(k, part.sum(axis=0, dtype=np.float64), Tops.of(part)) for k, part in parts]

    for _, _, parts in map_blocks(scan["counts"], work, wanted):
        for k, part, top in parts:
            sums[k] += part
            tops[k] = tops[k].joined(top)
    full = [top.full(scan["counts"].dtype, s) for top, s in zip(tops, sums, strict=True)]
    return [(s, FullChannels(f) if f.any() else None) for s, f in zip(sums, full, strict=True)]
