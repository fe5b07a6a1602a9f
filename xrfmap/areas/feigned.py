"""Differences of two areas that line ratios and hidden elements may feign, as variances.

The scatter of the blocks of an area knows nothing of them: they are the same in all its blocks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from xrfmap.areas.blocks import AreaBlocks

__all__ = ["feigned", "known_ratios", "owed_counts", "own_errors"]

Array = npt.NDArray[np.float64]


def own_errors(held: AreaBlocks) -> Array:
    """Relative errors of families that rest on their line ratios, shape (families,)."""
    return np.zeros(len(held.families)) if held.own is None else held.own


def owed_counts(held: AreaBlocks) -> Array:
    """Return the counts by which an area may be off as a whole, shape (families,).

    Those that elements which were not found may have, and, where only maps are at hand, those that
    cutting at zero and the fits of single pixels may have added.
    """
    return np.zeros(len(held.families)) if held.owed is None else held.owed


def known_ratios(held: AreaBlocks) -> Array:
    """Return how far line ratios are off in an area, and the error, shape (2, families)."""
    if held.ratios is not None:
        return held.ratios
    return np.repeat([[0.0], [1.0]], len(held.families), axis=1)


def feigned(a: AreaBlocks, b: AreaBlocks, reference: int | None = None) -> Array:
    """Tell the variance of differences that line ratios and hidden elements may feign.

    Parameters
    ----------
    a, b : AreaBlocks
        Areas with the same families.
    reference : int, optional
        Family to which ratios are compared; without it amounts are, per exposure.

    Returns
    -------
    ndarray, shape (families,)
        Of rates or of ratios; a family whose net counts are NaN feigns nothing in others.

    Notes
    -----
    Let N_j be the counts of family j in an area, e_j by how much its line ratio is off there,
    known as m_j +- s_j, and L_ij what family i then gains per count of j. Family i gains

        d N_i = sum_j L_ij N_j e_j + D_i,

    with D_i for the owed counts and what a cut through its own lines may add. An amount is off
    by d N_i / T with the exposure T. A ratio r_i = N_i / N_k is off by (first order)

        (d N_i - r_i d N_k) / N_k = sum_j (L_ij - r_i L_kj) N_j / N_k e_j + (D_i - r_i D_k) / N_k,

    where one wrong line ratio changes both, and with its sign: what it adds to both alike,
    cancels. With S_ij for the factor of e_j the difference of two areas is wrong by
    sum_j (S_ij m_j of one - S_ij m_j of the other), and its errors S_ij s_j and the D are
    independent in both. So equal lead, equally off, feigns no difference of amounts; but of
    ratios to iron it does, where there is more iron in one area; and of ratios to lead it does
    not, however thick the lead. The known part is squared family by family and not subtracted:
    the step from a cover to line ratios is not quite linear, what is hidden may pass for a
    cover, and the amounts shall be those of the maps and tables.
    """
    result = np.zeros(len(a.families))
    known = []
    for held, other in ((a, b), (b, a)):
        leak = other.leakage if held.leakage is None else held.leakage
        net = np.nan_to_num(held.net.sum(axis=0))
        # `own` in full, though `ratios` may be known to a hundredth: they are then known from the
        # lines that are left, and what these say of the main line hangs on what covers it. From
        # beta to alpha lead L loses 13 % below 10 mg/cm2 of chalk and 11 % below 3.4 mg/cm2 of
        # lead white, whose L3 edge lies below gamma: from beta to gamma it gains 8 % there and
        # loses 11 % here. A thicker layer of lead does the same. Without alpha, equal lead below
        # 6 mg/cm2 of lead white reads 9 % more; by its ratios 1 to 4 % would be allowed for
        # (test_lead_below_lead_white_without_its_main_line).
        doubt = np.nan_to_num(np.hypot(own_errors(held) * net, owed_counts(held))) ** 2
        gain = np.zeros((len(net), len(net))) if leak is None else leak * net
        below = held.exposure.sum()
        if reference is not None:
            below, ratio = net[reference], net / net[reference]
            gain = gain - ratio[:, None] * gain[reference]
            doubt = doubt + ratio**2 * doubt[reference]
        off, error = known_ratios(held)
        result += doubt / below**2 + ((gain * error / below) ** 2).sum(axis=1)
        known.append(gain * off / below)
    return np.asarray(result + ((known[0] - known[1]) ** 2).sum(axis=1))
