"""Unlike paintings as layer structures, for tests and planning; all of them made up."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from xrfmap.physics.paints import paint, pigment
from xrfmap.physics.stack import Layer, Stack

__all__ = ["KINDS", "patches", "stacks_of"]

Array = npt.NDArray[np.float64]

_THICK_UM = 1e4  # a support that lets nothing through that matters
_GROUNDS: Mapping[str, tuple[dict[str, float], str, float]] = {  # parts, medium, um
    "chalk": ({"natural chalk": 1}, "glue", 400),
    "gesso": ({"natural gypsum": 1}, "glue", 500),
    "oil chalk": ({"natural chalk": 3, "lead white": 1}, "linseed oil", 150),
    "trade": ({"lead white": 2, "barytes": 1, "chalk": 1}, "linseed oil", 120),
    "acrylic": ({"titanium white": 1, "chalk": 2}, "resin", 150),
}
KINDS: Mapping[str, tuple[str, tuple[tuple[dict[str, float], float], ...]]] = {
    "chalk": ("chalk", ()),
    "northern panel": (
        "chalk",
        (
            ({"lead white": 10, "smalt": 2}, 35),
            ({"lead white": 4, "vermilion": 3}, 25),
            ({"lead-tin yellow": 1, "lead white": 1}, 25),
            ({"verdigris": 2, "lead-tin yellow": 1}, 30),
            ({"umber": 3, "bone black": 1, "lead white": 1}, 30),
        ),
    ),
    "gesso with earths": (
        "gesso",
        (
            ({"yellow ochre": 1}, 30),
            ({"red ochre": 1, "lead white": 0.2}, 30),
            ({"green earth": 1}, 30),
            ({"umber": 1, "carbon": 0.5}, 25),
            ({"natural azurite": 1}, 50),
        ),
    ),
    "southern canvas": (
        "oil chalk",
        (
            ({"orpiment": 1}, 30),
            ({"lead antimonate": 1, "lead white": 1}, 30),
            ({"natural azurite": 2, "lead white": 1}, 40),
            ({"vermilion": 1, "red ochre": 1}, 25),
            ({"malachite": 1}, 40),
        ),
    ),
    "nineteenth century": (
        "trade",
        (
            ({"zinc white": 1}, 40),
            ({"chrome yellow": 1, "zinc white": 1}, 30),
            ({"viridian": 1, "zinc white": 1}, 30),
            ({"emerald green": 1}, 30),
            ({"cobalt blue": 1, "zinc white": 2}, 30),
            ({"vermilion": 1, "red ochre": 1}, 30),
        ),
    ),
    "twentieth century": (
        "acrylic",
        (
            ({"titanium white": 3, "zinc white": 1}, 40),
            ({"cadmium yellow": 1, "barytes": 1}, 40),
            ({"cadmium red": 1, "titanium white": 0.5}, 40),
            ({"cerulean blue": 1, "titanium white": 1}, 40),
            ({"lithopone": 1, "red ochre": 0.3}, 40),
            ({"viridian": 1, "strontium yellow": 1}, 40),
        ),
    ),
}
"""Name to ground and paints (parts by mass, thickness in um)."""


@cache
def stacks_of(kind: str) -> tuple[Stack, ...]:
    """Layer structures of a painting: bare ground first, then each paint on it.

    Raises
    ------
    ValueError
        If there is no painting of this name in ``KINDS``.
    """
    if kind not in KINDS:
        raise ValueError(f"no painting is called {kind!r}; known are {', '.join(KINDS)}")
    ground, paints = KINDS[kind]
    parts, medium, thickness = _GROUNDS[ground]
    bare = Stack([
        Layer.from_thickness(paint(parts, volume_share=0.6, medium=medium), thickness),
        Layer.from_thickness(pigment("cellulose"), _THICK_UM),
    ])  # fmt: skip
    return (bare, *(bare.under(Layer.from_thickness(paint(p), um)) for p, um in paints))


def patches(number: int, shape: tuple[int, int], seed: int) -> Array:
    """Irregular patches with soft edges that fill a picture.

    Parameters
    ----------
    number : int
        How many kinds of patch.
    shape : tuple of int
        Rows and columns.
    seed : int
        Seed of the pattern.

    Returns
    -------
    ndarray, shape (number, rows, columns)
        Share of each kind in each pixel; sums to one over the kinds.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    fields = rng.standard_normal((number, *shape))
    smooth = np.array([gaussian_filter(f, max(1.5, min(shape) / 10), mode="wrap") for f in fields])
    smooth /= np.maximum(smooth.std(axis=(1, 2), keepdims=True), 1e-12)
    odds = np.exp(5.0 * (smooth - smooth.max(axis=0)))  # 5: edges a pixel or two wide
    return np.asarray(odds / odds.sum(axis=0))
