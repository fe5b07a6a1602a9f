"""Which elements are there: found by test on summed spectra, overlaps said.

Elements are added one after the other, the surest first, while shapes are refined in
between; then every element is judged once more inside the complete model. An element
counts as present when at least one family stands far above everything that neighbours,
shape uncertainties and model error could explain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.element_tests import (
    CLEAR_LEAD,
    COMMON,
    USUAL,
    Z_UNUSUAL,
    Z_USUAL,
    Library,
    library_of,
    margin_of,
    rivals,
)
from xrfmap.element_verdicts import element_findings
from xrfmap.emitters import family_emitter, scatter_emitters
from xrfmap.errors import InputError
from xrfmap.evidence import Judge
from xrfmap.findings import ElementFinding
from xrfmap.left_out import FullChannels, fit_without_full
from xrfmap.lineshape import EnergyScale, Response, self_convolution
from xrfmap.one_thread import in_one_thread
from xrfmap.refine import Refined, refine
from xrfmap.row_mixture import RowMixture
from xrfmap.row_scales import RowScales
from xrfmap.scan import instrument_of
from xrfmap.settings import Instrument
from xrfmap.sum_fit import SumFit, fit_sum, solve
from xrfmap.summary import Summary, pile_up_shape, summarise
from xrfmap.templates import SpectrumModel, continuum_knots, scatter_carrier
from xrfmap.tube import DEFAULT_ANODE, DEFAULT_TUBE_KV

__all__ = ["Found", "base_model", "elements_of_sum", "identify", "identify_part"]

Array = npt.NDArray[np.float64]

GROW_ERROR = 0.015
"""Relative model error while elements are still being added."""

SELF_PILED = 0.08
"""Share of all counts from which a family has a pile-up of its own: a hundredth of that share
squared, at usual rates, is what a trace may amount to."""

SUM_PIECES = 18
"""Pieces of the continuum on summed spectra: about 1 keV at the low, 3 keV at the high end."""


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
    given : tuple of str
        Elements that the user asked for: mapped whether they were found or not.
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
    given: tuple[str, ...] = ()

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
    carrier, elastic = scatter_carrier(instrument, anode, scale, channels)
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
        carrier=carrier,
        elastic=elastic,
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

    Raises
    ------
    InputError
        If `elements` names one that cannot be seen here.
    """
    anode = anode or (like.anode if like else None)
    metal = anode or model.instrument.anode or DEFAULT_ANODE
    library = library_of(model, metal, anode)
    _check_given(elements or (), library, model)
    if like is not None and elements is None:
        refined = _regrow(counts, model, library, like.present, rows)
    else:
        refined = _grow(counts, model, library, elements, rows)
    refined, judge = _prune(counts, refined, library, elements, like is not None)
    findings = element_findings(refined, judge, library, metal, elements)
    return Found(
        findings, refined.model, refined.fit, counts, refined.parameters, refined.slopes,
        refined.spreads, metal, given=tuple(elements or ()),
    )  # fmt: skip


def _check_given(elements: Sequence[str], library: Library, model: SpectrumModel) -> None:
    """Refuse elements that no fit of this spectrum could say anything about."""
    unseen = [e for e in elements if e not in library]
    if unseen:
        low, high = model.energy_range
        raise InputError(
            "elements",
            found=", ".join(unseen),
            expected=f"elements other than the anode, with lines that the tube excites between "
            f"{low:.2f} and {high:.1f} keV",
            remedy="leave them out, or widen the range of energies that is fitted",
        )


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
        return fit_without_full(
            counts,
            FullChannels.of(scan),
            lambda whole: base_model(
                whole, scale, instrument, anode=anode, energy_range=energy_range
            ),
            lambda model: identify(counts, model, elements=elements, anode=anode),
        )
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
    full: FullChannels | None = None,
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
    full : FullChannels, optional
        Channels in which pixels of the part ran full, left out of the fit.
    """
    model = like.model
    shifts, own_shifts, rows = model.shifts, model.own_shifts, None
    if like.drift is not None and row_counts is not None:
        shifts, own_shifts = like.drift.shifts(row_counts), {}
        if scale_counts is not None:
            rows = RowMixture(like.drift, scale_counts, np.asarray(row_counts, np.float64))

    def start(whole: Array) -> SpectrumModel:
        bare = base_model(
            whole, model.scale, model.instrument, anode=like.anode, energy_range=model.energy_range
        )
        return replace(
            bare,
            response=model.response,
            compton_shift=model.compton_shift,
            compton_fwhm_kev=model.compton_fwhm_kev,
            cover=model.cover,
            log_factors=model.log_factors,
            shifts=shifts,
            own_shifts=own_shifts,
        )

    return fit_without_full(
        counts, full, start,
        lambda model: identify(counts, model, elements=elements, like=like, rows=rows),
    )  # fmt: skip


def _grow(
    counts: Array,
    model: SpectrumModel,
    library: Library,
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


def _regrow(
    counts: Array,
    model: SpectrumModel,
    library: Library,
    known: Sequence[str],
    rows: RowMixture | None = None,
) -> Refined:
    """Start from known elements, add what is still missing, refine once."""
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


def _prune(
    counts: Array,
    refined: Refined,
    library: Library,
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
