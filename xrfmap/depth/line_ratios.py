"""Counts of single groups of lines: what the layered model compares.

A cover absorbs soft lines more than hard ones. So every family of an element is cut into
the groups of lines that the detector can tell apart (K-alpha and K-beta; L-alpha, L-beta,
L-gamma), and each group gets a column of its own in the fit, for areas and for blocks of
pixels. The covariance of the groups goes with their counts: overlapping groups, neighbours
and uncertain shapes are all in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from xrfmap.depth.line_doubts import Changes, doubts, foreign_errors, hidden_emitters, taken_for
from xrfmap.depth.line_groups import GroupCounts, LineGroup, group_emitter, groups_of
from xrfmap.depth.split_cut import SplitCut, without
from xrfmap.fit.full_blocks import FullKinds
from xrfmap.fit.map_design import MAP_PIECES
from xrfmap.fit.pixels import Design, fit_counts
from xrfmap.identification.identify import Found
from xrfmap.spectra.emitters import family_emitter, usable_families
from xrfmap.spectra.left_out import TRUSTED_SHARE
from xrfmap.spectra.refine import refine
from xrfmap.spectra.shape_knobs import PAINT_KNOBS
from xrfmap.spectra.sum_fit import merge
from xrfmap.spectra.templates import SpectrumModel, continuum_knots, merge_edges

__all__ = ["SplitDesign", "area_counts", "blind_groups", "with_elements"]

Array = npt.NDArray[np.float64]

REFINE_STEPS = 4
"""Steps by which shapes are refined again once families are split; they start close."""

SOME = 2000
"""Spectra whose covariances are in memory at a time; a multiple of `CHUNK`."""

CHUNK = 200
"""Spectra whose covariances are worked out at once; bounds the memory to some 30 MB."""

# ---------------------------------------------------------------- one spectrum, all care


def area_counts(found: Found, elements: str | Sequence[str]) -> GroupCounts:
    """Count the groups of one or several elements in a spectrum fitted for itself.

    Parameters
    ----------
    found : Found
        Fit of that spectrum (of an area or a point).
    elements : str or sequence of str
        Symbols; their families are taken out of the model and put back group by group.
        Elements that the model lacks are put in, since their absence may be what counts.

    Returns
    -------
    GroupCounts
        n = 1. Weighted least squares about the fit, the variances those of the fitted
        counts with the model error; energy scale, widths and the line ratios of the other
        elements stay free within their spreads. A group that lies in channels left out of
        the fit, since they ran full, has an error of all counts.
    """
    names = (elements,) if isinstance(elements, str) else tuple(dict.fromkeys(elements))
    model, fit = with_elements(found, names), found.fit
    groups = tuple(g for name in names for g in groups_of(model, name))
    own = {e.label for e in model.emitters if e.kind == "element" and e.element in names}
    # an M family stays whole: its line ratios are still as uncertain as they were
    cut = {label for label in own if not label.endswith(" M")}
    keep = [k for k, name in enumerate(fit.labels) if name not in own and fit.amplitude[k] > 0]
    free = [k for k, name in enumerate(found.parameters) if not _is_ratio_of(name, cut)]
    split = [merge(model.column(group_emitter(model, g)), fit.edges) for g in groups]
    hidden = hidden_emitters(found, groups, found.model.labels)
    beside = [merge(model.column(e), fit.edges) for e in hidden]
    columns = np.column_stack([*split, fit.matrix[:, keep], *beside])
    wrong = foreign_errors(model, fit.labels, fit.amplitude, fit.edges, own)
    shapes = np.hstack([wrong, found.slopes[:, free] * found.spreads[free]])
    root = 1 / np.sqrt(fit.variance)
    measured = np.hstack([columns, shapes]) * root[:, None]
    prior = np.eye(shapes.shape[1], measured.shape[1], columns.shape[1])
    data = np.append(fit.counts * root, np.zeros(len(prior)))
    solution, covariance = _least_squares(np.vstack([measured, prior]), data)
    g = len(groups)
    leak = doubts(model, groups, fit.matrix, fit.labels, fit.edges) @ fit.amplitude
    # the tail of a peak whose channels ran full says nothing on it: an error of all counts,
    # those that were lost among them
    blind = np.array([fit.share_left(column) < TRUSTED_SHARE for column in split])
    leak = np.where(blind, fit.counts.sum() + fit.fitted.sum(), leak)
    return GroupCounts(groups, solution[None, :g], (covariance[:g, :g] + np.diag(leak**2))[None])


def blind_groups(found: Found, groups: Sequence[LineGroup]) -> tuple[LineGroup, ...]:
    """List groups of which less than :data:`TRUSTED_SHARE` lies outside full channels."""
    fit, model = found.fit, found.model
    if fit.used.all():
        return ()
    columns = [merge(model.column(group_emitter(model, g)), fit.edges) for g in groups]
    shares = [fit.share_left(column) for column in columns]
    return tuple(g for g, left in zip(groups, shares, strict=True) if left < TRUSTED_SHARE)


def with_elements(found: Found, names: Sequence[str]) -> SpectrumModel:
    """Model of a fit with further elements put in where they are missing."""
    model = found.model
    present = {e.element for e in model.emitters if e.kind == "element"}
    missing = [
        emitter
        for name in names
        if name not in present and name != found.anode
        for family in usable_families(name, model.instrument, model.energy_range)
        if (emitter := family_emitter(name, family, model.instrument, found.anode)) is not None
    ]
    return model.with_emitters([*model.emitters, *missing])


def _is_ratio_of(name: str, own: set[str]) -> bool:
    """Tell whether a shape parameter bends the line ratios of one of these families."""
    kind, _, rest = name.partition(" ")
    label = rest.rpartition(" ")[0] if kind == "ratio" else rest
    return (kind == "ratio" or kind in PAINT_KNOBS) and label in own


def _least_squares(design: Array, data: Array) -> tuple[Array, Array]:
    """Solution and covariance; what the data do not determine gets a large, finite error."""
    norm = np.linalg.norm(design, axis=0)
    norm[norm == 0] = 1.0
    u, s, vt = np.linalg.svd(design / norm, full_matrices=False)
    s = np.maximum(s, 1e-9 * s[0])
    solution = (vt.T / s) @ (u.T @ data)
    covariance = (vt.T / s**2) @ vt
    return solution / norm, np.asarray(covariance / np.outer(norm, norm))


# ---------------------------------------------------------------- many spectra


@dataclass(frozen=True, eq=False)
class SplitDesign:
    """Design for many spectra in which the families of some elements are split.

    Attributes
    ----------
    design : Design
        Columns: groups of the split elements, other families, scatter, continuum.
    groups : dict of str to tuple of LineGroup
        Groups per split element, in the order of their columns.
    typical : ndarray, shape (bins,)
        Expected counts per bin in the mean pixel. [counts]
    model_error : ndarray, shape (bins,)
        Relative error of the model.
    changes : Changes
        Of the spectrum, where tails or line ratios are off by their errors.
    wrong : ndarray, shape (groups, changes)
        Counts that each group gains per count of a neighbour of which that is so;
        `wrong_of` has the neighbour's column of each change.
    doubt : ndarray, shape (groups, components)
        Counts of doubt about each group per count of each component.
    cut : SplitCut or None
        Bins that the design does without, since they ran full, and what that leaves.
    """

    design: Design
    groups: dict[str, tuple[LineGroup, ...]]
    typical: Array
    model_error: Array
    changes: Changes
    wrong: Array
    wrong_of: npt.NDArray[np.int64]
    doubt: Array
    cut: SplitCut | None = None

    @classmethod
    def of(cls, found: Found, elements: Iterable[str], *, pixels: int = 1) -> SplitDesign:
        """Design from the elements found on a summed spectrum.

        Parameters
        ----------
        found : Found
            Elements and refined shapes.
        elements : iterable of str
            Elements whose families are split; all their families stay in, seen or not,
            since a missing soft line tells as much as a present one.
        pixels : int
            Pixels in the sum.
        """
        model = found.model
        groups = {e: groups_of(model, e) for e in elements}
        every = tuple(g for gs in groups.values() for g in gs)
        wanted = {n for e in found.elements if e.verdict == "present" for n in e.lines}
        others = [
            e for e in model.emitters
            if e.kind != "element" or (e.element not in groups and e.label in wanted)
        ]  # fmt: skip
        parts = [group_emitter(model, g) for g in every]
        hidden = hidden_emitters(found, every, [e.label for e in others])
        free = model.with_emitters([*parts, *hidden, *others])
        # with the ratios of the split families free, the others' shapes settle elsewhere
        refined = refine(found.sum_counts, free, steps=REFINE_STEPS)
        split = replace(
            refined.model,
            knots=continuum_knots(model.energy_range, MAP_PIECES),
            carrier=_bent_carrier(refined.model, refined.fit.amplitude),
            pile_up=refined.model.whole_pile_up(refined.fit.amplitude),
            mixed_pile_up=None,
            self_piled=(),
            elastic=None,  # the carrier is bent already
            absorbers={},  # their edges are in it too
        )
        edges = merge_edges(model.scale, model.energy_range, model.channels)
        matrix = merge(split.matrix(), edges)
        if (matrix[:, : len(every)].sum(axis=0) <= 0).any():
            raise ValueError("a group of lines lies outside the fitted range")
        seen = matrix.sum(axis=0) > 0
        labels = tuple(n for n, k in zip(split.labels, seen, strict=True) if k)
        design = Design(np.ascontiguousarray(matrix[:, seen]), edges, labels)
        typical = np.maximum(merge(found.sum_counts, edges) / pixels, 1e-6)
        error = _on_edges(refined.fit.model_error, refined.fit.edges, edges)
        changes = Changes.of(split, design, len(every))
        wrong = taken_for(design.matrix, typical, changes.foreign, len(every))
        wrong[changes.same] = 0.0
        doubt = doubts(split, every, design.matrix, labels, edges)
        return cls(design, groups, typical, error, changes, wrong, changes.column, doubt)

    def fit(self, counts: npt.ArrayLike, full: FullKinds | None = None) -> dict[str, GroupCounts]:
        """Fit spectra, all groups at once.

        Parameters
        ----------
        counts : array_like, shape (n, channels)
            Spectra. [counts]
        full : FullKinds, optional
            Channels that ran full and are left out, spectrum by spectrum.

        Returns
        -------
        dict of str to GroupCounts
            Per split element. Spectra without a count give NaN, and so do groups with less
            than :data:`xrfmap.spectra.left_out.TRUSTED_SHARE` of their counts outside full
            channels.
        """
        data = np.asarray(counts)
        many = [len(groups) for groups in self.groups.values()]
        net = [np.empty((len(data), g)) for g in many]
        covariance = [np.empty((len(data), g, g)) for g in many]
        for design, rows in self._shared(full, len(data)):
            # whole covariances of many spectra would take a gigabyte: only those within an
            # element are kept, and the others of some spectra at a time
            for k in range(0, len(rows), SOME):
                some = rows[k : k + SOME]
                for place, part in enumerate(design._fit(data[some]).values()):
                    net[place][some] = part.net
                    covariance[place][some] = part.covariance
        return {
            element: GroupCounts(groups, net[k], covariance[k])
            for k, (element, groups) in enumerate(self.groups.items())
        }

    def _shared(
        self, full: FullKinds | None, number: int
    ) -> Iterator[tuple[SplitDesign, npt.NDArray[np.intp]]]:
        """Designs with the spectra that they are for."""
        if full is None:
            yield self, np.arange(number)
            return
        for kind, channels in enumerate(full.masks):
            rows = np.flatnonzero(full.kind == kind)
            if len(rows):
                yield without(self, channels), rows

    def _fit(self, data: npt.NDArray[Any]) -> dict[str, GroupCounts]:
        spectra = data if self.cut is None else self.cut.spectra(data)
        result = fit_counts(spectra, self.design, self.typical)
        many = sum(len(gs) for gs in self.groups.values())
        here = many if self.cut is None else len(self.cut.groups)
        amplitude = np.asarray(result.amplitude, dtype=np.float64)
        covariance = self._covariance(amplitude, here)
        net = np.asarray(result.unbounded, dtype=np.float64)[:, :here]
        net[data.sum(axis=1) == 0] = np.nan
        if self.cut is not None:
            net, covariance = self.cut.spread(net, covariance)
        found, first = {}, 0
        for element, groups in self.groups.items():
            part = slice(first, first + len(groups))
            own = covariance[:, part, part].copy()  # a view would hold all of it
            found[element] = GroupCounts(groups, net[:, part].copy(), own)
            first += len(groups)
        return found

    def _covariance(self, amplitude: Array, many: int) -> Array:
        """Covariance of the first columns, model error and wrong shapes included."""
        matrix = self.design.matrix
        floor = 1e-3 * float(self.typical.mean())
        upper = np.triu_indices(matrix.shape[1])
        # all products of two columns once: the information of many spectra is one product
        pairs = matrix[:, upper[0]] * matrix[:, upper[1]]
        parts = []
        for first in range(0, max(len(amplitude), 1), CHUNK):  # of none, one part of nothing
            mean = np.maximum(amplitude[first : first + CHUNK] @ matrix.T, floor)
            info = (1 / (mean + (self.model_error * mean) ** 2)) @ pairs
            parts.append(_first_of_inverse(info, upper, many))
        result = np.concatenate(parts)
        square = amplitude[:, self.wrong_of] ** 2
        result += np.einsum("kd,nd,ld->nkl", self.wrong, square, self.wrong, optimize=True)
        result[:, range(many), range(many)] += (amplitude @ self.doubt.T) ** 2
        return result


def _first_of_inverse(
    info: Array, upper: tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]], many: int
) -> Array:
    """Covariance of the first columns from the upper triangles of the information, (n, k, k)."""
    columns = int(upper[0][-1]) + 1
    full = np.empty((len(info), columns, columns))
    full[:, upper[0], upper[1]] = info
    full[:, upper[1], upper[0]] = info
    scale = np.sqrt(np.einsum("ngg->ng", full))
    full /= scale[:, :, None] * scale[:, None, :]
    full[:, range(columns), range(columns)] += 1e-9  # coinciding columns stay finite
    some = scale[:, :many]
    covariance = np.linalg.inv(full)[:, :many, :many]
    return np.asarray(covariance / (some[:, :, None] * some[:, None, :]))


def _bent_carrier(model: SpectrumModel, amplitude: Array) -> Array:
    """Continuum of the summed spectrum, which few pieces bend per spectrum."""
    basis = model.continuum()
    shape = np.asarray(basis @ amplitude[-basis.shape[1] :])
    top = float(shape.max())
    return np.asarray(np.maximum(shape / top, 1e-3)) if top > 0 else np.ones(len(shape))


def _on_edges(values: Array, old: npt.NDArray[np.int64], new: npt.NDArray[np.int64]) -> Array:
    """Values per bin of one set of borders at the bins of another."""
    centre = 0.5 * (new[1:] + new[:-1])
    place = np.clip(np.searchsorted(old, centre, side="right") - 1, 0, len(values) - 1)
    return np.asarray(values[place])
