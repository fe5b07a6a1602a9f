"""What is taken for granted about an element: its cover, the paint it lies in, its lines.

All of it can be replaced by what is known of the object; the defaults are paints in which
the element is usually met.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from xrfmap.depth.cover_model import CoverModel, OwnLayers, cover_model
from xrfmap.depth.line_groups import GroupCounts, LineGroup, groups_of
from xrfmap.identification.identify import Found
from xrfmap.physics.atomic import Material
from xrfmap.physics.material_names import paint_of
from xrfmap.spectra.templates import SpectrumModel

__all__ = [
    "SOURCES",
    "DepthSettings",
    "bare_reference",
    "covering",
    "element_model",
    "usable_groups",
]

Array = npt.NDArray[np.float64]

LEAST_ENERGY_KEV = 2.0
"""Softer groups come from the topmost few micrometres, and lie among weak M lines of lead."""

DEFAULT_COVER = "lead white"
OTHER_COVER = "yellow ochre"
"""For elements that lead white itself holds."""

SOURCES: Mapping[str, tuple[str, ...]] = {
    "Hg": ("vermilion", "vermilion + lead white"),
    "Cu": ("verdigris", "azurite", "malachite + lead white"),
    "Sn": ("lead-tin yellow", "lead-tin yellow + 3 lead white"),
    "Pb": ("lead white", "lead-tin yellow", "lead white + 3 chalk"),
    "Fe": ("yellow ochre", "yellow ochre + 3 lead white", "umber"),
    "Mn": ("umber", "umber + 3 lead white"),
    "Co": ("smalt", "smalt + 2 lead white"),
    "Ni": ("smalt", "smalt + 2 lead white"),
    "As": ("orpiment", "smalt", "smalt + 2 lead white"),
    "Ca": ("chalk in glue", "bone black", "chalk + lead white"),
    "Sr": ("natural chalk in glue", "natural gypsum in glue"),
    "Zn": ("zinc white", "zinc white + titanium white", "zinc white + 3 lead white"),
    "Ti": ("titanium white", "titanium white + zinc white"),
    "Ba": ("barytes", "lithopone", "barytes + lead white"),
    "Cr": ("chrome yellow", "viridian", "viridian + lead white"),
    "Cd": ("cadmium yellow", "cadmium yellow + barytes"),
    "Se": ("cadmium red", "cadmium red + barytes"),
    "Sb": ("lead antimonate", "lead antimonate + 3 lead white"),
    "Au": ("gold + 0.01 resin",),
    "K": ("smalt", "clay", "green earth"),
    "S": ("gypsum in glue", "vermilion"),
}
"""Paints that an element is taken to lie in where the study does not say."""


@dataclass(frozen=True)
class DepthSettings:
    """Choices for layer order.

    Attributes
    ----------
    cover : Material or None
        Named covering material; lead white in oil, or yellow ochre in oil for elements of
        lead white, where not given.
    own : mapping of str to OwnLayers
        What each element lies in; :data:`SOURCES` where not given.
    table_error : float
        Factor on the errors of tabulated line strengths.
    bare : mapping of str to (ndarray, ndarray)
        Per element: logarithms by which measured group ratios of bare paint exceed the
        tables, shape (g,), and their covariance (g, g); see :func:`bare_reference`.
    """

    cover: Material | None = None
    own: Mapping[str, OwnLayers] = field(default_factory=dict)
    table_error: float = 1.0
    bare: Mapping[str, tuple[Array, Array]] = field(default_factory=dict)


def usable_groups(
    found: Found, element: str, model: SpectrumModel | None = None
) -> tuple[LineGroup, ...]:
    """List the groups of an element that the fit holds and that are not too soft.

    Parameters
    ----------
    found : Found
        The fit.
    element : str
        Symbol.
    model : SpectrumModel, optional
        Model with further elements put in; that of the fit by default.
    """
    low, high = found.model.energy_range
    return tuple(
        g for g in groups_of(model or found.model, element)
        if max(low, LEAST_ENERGY_KEV) < g.energy_kev < high - 0.2
    )  # fmt: skip


def _own(element: str, settings: DepthSettings) -> OwnLayers:
    """Layers that an element may lie in."""
    given = settings.own.get(element)
    if given is not None:
        return given
    names = SOURCES.get(element)
    if names is not None:
        return OwnLayers(tuple(paint_of(name) for name in names))
    oil = paint_of("resin")
    rest = {e: 0.7 * w for e, w in oil.mass_fractions.items()}
    rest[element] = rest.get(element, 0.0) + 0.3
    return OwnLayers((Material(f"paint with 30 % {element}", rest, 1.5),))


def covering(element: str, settings: DepthSettings | None = None) -> Material:
    """Material that the cover over an element is taken to be.

    Parameters
    ----------
    element : str
        Symbol.
    settings : DepthSettings, optional
        The cover asked for there has precedence, even if it holds the element.
    """
    settings = settings or DepthSettings()
    if settings.cover is not None:
        return settings.cover
    usual = paint_of(DEFAULT_COVER)
    return paint_of(OTHER_COVER) if element in usual.mass_fractions else usual


def element_model(
    found: Found,
    element: str,
    groups: Sequence[LineGroup],
    settings: DepthSettings | None = None,
    nodes: int | None = None,
) -> CoverModel:
    """Table of the groups of one element for the instrument of a fit.

    Parameters
    ----------
    found : Found
        For instrument and anode.
    element : str
        Symbol.
    groups : sequence of LineGroup
        Its groups.
    settings : DepthSettings, optional
        Cover, own layers, references.
    nodes : int, optional
        Own thicknesses in the table.

    Returns
    -------
    CoverModel
        With the bare reference of the settings, where there is one for all its groups.
    """
    settings = settings or DepthSettings()
    own = _own(element, settings)
    if nodes is not None:
        own = replace(own, nodes=nodes)
    model = cover_model(
        tuple(groups), found.model.instrument, covering(element, settings), own,
        anode=found.anode, table_error=settings.table_error,
    )  # fmt: skip
    reference = settings.bare.get(element)
    if reference is not None and len(reference[0]) == len(groups):
        model = replace(model, offset=reference[0], table=reference[1])
    return model


def bare_reference(counts: GroupCounts, model: CoverModel) -> tuple[Array, Array]:
    """Measured group ratios of paint known to be bare, to take the place of tables.

    Parameters
    ----------
    counts : GroupCounts
        n = 1: an area of the same paint that nothing covers.
    model : CoverModel
        Table of the same groups, without a reference.

    Returns
    -------
    offset : ndarray, shape (g,)
        Logarithm of measured over tabulated strength, mean zero.
    covariance : ndarray, shape (g, g)
        Relative covariance of the measurement.

    Raises
    ------
    ValueError
        If a group has fewer counts than three standard errors: its logarithm is unknown.
    """
    net, covariance = counts.net[0], counts.covariance[0]
    if (net < 3 * np.sqrt(np.diag(covariance))).any():
        raise ValueError("every group of a bare reference needs at least three standard errors")
    bare = model.at(np.zeros(1))[0]
    offset = np.log(net) - model.weight @ bare
    relative = covariance / np.outer(net, net)
    return offset - offset.mean(), np.asarray(relative)
