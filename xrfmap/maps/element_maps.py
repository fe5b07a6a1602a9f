"""Element maps: every pixel of a scan fitted with the model found on its sum.

Per pixel and line family: net counts by Poisson maximum likelihood, standard error,
95 % upper limit, decision threshold and detection limit.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.findings import ElementFinding
from xrfmap.fit import limits
from xrfmap.fit.full_channels import FullFacts, cut_design, full_bins
from xrfmap.fit.map_design import RATIO_SPREAD, MapDesign, row_designs
from xrfmap.fit.pixels import FitResult, fit_counts
from xrfmap.identification.identify import Found, elements_of_sum, identify_part
from xrfmap.identification.may_be_there import may_be_there, with_may_be
from xrfmap.io.blocks import Block, Box, Here, Runner, as_it_is, boxes_of, stretches
from xrfmap.maps.candidate_scores import CandidateScores
from xrfmap.maps.shared_errors import BESIDE, shared_errors
from xrfmap.running.one_thread import in_one_thread
from xrfmap.running.threads import share_out
from xrfmap.spectra.faults import (
    EMPTY,
    FITTED,
    FULL,
    MASKED,
    STATES,
    UNSETTLED,
    full_count,
    pixel_states,
)
from xrfmap.spectra.flicker import beam_of
from xrfmap.spectra.left_out import TRUSTED_SHARE, FullChannels
from xrfmap.spectra.refine import Refined
from xrfmap.spectra.residuals import residual_attrs
from xrfmap.spectra.score_test import Judge

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
PLANES = ("total_counts", "deviance_per_dof", "fit_ok", "pixel_state", "scatter_counts")
SCORES = "scores"
_A_PART = 256  # pixels whose limits are worth a thread


def map_elements(
    scan: xr.Dataset,
    found: Found,
    *,
    ratio_spread: float = RATIO_SPREAD,
    progress: Callable[[int, int], None] | None = None,
    runner: Runner | None = None,
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
    runner : Runner, optional
        Who computes: this process by default, or a cluster (:mod:`xrfmap.maps.many_machines`).

    Returns
    -------
    Dataset
        Dims ``line, y, x``: `net_counts`, `net_counts_err`, `net_counts_ul`,
        `decision_threshold`, `detection_limit` [counts]; dims ``y, x``: `live_time` [s],
        `total_counts` [counts], `deviance_per_dof`, `fit_ok`, `pixel_state` (index into
        :data:`xrfmap.spectra.faults.STATES`), `scatter_counts` (lines of the anode) [counts], and
        `beam` where its strength changed, see :mod:`xrfmap.spectra.flicker`; `gain_factor(y)` and
        `zero_shift(y)` [keV] where the gain drifted; tables of what all pixels of an area may be
        wrong about alike, see :func:`xrfmap.maps.shared_errors.shared_errors`. Pixels without a
        single count, those that break off against their neighbours and rows written twice are
        NaN and not `fit_ok`.

    Notes
    -----
    Thresholds and limits follow ISO 11929 with 5 % risks, intervals Feldman and Cousins,
    see :mod:`xrfmap.fit.limits`. `net_counts` are those of the maximum of the likelihood with
    the bound at zero taken back (a family held at zero shifts the overlapping ones by up to
    0.4 of its own error), set to zero where they would be negative: sum spectra over an
    area rather than maps where an element is faint. `net_counts_err` holds counting
    statistics, the correlation with overlapping families, what varying line ratios of
    strong neighbours may feign, and the share that an element may have which the sum neither
    shows nor rules out.

    All maps are held in memory: 20 bytes for each pixel and line family. For scans of
    many million pixels use :func:`xrfmap.maps.map_file.map_to_file`.
    """
    ny, nx, _ = scan["counts"].shape
    work = block_fit(scan, found, ratio_spread)
    plan = work.designs[0]
    lines, done = len(plan.lines), 0
    fields = {name: np.full((lines, ny, nx), np.nan, np.float32) for name in PIXEL_FIELDS}
    plane = empty_planes(ny, nx)
    boxes = boxes_of(scan["counts"])
    run = (runner or Here()).run
    for number, part in run(scan["counts"], boxes, work, as_it_is, in_order=False):
        rows, cols = boxes[number]
        for name in PIXEL_FIELDS:
            fields[name][:, rows, cols] = part[name]
        for name in PLANES:
            plane[name][rows, cols] = part[name]
        done += part["fit_ok"].size
        if progress is not None:
            progress(done, ny * nx)
    data = {n: (("line", "y", "x"), v, {"units": "counts"}) for n, v in fields.items()}
    return map_frame(scan, found, plan, plane).assign(data)


def block_fit(scan: xr.Dataset, found: Found, ratio_spread: float = RATIO_SPREAD) -> BlockFit:
    """Prepare what is done with each block of a scan; see :func:`map_elements`."""
    ny, nx, _ = scan["counts"].shape
    designs, group = row_designs(found, pixels=ny * nx, ratio_spread=ratio_spread)
    return BlockFit(designs, group, faults_of(scan, found))


@dataclass(frozen=True, eq=False)
class BlockFit:
    """Fit of the pixels of a block; can be sent to another process.

    Parameters
    ----------
    designs : list of MapDesign
        Designs of the scan, all with the same lines and components.
    group : ndarray of int, shape (y,), optional
        Design of each row of the scan; the first by default.
    faults : ScanFaults, optional
        Pixels that get no value, and channels that ran full.
    scores : CandidateScores, optional
        What else is asked of the fitted pixels.
    """

    designs: list[MapDesign]
    group: npt.NDArray[np.intp] | None = None
    faults: ScanFaults | None = None
    scores: CandidateScores | None = None

    def __call__(self, block: Block, box: Box) -> dict[str, npt.NDArray[Any]]:
        """Fit counts of shape (rows, columns, channel): `PIXEL_FIELDS`, `PLANES`, `SCORES`."""
        state = np.zeros(block.shape[:2], np.uint8)
        if self.faults is not None:
            state = self.faults.state[box].copy()
        parts = [
            self._fit(block[rows], k, state[rows]) for rows, k in stretches(self.group, box[0])
        ]
        return {name: np.concatenate([p[name] for p in parts], axis=-2) for name in parts[0]}

    def _fit(
        self, block: Block, design: int, state: npt.NDArray[np.uint8]
    ) -> dict[str, npt.NDArray[Any]]:
        shape, plan = block.shape[:2], self.designs[design]
        flat = block.reshape(-1, block.shape[2])
        result = fit_counts(flat, plan.design, plan.typical)
        total = flat.sum(axis=1, dtype=np.float64)
        told = state.reshape(-1)
        told[total == 0] = EMPTY
        dead = np.isin(told, MASKED)
        told[~dead & ~result.converged] = UNSETTLED
        dof = max(len(plan.typical) - len(plan.design.labels), 1)
        deviance = np.asarray(result.deviance / dof, np.float64)
        values = pixel_values(result, plan)
        if self.faults is not None and self.faults.full is not None:
            full = np.flatnonzero(np.greater_equal(flat, self.faults.full).any(axis=1) & ~dead)
            if len(full):
                self._without_full(flat[full], plan, full, values, deviance)
                told[full] = FULL
        fields: dict[str, npt.NDArray[Any]] = {}
        for name, value in values.items():
            value[dead] = np.nan
            fields[name] = np.ascontiguousarray(value.T).reshape(len(plan.lines), *shape)
        fields["total_counts"] = total.reshape(shape)
        fields["deviance_per_dof"] = (
            np.where(dead, np.nan, deviance).reshape(shape).astype(np.float32)
        )
        fields["fit_ok"] = np.isin(told, (FITTED, FULL)).reshape(shape)
        fields["pixel_state"] = told.reshape(shape)
        scattered = [("Compton" in x) or ("Rayleigh" in x) for x in plan.design.labels]
        fields["scatter_counts"] = result.amplitude[:, scattered].sum(axis=1).reshape(shape)
        if self.scores is not None:
            fields[SCORES] = self.scores(flat, result.amplitude, design).reshape(-1, *shape)
        return fields

    def _without_full(
        self,
        flat: Block,
        plan: MapDesign,
        full: npt.NDArray[np.intp],
        values: dict[str, Single],
        deviance: Array,
    ) -> None:
        """Put in the values of pixels with full channels, fitted without those channels."""
        if self.faults is None or self.faults.full is None:
            return
        gone = full_bins(self.faults.largest, self.faults.full, plan.design.edges)
        cut, lines = cut_design(plan, gone)
        result = fit_counts(plan.design.merge(flat)[:, ~gone], cut.design, cut.typical)
        for name, value in pixel_values(result, cut).items():
            values[name][full] = np.nan
            values[name][np.ix_(full, lines)] = value
        deviance[full] = result.deviance / max(len(cut.typical) - len(cut.design.labels), 1)


@dataclass(frozen=True, eq=False)
class ScanFaults:
    """Faults of a scan that are known before its pixels are fitted.

    Attributes
    ----------
    state : ndarray of uint8, shape (y, x)
        See :func:`xrfmap.spectra.faults.pixel_states`.
    full : float or None
        Count at which channels ran full. [counts]
    largest : ndarray, shape (channels,)
        Largest count of any pixel. [counts]
    """

    state: npt.NDArray[np.uint8]
    full: float | None
    largest: Array


def faults_of(scan: xr.Dataset, found: Found) -> ScanFaults | None:
    """Faults told by the sums of a scan; None where they are not at hand."""
    summary = found.summary
    if summary is None or summary.total.shape != scan["counts"].shape[:2]:
        return None
    full = full_count(scan["counts"].dtype, summary.max_counts)
    return ScanFaults(pixel_states(summary.total), full, summary.max_counts)


def empty_planes(ny: int, nx: int) -> dict[str, npt.NDArray[Any]]:
    """`PLANES` of a scan of which nothing has been fitted."""
    return {
        "total_counts": np.zeros((ny, nx), np.float64),
        "deviance_per_dof": np.full((ny, nx), np.nan, np.float32),
        "fit_ok": np.zeros((ny, nx), np.bool_),
        "pixel_state": np.zeros((ny, nx), np.uint8),
        "scatter_counts": np.zeros((ny, nx), np.float32),
    }


def pixel_values(result: FitResult, plan: MapDesign) -> dict[str, Single]:
    """Turn a fit into the per-pixel fields, in counts, each (pixels, lines)."""
    from xrfmap.fit._pixel_limits import pixel_limits

    n = len(plan.lines)
    amplitude = result.amplitude[:, :n]
    leakage = np.ascontiguousarray((plan.leakage**2).T)
    out = np.empty((len(PIXEL_FIELDS), len(amplitude), n), np.float32)
    parts = (result.variance, result.null_variance, result.null_skewness, result.null_slope)
    given = (
        result.unbounded[:, :n], amplitude, *(part[:, :n] for part in parts), plan.spread, leakage,
        *limits.quantiles(), *limits.unified_upper(), out,
    )  # fmt: skip
    pixels = len(amplitude)

    def fill(part: int, of: int) -> None:
        pixel_limits(*given, pixels * part // of, pixels * (part + 1) // of)

    share_out(fill, -(-pixels // _A_PART))
    return dict(zip(PIXEL_FIELDS, out, strict=True))


def map_frame(
    scan: xr.Dataset, found: Found, plan: MapDesign, plane: dict[str, npt.NDArray[Any]]
) -> xr.Dataset:
    """All of the maps but the fields of each line: coordinates, attributes, `PLANES`."""
    units = {"deviance_per_dof": "1", "fit_ok": "1", "pixel_state": "1"}
    data = {n: (("y", "x"), v, {"units": units.get(n, "counts")}) for n, v in plane.items()}
    maps = xr.Dataset(data, coords={"line": list(plan.lines), "y": scan["y"], "x": scan["x"]})
    maps["live_time"] = scan["live_time"]
    maps["pixel_state"].attrs |= {
        "flag_values": np.arange(len(STATES), dtype=np.uint8),
        "flag_meanings": " ".join(words.replace(",", "").replace(" ", "_") for words in STATES),
    }
    beam = beam_of(scan, np.where(plane["fit_ok"], plane["scatter_counts"], np.nan),
                   plane["total_counts"])  # fmt: skip
    if beam is not None:
        maps["beam"] = beam
    for name in ("gain_factor", "zero_shift"):
        if name in scan:
            maps[name] = scan[name].variable
    if plan.lines:
        faults = faults_of(scan, found)
        full = None if faults is None else faults.full
        maps = maps.assign(shared_errors(found, plan, maps["fit_ok"].size, full))
        maps = maps.assign_coords({BESIDE: list(plan.lines)})
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
        `component_counts`, `model_error` (relative); coordinate `energy` [keV]. Where
        channels ran full also `left_out`: 1 in channels that the fit did not look at, where
        `model` is what it expects.
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
    if not fit.used.all():
        unused = np.zeros(model.channels, dtype=np.int8)
        unused[first:last] = np.repeat(~fit.used, np.diff(fit.edges))
        data["left_out"] = ("channel", unused, {"units": "1"})
    if found.summary is not None:
        data["max_pixel_counts"] = ("channel", found.summary.max_counts, units)
    energy = model.scale.energy(np.arange(model.channels))
    return xr.Dataset(
        data,
        coords={"component": labels, "energy": ("channel", energy, {"units": "keV"})},
        attrs=residual_attrs(model, fit),
    )


@dataclass(frozen=True, eq=False)
class SpectrumFit:
    """Fit of one spectrum: a point, or the sum over an area.

    Attributes
    ----------
    table : Dataset
        Dim ``line``: the fields of the maps [counts]; NaN for a family of which less than
        :data:`xrfmap.spectra.left_out.TRUSTED_SHARE` lies outside channels that ran full. Attribute
        ``full_channels``: which channels were left out for that and what rests on the others,
        in words; empty where none ran full. ``full_facts``: the same as JSON, see
        :class:`xrfmap.fit.full_channels.FullFacts`.
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


@in_one_thread
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
        ``counts(channel)``; calibrated, unless `like` gives the energy scale. Its
        ``row_counts(y)`` and ``scale_counts(scale, channel)`` [counts] tell where a part of a
        scan whose gain drifted comes from, see :func:`xrfmap.areas.members.sum_areas`.
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
        rows, scales = (
            spectrum[name].values if name in spectrum else None
            for name in ("row_counts", "scale_counts")
        )
        found = identify_part(
            counts, like, elements=elements, row_counts=rows, scale_counts=scales,
            full=FullChannels.of(spectrum),
        )  # fmt: skip
    table = _table(found, spectrum)
    full = FullFacts.of(spectrum, found)
    table.attrs["full_channels"] = "" if full is None else full.words()
    table.attrs["full_facts"] = "" if full is None else json.dumps(asdict(full))
    return SpectrumFit(table, found.elements, summed_spectra(found), found)


def _table(found: Found, spectrum: xr.Dataset) -> xr.Dataset:
    """Net counts, errors and limits of every family in a fitted model."""
    refined = Refined(found.model, found.fit, found.parameters, found.slopes, found.spreads)
    others = may_be_there(found)
    judge = Judge(with_may_be(refined, others))
    emitters = [e for e in found.model.emitters if e.kind == "element"]
    rows = []
    for emitter in emitters:
        column = judge.column_of(found.model.column(emitter))
        if found.fit.share_left(column) < TRUSTED_SHARE:
            rows.append((np.nan,) * len(PIXEL_FIELDS))
            continue
        mine = judge.judge(emitter.label, column)
        null, high = limits.of_spectrum(mine.net, mine.error, mine.stated)
        rows.append(
            (max(mine.net, 0.0), mine.stated, high, float(limits.decision_threshold(null)),
             float(limits.detection_limit(null)))
        )  # fmt: skip
    values = np.array(rows, dtype=np.float64).reshape(len(emitters), len(PIXEL_FIELDS))
    table = xr.Dataset(
        {n: ("line", values[:, k], {"units": "counts"}) for k, n in enumerate(PIXEL_FIELDS)},
        coords={"line": [e.label for e in emitters]},
    )
    table["live_time"] = spectrum["live_time"] if "live_time" in spectrum else np.nan
    table["total_counts"] = float(found.sum_counts.sum())
    table.attrs = found.model.scale.to_attrs() | residual_attrs(found.model, found.fit)
    return table
