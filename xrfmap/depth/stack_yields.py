"""Detected photons per group of lines from a stack of given materials and any thicknesses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from xrfmap.depth.cover_model import group_lines, kept_in_peak
from xrfmap.depth.line_groups import LineGroup
from xrfmap.physics.atomic import Line, Material, line_cross_section
from xrfmap.physics.detector import efficiency
from xrfmap.physics.enhancement import secondary_emission
from xrfmap.physics.layers import layer_emission
from xrfmap.physics.stack import Layer, Optics, Stack
from xrfmap.physics.tube import Excitation, excitation
from xrfmap.settings import Instrument

__all__ = ["StackYields"]

Array = npt.NDArray[np.float64]

_SUBLAYERS = 16
_STEP_KEV = 0.1  # coarse bins of the tube continuum: yields change by less than 0.3 %


class StackYields:
    """Yields of the groups of several elements from one sequence of materials.

    Parameters
    ----------
    groups : sequence of LineGroup
        g groups, of any elements.
    materials : sequence of Material
        From top to bottom.
    instrument : Instrument
        Tube, angles, detector.
    anode : str, optional
        Anode, where the instrument does not name it.
    secondary : bool
        Whether lines that excite other lines are followed. Their share is worked out by
        :meth:`refresh` and held between.
    beam : Excitation, optional
        Photons at the object; those of the instrument's tube by default.
    """

    def __init__(
        self,
        groups: Sequence[LineGroup],
        materials: Sequence[Material],
        instrument: Instrument,
        *,
        anode: str | None = None,
        secondary: bool = True,
        beam: Excitation | None = None,
    ) -> None:
        self.materials = tuple(materials)
        self.instrument = instrument
        self.beam = excitation(instrument, anode, _STEP_KEV) if beam is None else beam
        self.secondary = secondary
        self.lines, self._place = self._of_the_stack(groups)
        self._sums = np.zeros((len(groups), len(self.lines)))
        at = np.array([line.energy_kev for line in self.lines])
        if self.lines:
            counted = efficiency(at, instrument) * kept_in_peak(at, instrument)
            self._sums[self._place, np.arange(len(self.lines))] = counted
        self._at = at
        self._excited = self._excitation()
        self._gain = np.ones(len(self.lines))

    def _excitation(self) -> list[tuple[str, list[int], npt.NDArray[np.intp], Array]]:
        """Per element: its lines, the energies that excite them, and how strongly."""
        energy, photons = self.beam.all_energies()
        sin_in = float(np.sin(np.radians(self.instrument.incidence_deg)))
        found = []
        for element in dict.fromkeys(line.element for line in self.lines):
            rows = [k for k, line in enumerate(self.lines) if line.element == element]
            sigma = np.array([line_cross_section(self.lines[k], energy) for k in rows])
            useful = np.flatnonzero(sigma.any(axis=0))
            weight = sigma[:, useful] * photons[useful] / sin_in / (4 * np.pi)
            found.append((element, rows, useful, weight))
        return found

    def _of_the_stack(
        self, groups: Sequence[LineGroup]
    ) -> tuple[list[Line], npt.NDArray[np.int64]]:
        """Lines that some layer can emit, with the group of each."""
        held = {e for m in self.materials for e in m.mass_fractions}
        found: list[Line] = []
        place: list[int] = []
        for g, group in enumerate(groups):
            if group.element in held:
                lines, _, _ = group_lines((group,), self.beam)
                found += lines
                place += [g] * len(lines)
        return found, np.array(place, dtype=np.int64)

    def _stack(self, thickness_um: Array) -> Stack:
        pairs = zip(self.materials, thickness_um, strict=True)
        # infinite thickness is a thick support; 0 um is no layer, but a layer has some mass
        return Stack([Layer.from_thickness(m, max(float(t), 1e-9)) for m, t in pairs])

    def refresh(self, thickness_um: Array) -> None:
        """Work out secondary excitation anew for given thicknesses. [um]."""
        if not self.secondary or not self.lines:
            return
        stack = self._stack(thickness_um)
        first = layer_emission(stack, self.beam, self.instrument, self.lines).sum(axis=0)
        second = secondary_emission(
            stack, self.beam, self.instrument, self.lines, sublayers=_SUBLAYERS
        )
        self._gain = 1 + np.minimum(second / np.maximum(first, 1e-300), 1.0)

    def at(self, thickness_um: Array) -> Array:
        """Give the detected photons per group for given thicknesses.

        Parameters
        ----------
        thickness_um : ndarray, shape (layers,)
            Thicknesses, > 0. [um]

        Returns
        -------
        ndarray, shape (g,)
            In the unit of :mod:`xrfmap.physics.layers`; 0 for elements that no layer holds.
        """
        if not self.lines:
            return np.zeros(len(self._sums))
        stack = self._stack(thickness_um)
        energy, _ = self.beam.all_energies()
        optics = Optics(stack, self.instrument, energy, self._at)
        rates = np.zeros(len(self.lines))
        # the Sherman sum of layers.layer_emission, with its cross-sections kept
        for element, rows, useful, weight in self._excited:
            for k, layer in enumerate(stack.layers):
                share = layer.material.mass_fractions.get(element, 0.0)
                if share > 0:
                    rates[rows] += share * (weight * optics.seen_mass(k, useful, rows)).sum(axis=1)
        return np.asarray(self._sums @ (rates * self._gain))
