"""Point spectra in EMSA/MAS 1.0 text (ISO 22029)."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.io.emsa_text import (
    NEEDED,
    OPTIONAL_KEYWORDS,
    REQUIRED_KEYWORDS,
    EmsaSpectrum,
    emsa_error,
    parse_emsa,
    read_emsa,
    real_of,
)
from xrfmap.io.emsa_write import format_emsa, write_emsa
from xrfmap.io.merge import merge_instrument, merge_live_time
from xrfmap.io.safe import clean_text, sha256_of
from xrfmap.io.stored import check_counts
from xrfmap.scan import make_scan
from xrfmap.settings import Instrument

__all__ = [
    "OPTIONAL_KEYWORDS",
    "REQUIRED_KEYWORDS",
    "EmsaSpectrum",
    "format_emsa",
    "open_emsa_point",
    "parse_emsa",
    "read_emsa",
    "write_emsa",
]

_COUNTS = ("counts", "count", "cts")
_RATES = ("counts per second", "counts/s", "counts/sec", "cps", "cts/s")


def open_emsa_point(
    path: Path, *, live_time_s: float | None = None, instrument: Instrument | None = None
) -> xr.Dataset:
    """Open a point spectrum.

    Parameters
    ----------
    path : Path
        EMSA/MAS text.
    live_time_s : float, optional
        Live time that the study file gives. [s]
    instrument : Instrument, optional
        What the study file says of the instrument.

    Returns
    -------
    xarray.Dataset
        Dims ``channel``, with ``energy``; all keywords are in ``attrs["emsa_..."]``.

    Raises
    ------
    InputError
        If the file cannot be used, or contradicts the study file.
    """
    where = clean_text(path.name)
    spectrum = read_emsa(path)
    times = {key: _time(spectrum, key, where) for key in ("LIVETIME", "REALTIME")}
    notes = list(spectrum.notes)
    live = times["LIVETIME"]
    if live is None and times["REALTIME"] is not None and live_time_s is None:
        live = times["REALTIME"]
        notes.append("no live time in the file; the real time stands in for it")
    stored = None if live is None else np.asarray(live)
    live_time, _ = merge_live_time(stored, live_time_s, where)
    counts = _counts(spectrum, live_time, where, notes)
    facts, detector = _facts(spectrum, where, notes)
    ds = make_scan(
        counts,
        live_time=live_time,
        real_time=times["REALTIME"],
        energy_kev=_energy(spectrum, where, notes),
        instrument=merge_instrument(facts, detector, instrument, where),
        source=where,
        source_sha256=sha256_of(path),
        title=spectrum.keywords.get("TITLE", ""),
        storage=f"EMSA/MAS text, type {spectrum.keywords['DATATYPE']}",
        notes=notes,
    )
    used = {f"emsa_{k.lower()}": v for k, v in spectrum.keywords.items() if k not in NEEDED}
    return ds.assign_attrs(used)


def _scaled(
    spectrum: EmsaSpectrum, key: str, factors: Mapping[str, float], where: str
) -> float | None:
    """Value of a keyword in the first unit of `factors`; ``None`` if it is not there."""
    if not spectrum.keywords.get(key):
        return None
    unit = spectrum.units.get(key, "").lower() or next(iter(factors))
    if unit not in factors:
        raise emsa_error(where, key, f"unit {unit!r}", f"one of {', '.join(factors)}")
    return real_of(spectrum.keywords, key, where) * factors[unit]


def _time(spectrum: EmsaSpectrum, key: str, where: str) -> float | None:
    value = _scaled(spectrum, key, {"s": 1.0, "sec": 1.0, "ms": 1e-3, "min": 60.0}, where)
    if value is not None and value < 0:
        raise emsa_error(where, key, f"{value:g} s", "0 s or more")
    return value or None  # zero is what programs write when they do not know


def _counts(
    spectrum: EmsaSpectrum, live_time: Any, where: str, notes: list[str]
) -> npt.NDArray[np.float64] | npt.NDArray[np.int64]:
    unit = spectrum.keywords["YUNITS"].lower().strip()
    y = spectrum.y
    if unit in _RATES:
        if live_time is None:
            raise emsa_error(
                where,
                "YUNITS",
                f"{unit!r} and no live time",
                "a live time, to turn the rate into counts",
                "add #LIVETIME -s : SECONDS, or give live_time_s in the study file",
            )
        y = y * float(live_time)
        near = np.rint(y)
        if np.abs(y - near).max() <= 0.01 * max(1.0, float(y.max())) ** 0.5:
            y = near  # the rounding of the text, well below the counting error
        notes.append("counts are rate times live time")
    elif unit not in _COUNTS:
        if (y % 1 != 0).any():
            expected = "'counts' or 'counts per second'"
            raise emsa_error(where, "YUNITS", f"{unit!r} with broken numbers", expected)
        notes.append(f"Y units {unit!r} with whole numbers were taken as counts")
    check_counts(y, where, "#SPECTRUM")
    if not y.any():
        raise emsa_error(where, "SPECTRUM", "no count in any channel", "a spectrum with counts")
    whole = not (y % 1 != 0).any() and y.max() < 2**53
    return y.astype(np.int64) if whole else y


def _energy(spectrum: EmsaSpectrum, where: str, notes: list[str]) -> npt.NDArray[np.float64] | None:
    unit = spectrum.keywords["XUNITS"].lower().strip()
    factors = {"ev": 1e-3, "kev": 1.0, "electron volts": 1e-3, "electronvolt": 1e-3}
    if unit in ("channel", "channels", "channel number"):
        return None
    if unit not in factors:
        raise emsa_error(where, "XUNITS", repr(unit), "eV, keV or channel")
    energy = spectrum.x * factors[unit]
    if energy.size > 1 and not (np.diff(energy) > 0).all():
        raise emsa_error(where, "SPECTRUM", "X values that do not rise", "energies that rise")
    if energy.size > 1 and energy[-1] > 1000:
        notes.append(f"energies reach {energy[-1]:.0f} keV: are the X units right?")
    return np.asarray(energy, dtype=np.float64)


def _facts(
    spectrum: EmsaSpectrum, where: str, notes: list[str]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Instrument facts from the optional keywords."""
    facts: dict[str, Any] = {}
    detector: dict[str, Any] = {}
    volts = _scaled(spectrum, "BEAMKV", {"kv": 1.0, "v": 1e-3, "ev": 1e-3, "kev": 1.0}, where)
    if volts:
        facts["tube_kv"] = volts
    current = {"na": 1e-6, "pa": 1e-9, "ua": 1e-3, "ma": 1.0, "a": 1e3}
    micro = {"ua": 1e-3, "na": 1e-6, "ma": 1.0, "a": 1e3}
    amps = _scaled(spectrum, "EMISSION", micro, where)
    amps = amps or _scaled(spectrum, "PROBECUR", current, where)
    if amps:
        facts["tube_ma"] = amps
    angle = {"dg": 1.0, "deg": 1.0, "degree": 1.0, "degrees": 1.0, "rad": 180 / np.pi}
    takeoff = _scaled(spectrum, "ELEVANGLE", angle, where)
    if takeoff is not None and 0 < takeoff <= 90:
        facts["takeoff_deg"] = takeoff
    elif takeoff is not None:
        notes.append(f"ELEVANGLE = {takeoff:g} degrees was passed over (expected 0 to 90)")
    length = {"cm": 1.0, "mm": 0.1, "um": 1e-4}
    for key, name, scale in (
        ("TBEWIND", "window_um", 1e4),
        ("TDEADLYR", "dead_layer_um", 1e4),
        ("TACTLYR", "thickness_mm", 10.0),
    ):
        value = _scaled(spectrum, key, length, where)
        if value:
            detector[name] = value * scale
            if key == "TBEWIND":
                detector["window_material"] = "Be"
    return facts, detector
