"""Secondary excitation: lines of one element that excite another, across layers.

The photons of line j that start at depth x are absorbed at depth y with the plane
kernel ``1/2 E1(|t(x) - t(y)|)``, t the optical depth for line j and E1 the exponential
integral. The object is cut into sublayers; between two sublayers the kernel is
integrated exactly (its second integral is E3), so only the source is taken as constant
within a sublayer.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import expn

from xrfmap.physics.atomic import Line, edge_energy, line_cross_section, material_attenuation
from xrfmap.physics.stack import Layer, Optics, Stack, stack_lines
from xrfmap.physics.tube import Excitation
from xrfmap.settings import Instrument

__all__ = ["secondary_emission"]

Array = npt.NDArray[np.float64]

_SUBLAYERS = 48  # per layer; the thick alloy of the tests is then right to 0.3 %
_DEEPEST = 14.0  # optical depths of the last layer that count: exp(-14) = 1e-6
_WEAKEST = 1e-4  # share of the strongest exciting line below which a line is left out


def _sublayers(
    stack: Stack, energy: Array, photons: Array, instrument: Instrument, number: int
) -> Stack:
    """Cut the stack into sublayers, fine where the source changes fast."""
    sin_in = np.sin(np.radians(instrument.incidence_deg))
    cut: list[Layer] = []
    for layer in stack.layers:
        mu = material_attenuation(layer.material, energy)
        typical = float(np.sum(photons)) / float(np.sum(photons / mu)) / sin_in
        depth = min(layer.areal_g_cm2, _DEEPEST / min(typical, float(mu.min())))
        # a cosine grid: fine at both faces, where neighbours change
        borders = 0.5 * depth * (1 - np.cos(np.linspace(0, np.pi, number + 1)))
        if depth * typical > 4:  # thick: fine at the top, geometric further down
            first = 0.02 / typical
            borders = np.append(0.0, np.geomspace(first, depth, number))
        cut += [Layer(layer.material, float(step)) for step in np.diff(borders)]
    return Stack(cut)


def _exchange(depth: Array) -> Array:
    """Photons absorbed in sublayer b per photon made in sublayer a, for optical borders.

    ``1/2 int_a int_b E1(|t - t'|) dt' dt / (t_a+1 - t_a)``, shape (a, b).
    """
    e3 = expn(3, np.abs(depth[:, None] - depth[None, :]))
    # E3 rises both ways from its minimum in -t, so mixed differences give the double
    # integral off the diagonal; on it the kink at t = t' adds 2 E2(0) per unit = 2 width
    both = e3[:-1, :-1] - e3[:-1, 1:] - e3[1:, :-1] + e3[1:, 1:]
    width = np.diff(depth)
    both = np.abs(both)
    both[np.diag_indices_from(both)] = 2 * width - np.abs(2 * (e3[0, 0] - np.diag(e3, 1)))
    return np.asarray(0.5 * both / width[:, None])


def secondary_emission(
    stack: Stack,
    excitation: Excitation,
    instrument: Instrument,
    which: Sequence[Line],
    *,
    sublayers: int = _SUBLAYERS,
) -> Array:
    """Fluorescence that other lines of the object excite.

    Parameters
    ----------
    stack, excitation, instrument
        As for :func:`xrfmap.physics.layers.emission`.
    which : sequence of Line
        m lines to be excited.
    sublayers : int
        Sublayers per layer; fewer are faster and coarser.

    Returns
    -------
    ndarray, shape (m,)
        Rates to add to the primary ones; one step of excitation, third steps left out.
    """
    rates = np.zeros(len(which))
    if not which:
        return rates
    energy, photons = excitation.all_energies()
    lowest = min(edge_energy(line.element, line.shell) for line in which)
    sources = [line for line in stack_lines(stack, float(energy.max())) if line.energy_kev > lowest]
    if not sources:
        return rates
    fine = _sublayers(stack, energy, photons, instrument, sublayers)
    made = _made(fine, excitation, instrument, sources)
    strong = np.flatnonzero(made.sum(axis=0) > _WEAKEST * made.sum(axis=0).max())
    optics = Optics(fine, instrument, np.ones(1), np.array([line.energy_kev for line in which]))
    # mean transmission from within each sublayer to the outside, shape (sublayers, m)
    within = optics.out * optics.areal[:, None]
    leaves = np.exp(-optics.above_out) * -np.expm1(-within) / within
    shares = _shares(fine, which)
    energies = np.array([sources[j].energy_kev for j in strong])
    sigma = np.array([line_cross_section(line, energies) for line in which])
    mu_of = {x.material: material_attenuation(x.material, energies) for x in fine.layers}
    mu = np.array([mu_of[x.material] for x in fine.layers])
    for k, j in enumerate(strong):
        depth = np.append(0.0, np.cumsum(mu[:, k] * optics.areal))
        absorbed = made[:, j] @ _exchange(depth)
        rates += ((absorbed / mu[:, k]) @ (shares * leaves)) * sigma[:, k]
    return rates / (4 * np.pi)


def _made(
    fine: Stack, excitation: Excitation, instrument: Instrument, sources: Sequence[Line]
) -> Array:
    """Photons of each source line made in each sublayer, in all directions."""
    inward = instrument.model_copy(update={"takeoff_deg": 90.0})
    energy, photons = excitation.all_energies()
    optics = Optics(fine, inward, energy, np.array([1.0]))
    depth = optics.into * optics.areal[:, None]
    absorbed = np.exp(-optics.above_in) * -np.expm1(-depth) * photons / optics.into / optics.sin_in
    sigma = np.array([line_cross_section(line, energy) for line in sources])
    return np.asarray((absorbed @ sigma.T) * _shares(fine, sources))


def _shares(stack: Stack, which: Sequence[Line]) -> Array:
    """Mass fraction of each line's element in each layer, shape (layers, lines)."""
    return np.array(
        [[x.material.mass_fractions.get(n.element, 0.0) for n in which] for x in stack.layers]
    )
