"""Sum and maximum-pixel spectra of a scan, a block at a time."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.io.lazy import iter_blocks

__all__ = ["row_spectra", "sum_spectra"]

Array = npt.NDArray[np.float64]


def sum_spectra(scan: xr.Dataset) -> xr.Dataset:
    """Sum spectrum and maximum-pixel spectrum.

    Parameters
    ----------
    scan : xarray.Dataset
        Scan, or point spectrum; only one block of a lazy scan is in memory at a time.

    Returns
    -------
    xarray.Dataset
        ``sum_counts(channel)``, summed over the pixels, and ``max_pixel_counts(channel)``,
        the largest of any pixel, channel by channel, which shows what sits in few pixels.
        [counts] The energy coordinate and the attributes come along.

    Raises
    ------
    InputError
        If counts are negative or not finite.
    """
    counts = scan["counts"]
    total, largest = np.zeros((2, counts.sizes["channel"]))
    for _, _, block in _blocks(counts):
        flat = _checked(block, str(scan.attrs.get("source") or "scan"))
        total += flat.sum(axis=0, dtype=np.float64)
        np.maximum(largest, flat.max(axis=0), out=largest)
    coords = {"energy": scan["energy"]} if "energy" in scan.coords else None
    return xr.Dataset(
        {
            "sum_counts": ("channel", total, {"units": "counts"}),
            "max_pixel_counts": ("channel", largest, {"units": "counts"}),
        },
        coords=coords,
        attrs=dict(scan.attrs),
    )


def row_spectra(scan: xr.Dataset) -> Array:
    """Spectrum of each row of pixels, in the order of `y`.

    Parameters
    ----------
    scan : xarray.Dataset
        Scan; only one block of a lazy one is in memory at a time.

    Returns
    -------
    ndarray, shape (y, channel)
        Counts summed along x. [counts]

    Raises
    ------
    InputError
        If counts are negative or not finite.
    """
    counts = scan["counts"]
    where = str(scan.attrs.get("source") or "scan")
    result = np.zeros((counts.sizes["y"], counts.sizes["channel"]))
    for rows, _, block in _blocks(counts):
        _checked(block, where)
        result[rows] += block.sum(axis=1, dtype=np.float64)
    return result


def _blocks(counts: xr.DataArray) -> Any:
    if counts.ndim == 1:
        return [(slice(0, 1), slice(0, 1), np.asarray(counts.values)[None, None, :])]
    return iter_blocks(counts)


def _checked(block: npt.NDArray[Any], where: str) -> npt.NDArray[Any]:
    """Flatten the pixels of a block; refuse what no detector counts."""
    flat = block.reshape(-1, block.shape[-1])
    if flat.dtype.kind != "u" and flat.size:
        low = flat.min()  # NaN if any is NaN
        if not (low >= 0 and np.isfinite(flat.max())):
            raise InputError(
                where,
                "counts",
                found=f"a smallest value of {low:g}",
                expected="counts of 0 or more",
                remedy="export the raw counts, not corrected or background-subtracted ones",
            )
    return flat
