"""Fluorescence and scatter of a layered object under polychromatic X-rays.

Rates are photons per second, per mA of tube current, per steradian of the tube's beam
and per steradian towards the detector: multiply by current and both solid angles. The
detector and the gas before it are not included.

References
----------
.. [1] J. Sherman, "The theoretical derivation of fluorescent X-ray intensities from
   mixtures", Spectrochim. Acta 7, 283 (1955) (from memory).
.. [2] T. Shiraiwa and N. Fujino, "Theoretical calculation of fluorescent X-ray intensities
   in fluorescent X-ray spectrochemical analysis", Jpn. J. Appl. Phys. 5, 886 (1966)
   (from memory): secondary excitation.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import Line, line_cross_section
from xrfmap.physics.enhancement import secondary_emission
from xrfmap.physics.scatter import Scatter, scatter
from xrfmap.physics.stack import Layer, Optics, Stack, scatter_angle_deg, stack_lines
from xrfmap.physics.tube import Excitation
from xrfmap.settings import Instrument

__all__ = [
    "Layer",
    "Scatter",
    "Stack",
    "emission",
    "layer_emission",
    "scatter",
    "scatter_angle_deg",
    "stack_lines",
]

Array = npt.NDArray[np.float64]


def layer_emission(
    stack: Stack, excitation: Excitation, instrument: Instrument, which: Sequence[Line]
) -> Array:
    """Primary fluorescence of each line from each layer, as seen from outside.

    Parameters
    ----------
    stack : Stack
        The object.
    excitation : Excitation
        Photons at the object.
    instrument : Instrument
        Angles.
    which : sequence of Line
        m lines.

    Returns
    -------
    ndarray, shape (layers, m)
        Rates, see the head of this module.
    """
    energy, photons = excitation.all_energies()
    rates = np.zeros((len(stack.layers), len(which)))
    if not which:
        return rates
    optics = Optics(stack, instrument, energy, np.array([line.energy_kev for line in which]))
    for line_group in _by_element(which):
        element = which[line_group[0]].element
        sigma = np.array([line_cross_section(which[i], energy) for i in line_group])
        useful = np.flatnonzero(sigma.any(axis=0))
        if not useful.size:
            continue
        for k, layer in enumerate(stack.layers):
            share = layer.material.mass_fractions.get(element, 0.0)
            if share > 0:
                seen = optics.seen_mass(k, useful, line_group)
                weights = sigma[:, useful] * photons[useful] / optics.sin_in
                rates[k, line_group] = share * (weights * seen).sum(axis=1)
    return rates / (4 * np.pi)


def _by_element(which: Sequence[Line]) -> list[list[int]]:
    groups: dict[str, list[int]] = {}
    for i, line in enumerate(which):
        groups.setdefault(line.element, []).append(i)
    return list(groups.values())


def emission(
    stack: Stack,
    excitation: Excitation,
    instrument: Instrument,
    lines: Sequence[Line] | None = None,
    secondary: bool = False,
) -> list[tuple[Line, float]]:
    """Fluorescence of a layered object, by the Sherman equation.

    Parameters
    ----------
    stack : Stack
        Layers from top to bottom.
    excitation : Excitation
        Photons at the object.
    instrument : Instrument
        Angles.
    lines : sequence of Line, optional
        All lines of the stack's elements where not given.
    secondary : bool
        Whether lines that excite other lines are followed (one step).

    Returns
    -------
    list of (Line, float)
        Rates, see the head of this module.
    """
    top = float(excitation.energy_kev[-1])
    which = stack_lines(stack, top) if lines is None else tuple(lines)
    rates = layer_emission(stack, excitation, instrument, which).sum(axis=0)
    if secondary:
        rates = rates + secondary_emission(stack, excitation, instrument, which)
    return list(zip(which, rates.tolist(), strict=True))
