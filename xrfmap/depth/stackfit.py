"""Thicknesses of the layers of a proposed stack, and which of several stacks fits best.

All groups of lines of an area are compared with what the stack would emit; thicknesses
that are left free are fitted, the strength of tube and geometry is one free factor. Stacks
are compared by their likelihood, with a price for each free thickness.

References
----------
.. [1] H. Akaike, "A new look at the statistical model identification", IEEE Trans. Autom.
   Control 19, 716 (1974); small samples: C. M. Hurvich and C.-L. Tsai, Biometrika 76, 297
   (1989). From memory.
.. [2] G. Schwarz, "Estimating the dimension of a model", Ann. Stat. 6, 461 (1978). From
   memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from xrfmap.depth.cover_choice import usable_groups
from xrfmap.depth.line_groups import GroupCounts
from xrfmap.depth.line_ratios import area_counts, with_elements
from xrfmap.depth.stack_problem import (
    FreeLayer,
    Problem,
    StackFit,
    StackProposal,
    total_covariance,
)
from xrfmap.identification.identify import Found
from xrfmap.numbers import signed, whole
from xrfmap.running.one_thread import in_one_thread
from xrfmap.settings import Instrument

__all__ = [
    "Comparison",
    "Deciding",
    "FreeLayer",
    "StackFit",
    "StackProposal",
    "compare_stacks",
    "fit_stack",
    "stack_counts",
    "verdict_of",
]

CLEAR = 10.0
"""Difference of the criterion at which the weaker stack has no support worth the name."""

MISFIT = 1e-3
"""Chance of the misfit below which a stack does not explain the lines, best or not."""


@dataclass(frozen=True)
class Deciding:
    """A group of lines that speaks for one stack against another.

    Attributes
    ----------
    label : str
        Group.
    gain : float
        Chi-square by which the first stack explains it better.
    counts, first, second : float
        Counts found and expected by the two stacks. [counts]
    """

    label: str
    gain: float
    counts: float
    first: float
    second: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """Proposed stacks, the best first.

    Attributes
    ----------
    fits : tuple of StackFit
        In order of `aicc`.
    deciding : tuple of tuple of Deciding
        For each fit after the first: the groups that speak most for the first.
    words : str
        What came of it, in a sentence.
    """

    fits: tuple[StackFit, ...]
    deciding: tuple[tuple[Deciding, ...], ...]
    words: str


def stack_counts(found: Found, proposals: Sequence[StackProposal]) -> GroupCounts:
    """Count the groups of lines by which proposed stacks can be judged.

    Parameters
    ----------
    found : Found
        Fit of the spectrum of an area or point.
    proposals : sequence of StackProposal
        Their elements are counted, found or not: a line that is missing speaks too.

    Returns
    -------
    GroupCounts
        n = 1. Elements of the area that no stack holds are left out of the comparison.

    Raises
    ------
    ValueError
        If no element of the stacks has lines within reach.
    """
    names = sorted(set().union(*(p.elements for p in proposals)) - {found.anode or ""})
    model = with_elements(found, names)
    usable = [g for name in names for g in usable_groups(found, name, model)]
    if not usable:
        raise ValueError("no element of the proposed stacks has lines within reach")
    return area_counts(found, list(dict.fromkeys(g.element for g in usable))).only(usable)


@in_one_thread
def fit_stack(
    counts: GroupCounts,
    proposal: StackProposal,
    instrument: Instrument,
    *,
    anode: str | None = None,
    table_error: float = 1.0,
    secondary: bool = True,
) -> StackFit:
    """Fit the free thicknesses of a proposed stack.

    Parameters
    ----------
    counts : GroupCounts
        n = 1, of all elements that matter, see :func:`stack_counts`.
    proposal : StackProposal
        Layers and materials.
    instrument : Instrument
        Tube, angles, detector.
    anode : str, optional
        Anode, where the instrument does not name it.
    table_error : float
        Factor on the errors of tabulated line strengths.
    secondary : bool
        Whether lines that excite other lines are followed.

    Returns
    -------
    StackFit
        Weighted least squares in the logarithms of the thicknesses. The covariance is
        that of the counts plus the table errors of the expected counts.

    Raises
    ------
    ValueError
        If there are fewer groups than free parameters, or nothing is emitted.
    """
    problem = Problem(counts, proposal, instrument, anode, table_error, secondary)
    best = problem.solve()
    low, high = problem.intervals(best)
    return problem.result(best, low, high)


def compare_stacks(
    counts: GroupCounts,
    proposals: Sequence[StackProposal],
    instrument: Instrument,
    *,
    anode: str | None = None,
    table_error: float = 1.0,
    secondary: bool = True,
) -> Comparison:
    """Fit several proposed stacks to the same counts and say which holds.

    Parameters
    ----------
    counts, instrument, anode, table_error, secondary
        As for :func:`fit_stack`.
    proposals : sequence of StackProposal
        At least one.

    Returns
    -------
    Comparison
        In order of Akaike's criterion for small samples.
    """
    if not proposals:
        raise ValueError("there is no stack to compare")
    options = {"anode": anode, "table_error": table_error, "secondary": secondary}
    found = [fit_stack(counts, p, instrument, **options) for p in proposals]  # type: ignore[arg-type]
    fits = tuple(sorted(found, key=lambda fit: (fit.aicc, fit.bic)))
    deciding = tuple(_deciding(counts, fits[0], other, table_error) for other in fits[1:])
    return Comparison(fits, deciding, _words(fits, deciding))


def verdict_of(
    fit: StackFit, best: StackFit
) -> tuple[Literal["best", "possible", "excluded", "cannot_tell"], str]:
    """Say whether a stack explains its place, and by which test.

    Parameters
    ----------
    fit : StackFit
        The stack.
    best : StackFit
        The best of all that were proposed for the same counts.

    Returns
    -------
    str
        ``"excluded"`` if the lines disagree with it (chance below :data:`MISFIT`) or
        Akaike's criterion is more than :data:`CLEAR` above the best one's; else
        ``"best"`` or ``"possible"``; ``"cannot_tell"`` if there are too few lines.
    str
        The reason.
    """
    if fit.freedom < 1:
        return "cannot_tell", (
            f"as many layers and factors ({fit.free}) as lines to compare: any counts would fit"
        )
    chance = float(chdtrc(fit.freedom, fit.chi2))
    fitting = f"chi-square {fit.chi2:.1f} for {fit.freedom} degrees of freedom"
    if chance < MISFIT:
        return "excluded", f"the lines disagree with it ({fitting}, chance {chance:.1g})"
    if fit is best:
        return "best", f"explains the lines best ({fitting})"
    behind = fit.aicc - best.aicc
    if behind > CLEAR:
        return "excluded", f"AICc {signed(behind)} against the best ({fitting})"
    if not np.isfinite(behind):
        return "cannot_tell", f"too few lines for AICc ({fitting})"
    return "possible", f"AICc {signed(behind)} against the best, {CLEAR:g} needed ({fitting})"


def _deciding(
    counts: GroupCounts, first: StackFit, second: StackFit, table_error: float
) -> tuple[Deciding, ...]:
    """Rank the groups by what they say for the first stack, at most five."""
    parts = []
    for fit in (first, second):
        residual = counts.net[0] - fit.expected
        covariance = total_covariance(counts, fit.expected, table_error)
        parts.append(residual * np.linalg.solve(covariance, residual))
    gain = parts[1] - parts[0]
    order = np.argsort(-gain)[:5]
    return tuple(
        Deciding(
            counts.groups[k].label, float(gain[k]), float(counts.net[0, k]),
            float(first.expected[k]), float(second.expected[k]),
        )
        for k in order if gain[k] > 0
    )  # fmt: skip


def _words(fits: Sequence[StackFit], deciding: Sequence[Sequence[Deciding]]) -> str:
    best = fits[0]
    parts = [f"best: {best.proposal.name} (chi-square {best.chi2:.1f} for {best.freedom})"]
    for other, why in zip(fits[1:], deciding, strict=True):
        behind = other.aicc - best.aicc
        strength = "excluded" if behind > CLEAR else "not excluded"
        text = f"{other.proposal.name} {strength}: AICc {signed(behind)}"
        if why:
            text += f", most by {why[0].label}"
            text += f" ({whole(why[0].counts)} counts, {whole(why[0].second)} expected)"
        parts.append(text)
    return "; ".join(parts)
