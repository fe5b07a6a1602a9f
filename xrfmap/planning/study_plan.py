"""Plan of a measurement from what a study file says: instrument, layers, cover."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import xarray as xr

from xrfmap.errors import InputError
from xrfmap.physics.atomic import Material
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.physics.material_names import paint_of
from xrfmap.physics.stack import Layer, Stack
from xrfmap.planning.plan import USUAL_SCALE, plan_detection
from xrfmap.settings import Instrument, LayerEntry, Study
from xrfmap.study.study_file import load_study

__all__ = ["plan_of_study"]

USUAL_UM = 25.0
"""Thickness of a paint layer that the study does not give (common practice, no source)."""

USUAL_GROUND_UM = 200.0
"""The same for a ground."""

DEFAULT_COVER = "lead white"


def plan_of_study(
    path: Path,
    element: str,
    *,
    stack: str | None = None,
    cover: str | None = None,
    cover_um: Sequence[float],
    dwell_s: Sequence[float],
) -> tuple[xr.Dataset, dict[str, Any]]:
    """Chance to detect an element under a cover, for the layers of a study.

    Parameters
    ----------
    path : Path
        Study file; its scans need not exist yet.
    element : str
        Symbol.
    stack : str, optional
        Name of a ``[[stack]]``; else the layers of ``[[layer]]`` whose materials are known.
    cover : str, optional
        Covering material; else ``[depth] cover``, else the layer just above the element,
        else lead white.
    cover_um, dwell_s : sequence of float
        Thicknesses [um] and live times [s].

    Returns
    -------
    plan : Dataset
        As from :func:`xrfmap.planning.plan.plan_detection`.
    basis : dict
        What it rests on, in words and numbers.

    Raises
    ------
    InputError
        If the study names no anode, no layer that holds the element, or no such stack.
    """
    study, where = load_study(path), str(path)
    instrument = _instrument(study, where)
    layers = _stack_layers(study, stack, where) if stack is not None else _layers(study, where)
    above, below = _cut(layers, element, where)
    material = _cover(study, cover, above, element, where)
    under = Stack(below)
    scale = _scale(instrument)
    try:
        made = plan_detection(
            element, under, material, instrument, cover_um=cover_um, dwell_s=dwell_s, scale=scale
        )
    except ValueError as bad:
        raise InputError(
            where, found=str(bad), expected="an element that the measurement can show",
            remedy="choose another element or another tube",
        ) from bad  # fmt: skip
    words = "; ".join(f"{layer.material.name} {layer.thickness_um:.3g} µm" for layer in below)
    rate = float(_rate(under, instrument, scale))
    return made, {
        "study": path.name,
        "stack": words,
        "instrument": f"{instrument.anode} tube at {instrument.tube_kv or 50:g} kV, "
        f"{instrument.tube_ma or 0.5:g} mA",
        "counts_per_second": round(rate, 1),
        "assumed": "solid angles of a usual scanning head; scale the times by the count rate "
        "that your instrument reaches on such paint",
    }


def _instrument(study: Study, where: str) -> Instrument:
    if study.instrument.anode is None:
        raise InputError(
            where, "instrument.anode", found="nothing", expected="the anode of the tube",
            remedy='add anode = "Rh" or what it is, and tube_kv',
        )  # fmt: skip
    return study.instrument


def _scale(instrument: Instrument) -> EnergyScale:
    given = instrument.energy_scale
    if given is None:
        return USUAL_SCALE
    return EnergyScale(given.zero_kev, given.kev_per_channel, given.noise_kev, given.fano)


def _rate(stack: Stack, instrument: Instrument, scale: EnergyScale) -> float:
    from xrfmap.simulation.expectation import expected

    return float(expected(stack, instrument, scale, live_time_s=1.0).counts.sum())


def _stack_layers(study: Study, name: str, where: str) -> list[Layer]:
    from xrfmap.depth.layer_questions import proposal_of

    named = {proposal_of(s, where).name: s for s in study.stack}
    if name not in named:
        raise InputError(
            where, "stack", found=f"no [[stack]] called {name!r}",
            expected=", ".join(named) or "a [[stack]]", remedy="name one of them with --stack",
        )  # fmt: skip
    return [
        Layer.from_thickness(paint_of(layer.material, where), layer.thickness_um or USUAL_UM)
        for layer in named[name].layers
    ]


def _layers(study: Study, where: str) -> list[Layer]:
    """Layers of the study whose material is known, from top to bottom."""
    found = []
    for entry in study.layer:
        material = _paint(entry, where)
        if material is not None:
            usual = USUAL_GROUND_UM if entry.role == "ground" else USUAL_UM
            found.append(Layer.from_thickness(material, entry.thickness_um or usual))
    return found


def _paint(entry: LayerEntry, where: str) -> Material | None:
    """Paint of a layer: its materials in equal parts; None where one has no name or is no paint."""
    if entry.material is None:
        return None
    named = [entry.material] if isinstance(entry.material, str) else entry.material
    try:
        return paint_of(" + ".join(named), where)
    except InputError:
        return None  # a support of wood, a material without a formula


def _cut(layers: list[Layer], element: str, where: str) -> tuple[list[Layer], list[Layer]]:
    """Layers above the first that holds the element, and those from it downwards."""
    for place, layer in enumerate(layers):
        if element in layer.material.mass_fractions:
            return layers[:place], layers[place:]
    known = ", ".join(layer.material.name for layer in layers) or "none with a known material"
    raise InputError(
        where, "layer", found=f"no layer that holds {element} ({known})",
        expected="a [[layer]] with a material, or a [[stack]], that holds it",
        remedy="add the layer with its material, or name a stack with --stack",
    )  # fmt: skip


def _cover(
    study: Study, asked: str | None, above: list[Layer], element: str, where: str
) -> Material:
    if asked is not None:
        return paint_of(asked, where, "--cover")
    if study.depth.cover is not None:
        return paint_of(study.depth.cover, where, "depth.cover")
    if above and element not in above[-1].material.mass_fractions:
        return above[-1].material
    return paint_of(DEFAULT_COVER)
