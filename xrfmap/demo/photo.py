"""Photograph of the demo panel: what an eye sees of it, as a camera beside it would.

The colours belong to the paints on top only, so that the picture holds nothing of what lies
beneath. Brushwork, grain, uneven light, and a camera that is not quite square to the panel
are added, since a real photograph has them.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from xrfmap.demo import scene as demo_scene

__all__ = ["PHOTO_SIZE", "photo_matrix", "photograph"]

Array = npt.NDArray[np.float64]

PHOTO_SIZE = (760, 580)  # width, height [pixels]
_PX_PER_MM = 3.04
_TURN_DEG = 0.9
_MARGIN_PX = (17.0, 14.0)
_SEED = 1821

_COLOURS: Mapping[str, tuple[int, int, int]] = {  # sRGB of the paint in sight; no source
    "blue sky": (128, 152, 184),
    "light sky": (205, 206, 190),
    "cloud": (226, 224, 218),
    "far bank": (150, 168, 160),
    "ice": (186, 192, 198),
    "bank": (176, 134, 72),
    "bank shadow": (74, 58, 42),
    "mill wall": (142, 112, 80),
    "mill roof": (128, 62, 44),
    "sailcloth": (222, 208, 158),
    "tree": (62, 48, 36),
    "sledge": (186, 48, 36),
    "green coat": (66, 122, 84),
    "yellow hat": (226, 196, 70),
    "black figure": (34, 32, 32),
    "repair": (224, 214, 192),
}


def photo_matrix() -> Array:
    """Give the true placement: (x mm, y mm, 1) to (column, row) of the picture, shape (2, 3)."""
    turn = np.radians(_TURN_DEG)
    cos, sin = _PX_PER_MM * np.cos(turn), _PX_PER_MM * np.sin(turn)
    return np.array([[cos, -sin, _MARGIN_PX[0]], [sin, cos, _MARGIN_PX[1] - 5.0]])


def photograph() -> npt.NDArray[np.uint8]:
    """Photograph of the panel on a grey cloth.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        The same for the same version of numpy and scipy.
    """
    columns, rows = PHOTO_SIZE
    across, down = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    matrix = photo_matrix()
    inverse = np.linalg.inv(matrix[:, :2])
    x, y = np.einsum("ij,jrc->irc", inverse, np.stack([across, down]) - matrix[:, 2, None, None])
    wide, tall = (
        demo_scene.SHAPE[1] * demo_scene.PIXEL_MM,
        demo_scene.SHAPE[0] * demo_scene.PIXEL_MM,
    )
    on = (x >= 0) & (x <= wide) & (y >= 0) & (y <= tall)
    colour = np.zeros((rows, columns, 3))
    for name, share in _on_top(np.clip(x, 0, wide), np.clip(y, 0, tall)).items():
        colour += share[..., None] * (np.array(_COLOURS[name]) / 255) ** 2.2  # light adds up
    rng = np.random.default_rng(np.random.SeedSequence(_SEED))
    brush = gaussian_filter(rng.standard_normal((rows, columns)), (1.2, 5.0))
    light = 1.06 - 0.14 * (across / columns) ** 2 - 0.06 * (down / rows)  # a lamp at the left
    colour *= (light * (1 + 0.035 * brush / brush.std()))[..., None]
    colour[~on] = (112 / 255) ** 2.2
    seen = np.clip(colour, 0, 1) ** (1 / 2.2) * 255 + rng.normal(0, 1.5, (rows, columns, 3))
    return np.asarray(np.clip(np.round(seen), 0, 255), dtype=np.uint8)


def _on_top(x: Array, y: Array) -> dict[str, Array]:
    """Share of each paint in sight, whatever lies beneath it."""
    seen: dict[str, Array] = {}
    for (top, _), share in demo_scene.weights_at(x, y).items():
        seen[top] = seen.get(top, np.zeros_like(share)) + share
    return seen
