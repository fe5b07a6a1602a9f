"""Looks of Bokeh's widgets, and the few scripts that run in the browser."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

import bokeh.models
import bokeh.plotting
from jinja2 import Environment, Template

from xrfmap.report import style

__all__ = ["SHEET", "bk", "figure", "page_template", "script"]

# Bokeh's models take their properties by name at run time, which its types do not tell
bk: Any = bokeh.models
figure: Any = bokeh.plotting.figure


@cache
def _text(name: str) -> str:
    folder = resources.files("xrfmap.explore").joinpath("static")
    return folder.joinpath(name).read_text(encoding="utf-8")


def script(name: str) -> str:
    """Script of the page by its name; the same for every scan, with no text of a file in it."""
    return _text(f"{name}.js")


SHEET = _text("widgets.css")
"""Rules for what stands in the shadow trees of widgets."""


@cache
def page_template() -> Template:
    """Frame of the page: headings and places, filled by Bokeh."""
    env = Environment(autoescape=True)
    env.globals["look"] = {
        "css": _text("explore.css"),
        "paper": style.PAPER,
        "ink": style.INK,
        "muted": style.MUTED,
        "accent": style.ACCENT,
    }
    return env.from_string(_text("explore.html.j2"))
