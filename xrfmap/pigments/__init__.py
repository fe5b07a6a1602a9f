"""Pigments: rules with their sources, matching of areas, and flags against a period.

The same function judges typed-in lists and measured areas: :func:`assess`. The short door
is :func:`match_pigments`.
"""

from xrfmap.pigments.ask import match_pigments
from xrfmap.pigments.assess import Assessment, assess, match_area, overall_verdict
from xrfmap.pigments.evidence import (
    AreaEvidence,
    ElementEvidence,
    LineEvidence,
    areas_from_toml,
    evidence_from_area,
    evidence_from_lines,
)
from xrfmap.pigments.rule_files import check_rules, load_rules
from xrfmap.pigments.rulebase import RuleBase
from xrfmap.pigments.show import list_rules, show_rule

__all__ = [
    "AreaEvidence",
    "Assessment",
    "ElementEvidence",
    "LineEvidence",
    "RuleBase",
    "areas_from_toml",
    "assess",
    "check_rules",
    "evidence_from_area",
    "evidence_from_lines",
    "list_rules",
    "load_rules",
    "match_area",
    "match_pigments",
    "overall_verdict",
    "show_rule",
]
