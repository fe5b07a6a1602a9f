"""What is said about each element: verdict, reason, and the numbers behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from xrfmap.findings import ElementFinding
from xrfmap.identification.element_tests import (
    CLEAR_LEAD,
    USUAL,
    Library,
    evidence_of,
    margin_of,
    needed,
    rivals,
    sound_families,
)
from xrfmap.numbers import number, with_error
from xrfmap.physics.atomic import spelled
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.left_out import TRUSTED_SHARE
from xrfmap.spectra.refine import Refined
from xrfmap.spectra.score_test import Evidence, Judge
from xrfmap.spectra.templates import SpectrumModel

__all__ = ["element_findings"]

Z_LINE = 3.0
"""Standard errors at which a single group of lines counts as seen."""

RAN_FULL = "whose lines lie in channels that ran full"

GIVEN = "given by the user, not sure from the sum spectrum alone"

INSEPARABLE = 5.0
"""An overlap that widens the error by more than this hides an element for practical purposes."""


def element_findings(
    refined: Refined,
    judge: Judge,
    library: Library,
    metal: str,
    given: Sequence[str] | None,
    kept: Mapping[str, str] | None = None,
) -> tuple[ElementFinding, ...]:
    """Verdict with reasons for every element in the model and every usual one.

    Parameters
    ----------
    refined, judge
        Fit of the spectrum, and the tests against it.
    library : dict
        Emitters of every element that may be there.
    metal : str
        Anode.
    given : sequence of str or None
        Elements that the user asked for.
    kept : mapping of str to str, optional
        Elements found before, which need :data:`Z_LINE` standard errors only to stay so; and
        what is said then where they have no more.
    """
    inside = {e.element for e in refined.model.emitters if e.kind == "element"}
    found = []
    for element in sorted({*USUAL, *inside} & set(library), key=lambda e: list(library).index(e)):
        emitters = library[element]
        evidence = evidence_of(judge, emitters, refined.model)
        margin = margin_of(element, judge, emitters, refined.model)
        doubt = "" if margin >= 0 else (kept or {}).get(element, "")
        stays = margin >= 0 or (doubt != "" and margin + needed(element) >= Z_LINE)
        if element in inside and (stays or given is not None):
            others = (
                rivals(element, judge, refined.model, library, tuple(inside))
                if margin < 30 else []
            )  # fmt: skip
            rival = next((name for name, gain in others if gain > -CLEAR_LEAD), None)
            found.append(
                _present(
                    element, emitters, evidence, judge, refined.model, stays, rival,
                    doubt if stays else GIVEN,
                )
            )  # fmt: skip
        else:
            found.append(_absent(element, emitters, evidence, judge, refined.model))
    if metal in USUAL or given is None:
        found.append(_anode(metal))
    return tuple(found)


def _present(
    element: str,
    emitters: Sequence[Emitter],
    evidence: dict[str, Evidence],
    judge: Judge,
    model: SpectrumModel,
    sure: bool,
    rival: str | None = None,
    doubt: str = "",
) -> ElementFinding:
    """Verdict on an element of the model; `rival` would explain its counts as well."""
    blind = _blind(emitters, judge, model)
    # a blind family's flanks would be taken for whichever of its lines is asked about
    sound = [e for e in emitters if e.label not in blind]
    seen = _lines_seen(sound, evidence, judge, model)
    counted = [v for v in evidence.values() if v.label not in blind]
    told = [e.label for e in emitters if not counted or e.label not in blind]
    families = [label for label in told if evidence[label].z >= Z_LINE]
    best = max(counted or evidence.values(), key=lambda v: v.z)
    words = (
        f"{', '.join(families) or best.label} with {with_error(best.net, best.stated)} net counts "
        f"({best.z:.0f} standard errors of the test) after all overlaps"
    )
    if not counted:
        words = f"{best.label} by the flanks of its peaks only, {RAN_FULL}: no net counts"
    elif blind:
        words += f"; no net counts of {', '.join(blind)}, {RAN_FULL}"
    if seen:
        words += f"; seen separately: {spelled(', '.join(seen))}"
    if best.competitor is not None and best.overlap > 0.3:
        words += f"; nearest other shape: {_shape(best.competitor)} (likeness {best.overlap:.2f})"
    if rival is not None:
        words += f"; {rival} would explain these counts as well"
    if doubt:
        words += f"; {doubt}"
    return ElementFinding(
        symbol=element,
        lines=families or told,
        verdict=_verdict(sure, rival, best),
        because=words,
        evidence={**_numbers(best, seen, counted=bool(counted)), "rival": rival},
    )


def _verdict(
    sure: bool, rival: str | None, best: Evidence
) -> Literal["present", "not detected", "not separable"]:
    if rival is not None:
        return "not separable"
    if sure:
        return "present"
    return "not separable" if _hidden(best) else "not detected"


def _hidden(evidence: Evidence) -> bool:
    """Whether other lines lie where this family has its own.

    The continuum only raises the limit: it is no material that could be meant instead.
    """
    other = evidence.competitor
    lines = other is not None and not other.startswith("continuum")
    return lines and evidence.inflation > INSEPARABLE


def _absent(
    element: str,
    emitters: Sequence[Emitter],
    evidence: dict[str, Evidence],
    judge: Judge,
    model: SpectrumModel,
) -> ElementFinding:
    blind = _blind(emitters, judge, model)
    counted = [e for e in emitters if e.label not in blind]
    if not counted:
        return ElementFinding(
            symbol=element, lines=blind, verdict="not separable",
            because=f"nothing can be said from {', '.join(blind)}, {RAN_FULL}", evidence={},
        )  # fmt: skip
    best = _telling(counted, evidence)
    mine = evidence[best.label]
    limit = max(mine.net, 0.0) + 1.645 * mine.error
    hidden = _hidden(mine)
    if hidden:
        words = (
            f"{best.label} cannot be told from {_shape(mine.competitor)}, which widens its error "
            f"{mine.inflation:.0f}-fold: fewer than {number(limit)} net counts"
        )
    else:
        words = f"{best.label}: fewer than {number(limit)} net counts (95 % limit)"
        if mine.inflation > INSEPARABLE:
            words += f"; the continuum beneath widens its error {mine.inflation:.0f}-fold"
    if mine.z >= Z_LINE:
        words += f"; {mine.z:.1f} standard errors of the {needed(element):.0f} that are asked for"
    return ElementFinding(
        symbol=element,
        lines=[best.label],
        verdict="not separable" if hidden else "not detected",
        because=words,
        evidence={**_numbers(mine, []), "upper_limit": limit},
    )


def _telling(emitters: Sequence[Emitter], evidence: dict[str, Evidence]) -> Emitter:
    """Choose the family that says most of an element that was not found.

    A hint, be it of the hard lines of an element below a cover, that no harder family contradicts;
    else the family that would show the smallest mass.
    """
    sound = [e for e in sound_families(emitters, evidence) if evidence[e.label].z >= Z_LINE]
    if sound:
        return max(sound, key=lambda e: evidence[e.label].z)
    return min(emitters, key=lambda e: evidence[e.label].error / e.strength)


def _blind(emitters: Sequence[Emitter], judge: Judge, model: SpectrumModel) -> list[str]:
    """List the families too little of which lies outside the channels that ran full."""
    return [
        e.label for e in emitters
        if judge.share_left(judge.column_of(model.column(e))) < TRUSTED_SHARE
    ]  # fmt: skip


def _shape(label: str | None) -> str:
    """Name of a component for the reader."""
    return "the continuum" if label is not None and label.startswith("continuum") else f"{label}"


def _anode(metal: str) -> ElementFinding:
    return ElementFinding(
        symbol=metal,
        lines=[],
        verdict="not separable",
        because=f"{metal} is the anode of the tube: its lines reach the detector by scatter",
        evidence={},
    )


def _lines_seen(
    emitters: Sequence[Emitter],
    evidence: dict[str, Evidence],
    judge: Judge,
    model: SpectrumModel,
) -> list[str]:
    """List the groups of lines that stand by themselves in channels that did not run full."""
    seen = []
    for emitter in emitters:
        if evidence[emitter.label].z < Z_LINE:
            continue
        shares = model.shares(emitter)
        for group in _resolved(emitter, float(model.scale.fwhm(emitter.main_energy))):
            if shares[group].sum() < 0.02:
                continue
            part = np.zeros_like(shares)
            part[group] = shares[group] / shares[group].sum()
            name = f"{emitter.element} {emitter.lines[group[np.argmax(shares[group])]]}"
            single = replace(
                emitter, label=name, energies=emitter.energies, weights=part, kind="air"
            )
            column = judge.column_of(model.column(single))
            if judge.share_left(column) < TRUSTED_SHARE:
                continue  # its peak ran full: what is left may be its neighbours'
            rest = emitter.energies[group].mean()
            own = judge.judge(name, column, without=(emitter.label,))
            if own.z >= Z_LINE and np.isfinite(rest):
                seen.append(name)
    return seen


def _resolved(emitter: Emitter, width: float) -> list[npt.NDArray[np.int64]]:
    """Lines of a family joined into groups that the detector can tell apart."""
    order = np.argsort(emitter.energies)
    cuts = np.flatnonzero(np.diff(emitter.energies[order]) > width) + 1
    return list(np.split(order, cuts))


def _numbers(
    evidence: Evidence, seen: list[str], *, counted: bool = True
) -> dict[str, float | str | list[str] | None]:
    return {
        "net_counts": evidence.net if counted else None,
        "net_counts_err": evidence.stated if counted else None,
        "standard_errors": evidence.z,
        "likelihood_ratio": evidence.z**2 if evidence.z > 0 else 0.0,
        "error_inflation": evidence.inflation,
        "competitor": evidence.competitor,
        "competitor_likeness": evidence.overlap,
        "lines_seen": seen,
    }
