"""What a figure needs of a maps Dataset: rates with units, masks, stretch, limits in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.errors import InputError
from xrfmap.spectra.flicker import exposure

__all__ = [
    "Field",
    "Grid",
    "Limits",
    "Stretch",
    "above_threshold",
    "bad_pixels",
    "beam_words",
    "check_maps",
    "field",
    "grid",
    "limits",
    "line_labels",
    "nice_length",
    "ratio",
    "scalar_field",
    "stretch",
    "upright",
]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
NEEDED = ("net_counts", "decision_threshold", "detection_limit")
LOW_PERCENT, HIGH_PERCENT = 0.5, 99.5  # a few hot pixels must not darken the whole map
STRIP = 12.0  # a grid longer than this times its width is drawn with stretched pixels


@dataclass(frozen=True)
class Grid:
    """Edges of the scanned field; y runs downward as on the painting."""

    x0: float
    x1: float
    y0: float
    y1: float
    rows: int
    columns: int
    unit: str  # "mm", or "pixel" where the file gives no positions

    @property
    def aspect(self) -> float:
        """Height over width as the object has it."""
        return (self.y1 - self.y0) / (self.x1 - self.x0)

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, right, bottom, top, as matplotlib's ``imshow`` wants it."""
        return self.x0, self.x1, self.y1, self.y0


@dataclass(frozen=True)
class Field:
    """One map ready to be drawn, NaN where there is no measurement."""

    label: str
    values: Array  # (y, x) [unit]
    unit: str
    grid: Grid

    @property
    def bad(self) -> Mask:
        """Pixels without a usable value, shape (y, x)."""
        return ~np.isfinite(self.values)


@dataclass(frozen=True)
class Stretch:
    """Values shown as darkest and lightest, and the percentiles they stand for."""

    low: float
    high: float
    low_percent: float = LOW_PERCENT
    high_percent: float = HIGH_PERCENT

    @property
    def sentence(self) -> str:
        """How the map is stretched, for a caption."""
        return (
            f"Stretched from percentile {self.low_percent:g} to percentile {self.high_percent:g} "
            "of the measured pixels"
        )


@dataclass(frozen=True)
class Limits:
    """Detection limit of a map: medians over the pixels, and the share above threshold."""

    limit: float  # [unit]
    threshold: float  # [unit]
    limit_counts: float
    unit: str
    share: float  # of the measured pixels, 0 to 1
    above: int
    measured: int


def check_maps(maps: xr.Dataset) -> None:
    """Refuse a Dataset that does not hold element maps.

    Raises
    ------
    InputError
        If a variable or a dimension of the contract is missing.
    """
    missing = [name for name in NEEDED if name not in maps]
    if missing or not {"line", "y", "x"} <= set(maps.dims):
        raise InputError(
            "maps",
            ", ".join(missing) or "dimensions",
            found=f"variables {sorted(map(str, maps))}, dims {sorted(map(str, maps.dims))}",
            expected="element maps with dims line, y, x",
            remedy="pass the Dataset that map_elements returns or that maps.nc holds",
        )


def line_labels(maps: xr.Dataset) -> list[str]:
    """Labels of the line families, in the order of the Dataset."""
    return [str(label) for label in maps["line"].values]


def _edges(centres: Array, fallback: float) -> tuple[float, float]:
    step = float(np.median(np.diff(centres))) if centres.size > 1 else fallback
    return float(centres[0] - step / 2), float(centres[-1] + step / 2)


def grid(maps: xr.Dataset) -> Grid:
    """Edges of the scan, from its pixel centres [mm, or pixel]."""
    y = np.sort(np.asarray(maps["y"].values, dtype=float))
    x = np.sort(np.asarray(maps["x"].values, dtype=float))
    steps = [float(np.median(np.diff(v))) for v in (y, x) if v.size > 1]
    fallback = steps[0] if steps else 1.0
    (x0, x1), (y0, y1) = _edges(x, fallback), _edges(y, fallback)
    unit = str(maps["x"].attrs.get("units", "mm"))
    return Grid(x0, x1, y0, y1, y.size, x.size, unit)


def upright(array: xr.DataArray) -> Array:
    """Values with y downward and x to the right, whichever way the stage ran.

    Real numbers keep their precision: a large map in twice of it costs memory for nothing.
    """
    values = np.asarray(array.transpose("y", "x").values)
    if values.dtype.kind != "f":
        values = values.astype(float)
    for axis, name in enumerate(("y", "x")):
        places = np.asarray(array[name].values, dtype=float)
        if np.any(np.diff(places) < 0):
            values = np.take(values, np.argsort(places, kind="stable"), axis=axis)
    return values


def bad_pixels(maps: xr.Dataset) -> Mask:
    """Pixels whose fit failed, shape (y, x); all False where the Dataset does not say."""
    if "fit_ok" not in maps:
        return np.zeros((maps.sizes["y"], maps.sizes["x"]), dtype=bool)
    return ~(upright(maps["fit_ok"]) > 0.5)


def _live_time(maps: xr.Dataset) -> Array | None:
    """Live time [s], or None where no pixel has one: then maps stay in counts."""
    if "live_time" not in maps:
        return None
    seconds = upright(maps["live_time"])
    good = np.isfinite(seconds) & (seconds > 0)
    return np.where(good, seconds, np.nan) if good.any() else None


def _exposure(maps: xr.Dataset) -> tuple[Array | None, str]:
    """Give what net counts are divided by (None: nothing), and the unit that they get."""
    time = exposure(maps)
    if time is None:
        return None, "counts"
    return upright(time), "counts/s" if time.attrs["units"] == "s" else "counts"


def beam_words(maps: xr.Dataset) -> str:
    """Sentence for a caption where maps are divided by the strength of the beam, else empty."""
    if "beam" not in maps:
        return ""
    strength = maps["beam"].values
    return (
        f"Divided by the strength of the beam, {np.nanmin(strength):.2f} to "
        f"{np.nanmax(strength):.2f} of its usual one; net counts in the files are not."
    )


def field(maps: xr.Dataset, line: str) -> Field:
    """Map of one line family as a rate.

    Parameters
    ----------
    maps : Dataset
        Element maps, dims line, y, x.
    line : str
        Label of the family, ``"Pb L"``.

    Returns
    -------
    Field
        Net counts per second of live time, at the usual strength of the beam; net counts
        where no live time is known. NaN where the fit failed, the value is not finite, or
        the live time or the beam of that pixel alone is unknown.

    Raises
    ------
    InputError
        If there is no such family in the Dataset.
    """
    check_maps(maps)
    labels = line_labels(maps)
    if line not in labels:
        raise InputError(
            "maps", "line", found=repr(line), expected=f"one of {', '.join(labels)}",
            remedy="ask for a family that was fitted",
        )  # fmt: skip
    counts = upright(maps["net_counts"].isel(line=labels.index(line)))
    counts = np.where(bad_pixels(maps) | ~np.isfinite(counts), np.nan, counts)
    per, unit = _exposure(maps)
    rate = counts if per is None else counts / per.astype(counts.dtype)
    return Field(line, rate, unit, grid(maps))


def scalar_field(maps: xr.Dataset, name: str, label: str, unit: str) -> Field:
    """Map of a variable without lines, such as ``total_counts``."""
    values = upright(maps[name])
    if name == "total_counts":
        seconds = _live_time(maps)
        if seconds is not None:
            values, unit = values / seconds, "counts/s"
    if name not in ("live_time", "beam"):
        values = np.where(bad_pixels(maps), np.nan, values)
    return Field(label, values, unit, grid(maps))


def stretch(
    values: npt.ArrayLike, low_percent: float = LOW_PERCENT, high_percent: float = HIGH_PERCENT
) -> Stretch:
    """Percentiles of the finite values; a flat map gets a range of its own height."""
    finite = np.asarray(values, dtype=float)
    finite = finite[np.isfinite(finite)]
    if finite.size == 0:
        return Stretch(0.0, 1.0, low_percent, high_percent)
    low, high = (float(v) for v in np.percentile(finite, [low_percent, high_percent]))
    if high <= low:
        high = float(finite.max())
    if high <= low:
        low, high = min(low, 0.0), max(high, low + abs(low), low + 1.0)
    return Stretch(low, high, low_percent, high_percent)


def limits(maps: xr.Dataset, line: str) -> Limits:
    """Median detection limit of a family, and the share of pixels above the threshold.

    Both medians run over measured pixels only. In a field without the element
    about 5 % of the pixels lie above a threshold set at 5 % risk.
    """
    shown = field(maps, line)
    index = line_labels(maps).index(line)
    counts = upright(maps["net_counts"].isel(line=index))
    threshold = upright(maps["decision_threshold"].isel(line=index))
    limit = upright(maps["detection_limit"].isel(line=index))
    good = ~shown.bad & np.isfinite(threshold)
    exposed, _ = _exposure(maps)
    per = np.ones_like(limit) if exposed is None else exposed.astype(limit.dtype)
    above = int(np.count_nonzero(counts[good] > threshold[good]))
    measured = int(np.count_nonzero(good))
    return Limits(
        _median((limit / per)[good]),
        _median((threshold / per)[good]),
        _median(limit[good]),
        shown.unit,
        above / measured if measured else float("nan"),
        above,
        measured,
    )


def _median(values: Array) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else float("nan")


def _above(maps: xr.Dataset, line: str, bound: str) -> Mask:
    index = line_labels(maps).index(line)
    counts = upright(maps["net_counts"].isel(line=index))
    least = upright(maps[bound].isel(line=index))
    with np.errstate(invalid="ignore"):
        return ~field(maps, line).bad & (counts > least)


def above_threshold(maps: xr.Dataset, line: str) -> Mask:
    """Measured pixels whose net counts exceed the decision threshold, shape (y, x)."""
    return _above(maps, line, "decision_threshold")


def ratio(maps: xr.Dataset, top: str, bottom: str) -> Field:
    """Ratio of two families where both exceed their detection limits, NaN elsewhere.

    Not the decision thresholds: one pixel in twenty lies above those by chance, and the
    ratio of two chances says nothing.
    """
    over, under = field(maps, top), field(maps, bottom)
    both = _above(maps, top, "detection_limit") & _above(maps, bottom, "detection_limit")
    both &= under.values > 0
    values = np.divide(over.values, under.values, out=np.full(both.shape, np.nan), where=both)
    return Field(f"{top} / {bottom}", values, "counts per count", over.grid)


def nice_length(span: float) -> float:
    """Length of a scale bar: 1, 2 or 5 times a power of ten, about a quarter of `span`."""
    target = span / 4
    power = 10.0 ** np.floor(np.log10(target))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= target * 1.001))
