"""Further elements that a material brings, and what their presence or limits say.

Smalt needs cobalt and, beside it, nickel, arsenic or bismuth of its ore. An element that was
not seen proves nothing; only an upper limit below what the ore would bring speaks against
the material. Where an area is too poor to tell, other areas of the same layer may show
what its cobalt is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from xrfmap.pigments.dates import region_of
from xrfmap.pigments.schema import AnyOf, Material
from xrfmap.pigments.setting import Setting

__all__ = ["Further", "further_elements", "seen_elsewhere"]

Status = Literal["none", "seen", "elsewhere", "weak", "bare", "open", "excluded", "unlisted"]


@dataclass(frozen=True)
class Further:
    """What the further elements say.

    Attributes
    ----------
    status : str
        ``"none"`` asked for; ``"seen"`` here or ``"elsewhere"`` in the layer; ``"weak"``:
        only one that comes from anywhere; ``"bare"``: the same in a bare list, where it was
        meant; ``"open"``: limits too poor; ``"excluded"`` by limits; ``"unlisted"``: a list
        without any of them.
    text : str
        In words.
    """

    status: Status
    text: str

    @property
    def rules_out(self) -> bool:
        """Whether the material does not come into question."""
        return self.status in ("excluded", "unlisted")

    @property
    def leaves_doubt(self) -> bool:
        """Whether it is possible only."""
        return self.status in ("open", "weak")


def further_elements(key: str, material: Material, setting: Setting) -> Further:
    """Judge the further elements of a material whose needed elements are all seen.

    Parameters
    ----------
    key : str
        Of the material.
    material : Material
        The material.
    setting : Setting
        The area, with its amounts and what other areas of the layer show.
    """
    group = material.any_of
    if group is None:
        return Further("none", "")
    lead = material.needed[0]
    place = region_of(material, setting.region)
    counting = [*group.any, *(place.any_of_too if place else [])]
    seen = [e for e in counting if e in setting.present]
    if seen:
        return Further("seen", f"{', '.join(seen)} beside {lead}: {group.why}")
    excluded = _excluded(group, counting, lead, setting)
    if excluded is not None:
        return excluded
    return _undecided(key, group, counting, lead, setting)


def _excluded(group: AnyOf, counting: Sequence[str], lead: str, setting: Setting) -> Further | None:
    limits = {e: setting.amounts.limit(e, lead) for e in counting}
    low = {e: v for e, v in limits.items() if v is not None and v < group.at_least}
    always = [e for e in group.always if e in low]
    if not always and len(low) < len(counting):
        return None
    told = ", ".join(f"{e} stays below {v:.2g} of the {lead} by mass" for e, v in low.items())
    return Further("excluded", f"{told}; {group.why}")


def _undecided(
    key: str, group: AnyOf, counting: Sequence[str], lead: str, setting: Setting
) -> Further:
    asked = ", ".join(counting)
    first = setting.area.elements[lead]
    if key in setting.elsewhere and not first.typed_in:
        where = setting.elsewhere[key]
        return Further(
            "elsewhere", f"the limits for {asked} are too poor here, but {where} shows them"
        )
    weak = [e for e in group.weaker if e in setting.present]
    if weak:
        status: Status = "bare" if first.typed_in and first.amount is None else "weak"
        text = f"{', '.join(weak)} beside {lead}, but none of {asked} seen; {group.why}"
        return Further(status, text)
    if not first.typed_in:
        return Further("open", f"the limits for {asked} are too poor to rule it out")
    return Further("unlisted", f"none of {asked} is reported; {group.why}")


def seen_elsewhere(settings: Sequence[Setting]) -> list[dict[str, str]]:
    """For each area, materials whose further elements another area of its layer shows.

    Returns
    -------
    list of dict
        Key of the material to the name of that area. Areas without a layer, and later
        layers, neither give nor take.
    """
    shown: dict[str, dict[str, str]] = {}
    for setting in settings:
        layer = setting.area.layer
        if layer is None or setting.area.standing == "later":
            continue
        for key, material in setting.rules.materials.items():
            if material.any_of is None or not set(material.needed) <= set(setting.present):
                continue
            if further_elements(key, material, setting).status == "seen":
                shown.setdefault(layer, {}).setdefault(key, setting.area.name)
    return [
        shown.get(s.area.layer or "", {}) if s.area.standing != "later" else {} for s in settings
    ]
