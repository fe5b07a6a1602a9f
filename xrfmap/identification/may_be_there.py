"""Elements that no test has found and that may yet be there: what others may owe to them.

A family outside the model gives its counts to those that lie beside it. A test of it on the sum
says how many counts it can have at most. In sums and points it is therefore fitted along within
that limit; of maps, whose pixels could not tell it from its neighbours, the error grows by the
share that it may have in them.

What one family of an element says of the others
------------------------------------------------
Counts of a family f come from all depths m (mass per area) at which the element lies,

    N_f = sum over m, E of  w(m) Phi(E) sigma_f(E) exp(-t(E, m) - t(E_f, m)),

t the optical depth of all that lies above, on the way in and on the way out. From a thin layer
at the surface, where both exponentials are one, come the strengths S_f. Matter absorbs lines of
a fourth of the energy many times as strongly, by far more than any absorption edge between
them makes up for, and the photons that excite them as well. So at each depth, and in the sum
over all, a soft family s has at most the share of a thin layer beside a harder one h:

    N_s <= (S_s / S_h) N_h,

but for lines of the paint itself that excite the soft family only (:data:`ENHANCED`). The other
way round there is no bound: N_h / N_s grows with the exponential of the depth, and below 30 um of
lead white the K lines of tin are seen without any L line. So each family is tested by itself, and
a soft one has a second limit from each harder one. Both hold; which is used is told by the error
and not by the estimate, for the smaller of two limits with an independent error each would
hold the truth less often than either.

S_h falls steeply where the tube voltage comes down to the edge of the harder family: a thin film
of tin shows 14 times as many L as K counts at 50 kV, and 96 times at 35 kV. So the bound is asked
for only where the voltage is stated.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from xrfmap.identification.element_tests import COMMON
from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.emitters import Emitter, family_emitter, usable_families
from xrfmap.spectra.refine import Refined
from xrfmap.spectra.score_test import Judge
from xrfmap.spectra.sum_fit import SumFit, merge
from xrfmap.spectra.templates import SpectrumModel

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = [
    "ENHANCED",
    "MayBe",
    "gained",
    "may_be_there",
    "owed",
    "tested",
    "with_may_be",
    "with_owed",
]

Array = npt.NDArray[np.float64]

Z_NAMED = 2.0
"""Standard errors from which an element that is not among the common ones is thought of."""

Z_SURE = 3.0
"""Standard errors from which a family has enough counts for that to be said."""

STRONG_LINE = 0.05
"""Share of a family's strongest line from which one counts for what it may be taken for."""

NOTED_SHARE = 0.05
"""Share of a family that another element may have from which that is said."""


ENHANCED = 1.5
"""Factor by which lines of the paint may raise a soft family against a harder one.

Worked out with secondary excitation for films of ten elements on and in fifteen thick paints,
with tubes of rhodium, molybdenum and tungsten: 1.40 at most, of barium on red ochre
(`tests/identification/test_may_be_there.py` repeats the worst).
"""

ONE_SIDED = 1.645
"""Standard errors of a limit that 95 % of chances do not exceed."""


class MayBe(NamedTuple):
    """A family outside the model."""

    emitter: Emitter
    net: float  # estimate of its counts, which may be below zero
    error: float
    seen: bool = False  # its element, with more than `Z_NAMED` standard errors

    @property
    def limit(self) -> float:
        """95 % limit of its counts."""
        return max(self.net, 0.0) + ONE_SIDED * self.error

    @property
    def spread(self) -> float:
        """Root mean square of what it may have: estimate, if positive, and error."""
        return float(np.hypot(max(self.net, 0.0), self.error))


@in_one_thread  # the last digit of a sum depends on the threads
def may_be_there(found: Found, lines: Collection[str] | None = None) -> list[MayBe]:
    """Families that the tests of their elements leave room for.

    Parameters
    ----------
    found : Found
        Every element tested, and the fit of the sum.
    lines : collection of str, optional
        Families that a design holds, if not all that the model of the sum holds: an element
        that cannot be told from another one is in the model, but gets no map.

    Returns
    -------
    list of MayBe
        Of each common element outside the model, and of others seen with more than
        :data:`Z_NAMED` standard errors or not separable, all families in the range, each with
        what the sum says of it; then the families of the model that are not among `lines`.
    """
    model = found.model
    inside = {e.element for e in model.emitters if e.kind == "element"}
    left = [
        e for e in model.emitters
        if e.kind == "element" and lines is not None and e.label not in lines
    ]  # fmt: skip
    emitters: list[Emitter] = []
    seen: set[str] = set()
    for told in found.elements:
        numbers = [told.evidence.get(n) for n in ("net_counts", "net_counts_err", "upper_limit")]
        net, error, limit = (n if isinstance(n, int | float) else np.nan for n in numbers)
        if told.symbol in inside or not told.lines or not np.isfinite([net, error, limit]).all():
            continue
        if net > Z_NAMED * error:
            seen.add(told.symbol)
        elif told.symbol not in COMMON and told.verdict != "not separable":
            continue
        names = usable_families(told.symbol, model.instrument, model.energy_range)
        options = [family_emitter(told.symbol, f, model.instrument, found.anode) for f in names]
        emitters += [e for e in options if e is not None]
    refined = Refined(model, found.fit, found.parameters, found.slopes, found.spreads)
    return [
        m._replace(seen=m.net > Z_NAMED * m.error if m.emitter in left
                   else m.emitter.element in seen)
        for m in tested(refined, [*emitters, *left])
    ]  # fmt: skip


def tested(refined: Refined, emitters: Sequence[Emitter]) -> list[MayBe]:
    """Test families on a spectrum, each by itself and by harder ones.

    Parameters
    ----------
    refined : Refined
        Model and fit of a spectrum with many counts.
    emitters : sequence of Emitter
        Families outside the model, all of each element; or inside, which are tested with all
        others of the model and by themselves only.

    Returns
    -------
    list of MayBe
        In the order of `emitters`, see the head of this module; none is called seen. Without a
        tube voltage in the instrument of the model each is tested by itself only.
    """
    if not emitters:
        return []
    judge = Judge(refined)
    model = refined.model
    columns = [judge.column_of(model.column(e)) for e in emitters]
    inside = set(model.labels)
    stated = model.instrument.tube_kv is not None  # by the file, the study or the user
    outside = {
        e.label: c for e, c in zip(emitters, columns, strict=True) if e.label not in inside
    }  # fmt: skip
    alone = {}
    if outside:
        verdicts = judge.judge_many(list(outside), np.column_stack(list(outside.values())))
        alone = {verdict.label: verdict for verdict in verdicts}
    told = []
    for emitter, column in zip(emitters, columns, strict=True):
        mine = alone.get(emitter.label) or judge.judge(emitter.label, column)
        options = [(mine.error, mine.net)]
        for other in emitters if emitter.label in alone and stated else ():
            if other.element == emitter.element and other.main_energy > emitter.main_energy:
                theirs = alone[other.label]
                most = ENHANCED * emitter.strength / other.strength
                options.append((most * theirs.error, most * theirs.net))
        error, net = min(options, key=lambda pair: pair[0])
        told.append(MayBe(emitter, net, error))
    return told


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
    matrix, typical, net, columns
        As for :func:`gained`.
    counts : ndarray, shape (others,)
        What they may have in the mean pixel. [counts]

    Returns
    -------
    ndarray
        As if all their counts lay where the family itself lies: sulfur of vermilion is a faint
        trace of a scan with lead white, yet a fifth of mercury M. At most one.
    """
    part = gained(matrix, typical, net, columns) * counts
    there = net > 0
    part[there] /= net[there, None]
    return np.minimum(part, 1.0)


def gained(matrix: Array, typical: Array, net: Array, columns: Array) -> Array:
    """Tell how many counts of each family one count of others is taken for, (lines, others).

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

    Returns
    -------
    ndarray
        The larger one of those at the mean spectrum and at one of the family by itself; zero
        for a family without counts.
    """
    lines = len(net)
    result = np.zeros((lines, columns.shape[1]))
    others = np.clip(typical - matrix[:, :lines] @ net, 0.02 * typical, None)
    for k in range(lines):
        if net[k] <= 0:
            continue
        for spectrum in (typical, others + net[k] * matrix[:, k]):
            weighted = matrix / np.maximum(spectrum, 1e-3 * spectrum.mean())[:, None]
            info = weighted.T @ matrix
            info[np.diag_indices_from(info)] *= 1 + 1e-9
            effect = np.linalg.solve(info, weighted.T @ columns)[k]
            result[k] = np.maximum(result[k], np.abs(effect))
    return result


def with_owed(found: Found) -> Found:
    """Say in the findings which share of a family an element that was not found may have."""
    fit, model = found.fit, found.model
    others = may_be_there(found)
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
            if label not in told or not _overlap(model, model.emitters[lines[i]], other.emitter):
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


def _overlap(model: SpectrumModel, one: Emitter, other: Emitter) -> bool:
    """Tell whether lines of two families lie within a peak width of each other.

    Others lean on each other by way of the continuum alone: nobody would take bromine for tin.
    """
    strong = [e.energies[e.weights > STRONG_LINE * e.weights.max()] for e in (one, other)]
    apart = np.abs(strong[0][:, None] - strong[1])
    return bool((apart < model.scale.fwhm(strong[0])[:, None]).any())


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
