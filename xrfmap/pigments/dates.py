"""Dates of a material against the stated period."""

from __future__ import annotations

from xrfmap.findings import Verdict
from xrfmap.pigments.schema import DateRange, Material, Region

__all__ = ["date_words", "dates_in", "decline_remark", "known_in", "period_verdict", "region_of"]


def region_of(material: Material, region: str | None) -> Region | None:
    """Entry of a material for a region, by any of the region's words."""
    if region is None:
        return None
    text = region.lower()
    for entry in material.regions:
        if any(word in text for word in entry.words):
            return entry
    return None


def known_in(material: Material, region: str | None) -> bool:
    """Whether a material is to be reckoned with in a region; most are everywhere."""
    return not material.only_there or region_of(material, region) is not None


def dates_in(material: Material, region: str | None) -> tuple[DateRange, DateRange | None]:
    """First report and common use, those of the region where the rules give them."""
    entry = region_of(material, region)
    if entry is None or entry.earliest is None:
        return material.earliest, material.common
    return entry.earliest, entry.common or material.common


def period_verdict(
    material: Material, period: tuple[int, int] | None, region: str | None = None
) -> Verdict:
    """Whether a material could have been bought by the end of a period.

    Parameters
    ----------
    material : Material
        With its dates.
    period : (int, int) or None
        First and last year of the stated period.
    region : str, optional
        Where the object is said to come from, in free words.

    Returns
    -------
    Verdict
        ``"out_of_period"`` where the period ends before the earliest report that any
        serious source gives; ``"borderline"`` from there to the first year of common
        use (where none is given, to the latest of the first reports); else
        ``"compatible"``. Decline plays no part. Without a period, ``"compatible"``.
    """
    if period is None:
        return "compatible"
    end = period[1]
    earliest, common = dates_in(material, region)
    if end < earliest.low:
        return "out_of_period"
    usual = common.low if common is not None else earliest.high
    return "borderline" if end < usual else "compatible"


def date_words(material: Material, region: str | None = None) -> str:
    """``"first reports 1780 to 1796 (...); in common use from 1834 to 1850"``."""
    earliest, common = dates_in(material, region)
    text = f"first reports {earliest.words()}"
    if earliest.note:
        text += f" ({earliest.note})"
    if common is not None and common.words() != "antiquity":
        text += f"; in common use from {common.words()}"
        if common.note:
            text += f" ({common.note})"
    return text


def decline_remark(material: Material, period: tuple[int, int] | None) -> str | None:
    """Say so where the period begins after a material went out of use."""
    decline = material.decline
    if period is None or decline is None or period[0] <= decline.high:
        return None
    text = (
        f"{material.name} goes out of use around {decline.words()}, before the stated period "
        f"begins. That is a remark only: old stock, revivals and reused supports all exist."
    )
    return text + (
        f" {decline.revival[0].upper()}{decline.revival[1:]}." if decline.revival else ""
    )
