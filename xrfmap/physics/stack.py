"""A layered object: its layers, and the ways of photons into and out of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import Line, Material, edge_energy, families, lines, material_attenuation
from xrfmap.settings import Instrument

__all__ = ["Layer", "Optics", "Stack", "scatter_angle_deg", "stack_lines"]

Array = npt.NDArray[np.float64]
_UM = 1e-4  # cm


@dataclass(frozen=True)
class Layer:
    """One homogeneous layer.

    Attributes
    ----------
    material : Material
        What it is made of.
    areal_g_cm2 : float
        Mass per area, > 0; infinite for a thick support. [g/cm2]
    """

    material: Material
    areal_g_cm2: float

    def __post_init__(self) -> None:
        if not self.areal_g_cm2 > 0:
            raise ValueError(f"layer of {self.material.name}: mass per area must be > 0 g/cm2, "
                             f"found {self.areal_g_cm2:g}")  # fmt: skip

    @classmethod
    def from_thickness(cls, material: Material, thickness_um: float) -> Layer:
        """Layer of a thickness in micrometres."""
        return cls(material, material.density_g_cm3 * thickness_um * _UM)

    @property
    def thickness_um(self) -> float:
        """Thickness. [um]."""
        return self.areal_g_cm2 / self.material.density_g_cm3 / _UM


@dataclass(frozen=True)
class Stack:
    """Layers from top to bottom."""

    layers: tuple[Layer, ...]

    def __init__(self, layers: Sequence[Layer]) -> None:
        if not layers:
            raise ValueError("a stack needs at least one layer")
        object.__setattr__(self, "layers", tuple(layers))

    @property
    def elements(self) -> tuple[str, ...]:
        """Symbols of all elements in the stack, sorted."""
        return tuple(sorted({e for layer in self.layers for e in layer.material.mass_fractions}))

    def under(self, *cover: Layer) -> Stack:
        """Return this stack with further layers on top, the first of them uppermost."""
        return Stack((*cover, *self.layers))


def scatter_angle_deg(instrument: Instrument) -> float:
    """Angle between the beam and the way to the detector, both in one plane.

    Tube and detector stand on opposite sides of the normal, or the tube on it:
    ``incidence + take-off``. [degrees]
    """
    return instrument.incidence_deg + instrument.takeoff_deg


def stack_lines(stack: Stack, tube_kv: float) -> tuple[Line, ...]:
    """All lines above 0.5 keV that photons of at most `tube_kv` keV excite in a stack."""
    return tuple(
        line
        for element in stack.elements
        for family in families(element)
        for line in lines(element, family)
        if edge_energy(element, line.shell) < tube_kv
    )


class Optics:
    """Ways into and out of a stack, for exciting energies E (n,) and line energies L (m,).

    Parameters
    ----------
    stack : Stack
        The object.
    instrument : Instrument
        Angles.
    energy_in, energy_out : ndarray, shapes (n,) and (m,)
        Energies on the way in and out. [keV]
    """

    def __init__(
        self, stack: Stack, instrument: Instrument, energy_in: Array, energy_out: Array
    ) -> None:
        self.sin_in = float(np.sin(np.radians(instrument.incidence_deg)))
        sin_out = float(np.sin(np.radians(instrument.takeoff_deg)))
        self.areal = np.array([layer.areal_g_cm2 for layer in stack.layers])
        materials = [layer.material for layer in stack.layers]
        self.into = np.array([material_attenuation(m, energy_in) for m in materials]) / self.sin_in
        self.out = np.array([material_attenuation(m, energy_out) for m in materials]) / sin_out

    @staticmethod
    def _above(mu: Array, areal: Array) -> Array:
        """Optical depth of everything above each layer."""
        depth = np.zeros_like(mu)
        depth[1:] = np.cumsum(mu[:-1] * areal[:-1, None], axis=0)
        return depth

    @cached_property
    def above_in(self) -> Array:
        """Optical depth above each layer on the way in, shape (layers, n)."""
        return self._above(self.into, self.areal)

    @cached_property
    def above_out(self) -> Array:
        """Optical depth above each layer on the way out, shape (layers, m)."""
        return self._above(self.out, self.areal)

    def seen_mass(self, k: int, rows_in: npt.NDArray[np.intp], rows_out: Sequence[int]) -> Array:
        """Effective mass of layer k that is excited and seen. [g/cm2].

        ``exp(-above_in - above_out) (1 - exp(-chi M)) / chi``, chi the sum of the two
        absorptions in the layer; shape (rows_out, rows_in).
        """
        chi = self.into[k][rows_in] + self.out[k][rows_out][:, None]
        above = self.above_in[k][rows_in] + self.above_out[k][rows_out][:, None]
        return np.asarray(-np.expm1(-chi * self.areal[k]) / chi * np.exp(-above))

    def seen_mass_pairs(self, k: int) -> Array:
        """Return the same where energy i in goes with energy i out, shape (n,)."""
        chi = self.into[k] + self.out[k]
        above = self.above_in[k] + self.above_out[k]
        return np.asarray(-np.expm1(-chi * self.areal[k]) / chi * np.exp(-above))
