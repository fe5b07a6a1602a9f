"""Numbers of sapwood rings of oak, by region, with their sources."""

from __future__ import annotations

from dataclasses import dataclass

from xrfmap.findings import Source

__all__ = ["SAPWOOD", "Sapwood", "sapwood_for"]

_KLEIN = (
    "P. Klein, Dendrochronological analysis of panel paintings, in The Structural Conservation "
    "of Panel Paintings, Getty 1998, pp. 43–45"
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
                "(1981) 381–390, abstract"
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
