"""Figures of a study, each a function from a Dataset to matplotlib axes.

Every function takes ``ax`` to draw into a figure of your own; without it a new
figure of a sensible size is made. Nothing touches pyplot: save with
``ax.figure.savefig(...)`` or show the figure in a notebook.

>>> from xrfmap.report import figures
>>> ax = figures.element_map(maps, "Pb L")          # doctest: +SKIP
>>> ax.figure.savefig("lead.png", dpi=300)          # doctest: +SKIP
"""

from xrfmap.report.figures.composite import composite_map
from xrfmap.report.figures.cover import cover_map
from xrfmap.report.figures.diagrams import chronology_diagram, layer_diagram
from xrfmap.report.figures.groups import group_map, seam_map
from xrfmap.report.figures.hidden import hidden_map
from xrfmap.report.figures.maps import element_map, quality_map, ratio_map
from xrfmap.report.figures.plate import plate_of_maps
from xrfmap.report.figures.radiograph import radiograph_map
from xrfmap.report.figures.spectra import element_scatter, fitted_spectrum

__all__ = [
    "chronology_diagram",
    "composite_map",
    "cover_map",
    "element_map",
    "element_scatter",
    "fitted_spectrum",
    "group_map",
    "hidden_map",
    "layer_diagram",
    "plate_of_maps",
    "quality_map",
    "radiograph_map",
    "ratio_map",
    "seam_map",
]
