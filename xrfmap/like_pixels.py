"""Elements that sums over pixels of like composition show, where the sum of the scan does not.

What other lines hide gives no single pixel a hint: sulfur of vermilion lies between the M lines of
mercury and lead. So the sums over pixels of like composition (:mod:`xrfmap.summary`) are asked,
too. Those groups come from the whole spectrum, of which a faint candidate is a small part.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.candidate_scores import candidates
from xrfmap.element_tests import COMMON
from xrfmap.emitters import Emitter
from xrfmap.evidence import Judge
from xrfmap.findings import ElementFinding
from xrfmap.identify import Found, identify_part
from xrfmap.local_elements import Local, row_counts_of, with_local
from xrfmap.one_thread import in_one_thread
from xrfmap.refine import Refined
from xrfmap.shape_knobs import REFINE_ERROR
from xrfmap.sum_fit import fit_sum

__all__ = ["add_of_like_pixels"]

Array = npt.NDArray[np.float64]

Z_GROUP = 10.0
"""Standard errors, by counting alone, at which the sum over a group of like pixels gets that fit:
shapes, held here, are worth as much again (sulfur of vermilion 22 alone, 10 with them)."""


@in_one_thread
def add_of_like_pixels(scan: xr.Dataset, found: Found) -> Found:
    """Look for common elements in the groups of like pixels of a scan.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan; its counts are not read again.
    found : Found
        From its sum spectrum.

    Returns
    -------
    Found
        With the elements that a group shows, each from the surest one.
    """
    summary, confirmed = found.summary, dict[str, Local]()
    if summary is None or summary.full is not None:
        return found
    common = [e for e in candidates(found) if e.element in COMMON]
    symbols = {e.element for e in common}
    for k, counts in enumerate(summary.cluster_counts if common else ()):
        mask = np.asarray(summary.cluster == k)
        if not mask.any() or not _hinted(np.asarray(counts, np.float64), found, common):
            continue
        part = identify_part(counts, found, row_counts=row_counts_of(mask, found))
        for verdict in part.elements:
            if verdict.verdict != "present" or verdict.symbol not in symbols:
                continue
            known = confirmed.get(verdict.symbol)
            if known is None or _standing(verdict) > _standing(known.verdict):
                confirmed[verdict.symbol] = Local(verdict, mask, int(mask.sum()), "in these")
    return with_local(scan, found, confirmed)


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
