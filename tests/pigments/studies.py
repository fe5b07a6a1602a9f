"""Whole studies as text, for the tests: made-up objects, none of them real."""

from __future__ import annotations

import tomllib
from textwrap import dedent

from xrfmap.dating.chronology import Conclusion, conclude
from xrfmap.settings import Study


def study_of(text: str) -> Study:
    """Study from TOML without the ``[object]`` table, which is always the same."""
    data = tomllib.loads(dedent(text))
    return Study.model_validate({"object": {"title": "Mill by a frozen river"}, **data})


def concluded(text: str) -> Conclusion:
    """Judge a study given as text."""
    return conclude(study_of(text))


def flagged(conclusion: Conclusion) -> set[tuple[str, str, str]]:
    """Flags as (pigment, area or layer, verdict)."""
    return {(f.pigment, f.area or f"layer {f.layer}", f.verdict) for f in conclusion.flags}


def layer_of(conclusion: Conclusion, name: str):
    """Finding of one layer."""
    return next(layer for layer in conclusion.layers if layer.name == name)
