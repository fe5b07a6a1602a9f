"""Elements that sums over pixels of like composition show, where the sum of the scan does not.

What other lines hide gives no single pixel a hint: sulfur of vermilion lies between the M lines of
mercury and lead. So the sums over groups of like pixels (:mod:`xrfmap.spectra.summary`) are asked,
too.

Pixels whose counts of a faint line happen to be many are like each other in just that: in uniform
lead white some groups hold tin by chance, by six standard errors. So a group gives a hint only.
What it hints at is tested on other groups, which its own lines had no part in forming.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.findings import ElementFinding
from xrfmap.fit.full_blocks import FullWatch
from xrfmap.identification.element_tests import COMMON
from xrfmap.identification.identify import Found, identify_part
from xrfmap.maps.candidate_scores import candidates
from xrfmap.maps.local_elements import Local, row_counts_of, with_local
from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.refine import Refined
from xrfmap.spectra.score_test import Judge
from xrfmap.spectra.shape_knobs import REFINE_ERROR
from xrfmap.spectra.sum_fit import fit_sum
from xrfmap.spectra.summary import group_pixels
from xrfmap.spectra.sums import scan_sums

__all__ = ["add_of_like_pixels"]

Array = npt.NDArray[np.float64]

Z_GROUP = 10.0
"""Standard errors, by counting alone, at which the sum over a group of like pixels gets that fit:
shapes, held here, are worth as much again (sulfur of vermilion 22 alone, 10 with them)."""

LINES = 1e-3
"""Share of a family's highest peak from which a channel belongs to its lines."""


@in_one_thread
def add_of_like_pixels(scan: xr.Dataset, found: Found) -> Found:
    """Look for common elements in the groups of like pixels of a scan.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan; its counts are read again only where there is a hint.
    found : Found
        From its sum spectrum.

    Returns
    -------
    Found
        With the elements that such groups show; `found` itself where pixels ran full, since a
        small group may hold hardly any others.
    """
    summary = found.summary
    common = [e for e in candidates(found) if e.element in COMMON]
    if summary is None or not common or FullWatch.of(scan, found) is not None:
        return found
    hints = _shown(found, common, summary.cluster, summary.cluster_counts)
    if not hints:
        return found
    blind = _channels_of([e for e in common if e.element in hints], found)
    groups, counts = group_pixels(scan, scan_sums(scan), blind=blind)
    hinted = [e for e in common if e.element in hints]
    return with_local(scan, found, _shown(found, hinted, groups, counts))


def _shown(
    found: Found, emitters: Sequence[Emitter], groups: npt.NDArray[np.int8], counts: Array
) -> dict[str, Local]:
    """Elements that the sums over groups show: verdict of the surest, pixels of all of them."""
    symbols = {e.element for e in emitters}
    shown: dict[str, Local] = {}
    for k, spectrum in enumerate(counts):
        mask = np.asarray(groups == k)
        if not mask.any() or not _hinted(np.asarray(spectrum, np.float64), found, emitters):
            continue
        part = identify_part(spectrum, found, row_counts=row_counts_of(mask, found))
        for verdict in part.elements:
            if verdict.verdict != "present" or verdict.symbol not in symbols:
                continue
            known = shown.get(verdict.symbol)
            every = mask if known is None else known.mask | mask
            if known is not None and _standing(known.verdict) > _standing(verdict):
                best = known.verdict
            else:
                best = verdict
            words = "in the group that shows it best"
            shown[verdict.symbol] = Local(best, every, int(every.sum()), words)
    return shown


def _channels_of(emitters: Sequence[Emitter], found: Found) -> npt.NDArray[np.bool_]:
    """Channels in which a family has more than a thousandth of its peak, shape (channel,)."""
    blind = np.zeros(found.model.channels, dtype=bool)
    for emitter in emitters:
        column = found.model.column(emitter)
        blind |= column > LINES * column.max()
    return blind


def _hinted(counts: Array, found: Found, emitters: Sequence[Emitter]) -> bool:
    """Tell whether a sum might show a candidate, all shapes as they are on the whole scan."""
    model = found.model
    fit = fit_sum(counts, model, model_error=REFINE_ERROR)
    judge = Judge(Refined(model, fit, {}, np.zeros((len(fit.counts), 0)), np.zeros(0)))
    columns = np.column_stack([judge.column_of(model.column(e)) for e in emitters])
    evidence = judge.judge_many([e.label for e in emitters], columns)
    return max(v.z for v in evidence) > Z_GROUP


def _standing(verdict: ElementFinding) -> float:
    z = verdict.evidence.get("standard_errors")
    return float(z) if isinstance(z, int | float) else 0.0
