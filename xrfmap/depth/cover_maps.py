"""Maps of cover: the line ratios of blocks of pixels, with what they say about depth.

A single pixel seldom has the counts for a ratio of lines; a block of a few pixels a side
has. One fit serves all elements, with their families split into groups of lines.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.depth.area_depth import DISAGREE, ENOUGH, STATES, SURFACE_UM
from xrfmap.depth.cover_choice import DepthSettings, covering, element_model, usable_groups
from xrfmap.depth.cover_likelihood import Z_ORDER, Cover, estimate_cover, pair_information
from xrfmap.depth.cover_model import CoverModel
from xrfmap.depth.cover_sums import block_sums
from xrfmap.depth.line_groups import GroupCounts, LineGroup
from xrfmap.depth.line_ratios import SplitDesign
from xrfmap.fit.full_blocks import FullWatch
from xrfmap.identification.identify import Found
from xrfmap.numbers import whole
from xrfmap.running.one_thread import in_one_thread

__all__ = ["block_size", "cover_maps", "mapped_elements"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

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
        element `soft`, `hard`, `material`, `um_per_mg_cm2`, and `full`: in how many blocks
        which groups of lines had no number, since their channels ran full, in words, empty
        where there is none. NaN where the element is not seen, and where too few of its
        groups are left. Coordinates are the centres of the blocks, in the unit of the scan.

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
    sums, full = block_sums(scan, side, FullWatch.of(scan, found))
    shape = sums.shape[:2]
    design = SplitDesign.of(found, groups, pixels=max(pixels // (shape[0] * shape[1]), 1))
    fitted = design.fit(sums.reshape(-1, sums.shape[2]), full)
    ran_full = np.zeros(shape[0] * shape[1], bool) if full is None else full.kind > 0
    layers = [
        _one_element(found, e, groups[e], fitted[e], settings, shape, ran_full) for e in groups
    ]
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
    ran_full: Mask,
) -> xr.Dataset:
    counts = counts.only(groups)
    model = element_model(found, element, groups, settings, nodes=MAP_NODES)
    values = {name: np.full(len(ran_full), np.nan) for name in FIELDS}
    state = np.full(len(ran_full), -1, np.int8)
    pair = 0, 1
    most = -1
    for which, rows in _like_known(counts, ran_full):
        part = counts.only([groups[k] for k in which]).take(rows)
        if len(which) < 2:
            state[rows[_shows(part, which, model)]] = STATES["cannot_tell"]
            continue
        known = model.only(part.groups)
        seen = _seen(part, known)
        cover = estimate_cover(part.take(np.flatnonzero(seen)), known) if seen.any() else None
        # the pair for all blocks, where most of them are; empty blocks tell of none
        if int(seen.sum()) > most and np.isfinite(part.net).all(axis=1).any():
            most = int(seen.sum())
            soft, hard = _telling_pair(part, seen, known, cover)
            pair = int(which[soft]), int(which[hard])
        if cover is not None:
            here = rows[seen]
            values["cover_mg_cm2"][here] = cover.value * 1e3
            values["cover_mg_cm2_low"][here] = cover.low * 1e3
            values["cover_mg_cm2_high"][here] = cover.high * 1e3
            values["standard_errors"][here] = cover.z
            state[here] = _states(cover, known)
        if len(which) < len(groups):  # the element is there, but its other group is too weak
            silent = rows[~seen]
            state[silent[_shows(part, which, model)[~seen]]] = STATES["cannot_tell"]
    seen = state >= 0
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
        full=_full_words(counts, seen & ran_full),
    )  # fmt: skip


def _like_known(
    counts: GroupCounts, ran_full: Mask
) -> Iterator[tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]]:
    """Give groups that have a number, with the blocks in which it is these; first all groups."""
    known = np.isfinite(counts.net) | ~ran_full[:, None]  # empty blocks are no case of their own
    sets, kind = np.unique(~known, axis=0, return_inverse=True)
    for number, lacking in enumerate(sets):
        yield np.flatnonzero(~lacking), np.flatnonzero(kind.reshape(-1) == number)


def _shows(part: GroupCounts, which: npt.NDArray[np.intp], model: CoverModel) -> Mask:
    """Blocks with some groups left in which the element is there, or may be."""
    bare = model.weight @ model.at(np.zeros(1))[0]
    if int(np.argmax(bare)) not in which:  # the strongest group ran full
        return np.ones(len(part.net), dtype=bool)
    error = np.sqrt(np.einsum("ngg->ng", part.covariance))
    return np.asarray((part.net > SEEN * error).any(axis=1))


def _full_words(counts: GroupCounts, rows: Mask) -> str:
    """Say in how many blocks which groups have no number, since their channels ran full."""
    lacking = np.isnan(counts.net[rows]).sum(axis=0)
    parts = [
        f"{g.label} in {whole(int(many))} {'blocks' if many > 1 else 'block'}"
        for g, many in zip(counts.groups, lacking, strict=True)
        if many
    ]
    return ", ".join(parts)


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
    """Apply the test of :mod:`xrfmap.depth.area_depth`, block by block."""
    density = model.um(1.0)
    state = np.full(len(cover.z), STATES["cannot_tell"], np.int8)
    state[cover.high * density <= SURFACE_UM] = STATES["at_surface"]
    state[(cover.z >= Z_ORDER) & (cover.low > 0)] = STATES["covered"]
    state[(cover.p < DISAGREE) | ~np.isfinite(cover.value)] = STATES["cannot_tell"]
    return state
