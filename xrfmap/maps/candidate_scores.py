"""How much each pixel resembles elements that the sum of a scan does not show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from xrfmap.fit.map_design import MapDesign
from xrfmap.fit.pixels import fit_counts
from xrfmap.identification.element_tests import COMMON, USUAL
from xrfmap.identification.identify import Found
from xrfmap.io.blocks import Block, Box, stretches
from xrfmap.spectra.emitters import Emitter, family_emitter, usable_families
from xrfmap.spectra.sum_fit import merge

__all__ = ["CandidateScores", "ScoreBlocks", "Scores", "candidates"]

Array = npt.NDArray[np.float64]

Scores = npt.NDArray[np.float16]
"""Scores in standard errors; three digits are plenty, and they are kept with the maps."""

MOST = 6e4
"""Largest score that 16 bits hold, about."""

SOME = 512
"""Pixels filtered at a time."""


@dataclass(frozen=True, eq=False)
class CandidateScores:
    """Tests pixels for candidates, given their fit; can be sent to another process.

    Parameters
    ----------
    emitters : tuple of Emitter
        Families of the candidates.
    filters : tuple
        What is asked of the spectra that a design describes, for each design.
    """

    emitters: tuple[Emitter, ...]
    filters: tuple[_Filters, ...]

    @classmethod
    def of(cls, found: Found, designs: Sequence[MapDesign]) -> CandidateScores | None:
        """Prepare the tests of all usual elements that were not found; None if all were.

        Parameters
        ----------
        found : Found
            Elements that explain the pixels so far.
        designs : sequence of MapDesign
            Designs that the pixels are fitted with.
        """
        emitters = candidates(found)
        if not emitters:
            return None
        return cls(tuple(emitters), tuple(_Filters.of(found, plan, emitters) for plan in designs))

    def __call__(self, flat: Block, amplitude: npt.NDArray[np.float32], design: int) -> Scores:
        """Score pixels.

        Parameters
        ----------
        flat : ndarray, shape (pixels, channel)
            Counts.
        amplitude : ndarray, shape (pixels, components)
            Amplitudes >= 0 of their fit.
        design : int
            Number of the design.

        Returns
        -------
        ndarray, shape (candidates, pixels)
            Score of the residual in standard errors; about standard normal where the
            candidate is absent. NaN where a pixel has no counts.
        """
        filters = self.filters[design]
        used = flat[:, : len(filters.channels)]
        z = np.empty((len(self.emitters), len(flat)), np.float16)
        with threadpool_limits(1, user_api="blas"):
            for first in range(0, len(flat), SOME):  # real numbers take four times the memory
                some = slice(first, first + SOME)
                counts, known = used[some].astype(np.float64), amplitude[some].astype(np.float64)
                excess = counts @ filters.channels - known @ filters.known
                spread = np.sqrt(np.maximum(known @ filters.spread, 1e-9))
                counted = np.asarray(flat[some].any(axis=1))
                score = np.clip(excess / spread, -MOST, MOST)
                z[:, some] = np.where(counted[:, None], score, np.nan).T
        return z


@dataclass(frozen=True, eq=False)
class _Filters:
    """What a spectrum and the amplitudes of its fit say of all candidates.

    Attributes
    ----------
    channels : ndarray, shape (channels, candidates)
        Weights of the counts of each channel that a design uses.
    known : ndarray, shape (components, candidates)
        What a unit of each component gives under these weights.
    spread : ndarray, shape (components, candidates)
        The same for the variance.
    """

    channels: Array
    known: Array
    spread: Array

    @classmethod
    def of(cls, found: Found, plan: MapDesign, emitters: Sequence[Emitter]) -> _Filters:
        """Spread weights per bin over its channels, and apply them to the components."""
        edges, matrix = plan.design.edges, plan.design.matrix
        model = found.model if plan.scale is None else found.model.at(plan.scale)
        columns = np.column_stack([merge(model.column(e), edges) for e in emitters])
        weights = _blind(columns, matrix, plan.typical)
        channels = np.zeros((int(edges[-1]), weights.shape[1]))
        channels[edges[0] :] = np.repeat(weights, np.diff(edges), axis=0)
        return cls(channels, matrix.T @ weights, matrix.T @ weights**2)


def _blind(columns: Array, matrix: Array, typical: Array) -> Array:
    """Weights per bin that ask for a candidate and are blind to all known components."""
    root = 1 / np.sqrt(np.maximum(typical, 1e-3 * typical.mean()))
    q, _ = np.linalg.qr(matrix * root[:, None])
    scaled = columns * root[:, None]
    return np.asarray((scaled - q @ (q.T @ scaled)) * root[:, None])


def candidates(found: Found) -> list[Emitter]:
    """List the families of each usual element that the sum does not show."""
    model = found.model
    result = []
    for element in dict.fromkeys([*COMMON, *USUAL]):
        if element in found.present or element == found.anode:
            continue
        families = usable_families(element, model.instrument, model.energy_range)
        options = [family_emitter(element, f, model.instrument, found.anode) for f in families]
        known = [e for e in options if e is not None]
        strongest = max((e.strength for e in known), default=0.0)
        # a soft family may be the stronger one and yet lie under something else
        result += [e for e in known if e.strength > 0.02 * strongest]
    return result


@dataclass(frozen=True, eq=False)
class ScoreBlocks:
    """Fits the pixels of a block for their scores alone; can be sent to another process.

    Parameters
    ----------
    designs : sequence of MapDesign
        Designs of the scan.
    group : ndarray of int, shape (y,), or None
        Design of each row of the scan; None for the first.
    scores : CandidateScores
        What is asked.
    """

    designs: Sequence[MapDesign]
    group: npt.NDArray[np.intp] | None
    scores: CandidateScores

    def __call__(self, block: Block, box: Box) -> Scores:
        """Scores of counts of shape (rows, columns, channel): (candidates, rows, columns)."""
        parts = []
        for rows, k in stretches(self.group, box[0]):
            part, plan = block[rows], self.designs[k]
            flat = part.reshape(-1, block.shape[2])
            amplitude = fit_counts(flat, plan.design, plan.typical).amplitude
            parts.append(self.scores(flat, amplitude, k).reshape(-1, *part.shape[:2]))
        return np.concatenate(parts, axis=1)
