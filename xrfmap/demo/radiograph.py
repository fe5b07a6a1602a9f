"""Radiograph of the demo panel: everything from front to back, as a film behind it would show.

It is made from the true layers, not from the scan: the older figure and the ground are in it
in full, and so are things that no scan of the front sees: the grain of the oak, the joint of the
two boards, and two iron nails in the back.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from xrfmap.demo import scene as demo_scene
from xrfmap.physics.stack import Stack
from xrfmap.pictures.radiograph import Exposure, opacity

__all__ = ["NAILS_MM", "RADIOGRAPH_SIZE", "radiograph", "radiograph_matrix"]

Array = npt.NDArray[np.float64]

RADIOGRAPH_SIZE = (512, 392)  # width, height [pixels]
NAILS_MM = ((206.0, 66.0), (24.0, 142.0))  # x, y of the nails
_NAIL_RADIUS_MM = 3.0
_NAIL_DECADES = 0.6  # of iron some millimetres thick little would pass; the film is overexposed
_JOINT_MM = 90.0  # y of the joint between the two boards
_PX_PER_MM = 2.05
_TURN_DEG = -0.6
_MARGIN_PX = (9.0, 14.0)
_SEED = 1895


def radiograph_matrix() -> Array:
    """Give the true placement: (x mm, y mm, 1) to (column, row) of the picture, shape (2, 3)."""
    turn = np.radians(_TURN_DEG)
    cos, sin = _PX_PER_MM * np.cos(turn), _PX_PER_MM * np.sin(turn)
    return np.array([[cos, -sin, _MARGIN_PX[0]], [sin, cos, _MARGIN_PX[1]]])


def radiograph() -> npt.NDArray[np.uint8]:
    """Radiograph of the panel, light where much is absorbed.

    Returns
    -------
    ndarray of uint8, shape (rows, columns)
        The same for the same version of numpy, scipy and xraylib.
    """
    columns, rows = RADIOGRAPH_SIZE
    across, down = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    matrix = radiograph_matrix()
    inverse = np.linalg.inv(matrix[:, :2])
    x, y = np.einsum("ij,jrc->irc", inverse, np.stack([across, down]) - matrix[:, 2, None, None])
    wide, tall = (n * demo_scene.PIXEL_MM for n in demo_scene.SHAPE[::-1])
    on = (x >= 0) & (x <= wide) & (y >= 0) & (y <= tall)
    dark = _paint(np.clip(x, 0, wide), np.clip(y, 0, tall)) + _panel(x, y)
    rng = np.random.default_rng(np.random.SeedSequence((_SEED, 1)))
    grey = 255 * (1 - 10 ** (-1.6 * np.where(on, dark, 0.0)))  # 1.6: the film's own steepness
    seen = grey + rng.normal(0, 3.0, grey.shape)
    return np.asarray(np.clip(np.round(seen), 0, 255), dtype=np.uint8)


def _paint(x: Array, y: Array) -> Array:
    """Weakening by paint and ground; what passes through parts of a structure adds up."""
    weights = demo_scene.weights_at(x, y)
    passed = np.zeros(x.shape)
    for stack, share in zip(demo_scene.structures(list(weights)), weights.values(), strict=True):
        passed += share * 10 ** -_weakening(stack)
    return np.asarray(-np.log10(passed))


def _weakening(stack: Stack) -> float:
    """Of all layers but the panel, which the exposure holds already. [decades]."""
    masses: dict[str, float] = {}
    for layer in stack.layers[:-1]:
        for element, share in layer.material.mass_fractions.items():
            masses[element] = masses.get(element, 0.0) + share * layer.areal_g_cm2
    return float(opacity(np.array(list(masses.values())), tuple(masses), Exposure()))


def _panel(x: Array, y: Array) -> Array:
    """Grain along the boards, the joint, and the nails. [decades]."""
    rng = np.random.default_rng(np.random.SeedSequence((_SEED, 2)))
    grain = gaussian_filter(rng.standard_normal(x.shape), (0.8, 40.0))
    found = 0.012 * grain / grain.std()  # no source; oak shows its rings in a soft exposure
    found -= 0.05 * np.exp(-0.5 * ((y - _JOINT_MM) / 0.6) ** 2)
    for at_x, at_y in NAILS_MM:
        inside = 0.5 * (1 + np.tanh((_NAIL_RADIUS_MM - np.hypot(x - at_x, y - at_y)) / 0.5))
        found += _NAIL_DECADES * inside
    return np.asarray(found)
