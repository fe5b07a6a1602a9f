"""Areas A and B against each other on the page: blocks read, compared, shown.

The answer is that of ``[[compare]]`` in a study, with the same blocks. Until it is there,
and where an area is too small for blocks, the simple test of the two sums stands in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from xrfmap.explore.markup import block_table, message
from xrfmap.findings import Comparison
from xrfmap.numbers import whole

if TYPE_CHECKING:
    from xrfmap.areas.blocks import BlockSums
    from xrfmap.explore.page import Session

__all__ = ["BlockContrast", "apart"]

Mask = npt.NDArray[np.bool_]


def apart(a: Mask, b: Mask) -> tuple[Mask, Mask, str]:
    """Make two areas share no pixel.

    Parameters
    ----------
    a, b : ndarray of bool, shape (y, x)
        The areas.

    Returns
    -------
    a, b : ndarray of bool
        Where one lies in the other it is kept, and cut out of the other; else what both
        have is left out.
    words : str
        What was done, empty where nothing had to be.
    """
    both = a & b
    shared = int(both.sum())
    if not shared:
        return a, b, ""
    if shared == int(a.sum()) < int(b.sum()):
        return a, b & ~a, "A lies in B: it is compared with the rest of B."
    if shared == int(b.sum()) < int(a.sum()):
        return a & ~b, b, "B lies in A: it is compared with the rest of A."
    return a & ~both, b & ~both, f"{whole(shared)} pixels that lie in both areas are left out."


class BlockContrast:
    """Keeps the comparison of the two areas that are on show.

    Parameters
    ----------
    session : Session
        The page.
    """

    def __init__(self, session: Session) -> None:
        self._page = session
        self._of: tuple[Mask, Mask] | None = None
        self._answer: Comparison | None = None

    def answer(self, a: Mask, b: Mask) -> Comparison | None:
        """Give the comparison of two areas; None while it is being made, or where it failed.

        The first call for a pair starts the work; the page is shown anew when it is done.
        """
        bench = self._page.bench
        known = self._of is not None and self._of[0] is a and self._of[1] is b
        if bench.found is None or known:
            return self._answer if known else None
        mine = self._of = a, b
        self._answer = None
        first, second, _ = apart(a, b)

        def read() -> tuple[BlockSums | None, BlockSums | None]:
            return bench.blocks_of(first), bench.blocks_of(second)

        def take(held: tuple[BlockSums | None, BlockSums | None]) -> None:
            if self._of is mine:  # nobody has drawn anew meanwhile
                self._answer = bench.contrast_of(*held)
                self._page.desk.refresh()

        self._page.away(read, take, "the comparison")
        return None

    @staticmethod
    def shown(answer: Comparison) -> str:
        """Table of the answer, with what its columns mean."""
        foot = message(
            "Each area is cut into eight blocks; the errors hold counting and the unevenness of "
            "the paint. p is two-sided and corrected for all rows together (Holm, 5 %). Seen from: "
            "the difference that would have been found with a chance of 80 %."
        )
        return block_table(answer) + foot
