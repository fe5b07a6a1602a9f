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

from xrfmap.errors import InputError
from xrfmap.findings import ElementFinding
from xrfmap.identification.element_search import grown, pruned, regrown, with_doubtful
from xrfmap.identification.element_tests import Library, library_of
from xrfmap.identification.element_verdicts import element_findings
from xrfmap.identification.may_be_there import with_owed
from xrfmap.physics.lineshape import EnergyScale, Response, self_convolution
from xrfmap.physics.tube import DEFAULT_ANODE, DEFAULT_TUBE_KV
from xrfmap.running.one_thread import in_one_thread
from xrfmap.scan import instrument_of
from xrfmap.settings import Instrument
from xrfmap.spectra.emitters import family_emitter, scatter_emitters
from xrfmap.spectra.left_out import FullChannels, check_left, fit_without_full
from xrfmap.spectra.row_mixture import RowMixture
from xrfmap.spectra.row_scales import RowScales
from xrfmap.spectra.sum_fit import SumFit
from xrfmap.spectra.summary import Summary, pile_up_shape, summarise
from xrfmap.spectra.templates import SpectrumModel, continuum_knots, scatter_carrier

__all__ = ["Found", "base_model", "elements_of_sum", "identify", "identify_part"]

Array = npt.NDArray[np.float64]

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
        See :class:`xrfmap.spectra.refine.Refined`.
    anode : str or None
        Anode that was assumed.
    summary : Summary or None
        Sum, maximum and cluster spectra, where a scan was given.
    drift : RowScales or None
        Energy scale of each row, where the gain drifted.
    given : tuple of str
        Elements that the user asked for: mapped whether they were found or not.
    of_sum : Found or None
        What the sum spectrum alone showed, where elements of some pixels have been added.
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
    of_sum: Found | None = None

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
        Elements to take as given; the test still says how sure each is. One named twice counts
        once.
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
    if elements is not None:  # twice the same lines could not be told from each other
        elements = list(dict.fromkeys(elements))
    _check_given(elements or (), library, model)
    if like is not None and elements is None:
        refined = regrown(counts, model, library, like.present, rows)
    else:
        refined = grown(counts, model, library, elements, rows)
    refined, judge = pruned(counts, refined, library, elements, like is not None)
    if elements is None:
        refined, judge = with_doubtful(counts, refined, judge, library, rows, like is not None)
    findings = element_findings(refined, judge, library, metal, elements)
    found = Found(
        findings, refined.model, refined.fit, counts, refined.parameters, refined.slopes,
        refined.spreads, metal, given=tuple(elements or ()),
    )  # fmt: skip
    return with_owed(found)


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
        If there are no counts, or nearly all channels ran full.
    """
    scale = EnergyScale.from_attrs(scan.attrs)
    instrument = instrument_of(scan)
    anode = instrument.anode or scan.attrs.get("anode")
    where = str(scan.attrs.get("source") or "spectrum")
    if scan["counts"].ndim == 1:
        counts = np.asarray(scan["counts"], dtype=np.float64)
        return fit_without_full(
            counts,
            FullChannels.of(scan),
            lambda whole: base_model(
                whole, scale, instrument, anode=anode, energy_range=energy_range
            ),
            lambda model: identify(counts, model, elements=elements, anode=anode),
            where,
        )
    summary = summarise(scan)
    drift = RowScales.of(scan)
    model = base_model(
        summary.sum_counts, scale, instrument, anode=anode, energy_range=energy_range,
        pile_up=pile_up_shape(summary, scale),
    )  # fmt: skip
    model = replace(model, left_out=summary.full)
    if summary.full is not None:
        check_left(model, summary.full, where)
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
        (:meth:`xrfmap.spectra.row_scales.RowScales.sum_groups`), so that a family may lie in
        other rows than the next; without them all families lie as the counts do. [counts]
    full : FullChannels, optional
        Channels in which pixels of the part ran full, left out of the fit.

    Raises
    ------
    InputError
        If nearly all channels ran full.
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
            m_states=model.m_states,
            paint_edges=model.paint_edges,
            shifts=shifts,
            own_shifts=own_shifts,
        )

    return fit_without_full(
        counts, full, start,
        lambda model: identify(counts, model, elements=elements, like=like, rows=rows),
    )  # fmt: skip
