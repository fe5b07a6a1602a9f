"""The demo panel `Mill by a frozen river`: its layers and where they lie.

A made-up panel of 240 x 180 mm: a winter landscape over an older half-length figure, with
a repair in a modern white at the lower left. Shapes are smooth masks in millimetres; x
runs to the right, y down.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from xrfmap.physics.paints import paint, pigment
from xrfmap.physics.stack import Layer, Stack

__all__ = ["PIXEL_MM", "SHAPE", "structures", "weights_at"]

Array = npt.NDArray[np.float64]

SHAPE = (90, 120)  # rows, columns
PIXEL_MM = 2.0
_EDGE_MM = 1.2  # softness of every outline: the beam is not sharp
_SEED = 1637

_PAINTS: Mapping[str, tuple[dict[str, float], float]] = {  # parts by mass, thickness [um]
    # the landscape
    "blue sky": ({"lead white": 8, "smalt": 3}, 28),
    "light sky": ({"lead white": 12, "lead-tin yellow": 0.3, "yellow ochre": 0.2}, 24),
    "cloud": ({"lead white": 12, "carbon": 0.1}, 40),
    "far bank": ({"lead white": 5, "smalt": 1, "green earth": 2}, 25),
    "ice": ({"lead white": 9, "smalt": 1, "bone black": 0.4}, 22),
    "bank": ({"yellow ochre": 6, "umber": 2, "lead white": 1.5, "chalk": 1}, 30),
    "bank shadow": ({"umber": 5, "bone black": 2, "lead white": 0.4}, 28),
    "mill wall": ({"umber": 3, "yellow ochre": 2, "lead white": 2}, 28),
    "mill roof": ({"red ochre": 5, "lead white": 0.5}, 26),
    "sailcloth": ({"lead white": 6, "lead-tin yellow": 1}, 26),
    "tree": ({"umber": 4, "bone black": 3}, 24),
    "sledge": ({"vermilion": 4, "lead white": 1}, 24),
    "green coat": ({"verdigris": 3, "lead-tin yellow": 1, "lead white": 0.5}, 28),
    "yellow hat": ({"lead-tin yellow": 4, "lead white": 1}, 24),
    "black figure": ({"bone black": 4, "umber": 0.5}, 22),
    # the older picture
    "robe": ({"vermilion": 5, "red ochre": 1, "lead white": 1}, 30),
    "flesh": ({"lead white": 9, "vermilion": 0.8, "yellow ochre": 0.4}, 30),
    "gold chain": ({"lead-tin yellow": 5, "lead white": 1}, 32),
    "curtain": ({"verdigris": 4, "lead white": 1}, 30),
    # the repair
    "repair": ({"titanium white": 6, "zinc white": 3, "yellow ochre": 0.4}, 45),
}


def _inside(distance: Array) -> Array:
    """Soft mask from a distance to the outline [mm], positive inside."""
    return np.asarray(0.5 * (1 + np.tanh(distance / _EDGE_MM)))


def _ellipse(x: Array, y: Array, centre: tuple[float, float], radii: tuple[float, float]) -> Array:
    r = np.hypot((x - centre[0]) / radii[0], (y - centre[1]) / radii[1])
    return _inside((1 - r) * min(radii))


def _stroke(x: Array, y: Array, points: Sequence[tuple[float, float]], width: float) -> Array:
    """Line through points, as a brush of a given width would draw it."""
    nearest = np.full(x.shape, np.inf)
    for (x0, y0), (x1, y1) in pairwise(points):
        dx, dy = x1 - x0, y1 - y0
        along = np.clip(((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy), 0, 1)
        nearest = np.minimum(nearest, np.hypot(x - x0 - along * dx, y - y0 - along * dy))
    return _inside(width / 2 - nearest)


def _polygon(x: Array, y: Array, corners: Sequence[tuple[float, float]]) -> Array:
    """Convex polygon, corners clockwise as seen (y runs down)."""
    nearest = np.full(x.shape, np.inf)
    for (x0, y0), (x1, y1) in zip(corners, (*corners[1:], corners[0]), strict=True):
        dx, dy = x1 - x0, y1 - y0
        nearest = np.minimum(nearest, (dx * (y - y0) - dy * (x - x0)) / np.hypot(dx, dy))
    return _inside(nearest)


def _noise(x: Array, y: Array, size_mm: float, seed: int) -> Array:
    """Smooth random field of unit spread, the same wherever it is asked for."""
    rng = np.random.default_rng(np.random.SeedSequence((_SEED, seed)))
    field = gaussian_filter(rng.standard_normal(SHAPE), size_mm / PIXEL_MM, mode="nearest")
    field /= field.std()
    row = np.clip((y / PIXEL_MM).astype(np.intp), 0, SHAPE[0] - 1)
    column = np.clip((x / PIXEL_MM).astype(np.intp), 0, SHAPE[1] - 1)
    return np.asarray(field[row, column])


def _landscape(x: Array, y: Array) -> list[tuple[str, Array]]:
    """Paints of the landscape in the order in which they were put on."""
    horizon = 96 + 3 * np.sin(x / 31)
    river = 150 + 22 * np.sin((x - 30) / 58) - 0.10 * x
    cloud = _inside(6 * (_noise(x, y, 9, 1) - 0.7)) * _inside(84 - y)
    return [
        ("blue sky", np.ones_like(x)),
        ("light sky", _inside((y - 62 - 8 * _noise(x, y, 14, 2)) / 12)),
        ("cloud", cloud),
        ("far bank", _inside(y - horizon)),
        ("ice", _inside(y - horizon - 8)),
        ("bank", _inside(y - river)),
        ("bank shadow", _inside(y - river - 9 - 4 * _noise(x, y, 7, 3)) * _inside(x - 60)),
        *_mill(x, y),
        *_trees(x, y),
        *_people(x, y),
    ]


def _mill(x: Array, y: Array) -> list[tuple[str, Array]]:
    hub = (178.0, 50.0)
    sails = np.zeros_like(x)
    for angle in np.radians([25, 115, 205, 295]):
        tip = (hub[0] + 38 * np.cos(angle), hub[1] + 38 * np.sin(angle))
        sails = np.maximum(sails, _stroke(x, y, [hub, tip], 5.0))
    return [
        ("mill wall", _polygon(x, y, [(166, 52), (190, 52), (198, 112), (158, 112)])),
        ("mill roof", _polygon(x, y, [(178, 32), (194, 54), (162, 54)])),
        ("sailcloth", sails),
    ]


def _trees(x: Array, y: Array) -> list[tuple[str, Array]]:
    shapes = (
        [(20, 158), (24, 110), (22, 70), (28, 38)],
        [(23, 100), (40, 74), (46, 56)],
        [(22, 88), (8, 66)],
        [(24, 72), (38, 50)],
        [(222, 150), (219, 112), (224, 84)],
        [(220, 110), (232, 92)],
        [(220, 104), (208, 90)],
    )
    widths = (7.0, 4.5, 4.5, 4.0, 6.0, 4.0, 4.0)
    mask = np.zeros_like(x)
    for points, width in zip(shapes, widths, strict=True):
        mask = np.maximum(mask, _stroke(x, y, points, width))
    return [("tree", mask)]


def _people(x: Array, y: Array) -> list[tuple[str, Array]]:
    skaters = [(62, 122), (146, 118), (206, 126)]
    black = np.zeros_like(x)
    for cx, cy in skaters:
        black = np.maximum(black, _ellipse(x, y, (cx, cy), (3.5, 8)))
    return [
        ("black figure", black),
        ("sledge", _polygon(x, y, [(98, 126), (130, 122), (134, 138), (100, 138)])),
        ("black figure", _stroke(x, y, [(92, 141), (138, 141)], 3.0)),
        ("green coat", _ellipse(x, y, (116, 116), (7, 10))),
        ("yellow hat", _ellipse(x, y, (116, 103), (5, 4))),
    ]


def _first_picture(x: Array, y: Array) -> list[tuple[str, Array]]:
    """Paints of the older, half-length figure under the landscape."""
    shoulders = _ellipse(x, y, (92, 108), (44, 40)) * _inside(104 - y)
    chain = _stroke(x, y, [(72, 74), (80, 90), (92, 96), (104, 90), (112, 74)], 5.0)
    return [
        ("curtain", _polygon(x, y, [(44, 10), (140, 10), (140, 104), (44, 104)])),
        ("robe", shoulders),
        ("flesh", _ellipse(x, y, (92, 44), (15, 20))),
        ("robe", _ellipse(x, y, (92, 24), (19, 9))),
        ("gold chain", chain * shoulders),
    ]


def _repair(x: Array, y: Array) -> Array:
    dx, dy = (x - 20) / 24, (y - 168) / 15
    edge = 1 + 0.06 * np.sin(5 * np.arctan2(dy, dx) + 1)
    return _inside((edge - np.hypot(dx, dy)) * 15)


def _painted(order: list[tuple[str, Array]]) -> dict[str, Array]:
    """Share of each paint that is left in sight when each covers what came before."""
    seen: dict[str, Array] = {}
    for name, mask in order:
        for other in seen:
            seen[other] = seen[other] * (1 - mask)
        seen[name] = seen.get(name, np.zeros_like(mask)) + mask
    return seen


def weights_at(x: npt.ArrayLike, y: npt.ArrayLike) -> dict[tuple[str, str], Array]:
    """Share of each layer structure at places of the panel.

    Parameters
    ----------
    x, y : array_like, shape (...)
        Places. [mm]

    Returns
    -------
    dict
        ``(top paint, paint below it or "")`` to its shares, shape (...); they sum to one.
        Structures that nowhere reach a hundredth are left out.
    """
    at_x, at_y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
    top = _painted(_landscape(at_x, at_y))
    below = _painted([("", np.ones_like(at_x)), *_first_picture(at_x, at_y)])
    repair = _repair(at_x, at_y)
    both = {
        (upper, lower): a * b * (1 - repair)
        for upper, a in top.items()
        for lower, b in below.items()
    }
    both["repair", ""] = repair
    kept = {key: share for key, share in both.items() if share.max() > 0.01}
    total = np.sum(list(kept.values()), axis=0)
    return {key: np.asarray(share / total) for key, share in kept.items()}


def structures(keys: Sequence[tuple[str, str]]) -> list[Stack]:
    """Layer structures named by :func:`weights_at`, on chalk ground and oak."""
    ground = Layer.from_thickness(paint({"natural chalk": 1}, volume_share=0.6, medium="glue"), 250)
    oak = Layer.from_thickness(pigment("cellulose"), 8000)
    return [
        Stack([*(_layer(name) for name in key if name), ground, oak])
        for key in keys
    ]  # fmt: skip


def _layer(name: str) -> Layer:
    parts, thickness = _PAINTS[name]
    return Layer.from_thickness(paint(parts), thickness)
