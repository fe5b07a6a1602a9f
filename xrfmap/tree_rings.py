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

from xrfmap.errors import InputError
from xrfmap.findings import Source
from xrfmap.settings import Evidence

__all__ = ["SAPWOOD", "Felling", "PanelDate", "Sapwood", "combine", "felling", "sapwood_for"]

_KLEIN = (
    "P. Klein, Dendrochronological analysis of panel paintings, in The Structural Conservation "
    "of Panel Paintings, Getty 1998, pp. 43-45"
)
_SOHAR = (
    "Sohar, Vitas & Laanelaid, Sapwood estimates of pedunculate oak in eastern Baltic, "
    "Dendrochronologia 2012, doi 10.1016/j.dendro.2011.08.001, abstract"
)


@dataclass(frozen=True)
class Sapwood:
    """Numbers of sapwood rings of oak in one region.

    Attributes
    ----------
    region : str
        For people.
    words : tuple of str
        By which a stated provenance is recognised, lower case.
    low, high : int or None
        Fewest and most rings that are reckoned with; ``None``: no upper number is given.
    median : float or None
        Middle of the distribution.
    basis : str
        What `low` and `high` are (extremes, 95 % range, custom).
    sources : tuple of Source
        Where they come from.
    """

    region: str
    words: tuple[str, ...]
    low: int
    high: int | None
    median: float | None
    basis: str
    sources: tuple[Source, ...]


def _seen(text: str) -> Source:
    return Source(text=text, checked="seen")


def _memory(text: str) -> Source:
    return Source(text=text, checked="from memory")


# 95 % ranges with decimals are rounded outwards, so that a bound never says too much.
SAPWOOD: tuple[Sapwood, ...] = (
    Sapwood(
        "Finland and western Estonia",
        ("finland", "finnish", "western estonia"),
        4,
        21,
        None,
        "95 % range 4.09 to 20.85",
        (_seen(_SOHAR),),
    ),
    Sapwood(
        "eastern Estonia, Latvia and Lithuania",
        ("estonia", "latvia", "lithuania", "eastern baltic", "east baltic", "riga"),
        6,
        19,
        None,
        "95 % range 6.45 to 18.02; the numbers fall towards the east",
        (_seen(_SOHAR),),
    ),
    Sapwood(
        "Baltic states and southern Finland",
        ("baltic states",),
        6,
        19,
        None,
        "recommended 95 % range 6.18 to 18.71",
        (_seen(_SOHAR),),
    ),
    Sapwood(
        "northern Poland (the Baltic trade in wainscot)",
        ("poland", "polish", "baltic", "vistula", "gdansk", "danzig", "pomerania"),
        9,
        36,
        15,
        "fewest 9, most 36, median 15, middle half 13 to 19 (Wazny 1990, as reported by Klein)",
        (_seen(_KLEIN),),
    ),
    Sapwood(
        "Wales and its border",
        ("welsh border", "herefordshire", "shropshire"),
        11,
        41,
        None,
        "11 to 41, implied by a worked example for building timber",
        (_seen("Oxford Dendrochronology Laboratory report 2007/24"),),
    ),
    Sapwood(
        "north Wales and north-west England",
        ("wales", "welsh", "north-west england", "northwest england"),
        19,
        50,
        30,
        "95 % range 19 to 50, mean 30",
        (
            _seen(
                "Sapwood estimates in the interpretation of tree-ring dates, J. Archaeol. Sci. 8 "
                "(1981) 381-390, abstract"
            ),
        ),
    ),
    Sapwood(
        "British Isles",
        ("england", "english", "britain", "british", "scotland", "ireland"),
        10,
        55,
        None,
        "older general range 10 to 55",
        (_memory("Hillam, Morgan & Tyers 1987"),),
    ),
    Sapwood(
        "Germany and the Netherlands",
        (
            "german", "netherland", "dutch", "flanders", "flemish", "belgium", "rhine", "western",
            "france", "weser", "westphalia", "burgundy", "lorraine", "ardennes",
        ),
        7,
        42,
        17,
        "customary fewest 7; median 17, middle half 13 to 23; most from the mean of 26 and two "
        "standard deviations of 8 for trees over 200 years",
        (_seen(_KLEIN), _memory("E. Hollstein, Mitteleuropäische Eichenchronologie, 1980")),
    ),
)  # fmt: skip
_UNKNOWN = Sapwood(
    "oak of unknown provenance",
    (),
    7,
    None,
    None,
    "the smaller of the two customary least allowances, 7 and 9",
    (_seen(_KLEIN), _memory("Practice of panel dating: Baltic 9, western 7")),
)


def sapwood_for(provenance: str | None) -> Sapwood:
    """Pick the statistics for a stated provenance; the least allowance where none is known."""
    text = (provenance or "").lower()
    for entry in SAPWOOD:
        if any(word in text for word in entry.words):
            return entry
    return _UNKNOWN


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
    boundary = entry.boundary_year
    if boundary is not None and boundary > last:
        raise InputError(
            where,
            "boundary_year",
            found=f"{boundary}, after the last ring {last}",
            expected="the last heartwood ring, not after last_ring_year",
            remedy="correct one of the two years",
        )
    rings = entry.sapwood_rings
    if boundary is None and rings:
        boundary = last - rings
    if boundary is not None and rings is not None and boundary + rings != last:
        raise InputError(
            where,
            "sapwood_rings",
            found=f"{rings}, with {last - boundary} rings from boundary {boundary} to {last}",
            expected="the number of rings after the boundary",
            remedy="correct one of the three values",
        )
    low, high = entry.sapwood_low, entry.sapwood_high
    if high is not None and (low is None or high < low):
        raise InputError(
            where,
            "sapwood_high",
            found=str(high),
            expected="a number not below sapwood_low, with sapwood_low given",
            remedy="give both",
        )
    return last, boundary


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
