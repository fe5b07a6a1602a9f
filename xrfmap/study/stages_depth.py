"""Stage of a study that says what lies above what: maps of cover, depth by area, stacks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from xrfmap.depth.layer_questions import depth_from, depth_settings, stacks_from
from xrfmap.findings import DepthFinding, LayerFinding, StackFinding
from xrfmap.io.cover_file import read_cover, write_cover
from xrfmap.study.stages import PointSpectrum, Run, Scanned, staged
from xrfmap.study.stages_fit import found_on

if TYPE_CHECKING:
    from xrfmap.settings import LayerEntry, Study

__all__ = ["covered_layers", "depth_of_study", "map_cover", "stacks_of_study"]


def map_cover(run: Run, scans: Sequence[Scanned]) -> None:
    """Map the cover over the elements of each scan.

    Parameters
    ----------
    run : Run
        The run.
    scans : sequence of Scanned
        With maps; get `cover` and `cover_file` where an element has two lines to compare.
    """
    entry = run.study.depth
    if not entry.maps:
        return
    for number, scan in enumerate(scans, 1):
        path = run.store.work / f"cover-{number}.nc"
        kept = staged(
            run,
            f"cover-{number}",
            {"maps": scan.key, "depth": entry.model_dump(mode="json")},
            lambda scan=scan, path=path: _mapped(run, scan, path),  # type: ignore[misc]
            f"layer order on {scan.name}",
        )
        if kept.value["elements"]:
            scan.cover, scan.cover_file = read_cover(path), path
            for element in kept.value["elements"]:
                full = str(scan.cover["full"].sel(element=element).values)
                if full:
                    run.told.gather(_full_lines, scan.name, (element, full))


def _full_lines(told: Sequence[tuple[str, tuple[str, str]]]) -> str:
    """One caution on all lines that ran full below what a scan says of layers."""
    if len(told) == 1:
        name, (element, lines) = told[0]
        return f"{name}: lines that ran full say nothing on what lies above {element}: {lines}"
    of: dict[str, list[str]] = {}
    for name, (element, lines) in told:
        of.setdefault(name, []).append(f"{element} ({lines})")
    parts = [f"{name}, {', '.join(elements)}" for name, elements in of.items()]
    return f"lines that ran full say nothing on what lies above elements: {'; '.join(parts)}"


def _mapped(run: Run, scan: Scanned, path: Path) -> tuple[dict[str, Any], list[Path]]:
    from xrfmap.depth.cover_maps import cover_maps, mapped_elements

    entry = run.study.depth
    found, settings = found_on(run, scan), depth_settings(entry)
    elements = mapped_elements(found, entry.elements, settings)
    if not elements:
        return {"elements": []}, []
    maps = cover_maps(scan.data, found, elements=elements, block=entry.block, settings=settings)
    write_cover(path, maps)
    return {"elements": list(elements)}, [path]


def depth_of_study(
    study: Study, scans: Sequence[Scanned], points: Sequence[PointSpectrum]
) -> list[DepthFinding]:
    """Depth of the elements of each area, and of each point that lies in none.

    An area that is drawn on a scan is judged by its sum spectrum; points decide only
    where there is none.
    """
    found: list[DepthFinding] = []
    for area in study.area:
        answers = [s.layer_answers[area.name] for s in scans if area.name in s.layer_answers]
        answers = answers or [p.layer_answers for p in points if p.entry.area == area.name]
        found += _telling(f for value in answers for f in depth_from(value, area.name))
    for point in points:
        if point.entry.area is None:
            found += depth_from(point.layer_answers, f"point {point.name}")
    return found


def _telling(findings: Iterable[DepthFinding]) -> list[DepthFinding]:
    """One finding per element: of several measurements the one that says most."""
    best: dict[str, DepthFinding] = {}
    for finding in findings:
        old = best.get(finding.element)
        if old is None or _vagueness(finding) < _vagueness(old):
            best[finding.element] = finding
    return list(best.values())


def _vagueness(finding: DepthFinding) -> tuple[bool, float]:
    cover = finding.cover_mg_cm2
    width = float("inf") if cover is None else cover.high - cover.low
    return finding.state == "cannot_tell", width


def stacks_of_study(
    study: Study, scans: Sequence[Scanned], points: Sequence[PointSpectrum]
) -> list[StackFinding]:
    """Stacks that the study proposes, with what their areas and points say of them."""
    found: list[StackFinding] = []
    for area in study.area:
        if not any(entry.area == area.name for entry in study.stack):
            continue
        answers = [s.layer_answers[area.name] for s in scans if area.name in s.layer_answers]
        answers = answers or [p.layer_answers for p in points if p.entry.area == area.name]
        # several points of one area: the first; the others can be named in a stack of their own
        found += stacks_from(answers[0], area.name) if answers else []
    for point in points:
        if any(entry.point == point.name for entry in study.stack):
            found += stacks_from(point.layer_answers, f"point {point.name}")
    return found


def covered_layers(
    study: Study, layers: Sequence[LayerFinding], depth: Sequence[DepthFinding]
) -> tuple[list[LayerFinding], list[str]]:
    """Note which layers are covered by which, where the depth of an element says so.

    Parameters
    ----------
    study : Study
        Layers from top to bottom with their materials, and the layer of each area.
    layers : sequence of LayerFinding
        Dated layers.
    depth : sequence of DepthFinding
        Depth by area and element.

    Returns
    -------
    layers : list of LayerFinding
        With `covered_by`: a covered element that the layer of its area does not hold, and
        that one layer below holds by the study, lies in that layer.
    remarks : list of str
        Covered elements of areas for which no layer is at hand.
    """
    above: dict[str, list[str]] = {}
    remarks = []
    layer_of = {area.name: area.layer for area in study.area}
    for finding in depth:
        if finding.state != "covered":
            continue
        top = layer_of.get(finding.area)
        holder = _holder(study.layer, top, finding.element)
        if holder is not None and top is not None:
            above.setdefault(holder, []).append(
                f"{top}: {finding.element} in {finding.area} lies under {_amount(finding)}"
            )
        else:
            remarks.append(
                f"{finding.element} in {finding.area} does not lie at the surface but under "
                f"{_amount(finding)}: it may belong to a layer below"
                + (f" {top}" if top is not None else " what is seen")
            )
    told = [
        layer.model_copy(update={"covered_by": above[layer.name]}) if layer.name in above else layer
        for layer in layers
    ]
    return told, remarks


def _amount(finding: DepthFinding) -> str:
    um = finding.cover_um
    if um is None:
        return "a cover"
    if finding.bound == "both":
        return f"{um.low:.2g} to {um.high:.2g} µm, if that is {um.material}"
    return f"{um.low:.2g} µm or more, if that is {um.material}"


def _holder(layers: Sequence[LayerEntry], top: str | None, element: str) -> str | None:
    """Return the one layer below `top` that holds an element, if `top` does not."""
    names = [layer.name for layer in layers]
    if top not in names:
        return None
    place = names.index(top)
    if element in _elements(layers[place]):
        return None
    holders = [layer.name for layer in layers[place + 1 :] if element in _elements(layer)]
    return holders[0] if len(holders) == 1 else None


def _elements(layer: LayerEntry) -> set[str]:
    """Elements of the materials of a layer that are known; empty where none is named."""
    from xrfmap.errors import InputError
    from xrfmap.physics.material_names import paint_of

    named = [layer.material] if isinstance(layer.material, str) else layer.material or []
    held: set[str] = set()
    for text in named:
        try:
            held |= set(paint_of(text).mass_fractions)
        except InputError:  # oak and the like: no paint, and no element that is mapped
            continue
    return held
