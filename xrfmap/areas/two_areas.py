"""Two areas of a picture: whether they hold the same paint, as far as the signal can tell.

Each area is cut into eight compact blocks (:mod:`xrfmap.areas.blocks`). For every line
family two quantities are compared: its amount (net counts per second of live time) and its
ratio to one reference family, which does not change with the thickness of a layer that is
thin for its lines. Both are ratios of sums over blocks; their variance is that of the
jackknife [1]_, which leaves one block out at a time and so holds counting and unevenness
of the paint alike. What is left of likeness between touching blocks is measured and enters
the variance; where it is strong, blocks are put together in pairs. Differences are judged
by Student's t with the degrees of freedom of Welch and Satterthwaite [2]_, [3]_, which is
sound for few large blocks of dependent data [4]_. All tests of a pair of areas are
corrected together by Holm's rule [5]_: the risk that anything at all is called different
where nothing is stays near 5 %. What a strong neighbour may feign in a weak family, where
its line ratios vary with cover, is added to the variance of the difference, and so is what
elements that were not found may have in either area: neither need be alike in both, see
:mod:`xrfmap.areas.owed` and :mod:`xrfmap.areas.feigned`.

"No difference" is never a proof of sameness. Beside it stands the difference that would
have been found with a chance of 80 %.

References
----------
.. [1] R. G. Miller, "The jackknife: a review", Biometrika 61, 1 (1974). From memory.
.. [2] B. L. Welch, Biometrika 34, 28 (1947). From memory.
.. [3] F. E. Satterthwaite, Biometrics Bulletin 2, 110 (1946). From memory.
.. [4] R. Ibragimov and U. K. Müller, "t-statistic based correlation and heterogeneity
   robust inference", J. Bus. Econ. Stat. 28, 453 (2010). From memory.
.. [5] S. Holm, Scand. J. Statist. 6, 65 (1979). From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.stats import t as student

from xrfmap.areas.answer import answer_of, cannot_tell
from xrfmap.areas.blocks import AreaBlocks, blocks_from_scan
from xrfmap.areas.feigned import feigned, known_ratios, owed_counts, own_errors
from xrfmap.areas.map_blocks import blocks_from_maps
from xrfmap.areas.two_sums import RISK, holm
from xrfmap.findings import Comparison, FamilyComparison
from xrfmap.maps.shared_errors import why_without
from xrfmap.numbers import whole

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = ["POWER", "compare_areas", "compare_blocks"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

POWER = 0.8
"""Chance with which the stated smallest difference would be found; common practice."""

SEEN = 5.0
"""Standard errors of counting that make a family one of an area, as in the tests elsewhere."""

ALIKE = 0.3
"""Likeness of touching blocks above which they are put together in pairs."""

TOUCHED = 0.01
"""Error by line ratios from which it is said that a family lost channels."""

WHOLE = 200.0
"""Difference of something and nothing, in percent of their mean; where not even that would
have been seen, nothing can be told."""

FIRM = 10.0
"""Standard errors that a reference family needs in both areas; below, ratios mean little."""

FROM_MAPS = (
    "Told from maps alone: covers that differ by up to about one optical depth and elements that "
    "were not found are allowed for; a thicker cover may pass for another amount, and families too "
    "faint for single pixels are compared roughly or not at all. The scan itself says more."
)


@dataclass(frozen=True)
class _Value:
    """A ratio of sums over blocks with its jackknife variance, one entry per family."""

    value: Array
    variance: Array
    counting: Array  # part of the variance that counting makes
    dof: float


def compare_areas(
    data: xr.Dataset, a: Mask, b: Mask, names: tuple[str, str] = ("A", "B"),
    *, found: Found | None = None,
) -> Comparison:  # fmt: skip
    """Compare two areas of a scan family by family, and answer whether they differ.

    Parameters
    ----------
    data : Dataset
        The calibrated scan, with `found`; or element maps of one scan, without it, with all
        that :func:`xrfmap.map_elements` gives them. The scan tells more, see
        :mod:`xrfmap.areas.map_blocks`.
    a, b : ndarray of bool, shape (y, x)
        The areas. Pixels in both are left out.
    names : (str, str)
        What they are called.
    found : Found, optional
        Elements and shapes of the scan.

    Returns
    -------
    Comparison
        See :func:`compare_blocks`. "Cannot tell" for maps that do not hold what their pixels
        may be wrong about alike.
    """
    lacking = why_without(data) if found is None else ""
    if lacking:
        return cannot_tell(
            names, f"Cannot tell from these maps: {lacking}. Compare with the scan at hand."
        )
    both = a & b
    masks = {"a": a & ~both, "b": b & ~both}
    made = blocks_from_maps(data, masks) if found is None else blocks_from_scan(data, found, masks)
    answer = compare_blocks(made.get("a"), made.get("b"), names)
    words = answer.answer
    if both.any():
        words += f" {whole(int(both.sum()))} pixels that lie in both areas were left out."
    if found is None:
        words += f" {FROM_MAPS}"
    return answer.model_copy(update={"answer": words})


def compare_blocks(
    a: AreaBlocks | None, b: AreaBlocks | None, names: tuple[str, str]
) -> Comparison:
    """Compare two areas from the net counts of their blocks.

    Parameters
    ----------
    a, b : AreaBlocks or None
        None for an area of too few pixels.
    names : (str, str)
        What the areas are called.

    Returns
    -------
    Comparison
        `verdict` is ``"differs"`` where any family differs at a risk of 5 % over all tests
        of the pair; ``"no difference detectable"`` with `detectable_percent`, the smallest
        difference that would have been found in every family seen; ``"cannot tell"`` where
        nothing could be tested, or where nothing differs but a family ran full.
    """
    if a is None or b is None:
        few = " and ".join(n for n, held in zip(names, (a, b), strict=True) if held is None)
        return cannot_tell(names, f"Cannot tell: {few} has fewer than 16 usable pixels.")
    if a.unit != b.unit:
        return cannot_tell(
            names, "Cannot tell: the live time of one of the two areas is not known."
        )
    families = [f for f in a.families if f in b.families]
    one, two = (_picked(held, families) for held in (a, b))
    seen = np.array([_clear(one, i, SEEN) or _clear(two, i, SEEN) for i in range(len(families))])
    if not seen.any():
        answer = cannot_tell(names, "Cannot tell: no line family is seen in either area.")
        return _with_full(answer, one, two)
    amounts = _tests(one, two, [held.exposure for held in (one, two)], feigned(one, two))
    lost = np.array([f in one.lost or f in two.lost for f in families])
    shown = np.flatnonzero(seen | lost).tolist()
    rows = [_Row(families[i], "amount", None, *amounts[i]) for i in shown]
    rows += _ratio_rows(one, two, families, seen & ~lost)
    unit = "counts/s" if a.unit == "s" else "counts per pixel"
    return _with_full(answer_of(names, _judged(rows), unit), one, two)


def _with_full(answer: Comparison, a: AreaBlocks, b: AreaBlocks) -> Comparison:
    """Answer with a word on channels that ran full and what hangs on them."""
    where = list(dict.fromkeys(held.full for held in (a, b) if held.full))
    if not where:
        return answer
    words = f"Channels that ran full are left out of the comparison ({'; '.join(where)})"
    own = np.maximum(own_errors(a), own_errors(b))
    lost = [f for f in a.families if f in a.lost or f in b.lost]
    part = [
        f for f, error in zip(a.families, own, strict=True) if error > TOUCHED and f not in lost
    ]
    if part:
        words += (
            f"; {', '.join(part)} {'rest' if len(part) > 1 else 'rests'} on what is left of "
            f"{'their' if len(part) > 1 else 'its'} counts, with a larger error"
        )
    if lost:
        words += f"; of {', '.join(lost)} too little is left to tell"
    told: dict[str, str | None] = {"answer": f"{answer.answer} {words}."}
    if lost and answer.verdict == "no difference detectable":
        # it may lie in the very family whose lines were too strong for the counter
        told["answer"] = f"Cannot tell for all families. Of the others: {told['answer']}"
        told |= {"verdict": "cannot tell", "detectable_percent": None}
    return answer.model_copy(update=told)


def _picked(held: AreaBlocks, families: Sequence[str]) -> AreaBlocks:
    places = [held.families.index(f) for f in families]
    leakage = None if held.leakage is None else held.leakage[np.ix_(places, places)]
    return replace(
        held, families=tuple(families), net=held.net[:, places],
        variance=held.variance[:, places], leakage=leakage, own=own_errors(held)[places],
        owed=owed_counts(held)[places], ratios=known_ratios(held)[:, places],
        above=None if held.above is None else held.above[places],
    )  # fmt: skip


def _clear(held: AreaBlocks, index: int, errors: float) -> bool:
    total, variance = held.net[:, index].sum(), held.variance[:, index].sum()
    total -= 0.0 if held.above is None else held.above[index]
    return bool(total > errors * np.sqrt(variance)) and total > 0


@dataclass
class _Row:
    """One test on its way to a verdict."""

    family: str
    kind: str
    reference: str | None
    a: float
    a_var: float
    b: float
    b_var: float
    counting: float
    feigned: float
    dof: float
    p: float = float("nan")
    p_all: float = float("nan")

    @property
    def error(self) -> float:
        return float(np.sqrt(self.a_var + self.b_var + self.feigned))


def _tests(
    a: AreaBlocks, b: AreaBlocks, below: Sequence[Array], maybe: Array
) -> list[tuple[float, ...]]:
    """Values, variances and degrees of freedom per family, over `below` of each block."""
    fine = [_value(held, d) for held, d in zip((a, b), below, strict=True)]
    rough = [_value(held.merged(), d[::2] + d[1::2]) for held, d in zip((a, b), below, strict=True)]
    rows: list[tuple[float, ...]] = []
    for index in range(a.net.shape[1]):
        alike = max(fine[0][1][index], fine[1][1][index])
        va, vb = (pair[0] for pair in (rough if alike > ALIKE else fine))
        parts = [(v.variance[index], v.dof) for v in (va, vb)]
        total = sum(p[0] for p in parts) + maybe[index]
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = total**2 / sum(p[0] ** 2 / p[1] for p in parts)
        counting = va.counting[index] + vb.counting[index]
        rows.append((
            float(va.value[index]), float(parts[0][0]), float(vb.value[index]),
            float(parts[1][0]), float(counting), float(maybe[index]), float(dof),
        ))  # fmt: skip
    return rows


def _value(held: AreaBlocks, below: Array) -> tuple[_Value, Array]:
    """Ratio of sums, its variance, and the likeness of touching blocks."""
    count = len(below)
    top, bottom = held.net.sum(axis=0), below.sum()
    value = top / bottom
    left_out = (top - held.net) / (bottom - below)[:, None]
    spread = ((left_out - left_out.mean(axis=0)) ** 2).sum(axis=0)
    variance = (count - 1) / count * spread
    residual = held.net - value * below[:, None]
    power = (residual**2).sum(axis=0) / (count - 1)
    pairs = held.neighbours
    joint = (residual[pairs[:, 0]] * residual[pairs[:, 1]]).mean(axis=0) if len(pairs) else 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        # residuals of independent blocks are alike by -1 / count, since they sum to zero
        alike = np.clip(np.where(power > 0, joint / power + 1 / count, 0.0), 0.0, 0.8)
    beside = 2 * len(pairs) / count
    swollen = (1 + beside * alike) / np.maximum(1 - beside * alike / (count - 1), 0.2)
    counting = held.variance.sum(axis=0) / bottom**2
    return _Value(value, variance * swollen, counting, count - 1.0), alike


def _ratio_rows(
    a: AreaBlocks, b: AreaBlocks, families: Sequence[str], seen: npt.NDArray[np.bool_]
) -> list[_Row]:
    """Test ratios to the family that is known best in the worse of the two areas."""
    maybe, shares = feigned(a, b), []
    for held in (a, b):
        with np.errstate(divide="ignore", invalid="ignore"):
            wrong = maybe * held.exposure.sum() ** 2
            worth = held.net.sum(axis=0) / np.sqrt(held.variance.sum(axis=0) + wrong)
        positive = (held.net > 0).all(axis=0)
        shares.append(np.where(positive & np.isfinite(worth), worth, 0.0))
    worst = np.where(seen, np.minimum(*shares), 0.0)
    reference = int(np.argmax(worst))
    if worst[reference] < FIRM:
        return []
    below = [held.net[:, reference] for held in (a, b)]
    tests = _tests(a, b, below, feigned(a, b, reference))
    return [
        _Row(families[i], "ratio", families[reference], *tests[i])
        for i in np.flatnonzero(seen).tolist()
        if i != reference
    ]


def _judged(rows: Sequence[_Row]) -> list[FamilyComparison]:
    for row in rows:
        error = row.error
        if error > 0 and np.isfinite(error) and np.isfinite(row.dof):
            row.p = float(2 * student.sf(abs(row.a - row.b) / error, row.dof))
    corrected = holm([row.p for row in rows])
    tested = max(1, int(np.isfinite(corrected).sum()))
    for row, p_all in zip(rows, corrected, strict=True):
        row.p_all = float(p_all)
    return [_model(row, tested) for row in rows]


def _model(row: _Row, tested: int) -> FamilyComparison:
    middle = (row.a + row.b) / 2
    known = np.isfinite(row.p_all)
    percent = 100 / middle if known and middle > 0 else float("nan")
    bound = student.ppf(0.975, row.dof) * row.error
    needed = student.ppf(1 - RISK / (2 * tested), row.dof) + student.ppf(POWER, row.dof)
    total = row.a_var + row.b_var
    smallest = needed * row.error * percent
    verdict: Literal["differs", "no difference", "cannot tell"] = "no difference"
    if known and row.p_all < RISK:
        verdict = "differs"
    elif not known or not smallest < WHOLE:
        verdict = "cannot tell"
    gap = row.a - row.b
    return FamilyComparison(
        family=row.family, kind=row.kind, reference=row.reference, a=_plain(row.a),
        a_err=_plain(np.sqrt(row.a_var)), b=_plain(row.b), b_err=_plain(np.sqrt(row.b_var)),
        difference_percent=_plain(gap * percent), low_percent=_plain((gap - bound) * percent),
        high_percent=_plain((gap + bound) * percent), p=_plain(row.p), p_all=_plain(row.p_all),
        verdict=verdict, detectable_percent=_plain(smallest),
        uneven_share=_plain(max(0.0, 1 - row.counting / total)) if known and total > 0 else None,
    )  # fmt: skip


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
