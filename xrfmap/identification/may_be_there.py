"""Elements that no test has found and that may yet be there: what others may owe to them.

A family outside the model gives its counts to those that lie beside it. The test of its element
says how many counts it can have at most. In sums and points it is therefore fitted along within
that limit; of maps, whose pixels could not tell it from its neighbours, the error grows by the
share that it may have in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from xrfmap.findings import ElementFinding
from xrfmap.identification.element_tests import COMMON
from xrfmap.spectra.emitters import Emitter, family_emitter, usable_families
from xrfmap.spectra.refine import Refined
from xrfmap.spectra.sum_fit import SumFit, merge
from xrfmap.spectra.templates import SpectrumModel

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = ["MayBe", "may_be_there", "owed", "with_may_be", "with_owed"]

Array = npt.NDArray[np.float64]

Z_NAMED = 2.0
"""Standard errors from which an element that is not among the common ones is thought of."""

Z_SURE = 3.0
"""Standard errors from which a family has enough counts for that to be said."""

NOTED_SHARE = 0.05
"""Share of a family that another element may have from which that is said."""


class MayBe(NamedTuple):
    """A family outside the model."""

    emitter: Emitter
    limit: float  # 95 % limit of its counts
    spread: float  # root mean square of what it may have: estimate, if positive, and error
    seen: bool  # with more than `Z_NAMED` standard errors


def may_be_there(
    elements: Sequence[ElementFinding], model: SpectrumModel, anode: str | None
) -> list[MayBe]:
    """Families that the tests of their elements leave room for.

    Parameters
    ----------
    elements : sequence of ElementFinding
        Every element tested.
    model : SpectrumModel
        The families in it are left out here.
    anode : str or None
        Anode, where the instrument does not name it.

    Returns
    -------
    list of MayBe
        Of each common element, and of others seen with more than :data:`Z_NAMED` standard
        errors or not separable. A family has at most the limit of the one that was tested, times
        the ratio of their strengths from a thin layer: soft lines may be lost on the way out,
        hard ones may not.
    """
    inside = {e.element for e in model.emitters if e.kind == "element"}
    found = []
    for told in elements:
        numbers = [told.evidence.get(n) for n in ("net_counts", "net_counts_err", "upper_limit")]
        net, error, limit = (n if isinstance(n, int | float) else np.nan for n in numbers)
        if told.symbol in inside or not told.lines or not np.isfinite([net, error, limit]).all():
            continue
        doubt = told.verdict == "not separable" or net > Z_NAMED * error
        if told.symbol not in COMMON and not doubt:
            continue
        names = usable_families(told.symbol, model.instrument, model.energy_range)
        options = [family_emitter(told.symbol, f, model.instrument, anode) for f in names]
        known = [e for e in options if e is not None]
        strength = {e.label: e.strength for e in known}
        for emitter in known if told.lines[0] in strength else ():
            ratio = emitter.strength / strength[told.lines[0]]
            spread = float(np.hypot(max(net, 0.0), error))
            found.append(MayBe(emitter, ratio * limit, ratio * spread, net > Z_NAMED * error))
    return found


def with_may_be(refined: Refined, others: Sequence[MayBe]) -> Refined:
    """Fit families along, each with a spread of its limit about nothing.

    Like an uncertain shape: what the counts say of them is used, and the rest is in the errors.
    """
    if not others:
        return refined
    fit, model = refined.fit, refined.model
    columns = [merge(model.column(o.emitter), fit.edges) for o in others]
    slopes = np.hstack([refined.slopes, np.column_stack(columns)])
    spreads = np.append(refined.spreads, [max(o.limit, 1.0) for o in others])
    return replace(refined, slopes=slopes, spreads=spreads)


def owed(matrix: Array, typical: Array, net: Array, columns: Array, counts: Array) -> Array:
    """Share of each family that families outside the model may have, shape (lines, others).

    Parameters
    ----------
    matrix : ndarray, shape (bins, components)
        Design, the lines first.
    typical : ndarray, shape (bins,)
        Expected counts per bin of the mean pixel. [counts]
    net : ndarray, shape (lines,)
        Mean counts of each line. [counts]
    columns : ndarray, shape (bins, others)
        Shapes of the others.
    counts : ndarray, shape (others,)
        What they may have in the mean pixel. [counts]

    Returns
    -------
    ndarray
        As if all their counts lay where the family itself lies: sulfur of vermilion is a faint
        trace of a scan with lead white, yet a fifth of mercury M. The effect on the family is
        the larger one of those at the mean spectrum and at one of the family by itself. At most
        one.
    """
    lines = len(net)
    share = np.zeros((lines, columns.shape[1]))
    others = np.clip(typical - matrix[:, :lines] @ net, 0.02 * typical, None)
    for k in range(lines):
        if net[k] <= 0:
            continue
        for spectrum in (typical, others + net[k] * matrix[:, k]):
            weighted = matrix / np.maximum(spectrum, 1e-3 * spectrum.mean())[:, None]
            info = weighted.T @ matrix
            info[np.diag_indices_from(info)] *= 1 + 1e-9
            gained = np.abs(np.linalg.solve(info, weighted.T @ columns)[k]) * counts
            share[k] = np.maximum(share[k], gained / net[k])
    return np.minimum(share, 1.0)


def with_owed(found: Found) -> Found:
    """Say in the findings which share of a family an element that was not found may have."""
    fit, model = found.fit, found.model
    others = may_be_there(found.elements, model, found.anode)
    lines = [k for k, e in enumerate(model.emitters) if e.kind == "element"]
    if not others or not lines:
        return found
    share = _of_sum(fit, model, lines, others)
    told = {line for e in found.elements if e.verdict == "present" for line in e.lines}
    sure = [fit.net(model.emitters[k].label) for k in lines]
    share[[net < Z_SURE * error for net, error in sure]] = 0.0  # a share of next to nothing
    said: dict[str, list[str]] = {}
    for j, other in enumerate(others):
        for i in np.flatnonzero(share[:, j] >= NOTED_SHARE):
            label = model.emitters[lines[i]].label
            if label not in told:
                continue
            said.setdefault(other.emitter.element, []).append(
                f"up to {100 * share[i, j]:.0f} % of {label} may be {other.emitter.label}"
            )
    elements = tuple(
        e.model_copy(update={"because": "; ".join([e.because, *said[e.symbol]])})
        if e.symbol in said else e
        for e in found.elements
    )  # fmt: skip
    return replace(found, elements=elements)


def _of_sum(
    fit: SumFit, model: SpectrumModel, lines: Sequence[int], others: Sequence[MayBe]
) -> Array:
    """Shares by the 95 % limits in a fitted sum, shape (lines, others)."""
    rest = [k for k in range(len(fit.labels)) if k not in set(lines)]
    used = fit.used
    matrix = fit.matrix[used][:, [*lines, *rest]]
    columns = np.column_stack([merge(model.column(o.emitter), fit.edges) for o in others])
    limit = np.array([o.limit for o in others])
    return owed(matrix, fit.fitted[used], fit.amplitude[list(lines)], columns[used], limit)
