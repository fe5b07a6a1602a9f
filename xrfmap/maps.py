"""Element maps: every pixel of a scan fitted with the model found on its sum.

Per pixel and line family: net counts by Poisson maximum likelihood, standard error,
95 % upper limit, decision threshold and detection limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap import limits
from xrfmap.evidence import Judge
from xrfmap.findings import ElementFinding
from xrfmap.fit import Design, FitResult, fit_counts
from xrfmap.identify import Found, base_model, find_elements, identify
from xrfmap.io.lazy import iter_blocks
from xrfmap.lineshape import EnergyScale
from xrfmap.refine import Refined, merge
from xrfmap.scan import instrument_of
from xrfmap.templates import SpectrumModel, continuum_knots, merge_edges

__all__ = ["MapDesign", "SpectrumFit", "fit_spectrum", "map_elements", "summed_spectra"]

Array = npt.NDArray[np.float64]
Single = npt.NDArray[np.float32]

MAP_PIECES = 9
"""Pieces of the continuum per pixel; its fine shape is taken from the sum spectrum."""

RATIO_SPREAD = 0.5
"""Spread of the optical depth in front of a family from pixel to pixel.

Half an optical depth is about 5 um of lead white before iron. It limits how far a
weak family may be believed beside a strong one whose line ratio may vary.
"""

PIXEL_FIELDS = (
    "net_counts",
    "net_counts_err",
    "net_counts_ul",
    "decision_threshold",
    "detection_limit",
)


@dataclass(frozen=True, eq=False)
class MapDesign:
    """Design for the pixels of a scan, with what varying line ratios do to it.

    Attributes
    ----------
    design : Design
        Columns: families, scatter, pile-up, continuum.
    lines : tuple of str
        Labels of the families, the first columns of the design.
    typical : ndarray, shape (bins,)
        Expected counts per bin in the mean pixel. [counts]
    deviations : ndarray, shape (bins, lines)
        Change of each family's column when its cover grows by :data:`RATIO_SPREAD`.
    """

    design: Design
    lines: tuple[str, ...]
    typical: Array
    deviations: Array

    @cached_property
    def leakage(self) -> Array:
        """Counts of each family mistaken for each other one, shape (lines, lines).

        Entry (i, j): net counts that family i seems to gain per net count of family j when
        the line ratio of j is off by one standard deviation, at the typical spectrum.
        """
        matrix = self.design.matrix
        weight = 1 / np.maximum(self.typical, 1e-3 * self.typical.mean())
        info = (matrix * weight[:, None]).T @ matrix
        info[np.diag_indices_from(info)] *= 1 + 1e-9
        effect = np.linalg.solve(info, (matrix * weight[:, None]).T @ self.deviations)
        leak = effect[: len(self.lines)]
        leak[np.diag_indices_from(leak)] = 0.0  # of its own ratio a family gains nothing new
        return np.asarray(leak)

    @classmethod
    def of(cls, found: Found, *, pixels: int, ratio_spread: float = RATIO_SPREAD) -> MapDesign:
        """Design from the elements found on the sum spectrum.

        Parameters
        ----------
        found : Found
            Elements and refined shapes.
        pixels : int
            Pixels in the sum, for the typical spectrum.
        ratio_spread : float
            See :data:`RATIO_SPREAD`; 0 where line ratios are known not to vary.
        """
        present = set(found.present)
        wanted = {
            line for e in found.elements if e.verdict == "present" for line in e.lines
        }
        model = found.model
        elements = [
            e for e in model.emitters
            if e.kind == "element" and e.element in present and e.label in wanted
        ]  # fmt: skip
        others = [e for e in model.emitters if e.kind != "element"]
        model = replace(
            model,
            emitters=(*elements, *others),
            knots=continuum_knots(model.energy_range, MAP_PIECES),
            carrier=_carrier(found),
            absorbers={},  # their edges are in the carrier already
        )
        edges = merge_edges(model.scale, model.energy_range, model.channels)
        matrix = merge(model.matrix(), edges)
        keep = matrix.sum(axis=0) > 0
        labels = tuple(name for name, k in zip(model.labels, keep, strict=True) if k)
        design = Design(np.ascontiguousarray(matrix[:, keep]), edges, labels)
        typical = merge(found.sum_counts, edges) / pixels
        lines = tuple(e.label for e in elements)
        deviations = _deviations(model, len(lines), edges, ratio_spread)
        return cls(design, lines, np.maximum(typical, 1e-6), deviations)


def _carrier(found: Found) -> Array:
    """Continuum of the sum spectrum as a shape, so that few pieces bend it per pixel."""
    model, fit = found.model, found.fit
    basis = model.continuum()
    shape = np.asarray(basis @ fit.amplitude[-basis.shape[1] :])
    top = float(shape.max())
    if top <= 0:
        return np.ones(model.channels)
    return np.asarray(np.maximum(shape / top, 1e-3))


def _deviations(
    model: SpectrumModel, lines: int, edges: npt.NDArray[np.int64], spread: float
) -> Array:
    columns = []
    for emitter in model.emitters[:lines]:
        cover = model.cover.get(emitter.label, 0.3)
        moved = replace(model, cover={**model.cover, emitter.label: cover + spread})
        columns.append(merge(moved.column(emitter) - model.column(emitter), edges))
    if not columns:
        return np.zeros((len(edges) - 1, 0))
    return np.column_stack(columns)


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
    area rather than maps where an element is faint. `net_counts_err` holds counting statistics, the correlation
    with overlapping families, and what varying line ratios of strong neighbours may feign.
    """
    ny, nx, _ = scan["counts"].shape
    plan = MapDesign.of(found, pixels=ny * nx, ratio_spread=ratio_spread)
    lines, done = len(plan.lines), 0
    fields = {name: np.full((lines, ny, nx), np.nan, np.float32) for name in PIXEL_FIELDS}
    plane = {
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
    """Turn a fit into the per-pixel fields, each of shape (pixels, lines). [counts]"""
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
        "detection_limit": limits.detection_limit(total_null, slope, skewness),
    }
    return {name: np.array(value, dtype=np.float32) for name, value in values.items()}


def _ahead(blocks: Iterator[tuple[slice, slice, npt.NDArray[np.generic]]]) -> Iterator[
    tuple[slice, slice, npt.NDArray[np.generic]]
]:
    """Read the next block while the present one is worked on."""
    end = object()
    with ThreadPoolExecutor(1) as reader:
        coming = reader.submit(next, blocks, end)
        while True:
            block = coming.result()
            if block is end:
                return
            coming = reader.submit(next, blocks, end)
            yield block


def _dataset(
    scan: xr.Dataset,
    found: Found,
    plan: MapDesign,
    fields: dict[str, Single],
    plane: dict[str, npt.NDArray[np.generic]],
) -> xr.Dataset:
    units = {"deviance_per_dof": "1", "fit_ok": "1"}
    data = {n: (("line", "y", "x"), v, {"units": "counts"}) for n, v in fields.items()}
    data |= {
        n: (("y", "x"), v, {"units": units.get(n, "counts")}) for n, v in plane.items()
    }  # type: ignore[misc]
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
        found = find_elements(spectrum, elements, energy_range=energy_range)
    else:
        counts = np.asarray(spectrum["counts"], dtype=np.float64)
        found = identify(counts, _start(counts, like), elements=elements, like=like)
    return SpectrumFit(_table(found, spectrum), found.elements, summed_spectra(found), found)


def _start(counts: Array, like: Found) -> SpectrumModel:
    """Bare model for a part of a scan, with the shapes of the whole."""
    model = like.model
    bare = base_model(
        counts, model.scale, model.instrument, anode=like.anode, energy_range=model.energy_range
    )
    return replace(
        bare,
        response=model.response,
        compton_shift=model.compton_shift,
        compton_fwhm_kev=model.compton_fwhm_kev,
        cover=model.cover,
        log_factors=model.log_factors,
    )


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

