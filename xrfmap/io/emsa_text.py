"""Parse EMSA/MAS 1.0 text, the spectral data exchange format of ISO 22029.

Keywords and layout after R. F. Egerton et al., "EMSA/MAS Standard File Format for
Spectral-Data Exchange" (Version 1.0, 1991), which ISO 22029 took over. From memory:
neither text was at hand. A keyword line is ``#KEYWORD  -unit: value``; lines that
start with ``##`` hold the user's own keywords.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.safe import MAX_CHANNELS, clean_text, read_text
from xrfmap.numbers import whole

__all__ = [
    "NEEDED",
    "OPTIONAL_KEYWORDS",
    "REQUIRED_KEYWORDS",
    "EmsaSpectrum",
    "emsa_error",
    "parse_emsa",
    "read_emsa",
    "real_of",
]

REQUIRED_KEYWORDS = (
    "FORMAT",
    "VERSION",
    "TITLE",
    "DATE",
    "TIME",
    "OWNER",
    "NPOINTS",
    "NCOLUMNS",
    "XUNITS",
    "YUNITS",
    "DATATYPE",
    "XPERCHAN",
    "OFFSET",
    "SPECTRUM",
    "ENDOFDATA",
)
OPTIONAL_KEYWORDS: Mapping[str, str] = MappingProxyType(
    {
        "SIGNALTYPE": "", "XLABEL": "", "YLABEL": "", "CHOFFSET": "", "COMMENT": "",
        "BEAMKV": "kV", "EMISSION": "uA", "PROBECUR": "nA", "BEAMDIAM": "nm", "MAGCAM": "",
        "OPERMODE": "", "CONVANGLE": "mR", "COLLANGLE": "mR",
        "THICKNESS": "nm", "XTILTSTGE": "dg", "YTILTSTGE": "dg",
        "XPOSITION": "", "YPOSITION": "", "ZPOSITION": "",
        "DWELLTIME": "ms", "INTEGTIME": "ms",
        "ELEVANGLE": "dg", "AZIMANGLE": "dg", "SOLIDANGLE": "sR",
        "LIVETIME": "s", "REALTIME": "s", "TBEWIND": "cm", "TAUWIND": "cm", "TDEADLYR": "cm",
        "TACTLYR": "cm", "TALWIND": "cm", "TPYWIND": "cm", "TBNWIND": "cm", "TDIWIND": "cm",
        "THCWIND": "cm", "EDSDET": "",
        "CHECKSUM": "",
    }
)  # fmt: skip
"""Optional keywords and their units (from memory of the 1991 text)."""

# what the numbers depend on; the rest describes and may be missing with a note
NEEDED = ("FORMAT", "NPOINTS", "XUNITS", "YUNITS", "DATATYPE", "XPERCHAN", "OFFSET")
_LINE = re.compile(r"#\s*(?P<key>\w+)\s*(?:-\s*(?P<unit>[^:]*?)\s*)?:(?P<value>.*)$")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
MAX_COLUMNS = 1000  # the standard asks for lines of at most 78 characters


@dataclass(frozen=True)
class EmsaSpectrum:
    """Content of one file.

    Parameters
    ----------
    keywords : mapping of str to str
        Keywords in capitals, with clean values; ``COMMENT`` lines joined.
    units : mapping of str to str
        Units that stand behind a keyword, as written.
    x : ndarray, shape (n,)
        Values of the X axis. [XUNITS]
    y : ndarray, shape (n,)
        Values of the spectrum. [YUNITS]
    notes : tuple of str
        What is missing or odd and does no harm.
    """

    keywords: Mapping[str, str]
    units: Mapping[str, str]
    x: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    notes: tuple[str, ...] = ()


def read_emsa(path: Path) -> EmsaSpectrum:
    """Read a file as it stands.

    Parameters
    ----------
    path : Path
        EMSA/MAS text.

    Returns
    -------
    EmsaSpectrum
        Keywords and numbers in the units of the file.

    Raises
    ------
    InputError
        If the file is not of this format, incomplete, or contradicts itself.
    """
    return parse_emsa(read_text(path), clean_text(path.name))


def parse_emsa(text: str, where: str) -> EmsaSpectrum:
    r"""Parse the text of a file; see :func:`read_emsa`.

    Parameters
    ----------
    text : str
        Text with ``\n`` line ends.
    where : str
        File, for messages.

    Returns
    -------
    EmsaSpectrum
        Keywords and numbers in the units of the file.

    Raises
    ------
    InputError
        If the text is not of this format, incomplete, or contradicts itself.
    """
    head, data = _split(text, where)
    keywords, units, notes = _keywords(head, where)
    missing = [k for k in NEEDED if k not in keywords]
    if missing:
        raise emsa_error(where, missing[0], "nothing", "this keyword, which the standard requires")
    notes += [f"keyword {k} is missing" for k in REQUIRED_KEYWORDS[:-2] if k not in keywords]
    n = _whole(keywords, "NPOINTS", where, MAX_CHANNELS)
    columns = _whole(keywords, "NCOLUMNS", where, MAX_COLUMNS) if "NCOLUMNS" in keywords else 0
    kind = keywords["DATATYPE"].upper()
    if kind not in ("Y", "XY"):
        raise emsa_error(where, "DATATYPE", repr(kind), "Y or XY")
    numbers = _numbers(data, columns * len(kind), where)
    if numbers.size != n * len(kind):
        found = f"{whole(numbers.size)} numbers of type {kind}"
        raise emsa_error(where, "NPOINTS", found, f"{whole(n * len(kind))}, for NPOINTS = {n}")
    step, offset = real_of(keywords, "XPERCHAN", where), real_of(keywords, "OFFSET", where)
    if step <= 0:
        raise emsa_error(where, "XPERCHAN", f"{step:g}", "a positive width of a channel")
    x = np.asarray(offset + step * np.arange(n), dtype=np.float64)
    y = numbers
    if kind == "XY":
        x, y = numbers[0::2], numbers[1::2]
        if np.abs(x - (offset + step * np.arange(n))).max() > 0.5 * step:
            notes.append("X values stray by more than half a channel from OFFSET and XPERCHAN")
    _check_zero_channel(keywords, offset / step, where, notes)
    return EmsaSpectrum(MappingProxyType(keywords), MappingProxyType(units), x, y, tuple(notes))


def emsa_error(where: str, field: str, found: str, expected: str, remedy: str = "") -> InputError:
    """Error about a keyword."""
    remedy = remedy or "export the spectrum again, or correct the line in a text editor"
    return InputError(
        where, f"#{field}" if field else "", found=found, expected=expected, remedy=remedy
    )


def _split(text: str, where: str) -> tuple[list[tuple[int, str]], list[tuple[int, str]]]:
    """Numbered lines of the header, and of the data up to the end mark."""
    lines = [(i, line.strip()) for i, line in enumerate(text.split("\n"), 1)]
    lines = [(i, line) for i, line in lines if line]
    if not lines or not re.match(r"#\s*FORMAT\b", lines[0][1], re.IGNORECASE):
        found = repr(clean_text(lines[0][1], 60)) if lines else "nothing"
        raise emsa_error(
            where,
            "FORMAT",
            f"{found} as the first line",
            "#FORMAT : EMSA/MAS Spectral Data File",
            "check that this is an EMSA/MAS (ISO 22029) file; other text can be read as a table",
        )
    keys = [_LINE.match(line) for _, line in lines]
    names = [m["key"].upper() if m else "" for m in keys]
    # the mark may stand without its colon, as some programs write it
    marks = [
        n or (lines[i][1].lstrip("# ").upper() if lines[i][1][0] == "#" else "")
        for i, n in enumerate(names)
    ]
    if "SPECTRUM" not in marks:
        raise emsa_error(where, "SPECTRUM", "no such line", "a line that starts the numbers")
    start = marks.index("SPECTRUM")
    if "ENDOFDATA" not in marks[start:]:
        raise emsa_error(
            where,
            "ENDOFDATA",
            f"the end of the file after line {lines[-1][0]}",
            "a line #ENDOFDATA after the numbers",
            "the file was cut off: export or copy it again",
        )
    end = marks.index("ENDOFDATA", start)
    return lines[:start], lines[start + 1 : end]


def _keywords(
    head: list[tuple[int, str]], where: str
) -> tuple[dict[str, str], dict[str, str], list[str]]:
    keywords: dict[str, str] = {}
    units: dict[str, str] = {}
    for number, line in head:
        if line.startswith("##"):
            continue  # the user's own keywords
        match = _LINE.match(line)
        if match is None:
            if line.startswith("#") and line.strip("# "):
                continue  # a remark
            raise emsa_error(
                where, "", f"line {number}: {clean_text(line, 60)!r}", "#KEYWORD : value"
            )
        key, value = match["key"].upper(), clean_text(match["value"])
        if key == "COMMENT" and key in keywords:
            value = clean_text(f"{keywords[key]} {value}", 5000)
        elif keywords.get(key, value) != value and key in REQUIRED_KEYWORDS:
            raise emsa_error(where, key, f"{keywords[key]!r} and {value!r}", "one value")
        keywords[key] = value
        if match["unit"]:
            units[key] = clean_text(match["unit"], 20)
    return keywords, units, []


def real_of(keywords: Mapping[str, str], key: str, where: str) -> float:
    """Give the number behind a keyword, or an error that names it."""
    text = keywords[key].rstrip(",; ")
    if not _NUMBER.fullmatch(text) or not np.isfinite(float(text)):
        raise emsa_error(where, key, repr(keywords[key]), "one number")
    return float(text)


def _whole(keywords: Mapping[str, str], key: str, where: str, most: int) -> int:
    value = real_of(keywords, key, where)  # the standard writes whole numbers as "1024."
    if value != int(value) or not 1 <= value <= most:
        raise emsa_error(where, key, f"{value:g}", f"a whole number from 1 to {whole(most)}")
    return int(value)


def _numbers(data: list[tuple[int, str]], per_line: int, where: str) -> npt.NDArray[np.float64]:
    """Numbers of the data lines, apart by commas, blanks or both."""
    values: list[float] = []
    for number, line in data:
        if line.startswith("#"):
            continue  # a comment between the numbers
        parts = [p for p in re.split(r"[,;\s]+", line) if p]
        bad = next((p for p in parts if not _NUMBER.fullmatch(p)), None)
        if bad is not None:
            found = f"line {number}: {clean_text(bad, 40)!r}"
            raise emsa_error(where, "SPECTRUM", found, "numbers, apart by commas or blanks")
        if per_line and len(parts) > per_line:
            found = f"{whole(len(parts))} numbers in line {number}"
            raise emsa_error(where, "NCOLUMNS", found, f"at most {per_line}")
        values.extend(map(float, parts))
        if len(values) > 2 * MAX_CHANNELS:
            raise emsa_error(
                where, "SPECTRUM", "more numbers", f"at most {whole(MAX_CHANNELS)} channels"
            )
    return np.asarray(values, dtype=np.float64)


def _check_zero_channel(
    keywords: Mapping[str, str], zero_in_channels: float, where: str, notes: list[str]
) -> None:
    """Compare CHOFFSET, the channel at zero of the X axis, with OFFSET and XPERCHAN."""
    if "CHOFFSET" not in keywords:
        return
    channel = real_of(keywords, "CHOFFSET", where)
    # seen with both signs, and counted from 0 or from 1
    if min(abs(channel + zero_in_channels), abs(channel - zero_in_channels)) > 1.5:
        notes.append(
            f"CHOFFSET = {channel:g} does not fit OFFSET and XPERCHAN "
            f"(zero at channel {-zero_in_channels:.1f}); OFFSET was used"
        )
