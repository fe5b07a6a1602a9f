"""What a file holds, in numbers and in plain words, read block by block."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.io.lazy import iter_boxes, stored_of, times_read
from xrfmap.numbers import whole
from xrfmap.scan import instrument_of, linear_scale, notes_of
from xrfmap.settings import ScanEntry

__all__ = ["describe", "describe_dataset"]

# a row with less than this share of the counts of the middle row was not measured properly
DEAD_ROW = 0.01
HIGH_RATE_PER_S = 300_000.0  # above, drift detectors lose counts and pile up; common practice
HIGH_DEAD_TIME = 0.3  # above, the live time itself becomes doubtful; common practice


def describe(path: Path, entry: ScanEntry | None = None) -> dict[str, Any]:
    """Describe a scan or a point spectrum.

    Parameters
    ----------
    path : Path
        File in any format that can be read.
    entry : ScanEntry, optional
        What the study file says of the scan.

    Returns
    -------
    dict
        Plain values, fit for JSON: ``kind``, ``shape``, ``units``, times, counts,
        ``notes`` (what was assumed) and ``problems`` (what to look at), both in words.

    Raises
    ------
    InputError
        If the file cannot be used.
    """
    from xrfmap.io import open_any

    ds = open_any(path, entry)  # first, since it tells a missing file in its own words
    return {"bytes": Path(path).stat().st_size, **describe_dataset(ds)}


def describe_dataset(ds: xr.Dataset) -> dict[str, Any]:
    """Describe what a reader returned; see :func:`describe`.

    Parameters
    ----------
    ds : xarray.Dataset
        Scan or point spectrum; each block is read once.

    Returns
    -------
    dict
        Plain values.
    """
    counts = ds["counts"]
    scan = counts.ndim == 3
    found: dict[str, Any] = {
        "file": ds.attrs["source"],
        "kind": "scan" if scan else "point spectrum",
        "title": ds.attrs["title"],
        "dims": list(counts.dims),
        "shape": list(counts.shape),
        "type": str(counts.dtype),
        "storage": ds.attrs.get("storage", ""),
        "sha256": ds.attrs["source_sha256"],
        "units": {str(n): ds[n].attrs.get("units", "") for n in ds.variables},
        "energy_scale": _energy_scale(ds),
        "instrument": instrument_of(ds).model_dump(exclude_unset=True),
    }
    if scan:
        found["pixel_mm"] = _pixel_size(ds)
    cube = _totals(counts if scan else counts.expand_dims(["y", "x"]))
    found |= _count_facts(cube)
    found |= _time_facts(ds, cube["total"])
    found["notes"] = notes_of(ds)
    found["problems"] = [*_layout_problems(ds), *_problems(found, cube)]
    return found


def _layout_problems(ds: xr.Dataset) -> list[str]:
    stored = stored_of(ds["counts"].data)
    times = 1 if stored is None else times_read(stored)
    if times == 1:
        return []
    return [
        f"the file is stored plane by plane: read by pixel, each part is unpacked {times} times, "
        "or a scratch file as large as all counts is written; rewrite it once with xrfmap convert"
    ]


def _energy_scale(ds: xr.Dataset) -> dict[str, Any]:
    if "energy" not in ds.coords:
        return {"known": False}
    energy = ds["energy"].values
    scale: dict[str, Any] = {
        "known": True,
        "from_kev": energy[0].item(),
        "to_kev": energy[-1].item(),
    }
    try:
        scale["zero_kev"], scale["kev_per_channel"] = linear_scale(energy)
    except ValueError:
        scale["even"] = False
    return scale


def _pixel_size(ds: xr.Dataset) -> dict[str, float] | None:
    if ds["x"].attrs["units"] != "mm":
        return None
    sizes = {n: ds.sizes[n] for n in ("x", "y")}
    return {
        n: abs(float(ds[n][-1] - ds[n][0])) / (size - 1) for n, size in sizes.items() if size > 1
    }


def _totals(counts: xr.DataArray) -> dict[str, Any]:
    """Take sums and extremes of a cube in one pass."""
    ny, nx, nc = counts.shape
    wide = np.int64 if counts.dtype.kind in "iu" else np.float64
    # the largest number of a narrow type is where a counter stops; wider ones never fill
    top = np.iinfo(counts.dtype).max if counts.dtype.kind in "iu" else None
    narrow = counts.dtype.itemsize <= 2
    total = np.zeros((ny, nx), dtype=wide)
    spectrum = np.zeros(nc, dtype=wide)
    saturated = np.zeros((ny, nx), dtype=np.int32)
    most, whole = 0.0, True
    for rows, cols, channels, block in iter_boxes(counts):
        total[rows, cols] += block.sum(axis=2, dtype=wide)
        spectrum[channels] += block.sum(axis=(0, 1), dtype=wide)
        most = max(most, float(block.max()))
        if top is not None and narrow:
            saturated[rows, cols] += (block == top).sum(axis=2, dtype=np.int32)
        elif block.dtype.kind == "f":
            whole = whole and not (block % 1 != 0).any()
    return {
        "total": total,
        "spectrum": spectrum,
        "saturated": saturated,
        "max": most,
        "whole": whole,
    }


def _count_facts(cube: dict[str, Any]) -> dict[str, Any]:
    total, spectrum = cube["total"], cube["spectrum"]
    used = np.flatnonzero(spectrum)
    rows = total.sum(axis=1)
    middle = float(np.median(rows))
    dead = np.flatnonzero(rows <= DEAD_ROW * middle) if rows.size > 1 else np.empty(0, int)
    return {
        "total_counts": total.sum().item(),
        "counts_per_pixel": _spread(total.astype(np.float64)),
        "max_count_in_a_channel": cube["max"],
        "whole_numbers": cube["whole"],
        "channels_with_counts": [int(used[0]), int(used[-1])] if used.size else None,
        "zero_pixels": int((total == 0).sum()),
        "dead_rows": [int(row) for row in dead],
        "saturated_channels": int(cube["saturated"].sum()),
        "saturated_pixels": int((cube["saturated"] > 0).sum()),
    }


def _spread(values: npt.NDArray[np.float64]) -> dict[str, float] | None:
    known = values[np.isfinite(values)]
    if not known.size:
        return None
    return {
        "median": float(np.median(known)),
        "min": float(known.min()),
        "max": float(known.max()),
    }


def _time_facts(ds: xr.Dataset, total: npt.NDArray[Any]) -> dict[str, Any]:
    live = np.asarray(ds["live_time"].values, dtype=np.float64).reshape(total.shape)
    usable = live > 0
    rate = np.full(live.shape, np.nan)
    np.divide(total, live, out=rate, where=usable)
    facts: dict[str, Any] = {
        "live_time_s": _spread(live),
        "pixels_without_live_time": int((~usable).sum()),
        "count_rate_per_s": _spread(rate),
    }
    if "monitor" in ds:
        reading = np.asarray(ds["monitor"].values, dtype=np.float64)
        facts["beam_monitor"] = _spread(reading)
    if "real_time" in ds:
        real = np.asarray(ds["real_time"].values, dtype=np.float64).reshape(total.shape)
        facts["real_time_s"] = _spread(real)
        share = np.full(live.shape, np.nan)
        np.divide(real - live, real, out=share, where=usable & (real > 0))
        facts["dead_time_share"] = _spread(share)
    return facts


def _problems(found: dict[str, Any], cube: dict[str, Any]) -> list[str]:
    """List what deserves a look, most serious first, in plain words."""
    pixels = cube["total"].size
    words: list[str] = []
    if found["saturated_channels"]:
        words.append(
            f"{whole(found['saturated_channels'])} channels in {whole(found['saturated_pixels'])} "
            f"pixels hold the largest number of their type ({found['type']}): the counter ran full"
        )
    if not found["whole_numbers"]:
        words.append("counts are not whole numbers: they were changed after the measurement")
    if found["kind"] == "scan":
        words += _map_problems(found, pixels)
    words += _time_problems(found, pixels)
    if not found["energy_scale"]["known"]:
        words.append("no energy scale in the file: it is found from the lines (calibrate)")
    if "anode" not in found["instrument"]:
        words.append("the anode is not named: its lines are looked for")
    if "tube_kv" not in found["instrument"]:
        words.append("the tube voltage is not named: give tube_kv in the study file")
    return words


def _map_problems(found: dict[str, Any], pixels: int) -> list[str]:
    words = []
    if found["dead_rows"]:
        rows = ", ".join(map(str, found["dead_rows"][:10]))
        more = ", ..." if len(found["dead_rows"]) > 10 else ""
        words.append(f"{whole(len(found['dead_rows']))} rows hold almost no counts: {rows}{more}")
    if found["zero_pixels"]:
        words.append(
            f"{whole(found['zero_pixels'])} of {whole(pixels)} pixels hold no count at all"
        )
    if found["pixel_mm"] is None:
        words.append("no positions in mm: give pixel_mm in the study file")
    elif len(found["pixel_mm"]) == 2:
        x, y = found["pixel_mm"]["x"], found["pixel_mm"]["y"]
        if abs(x - y) > 0.05 * max(x, y):
            words.append(f"pixels are not square: {x:.4g} mm across and {y:.4g} mm down")
    return words


def _time_problems(found: dict[str, Any], pixels: int) -> list[str]:
    words = []
    missing = found["pixels_without_live_time"]
    if missing == pixels:
        words.append("no live time: give live_time_s in the study file")
    elif missing:
        words.append(f"{whole(missing)} of {whole(pixels)} pixels have no live time")
    rate = found["count_rate_per_s"]
    if rate is not None and rate["max"] > HIGH_RATE_PER_S:
        words.append(f"up to {whole(rate['max'])} counts/s: expect losses and pile-up")
    dead = found.get("dead_time_share")
    if dead is not None and dead["min"] < -1e-6:
        words.append("live time is longer than real time in some pixels")
    if dead is not None and dead["max"] > HIGH_DEAD_TIME:
        words.append(f"dead time up to {100 * dead['max']:.0f} %: live times may be inexact")
    return words
