"""Amounts of a measured spectrum: from the fit to mass per area or mass fractions.

A reference of known composition, measured with the same tube, geometry and current, or the
flux if it is known, gives the strength of the instrument; the amounts follow by fundamental
parameters (:mod:`xrfmap.amounts.thin`, :mod:`xrfmap.amounts.thick`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import xarray as xr

from xrfmap.amounts.strength import Strength, strength_from_reference
from xrfmap.amounts.thick import thick_fractions
from xrfmap.amounts.thin import Amount, thin_amounts
from xrfmap.depth.cover_choice import usable_groups
from xrfmap.depth.line_groups import GroupCounts, LineGroup
from xrfmap.depth.line_ratios import area_counts, with_elements
from xrfmap.errors import InputError
from xrfmap.identification.identify import Found
from xrfmap.physics.atomic import Material
from xrfmap.running.one_thread import in_one_thread
from xrfmap.scan import instrument_of
from xrfmap.settings import ELEMENT_SYMBOLS, Instrument

__all__ = [
    "CAUTION",
    "AmountQuestion",
    "ReferenceBody",
    "composition_of",
    "measure_amounts",
    "measure_strength",
    "same_instrument",
]

HARD_KEV = 3.0
"""Softer lines are left out where an element has harder ones: M lines are tabulated to 20 % at
best, and varnish or dust weaken them."""

SUM_SLACK = 0.02
"""How far the fractions of a reference may be from one: certificates round, and list traces."""

CAUTION = (
    "amounts hold only if the reference was measured with the same tube, current, filter, "
    "distance and angles, and if the place is one even layer as was said: thin layers have "
    "nothing over them, thick ones let nothing below them show"
)

_PART = re.compile(r"^([A-Z][a-z]?)[\s:=]*([0-9.]+(?:[eE][-+]?\d+)?)\s*(%?)$")


@dataclass(frozen=True)
class ReferenceBody:
    """A body of known composition.

    Attributes
    ----------
    composition : mapping of str to float
        Mass fractions; come to one.
    thickness_um : float
        Thickness; infinite for a thick body. [um]
    density_g_cm3 : float
        Density; without effect on a thick body. [g/cm3]
    """

    composition: Mapping[str, float]
    thickness_um: float = np.inf
    density_g_cm3: float = 1.0

    @property
    def material(self) -> Material:
        """The body as a material."""
        return Material("reference", dict(self.composition), self.density_g_cm3)


@dataclass(frozen=True)
class AmountQuestion:
    """What is to be told of a spectrum.

    Attributes
    ----------
    body : {"thin", "thick"}
        One thin layer (mass per area), or a thick homogeneous body (mass fractions).
    compounds : mapping of str to Material
        Thick: the compound that brings each element; the pure element where missing.
    medium : (Material, float) or None
        Thick: a binder and its share of the mass. Thin: the binder, and its mass per mass of
        the elements that are seen.
    """

    body: Literal["thin", "thick"]
    compounds: Mapping[str, Material] = field(default_factory=dict)
    medium: tuple[Material, float] | None = None


def composition_of(text: str, where: str = "--composition") -> dict[str, float]:
    """Read mass fractions from ``"Fe 0.70, Cr 0.20, Ni 0.10"`` or ``"Cu 63 %, Zn 37 %"``.

    Parameters
    ----------
    text : str
        Symbols and mass fractions with commas between; all in per cent, or none.
    where : str
        Where the text stands, for the message.

    Returns
    -------
    dict
        Mass fractions that come to one.

    Raises
    ------
    InputError
        If a part cannot be read, or the sum is off one by more than :data:`SUM_SLACK`.
    """
    found: dict[str, float] = {}
    for piece in (p.strip() for p in text.split(",")):
        match = _PART.match(piece)
        if match is None or match.group(1) in found:
            raise InputError(
                where, found=repr(piece), expected="each element once, as in Fe 0.70, Cr 0.30",
                remedy="give mass fractions with commas between",
            )  # fmt: skip
        found[match.group(1)] = float(match.group(2)) * (0.01 if match.group(3) else 1.0)
    return checked_composition(found, where)


def checked_composition(parts: Mapping[str, float], where: str) -> dict[str, float]:
    """Mass fractions scaled to come to one exactly; see :func:`composition_of`."""
    unknown = [e for e in parts if e not in ELEMENT_SYMBOLS]
    total = float(sum(parts.values()))
    if unknown or not parts or min(parts.values()) <= 0 or abs(total - 1) > SUM_SLACK:
        said = f"unknown {', '.join(unknown)}" if unknown else f"a sum of {total:.3f}"
        raise InputError(
            where, "composition", found=said,
            expected="mass fractions > 0 of known elements that come to 1",
            remedy="name every element of the reference, oxygen and carbon too",
        )  # fmt: skip
    return {e: float(v) / total for e, v in parts.items()}


def same_instrument(mine: Instrument, other: Instrument, where: str) -> None:
    """Refuse a reference that was measured with another instrument.

    Parameters
    ----------
    mine, other : Instrument
        Of the spectrum in question and of the reference.
    where : str
        File of the reference.

    Raises
    ------
    InputError
        If both state a fact about tube, filter or geometry and the facts differ.
    """
    for name in sorted(mine.model_fields_set & other.model_fields_set - {"energy_scale"}):
        if getattr(mine, name) != getattr(other, name):
            raise InputError(
                where, name, found=f"{getattr(other, name)}",
                expected=f"{getattr(mine, name)}, as in the spectrum whose amounts are asked for",
                remedy="measure the reference with the same settings, or correct what a file says",
            )  # fmt: skip


@in_one_thread
def measure_strength(
    found: Found, spectrum: xr.Dataset, body: ReferenceBody, where: str
) -> Strength:
    """Strength of the instrument from the fitted spectrum of a reference.

    Parameters
    ----------
    found : Found
        Fit of the spectrum of the reference.
    spectrum : Dataset
        That spectrum, with its live time.
    body : ReferenceBody
        What the reference is.
    where : str
        Its file, for messages.

    Returns
    -------
    Strength
        See :func:`xrfmap.amounts.strength.strength_from_reference`.

    Raises
    ------
    InputError
        If the live time is not known, or no element of the reference is seen.
    """
    counts = _counts(found, [e for e in body.composition if e != found.anode])
    live = _live_time(spectrum, where)
    if counts is None:
        raise InputError(
            where, "composition", found=", ".join(body.composition),
            expected="an element with lines in the fitted range, other than the anode",
            remedy="take another reference",
        )  # fmt: skip
    try:
        return strength_from_reference(
            counts, [body.material], [body.thickness_um], live, instrument_of(spectrum),
            anode=found.anode,
        )  # fmt: skip
    except ValueError as bad:
        raise InputError(
            where, found=str(bad), expected="a spectrum that shows the elements of the reference",
            remedy="check that file and composition belong together",
        ) from bad  # fmt: skip


@in_one_thread
def measure_amounts(
    found: Found,
    spectrum: xr.Dataset,
    strength: Strength | None,
    question: AmountQuestion,
    where: str,
) -> tuple[Amount, ...]:
    """Amounts of the elements that a fitted spectrum shows.

    Parameters
    ----------
    found : Found
        Fit of the spectrum.
    spectrum : Dataset
        The spectrum, with its live time. [s]
    strength : Strength or None
        From :func:`measure_strength` or from the flux. None: mass fractions of a thick body
        that come to one.
    question : AmountQuestion
        Thin or thick, and what else is known of the place.
    where : str
        Name of the spectrum, for messages.

    Returns
    -------
    tuple of Amount
        One for each element found present, but the anode. Elements without a line above 2 keV
        are refused, since a breath of varnish takes such lines away.

    Raises
    ------
    InputError
        If the live time is not known, or a thin layer is asked for without a strength.
    """
    names = [e for e in found.present if e != found.anode]
    unit = "ug/cm2" if question.body == "thin" else "mass fraction"
    counts = _counts(found, names)
    seen = set() if counts is None else {g.element for g in counts.groups}
    soft = [
        Amount(e, None, None, None, unit, (), refused="only soft lines, which any cover takes away")
        for e in names
        if e not in seen
    ]
    if counts is None:
        return tuple(soft)
    if question.body == "thin" and strength is None:
        raise InputError(
            where, "amounts", found="neither a reference nor a flux",
            expected="one of them: counts alone give no mass per area",
            remedy="give a reference of known composition measured with the same instrument",
        )  # fmt: skip
    instrument = instrument_of(spectrum)
    if strength is not None and question.body == "thin":
        told = thin_amounts(
            counts, _live_time(spectrum, where), strength, instrument,
            unseen=question.medium, anode=found.anode,
        )  # fmt: skip
    else:
        told = list(
            thick_fractions(
                counts, instrument, strength=strength,
                live_time_s=1.0 if strength is None else _live_time(spectrum, where),
                compounds={e: m for e, m in question.compounds.items() if e in seen},
                medium=question.medium, anode=found.anode,
            ).amounts
        )  # fmt: skip
    return (*told, *soft)


def _counts(found: Found, names: list[str]) -> GroupCounts | None:
    """Count the usable groups of some elements; None where there are none."""
    model = with_elements(found, names)
    usable: list[LineGroup] = []
    for name in names:
        groups = usable_groups(found, name, model)
        hard = tuple(g for g in groups if g.energy_kev > HARD_KEV)
        usable += hard or groups
    if not usable:
        return None
    return area_counts(found, list(dict.fromkeys(g.element for g in usable))).only(usable)


def _live_time(spectrum: xr.Dataset, where: str) -> float:
    # at the usual strength of the beam, where it wavered: see xrfmap.areas.members.sum_areas
    name = "exposure" if "exposure" in spectrum else "live_time"
    live = float(spectrum[name]) if name in spectrum else float("nan")
    if not live > 0:
        raise InputError(
            where, "live_time", found=f"{live:g} s", expected="a live time above 0 s",
            remedy="give live_time_s, or take a file that states it",
        )  # fmt: skip
    return live
