"""Tables of the record: energy scale, inputs, versions, settings, timings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from xrfmap.findings import Findings
from xrfmap.report.plates import slug
from xrfmap.report.tables import Column, Table, Value

__all__ = ["calibration_notes", "calibration_table", "run_tables"]

_QUANTITIES = {
    "zero_kev": "energy of channel 0", "kev_per_channel": "energy per channel",
    "noise_kev": "electronic noise (FWHM)", "fano": "Fano factor (spread of the charge)",
}  # fmt: skip
_TITLES = {"repeated": "done in this run"}  # of timings: yes, or kept from an earlier run
_TEXT_UNITS = {"_kev": "keV", "_ev": "eV", "_s": "s", "_channel": "keV"}


def calibration_table(findings: Findings) -> Table | None:
    """Energy scale and peak width with their standard errors."""
    held = findings.calibration
    if not held:
        return None
    columns = (
        # without an error six digits: a gain is known to parts in 10 000
        Column("meaning", "Quantity"), Column("quantity", "Name", on_page=False),
        Column("value", "Value", "number", 6, err="err"),
        Column("err", "Standard error", "number", 2), Column("unit", "Unit"),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = []
    for key, value in held.items():
        if key.endswith("_err"):
            continue
        unit = next((u for end, u in _TEXT_UNITS.items() if key.endswith(end)), "")
        err = held.get(f"{key}_err")
        if not isinstance(value, float):
            continue
        name = key.replace("_kev", "").replace("_", " ")
        rows.append((_QUANTITIES.get(key, name), name, value,
                     err if isinstance(err, float) else None, unit))  # fmt: skip
    width = _width_at_mn(held)
    if width is not None:
        peak = "peak width (FWHM) at Mn Kα, 5.895 keV"
        rows.append((peak, peak, round(width, 1), None, "eV"))
    return Table("calibration", "Energy scale and peak width", columns, tuple(rows))


def calibration_notes(findings: Findings) -> str:
    """Say in words what the calibration rests on."""
    held = findings.calibration or {}
    words = {key: str(value) for key, value in held.items() if isinstance(value, str) and value}
    parts = [f"From {words.pop('of')}." if "of" in words else "", words.pop("because", "")]
    parts += [f"{key.replace('_', ' ')}: {value}" for key, value in words.items()]
    return " ".join(
        part[0].upper() + part[1:] + ("" if part.endswith(".") else ".") for part in parts if part
    )


def _width_at_mn(held: Mapping[str, float | str | None]) -> float | None:
    noise, fano = held.get("noise_kev"), held.get("fano")
    if not isinstance(noise, float) or not isinstance(fano, float):
        return None
    # FWHM^2 = noise^2 + 2.3548^2 F eps E with eps = 3.66 eV for silicon
    return float(1e3 * np.sqrt(noise**2 + 2.3548**2 * fano * 3.66e-3 * 5.895))


def _is_scalar(value: Any) -> bool:
    return not isinstance(value, Mapping | list | tuple)


def _flat(value: Any, name: str) -> list[tuple[str, Value]]:
    """Nested settings as dotted names."""
    if isinstance(value, Mapping):
        return [
            pair for k, v in value.items() for pair in _flat(v, f"{name}.{k}" if name else str(k))
        ]
    if isinstance(value, list | tuple):
        if not value:
            return []
        if all(_is_scalar(v) for v in value):
            return [(name, ", ".join(str(v) for v in value))]
        if all(isinstance(v, list | tuple) and all(map(_is_scalar, v)) for v in value):
            # corners of a polygon and the like
            return [(name, "; ".join(", ".join(str(x) for x in v) for v in value))]
        return [pair for i, v in enumerate(value, 1) for pair in _flat(v, f"{name}[{i}]")]
    if value is None or isinstance(value, str | bool | int | float):
        return [(name, value)]
    return [(name, str(value))]


def _records(key: str, caption: str, records: list[Mapping[str, Any]]) -> Table:
    """List of mappings as a table with one column a key."""
    keys = list(dict.fromkeys(str(k) for record in records for k in record))
    numeric = {
        k for k in keys if all(isinstance(r.get(k, 0), int | float) or r.get(k) is None
                               for r in records)
    }  # fmt: skip
    columns = tuple(
        Column(k, _TITLES.get(k, k.replace("_", " ")), "number" if k in numeric else "text")
        for k in keys
    )
    rows = tuple(
        tuple(r.get(k) if k in numeric else ", ".join(str(v) for _, v in _flat(r.get(k, ""), ""))
              for k in keys)
        for r in records
    )  # fmt: skip
    return Table(key, caption, columns, rows)


def _facts(held: Any) -> Mapping[str, Any]:
    """Return what is known of an input: a mapping, or its bare hash."""
    return held if isinstance(held, Mapping) else {"sha256": held}


def _part(key: str, caption: str, part: Any) -> Table:
    name = f"run_{slug(key)}"
    if key == "inputs" and isinstance(part, Mapping):
        part = [{"file": file, **_facts(held)} for file, held in part.items()]
    if isinstance(part, list | tuple) and part and all(isinstance(p, Mapping) for p in part):
        return _records(name, caption, list(part))
    rows = tuple(_flat(part, ""))
    return Table(name, caption, (Column("name", "Name"), Column("value", "Value")), rows)


def run_tables(run: Mapping[str, Any]) -> list[Table]:
    """One table for each part of ``run.json``: inputs, versions, settings, timings, the rest."""
    captions = {
        "inputs": "Input files and their SHA-256", "versions": "Versions",
        "settings": "Settings", "timings": "Time taken [s]",
    }  # fmt: skip
    single = {key: value for key, value in run.items() if _is_scalar(value)}
    parts = {"run": single, **{key: run[key] for key in captions if key in run}}
    parts |= {key: value for key, value in run.items() if key not in {*single, *captions}}
    tables = [
        _part(key, captions.get(key, key.replace("_", " ").capitalize()), part)
        for key, part in parts.items()
    ]
    return [table for table in tables if table.rows]
