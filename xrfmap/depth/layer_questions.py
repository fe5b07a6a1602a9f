"""What a study asks about the layers of one spectrum, and what its fit answers.

The questions and the answers are plain values, so that they go to another process and
into the work folder.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from xrfmap.depth.area_depth import area_depth
from xrfmap.depth.cover_choice import DepthSettings
from xrfmap.depth.stack_problem import FreeLayer, StackFit, StackProposal
from xrfmap.depth.stackfit import Deciding, compare_stacks, stack_counts, verdict_of
from xrfmap.findings import DecidingLine, DepthFinding, Interval, StackFinding, StackLayerFinding
from xrfmap.physics.material_names import paint_of
from xrfmap.settings import DepthEntry, StackEntry, Study

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = [
    "answers",
    "asked",
    "check_materials",
    "depth_from",
    "depth_settings",
    "proposal_of",
    "stacks_from",
]


def asked(study: Study, *, area: str | None = None, point: str | None = None) -> dict[str, Any]:
    """Collect what a study asks about the layers of an area or point.

    Parameters
    ----------
    study : Study
        The study.
    area, point : str, optional
        Name of the area, or of the point spectrum.

    Returns
    -------
    dict
        For :func:`answers`; what JSON can hold, so that it can be part of a key.
    """
    mine = [s for s in study.stack if point is not None and s.point == point]
    # those of the point itself come before those of the area it lies in
    stacks = mine or [s for s in study.stack if area is not None and s.area == area]
    return {
        "depth": study.depth.model_dump(mode="json"),
        "stacks": [s.model_dump(mode="json") for s in stacks],
    }


def answers(found: Found, questions: Mapping[str, Any]) -> dict[str, Any]:
    """Answer the questions about layers from the fit of one spectrum.

    Parameters
    ----------
    found : Found
        The fit.
    questions : mapping
        From :func:`asked`.

    Returns
    -------
    dict
        `depth` and `stacks`, as JSON can hold them; see :func:`depth_from` and
        :func:`stacks_from`.
    """
    entry = DepthEntry.model_validate_json(json.dumps(questions["depth"]))
    stacks = [StackEntry.model_validate_json(json.dumps(s)) for s in questions["stacks"]]
    depths = area_depth(found, "", elements=entry.elements, settings=depth_settings(entry))
    return {
        "depth": [d.finding.model_dump(mode="json") for d in depths],
        "stacks": [f.model_dump(mode="json") for f in _stack_findings(found, stacks)],
    }


def check_materials(study: Study, where: str) -> None:
    """Check the materials of the depth settings and of proposed stacks.

    Raises
    ------
    InputError
        For the first that is not known.
    """
    if study.depth.cover is not None:
        paint_of(study.depth.cover, where, "depth.cover")
    for entry in study.stack:
        proposal_of(entry, where)


def depth_settings(entry: DepthEntry) -> DepthSettings:
    """Choices of a study file as the depth stage takes them."""
    cover = paint_of(entry.cover, field="depth.cover") if entry.cover is not None else None
    return DepthSettings(cover=cover)


def depth_from(value: Mapping[str, Any], area: str) -> list[DepthFinding]:
    """Return the findings of depth that :func:`answers` kept, with the name of their area."""
    return [DepthFinding.model_validate({**d, "area": area}) for d in value.get("depth", ())]


def stacks_from(value: Mapping[str, Any], place: str) -> list[StackFinding]:
    """Return the findings of stacks that :func:`answers` kept, with their area or point."""
    return [StackFinding.model_validate({**s, "area": place}) for s in value.get("stacks", ())]


def proposal_of(entry: StackEntry, where: str = "study") -> StackProposal:
    """Proposed stack of a study file.

    Raises
    ------
    InputError
        If a material is not known.
    """
    name = entry.name or " / ".join(layer.material for layer in entry.layers)
    layers = []
    for number, layer in enumerate(entry.layers, 1):
        material = paint_of(layer.material, where, f"stack ({name}).layers[{number}].material")
        um = layer.thickness_um
        layers.append(FreeLayer(material) if um is None else FreeLayer(material, (um, um)))
    return StackProposal(name, tuple(layers))


def _stack_findings(found: Found, entries: Sequence[StackEntry]) -> list[StackFinding]:
    """Fit the stacks proposed for one place, compared with each other; the best first."""
    if not entries:
        return []
    proposals = [proposal_of(entry) for entry in entries]
    try:
        counts = stack_counts(found, proposals)
        instrument = found.model.instrument
        result = compare_stacks(counts, proposals, instrument, anode=found.anode)
    except ValueError as bad:  # fewer lines than layers: said, not dropped
        return [
            StackFinding(area="", name=p.name, verdict="cannot_tell", because=f"not fitted: {bad}")
            for p in proposals
        ]
    deciding = ((), *result.deciding)
    best = result.fits[0]
    return [
        _finding(fit, best, why, result.words)
        for fit, why in zip(result.fits, deciding, strict=True)
    ]


def _finding(
    fit: StackFit, best: StackFit, deciding: Sequence[Deciding], words: str
) -> StackFinding:
    verdict, why = verdict_of(fit, best)
    layers = [
        StackLayerFinding(
            material=layer.material.name,
            thickness_um=Interval(value=float(v), low=float(low), high=float(high)),
            given=not layer.free,
        )
        for layer, v, low, high in zip(
            fit.proposal.layers, fit.thickness_um, fit.low_um, fit.high_um, strict=True
        )
    ]
    finite = fit.aicc != float("inf")
    return StackFinding(
        area="",
        name=fit.proposal.name,
        layers=layers,
        verdict=verdict,
        chi2=fit.chi2,
        freedom=fit.freedom,
        aicc=fit.aicc if finite else None,
        bic=fit.bic,
        deciding=[
            DecidingLine(
                line=d.label, gain=d.gain, counts=d.counts, best=d.first, this=d.second
            )
            for d in deciding
        ],
        because=f"{why}; {words}" if fit is best and words else why,
    )  # fmt: skip
