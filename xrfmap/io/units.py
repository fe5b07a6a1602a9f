"""Units found in files, and their factors to the units used here."""

from __future__ import annotations

from types import MappingProxyType

from xrfmap.errors import InputError
from xrfmap.io.safe import clean_text

__all__ = ["factor", "has_unit"]

_UM = {"um": 1e-3, "µm": 1e-3, "μm": 1e-3, "micron": 1e-3, "microns": 1e-3, "micrometer": 1e-3}
_UM |= {"micrometre": 1e-3, "micrometers": 1e-3, "micrometres": 1e-3}
_LENGTH_MM = {
    "m": 1e3, "meter": 1e3, "metre": 1e3, "cm": 10.0, "mm": 1.0, "millimeter": 1.0,
    "millimetre": 1.0, "millimeters": 1.0, "millimetres": 1.0, **_UM, "nm": 1e-6,
}  # fmt: skip
_TIME_S = {
    "s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3,
    "millisecond": 1e-3, "milliseconds": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6,
    "microsecond": 1e-6, "microseconds": 1e-6, "ns": 1e-9, "min": 60.0,
}  # fmt: skip
_TABLES = MappingProxyType(
    {
        "mm": _LENGTH_MM,
        "um": {name: 1e3 * f for name, f in _LENGTH_MM.items()},
        "cm": {name: 0.1 * f for name, f in _LENGTH_MM.items()},
        "s": _TIME_S,
        "keV": {"ev": 1e-3, "kev": 1.0, "electronvolt": 1e-3, "kiloelectronvolt": 1.0},
        "kV": {"v": 1e-3, "kv": 1.0, "volt": 1e-3, "volts": 1e-3},
        "mA": {"a": 1e3, "ma": 1.0, "ua": 1e-3, "µa": 1e-3, "μa": 1e-3, "na": 1e-6, "pa": 1e-9},
        "deg": {
            "deg": 1.0, "degree": 1.0, "degrees": 1.0, "°": 1.0, "dg": 1.0,
            "rad": 57.29577951308232, "radian": 57.29577951308232,
            "radians": 57.29577951308232, "mrad": 0.05729577951308232,
        },
    }
)  # fmt: skip


def has_unit(unit: str, target: str) -> bool:
    """Tell whether `unit` can be turned into `target`.

    Parameters
    ----------
    unit : str
        Unit as written in a file; case does not matter.
    target : {"mm", "um", "cm", "s", "keV", "kV", "mA", "deg"}
        Unit wanted.

    Returns
    -------
    bool
        False for an empty or unknown unit.
    """
    return unit.strip().lower() in _TABLES[target]


def factor(unit: str, target: str, where: str, field: str) -> float:
    """Factor from a unit in a file to the unit wanted.

    Parameters
    ----------
    unit : str
        Unit as written in a file; case does not matter (``MeV`` and ``mV`` are
        unknown here, so none is mistaken).
    target : {"mm", "um", "cm", "s", "keV", "kV", "mA", "deg"}
        Unit wanted.
    where, field : str
        File and entry, for the message.

    Returns
    -------
    float
        Number of `target` units in one `unit`.

    Raises
    ------
    InputError
        If the unit is empty or unknown.
    """
    table = _TABLES[target]
    key = unit.strip().lower()
    if key not in table:
        raise InputError(
            where,
            field,
            found=f"units {clean_text(unit)!r}" if key else "no units",
            expected=f"one of {', '.join(table)}",
            remedy=f"set the units attribute of the entry, for example {target!r}",
        )
    return table[key]
