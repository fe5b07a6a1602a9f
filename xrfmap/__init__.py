"""X-ray fluorescence scans of paintings: element maps, pigments and dates.

The names below are imported when first used, so that ``import xrfmap`` and the
command line start fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from xrfmap.calibration.calibrate import calibrate
    from xrfmap.io import open_point, open_scan
    from xrfmap.maps.element_maps import fit_spectrum, map_elements
    from xrfmap.maps.finding import find_elements
    from xrfmap.pictures.hidden import hidden_design
    from xrfmap.pigments import match_pigments
    from xrfmap.study.run import run_study
    from xrfmap.study.study_file import load_study

__version__ = "0.1.0"

_HOME = {
    "calibrate": "xrfmap.calibration.calibrate",
    "find_elements": "xrfmap.maps.finding",
    "fit_spectrum": "xrfmap.maps.element_maps",
    "hidden_design": "xrfmap.pictures.hidden",
    "load_study": "xrfmap.study.study_file",
    "map_elements": "xrfmap.maps.element_maps",
    "match_pigments": "xrfmap.pigments",
    "open_point": "xrfmap.io",
    "open_scan": "xrfmap.io",
    "run_study": "xrfmap.study.run",
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


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'xrfmap' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
