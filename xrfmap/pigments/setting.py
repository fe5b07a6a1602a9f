"""What the judgement of one area rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from xrfmap.pigments.amounts import Amounts
from xrfmap.pigments.evidence import AreaEvidence
from xrfmap.pigments.rulebase import RuleBase

__all__ = ["Setting"]


@dataclass(frozen=True)
class Setting:
    """What the matching of one area rests on."""

    area: AreaEvidence
    rules: RuleBase
    period: tuple[int, int] | None
    amounts: Amounts
    colours: frozenset[str]
    region: str | None = None
    ignore: frozenset[str] = field(default_factory=frozenset)  # air and tube, not the object
    elsewhere: Mapping[str, str] = field(default_factory=dict)  # material key to the area, see
    # `further.seen_elsewhere`

    @property
    def present(self) -> tuple[str, ...]:
        """Detected elements of the object."""
        return tuple(s for s in self.area.present if s not in self.ignore)
