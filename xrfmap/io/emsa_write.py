"""Write spectra as EMSA/MAS 1.0 text (ISO 22029); see :mod:`xrfmap.io.emsa`."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from xrfmap.errors import InputError
from xrfmap.io.emsa_text import MAX_COLUMNS, OPTIONAL_KEYWORDS, REQUIRED_KEYWORDS
from xrfmap.io.results import write_text
from xrfmap.io.safe import MAX_CHANNELS, clean_text
from xrfmap.io.stored import check_counts
from xrfmap.numbers import whole
from xrfmap.scan import linear_scale
from xrfmap.settings import Instrument

__all__ = ["format_emsa", "write_emsa"]

LINE = 78  # longest line of the standard (from memory)


def write_emsa(path: Path, counts: npt.ArrayLike, **options: object) -> Path:
    """Write a spectrum; the file appears under its name only when it is complete.

    Parameters
    ----------
    path : Path
        File to write, by custom ``.msa``.
    counts : array_like, shape (channel,)
        Counts, or rates if ``y_units`` says so.
    **options
        See :func:`format_emsa`.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the numbers cannot stand in such a file, or it cannot be written.
    """
    text = format_emsa(counts, where=clean_text(path.name), **options)  # type: ignore[arg-type]
    return write_text(Path(path), text)


def format_emsa(
    counts: npt.ArrayLike,
    *,
    zero_kev: float | None = None,
    kev_per_channel: float | None = None,
    energy_kev: npt.ArrayLike | None = None,
    live_time_s: float | None = None,
    real_time_s: float | None = None,
    title: str = "",
    owner: str = "",
    date: str = "",
    time: str = "",
    instrument: Instrument | None = None,
    x_units: Literal["eV", "keV"] = "eV",
    y_units: str = "counts",
    datatype: Literal["Y", "XY"] = "Y",
    columns: int = 1,
    keywords: Mapping[str, str] | None = None,
    where: str = "spectrum",
) -> str:
    """Text of a file with every required keyword.

    Parameters
    ----------
    counts : array_like, shape (channel,)
        Counts, or rates if `y_units` says so.
    zero_kev, kev_per_channel : float, optional
        Energy scale; give these two or `energy_kev`. Without either the X axis is the
        channel number. [keV]
    energy_kev : array_like, shape (channel,), optional
        Even energy axis. [keV]
    live_time_s, real_time_s : float, optional
        [s]
    title, owner, date, time : str
        Descriptive keywords; date as ``25-NOV-2026``, time as ``14:05``.
    instrument : Instrument, optional
        Only what was set is written.
    x_units : {"eV", "keV"}
        Unit of the X axis.
    y_units : str
        Unit of the numbers.
    datatype : {"Y", "XY"}
        Numbers alone, or pairs of X and Y.
    columns : int
        Numbers (or pairs) in a line.
    keywords : mapping, optional
        Further keywords of the standard, in capitals.
    where : str
        File, for messages.

    Returns
    -------
    str
        Text with CR LF line ends, as the standard asks (from memory).

    Raises
    ------
    InputError
        If counts are negative or missing, the scale is not even, or `keywords` holds a
        required keyword or none of the standard.
    """
    y = np.asarray(counts)
    if y.ndim != 1 or not 1 <= y.size <= MAX_CHANNELS:
        raise _error(where, "counts", f"shape {y.shape}", f"1 to {whole(MAX_CHANNELS)} channels")
    check_counts(y, where, "counts")
    offset, step, unit = _x_axis(zero_kev, kev_per_channel, energy_kev, x_units, where)
    lines = _required(
        {
            "FORMAT": "EMSA/MAS Spectral Data File",
            "VERSION": "1.0",
            "TITLE": title if len(title) <= LINE - 15 else title[: LINE - 18] + "...",
            "DATE": date,
            "TIME": time,
            "OWNER": owner,
            "NPOINTS": f"{y.size}.",
            "NCOLUMNS": f"{columns}.",
            "XUNITS": unit,
            "YUNITS": y_units,
            "DATATYPE": datatype,
            "XPERCHAN": _digits(step),
            "OFFSET": _digits(offset),
        },
        where,
    )
    if len(title) > LINE - 15:  # whole in remarks, where the keyword has no room for it
        lines += [_keyword("COMMENT", part) for part in textwrap.wrap(title, LINE - 15)]
    lines += _optional(live_time_s, real_time_s, instrument or Instrument(), keywords or {}, where)
    lines.append(_keyword("SPECTRUM", "Spectral Data Starts Here"))
    lines += _data(y, offset, step, datatype, columns, where)
    lines.append(_keyword("ENDOFDATA", "End Of Data and File"))
    return "".join(line + "\r\n" for line in lines)


def _error(where: str, field: str, found: str, expected: str) -> InputError:
    return InputError(where, field, found=found, expected=expected, remedy="give other values")


def _digits(value: float) -> str:
    """Shortest text that reads back as the same number (after removal of rounding dust)."""
    return repr(float(f"{value:.12g}"))


def _keyword(key: str, value: str, unit: str = "", where: str = "spectrum") -> str:
    name = f"#{key:<12}" if not unit else f"#{key:<9}-{unit:<2}"
    line = f"{name}: {clean_text(value, 1000)}".rstrip()
    if len(line) > LINE:
        raise _error(where, key, f"{whole(len(value))} characters", f"at most {LINE - 15}")
    return line


def _required(values: Mapping[str, str], where: str) -> list[str]:
    return [_keyword(key, values[key], where=where) for key in REQUIRED_KEYWORDS[:-2]]


def _x_axis(
    zero: float | None,
    gain: float | None,
    energy: npt.ArrayLike | None,
    unit: str,
    where: str,
) -> tuple[float, float, str]:
    if energy is not None:
        try:
            zero, gain = linear_scale(energy)
        except ValueError as err:
            raise _error(where, "energy_kev", str(err), "an even energy axis") from err
    if zero is None or gain is None:
        return 0.0, 1.0, "channel"
    factor = 1000.0 if unit == "eV" else 1.0
    return zero * factor, gain * factor, unit


def _optional(
    live: float | None,
    real: float | None,
    said: Instrument,
    extra: Mapping[str, str],
    where: str,
) -> list[str]:
    lines = [_keyword("SIGNALTYPE", "XRF")]
    numbers: dict[str, float | None] = {
        "BEAMKV": said.tube_kv,
        "EMISSION": None if said.tube_ma is None else 1000.0 * said.tube_ma,
        "ELEVANGLE": said.takeoff_deg if "takeoff_deg" in said.model_fields_set else None,
        "LIVETIME": live,
        "REALTIME": real,
    }
    for key, value in numbers.items():
        if value is not None and not math.isnan(value):
            lines.append(_keyword(key, _digits(value), OPTIONAL_KEYWORDS[key]))
    for key, text in extra.items():
        if key not in OPTIONAL_KEYWORDS or numbers.get(key) is not None:
            raise _error(where, key, "this keyword", "an optional keyword, given once")
        lines = [line for line in lines if not line.startswith(f"#{key} ")]
        lines.append(_keyword(key, text, OPTIONAL_KEYWORDS[key], where))
    return lines


def _data(
    y: npt.NDArray[np.generic], offset: float, step: float, kind: str, columns: int, where: str
) -> list[str]:
    if kind not in ("Y", "XY"):
        raise _error(where, "datatype", repr(kind), "Y or XY")
    if not 1 <= columns <= MAX_COLUMNS:
        raise _error(where, "columns", str(columns), f"1 to {MAX_COLUMNS}")
    cells = [_number(v) for v in y]
    if kind == "XY":
        cells = [f"{_digits(offset + step * i)}, {c}" for i, c in enumerate(cells)]
    return [
        ", ".join(cells[i : i + columns]) + "," * (kind == "Y")
        for i in range(0, len(cells), columns)
    ]


def _number(value: np.generic) -> str:
    number = float(value)
    return f"{int(number)}." if number.is_integer() else repr(number)
