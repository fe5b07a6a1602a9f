"""X-ray fluorescence scans of paintings: element maps, pigments and dates.

The names below are imported when first used, so that ``import xrfmap`` and the
command line start fast.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from xrfmap.calibrate import calibrate
    from xrfmap.finding import find_elements
    from xrfmap.hidden import hidden_design
    from xrfmap.io import open_point, open_scan
    from xrfmap.maps import fit_spectrum, map_elements
    from xrfmap.pigments import match_pigments
    from xrfmap.study import run_study
    from xrfmap.study_file import load_study

__version__ = "0.1.0"

_HOME = {
    "calibrate": "xrfmap.calibrate",
    "find_elements": "xrfmap.finding",
    "fit_spectrum": "xrfmap.maps",
    "hidden_design": "xrfmap.hidden",
    "load_study": "xrfmap.study_file",
    "map_elements": "xrfmap.maps",
    "match_pigments": "xrfmap.pigments",
    "open_point": "xrfmap.io",
    "open_scan": "xrfmap.io",
    "run_study": "xrfmap.study",
}

__all__ = [
    "__version__",
    "calibrate",
    "find_elements",
    "fit_spectrum",
    "hidden_design",
    "load_study",
    "map_elements",
    "match_pigments",
    "open_point",
    "open_scan",
    "run_study",
]


class _Package(ModuleType):
    """The package, with public names imported on first use.

    ``calibrate`` is a function here and also the name of the module it lives in.
    Python puts a submodule into its package once it is imported, by whomever;
    without care that would take the place of the function.
    """

    def __getattr__(self, name: str) -> Any:
        if name not in _HOME:
            raise AttributeError(f"module 'xrfmap' has no attribute {name!r}")
        value = getattr(import_module(_HOME[name]), name)
        self.__dict__[name] = value
        return value

    def __setattr__(self, name: str, value: Any) -> None:
        if _HOME.get(name) == f"xrfmap.{name}" and isinstance(value, ModuleType):
            value = getattr(value, name)
        super().__setattr__(name, value)

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *__all__})


sys.modules[__name__].__class__ = _Package
