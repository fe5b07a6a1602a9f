"""Two areas against each other: which families differ by more than counting explains.

Both sums are brought to the same exposure (live time, else pixels), and each family's
difference is divided by its standard error. With twenty families one would pass a 5 %
test by chance, so that the probabilities are corrected together [1]_.

The errors of the fits hold counting statistics, overlaps and what the shapes leave
open; the last is partly the same in both areas, so that the test is on the safe side.
It says that the two *sums* differ. Whether a paint differs, or only its thickness, the
ratio of families tells: compare the ratios in the two columns.

References
----------
.. [1] S. Holm, "A simple sequentially rejective multiple test procedure",
   Scand. J. Statist. 6, 65 (1979). From memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import erfc, hypot, isfinite, sqrt

import numpy as np
import numpy.typing as npt

__all__ = ["RISK", "Contrast", "Measure", "compare", "holm"]

RISK = 0.05
"""Risk that any family at all is called different where none is."""


@dataclass(frozen=True)
class Measure:
    """Net counts of one family in one area [counts], not cut at zero where that is known."""

    net: float
    err: float


@dataclass(frozen=True)
class Contrast:
    """One family in area A against area B.

    Attributes
    ----------
    family : str
        Line family.
    a, b : float
        Net counts per unit of exposure.
    a_err, b_err : float
        Standard errors.
    difference, error : float
        ``a - b`` and its standard error.
    z, p, p_all : float
        Difference in standard errors; two-sided probability; the same corrected for all
        families (Holm).
    verdict : {"more in A", "more in B", "no difference seen", "cannot tell"}
        At a risk of 5 % over all families together.
    words : str
        The verdict, with the reason where there is none.
    """

    family: str
    a: float
    a_err: float
    b: float
    b_err: float
    difference: float
    error: float
    z: float
    p: float
    p_all: float
    verdict: str
    words: str


def holm(p: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Probabilities corrected for several tests at once (Holm's step-down rule).

    Parameters
    ----------
    p : array_like, shape (tests,)
        Probabilities; NaN for tests that could not be made.

    Returns
    -------
    ndarray, shape (tests,)
        ``max over smaller p of (m - rank) p``, at most 1; NaN stays NaN and is not counted.
    """
    values = np.asarray(p, dtype=np.float64)
    result = np.full(values.shape, np.nan)
    known = np.flatnonzero(np.isfinite(values))
    order = known[np.argsort(values[known], kind="stable")]
    factor = len(order) - np.arange(len(order))
    result[order] = np.minimum(np.maximum.accumulate(factor * values[order]), 1.0)
    return result


def compare(
    a: Mapping[str, Measure],
    b: Mapping[str, Measure],
    exposure_a: float,
    exposure_b: float,
    families: Sequence[str] | None = None,
) -> list[Contrast]:
    """Compare two areas family by family.

    Parameters
    ----------
    a, b : mapping of str to Measure
        Net counts of the families.
    exposure_a, exposure_b : float
        Live time [s], or pixels where no live time is known.
    families : sequence of str, optional
        Which, and in what order; all of both by default.

    Returns
    -------
    list of Contrast
        A family that only one area was fitted with "cannot tell".

    Raises
    ------
    ValueError
        If an exposure is not above zero.
    """
    if not (exposure_a > 0 and exposure_b > 0):
        raise ValueError(f"exposures must be above 0, found {exposure_a:g} and {exposure_b:g}")
    names = list(dict.fromkeys([*a, *b])) if families is None else list(families)
    rows = []
    for name in names:
        first, second = _rate(a.get(name), exposure_a), _rate(b.get(name), exposure_b)
        error = hypot(first[1], second[1])
        difference = first[0] - second[0]
        z = difference / error if error > 0 and isfinite(difference) else float("nan")
        rows.append((name, *first, *second, difference, error, z, erfc(abs(z) / sqrt(2))))
    corrected = holm([row[-1] for row in rows])
    return [_judged(*row, float(p_all)) for row, p_all in zip(rows, corrected, strict=True)]


def _rate(measure: Measure | None, exposure: float) -> tuple[float, float]:
    if measure is None:
        return float("nan"), float("nan")
    return measure.net / exposure, measure.err / exposure


def _judged(
    family: str, a: float, a_err: float, b: float, b_err: float,
    difference: float, error: float, z: float, p: float, p_all: float,
) -> Contrast:  # fmt: skip
    if not isfinite(p_all):
        verdict, words = "cannot tell", "cannot tell: fitted in one area only"
    elif p_all < RISK:
        verdict = words = "more in A" if difference > 0 else "more in B"
    else:
        verdict = words = "no difference seen"
    return Contrast(family, a, a_err, b, b_err, difference, error, z, p, p_all, verdict, words)
