"""Felling dates from tree rings: sapwood statistics of oak, and what they allow to say.

Last measured ring L. With bark edge the tree was felled in L or the winter after it. With
the heartwood-sapwood boundary at H, felling lies in H + [low, high] and not before L. With
heartwood only, felling is no earlier than L + low and has no upper bound, because nobody
knows how many rings were trimmed away. Seasoning is a separate step that is taken only when
it is asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from xrfmap.dating.sapwood import Sapwood, sapwood_for
from xrfmap.errors import InputError
from xrfmap.findings import Source
from xrfmap.settings import Evidence

__all__ = ["Felling", "PanelDate", "combine", "felling"]


@dataclass(frozen=True)
class Felling:
    """When the tree of one board was felled.

    Attributes
    ----------
    board : str
        Name of the board.
    low, high : int, int or None
        Felled not before, not after; no upper bound where only heartwood is left.
    likely : int or None
        With the median number of sapwood rings.
    use : int
        Earliest use: `low` and the seasoning asked for, if any.
    because : str
        One sentence.
    sources : tuple of Source
        Of the statistics.
    """

    board: str
    low: int
    high: int | None
    likely: int | None
    use: int
    because: str
    sources: tuple[Source, ...]


def felling(entry: Evidence, where: str = "study") -> Felling:
    """Felling interval of one board.

    Parameters
    ----------
    entry : Evidence
        Of kind ``"tree_rings"``, with at least `last_ring_year`.
    where : str
        Name of the study file, for messages.

    Returns
    -------
    Felling
        Bounds that hold by the statistics of the board's provenance.

    Raises
    ------
    InputError
        If the last ring is missing, or the boundary lies after it, or sapwood rings and
        boundary do not agree.
    """
    board = entry.board or "board"
    last, boundary = _rings(entry, f"{where}: tree rings of {board}")
    seasoned = entry.seasoning_years or 0
    if entry.bark_edge:
        text = f"{board}: last ring {last} under the bark: felled in {last} or the winter after"
        return _made(board, last, last, last, seasoned, text, ())
    if entry.species.lower() not in ("oak", "quercus", "eiche"):
        text = (
            f"{board}: last ring {last} of {entry.species}: felled in {last} or later; sapwood "
            f"statistics hold for oak only"
        )
        return _made(board, last, None, None, seasoned, text, ())
    table = _own(entry) or sapwood_for(entry.provenance)
    if boundary is None:
        return _heartwood_only(board, last, seasoned, table)
    low = max(boundary + table.low, last)
    high = None if table.high is None else max(boundary + table.high, last)
    found = last - boundary
    likely = None if table.median is None else max(round(boundary + table.median), last)
    text = (
        f"{board}: heartwood ends with ring {boundary}, {found} sapwood rings to ring {last}; "
        f"{table.region}, {table.basis}: felled {low}{f' to {high}' if high else ' or later'}"
    )
    return _made(board, low, high, likely, seasoned, text, table.sources)


def _made(
    board: str,
    low: int,
    high: int | None,
    likely: int | None,
    seasoned: int,
    text: str,
    sources: tuple[Source, ...],
) -> Felling:
    if seasoned:
        text += f"; with {seasoned} years of seasoning, as asked, in use from {low + seasoned}"
    return Felling(board, low, high, likely, low + seasoned, text, sources)


def _heartwood_only(board: str, last: int, seasoned: int, table: Sapwood) -> Felling:
    low = last + table.low
    likely = None if table.median is None else round(last + table.median)
    text = (
        f"{board}: last ring {last}, heartwood only; at least {table.low} sapwood rings are "
        f"missing ({table.region}, {table.basis}): felled in {low} or later, without upper bound"
    )
    if likely is not None:
        text += f"; with the median, about {likely} or later"
    return _made(board, low, None, likely, seasoned, text, table.sources)


def _own(entry: Evidence) -> Sapwood | None:
    if entry.sapwood_low is None:
        return None
    return Sapwood(
        "statistics given in the study",
        (),
        entry.sapwood_low,
        entry.sapwood_high,
        None,
        f"{entry.sapwood_low} to {entry.sapwood_high or 'any number of'} rings",
        (),
    )


def _rings(entry: Evidence, where: str) -> tuple[int, int | None]:
    """Last ring and boundary ring, checked against each other."""
    last = entry.last_ring_year
    if last is None:
        raise InputError(
            where,
            "last_ring_year",
            found="nothing",
            expected="the year of the youngest measured ring",
            remedy="add it",
        )
    _check_statistics(entry, where)
    rings = entry.sapwood_rings
    boundary = entry.boundary_year
    if boundary is None:
        return last, last - rings if rings else None
    if boundary > last:
        raise InputError(
            where,
            "boundary_year",
            found=f"{boundary}, after the last ring {last}",
            expected="the last heartwood ring, not after last_ring_year",
            remedy="correct one of the two years",
        )
    if rings is not None and boundary + rings != last:
        raise InputError(
            where,
            "sapwood_rings",
            found=f"{rings}, with {last - boundary} rings from boundary {boundary} to {last}",
            expected="the number of rings after the boundary",
            remedy="correct one of the three values",
        )
    return last, boundary


def _check_statistics(entry: Evidence, where: str) -> None:
    low, high = entry.sapwood_low, entry.sapwood_high
    if high is not None and (low is None or high < low):
        raise InputError(
            where,
            "sapwood_high",
            found=str(high),
            expected="a number not below sapwood_low, with sapwood_low given",
            remedy="give both",
        )


@dataclass(frozen=True)
class PanelDate:
    """What all boards of one panel say together.

    Attributes
    ----------
    not_before : int
        Earliest use of the panel: of its youngest board.
    likely : int or None
        The same with median sapwood; ``None`` where a board has no median.
    because : tuple of str
        A sentence per board and on how they agree.
    sources : tuple of Source
        Of the statistics used.
    lone_board : str or None
        A board much younger than the others, which may be a later addition.
    """

    not_before: int
    likely: int | None
    because: tuple[str, ...]
    sources: tuple[Source, ...]
    lone_board: str | None = None


_LONE_YEARS = 40  # twice the usual trim between boards of one panel; common practice, no source


def combine(boards: Sequence[Felling]) -> PanelDate:
    """Join the boards of a panel: it is younger than the youngest of them.

    Parameters
    ----------
    boards : sequence of Felling
        One or more.
    """
    if not boards:
        raise ValueError("a panel needs at least one dated board")
    ranked = sorted(boards, key=lambda b: b.use, reverse=True)
    youngest = ranked[0]
    texts = [board.because for board in ranked]
    lone = None
    if len(boards) > 1:
        texts.append(_agreement(ranked))
        if youngest.use - ranked[1].use > _LONE_YEARS:
            lone = youngest.board
            texts.append(
                f"{lone} is {youngest.use - ranked[1].use} years younger than the next: it may "
                f"have been added or replaced later"
            )
    medians = [board.likely for board in boards]
    likely = max((m for m in medians if m is not None), default=None)
    sources = tuple(dict.fromkeys(s.text for board in boards for s in board.sources))
    known = {s.text: s for board in boards for s in board.sources}
    return PanelDate(
        youngest.use, likely, tuple(texts), tuple(known[text] for text in sources), lone
    )


def _agreement(boards: Sequence[Felling]) -> str:
    low = max(board.low for board in boards)
    highs = [board.high for board in boards if board.high is not None]
    if highs and min(highs) < low:
        return (
            f"the boards come from trees felled at different times (one by {min(highs)}, one not "
            f"before {low}): the panel was made after the youngest"
        )
    if highs:
        return f"felled together, the trees were felled {low} to {min(highs)}"
    return f"the boards allow one felling, in {low} or later"
