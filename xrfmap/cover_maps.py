"""Maps of cover: the line ratios of blocks of pixels, with what they say about depth.

A single pixel seldom has the counts for a ratio of lines; a block of a few pixels a side
has. One fit serves all elements, with their families split into groups of lines.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.cover_choice import DepthSettings, covering, element_model, usable_groups
from xrfmap.cover_likelihood import Z_ORDER, Cover, estimate_cover, pair_information
from xrfmap.cover_model import CoverModel
from xrfmap.depth import DISAGREE, ENOUGH, STATES, SURFACE_UM
from xrfmap.identify import Found
from xrfmap.io.lazy import map_blocks
from xrfmap.line_groups import GroupCounts, LineGroup
from xrfmap.line_ratios import SplitDesign
from xrfmap.one_thread import in_one_thread

__all__ = ["block_size", "cover_maps", "mapped_elements"]

Array = npt.NDArray[np.float64]

BLOCK_COUNTS = 5e4
"""Counts a block should have: a K-beta line of a main element then has some hundreds."""

MOST_BLOCKS = 20_000
"""Blocks of one map; keeps the summed spectra below 200 MB."""

MAP_NODES = 6
"""Own thicknesses in the tables for maps; areas, with smaller errors, take more."""

SEEN = 5.0
"""Standard errors of an element's strongest group at which a block is judged."""

FIELDS = (
    "ratio_to_bare", "ratio_to_bare_err", "cover_mg_cm2", "cover_mg_cm2_low",
    "cover_mg_cm2_high", "standard_errors",
)  # fmt: skip


def block_size(scan: xr.Dataset, mean_counts: float) -> int:
    """Pixels a side of a block that holds enough counts.

    Parameters
    ----------
    scan : Dataset
        With dims y, x.
    mean_counts : float
        Mean counts per pixel, > 0. [counts]

    Returns
    -------
    int
        At least one, at most the shorter side of the scan.
    """
    ny, nx = scan.sizes["y"], scan.sizes["x"]
    for_counts = np.sqrt(BLOCK_COUNTS / max(mean_counts, 1e-9))
    for_memory = np.sqrt(ny * nx / MOST_BLOCKS)
    return int(np.clip(np.ceil(max(for_counts, for_memory)), 1, min(ny, nx)))


@in_one_thread
def cover_maps(
    scan: xr.Dataset,
    found: Found,
    *,
    elements: Iterable[str] | None = None,
    block: int | None = None,
    settings: DepthSettings | None = None,
) -> xr.Dataset:
    """Map the cover over each element.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan, ``counts(y, x, channel)``.
    found : Found
        From :func:`xrfmap.find_elements` on the same scan.
    elements : iterable of str, optional
        Elements to map; all that were found and have two usable groups of lines by
        default. The anode is left out.
    block : int, optional
        Pixels a side of a block; from :func:`block_size` by default. Blocks at the far
        edges may hold fewer pixels.
    settings : DepthSettings, optional
        Cover, own layers, references.

    Returns
    -------
    Dataset
        Dims ``element, y, x`` over blocks: `ratio_to_bare` and `ratio_to_bare_err` (soft
        over hard group of the most telling pair, 1 = bare paint), `cover_mg_cm2` with
        `_low` and `_high` (95 %), `standard_errors` (by which bare paint is excluded),
        `state` (0 at the surface, 1 covered, 2 cannot tell, -1 element not seen); per
        element `soft`, `hard`, `material`, `um_per_mg_cm2`. NaN where the element is not
        seen. Coordinates are the centres of the blocks, in the unit of the scan.

    Raises
    ------
    ValueError
        If no element has two usable groups, or `block` is less than one.
    """
    settings = settings or DepthSettings()
    groups = mapped_elements(found, elements, settings)
    if not groups:
        raise ValueError("no element of the scan has two groups of lines that can be compared")
    pixels = scan.sizes["y"] * scan.sizes["x"]
    side = block_size(scan, float(found.sum_counts.sum()) / pixels) if block is None else block
    if side < 1:
        raise ValueError(f"block must be at least one pixel, found {side}")
    sums = _block_sums(scan, side)
    shape = sums.shape[:2]
    design = SplitDesign.of(found, groups, pixels=max(pixels // (shape[0] * shape[1]), 1))
    fitted = design.fit(sums.reshape(-1, sums.shape[2]))
    layers = [_one_element(found, e, groups[e], fitted[e], settings, shape) for e in groups]
    result = xr.concat(layers, "element", combine_attrs="drop")
    return result.assign_coords(
        y=("y", _centres(scan["y"].values, side), dict(scan["y"].attrs)),
        x=("x", _centres(scan["x"].values, side), dict(scan["x"].attrs)),
    ).assign_attrs(block=side, surface_um=SURFACE_UM, order_standard_errors=Z_ORDER)


def mapped_elements(
    found: Found, elements: Iterable[str] | None = None, settings: DepthSettings | None = None
) -> dict[str, tuple[LineGroup, ...]]:
    """List the elements whose cover can be mapped, with their usable groups of lines.

    Parameters
    ----------
    found, elements, settings
        As for :func:`cover_maps`.

    Returns
    -------
    dict of str to tuple of LineGroup
        Elements with two groups within reach that the cover does not hold; no anode.
    """
    settings = settings or DepthSettings()
    result = {}
    for element in found.present if elements is None else elements:
        if element == found.anode or element in covering(element, settings).mass_fractions:
            continue
        groups = usable_groups(found, element)
        if len(groups) > 1:
            result[element] = groups
    return result


def _block_sums(scan: xr.Dataset, side: int) -> npt.NDArray[np.uint32]:
    """Sum the spectra of blocks, shape (rows, columns, channels)."""
    ny, nx, channels = scan["counts"].shape
    total = np.zeros((-(-ny // side), -(-nx // side), channels), np.uint32)

    def work(rows: slice, cols: slice, part: npt.NDArray[np.generic]) -> npt.NDArray[np.uint32]:
        first = _firsts(cols, side)
        summed = np.add.reduceat(part, first, axis=1, dtype=np.uint32)
        return np.asarray(np.add.reduceat(summed, _firsts(rows, side), axis=0, dtype=np.uint32))

    for rows, cols, part in map_blocks(scan["counts"], work):
        down, across = rows.start // side, cols.start // side
        total[down : down + part.shape[0], across : across + part.shape[1]] += part
    return total


def _firsts(pixels: slice, side: int) -> npt.NDArray[np.intp]:
    """First of those pixels in each block that they lie in."""
    block = np.arange(pixels.start, pixels.stop) // side
    return np.flatnonzero(np.diff(block, prepend=-1))


def _centres(axis: Array, side: int) -> Array:
    """Mean coordinate of each block along one axis."""
    starts = np.arange(0, len(axis), side)
    size = np.diff(np.append(starts, len(axis)))
    return np.asarray(np.add.reduceat(np.asarray(axis, dtype=np.float64), starts) / size)


def _one_element(
    found: Found,
    element: str,
    groups: tuple[LineGroup, ...],
    counts: GroupCounts,
    settings: DepthSettings,
    shape: tuple[int, int],
) -> xr.Dataset:
    counts = counts.only(groups)
    model = element_model(found, element, groups, settings, nodes=MAP_NODES)
    seen = _seen(counts, model)
    cover = estimate_cover(counts.take(np.flatnonzero(seen)), model) if seen.any() else None
    values = {name: np.full(len(seen), np.nan) for name in FIELDS}
    state = np.full(len(seen), -1, np.int8)
    pair = _telling_pair(counts, seen, model, cover)
    if cover is not None:
        values["cover_mg_cm2"][seen] = cover.value * 1e3
        values["cover_mg_cm2_low"][seen] = cover.low * 1e3
        values["cover_mg_cm2_high"][seen] = cover.high * 1e3
        values["standard_errors"][seen] = cover.z
        state[seen] = _states(cover, model)
    ratio, error = _ratio(counts, pair, model)
    values["ratio_to_bare"][seen] = ratio[seen]
    values["ratio_to_bare_err"][seen] = error[seen]
    units = {"cover_mg_cm2": "mg/cm2", "cover_mg_cm2_low": "mg/cm2", "cover_mg_cm2_high": "mg/cm2"}
    planes = {
        n: (("y", "x"), v.reshape(shape).astype(np.float32), {"units": units.get(n, "1")})
        for n, v in values.items()
    }
    planes["cover_mg_cm2_high"][2]["comment"] = (
        "no upper bound where state is covered and some of the element may lie higher up"
    )
    planes["state"] = (("y", "x"), state.reshape(shape), {"flags": str(STATES)})  # type: ignore[assignment]
    return xr.Dataset(
        planes,
        coords={"element": element},
    ).assign(
        soft=groups[pair[0]].label, hard=groups[pair[1]].label,
        material=model.cover.name, um_per_mg_cm2=model.um(1e-3),
    )  # fmt: skip


def _seen(counts: GroupCounts, model: CoverModel) -> npt.NDArray[np.bool_]:
    """Blocks in which the element is there and a second group would show if bare."""
    error = np.sqrt(np.einsum("ngg->ng", counts.covariance))
    significance = np.nan_to_num(counts.net / error, nan=0.0)
    strong = significance.argmax(axis=1)
    rows = np.arange(len(strong))
    bare = np.exp(model.weight @ model.at(np.zeros(1))[0])
    expected = bare * (counts.net[rows, strong] / bare[strong])[:, None]
    enough = np.nan_to_num(expected / error, nan=0.0) > ENOUGH
    enough[rows, strong] = False
    return np.asarray((significance[rows, strong] > SEEN) & enough.any(axis=1))


def _telling_pair(
    counts: GroupCounts, seen: npt.NDArray[np.bool_], model: CoverModel, cover: Cover | None
) -> tuple[int, int]:
    """Soft and hard group whose ratio says most, for the mean of the blocks that count."""
    labels = [g.label for g in counts.groups]
    rows = seen if seen.any() else np.isfinite(counts.net).all(axis=1)
    mean = GroupCounts(
        counts.groups,
        counts.net[rows].mean(axis=0, keepdims=True),
        counts.covariance[rows].mean(axis=0, keepdims=True),
    )
    depth = float(np.median(cover.value)) if cover is not None else 0.0
    pairs = pair_information(mean, model, depth)
    # of pairs that tell about as much, the one with the most counts makes the clearest map
    near = [pair for pair in pairs if pair[2] > 0.7 * pairs[0][2]]
    net = mean.net[0]
    soft, hard, _ = max(near, key=lambda p: net[labels.index(p[0])] + net[labels.index(p[1])])
    return labels.index(soft), labels.index(hard)


def _ratio(counts: GroupCounts, pair: tuple[int, int], model: CoverModel) -> tuple[Array, Array]:
    """Soft over hard group against bare paint, with the standard error of the counts."""
    soft, hard = pair
    bare = model.weight @ model.at(np.zeros(1))[0]
    scale = np.exp(bare[hard] - bare[soft])
    s, h = counts.net[:, soft], counts.net[:, hard]
    spread = np.sqrt(counts.covariance[:, hard, hard])
    known = h > 3 * spread
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = s / h
        variance = (
            counts.covariance[:, soft, soft]
            - 2 * ratio * counts.covariance[:, soft, hard]
            + ratio**2 * counts.covariance[:, hard, hard]
        ) / h**2
    nan = np.where(known, 0.0, np.nan)
    return ratio * scale + nan, np.sqrt(np.maximum(variance, 0.0)) * scale + nan


def _states(cover: Cover, model: CoverModel) -> npt.NDArray[np.int8]:
    """Apply the test of :mod:`xrfmap.depth`, block by block."""
    density = model.um(1.0)
    state = np.full(len(cover.z), STATES["cannot_tell"], np.int8)
    state[cover.high * density <= SURFACE_UM] = STATES["at_surface"]
    state[(cover.z >= Z_ORDER) & (cover.low > 0)] = STATES["covered"]
    state[(cover.p < DISAGREE) | ~np.isfinite(cover.value)] = STATES["cannot_tell"]
    return state
