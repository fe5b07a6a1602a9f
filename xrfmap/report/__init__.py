"""The report of a study: one self-contained page, figures, tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from xrfmap.report import figures
    from xrfmap.report.write import write_report

__all__ = ["figures", "write_report"]


def __getattr__(name: str) -> Any:
    """Import on first use: matplotlib and jinja2 are slow to load."""
    from importlib import import_module

    if name == "write_report":
        return import_module("xrfmap.report.write").write_report
    if name == "figures":
        return import_module("xrfmap.report.figures")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
