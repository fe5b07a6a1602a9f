"""At the surface or under cover: what the line ratios of an area or of blocks of pixels say.

For every element with two usable energies: how much of a named covering material its
lines speak for, with a 95 % interval; and from that whether it lies at the surface. The
same for blocks of pixels, as maps.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xrfmap.depth.cover_choice import (
    DepthSettings,
    covering,
    element_model,
    usable_groups,
)
from xrfmap.depth.cover_likelihood import Z_ORDER, Cover, estimate_cover, pair_information
from xrfmap.depth.cover_model import CoverModel
from xrfmap.depth.line_groups import GroupCounts, LineGroup
from xrfmap.depth.line_ratios import area_counts, blind_groups
from xrfmap.findings import Bound, DepthFinding, Interval, ThicknessInterval
from xrfmap.identification.identify import Found
from xrfmap.numbers import signed
from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.left_out import TRUSTED_SHARE

__all__ = ["STATES", "DepthSettings", "ElementDepth", "area_depth", "bound_of", "depth_findings"]

Array = npt.NDArray[np.float64]

_PARTS = re.compile(r" \+ ([0-9]+) ")  # "umber + 3 lead white", parts by mass
SURFACE_UM = 5.0
"""Cover thinner than this everywhere in its interval is no layer of paint.

The thinnest glazes have about 5 um (common practice, no source). The test is thus: at the
surface, when a cover of 5 um of the named material is excluded; covered, when no cover is.
"""

ENOUGH = 5.0
"""Standard errors that the second group would have if bare; fewer tell nothing."""

DISAGREE = 1e-3
"""Chance below which the lines are said to come from more than one depth."""

STATES = {"at_surface": 0, "covered": 1, "cannot_tell": 2}
"""States as numbers, for maps."""


@dataclass(frozen=True, eq=False)
class ElementDepth:
    """What one area says about the depth of one element.

    Attributes
    ----------
    finding : DepthFinding
        For ``findings.json``.
    groups : tuple of LineGroup
        Groups that were compared.
    net, error : ndarray, shape (g,)
        Their counts and standard errors. [counts]
    relative : ndarray, shape (g,)
        Counts over those of bare paint of the likeliest own layer, the group that a cover
        weakens least set to one; nan without a model.
    cover : Cover or None
        All numbers of the estimate.
    """

    finding: DepthFinding
    groups: tuple[LineGroup, ...]
    net: Array
    error: Array
    relative: Array
    cover: Cover | None


@in_one_thread
def area_depth(
    found: Found,
    area: str,
    *,
    elements: Iterable[str] | None = None,
    settings: DepthSettings | None = None,
) -> list[ElementDepth]:
    """Depth of the elements of one area or point spectrum.

    Parameters
    ----------
    found : Found
        Fit of the area's own spectrum, as in ``fit_spectrum(...).found``.
    area : str
        Name of the area, for the findings.
    elements : iterable of str, optional
        Elements to judge; those found present by default. The anode is always left out:
        its lines come to the detector by scatter.
    settings : DepthSettings, optional
        Cover, own layers, references.

    Returns
    -------
    list of ElementDepth
        One for each element with at least one usable group; "cannot tell" is among the
        answers, with its reason.
    """
    settings = settings or DepthSettings()
    wanted = found.present if elements is None else tuple(elements)
    result = []
    for element in wanted:
        groups = usable_groups(found, element) if element != found.anode else ()
        if groups:
            result.append(_element_depth(found, area, element, groups, settings))
    return result


def depth_findings(depths: Iterable[ElementDepth]) -> list[DepthFinding]:
    """Collect the findings of many elements and areas, for ``Findings.depth``."""
    return [d.finding for d in depths]


def _element_depth(
    found: Found, area: str, element: str, groups: tuple[LineGroup, ...], settings: DepthSettings
) -> ElementDepth:
    counts = area_counts(found, element).only(groups)
    blind = blind_groups(found, groups)
    reason = None
    if len(groups) < 2:
        reason = f"{element} has only {groups[0].label} within reach, and one line has no ratio"
    elif len(groups) - len(blind) < 2:
        reason = f"{_full_words(blind)}, which leaves no ratio of lines"
    elif element in covering(element, settings).mass_fractions:
        reason = f"{covering(element, settings).name} holds {element} itself"
    if reason is not None:
        return _untold(area, element, _unless(counts, blind), reason)
    groups = tuple(g for g in groups if g not in blind)
    counts = counts.only(groups)
    model = element_model(found, element, groups, settings)
    if not _tells(counts, model):
        return _untold(
            area, element, counts,
            "too few counts: even from bare paint a second group of lines would not reach "
            f"{ENOUGH:g} standard errors",
        )  # fmt: skip
    cover = estimate_cover(counts, model)
    finding = _finding(area, element, counts, model, cover)
    if blind:
        words = f"{finding.because}; {_full_words(blind)}: not compared"
        finding = finding.model_copy(update={"because": words})
    return ElementDepth(
        finding, groups, counts.net[0], _errors(counts), _against_bare(counts, model, cover), cover
    )


def _full_words(blind: Sequence[LineGroup]) -> str:
    """Say which groups ran full."""
    names = " and ".join(g.label for g in blind)
    return f"less than {100 * TRUSTED_SHARE:.0f} % of {names} lies outside channels that ran full"


def _unless(counts: GroupCounts, blind: Sequence[LineGroup]) -> GroupCounts:
    """Take the numbers from groups whose channels ran full."""
    net, covariance = counts.net.copy(), counts.covariance.copy()
    for k in [counts.groups.index(g) for g in blind]:
        net[:, k], covariance[:, k], covariance[:, :, k] = np.nan, np.nan, np.nan
    return GroupCounts(counts.groups, net, covariance)


def _errors(counts: GroupCounts) -> Array:
    return np.asarray(np.sqrt(np.diag(counts.covariance[0])))


def _untold(area: str, element: str, counts: GroupCounts, reason: str) -> ElementDepth:
    finding = DepthFinding(
        area=area, element=element, lines=[g.label for g in counts.groups], state="cannot_tell",
        because=reason,
    )  # fmt: skip
    nothing = np.full(len(counts.groups), np.nan)
    return ElementDepth(finding, counts.groups, counts.net[0], _errors(counts), nothing, None)


def _tells(counts: GroupCounts, model: CoverModel) -> bool:
    """Tell whether a second group would be seen if the element lay bare."""
    net, error = counts.net[0], _errors(counts)
    bare = np.exp(model.weight @ model.at(np.zeros(1))[0])
    strong = int(np.argmax(net / error))
    if net[strong] < ENOUGH * error[strong]:
        return False
    expected = bare * net[strong] / bare[strong]
    others = np.arange(len(net)) != strong
    return bool((expected[others] > ENOUGH * error[others]).any())


def _against_bare(counts: GroupCounts, model: CoverModel, cover: Cover) -> Array:
    """Divide the counts by those of bare paint, the least weakened group set to one."""
    bare = np.exp(model.at(np.zeros(1))[0, int(cover.own[0])])
    ratio = counts.net[0] / bare
    strongest = ratio[int(np.argmax(counts.net[0] / _errors(counts)))]
    hardest = max(float(ratio.max(initial=0.0, where=counts.net[0] > 5 * _errors(counts))), 0.0)
    return np.asarray(ratio / (hardest or strongest))


def _finding(
    area: str, element: str, counts: GroupCounts, model: CoverModel, cover: Cover
) -> DepthFinding:
    value, low, high, z, p = (
        float(v[0]) for v in (cover.value, cover.low, cover.high, cover.z, cover.p)
    )
    if np.isnan(value):
        return _untold(area, element, counts, "no net counts in its lines").finding
    pairs = pair_information(counts, model, value)
    state, why = _judged(low, high, z, p, model)
    bound, bound_why = bound_of(state, agree=not p < DISAGREE, open_end=bool(cover.open_end[0]))
    own = f"{model.own_um[0]:g} to {model.own_um[1]:g} µm"
    names = " or ".join(
        dict.fromkeys(_PARTS.sub(r" with \1 parts of ", m.name) for m, _ in model.own)
    )
    words = (
        f"{why}; most telling: {pairs[0][0]} against {pairs[0][1]}"
        f"; own layer taken as {names}, {own} thick"
    )
    return DepthFinding(
        area=area,
        element=element,
        lines=_telling(pairs),
        state=state,
        cover_mg_cm2=Interval(value=value * 1e3, low=low * 1e3, high=high * 1e3),
        cover_um=ThicknessInterval(
            value=model.um(value), low=model.um(low), high=model.um(high),
            material=model.cover.name,
        ),
        bound=bound,
        bound_because=bound_why,
        because=words,
    )  # fmt: skip


def _telling(pairs: Sequence[tuple[str, str, float]]) -> list[str]:
    """List the groups of the pairs that hold at least half of the best pair's information."""
    best = pairs[0][2]
    names = [n for soft, hard, info in pairs if info >= 0.5 * best for n in (soft, hard)]
    return list(dict.fromkeys(names))


def bound_of(state: str, *, agree: bool, open_end: bool) -> tuple[Bound, str]:
    """Tell which ends of an interval of cover hold whatever the layers are.

    Parameters
    ----------
    state : str
        ``"at_surface"``, ``"covered"`` or ``"cannot_tell"``.
    agree : bool
        Whether the lines agree with one layer under one cover.
    open_end : bool
        Whether the interval ends where the models end.

    Returns
    -------
    bound : str
        ``"both"``, ``"lower_end_only"`` or ``"neither"``.
    because : str
        The reason, in words.

    Notes
    -----
    The counts of two layers add up, so that their common ratio lies between the ratios of
    each: the cover that is read off lies between those of the highest and the lowest part.
    Its lower end is thus no more than what covers the lowest part, its upper end no less
    than what covers the highest. Whether there is a second part the ratio cannot tell, nor can
    the layers that a study states: a paint holds more elements than are stated of it.
    """
    if not agree:
        return "neither", "its lines disagree with one layer under one cover"
    if state == "at_surface":
        return "both", "the interval holds for the part of it that lies highest"
    if open_end:
        return "lower_end_only", (
            "its upper end is open; and if some of it lies higher up, more may lie on the rest"
        )
    return "lower_end_only", (
        "the interval is right if all of it lies in one layer; if some lies higher up, more may "
        "lie on the rest"
    )


def _judged(low: float, high: float, z: float, p: float, model: CoverModel) -> tuple[str, str]:
    """State, and the sentence that says by which test."""
    thick = f"{model.um(high):.2g} µm of {model.cover.name}"
    if p < DISAGREE:
        return "cannot_tell", (
            f"its lines disagree with one layer under one cover (chance {p:.1g}): it lies at "
            "more than one depth, or something else shares its lines"
        )
    if z >= Z_ORDER and low > 0:
        return "covered", f"bare paint is excluded by {z:.1f} standard errors of the line ratios"
    if model.um(high) <= SURFACE_UM:
        return "at_surface", (
            f"its lines are those of bare paint ({signed(z)} standard errors), and more than "
            f"{thick} over it is excluded (95 %)"
        )
    return "cannot_tell", (
        f"bare paint is not excluded ({signed(z)} standard errors, {Z_ORDER:g} needed), nor is a "
        f"cover of up to {thick}"
    )
