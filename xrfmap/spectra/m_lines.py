"""Line ratios of M families in paint: what a thin layer below light matter does not show.

Between 1.7 and 4 keV a smooth power law of the energy describes neither the way in nor the way
out. Three effects change the shares of the lines of lead or mercury M by up to a third:

- ``own``: the element absorbs its own lines, those above its M5 edge most. With a share a of the
  element in the attenuation at the main line, a thick layer shows a line i times
  ``1 / (1 - a + a mu(E_i) / mu(E_main))``.
- ``deep``: soft photons (L lines of the tube, the soft end of its continuum) make vacancies in M5
  and M4 rather than in M3 to M1, but do not reach far. In thick paint the lines of M3 to M1 are
  stronger against those of M5 and M4 than in a thin layer; 1 stands for the calculated ratio.
- ``soft``: logarithm of a factor on lines far below the main one, on the other side of the K
  edges of silicon, phosphorus or sulfur that the paint may hold.

Lead M3-N1 at 2.17 keV lies below mercury M-alpha, M4-N2 and M5-N3 at 1.83 keV below silicon K-beta:
what is wrong about them is taken for mercury and silicon.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import (
    Material,
    attenuation,
    family_cross_sections,
    material_attenuation,
    mix,
)
from xrfmap.settings import Instrument

__all__ = ["M_SPREAD", "USUAL_M", "MLines", "MState", "m_lines"]

Array = npt.NDArray[np.float64]

SOFT_KEV = 0.3
"""Distance below the main line from which a line counts as soft. [keV]"""

OWN_SHARE = 0.5
"""Mass share of the element in the paint that ``deep`` is calculated for; between 0.3 and 0.8 the
result changes by a tenth."""


class MState(NamedTuple):
    """The three numbers of the head of this module."""

    own: float
    deep: float
    soft: float


USUAL_M = MState(0.4, 0.85, 0.15)
"""Middle of what calculated spectra of visible paints need (`tests/spectra/test_m_lines.py`)."""

M_SPREAD = MState(0.2, 0.25, 0.2)
"""Standard deviation of the same."""


class MLines(NamedTuple):
    """What the three numbers act on, each of shape (lines,)."""

    own: Array
    deep: Array
    soft: Array

    def log_factor(self, state: MState) -> Array:
        """Logarithm of the factor on each line, shape (lines,)."""
        hidden = 1 - state.own + state.own * self.own
        return np.asarray(state.deep * self.deep + state.soft * self.soft - np.log(hidden))


def m_lines(
    element: str, energies: Array, main: int, shells: tuple[str, ...], beam: tuple[Array, Array],
    instrument: Instrument, light: Material,
) -> MLines:  # fmt: skip
    """Attenuation and excitation of the lines of an M family, relative to the main line.

    Parameters
    ----------
    element : str
        Symbol.
    energies : ndarray, shape (lines,)
        Energies. [keV]
    main : int
        Place of the main line.
    shells : tuple of str
        Shell of the vacancy, per line.
    beam : tuple of ndarray
        Energies [keV] and photons at the object.
    instrument : Instrument
        For the angles.
    light : Material
        What the element is bound in.
    """
    main_kev = float(energies[main])
    own = attenuation(element, energies) / attenuation(element, np.array([main_kev]))
    energy, photons = beam
    pure = Material(element, {element: 1.0}, 1.0)
    paint = mix("paint", {pure: OWN_SHARE, light: 1 - OWN_SHARE})
    way_in = material_attenuation(paint, energy) / np.sin(np.radians(instrument.incidence_deg))
    way_out = material_attenuation(paint, np.array([main_kev])) / np.sin(
        np.radians(instrument.takeoff_deg)
    )
    lines, sigma = family_cross_sections(element, "M", energy)
    ratio = {}
    for line, cross_section in zip(lines, sigma, strict=True):
        made = float(cross_section @ photons)
        if made > 0:
            ratio[line.shell] = float((cross_section / (way_in + way_out)) @ photons) / made
    seen = np.array([ratio[shell] for shell in shells])
    soft = (energies < main_kev - SOFT_KEV) & np.isin(shells, ("M4", "M5"))
    return MLines(np.asarray(own), np.log(seen / seen[main]), soft.astype(np.float64))
