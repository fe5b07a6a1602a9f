"""What may be wrong about the counts of a group of lines, beyond counting.

Neighbours whose line ratio or tail is not quite the model's, elements too weak to be
found, and the flat part of the spectrum, whose shape at low energies nobody knows.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from xrfmap.depth.line_groups import LineGroup, part_of
from xrfmap.fit.pixels import Design
from xrfmap.identification.identify import Found
from xrfmap.identification.may_be_there import may_be_there
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.spectra.emitters import Emitter, family_emitter, usable_families
from xrfmap.spectra.m_lines import M_SPREAD, USUAL_M
from xrfmap.spectra.sum_fit import merge
from xrfmap.spectra.templates import SpectrumModel

__all__ = ["Changes", "doubts", "foreign_errors", "hidden_emitters", "taken_for"]

Array = npt.NDArray[np.float64]

HIDDEN_BESIDE_M = ("S",)
"""Elements that always stay possible beside an M family.

Sulfur K lies between the M lines of mercury and lead; gypsum and vermilion hold it, and
below some cover it is not found for itself any more.
"""

TAIL_ERROR = 0.5
"""Relative error granted to the low-energy tail of each neighbouring family.

The tail is refined once for the whole spectrum, by its strong lines; where photons are
absorbed near the surface of the detector it is another.
"""

WIDTH_ERROR = 0.01
"""Relative error granted to the width of peaks of which only flanks are left, since the
middle ran full: it changes by that much with the rate of counts (common practice, no source)."""

LEAK = 0.006
"""Share of other elements' counts near 2 keV that may be taken for a group's; falls as 1/E.

On expected spectra of mercury under lead white, without any noise, the fit mistakes 0.4 %
of lead M for mercury M; at harder lines, with purer peaks, far less.
"""

CONTINUUM_ERROR = 0.5
"""Relative error of what lies flat under a group at 2 keV; falls with the energy squared.

At low energies that is mostly lost charge of all harder photons, in a shape that no model
knows: on noise-free spectra it came out wrong by a third at 2.2 keV.
"""

FOREIGN_ERROR = {"K": 0.03, "L": 0.08, "M": 0.15}
"""Relative error granted to one shell's lines within a neighbouring family."""


def doubts(
    model: SpectrumModel,
    groups: Sequence[LineGroup],
    matrix: Array,
    labels: Sequence[str],
    edges: npt.NDArray[np.int64],
) -> Array:
    """Give the counts of doubt about each group per count of each component.

    Shape (groups, components): a share of what other elements, the shelves of all lines and
    the continuum have within one and a half widths.
    """
    centre = model.scale.energy(0.5 * (edges[1:] + edges[:-1] - 1))
    result = np.zeros((len(groups), len(labels)))
    emitters = {e.label: e for e in model.emitters}
    for k, group in enumerate(groups):
        reach = 1.5 * float(model.scale.fwhm(group.energy_kev))
        near = (np.abs(centre - group.energy_kev) < reach).astype(np.float64) @ matrix
        soft = 2.0 / max(group.energy_kev, 2.0)
        smooth = CONTINUUM_ERROR * soft**2
        for j, label in enumerate(labels):
            emitter = emitters.get(label)
            if emitter is None or not _has_lines(emitter, group.energy_kev, reach):
                result[k, j] = near[j] * smooth  # continuum; shelf and tail of lines far off
            elif emitter.element != group.element:
                result[k, j] = near[j] * LEAK * soft
    return result


def _has_lines(emitter: Emitter, energy_kev: float, reach: float) -> bool:
    """Tell whether any line of note lies within reach of an energy."""
    if emitter.kind == "compton":
        return False
    strong = emitter.energies[emitter.weights > 1e-3]
    return bool(np.abs(strong - energy_kev).min() < 2 * reach)


def hidden_emitters(
    found: Found, groups: Sequence[LineGroup], held: Collection[str]
) -> list[Emitter]:
    """Families that are not among the columns `held` but may take counts of these groups.

    Those that the test could not tell from others or saw with a few standard errors, and sulfur
    beside M lines. What cannot be told from another element is in the model of the sum, but in
    no design of pixels.
    """
    names = {e.symbol for e in found.elements if e.verdict == "not separable"}
    names |= {m.emitter.element for m in may_be_there(found, held) if m.seen}
    if any(g.family == "M" for g in groups):
        names |= set(HIDDEN_BESIDE_M)
    model = found.model
    present = {label.split()[0] for label in held}
    result: list[Emitter] = []
    for name in sorted(names - present - {g.element for g in groups}):
        for family in usable_families(name, model.instrument, model.energy_range):
            emitter = family_emitter(name, family, model.instrument, found.anode)
            near = emitter is not None and any(
                np.abs(g.energy_kev - emitter.energies).min()
                < 1.5 * float(model.scale.fwhm(g.energy_kev))
                for g in groups
            )
            if emitter is not None and near:
                result.append(emitter)
    return result


def foreign_errors(
    model: SpectrumModel,
    labels: Sequence[str],
    amplitude: Array,
    edges: npt.NDArray[np.int64],
    own: set[str],
) -> Array:
    """Change the spectrum as if shells and tails of other families were off by their errors.

    Shape (bins, changes). A weak M line beside a strong one must not be taken for the
    strong one's wrong line ratio or tail.
    """
    tail = model.response.tail_fraction * (1 + TAIL_ERROR)
    longer = replace(model, response=replace(model.response, tail_fraction=tail))
    columns = []
    for emitter in model.emitters:
        if emitter.kind != "element" or emitter.label in own or emitter.label not in labels:
            continue
        counts = float(amplitude[labels.index(emitter.label)])
        if counts * tail < 1:
            continue
        columns.append(counts * (longer.column(emitter) - model.column(emitter)))
        columns += _shell_errors(model, emitter, counts)
    merged = [merge(column, edges) for column in columns]
    return np.column_stack(merged) if merged else np.zeros((len(edges) - 1, 0))


def _shell_errors(model: SpectrumModel, emitter: Emitter, counts: float) -> list[Array]:
    """Give the counts per channel by which each shell of a family may be off."""
    shares = model.shares(emitter)
    columns = []
    for shell in sorted(set(emitter.shells)):
        part = np.flatnonzero(np.array(emitter.shells) == shell)
        error = counts * float(shares[part].sum()) * FOREIGN_ERROR[emitter.family]
        if error >= 1 and len(part) < len(shares):
            single = part_of(emitter, part, shares, f"{emitter.label} {shell}")
            columns.append(error * model.column(single))
    return columns


def _paint_changes(model: SpectrumModel, emitter: Emitter) -> list[Array]:
    """Change of an M family's column in another paint, per count; nothing for other families."""
    if emitter.m is None or emitter.kind != "element":
        return []
    label, column = emitter.label, model.column(emitter)
    state = model.m_states.get(label, USUAL_M)
    changes = []
    for field, spread in M_SPREAD._asdict().items():
        moved = state._replace(**{field: getattr(state, field) + spread})
        other = replace(model, m_states={**model.m_states, label: moved})
        changes.append(other.column(emitter) - column)
    return changes


@dataclass(frozen=True, eq=False)
class Changes:
    """What spectra change by where shapes of single families or groups are off.

    Attributes
    ----------
    foreign : ndarray, shape (bins, changes)
        Per count of a family with another tail, or with one shell off by its error, or of an M
        family in another paint.
    column : ndarray of int, shape (changes,)
        Column of the design that each of them belongs to.
    same : ndarray of bool, shape (groups, changes)
        Whether it is of the element of a group; its own lines are free.
    own : ndarray, shape (bins, kinds, groups)
        Per count of a group whose peaks have another tail, or are wider by
        :data:`WIDTH_ERROR`: of no weight while whole peaks are fitted.
    """

    foreign: Array
    column: npt.NDArray[np.int64]
    same: npt.NDArray[np.bool_]
    own: Array

    @classmethod
    def of(cls, model: SpectrumModel, design: Design, many: int) -> Changes:
        """Work them out for a model whose first `many` emitters are the groups of a design."""
        tail = model.response.tail_fraction * (1 + TAIL_ERROR)
        longer = replace(model, response=replace(model.response, tail_fraction=tail))
        wider = replace(model, scale=_wider(model.scale))
        changes, column_of, element_of = [], [], []
        for emitter in model.emitters:
            if emitter.kind in ("compton", "rayleigh") or emitter.label not in design.labels:
                continue
            mine = [longer.column(emitter) - model.column(emitter)]
            mine += [c / 1e6 for c in _shell_errors(model, emitter, 1e6)]
            changes += [merge(c, design.edges) for c in mine]
            column_of += [design.labels.index(emitter.label)] * len(mine)
            element_of += [emitter.element] * len(mine)
            bent = [merge(c, design.edges) for c in _paint_changes(model, emitter)]
            changes += bent
            column_of += [design.labels.index(emitter.label)] * len(bent)
            element_of += [""] * len(bent)  # of its own lines, too
        groups = model.emitters[:many]
        own = [
            np.column_stack(
                [merge(other.column(e) - model.column(e), design.edges) for e in groups]
            )
            for other in (longer, wider)
        ]
        same = np.array([[other == g.element for other in element_of] for g in groups])
        return cls(np.column_stack(changes), np.array(column_of), same, np.stack(own, axis=1))


def _wider(scale: EnergyScale) -> EnergyScale:
    """Scale with peaks wider by :data:`WIDTH_ERROR`."""
    grown = 1 + WIDTH_ERROR
    return replace(scale, noise_kev=scale.noise_kev * grown, fano=scale.fano * grown**2)


def taken_for(matrix: Array, typical: Array, changes: Array, many: int) -> Array:
    """Give the counts of the first `many` columns that changes are taken for.

    Shape (many, ...), for `changes` (bins, ...), at the typical spectrum.
    """
    weighted = matrix / np.maximum(typical, 1e-3 * typical.mean())[:, None]
    info = weighted.T @ matrix
    info[np.diag_indices_from(info)] *= 1 + 1e-9
    effect = np.linalg.solve(info, weighted.T @ changes.reshape(len(changes), -1))
    return np.asarray(effect[:many].reshape(many, *changes.shape[1:]))
