"""Fit of an area's sum spectrum, as rows of a table and curves of a figure.

Two fits follow each other. The first look takes elements and shapes of the whole scan
as they are and is there at once; the full fit tests every element on this spectrum by
itself and refines the shapes, and takes its place when it is done.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.areas.two_sums import Measure
from xrfmap.findings import ElementFinding
from xrfmap.fit import limits
from xrfmap.identification.identify import Found
from xrfmap.maps.element_maps import SpectrumFit, summed_spectra
from xrfmap.report.words import number
from xrfmap.spectra.left_out import TRUSTED_SHARE, check_left
from xrfmap.spectra.score_test import Evidence

__all__ = ["AreaFit", "FamilyRow", "first_look", "full_fit"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

Z_FIRST = 5.0
"""Standard errors at which the first look calls a family detected, as the full test does."""

FIRST = "first look: elements and shapes of the whole scan"
LOST = "no net counts: its lines lie in channels that ran full"

Z_PLAIN = 3.0
"""Below this a family of an element that is there for sure is told with reserve."""


@dataclass(frozen=True)
class FamilyRow:
    """One family of an area.

    Attributes
    ----------
    family : str
        ``"Pb L"``.
    net, err : float
        Net counts, not below zero, and standard error. [counts]
    high : float
        95 % upper limit. [counts]
    limit : float
        Detection limit; NaN where the test gave none. [counts]
    state : {"detected", "not detected", "not separable"}
        What the fit says.
    words : str
        The same in words.
    because : str
        What it rests on.
    measure : Measure
        For comparisons: not cut at zero where that is known.
    """

    family: str
    net: float
    err: float
    high: float
    limit: float
    state: str
    words: str
    because: str
    measure: Measure


@dataclass(frozen=True, eq=False)
class AreaFit:
    """Fit of one area.

    Attributes
    ----------
    rows : tuple of FamilyRow
        Families, the strongest first, then those looked for and not found.
    spectra : Dataset
        Dims channel, component: `sum_counts`, `model`, `component_counts`.
    chi2_per_dof : float
        With the model error that was granted.
    complete : bool
        False for the first look.
    """

    rows: tuple[FamilyRow, ...]
    spectra: xr.Dataset
    chi2_per_dof: float
    complete: bool

    @property
    def detected(self) -> tuple[FamilyRow, ...]:
        """Rows of families that were detected."""
        return tuple(row for row in self.rows if row.state == "detected")

    @property
    def others(self) -> tuple[FamilyRow, ...]:
        """Rows of families that were not."""
        return tuple(row for row in self.rows if row.state != "detected")

    def measures(self) -> dict[str, Measure]:
        """Net counts of every family, for comparisons."""
        return {row.family: row.measure for row in self.rows}


def first_look(counts: Array, found: Found, full: Mask | None = None) -> AreaFit:
    """Fit the elements of the whole scan to one spectrum, with the scan's own shapes.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Sum spectrum. [counts]
    found : Found
        Elements and shapes of the scan.
    full : ndarray of bool, shape (channels,), optional
        Channels in which pixels of the area ran full, left out of the fit.

    Returns
    -------
    AreaFit
        Not complete: an element that only this area holds is missing, and what shapes
        leave open is not in the errors. A family of which less than
        :data:`xrfmap.spectra.left_out.TRUSTED_SHARE` lies outside the full channels has NaN.

    Raises
    ------
    InputError
        If nearly all channels ran full.
    """
    from xrfmap.spectra.refine import Refined
    from xrfmap.spectra.score_test import Judge
    from xrfmap.spectra.sum_fit import fit_sum

    model = replace(found.model, left_out=full)
    if full is not None:
        check_left(model, full, "area")
    fit = fit_sum(np.asarray(counts, dtype=np.float64), model)
    judge = Judge(Refined(model, fit, {}, np.zeros((len(fit.counts), 0)), np.zeros(0)))
    rows = []
    for emitter in model.emitters:
        if emitter.kind != "element":
            continue
        column = judge.column_of(model.column(emitter))
        if fit.share_left(column) < TRUSTED_SHARE:
            rows.append(_lost_row(emitter.label, FIRST))
            continue
        evidence = judge.judge(emitter.label, judge.columns(emitter.label))
        rows.append(_first_row(evidence))
    mine = replace(
        found, model=model, fit=fit, sum_counts=np.asarray(counts, dtype=np.float64), summary=None
    )
    return AreaFit(_ordered(rows), summed_spectra(mine), fit.chi2_per_dof, complete=False)


def _first_row(evidence: Evidence) -> FamilyRow:
    net, err = evidence.net, evidence.stated
    null, high = limits.of_spectrum(net, evidence.error, err)
    limit = float(limits.detection_limit(null))
    seen = evidence.z > Z_FIRST
    words = _seen_words(net, err) if seen else f"not detected, fewer than {number(high)}"
    return FamilyRow(
        evidence.label, max(net, 0.0), err, high, limit,
        "detected" if seen else "not detected", words, FIRST, Measure(net, err),
    )  # fmt: skip


def _lost_row(family: str, because: str) -> FamilyRow:
    nan = float("nan")
    return FamilyRow(
        family, nan, nan, nan, nan, "not separable", LOST, because, Measure(nan, nan)
    )  # fmt: skip


def _seen_words(net: float, err: float) -> str:
    z = net / err if err > 0 else float("inf")
    if z < Z_PLAIN:
        return f"just above its threshold, {z:.1f} standard errors"
    return f"detected, {min(z, 9999):.0f} standard errors"


def full_fit(fit: SpectrumFit) -> AreaFit:
    """Rows and curves of a fit by :func:`xrfmap.fit_spectrum`."""
    findings = {finding.symbol: finding for finding in fit.elements}
    table = fit.table
    rows = []
    for index, label in enumerate(str(name) for name in table["line"].values):
        values = {str(name): float(table[name].values[index]) for name in table if table[name].ndim}
        rows.append(_fitted_row(label, values, findings))
    known = {row.family for row in rows}
    rows += [row for f in fit.elements for row in _absent_rows(f, known)]
    return AreaFit(_ordered(rows), fit.spectra, fit.found.fit.chi2_per_dof, complete=True)


def _fitted_row(
    label: str, values: Mapping[str, float], findings: Mapping[str, ElementFinding]
) -> FamilyRow:
    finding = findings.get(label.split()[0])
    net, err, high = (values[n] for n in ("net_counts", "net_counts_err", "net_counts_ul"))
    present = finding is not None and finding.verdict == "present"
    because = finding.because if finding is not None else ""
    if net != net:
        return _lost_row(label, because)
    if present and net > values["decision_threshold"]:
        state, words = "detected", _seen_words(net, err)
    elif present:
        state, words = "not detected", f"not detected, fewer than {number(high)}"
    else:
        state, words = _verdict(finding, high)
    return FamilyRow(
        label, net, err, high, values["detection_limit"], state, words, because,
        Measure(net, err),
    )  # fmt: skip


def _verdict(finding: ElementFinding | None, high: float) -> tuple[str, str]:
    rival = None if finding is None else finding.evidence.get("competitor")
    if finding is not None and finding.verdict == "not separable" and isinstance(rival, str):
        return "not separable", f"cannot be told from {rival}; fewer than {number(high)}"
    return "not detected", f"not detected, fewer than {number(high)}"


def _absent_rows(finding: ElementFinding, known: set[str]) -> Sequence[FamilyRow]:
    """Row of an element that was looked for in vain; none for the anode."""
    evidence = finding.evidence
    net, err, high = (
        evidence.get(name) for name in ("net_counts", "net_counts_err", "upper_limit")
    )
    if finding.verdict == "present" or not finding.lines or finding.lines[0] in known:
        return ()
    if not all(isinstance(value, float | int) for value in (net, err, high)):
        return ()
    numbers = [float(value) for value in (net, err, high)]  # type: ignore[arg-type]
    state, words = _verdict(finding, numbers[2])
    return (
        FamilyRow(
            finding.lines[0], max(numbers[0], 0.0), numbers[1], numbers[2], float("nan"), state,
            words, finding.because, Measure(numbers[0], numbers[1]),
        ),
    )  # fmt: skip


def _ordered(rows: Sequence[FamilyRow]) -> tuple[FamilyRow, ...]:
    seen = sorted((r for r in rows if r.state == "detected"), key=lambda r: -r.net)
    hidden = [r for r in rows if r.state == "not separable"]
    return (*seen, *hidden, *(r for r in rows if r.state == "not detected"))
