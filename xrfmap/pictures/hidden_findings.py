"""What the search for a hidden design says in ``findings.json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr

from xrfmap.findings import HiddenFinding, HiddenJoint, HiddenShape
from xrfmap.pictures.hidden import HIDDEN_CAUTIONS, shapes_of

__all__ = ["hidden_finding"]

LEAST_WEIGHT = 0.1  # in the joint picture; less is a family that only shares its noise


def hidden_finding(hidden: xr.Dataset, scan: str, file: str | None) -> HiddenFinding:
    """Shapes of one scan with place, size, significance and what they cannot tell.

    Parameters
    ----------
    hidden : Dataset
        From :func:`xrfmap.pictures.hidden.hidden_design`; attributes ``photograph``, ``placement``
        and ``placement_error`` are taken where they are there.
    scan : str
        Name of the scan.
    file : str or None
        Name of the file that holds `hidden`.

    Returns
    -------
    HiddenFinding
        Places and sizes in the unit of the scan's axes.
    """
    told = shapes_of(hidden)
    error = hidden.attrs.get("placement_error")
    return HiddenFinding(
        scan=scan,
        file=file,
        photograph=str(hidden.attrs.get("photograph", "")),
        placement=str(hidden.attrs.get("placement", "")),
        placement_error=None if error is None else float(error),
        unit=str(hidden["x"].attrs.get("units", "mm")),
        level=float(hidden.attrs["level"]),
        risk=float(hidden.attrs["risk"]),
        share_judged=float(np.mean(np.asarray(hidden["colour_elsewhere"].values) > 0)),
        shapes=[_shape(s) for s in told],
        joint=_joint(hidden, [s for s in told if not s["follows_picture"]]),
        cannot_tell=list(HIDDEN_CAUTIONS),
    )


def _shape(told: dict[str, Any]) -> HiddenShape:
    return HiddenShape(
        element=str(told["line"]).split()[0],
        line=told["line"],
        sign="more" if told["sign"] > 0 else "less",
        x=told["x"],
        y=told["y"],
        width=told["right"] - told["left"],
        height=told["bottom"] - told["top"],
        area=told["area"],
        significance=told["peak"],
        share=told["share"],
        outline="follows_picture" if told["follows_picture"] else "own",
        outline_on_edges=told["on_edges"],
        by_chance=told["by_chance"],
    )


def _joint(hidden: xr.Dataset, own: Sequence[dict[str, Any]]) -> HiddenJoint | None:
    """Say where all shapes with an outline of their own lie together, and what they are of."""
    if not own:
        return None
    weight = dict(
        zip(hidden["line"].values.tolist(), hidden["loading"].values.tolist(), strict=True)
    )
    strong = sorted(
        (line for line, w in weight.items() if abs(w) >= LEAST_WEIGHT),
        key=lambda line: -abs(weight[line]),
    )
    inside = (hidden["shape"].values == 1).any(axis=0)
    places = [np.asarray(hidden[v].values, dtype=float) for v in ("y", "x")]
    cell = float(np.prod([abs(np.median(np.diff(v))) if v.size > 1 else 1.0 for v in places]))
    y, x = (v[k] for v, k in zip(places, np.nonzero(inside), strict=True))
    left, top = (min(s[side] for s in own) for side in ("left", "top"))
    right, bottom = (max(s[side] for s in own) for side in ("right", "bottom"))
    return HiddenJoint(
        families={line: round(weight[line], 3) for line in strong},
        elements=list(dict.fromkeys(line.split()[0] for line in strong)),
        x=float(x.mean()),
        y=float(y.mean()),
        width=right - left,
        height=bottom - top,
        area=float(inside.sum()) * cell,
        significance=max(s["peak"] for s in own),
    )
