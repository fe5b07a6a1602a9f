"""Absorption edges of the paint between the lines of one family.

Between edges all matter absorbs alike, about as a power of the energy, so that one depth of light
matter in front of a family (``cover``) describes its line ratios. Not across an edge: lead white
lets pass the L-beta lines of mercury at 11.8 keV, below its L3 edge at 13.04 keV, and stops the
L-gamma lines at 13.8 and 14.2 keV; the latter lie below K-alpha of strontium.
"""

from __future__ import annotations

from contextlib import suppress
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import attenuation, edge_energy
from xrfmap.spectra.emitters import COVER_POWER, Emitter

__all__ = ["USUAL_EDGE", "PaintEdge", "has_edge"]

Array = npt.NDArray[np.float64]

USUAL_EDGE = 0.15
"""Optical depth of the absorber at the main line: half of a usual cover."""

SEEN_SHARE = 0.005
"""Share of its family from which a line counts: for an edge that splits a family, some percent
of whose counts change, fainter lines do not matter."""

SOFT_SHARE = 0.5
"""Energy, as a share of that of the main line, below which an edge number leaves lines alone.
There is one such line in an L family, L1-L3 at a fourth of it, 2.8 keV for lead. Light matter of
the depth of the absorber stops it forty times as strongly as the main line, so that an edge number
above the cover would raise it without end. It is a fraction of a per cent of its family, and
behind a usual cover nothing is left of it."""

_SHELLS = ("K", "L1", "L2", "L3", "M1", "M2", "M3", "M4", "M5")


class PaintEdge(NamedTuple):
    """An absorber in front of a family, among its lines or above them."""

    absorber: str
    depth: float  # optical depth of it alone, at the main line of the family

    def log_factor(self, emitter: Emitter) -> Array:
        """Logarithm of the factor on each line, against light matter of the same depth.

        Parameters
        ----------
        emitter : Emitter
            The family.

        Returns
        -------
        ndarray, shape (lines,)
            Zero at the main line, nearly so wherever no edge lies between, and zero for lines
            below :data:`SOFT_SHARE` of the energy of the main one.
        """
        return -self.depth * _beyond_smooth(self.absorber, emitter)


@lru_cache(maxsize=512)
def _beyond_smooth(absorber: str, emitter: Emitter) -> Array:
    """Attenuation relative to that at the main line, less that of light matter."""
    main = emitter.main_energy
    here = attenuation(absorber, np.append(emitter.energies, main))
    smooth = (emitter.energies / main) ** COVER_POWER
    near = emitter.energies > SOFT_SHARE * main
    return np.where(near, here[:-1] / here[-1] - smooth, 0.0)


@cache
def _edges_of(element: str) -> Array:
    """List the absorption edges of an element, in keV."""
    found = []
    for shell in _SHELLS:
        with suppress(ValueError):  # a light element has no M shell
            found.append(edge_energy(element, shell))
    return np.array(found)


def has_edge(absorber: str, emitter: Emitter, shares: Array) -> bool:
    """Tell whether an absorption edge of an element lies between lines of a family.

    Parameters
    ----------
    absorber : str
        Symbol.
    emitter : Emitter
        The family.
    shares : ndarray, shape (lines,)
        Shares of its lines; those below :data:`SEEN_SHARE` do not count.
    """
    lines = emitter.energies[shares > SEEN_SHARE]
    if len(lines) < 2:
        return False
    edges = _edges_of(absorber)
    return bool(np.any((edges > lines.min()) & (edges < lines.max())))
