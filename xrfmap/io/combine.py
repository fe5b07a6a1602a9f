"""Several detectors added up, each on its own energy scale.

Detectors of one instrument differ a little in zero and gain. Added up channel by
channel, their peaks would widen; so each count is first put where its energy belongs
on the scale of the first detector. A count in a channel that straddles two channels of
that scale falls into one of them by chance, in proportion to the overlap: the sum of
independent Poisson counts split in this way is again independent Poisson (thinning;
J. F. C. Kingman, "Poisson Processes", 1993, chapter 5, from memory), which the fit
relies on. The chance is drawn from the position of the pixel, so that blocks, threads
and repeated runs give the same counts.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import dask.array as da
import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.scan import SCALE_ATTRS, notes_of

__all__ = ["rebin_counts", "split_shares", "sum_detectors"]

SEED = 20_261  # any fixed number


def split_shares(
    channels: int, scale: tuple[float, float], target: tuple[float, float]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """Shares of each channel of one scale in the channels of another.

    Parameters
    ----------
    channels : int
        Number of channels of both.
    scale, target : tuple of float
        Energy of channel 0 and energy per channel; channel i reaches from i - 0.5 to
        i + 0.5. [keV]

    Returns
    -------
    first : ndarray of int, shape (channels,)
        First target channel that a channel overlaps (may be outside 0..channels-1).
    shares : ndarray, shape (m, channels)
        Share that falls into target channels first, first + 1, ...; each column sums
        to one.
    """
    edges = np.arange(channels + 1) - 0.5
    there = (scale[0] + scale[1] * edges - target[0]) / target[1] + 0.5
    # rounding dust would open a share of 1e-13 in a neighbour where scales are equal
    near = np.rint(there)
    there = np.where(np.abs(there - near) < 1e-9, near, there)
    low, high = there[:-1], there[1:]
    first = np.floor(low).astype(np.intp)
    most = int((np.ceil(high) - first).max())
    steps = first + np.arange(most)[:, None]
    shares = np.clip(np.minimum(high, steps + 1) - np.maximum(low, steps), 0, None) / (high - low)
    return first, shares


def rebin_counts(
    counts: npt.NDArray[Any],
    scale: tuple[float, float],
    target: tuple[float, float],
    pixels: npt.NDArray[np.int64],
    stream: int,
) -> npt.NDArray[Any]:
    """Put counts from one energy scale onto another.

    Parameters
    ----------
    counts : ndarray, shape (n, channel)
        Counts; split by chance if they are integers, by proportion otherwise.
    scale, target : tuple of float
        Energy of channel 0 and energy per channel. [keV]
    pixels : ndarray of int, shape (n,)
        Number of each pixel in the scan; it fixes the chance.
    stream : int
        Number of the detector, so that two detectors draw independently.

    Returns
    -------
    ndarray, shape (n, channel)
        64-bit integers or floats. Counts whose energy lies outside the target scale
        are left out.
    """
    channels = counts.shape[-1]
    first, shares = split_shares(channels, scale, target)
    whole = counts.dtype.kind in "iu"
    out = np.zeros((channels, len(counts)), dtype=np.int64 if whole else np.float64)
    left: npt.NDArray[Any] = counts.astype(out.dtype)
    part: npt.NDArray[Any]
    rest = np.ones(channels)
    for m, share in enumerate(shares):
        last = m == len(shares) - 1
        if not whole:
            part = counts * share
        elif last:
            part = left
        else:
            chance = np.clip(np.divide(share, rest, out=np.ones(channels), where=rest > 0), 0, 1)
            part = _draw(left, chance, pixels, stream * 64 + m)
            left = left - part
            rest = rest - share
        place = first + m
        inside = (place >= 0) & (place < channels)
        np.add.at(out, place[inside], part.T[inside])
    return np.ascontiguousarray(out.T)


def _draw(
    counts: npt.NDArray[Any],
    chance: npt.NDArray[np.float64],
    pixels: npt.NDArray[np.int64],
    stream: int,
) -> npt.NDArray[Any]:
    """Binomial draws that depend on the pixel alone."""
    out = np.where(chance >= 1, counts, 0)
    split = np.flatnonzero((chance > 0) & (chance < 1))
    for row, pixel in enumerate(pixels):
        random = np.random.Generator(np.random.Philox(key=[SEED + stream, int(pixel)]))
        out[row, split] = random.binomial(counts[row, split], chance[split])
    return out


def sum_detectors(scans: Sequence[xr.Dataset]) -> xr.Dataset:
    """Add up the scans of several detectors after the calibration of each.

    Parameters
    ----------
    scans : sequence of xarray.Dataset
        One scan for each detector, of the same pixels and channels, each with its energy
        scale in the attributes (``zero_kev`` and so on).

    Returns
    -------
    xarray.Dataset
        On the scale of the first detector; counts stay lazy. The live time is the mean
        over the detectors, so that counts over live time is the rate of all together.
        The peak width is the root mean square of the widths.

    Raises
    ------
    InputError
        If shapes differ or a scan has no energy scale.
    """
    first = scans[0]
    for number, scan in enumerate(scans, 1):
        _check_alike(first, scan, number)
    if len(scans) == 1:
        return first
    scales = [(float(s.attrs["zero_kev"]), float(s.attrs["kev_per_channel"])) for s in scans]
    cubes = [_lazy(scan) for scan in scans]
    chunks = cubes[0].chunks
    total = da.map_blocks(  # type: ignore[no-untyped-call]
        _sum_block,
        *[cube.rechunk(chunks) for cube in cubes],  # type: ignore[no-untyped-call]
        scales=scales,
        columns=first.sizes["x"],
        dtype=np.int64 if all(c.dtype.kind in "iu" for c in cubes) else np.float64,
        meta=np.empty((0, 0, 0)),
    )
    live = xr.concat([s["live_time"] for s in scans], "detector").mean("detector", skipna=False)
    out = first.assign(counts=(first["counts"].dims, total, {"units": "counts"}))
    out["live_time"] = (live.dims, live.values, {"units": "s"})
    notes = dict.fromkeys(note for s in scans for note in notes_of(s))
    words = [*notes, f"{len(scans)} detectors added up on the energy scale of the first"]
    attrs: dict[str, Any] = {"notes": json.dumps(words, ensure_ascii=False), "detectors": 1}
    for name in ("noise_kev", "fano"):
        values = np.array([float(s.attrs[name]) for s in scans])
        attrs[name] = float(np.sqrt((values**2).mean()))
    return out.assign_attrs(attrs)


def _lazy(scan: xr.Dataset) -> da.Array:
    data = scan["counts"].data
    lazy: da.Array = data if hasattr(data, "dask") else da.from_array(data)  # type: ignore[no-untyped-call]
    return lazy


def _check_alike(first: xr.Dataset, scan: xr.Dataset, number: int) -> None:
    where = str(scan.attrs["source"])
    missing = [name for name in SCALE_ATTRS if name not in scan.attrs]
    if missing:
        raise InputError(
            where,
            f"detector {number}",
            found="no energy scale",
            expected="an energy scale for each detector",
            remedy="calibrate each detector first, or give its scale in the card",
        )
    if scan["counts"].shape != first["counts"].shape:
        raise InputError(
            where,
            f"detector {number}",
            found=f"shape {scan['counts'].shape}",
            expected=f"shape {first['counts'].shape}, as the first detector",
            remedy="export all detectors of one scan",
        )


def _sum_block(
    *blocks: npt.NDArray[Any],
    scales: list[tuple[float, float]],
    columns: int,
    block_info: Any = None,
) -> npt.NDArray[Any]:
    """Sum one block over the detectors."""
    ny, nx, channels = blocks[0].shape
    (top, _), (left, _) = block_info[0]["array-location"][:2]
    pixels = (top + np.arange(ny))[:, None] * columns + left + np.arange(nx)
    whole = all(block.dtype.kind in "iu" for block in blocks)
    total = np.zeros((ny * nx, channels), dtype=np.int64 if whole else np.float64)
    for number, (block, scale) in enumerate(zip(blocks, scales, strict=True)):
        flat = block.reshape(-1, channels)
        total += rebin_counts(flat, scale, scales[0], pixels.ravel(), number)
    return total.reshape(blocks[0].shape)
