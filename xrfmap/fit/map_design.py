"""Design for the pixels of a scan, made from what its sum spectrum showed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from xrfmap.fit.map_bins import map_edges
from xrfmap.fit.null_model import null_spread
from xrfmap.fit.pixels import Design
from xrfmap.identification.identify import Found
from xrfmap.identification.may_be_there import MayBe, may_be_there, owed
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.running.one_thread import in_one_thread
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.row_scales import shifted
from xrfmap.spectra.sum_fit import merge
from xrfmap.spectra.templates import DEFAULT_COVER, SpectrumModel, continuum_knots, merge_edges

__all__ = [
    "MAP_PIECES",
    "RATIO_SPREAD",
    "MapDesign",
    "deviations_of",
    "hidden_beside",
    "row_designs",
]

Array = npt.NDArray[np.float64]

MAP_PIECES = 9
"""Pieces of the continuum per pixel; its fine shape is taken from the sum spectrum."""

RATIO_SPREAD = 0.5
"""Spread of the optical depth in front of a family from pixel to pixel.

Half an optical depth is about 5 um of lead white before iron. It limits how far a
weak family may be believed beside a strong one whose line ratio may vary.
"""


@dataclass(frozen=True, eq=False)
class MapDesign:
    """Design for the pixels of a scan, with what varying line ratios do to it.

    Attributes
    ----------
    design : Design
        Columns: families, scatter, pile-up, continuum.
    lines : tuple of str
        Labels of the families, the first columns of the design.
    typical : ndarray, shape (bins,)
        Expected counts per bin in the mean pixel. [counts]
    deviations : ndarray, shape (bins, lines)
        Change of each family's column when its cover grows by :data:`RATIO_SPREAD`.
    scale : EnergyScale or None
        Scale of the rows it is for, where the gain drifted.
    owed : ndarray, shape (lines,), or None
        Share of each family that elements may have which the sum neither shows nor rules out,
        or cannot tell from others, see :mod:`xrfmap.identification.may_be_there`.
    cut : bool
        Whether bins were left out, so that a family's amount hangs on its line ratios.
    """

    design: Design
    lines: tuple[str, ...]
    typical: Array
    deviations: Array
    scale: EnergyScale | None = None
    owed: Array | None = None
    cut: bool = False

    @cached_property
    @in_one_thread
    def leakage(self) -> Array:
        """Counts of each family mistaken for each other one, shape (lines, lines).

        Entry (i, j): net counts that family i seems to gain per net count of family j when
        the line ratio of j is off by one standard deviation, at the typical spectrum.
        """
        matrix = self.design.matrix
        weight = 1 / np.maximum(self.typical, 1e-3 * self.typical.mean())
        info = (matrix * weight[:, None]).T @ matrix
        info[np.diag_indices_from(info)] *= 1 + 1e-9
        effect = np.linalg.solve(info, (matrix * weight[:, None]).T @ self.deviations)
        leak = effect[: len(self.lines)]
        if not self.cut:  # of its own ratio a whole family gains nothing new
            leak[np.diag_indices_from(leak)] = 0.0
        if self.owed is not None:
            own = np.diag_indices_from(leak)
            leak[own] = np.hypot(leak[own], self.owed)
        return np.asarray(leak)

    @cached_property
    @in_one_thread
    def spread(self) -> Array:
        """Spread of the variance of each absent family, shape (lines,), in counts2.

        See :func:`xrfmap.fit.null_model.null_spread`.
        """
        return null_spread(self.design.matrix, self.typical, len(self.lines))

    @classmethod
    @in_one_thread
    def of(
        cls,
        found: Found,
        *,
        pixels: int,
        ratio_spread: float = RATIO_SPREAD,
        scale: EnergyScale | None = None,
        edges: npt.NDArray[np.int64] | None = None,
        hidden: Sequence[MayBe] | None = None,
    ) -> MapDesign:
        """Design from the elements found on the sum spectrum.

        Parameters
        ----------
        found : Found
            Elements and refined shapes.
        pixels : int
            Pixels in the sum, for the typical spectrum.
        ratio_spread : float
            See :data:`RATIO_SPREAD`; 0 where line ratios are known not to vary.
        scale : EnergyScale, optional
            Scale of some of the rows, where the gain drifted.
        edges : ndarray of int, shape (bins + 1,), optional
            Bins, by :func:`xrfmap.fit.map_bins.map_edges` if not given: for rows of another
            scale those of the first.
        hidden : sequence of MayBe, optional
            What :func:`hidden_beside` says, which does not hang on the scale; asked if not given.
        """
        model = found.model
        elements = _mapped(found)
        others = [e for e in model.emitters if e.kind != "element"]
        model = replace(
            model,
            emitters=(*elements, *others),
            knots=continuum_knots(model.energy_range, MAP_PIECES),
            carrier=_carrier(found),
            pile_up=found.model.whole_pile_up(found.fit.amplitude),
            mixed_pile_up=None,
            self_piled=(),
            elastic=None,  # the carrier is bent already
            absorbers={},  # their edges are in it too
        )
        lines = tuple(e.label for e in elements)
        if edges is None:
            edges = _edges(found, model, len(lines))
        model = model.at(scale or model.scale)
        matrix = merge(model.matrix(), edges)
        keep = matrix.sum(axis=0) > 0
        labels = tuple(name for name, k in zip(model.labels, keep, strict=True) if k)
        design = Design(np.ascontiguousarray(matrix[:, keep]), edges, labels, len(lines))
        typical = merge(found.sum_counts, edges) / pixels
        deviations = deviations_of(model, len(lines), edges, ratio_spread)
        typical = np.maximum(typical, 1e-6)
        if hidden is None:
            hidden = hidden_beside(found)
        share = _owed(found, model, design, lines, typical, pixels, hidden)
        return cls(design, lines, typical, deviations, scale, share)


def row_designs(
    found: Found, *, pixels: int, ratio_spread: float = RATIO_SPREAD
) -> tuple[list[MapDesign], npt.NDArray[np.intp] | None]:
    """Designs for the rows of a scan.

    Parameters
    ----------
    found : Found
        Elements and refined shapes; with the drift of the gain, where there was one.
    pixels, ratio_spread
        As for :meth:`MapDesign.of`.

    Returns
    -------
    list of MapDesign, and ndarray of int, shape (y,), or None
        One design and None for a steady scan; else a design for each group of rows with
        nearly the same energy scale, and the group of each row. All have the same lines,
        components and bins.
    """
    if found.drift is None:
        return [MapDesign.of(found, pixels=pixels, ratio_spread=ratio_spread)], None
    group, shifts = found.drift.groups()
    scale = found.model.scale
    designs: list[MapDesign] = []
    hidden = hidden_beside(found)
    for _, gain, zero in shifts:
        edges = designs[0].design.edges if designs else None
        designs.append(
            MapDesign.of(
                found, pixels=pixels, ratio_spread=ratio_spread, scale=shifted(scale, gain, zero),
                edges=edges, hidden=hidden,
            )
        )  # fmt: skip
    return designs, group


def hidden_beside(found: Found) -> list[MayBe]:
    """Ask what may yet be there of all that has no map, by the tests of the whole scan."""
    return may_be_there(found, [e.label for e in _mapped(found)])


def _mapped(found: Found) -> list[Emitter]:
    """Families that get a map."""
    # of what the user asked for the limits are wanted even where nothing was found
    shown = {*found.present, *found.given}
    wanted = {line for e in found.elements if e.symbol in shown for line in e.lines}
    return [
        e for e in found.model.emitters
        if e.kind == "element" and e.element in shown and e.label in wanted
    ]  # fmt: skip


def _edges(found: Found, model: SpectrumModel, families: int) -> npt.NDArray[np.int64]:
    """Bins that suit the sum of the scan and its groups of like pixels."""
    rough = merge_edges(model.scale, model.energy_range, model.channels)
    inside = slice(int(rough[0]), int(rough[-1]))
    spectra = [found.sum_counts]
    if found.summary is not None:
        spectra += list(found.summary.cluster_counts)
    counts = np.array([one[inside] for one in spectra if one[inside].any()], dtype=np.float64)
    matrix = model.matrix()[inside]
    matrix = matrix[:, matrix.sum(axis=0) > 0]
    energy = model.scale.energy(np.arange(inside.start, inside.stop))
    fwhm = model.scale.fwhm(energy) / model.scale.kev_per_channel
    edges = map_edges(matrix, counts, fwhm, families, rough - rough[0])
    return np.asarray(rough[0] + edges)


def _owed(
    found: Found,
    model: SpectrumModel,
    design: Design,
    lines: tuple[str, ...],
    typical: Array,
    pixels: int,
    others: Sequence[MayBe],
) -> Array | None:
    """Share of each line that elements outside the model may have, shape (lines,)."""
    if not others or not lines:
        return None
    net = np.array([found.fit.net(label)[0] for label in lines]) / pixels
    columns = np.column_stack([merge(model.column(o.emitter), design.edges) for o in others])
    counts = np.array([o.spread for o in others]) / pixels
    share = owed(design.matrix, typical, net, columns, counts)
    # what lay only where an element of some pixels lies would have been found with it
    held = {e.symbol: e.evidence.get("pixels") for e in found.elements}
    place = [held.get(label.split()[0]) for label in lines]
    part = np.array([n / pixels if isinstance(n, float) else 1.0 for n in place])
    return np.asarray(part * np.sqrt((share**2).sum(axis=1)))


def _carrier(found: Found) -> Array:
    """Continuum of the sum spectrum as a shape, so that few pieces bend it per pixel."""
    model, fit = found.model, found.fit
    basis = model.continuum()
    shape = np.asarray(basis @ fit.amplitude[-basis.shape[1] :])
    top = float(shape.max())
    if top <= 0:
        return np.ones(model.channels)
    return np.asarray(np.maximum(shape / top, 1e-3))


def deviations_of(
    model: SpectrumModel, lines: int, edges: npt.NDArray[np.int64], spread: float
) -> Array:
    """Change of the first `lines` columns when their cover grows, merged to bins.

    Parameters
    ----------
    model : SpectrumModel
        Families first among its emitters.
    lines : int
        Families.
    edges : ndarray of int, shape (bins + 1,)
        Borders of the bins.
    spread : float
        Optical depth that is added.

    Returns
    -------
    ndarray, shape (bins, lines)
        Per net count.
    """
    columns = []
    for emitter in model.emitters[:lines]:
        cover = model.cover.get(emitter.label, DEFAULT_COVER)
        moved = replace(model, cover={**model.cover, emitter.label: cover + spread})
        columns.append(merge(moved.column(emitter) - model.column(emitter), edges))
    if not columns:
        return np.zeros((len(edges) - 1, 0))
    return np.column_stack(columns)
