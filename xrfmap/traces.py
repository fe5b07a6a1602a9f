"""Elements that only a few pixels hold: too little for the sum, plain where they are.

Pixels are split like the fields of a chessboard. The white ones say where a candidate
might be; the black ones beside them, whose counts had no part in that choice, say whether
it is. A place picked by chance therefore gives no false discovery.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import binary_dilation, convolve

from xrfmap.findings import ElementFinding
from xrfmap.fit import fit_counts
from xrfmap.identify import COMMON, USUAL, Found, identify_part
from xrfmap.io.lazy import iter_blocks
from xrfmap.map_design import MapDesign
from xrfmap.one_thread import in_one_thread
from xrfmap.refine import fit_sum, merge
from xrfmap.templates import Emitter, family_emitter, usable_families

__all__ = ["add_traces", "candidate_scores"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

Z_PIXEL = 2.5
"""Standard errors at which a single pixel is a hint: 0.6 % of empty pixels pass."""

NEIGHBOURS = 2
"""Other hints needed among the twelve white fields around one: by chance 1 in 60 000."""

Z_PLACE = 7.0
"""Standard errors of all black fields together that make a full fit worth its time.

The full fit asks for five, after all shape uncertainties that this sum leaves out."""

MOST_SHARE = 0.2
"""A candidate hinted at in more of the scan than this is no local trace."""


@in_one_thread
def add_traces(scan: xr.Dataset, found: Found) -> Found:
    """Look for elements that only a few pixels hold.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan, ``counts(y, x, channel)``.
    found : Found
        From the sum spectrum of the same scan.

    Returns
    -------
    Found
        With local elements added: their verdict says how many pixels and where.
    """
    emitters = _candidates(found)
    if not emitters:
        return found
    score = candidate_scores(scan, found, emitters)
    places: dict[str, Mask] = {}  # per element, from the family that says most
    surest: dict[str, float] = {}
    for emitter, z in zip(emitters, score, strict=True):
        place = _places(z)
        joint = _joint(z[place]) if place.any() else 0.0
        if joint > max(Z_PLACE, surest.get(emitter.element, 0.0)):
            places[emitter.element], surest[emitter.element] = place, joint
    if not places:
        return found
    sums = _sums(scan, list(places.values()))
    confirmed: dict[str, tuple[ElementFinding, Mask]] = {}
    for (element, mask), counts in zip(places.items(), sums, strict=True):
        part = identify_part(counts, found)
        verdict = next((e for e in part.elements if e.symbol == element), None)
        if verdict is not None and verdict.verdict == "present":
            confirmed[element] = (verdict, mask)
    return _with_local(scan, found, confirmed)


def _joint(z: npt.NDArray[np.float32]) -> float:
    """Sum of standard normal scores in its own standard errors (Stouffer)."""
    return float(z.sum() / np.sqrt(len(z)))


def _candidates(found: Found) -> list[Emitter]:
    """List the families of each usual element that the sum does not show."""
    model = found.model
    result = []
    for element in dict.fromkeys([*COMMON, *USUAL]):
        if element in found.present or element == found.anode:
            continue
        families = usable_families(element, model.instrument, model.energy_range)
        options = [family_emitter(element, f, model.instrument, found.anode) for f in families]
        known = [e for e in options if e is not None]
        strongest = max((e.strength for e in known), default=0.0)
        # a soft family may be the stronger one and yet lie under something else
        result += [e for e in known if e.strength > 0.02 * strongest]
    return result


def candidate_scores(
    scan: xr.Dataset, found: Found, emitters: Sequence[Emitter]
) -> npt.NDArray[np.float32]:
    """Test each pixel for each candidate.

    Parameters
    ----------
    scan : Dataset
        Calibrated scan.
    found : Found
        Elements that explain the pixels so far.
    emitters : sequence of Emitter
        Candidates.

    Returns
    -------
    ndarray, shape (candidates, y, x)
        Score of the residual, in standard errors; about standard normal where the
        candidate is absent. NaN where a pixel has no counts.
    """
    ny, nx, _ = scan["counts"].shape
    plan = MapDesign.of(found, pixels=ny * nx)
    edges = plan.design.edges
    columns = np.column_stack([merge(found.model.column(e), edges) for e in emitters])
    filters = _filters(columns, plan.design.matrix, plan.typical)
    score = np.full((len(emitters), ny, nx), np.nan, np.float32)
    for rows, cols, block in iter_blocks(scan["counts"]):
        flat = block.reshape(-1, block.shape[2])
        fit = fit_counts(flat, plan.design, plan.typical)
        expected = fit.amplitude.astype(np.float64) @ plan.design.matrix.T
        excess = (plan.design.merge(flat) - expected) @ filters
        spread = np.sqrt(np.maximum(expected @ filters**2, 1e-9))
        counted = np.asarray(flat.any(axis=1))
        z = np.where(counted[:, None], excess / spread, np.nan)
        score[:, rows, cols] = z.T.reshape(len(emitters), *block.shape[:2])
    return score


def _filters(columns: Array, matrix: Array, typical: Array) -> Array:
    """Weights per bin that ask for a candidate and are blind to all known components."""
    root = 1 / np.sqrt(np.maximum(typical, 1e-3 * typical.mean()))
    q, _ = np.linalg.qr(matrix * root[:, None])
    scaled = columns * root[:, None]
    return np.asarray((scaled - q @ (q.T @ scaled)) * root[:, None])


def _places(z: npt.NDArray[np.float32]) -> Mask:
    """Black fields beside white ones that hint at a candidate together."""
    ny, nx = z.shape
    white = (np.add.outer(np.arange(ny), np.arange(nx)) % 2) == 0
    hint = white & (np.nan_to_num(z, nan=0.0) > Z_PIXEL)
    around = convolve(hint.astype(np.int16), np.ones((5, 5), np.int16), mode="constant")
    core = hint & (around - 1 >= NEIGHBOURS)
    place = binary_dilation(core, np.ones((3, 3), bool)) & ~white & np.isfinite(z)
    if place.sum() > MOST_SHARE * z.size:
        return np.zeros_like(place)
    return np.asarray(place)


def _sums(scan: xr.Dataset, masks: Sequence[Mask]) -> list[Array]:
    """Sum spectrum over each mask in one pass."""
    sums = [np.zeros(scan.sizes["channel"]) for _ in masks]
    for rows, cols, block in iter_blocks(scan["counts"]):
        for total, mask in zip(sums, masks, strict=True):
            chosen = mask[rows, cols]
            if chosen.any():
                total += block[chosen].sum(axis=0, dtype=np.float64)
    return sums


def _with_local(
    scan: xr.Dataset, found: Found, confirmed: dict[str, tuple[ElementFinding, Mask]]
) -> Found:
    """Add confirmed local elements to the model and to the findings."""
    if not confirmed:
        return found
    model = found.model
    new = []
    for element, (verdict, _) in confirmed.items():
        for line in verdict.lines:
            emitter = family_emitter(element, line.split()[1], model.instrument, found.anode)
            if emitter is not None:
                new.append(emitter)
    model = model.with_emitters([*model.emitters, *new])
    elements = [e for e in found.elements if e.symbol not in confirmed]
    for verdict, mask in confirmed.values():
        y, x = (float(v) for v in np.argwhere(mask).mean(axis=0))
        middle_y = float(np.interp(y, np.arange(mask.shape[0]), scan["y"].values))
        middle_x = float(np.interp(x, np.arange(mask.shape[1]), scan["x"].values))
        unit = scan["x"].attrs.get("units", "mm")
        words = (
            f"found locally, about {2 * int(mask.sum())} pixels around x = {middle_x:.0f}, "
            f"y = {middle_y:.0f} {unit}; in half of them: {verdict.because}"
        )
        elements.append(
            verdict.model_copy(
                update={
                    "because": words,
                    "evidence": {**verdict.evidence, "pixels": 2.0 * float(mask.sum())},
                }
            )
        )
    fit = fit_sum(found.sum_counts, model, edges=found.fit.edges)
    return replace(found, model=model, fit=fit, elements=tuple(elements))
