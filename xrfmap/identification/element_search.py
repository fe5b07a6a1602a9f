"""Elements put into the model of a spectrum one after the other, and taken out again.

The surest come first, and shapes are refined in between. What the complete model does not need
goes, the least sure first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from xrfmap.identification.element_tests import (
    CLEAR_LEAD,
    COMMON,
    USUAL,
    Z_UNUSUAL,
    Z_USUAL,
    Library,
    margin_of,
    rivals,
)
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.refine import Refined, refine
from xrfmap.spectra.row_mixture import RowMixture
from xrfmap.spectra.score_test import Judge
from xrfmap.spectra.sum_fit import fit_sum, solve
from xrfmap.spectra.templates import SpectrumModel

__all__ = ["grown", "pruned", "regrown", "with_doubtful"]

Array = npt.NDArray[np.float64]

GROW_ERROR = 0.015
"""Relative model error while elements are still being added."""

SELF_PILED = 0.08
"""Share of all counts from which a family has a pile-up of its own: a hundredth of that share
squared, at usual rates, is what a trace may amount to."""

Z_DOUBTFUL = 1.5
"""Standard errors from which an element that others hide is tried in the model."""

HIDING = 0.3
"""Likeness (:attr:`xrfmap.spectra.score_test.Evidence.overlap`) of lines beside it that it takes
for that. How much they widen the error would not do: the model error that a missing element
leaves around itself, up to a fifth of the counts, widens it whatever lies there."""


def grown(
    counts: Array,
    model: SpectrumModel,
    library: Library,
    elements: Sequence[str] | None,
    rows: RowMixture | None = None,
) -> Refined:
    """Add elements, the surest first, refining shapes whenever some have been added.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        The spectrum. [counts]
    model : SpectrumModel
        Without any element.
    library : dict
        Emitters of every element that may be there.
    elements : sequence of str or None
        Elements to take as given instead.
    rows : RowMixture, optional
        Rows that the spectrum is the sum of, where the gain drifted.

    Returns
    -------
    Refined
        Judged with :data:`GROW_ERROR`: an error found from the fit would be large exactly
        where an element is missing.
    """
    chosen: list[str] = [e for e in (elements or ()) if e in library]
    refined = _bare(counts, _placed(_with(model, chosen, library), rows))
    for stage, (pool, threshold) in enumerate(
        [(USUAL, 20.0), (USUAL, Z_USUAL), (tuple(library), Z_UNUSUAL)]
    ):
        if elements is not None and stage > 0:
            break
        for _ in range(12):
            added = _best(refined, library, pool, chosen, threshold) if elements is None else []
            if not added:
                break
            chosen += added
            refined = _bare(counts, _with(refined.model, chosen, library))
        placed = _placed(_with(refined.model, chosen, library), rows)
        refined = _strict(refine(counts, _self_piled(counts, placed)))
    return refined


def _placed(model: SpectrumModel, rows: RowMixture | None) -> SpectrumModel:
    """Draw each family at the scales of the rows that it lies in."""
    return model if rows is None else rows.placed(model)


def _self_piled(counts: Array, model: SpectrumModel) -> SpectrumModel:
    """Give the strongest families a pile-up of their own lines.

    Lead at 10.55 and 12.61 keV piles up to 23.16 keV, where cadmium has its K-alpha line.
    """
    if model.pile_up is None:
        return model
    fit = fit_sum(counts, replace(model, self_piled=()), model_error=GROW_ERROR)
    net = {e.label: fit.net(e.label)[0] for e in model.emitters if e.kind == "element"}
    strong = [label for label, n in net.items() if n > SELF_PILED * counts.sum()]
    return replace(model, self_piled=tuple(sorted(strong, key=lambda name: -net[name])[:3]))


def _strict(refined: Refined) -> Refined:
    """Judge what is missing with a small model error.

    The error found from the fit would be large exactly where an element is missing, and
    so hide it.
    """
    fit = solve(
        refined.fit.counts, refined.fit.matrix, refined.fit.edges, refined.fit.labels,
        model_error=GROW_ERROR, used=refined.fit.used,
    )  # fmt: skip
    return replace(refined, fit=fit)


def regrown(
    counts: Array,
    model: SpectrumModel,
    library: Library,
    known: Sequence[str],
    rows: RowMixture | None = None,
) -> Refined:
    """Start from known elements, add what is still missing, refine once.

    Parameters as for :func:`grown`; `known` are the elements to start from.
    """
    chosen = [e for e in known if e in library]
    placed = _self_piled(counts, _placed(_with(model, chosen, library), rows))
    refined = _strict(refine(counts, placed, steps=6, detector_known=True))
    added = _best(refined, library, tuple(library), chosen, Z_UNUSUAL)
    if added:
        model = _with(refined.model, chosen + added, library)
        refined = refine(counts, model, steps=6, detector_known=True)
    return refined


def _with(model: SpectrumModel, chosen: Sequence[str], library: Library) -> SpectrumModel:
    others = [e for e in model.emitters if e.kind != "element"]
    return model.with_emitters([*others, *(e for c in chosen for e in library[c])])


def _bare(counts: Array, model: SpectrumModel) -> Refined:
    """Fit with the shapes as they are, their uncertainty left out."""
    fit = fit_sum(counts, model, model_error=GROW_ERROR)
    return Refined(model, fit, {}, np.zeros((len(fit.counts), 0)), np.zeros(0))


def _best(
    refined: Refined,
    library: Library,
    pool: Sequence[str],
    chosen: Sequence[str],
    threshold: float,
) -> list[str]:
    """Elements to add next: the surest, and others that do not overlap it."""
    judge = Judge(refined)
    tests = [e for c in pool if c in library and c not in chosen for e in library[c]]
    if not tests:
        return []
    columns = np.column_stack([judge.column_of(refined.model.column(e)) for e in tests])
    evidence = judge.judge_many([e.label for e in tests], columns)
    order = np.argsort([-v.z for v in evidence])
    picked: list[str] = []
    taken = np.zeros(len(columns))
    for k in order:
        if evidence[k].z < threshold or len(picked) == 6:
            break
        shape = columns[:, k] / columns[:, k].max()
        if tests[k].element in picked or (taken * shape).sum() > 0.02 * shape.sum():
            continue
        picked.append(tests[k].element)
        taken = np.maximum(taken, shape)
    return picked


def _settled(refined: Refined) -> Refined:
    """Fit again with the model error that the complete model leaves."""
    fit = refined.fit
    settled = solve(fit.counts, fit.matrix, fit.edges, fit.labels, used=fit.used)
    return replace(refined, fit=settled)


def pruned(
    counts: Array,
    refined: Refined,
    library: Library,
    elements: Sequence[str] | None,
    detector_known: bool,
) -> tuple[Refined, Judge]:
    """Take out elements that the complete model does not need, the least sure first.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        The spectrum. [counts]
    refined : Refined
        From :func:`grown` or :func:`regrown`.
    library : dict
        Emitters of every element that may be there.
    elements : sequence of str or None
        Elements that were given: none of them is taken out.
    detector_known : bool
        See :func:`xrfmap.spectra.refine.refine`.

    Returns
    -------
    Refined, and Judge
        What is left, fitted with the model error that it leaves, and the tests against it.
    """
    refined = _settled(refined)
    if elements is not None:
        return refined, Judge(refined)
    changed = True
    while changed:
        refined, changed = _thinned(refined, library)
        swap = _better_known(Judge(refined), refined.model, library)
        if swap is not None:
            chosen = [swap[1] if e == swap[0] else e for e in _elements(refined.model)]
            refined, changed = replace(refined, model=_with(refined.model, chosen, library)), True
        if changed:
            refined = refine(counts, refined.model, steps=6, detector_known=detector_known)
    return refined, Judge(refined)


def with_doubtful(
    counts: Array,
    refined: Refined,
    judge: Judge,
    library: Library,
    rows: RowMixture | None,
    detector_known: bool,
) -> tuple[Refined, Judge]:
    """Try elements that the lines of others hide, with all shapes refined anew.

    Line ratios refined without such an element lean on it: sulfur beside mercury M bends the
    ratio of M-beta to M-alpha by a third, and the test at that bent shape finds little of it.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        The spectrum. [counts]
    refined, judge
        From :func:`pruned`.
    library, rows, detector_known
        As for :func:`grown` and :func:`pruned`.

    Returns
    -------
    Refined, and Judge
        With those of them that the test then finds; else as given.
    """
    chosen = _elements(refined.model)
    doubtful = [
        e for e in COMMON
        if e in library and e not in chosen
        and any(_may_hide(judge, refined.model, emitter) for emitter in library[e])
    ]  # fmt: skip
    if not doubtful:
        return refined, judge
    # from usual line ratios: the bent ones would be a start far from the goal
    plain = replace(refined.model, cover={}, log_factors={}, m_states={}, paint_edges={})
    model = _placed(_with(plain, [*chosen, *doubtful], library), rows)
    trial = refine(counts, model, detector_known=detector_known)
    trial, verdict = pruned(counts, trial, library, None, detector_known)
    return (trial, verdict) if set(_elements(trial.model)) - set(chosen) else (refined, judge)


def _may_hide(judge: Judge, model: SpectrumModel, emitter: Emitter) -> bool:
    """Tell whether the lines of another element may hide a family.

    Not those of the anode: what is wrong about their ratios would be taken for chlorine (Rh L).
    """
    mine = judge.judge(emitter.label, judge.column_of(model.column(emitter)))
    others = {e.label for e in model.emitters if e.kind == "element"}
    return mine.z > Z_DOUBTFUL and mine.competitor in others and mine.overlap > HIDING


def _elements(model: SpectrumModel) -> list[str]:
    return list(dict.fromkeys(e.element for e in model.emitters if e.kind == "element"))


def _thinned(refined: Refined, library: Library) -> tuple[Refined, bool]:
    """Drop the least sure element again and again, shapes as they are, until all are sure."""
    changed = False
    while True:
        judge = Judge(refined)
        margin = {
            e: margin_of(e, judge, library[e], refined.model) for e in _elements(refined.model)
        }
        weakest = min(margin, key=margin.__getitem__, default=None)
        if weakest is None or margin[weakest] >= 0:
            return refined, changed
        changed = True
        gone = {e.label for e in refined.model.emitters if e.kind == "element"}
        gone = {label for label in gone if label.split()[0] == weakest}
        gone |= {f"pile-up {label}" for label in gone}
        keep = [k for k, label in enumerate(refined.fit.labels) if label not in gone]
        model = refined.model.with_emitters(
            [e for e in refined.model.emitters if e.label not in gone]
        )
        fit = refined.fit
        fit = solve(fit.counts, fit.matrix[:, keep], fit.edges, model.labels, used=fit.used)
        refined = replace(refined, model=model, fit=fit)


def _better_known(judge: Judge, model: SpectrumModel, library: Library) -> tuple[str, str] | None:
    """Find an element for which a commoner one would do as well, and that one."""
    chosen = _elements(model)
    margin = {e: margin_of(e, judge, library[e], model) for e in chosen if e not in COMMON}
    for element in sorted(margin, key=margin.__getitem__):
        if margin[element] > 30:
            continue
        for rival, gain in rivals(element, judge, model, library, chosen):
            if rival in COMMON and gain > -CLEAR_LEAD:
                return element, rival
    return None
