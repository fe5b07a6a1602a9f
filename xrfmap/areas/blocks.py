"""Areas cut into compact blocks, each with its net counts: what a comparison of areas rests on.

The scatter of the blocks holds everything that makes a paint uneven, counting included,
which the error of one sum does not. Blocks and not pixels, because neighbours resemble
each other and would pass for more independent observations than they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.areas.cut import BlockCut, full_energies
from xrfmap.fit.full_blocks import FullWatch
from xrfmap.io.lazy import map_blocks
from xrfmap.numbers import whole
from xrfmap.spectra.flicker import exposure

if TYPE_CHECKING:
    from xrfmap.fit.map_design import MapDesign
    from xrfmap.identification.identify import Found

__all__ = [
    "BLOCKS",
    "AreaBlocks",
    "BlockSums",
    "RowDesigns",
    "blocks_from_scan",
    "cut",
    "exposures",
    "fit_blocks",
    "full_in",
    "label_sums",
    "read_blocks",
    "touching",
]

Array = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

BLOCKS = 8
"""Blocks of an area. Few and large: the edges where blocks touch are short, so that texture
of the paint makes their means alike as little as can be (Ibragimov and Müller 2010)."""

FEWEST_PIXELS = 16
"""Pixels below which an area has no blocks worth the name: two for each."""


@dataclass(frozen=True, eq=False)
class AreaBlocks:
    """Net counts of the blocks of one area.

    Attributes
    ----------
    name : str
        Name of the area.
    families : tuple of str
        Line families.
    net : ndarray, shape (blocks, families)
        Net counts, which may be below zero; NaN where they are not known. [counts]
    variance : ndarray, shape (blocks, families)
        Counting variance. [counts squared]
    exposure : ndarray, shape (blocks,)
        Live time [s], or pixels where no live time is known.
    unit : {"s", "pixels"}
        Unit of `exposure`.
    neighbours : ndarray of int, shape (pairs, 2)
        Blocks that touch.
    pixels : int
        Pixels in all blocks.
    leakage : ndarray, shape (families, families), or None
        Counts that family i seems to gain per count of family j whose line ratio is off by one
        standard deviation.
    ratios : ndarray, shape (2, families), or None
        By how many of these standard deviations the line ratio of each family is off in this
        area, and the error of that; where it is not known, by 0 +- 1.
    lost : tuple of str
        Families of which too little lies outside channels that ran full; their `net` is NaN.
    owed : ndarray, shape (families,), or None
        Counts by which the whole area may be off, whatever its ratios are, as a standard
        deviation: those that elements which were not found may have, and from maps what the fit
        of single pixels leaves open. Independent of other areas. [counts]
    own : ndarray, shape (families,), or None
        Relative error of a family whose counts rest on its line ratios, since it was fitted
        without the channels that ran full.
    full : str
        Which channels were left out for that, in words; empty where none was.
    above : ndarray, shape (families,), or None
        Counts by which the whole area may lie above the truth or below it, since values of its
        pixels are cut at zero; they are in `owed`, too. [counts]
    """

    name: str
    families: tuple[str, ...]
    net: Array
    variance: Array
    exposure: Array
    unit: str
    neighbours: Labels
    pixels: int
    leakage: Array | None = None
    lost: tuple[str, ...] = ()
    own: Array | None = None
    full: str = ""
    owed: Array | None = None
    ratios: Array | None = None
    above: Array | None = None

    def merged(self) -> AreaBlocks:
        """Pairs of blocks put together; the halves of one cut are neighbours in the list."""
        pairs = np.unique(np.sort(self.neighbours // 2, axis=1), axis=0)
        return replace(
            self,
            net=self.net[::2] + self.net[1::2],
            variance=self.variance[::2] + self.variance[1::2],
            exposure=self.exposure[::2] + self.exposure[1::2],
            neighbours=pairs[pairs[:, 0] != pairs[:, 1]],
        )


def cut(mask: Mask, blocks: int = BLOCKS) -> Labels:
    """Cut an area into compact blocks of equally many pixels.

    Parameters
    ----------
    mask : ndarray of bool, shape (y, x)
        The area.
    blocks : int
        How many, a power of two.

    Returns
    -------
    ndarray of int, shape (y, x)
        Number of the block, -1 outside. Blocks 2 k and 2 k + 1 are the halves of one.

    Raises
    ------
    ValueError
        If the area has fewer pixels than blocks, or `blocks` is no power of two.

    Notes
    -----
    Halved again and again at the median of the longer side, so that the result depends on
    nothing but the mask.
    """
    if blocks < 1 or blocks & (blocks - 1):
        raise ValueError(f"the number of blocks must be a power of two, found {blocks}")
    rows, columns = np.nonzero(mask)
    if rows.size < blocks:
        raise ValueError(f"{whole(rows.size)} pixels cannot be cut into {blocks} blocks")
    parts = [np.arange(rows.size)]
    while len(parts) < blocks:
        parts = [half for part in parts for half in _halves(part, rows, columns)]
    labels = np.full(mask.shape, -1, dtype=np.int64)
    for number, part in enumerate(parts):
        labels[rows[part], columns[part]] = number
    return labels


def _halves(part: Labels, rows: Labels, columns: Labels) -> tuple[Labels, Labels]:
    y, x = rows[part], columns[part]
    order = np.lexsort((x, y)) if np.ptp(y) > np.ptp(x) else np.lexsort((y, x))
    middle = part.size // 2
    return part[order[:middle]], part[order[middle:]]


def touching(labels: Labels) -> Labels:
    """Pairs of blocks that touch, shape (pairs, 2)."""
    pairs = [
        np.stack([one[kept], other[kept]], axis=1)
        for one, other in ((labels[1:], labels[:-1]), (labels[:, 1:], labels[:, :-1]))
        for kept in [(one != other) & (one >= 0) & (other >= 0)]
    ]
    return np.unique(np.sort(np.concatenate(pairs), axis=1), axis=0)


def label_sums(
    scan: xr.Dataset, labels: Labels, count: int, watch: FullWatch | None = None
) -> tuple[Array, Mask]:
    """Sum spectra of the pixels with the same label, in one pass over the scan.

    Parameters
    ----------
    scan : Dataset
        ``counts(y, x, channel)``, which may be lazy. [counts]
    labels : ndarray of int, shape (y, x)
        0 to ``count - 1``; pixels below zero are left out, and blocks without any other
        are not read.
    count : int
        Labels there are.
    watch : FullWatch, optional
        Channels in which pixels of the scan ran full.

    Returns
    -------
    sums : ndarray, shape (count, channel)
        Sums. [counts]
    full : ndarray of bool, shape (count, channel)
        Channels that a fit of the sum should do without, since its pixels ran full there.
    """
    counts = scan["counts"].transpose("y", "x", "channel")
    total = np.zeros((count, scan.sizes["channel"]))
    number = np.zeros((count, 0 if watch is None else len(watch.channels)), dtype=np.int64)

    def work(
        rows: slice, columns: slice, block: npt.NDArray[Any]
    ) -> list[tuple[int, Array, npt.NDArray[Any] | int]]:
        mine = labels[rows, columns].ravel()
        flat = block.reshape(mine.size, -1)
        parts = []
        for k in np.unique(mine[mine >= 0]):
            pixels = flat[mine == k]
            full = 0 if watch is None else watch.at_full(pixels).sum(axis=0)
            parts.append((int(k), pixels.sum(axis=0, dtype=np.float64), full))
        return parts

    for _, _, parts in map_blocks(counts, work, labels >= 0):
        for label, part, full in parts:
            total[label] += part
            number[label] += full
    if watch is None:
        return total, np.zeros(total.shape, dtype=bool)
    return total, watch.spread(watch.left_out(number, total))


def exposures(data: xr.Dataset, labels: Labels, count: int) -> tuple[Array, str]:
    """Exposure of blocks and its unit, see :class:`AreaBlocks`."""
    inside = labels >= 0
    number = np.bincount(labels[inside], minlength=count).astype(np.float64)
    exposed = exposure(data)
    if exposed is not None:
        time = exposed.transpose("y", "x").values[inside].astype(np.float64)
        if np.isfinite(time).all():
            unit = "s" if exposed.attrs["units"] == "s" else "pixels"  # at the usual beam
            total = np.bincount(labels[inside], time, minlength=count)
            return np.asarray(total, dtype=np.float64), unit
    return number, "pixels"


def blocks_from_scan(
    scan: xr.Dataset, found: Found, masks: Mapping[str, Mask]
) -> dict[str, AreaBlocks]:
    """Blocks of areas, each block's sum spectrum fitted with the model of the scan.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan.
    found : Found
        Elements and shapes of the whole scan.
    masks : mapping of str to ndarray of bool, shape (y, x)
        Usable pixels of the areas.

    Returns
    -------
    dict
        Blocks by the name of the area; areas of too few pixels have none and are left out.

    Notes
    -----
    Sums and not maps, since map values are cut at zero and so too large on average where
    an element is faint. Channels in which pixels of any block ran full are left out of the
    fit of all: so what is wrong with line ratios is wrong in each of them.
    """
    rows = RowDesigns.of(scan, found)
    read = {name: read_blocks(scan, found, mask, rows) for name, mask in masks.items()}
    full = full_in(read.values())
    return {
        name: fit_blocks(scan, found, held, name, full)
        for name, held in read.items()
        if held is not None
    }


@dataclass(frozen=True, eq=False)
class RowDesigns:
    """Designs of a scan's rows; made once for all areas of a scan."""

    designs: Sequence[MapDesign]  # of groups of rows with nearly the same energy scale
    group: npt.NDArray[np.intp] | None  # (y,), design of each row; None: the first

    @classmethod
    def of(cls, scan: xr.Dataset, found: Found) -> RowDesigns:
        """Make them."""
        from xrfmap.fit.map_design import row_designs

        return cls(*row_designs(found, pixels=scan.sizes["y"] * scan.sizes["x"]))

    def parts(self, labels: Labels) -> Labels:
        """Give each block as many parts as there are designs: their numbers, shape (y, x)."""
        group: Labels | int = 0 if self.group is None else self.group.astype(np.int64)[:, None]
        return np.where(labels >= 0, labels * len(self.designs) + group, -1)


@dataclass(frozen=True, eq=False)
class BlockSums:
    """Spectra of the blocks of one area, read but not yet fitted."""

    labels: Labels  # (y, x), number of the block, -1 outside
    sums: Array  # (parts, channels) [counts]
    pixels: Labels  # (parts,)
    full: Mask  # (channels,), where pixels of any block ran full
    rows: RowDesigns


def full_in(read: Iterable[BlockSums | None]) -> Mask | None:
    """Channels in which pixels of any of these blocks of one scan ran full; None without any."""
    marked = [held.full for held in read if held is not None and held.full.any()]
    return np.asarray(np.any(marked, axis=0)) if marked else None


def read_blocks(
    scan: xr.Dataset, found: Found, mask: Mask, rows: RowDesigns | None = None
) -> BlockSums | None:
    """Read the spectra of the blocks of an area; None for an area of too few pixels.

    `rows` are made where they are not given.
    """
    if int(mask.sum()) < FEWEST_PIXELS:
        return None
    rows = rows or RowDesigns.of(scan, found)
    labels = cut(mask)
    # where the gain drifted, each block is fitted in as many parts as its rows have scales
    parts = rows.parts(labels)
    sums, full = label_sums(scan, parts, BLOCKS * len(rows.designs), FullWatch.of(scan, found))
    pixels = np.bincount(parts[parts >= 0], minlength=len(sums))
    return BlockSums(labels, sums, pixels, np.asarray(full.any(axis=0)), rows)


def fit_blocks(
    scan: xr.Dataset, found: Found, held: BlockSums, name: str, full: Mask | None = None
) -> AreaBlocks:
    """Fit what :func:`read_blocks` read, with the model of the scan, without `full` channels.

    To compare two areas of a scan, leave out of both what ran full in one of them, see
    :func:`full_in`.
    """
    from xrfmap.areas.owed import owed_in_area, ratios_in_area
    from xrfmap.maps.local_elements import row_counts_of

    designs = held.rows.designs
    plan = designs[0]
    if full is None:
        cuts = [BlockCut.none(plan) for plan in designs]
    else:
        cuts = [BlockCut.of(plan, full) for plan in designs]
    net, variance = _fitted(held.sums, held.pixels, cuts)
    exposed, unit = exposures(scan, held.labels, BLOCKS)
    counts = held.sums.sum(axis=0)
    # where the gain drifted, a peak of the sum lies where the rows of this area have it: at the
    # place it has in other rows it would pass for another line ratio
    of_sum = BlockCut.of_area(cuts, held.sums.reshape(BLOCKS, len(cuts), -1).sum(axis=0))
    owed = owed_in_area(
        found, of_sum, counts, net.sum(axis=0), variance.sum(axis=0),
        row_counts_of(held.labels >= 0, found), full,
    )  # fmt: skip
    known = np.asarray(np.array([c.known for c in cuts]).all(axis=0))
    net[:, ~known], variance[:, ~known] = np.nan, np.nan
    return AreaBlocks(
        name, plan.lines, net, variance, exposed, unit, touching(held.labels),
        int(held.pixels.sum()), of_sum.leakage,
        tuple(line for line, there in zip(plan.lines, known, strict=True) if not there),
        None if full is None else of_sum.own,
        "" if full is None else full_energies(full, found), owed,
        ratios_in_area(found, of_sum, counts),
    )  # fmt: skip


def _fitted(sums: Array, pixels: Labels, cuts: Sequence[BlockCut]) -> tuple[Array, Array]:
    """Net counts of the blocks and their variance, each part fitted by its own design."""
    from xrfmap.fit.pixels import fit_counts

    net, variance = np.zeros((2, BLOCKS, len(cuts[0].whole.lines)))
    for number, one in enumerate(cuts):
        mine = np.arange(BLOCKS) * len(cuts) + number
        held = np.flatnonzero(pixels[mine] > 0)
        if not held.size:
            continue
        typical = one.plan.typical * float(pixels[mine][held].mean())
        result = fit_counts(one.spectra(sums[mine[held]]), one.plan.design, typical)
        places, many = np.ix_(held, one.lines), len(one.lines)
        net[places] += np.where(result.converged[:, None], result.unbounded[:, :many], np.nan)
        variance[places] += result.variance[:, :many]
    return net, variance
