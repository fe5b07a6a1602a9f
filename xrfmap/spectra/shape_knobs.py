"""Shape parameters that a summed spectrum can say something about, and how each acts.

Energy scale and widths, tail and shelf, Compton hump, line ratios of strong families, edges in
the continuum: each with its start, the spread of what is plausible, and bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from xrfmap.physics.atomic import edge_energy
from xrfmap.spectra.continuum_edges import USUAL_FILM
from xrfmap.spectra.emitters import Emitter
from xrfmap.spectra.m_lines import M_SPREAD, USUAL_M, MState
from xrfmap.spectra.paint_edges import USUAL_EDGE, PaintEdge, has_edge
from xrfmap.spectra.sum_fit import SumFit, fit_sum, merge
from xrfmap.spectra.templates import DEFAULT_COVER, SpectrumModel

__all__ = ["ANODE_SPREAD", "PAINT_KNOBS", "REFINE_ERROR", "SCALE_KNOBS", "Knob", "knobs_of"]

Array = npt.NDArray[np.float64]

REFINE_ERROR = 0.004
"""Relative error granted while shapes move: more would hide what they can still explain."""

GROUP_SPREAD = 0.08
"""Spread of a line group's share about theory: tabulated rates disagree by 5-10 %."""

ANODE_SPREAD = 0.12
"""The same for lines of the anode: of K-beta2 to K-beta1,3 of Mo, Rh, Pd and Ag the rates of
xraylib and those of Elam, Ravel and Sieber, Radiat. Phys. Chem. 63, 121 (2002), as in xraydb,
differ by 10, 11, 12 and 14 per cent."""

HANGING_SHARE = 0.02
"""Share of a family's counts in channels left out from which its line ratios matter for them:
an error of a ratio, a tenth or less, then moves them by more than :data:`MODEL_ERROR_MIN`."""

HANGING_Z = 3.0
"""Standard errors from which that is asked; fainter ones are known no better than to a third."""

COVER_SPREAD = 0.7
"""Spread of the optical depth before a family, at its main line, about :data:`DEFAULT_COVER`."""

COVER_Z = 0.5
"""Effect of a usual cover on the shape of a family, in standard errors, from which it is fitted.
L lines spread over a tenth or two of their energy: barium below 40 um of zinc white shows its
L-gamma twice as strong as bare, and read 40 % too low with the shape of a usual cover."""

FILM_SPREAD = 2.0
"""Spread of the logarithm of the light matter in paint: from a glaze to a body of paint alone."""

MASS_SPREAD = 1.0
"""Spread of the logarithm of an absorber's mass about that of a thin layer with its counts.

On the northern panel and the demo iron and copper lie within 0.2 of it, mercury 1 to 2 above."""

LEAST_MASS = 1e-4
"""Of the strongest absorber, by which the others go: edges of a ten-thousandth."""

PAINT_KNOBS = ("cover", "edges", *MState._fields)
"""First words of the names of those by which paint acts on the lines of one family."""

ABSORBER = "absorber "
"""How the names of those begin by which absorption edges show in the continuum."""

SCALE_KNOBS = ("zero_kev", "kev_per_channel", "noise_kev", "fano")
"""Names of those that move or widen all peaks alike."""


@dataclass(frozen=True)
class Knob:
    """One shape parameter: start, spread of what is plausible, bounds, and how it acts."""

    name: str
    start: float
    spread: float
    low: float
    high: float
    step: float
    act: Callable[[SpectrumModel, float], SpectrumModel]
    now: float | None = None  # value in the model where it is not the expected one
    longest: float = np.inf  # change that its slope says anything about


def knobs_of(counts: Array, model: SpectrumModel, detector_known: bool) -> list[Knob]:
    """List the parameters that a spectrum can say something about.

    Parameters
    ----------
    counts : ndarray, shape (channels,)
        The spectrum. [counts]
    model : SpectrumModel
        Starting shapes; channels that it leaves out say nothing.
    detector_known : bool
        Leave out energy scale, peak shape and Compton hump.

    Returns
    -------
    list of Knob
        In the order of the parameters of :class:`xrfmap.spectra.refine.Refined`.
    """
    scale, response = model.scale, model.response
    gain = scale.kev_per_channel
    found = [
        Knob("zero_kev", scale.zero_kev, max(3 * scale.zero_kev_err, 0.005),
              scale.zero_kev - 0.1, scale.zero_kev + 0.1, 1e-4, _on_scale("zero_kev")),
        Knob("kev_per_channel", gain, max(3 * scale.kev_per_channel_err, 5e-4 * gain),
              0.98 * gain, 1.02 * gain, 1e-6 * gain, _on_scale("kev_per_channel")),
        Knob("noise_kev", scale.noise_kev, max(3 * scale.noise_kev_err, 0.01),
              0.02, 0.4, 1e-4, _on_scale("noise_kev")),
        Knob("fano", scale.fano, max(3 * scale.fano_err, 0.01),
              0.05, 0.25, 1e-4, _on_scale("fano")),
        Knob("tail_fraction", response.tail_fraction, 0.02,
              0.0, 0.2, 1e-4, _on_response("tail_fraction")),
        Knob("tail_slope_kev", response.tail_slope_kev, 0.1,
              0.03, 1.0, 1e-3, _on_response("tail_slope_kev")),
        Knob("shelf_fraction", response.shelf_fraction, 0.005,
              0.0, 0.05, 1e-4, _on_response("shelf_fraction")),
    ]  # fmt: skip
    if detector_known:
        found = []
    elif any(e.kind == "compton" for e in model.emitters):
        found += [
            Knob("compton_shift", model.compton_shift, 0.1, 0.6, 1.4, 1e-3,
                  _on_model("compton_shift")),
            Knob("compton_fwhm_kev", model.compton_fwhm_kev, 0.1, 0.01, 1.5, 1e-3,
                  _on_model("compton_fwhm_kev")),
        ]  # fmt: skip
    if model.elastic is not None:
        found.append(
            Knob("elastic share", 0.0, 1.0, -2.0, 4.0, 1e-2, _on_model("elastic_log"),
                  model.elastic_log)
        )  # fmt: skip
    if model.mixed_pile_up is not None:
        found.append(
            Knob("pile_up_mixing", model.pile_up_mixing, 0.5, -3.0, 1.0, 1e-2,
                  _on_model("pile_up_mixing"))
        )  # fmt: skip
    # not with the error that unrefined shapes leave: it is largest at the very family whose
    # shapes are off, which would then stay as it is and take from its neighbours
    fit = fit_sum(counts, model, model_error=REFINE_ERROR)
    masses = _absorbers(model, fit)
    absorbers = list(masses)
    for emitter in model.emitters:
        net, error = fit.net(emitter.label)
        # a ratio is known to error/net at best; but where a part of the family is left out,
        # its counts hang on the ratio of that part to what is left
        hanging = net > HANGING_Z * error and fit.left(emitter.label) < 1 - HANGING_SHARE
        if net < 25 * error and not hanging:
            if emitter.kind == "element":
                found += [
                    knob for knob in _paint_knobs(emitter, model, absorbers)
                    if _effect(knob, emitter, model, fit) > COVER_Z
                ]  # fmt: skip
            continue
        if emitter.kind == "element" and len(emitter.energies) > 1:
            found += _ratio_knobs(emitter, model, fit, absorbers)
        elif emitter.kind == "rayleigh":
            found.append(
                Knob(f"cover {emitter.label}", 0.0, 0.5, -2.0, 2.0, 1e-3,
                      _on_cover(emitter.label))
            )  # fmt: skip
            # the lines of a tube are no better known than those of paint: its K-beta2 may lie
            # on K-alpha of cadmium (Rh), indium (Pd) or tin (Ag)
            shares = model.shares(emitter)
            main = emitter.lines[int(np.argmax(shares))]
            if emitter.shells and not main.startswith("Ka"):  # alpha 2 : 1 is sure
                found += _group_knobs(emitter, shares, model, fit, ANODE_SPREAD)
    found += _absorber_knobs(model, masses)
    if absorbers:
        found.append(
            Knob("paint film", USUAL_FILM, FILM_SPREAD, -6.0, 6.0, 1e-2, _on_model("film_log"),
                  model.film_log)
        )  # fmt: skip
    return found


def _absorbers(model: SpectrumModel, fit: SumFit) -> dict[str, float]:
    """Strongest elements with an absorption edge inside the fitted range, and their masses.

    Masses, in an arbitrary unit, are those of a thin layer that would give the counts.
    """
    counts: dict[str, float] = {}
    masses: dict[str, float] = {}
    low, high = model.energy_range
    for emitter in model.emitters:
        shell = {"K": "K", "L": "L3", "M": "M5"}[emitter.family]
        inside = low + 1 < edge_energy(emitter.element, shell) < high - 1
        if emitter.kind == "element" and inside:
            net = fit.net(emitter.label)[0]
            counts[emitter.element] = counts.get(emitter.element, 0) + net
            # of several families the softer ones tell too little
            mass = net / emitter.strength if emitter.strength > 0 else 0.0
            masses[emitter.element] = max(masses.get(emitter.element, 0.0), mass)
    strong = sorted(counts, key=lambda e: -counts[e])[:4]
    return {e: masses[e] for e in strong if counts[e] > 0.02 * fit.counts.sum()}


def _absorber_knobs(model: SpectrumModel, masses: Mapping[str, float]) -> list[Knob]:
    """Mass of the strongest absorber, and those of others beside it as their counts have them.

    By itself an edge in the continuum hardly shows below strong lines, and would take up what
    is amiss with these. Parameters of the others are logarithms of their mass over that expected.
    An element that is no longer among the strongest keeps the mass that it had.
    """
    found: list[Knob] = []
    first, unit, usual = "", 0.0, None
    for element, mass in masses.items():
        now = model.absorbers.get(element)
        if not found:
            first, unit, usual = element, mass, now
            found.append(
                Knob(f"{ABSORBER}{element}", 0.05, 0.5, LEAST_MASS, 5.0, 1e-3,
                     _on_absorber(element), now)
            )  # fmt: skip
            continue
        share = mass / unit if mass > 0 and unit > 0 else 1.0
        log = float(np.log(now / (share * usual))) if now and usual else None
        act = _on_absorber_beside(element, first, share)
        name = f"{ABSORBER}{element} beside {first}"
        found.append(Knob(name, 0.0, MASS_SPREAD, -5.0, 5.0, 1e-2, act, log))
    return found


def _ratio_knobs(
    emitter: Emitter, model: SpectrumModel, fit: SumFit, absorbers: Sequence[str]
) -> list[Knob]:
    """Cover of a family, and factors of its groups of lines, as far as the counts bear it."""
    shares = model.shares(emitter)
    return [*_paint_knobs(emitter, model, absorbers), *_group_knobs(emitter, shares, model, fit)]


def _paint_knobs(emitter: Emitter, model: SpectrumModel, absorbers: Sequence[str]) -> list[Knob]:
    """List what paint may do to the line ratios of a family: cover and edges, more to M lines.

    Of several absorbers with edges between its lines the strongest one stands for all; the one
    that the model has stays, since its depth says nothing of another one.
    """
    label = emitter.label
    start = model.cover.get(label, DEFAULT_COVER)
    found = [Knob(f"cover {label}", start, COVER_SPREAD, -0.5, 6.0, 1e-3, _on_cover(label))]
    shares = model.shares(emitter)
    split = [e for e in absorbers if emitter.m is None and has_edge(e, emitter, shares)]
    if split:
        edge = model.paint_edges.get(label)
        if edge is None or edge.absorber not in split:
            edge = PaintEdge(split[0], USUAL_EDGE)
        found.append(
            # lines behind the edge go down as an exponential of several times the depth
            Knob(f"edges {label}", USUAL_EDGE, COVER_SPREAD, -0.5, 6.0, 1e-3,
                 _on_edges(label, edge.absorber), edge.depth, longest=COVER_SPREAD)
        )  # fmt: skip
    if emitter.m is not None:
        now = model.m_states.get(label, USUAL_M)
        found += [
            Knob(f"{field} {label}", getattr(USUAL_M, field), getattr(M_SPREAD, field), low, high,
                  1e-3, _on_m_state(label, field), getattr(now, field))
            for field, low, high in (("own", 0.0, 0.95), ("deep", -1.0, 5.0), ("soft", -1.0, 1.0))
        ]  # fmt: skip
    return found


def _effect(knob: Knob, emitter: Emitter, model: SpectrumModel, fit: SumFit) -> float:
    """Tell by how many standard errors a usual change of a parameter alters a family's shape."""
    net = fit.net(emitter.label)[0]
    if net <= 0 or len(emitter.energies) < 2:
        return 0.0
    start = knob.start if knob.now is None else knob.now
    root = 1 / np.sqrt(fit.variance)
    before, after = (
        merge(knob.act(model, value).column(emitter), fit.edges) * root
        for value in (start, start + knob.spread)
    )
    after = after - before * (before @ after) / (before @ before)  # the amplitude is free
    return net * float(np.linalg.norm(after))


def _group_knobs(
    emitter: Emitter,
    shares: Array,
    model: SpectrumModel,
    fit: SumFit,
    spread: float = GROUP_SPREAD,
) -> list[Knob]:
    """Factors of groups of lines against the main one, as far as the counts bear them."""
    label, found = emitter.label, []
    net = fit.net(label)[0]
    centres = model.scale.energy(0.5 * (fit.edges[1:] + fit.edges[:-1] - 1))
    main = int(np.argmax(shares))
    for group in emitter.groups(0.5 * float(model.scale.fwhm(emitter.main_energy))):
        if main in group:
            continue
        at = float(np.average(emitter.energies[group], weights=shares[group]))
        width = float(model.scale.fwhm(at))
        beneath = fit.fitted[np.abs(centres - at) < 0.6 * width].sum()
        counts = net * shares[group].sum()
        if counts * spread > np.sqrt(max(beneath, 1.0)):
            size = len(emitter.energies)
            name = f"ratio {label} {emitter.lines[group[np.argmax(shares[group])]]}"
            found.append(
                Knob(
                    name,
                    0.0,
                    spread,
                    -0.7,
                    0.7,
                    1e-3,
                    _on_group(label, group, size),
                    float(model.log_factors.get(label, np.zeros(size))[group[0]]),
                )
            )
    return found


def _on_scale(field: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, scale=replace(m.scale, **{field: v}))


def _on_response(field: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, response=replace(m.response, **{field: v}))  # type: ignore[arg-type]


def _on_model(field: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, **{field: v})  # type: ignore[arg-type]


def _on_absorber(element: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, absorbers={**m.absorbers, element: v})


def _on_absorber_beside(
    element: str, first: str, share: float
) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: _on_absorber(element)(m, float(np.exp(v)) * share * m.absorbers[first])


def _on_cover(label: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, cover={**m.cover, label: v})


def _on_edges(label: str, absorber: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    return lambda m, v: replace(m, paint_edges={**m.paint_edges, label: PaintEdge(absorber, v)})


def _on_m_state(label: str, field: str) -> Callable[[SpectrumModel, float], SpectrumModel]:
    def act(model: SpectrumModel, value: float) -> SpectrumModel:
        state: MState = model.m_states.get(label, USUAL_M)._replace(**{field: value})
        return replace(model, m_states={**model.m_states, label: state})

    return act


def _on_group(
    label: str, group: npt.NDArray[np.int64], size: int
) -> Callable[[SpectrumModel, float], SpectrumModel]:
    def act(model: SpectrumModel, value: float) -> SpectrumModel:
        factor = np.array(model.log_factors.get(label, np.zeros(size)))
        factor[group] = value
        return replace(model, log_factors={**model.log_factors, label: factor})

    return act
