"""What all pixels of an area may be wrong about alike: tables that lie beside the maps.

`net_counts_err` of a pixel holds counting and two errors that do not average out over pixels.
The cover before a neighbour may be another one than the model's, and an element that nobody has
found may lie below a line: where that is so in one pixel of a paint it is so in all of them.
The square of the error of family i in a pixel is

    counting + sum over j of (F_ij N_j)^2 + (h_i N_i)^2,

with the net counts N_j of each other family, `feigned_share` F and `hidden_share` h. Whoever sums
a map over an area needs them apart: counting grows with the root of the number of pixels, the
others with the number itself.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from xrfmap.fit.full_channels import cut_design, full_bins
from xrfmap.fit.map_design import hidden_beside
from xrfmap.identification.may_be_there import gained
from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.sum_fit import merge

if TYPE_CHECKING:
    import xarray as xr

    from xrfmap.fit.map_design import MapDesign
    from xrfmap.identification.identify import Found

__all__ = ["BESIDE", "SCHEMA", "shared_errors", "why_without"]

Array = npt.NDArray[np.float64]

BESIDE = "beside"
"""Dimension of the families that may feign counts of others; labels as of `line`."""

SCHEMA = 1
"""Version of these tables; attribute `schema` of each of them."""

NAMES = ("feigned_share", "hidden_share", "hidden_counts")
FULL_NAME = "feigned_share_full"


@in_one_thread  # the last digit of a sum depends on the threads
def shared_errors(
    found: Found, plan: MapDesign, pixels: int, full: float | None = None
) -> dict[str, tuple[Any, ...]]:
    """Make the tables of a scan.

    Parameters
    ----------
    found : Found
        Elements of the scan.
    plan : MapDesign
        Design of its pixels; where the gain drifted that of the first rows.
    pixels : int
        Pixels of the scan.
    full : float, optional
        Count at which channels ran full, if any pixel did. [counts]

    Returns
    -------
    dict
        Variables for a Dataset, as (dims, values, attributes):

        ``feigned_share(line, beside)``
            Counts that `line` seems to gain per net count of `beside` where the line ratios of
            `beside` are off by one standard deviation (half an optical depth of cover, or what
            was asked for); on the diagonal what a family's own line ratios do to it.
        ``feigned_share_full(line, beside)``
            The same in pixels that were fitted without their full channels, only where there
            are any; NaN for families that have no number there.
        ``hidden_share(line)``
            Share of a family that elements which were not found may have, in `net_counts_err`.
        ``hidden_counts(line)``
            Counts that such elements may have in the whole scan and be taken for this
            family, as a standard deviation. All of them may lie in one small area. [counts]
    """
    share = np.zeros(len(plan.lines)) if plan.owed is None else plan.owed
    hidden = _hidden(found, plan, pixels)
    told: dict[str, tuple[Any, ...]] = {
        "feigned_share": (("line", BESIDE), _feigned(plan), _about("1", FEIGNED)),
        "hidden_share": ("line", share, _about("1", HIDDEN)),
        "hidden_counts": ("line", hidden, _about("counts", f"{HIDDEN}, as counts of the scan")),
    }
    if full is not None and found.summary is not None:
        gone = full_bins(found.summary.max_counts, full, plan.design.edges)
        if gone.any():
            cut, lines = cut_design(plan, gone)
            table = np.full((len(plan.lines),) * 2, np.nan)
            table[np.ix_(lines, lines)] = _feigned(cut)
            words = f"{FEIGNED}, in pixels without their full channels"
            told[FULL_NAME] = (("line", BESIDE), table, _about("1", words))
    return told


FEIGNED = "counts that line gains per count of beside, with ratios off by one standard deviation"
HIDDEN = "share of line that elements which were not found may have"


def _about(units: str, meaning: str) -> dict[str, Any]:
    return {"units": units, "meaning": meaning, "schema": SCHEMA}


def why_without(maps: xr.Dataset) -> str:
    """Say what these maps lack for sums over areas; empty where they hold the tables."""
    lines = [str(line) for line in maps["line"].values]
    missing = [name for name in (*NAMES, "total_counts") if name not in maps]
    tables = [name for name in (*NAMES, FULL_NAME) if name in maps]
    if not missing and {maps[name].attrs.get("schema") for name in tables} != {SCHEMA}:
        return "what their pixels may be wrong about alike is written in another version"
    if missing:
        return (
            f"they do not hold what their pixels may be wrong about alike ({', '.join(missing)}), "
            "as maps of several scans put together and those of earlier versions do not"
        )
    gone = [str(j) for j in maps[BESIDE].values if str(j) not in lines]
    if gone:
        return f"the maps of {', '.join(gone)} are left out, which may feign counts of others"
    return ""


def _feigned(plan: MapDesign) -> Array:
    """Leakage with what a family's own line ratios do to it, shape (lines, lines)."""
    return replace(plan, cut=True, owed=None).leakage


def _hidden(found: Found, plan: MapDesign, pixels: int) -> Array:
    """Tell the counts of the whole scan that elements outside the design may have, (lines,)."""
    others = hidden_beside(found)
    if not others or not plan.lines:
        return np.zeros(len(plan.lines))
    model = found.model.at(plan.scale or found.model.scale)
    net = np.array([found.fit.net(label)[0] for label in plan.lines]) / pixels
    columns = np.column_stack([merge(model.column(o.emitter), plan.design.edges) for o in others])
    spread = np.array([o.spread for o in others])
    part = gained(plan.design.matrix, plan.typical, net, columns) * spread
    return np.asarray(np.sqrt((part**2).sum(axis=1)))
