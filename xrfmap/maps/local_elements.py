"""Elements that only some pixels of a scan hold, joined with those that its sum shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import label

from xrfmap.findings import ElementFinding
from xrfmap.identification.anew import judged_anew
from xrfmap.identification.identify import Found
from xrfmap.identification.may_be_there import with_owed
from xrfmap.numbers import whole
from xrfmap.spectra.emitters import family_emitter, usable_families

__all__ = ["Local", "largest_patch", "row_counts_of", "with_local", "with_traces"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


TOGETHER = 0.3
"""Share of the pixels of an element in one patch from which that is its place."""


@dataclass(frozen=True, eq=False)
class Local:
    """Element of some pixels.

    Attributes
    ----------
    verdict : ElementFinding
        On the sum over the pixels.
    mask : ndarray of bool, shape (y, x)
        Which they are.
    pixels : int
        So many hold it in all, about.
    which : str
        Which of these were asked, in words.
    """

    verdict: ElementFinding
    mask: Mask
    pixels: int
    which: str


def with_local(scan: xr.Dataset, found: Found, confirmed: Mapping[str, Local]) -> Found:
    """Add elements of some pixels to the model and to the findings.

    Parameters
    ----------
    scan : Dataset
        For the places of its pixels.
    found : Found
        From its sum spectrum.
    confirmed : mapping of str to Local
        By symbol.

    Returns
    -------
    Found
        `found` itself if there are none.
    """
    findings = []
    for local in confirmed.values():
        verdict = local.verdict
        (row, column), share = largest_patch(local.mask)
        x, y = float(scan["x"].values[column]), float(scan["y"].values[row])
        unit = scan["x"].attrs.get("units", "mm")
        place = f"most together around x = {x:.0f}, y = {y:.0f} {unit}"
        if share < TOGETHER:
            place = "spread over the scan"
        elif share < 0.99:
            place += f" ({100 * share:.0f} % of them; the rest elsewhere)"
        words = (
            f"found locally, in about {whole(local.pixels)} pixels, {place}; "
            f"{local.which}: {verdict.because}"
        )
        evidence = {**verdict.evidence, "pixels": float(local.pixels)}
        findings.append(verdict.model_copy(update={"because": words, "evidence": evidence}))
    return with_traces(found, findings)


def with_traces(found: Found, findings: Sequence[ElementFinding]) -> Found:
    """Add elements of a few pixels, found now or earlier, to what the sum of a scan shows.

    Parameters
    ----------
    found : Found
        From the sum spectrum.
    findings : sequence of ElementFinding
        Findings on the same scan; those of elements that are present there and not in
        `found` are added, with their lines in the model.

    Returns
    -------
    Found
        `found` itself if there are none.

    Notes
    -----
    All families of an element come in, and all shapes are refined anew: shapes refined without
    it lean on it. L lines of tin lie on potassium K-beta, K-beta of arsenic on mercury L-beta.
    It starts from what the sum alone showed, so that the order of the findings does not matter.
    What was told of the other elements is told anew by the model with all of them
    (:mod:`xrfmap.identification.anew`); elements of some pixels keep what their pixels said.
    """
    more = [e for e in findings if e.verdict == "present" and e.symbol not in found.present]
    if not more:
        return found
    start = found.of_sum or found
    local = [e for e in more if _local(e, start)]
    if not local:
        return found
    every = {e.symbol: e for e in (*found.elements, *local)}
    local = [e for e in every.values() if _local(e, start)]
    model = start.model
    instrument, window = model.instrument, model.energy_range
    names = [(e.symbol, f) for e in local for f in usable_families(e.symbol, instrument, window)]
    emitters = [family_emitter(e, f, instrument, found.anode) for e, f in names]
    # what is not separable in the sum is in its model, and may yet be sure in some pixels
    added = [e for e in emitters if e is not None and e.label not in model.labels]
    model = model.with_emitters([*model.emitters, *added])
    plain = replace(model, cover={}, log_factors={}, m_states={}, paint_edges={})
    refined, told = judged_anew(start, plain, [e.symbol for e in local])
    every |= told | {e.symbol: e for e in local}
    joined = replace(
        found, model=refined.model, fit=refined.fit, parameters=refined.parameters,
        slopes=refined.slopes, spreads=refined.spreads, elements=tuple(every.values()),
        of_sum=start,
    )  # fmt: skip
    return with_owed(joined)


def _local(finding: ElementFinding, start: Found) -> bool:
    """Whether some pixels say this, and not the sum, whose model may hold the element too."""
    if finding.verdict != "present" or finding.symbol in start.present:
        return False
    known = {e.element for e in start.model.emitters if e.kind == "element"}
    return "pixels" in finding.evidence or finding.symbol not in known


def largest_patch(mask: Mask) -> tuple[tuple[int, int], float]:
    """Find where most of a mask lies together.

    Parameters
    ----------
    mask : ndarray of bool, shape (y, x)
        Some true; of a chessboard, say: pixels that touch by a corner lie together.

    Returns
    -------
    (row, column), share : tuple of int, float
        A pixel of the largest patch, the nearest to its middle, and the share of the mask
        that the patch has.
    """
    patches, _ = label(mask, np.ones((3, 3), int))
    size = np.bincount(patches[mask])
    places = np.argwhere(patches == int(np.argmax(size)))
    away = ((places - places.mean(axis=0)) ** 2).sum(axis=1)
    row, column = places[int(np.argmin(away))]
    return (int(row), int(column)), float(size.max() / mask.sum())


def row_counts_of(mask: Mask, found: Found) -> Array | None:
    """Add up what each row brings into the sum over a mask. [counts]."""
    return None if found.summary is None else np.where(mask, found.summary.total, 0).sum(axis=1)
