"""Element maps: every pixel of a scan fitted with the model found on its sum.

Per pixel and line family: net counts by Poisson maximum likelihood, standard error,
95 % upper limit, decision threshold and detection limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap import limits
from xrfmap.evidence import Judge
from xrfmap.findings import ElementFinding
from xrfmap.fit import FitResult, fit_counts
from xrfmap.identify import Found, elements_of_sum, identify_part
from xrfmap.io.lazy import iter_blocks
from xrfmap.map_design import RATIO_SPREAD, MapDesign
from xrfmap.refine import Refined

__all__ = ["MapDesign", "SpectrumFit", "fit_spectrum", "map_elements", "summed_spectra"]

Array = npt.NDArray[np.float64]
Single = npt.NDArray[np.float32]

PIXEL_FIELDS = (
    "net_counts",
    "net_counts_err",
    "net_counts_ul",
    "decision_threshold",
    "detection_limit",
)


def map_elements(
    scan: xr.Dataset,
    found: Found,
    *,
    ratio_spread: float = RATIO_SPREAD,
    progress: Callable[[int, int], None] | None = None,
) -> xr.Dataset:
    """Fit every pixel of a scan.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan, ``counts(y, x, channel)``.
    found : Found
        From :func:`xrfmap.find_elements` on the same scan.
    ratio_spread : float
        Spread of the cover before each family, in optical depths at its main line.
    progress : callable, optional
        Told the pixels done, and of how many, after each block.

    Returns
    -------
    Dataset
        Dims ``line, y, x``: `net_counts`, `net_counts_err`, `net_counts_ul`,
        `decision_threshold`, `detection_limit` [counts]; dims ``y, x``: `live_time` [s],
        `total_counts` [counts], `deviance_per_dof`, `fit_ok`. Pixels without a single
        count are NaN and not `fit_ok`.

    Notes
    -----
    Thresholds and limits follow ISO 11929 with 5 % risks, intervals Feldman and Cousins,
    see :mod:`xrfmap.limits`. `net_counts` are those of the maximum of the likelihood with
    the bound at zero taken back (a family held at zero shifts the overlapping ones by up to
    0.4 of its own error), set to zero where they would be negative: sum spectra over an
    area rather than maps where an element is faint. `net_counts_err` holds counting
    statistics, the correlation with overlapping families, and what varying line ratios of
    strong neighbours may feign.
    """
    ny, nx, _ = scan["counts"].shape
    plan = MapDesign.of(found, pixels=ny * nx, ratio_spread=ratio_spread)
    lines, done = len(plan.lines), 0
    fields = {name: np.full((lines, ny, nx), np.nan, np.float32) for name in PIXEL_FIELDS}
    plane: dict[str, npt.NDArray[Any]] = {
        "total_counts": np.zeros((ny, nx), np.float64),
        "deviance_per_dof": np.full((ny, nx), np.nan, np.float32),
        "fit_ok": np.zeros((ny, nx), np.bool_),
    }
    for rows, cols, block in _ahead(iter_blocks(scan["counts"])):
        shape = block.shape[:2]
        flat = block.reshape(-1, block.shape[2])
        result = fit_counts(flat, plan.design, plan.typical)
        values = pixel_values(result, plan)
        total = flat.sum(axis=1, dtype=np.float64)
        dead = total == 0
        for name, value in values.items():
            value[dead] = np.nan
            fields[name][:, rows, cols] = value.T.reshape(lines, *shape)
        dof = max(len(plan.typical) - len(plan.design.labels), 1)
        deviance = np.where(dead, np.nan, result.deviance / dof)
        plane["total_counts"][rows, cols] = total.reshape(shape)
        plane["deviance_per_dof"][rows, cols] = deviance.reshape(shape)
        plane["fit_ok"][rows, cols] = (result.converged & ~dead).reshape(shape)
        done += len(flat)
        if progress is not None:
            progress(done, ny * nx)
    return _dataset(scan, found, plan, fields, plane)


def pixel_values(result: FitResult, plan: MapDesign) -> dict[str, Single]:
    """Turn a fit into the per-pixel fields, in counts, each (pixels, lines)."""
    n = len(plan.lines)
    amplitude = result.amplitude[:, :n]
    variance = result.variance[:, :n]
    null = result.null_variance[:, :n]
    slope = limits.variance_slope(amplitude, variance, null)
    feigned = (amplitude**2) @ (plan.leakage**2).T
    total_null = null + feigned
    # what neighbours feign is not skewed: only the counting part is
    skewness = result.null_skewness[:, :n] * (null / total_null) ** 1.5
    estimate = result.unbounded[:, :n]
    _, high = limits.interval(estimate, total_null, slope)
    values = {
        "net_counts": np.maximum(estimate, 0.0),
        "net_counts_err": np.sqrt(variance + feigned),
        "net_counts_ul": high,
        "decision_threshold": limits.decision_threshold(total_null, skewness),
        "detection_limit": limits.detection_limit(
            total_null, np.maximum(result.null_slope[:, :n], 1.0), skewness
        ),
    }
    return {name: np.array(value, dtype=np.float32) for name, value in values.items()}


def _ahead(
    blocks: Iterator[tuple[slice, slice, npt.NDArray[np.generic]]],
) -> Iterator[tuple[slice, slice, npt.NDArray[np.generic]]]:
    """Read the next block while the present one is worked on."""
    with ThreadPoolExecutor(1) as reader:
        coming = reader.submit(next, blocks, None)
        while (block := coming.result()) is not None:
            coming = reader.submit(next, blocks, None)
            yield block


def _dataset(
    scan: xr.Dataset,
    found: Found,
    plan: MapDesign,
    fields: dict[str, Single],
    plane: dict[str, npt.NDArray[Any]],
) -> xr.Dataset:
    units = {"deviance_per_dof": "1", "fit_ok": "1"}
    data = {n: (("line", "y", "x"), v, {"units": "counts"}) for n, v in fields.items()}
    data |= {n: (("y", "x"), v, {"units": units.get(n, "counts")}) for n, v in plane.items()}  # type: ignore[misc]
    maps = xr.Dataset(data, coords={"line": list(plan.lines), "y": scan["y"], "x": scan["x"]})
    maps["live_time"] = scan["live_time"]
    scale = found.model.scale
    channels = np.arange(found.model.channels)
    maps = maps.assign_coords(energy=("energy", scale.energy(channels), {"units": "keV"}))
    maps.attrs = {k: v for k, v in scan.attrs.items() if k != "storage"}
    maps.attrs |= scale.to_attrs()
    maps.attrs |= {
        "interval": "Feldman-Cousins 95 %, see net_counts_ul",
        "decision_threshold_risk": limits.RISK,
        "components": list(plan.design.labels),
    }
    return maps


def summed_spectra(found: Found) -> xr.Dataset:
    """Sum spectrum with its fit, for the ``spectrum`` group of ``maps.nc``.

    Returns
    -------
    Dataset
        Dims ``channel`` and ``component``: `sum_counts`, `max_pixel_counts`, `model`,
        `component_counts`, `model_error` (relative); coordinate `energy` [keV].
    """
    model, fit = found.model, found.fit
    matrix = model.matrix() * fit.amplitude
    pieces = len(model.knots)
    columns = np.column_stack([matrix[:, :-pieces], matrix[:, -pieces:].sum(axis=1)])
    labels = [*model.labels[:-pieces], "continuum"]
    first, last = int(fit.edges[0]), int(fit.edges[-1])
    inside = np.zeros(model.channels, dtype=bool)
    inside[first:last] = True
    error = np.full(model.channels, np.nan)
    error[first:last] = np.repeat(fit.model_error, np.diff(fit.edges))
    units = {"units": "counts"}
    data = {
        "sum_counts": ("channel", found.sum_counts, units),
        "model": ("channel", np.where(inside, columns.sum(axis=1), np.nan), units),
        "component_counts": (
            ("component", "channel"), np.where(inside[:, None], columns, np.nan).T, units,
        ),
        "model_error": ("channel", error, {"units": "1"}),
    }  # fmt: skip
    if found.summary is not None:
        data["max_pixel_counts"] = ("channel", found.summary.max_counts, units)
    energy = model.scale.energy(np.arange(model.channels))
    return xr.Dataset(
        data, coords={"component": labels, "energy": ("channel", energy, {"units": "keV"})}
    )


@dataclass(frozen=True, eq=False)
class SpectrumFit:
    """Fit of one spectrum: a point, or the sum over an area.

    Attributes
    ----------
    table : Dataset
        Dim ``line``: the fields of the maps. [counts]
    elements : tuple of ElementFinding
        Verdict per element.
    spectra : Dataset
        As from :func:`summed_spectra`.
    found : Found
        Everything else.
    """

    table: xr.Dataset
    elements: tuple[ElementFinding, ...]
    spectra: xr.Dataset
    found: Found


def fit_spectrum(
    spectrum: xr.Dataset,
    *,
    elements: Sequence[str] | None = None,
    like: Found | None = None,
    energy_range: tuple[float, float] | None = None,
) -> SpectrumFit:
    """Fit one spectrum and say which elements it shows.

    Parameters
    ----------
    spectrum : Dataset
        ``counts(channel)``; calibrated, unless `like` gives the energy scale.
    elements : sequence of str, optional
        Elements to take as given; found from the spectrum by default.
    like : Found, optional
        Result on the scan that the spectrum was cut from: its energy scale, peak shape
        and elements are the start.
    energy_range : tuple of float, optional
        Fitted range [keV] where `like` is not given, which brings its own.

    Returns
    -------
    SpectrumFit
        Net counts with errors and limits for every family in the range.
    """
    if like is None:
        found = elements_of_sum(spectrum, elements, energy_range=energy_range)
    else:
        counts = np.asarray(spectrum["counts"], dtype=np.float64)
        found = identify_part(counts, like, elements=elements)
    return SpectrumFit(_table(found, spectrum), found.elements, summed_spectra(found), found)


def _table(found: Found, spectrum: xr.Dataset) -> xr.Dataset:
    """Net counts, errors and limits of every family in a fitted model."""
    judge = Judge(Refined(found.model, found.fit, found.parameters, found.slopes, found.spreads))
    emitters = [e for e in found.model.emitters if e.kind == "element"]
    rows = []
    for emitter in emitters:
        mine = judge.judge(emitter.label, judge.column_of(found.model.column(emitter)))
        variance = mine.error**2
        net = max(mine.net, 0.0)
        # the family's own counts are part of the variance; without it less remains
        null = max(variance - net, 0.25 * variance)
        high = limits.interval(mine.net, null, 1.0)[1]
        rows.append(
            (net, mine.error, float(high), float(limits.decision_threshold(null)),
             float(limits.detection_limit(null)))
        )  # fmt: skip
    values = np.array(rows, dtype=np.float64).reshape(len(emitters), len(PIXEL_FIELDS))
    table = xr.Dataset(
        {n: ("line", values[:, k], {"units": "counts"}) for k, n in enumerate(PIXEL_FIELDS)},
        coords={"line": [e.label for e in emitters]},
    )
    table["live_time"] = spectrum["live_time"] if "live_time" in spectrum else np.nan
    table["total_counts"] = float(found.sum_counts.sum())
    table.attrs = found.model.scale.to_attrs()
    return table
