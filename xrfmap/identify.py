"""Which elements are there: found by test on summed spectra, overlaps said.

Elements are added one after the other, the surest first, while shapes are refined in
between; then every element is judged once more inside the complete model. An element
counts as present when at least one family stands far above everything that neighbours,
shape uncertainties and model error could explain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.elements import symbol
from xrfmap.emitters import Emitter, family_emitter, scatter_emitters, usable_families
from xrfmap.evidence import Evidence, Judge
from xrfmap.findings import ElementFinding
from xrfmap.lineshape import EnergyScale, Response, self_convolution
from xrfmap.one_thread import in_one_thread
from xrfmap.refine import Refined, SumFit, fit_sum, refine, solve
from xrfmap.row_mixture import RowMixture
from xrfmap.row_scales import RowScales
from xrfmap.scan import instrument_of
from xrfmap.settings import Instrument
from xrfmap.summary import Summary, pile_up_shape, summarise
from xrfmap.templates import SpectrumModel, continuum_knots, scatter_carrier
from xrfmap.tube import DEFAULT_ANODE, DEFAULT_TUBE_KV

__all__ = ["USUAL", "Found", "base_model", "elements_of_sum", "identify", "identify_part"]

Array = npt.NDArray[np.float64]

COMMON = "Al Si P S Cl K Ca Ti Cr Mn Fe Co Ni Cu Zn As Sr Cd Sn Sb Ba Au Hg Pb".split()
"""Elements of the pigments, fillers, driers and metals that most paintings hold."""

USUAL = (*COMMON, *"V Se Br Rb Y Zr Nb Mo Ag In Bi U".split())
"""With those of rarer pigments and of usual impurities."""

EXCLUDED = {"Ne", "Ar", "Kr", "Xe", "Rn", "Tc", "Pm", "Po", "At", "Fr", "Ra", "Ac", "Pa"}
"""Noble gases and elements without a lasting isotope: never in a painting."""

Z_USUAL = 5.0
"""Standard errors a usual element must reach: 3e-7 by chance, times about 40 elements."""

Z_UNUSUAL = 9.0
"""For any other element: what looks like one is more often a flaw of the model."""

Z_LINE = 3.0
"""Standard errors at which a single group of lines counts as seen."""

GROW_ERROR = 0.015
"""Relative model error while elements are still being added."""

SUM_PIECES = 18
"""Pieces of the continuum on summed spectra: about 1 keV at the low, 3 keV at the high end."""

LIKENESS = 0.6
"""Cosine between two shapes, on the scale of the noise, above which each is tried for the other."""

CLEAR_LEAD = 9.0
"""Chi-square by which one of two like shapes must be the better: three standard errors."""

INSEPARABLE = 5.0
"""An overlap that widens the error by more than this hides an element for practical purposes."""


@dataclass(frozen=True, eq=False)
class Found:
    """Elements of a scan, and the model that describes its spectra.

    Attributes
    ----------
    elements : tuple of ElementFinding
        Every element tested, with verdict and reasons.
    model : SpectrumModel
        Refined shapes with the families that are needed.
    fit : SumFit
        Fit of the sum spectrum.
    sum_counts : ndarray, shape (channels,)
        The sum spectrum. [counts]
    parameters : dict
        Refined shape parameters with standard errors.
    slopes, spreads : ndarray
        See :class:`xrfmap.refine.Refined`.
    anode : str or None
        Anode that was assumed.
    summary : Summary or None
        Sum, maximum and cluster spectra, where a scan was given.
    drift : RowScales or None
        Energy scale of each row, where the gain drifted.
    """

    elements: tuple[ElementFinding, ...]
    model: SpectrumModel
    fit: SumFit
    sum_counts: Array
    parameters: dict[str, tuple[float, float]]
    slopes: Array
    spreads: Array
    anode: str | None = None
    summary: Summary | None = None
    drift: RowScales | None = None

    @property
    def present(self) -> tuple[str, ...]:
        """Symbols of the elements found."""
        return tuple(e.symbol for e in self.elements if e.verdict == "present")


def base_model(
    counts: Array,
    scale: EnergyScale,
    instrument: Instrument,
    *,
    anode: str | None = None,
    energy_range: tuple[float, float] | None = None,
    pieces: int = SUM_PIECES,
    pile_up: Array | None = None,
) -> SpectrumModel:
    """Model of a spectrum without any element: scatter, argon of the air, pile-up, continuum.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        The spectrum, for the shape of pile-up. [counts]
    scale : EnergyScale
        Energy scale and peak width.
    instrument : Instrument
        Tube, geometry, detector.
    anode : str, optional
        Anode, where the instrument does not name it.
    energy_range : tuple of float, optional
        Fitted range [keV]; 1.5 keV to the tube voltage or the last channel by default.
    pieces : int
        Pieces of the continuum.
    pile_up : ndarray, shape (channels,), optional
        Shape of pile-up; the self-convolution of `counts` by default.
    """
    channels = len(counts)
    tube_kv = instrument.tube_kv or DEFAULT_TUBE_KV
    top = min(float(scale.energy(channels - 1)), 0.99 * tube_kv)
    window = energy_range or (1.5, top)
    window = (window[0], min(window[1], top))
    emitters = list(scatter_emitters(instrument, anode, window))
    if instrument.atmosphere == "air":
        argon = family_emitter("Ar", "K", instrument, anode)
        if argon is not None and window[0] < argon.main_energy < window[1]:
            emitters.append(replace(argon, label="Ar K (air)", kind="air"))
    mixed = self_convolution(counts, counts, scale)
    pile_up = mixed if pile_up is None else pile_up
    total, mixed_total = float(pile_up.sum()), float(mixed.sum())
    return SpectrumModel(
        scale,
        Response(),
        instrument,
        tuple(emitters),
        channels,
        window,
        continuum_knots(window, pieces),
        cover={},
        carrier=scatter_carrier(instrument, anode, scale, channels),
        pile_up=pile_up / total if total > 0 else None,
        mixed_pile_up=mixed / mixed_total if mixed_total > 0 and pile_up is not mixed else None,
    )


@in_one_thread
def identify(
    counts: Array,
    model: SpectrumModel,
    *,
    elements: Sequence[str] | None = None,
    anode: str | None = None,
    like: Found | None = None,
    rows: RowMixture | None = None,
) -> Found:
    """Find the elements of one spectrum with many counts.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Sum spectrum. [counts]
    model : SpectrumModel
        From :func:`base_model`.
    elements : sequence of str, optional
        Elements to take as given; the test still says how sure each is.
    anode : str, optional
        Anode, where the instrument does not name it.
    like : Found, optional
        Result on a larger spectrum of the same scan: its elements are tried first.
    rows : RowMixture, optional
        Rows that the spectrum is the sum of, where the gain drifted.

    Returns
    -------
    Found
        Verdict per element, refined model, fit.
    """
    anode = anode or (like.anode if like else None)
    metal = anode or model.instrument.anode or DEFAULT_ANODE
    library = _library(model, metal, anode)
    if like is not None and elements is None:
        refined = _regrow(counts, model, library, like.present, rows)
    else:
        refined = _grow(counts, model, library, elements, rows)
    refined, judge = _prune(counts, refined, library, elements, like is not None)
    findings = _findings(refined, judge, library, metal, elements)
    return Found(
        findings, refined.model, refined.fit, counts, refined.parameters, refined.slopes,
        refined.spreads, metal,
    )  # fmt: skip


def elements_of_sum(
    scan: xr.Dataset,
    elements: Sequence[str] | None = None,
    *,
    energy_range: tuple[float, float] | None = None,
) -> Found:
    """Find the elements of a point spectrum, or of the sum spectrum of a scan.

    Parameters
    ----------
    scan : Dataset
        With ``counts`` of dims (y, x, channel) or (channel,) and an energy scale in its
        attributes, see :func:`xrfmap.calibrate`.
    elements : sequence of str, optional
        Elements to take as given.
    energy_range : tuple of float, optional
        Fitted range [keV]; 1.5 keV to the tube voltage or the last channel by default.

    Returns
    -------
    Found
        Verdict per element, and the model for :func:`xrfmap.map_elements`.

    Raises
    ------
    ValueError
        If the scan has no energy scale.
    InputError
        If there are no counts.
    """
    scale = EnergyScale.from_attrs(scan.attrs)
    instrument = instrument_of(scan)
    anode = instrument.anode or scan.attrs.get("anode")
    if scan["counts"].ndim == 1:
        counts = np.asarray(scan["counts"], dtype=np.float64)
        model = base_model(counts, scale, instrument, anode=anode, energy_range=energy_range)
        return identify(counts, model, elements=elements, anode=anode)
    summary = summarise(scan)
    drift = RowScales.of(scan)
    model = base_model(
        summary.sum_counts, scale, instrument, anode=anode, energy_range=energy_range,
        pile_up=pile_up_shape(summary, scale),
    )  # fmt: skip
    found = identify(
        summary.sum_counts, model, elements=elements, anode=anode, rows=RowMixture.of(scan)
    )
    return replace(found, summary=summary, drift=drift)


def identify_part(
    counts: Array,
    like: Found,
    *,
    elements: Sequence[str] | None = None,
    row_counts: npt.ArrayLike | None = None,
    scale_counts: Array | None = None,
) -> Found:
    """Find the elements of a part of a scan whose whole has been looked at.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        Sum spectrum of the part. [counts]
    like : Found
        Result on the whole: energy scale, peak shape, elements to try first.
    elements : sequence of str, optional
        Elements to take as given.
    row_counts : array_like, shape (y,), optional
        Counts that each row of the scan brought into the part; asked for where the gain
        drifted, without them the part counts as spread over the scan. [counts]
    scale_counts : ndarray, shape (groups, channels), optional
        Counts of the part in each group of rows of like energy scale
        (:meth:`xrfmap.row_scales.RowScales.sum_groups`), so that a family may lie in
        other rows than the next; without them all families lie as the counts do. [counts]
    """
    model = like.model
    bare = base_model(
        counts, model.scale, model.instrument, anode=like.anode, energy_range=model.energy_range
    )
    start = replace(
        bare,
        response=model.response,
        compton_shift=model.compton_shift,
        compton_fwhm_kev=model.compton_fwhm_kev,
        cover=model.cover,
        log_factors=model.log_factors,
        shifts=model.shifts,
        own_shifts=model.own_shifts,
    )
    if like.drift is None or row_counts is None:
        return identify(counts, start, elements=elements, like=like)
    start = replace(start, shifts=like.drift.shifts(row_counts), own_shifts={})
    rows = None
    if scale_counts is not None:
        rows = RowMixture(like.drift, scale_counts, np.asarray(row_counts, np.float64))
    return identify(counts, start, elements=elements, like=like, rows=rows)


def _library(model: SpectrumModel, metal: str, anode: str | None) -> dict[str, tuple[Emitter, ...]]:
    """Families of every element that could be seen, sodium to uranium."""
    found = {}
    for z in range(11, 93):
        element = symbol(z)
        if element in EXCLUDED or element == metal:
            continue
        names = usable_families(element, model.instrument, model.energy_range)
        emitters = [family_emitter(element, f, model.instrument, anode) for f in names]
        usable = tuple(e for e in emitters if e is not None)
        if usable:
            found[element] = usable
    return found


def _grow(
    counts: Array,
    model: SpectrumModel,
    library: dict[str, tuple[Emitter, ...]],
    elements: Sequence[str] | None,
    rows: RowMixture | None = None,
) -> Refined:
    """Add elements, the surest first, refining shapes whenever some have been added."""
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
        refined = _strict(refine(counts, placed))
    return refined


def _placed(model: SpectrumModel, rows: RowMixture | None) -> SpectrumModel:
    """Draw each family at the scales of the rows that it lies in."""
    return model if rows is None else rows.placed(model)


def _strict(refined: Refined) -> Refined:
    """Judge what is missing with a small model error.

    The error found from the fit would be large exactly where an element is missing, and
    so hide it.
    """
    fit = solve(
        refined.fit.counts, refined.fit.matrix, refined.fit.edges, refined.fit.labels,
        model_error=GROW_ERROR,
    )  # fmt: skip
    return replace(refined, fit=fit)


def _regrow(
    counts: Array,
    model: SpectrumModel,
    library: dict[str, tuple[Emitter, ...]],
    known: Sequence[str],
    rows: RowMixture | None = None,
) -> Refined:
    """Start from known elements, add what is still missing, refine once."""
    chosen = [e for e in known if e in library]
    placed = _placed(_with(model, chosen, library), rows)
    refined = _strict(refine(counts, placed, steps=6, detector_known=True))
    added = _best(refined, library, tuple(library), chosen, Z_UNUSUAL)
    if added:
        model = _with(refined.model, chosen + added, library)
        refined = refine(counts, model, steps=6, detector_known=True)
    return refined


def _with(
    model: SpectrumModel, chosen: Sequence[str], library: dict[str, tuple[Emitter, ...]]
) -> SpectrumModel:
    others = [e for e in model.emitters if e.kind != "element"]
    return model.with_emitters([*others, *(e for c in chosen for e in library[c])])


def _bare(counts: Array, model: SpectrumModel) -> Refined:
    """Fit with the shapes as they are, their uncertainty left out."""
    fit = fit_sum(counts, model, model_error=GROW_ERROR)
    return Refined(model, fit, {}, np.zeros((len(fit.counts), 0)), np.zeros(0))


def _best(
    refined: Refined,
    library: dict[str, tuple[Emitter, ...]],
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
    return replace(refined, fit=solve(fit.counts, fit.matrix, fit.edges, fit.labels))


def _prune(
    counts: Array,
    refined: Refined,
    library: dict[str, tuple[Emitter, ...]],
    elements: Sequence[str] | None,
    detector_known: bool,
) -> tuple[Refined, Judge]:
    """Take out elements that the complete model does not need, the least sure first."""
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


def _elements(model: SpectrumModel) -> list[str]:
    return list(dict.fromkeys(e.element for e in model.emitters if e.kind == "element"))


def _thinned(refined: Refined, library: dict[str, tuple[Emitter, ...]]) -> tuple[Refined, bool]:
    """Drop the least sure element again and again, shapes as they are, until all are sure."""
    changed = False
    while True:
        judge = Judge(refined)
        margin = {e: _margin(e, judge, library[e], refined.model) for e in _elements(refined.model)}
        weakest = min(margin, key=margin.__getitem__, default=None)
        if weakest is None or margin[weakest] >= 0:
            return refined, changed
        changed = True
        gone = {e.label for e in refined.model.emitters if e.kind == "element"}
        gone = {label for label in gone if label.split()[0] == weakest}
        keep = [k for k, label in enumerate(refined.fit.labels) if label not in gone]
        model = refined.model.with_emitters(
            [e for e in refined.model.emitters if e.label not in gone]
        )
        fit = refined.fit
        fit = solve(fit.counts, fit.matrix[:, keep], fit.edges, model.labels)
        refined = replace(refined, model=model, fit=fit)


def _better_known(
    judge: Judge, model: SpectrumModel, library: dict[str, tuple[Emitter, ...]]
) -> tuple[str, str] | None:
    """Find an element for which a commoner one would do as well, and that one."""
    chosen = _elements(model)
    margin = {e: _margin(e, judge, library[e], model) for e in chosen if e not in COMMON}
    for element in sorted(margin, key=margin.__getitem__):
        if margin[element] > 30:
            continue
        for rival, gain in _rivals(element, judge, model, library, chosen):
            if rival in COMMON and gain > -CLEAR_LEAD:
                return element, rival
    return None


def _rivals(
    element: str,
    judge: Judge,
    model: SpectrumModel,
    library: dict[str, tuple[Emitter, ...]],
    chosen: Sequence[str],
) -> list[tuple[str, float]]:
    """Elements outside the model that could take the place of one inside.

    Returns
    -------
    list of (str, float)
        Element, and how much better (in chi-square) it would explain the counts.
    """
    own = {e.label: judge.column_of(model.column(e)) for e in library[element]}
    best = max((judge.judge(k, c) for k, c in own.items()), key=lambda v: v.z)
    shape = own[best.label]
    tests = [
        e for c in USUAL if c in library and c not in chosen for e in library[c]
        if abs(e.main_energy - _energy_of(best.label, library[element])) < 0.5
    ]  # fmt: skip
    if not tests:
        return []
    columns = np.column_stack([judge.column_of(model.column(e)) for e in tests])
    alike = judge.likeness(shape, columns)
    without = tuple(own)
    verdicts = judge.judge_many([e.label for e in tests], columns, without)
    alone = judge.judge(best.label, shape, without).z
    found = [
        (e.element, v.z * abs(v.z) - alone**2)
        for e, v, a in zip(tests, verdicts, alike, strict=True)
        if a > LIKENESS
    ]
    return sorted(found, key=lambda pair: -pair[1])


def _energy_of(label: str, emitters: Sequence[Emitter]) -> float:
    return next(e.main_energy for e in emitters if e.label == label)


def _evidence(
    judge: Judge, emitters: Sequence[Emitter], model: SpectrumModel
) -> dict[str, Evidence]:
    """Each family of an element judged with the element's other families left in."""
    return {e.label: judge.judge(e.label, judge.column_of(model.column(e))) for e in emitters}


def _margin(element: str, judge: Judge, emitters: Sequence[Emitter], model: SpectrumModel) -> float:
    """Tell by how many standard errors the best sound family exceeds the threshold."""
    needed = Z_USUAL if element in USUAL else Z_UNUSUAL
    evidence = _evidence(judge, emitters, model)
    sound = _sound(emitters, evidence)
    return max((evidence[e.label].z for e in sound), default=-np.inf) - needed


def _sound(emitters: Sequence[Emitter], evidence: dict[str, Evidence]) -> list[Emitter]:
    """Families that the element's harder families do not contradict.

    Soft lines may be lost in the paint, hard ones may not: from a soft family follows
    how many counts a hard one must have at the least (those of a thin layer). The hard
    family must not lie far below that.
    """
    found = []
    for emitter in emitters:
        mine = evidence[emitter.label]
        contradicted = False
        for other in emitters:
            if other.main_energy <= emitter.main_energy:
                continue
            theirs = evidence[other.label]
            least = 0.3 * mine.net * other.strength / emitter.strength
            contradicted |= least > theirs.net + 3 * theirs.error
        if not contradicted:
            found.append(emitter)
    return found


def _findings(
    refined: Refined,
    judge: Judge,
    library: dict[str, tuple[Emitter, ...]],
    metal: str,
    given: Sequence[str] | None,
) -> tuple[ElementFinding, ...]:
    """Verdict with reasons for every element in the model and every usual one."""
    inside = {e.element for e in refined.model.emitters if e.kind == "element"}
    found = []
    for element in sorted({*USUAL, *inside} & set(library), key=lambda e: list(library).index(e)):
        emitters = library[element]
        evidence = _evidence(judge, emitters, refined.model)
        margin = _margin(element, judge, emitters, refined.model)
        if element in inside and (margin >= 0 or given is not None):
            rivals = (
                _rivals(element, judge, refined.model, library, tuple(inside))
                if margin < 30 else []
            )  # fmt: skip
            rival = next((name for name, gain in rivals if gain > -CLEAR_LEAD), None)
            found.append(
                _present(element, emitters, evidence, judge, refined.model, margin >= 0, rival)
            )
        else:
            found.append(_absent(element, emitters, evidence))
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
) -> ElementFinding:
    """Verdict on an element of the model; `rival` would explain its counts as well."""
    seen = _lines_seen(emitters, evidence, judge, model)
    families = [e.label for e in emitters if evidence[e.label].z >= Z_LINE]
    best = max(evidence.values(), key=lambda v: v.z)
    words = (
        f"{', '.join(families) or best.label} with {best.net:,.0f} ± {best.error:,.0f} net counts "
        f"({best.z:.0f} standard errors) after all overlaps"
    )
    if seen:
        words += f"; seen separately: {', '.join(seen)}"
    if best.competitor is not None and best.overlap > 0.3:
        words += f"; nearest other shape: {best.competitor} (likeness {best.overlap:.2f})"
    if rival is not None:
        words += f"; {rival} would explain these counts as well"
    if not sure:
        words += "; given by the user, not sure from the sum spectrum alone"
    return ElementFinding(
        symbol=element,
        lines=families or [best.label],
        verdict=_verdict(sure, rival, best),
        because=words,
        evidence={**_numbers(best, seen), "rival": rival},
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
    return evidence.inflation > INSEPARABLE


def _absent(
    element: str, emitters: Sequence[Emitter], evidence: dict[str, Evidence]
) -> ElementFinding:
    # the family that would show the smallest mass of the element
    best = min(emitters, key=lambda e: evidence[e.label].error / e.strength)
    mine = evidence[best.label]
    limit = max(mine.net, 0.0) + 1.645 * mine.error
    hidden = _hidden(mine) and mine.competitor is not None
    if hidden:
        words = (
            f"{best.label} cannot be told from {mine.competitor}, which widens its error "
            f"{mine.inflation:.0f}-fold: fewer than {limit:,.0f} net counts"
        )
    else:
        words = f"{best.label}: fewer than {limit:,.0f} net counts (95 % limit)"
    return ElementFinding(
        symbol=element,
        lines=[best.label],
        verdict="not separable" if hidden else "not detected",
        because=words,
        evidence={**_numbers(mine, []), "upper_limit": limit},
    )


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
    """List the groups of lines that stand by themselves."""
    seen = []
    for emitter in emitters:
        if evidence[emitter.label].z < Z_LINE:
            continue
        shares = emitter.shares(
            model.cover.get(emitter.label, 0.0), model.log_factors.get(emitter.label)
        )
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


def _numbers(evidence: Evidence, seen: list[str]) -> dict[str, float | str | list[str] | None]:
    return {
        "net_counts": evidence.net,
        "net_counts_err": evidence.error,
        "standard_errors": evidence.z,
        "likelihood_ratio": evidence.z**2 if evidence.z > 0 else 0.0,
        "error_inflation": evidence.inflation,
        "competitor": evidence.competitor,
        "competitor_likeness": evidence.overlap,
        "lines_seen": seen,
    }
