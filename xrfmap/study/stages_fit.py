"""Stages that fit spectra: maps of scans, point spectra, sums over areas."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.areas.measured import Measured, area_evidence
from xrfmap.areas.members import area_mask, line_shares, outside_share, sum_areas
from xrfmap.areas.outside import groups_outside
from xrfmap.depth.layer_questions import asked
from xrfmap.fit.full_channels import FullFacts, full_together
from xrfmap.io.images import read_mask
from xrfmap.io.results import read_maps
from xrfmap.io.workfolder import make_key
from xrfmap.pigments import AreaEvidence
from xrfmap.settings import Area
from xrfmap.spectra.faults import fault_words
from xrfmap.spectra.residuals import residual_caution, residuals_together
from xrfmap.study.fit_many import findings_from, findings_to, fit_many
from xrfmap.study.plain_dataset import dataset_from_json
from xrfmap.study.stages import PointSpectrum, Run, Scanned, staged

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = [
    "REST",
    "draw_areas",
    "fit_masks",
    "fit_points",
    "found_on",
    "map_scans",
    "measure_areas",
    "strong_outside",
]

REST = "rest of the scan"
"""What lies outside every drawn area: nothing on a scan goes unread."""

Mask = npt.NDArray[np.bool_]


def draw_areas(run: Run, scans: Sequence[Scanned]) -> None:
    """Lay the areas of the study on their scans: early, since a slip here is quick to find.

    Parameters
    ----------
    run : Run
        The run; told where a polygon leaves the scan.
    scans : sequence of Scanned
        Get `masks`.

    Raises
    ------
    InputError
        If a polygon misses its scan or a mask picture does not fit it.
    """
    for number, area in enumerate(run.study.area, 1):
        drawn = area.polygon_mm is not None or area.mask is not None
        for scan in scans if drawn else ():
            if len(scans) > 1 and area.scan != scan.name:
                continue
            image = None
            if area.mask is not None:
                image = read_mask(run.input_file(area.mask, f"area[{number}] ({area.name}).mask"))
            scan.masks[area.name] = area_mask(scan.data, area, image, run.study.areas)
            off = 0.0 if area.polygon_mm is None else outside_share(scan.data, area.polygon_mm)
            if off > run.study.areas.outside_share:
                run.told.gather(_outside_words, area.name, (round(100 * off), scan.name))


def _outside_words(areas: Sequence[tuple[str, tuple[int, str]]]) -> str:
    """One caution on all areas that leave their scan."""
    if len(areas) == 1:
        name, (percent, scan) = areas[0]
        return f"{percent} % of the area {name} lies outside the scan {scan} and was not measured"
    lost: dict[str, list[str]] = {}
    for name, (percent, scan) in areas:
        lost.setdefault(scan, []).append(f"{percent} % of {name}")
    parts = [f"outside the scan {scan} {', '.join(names)}" for scan, names in lost.items()]
    return f"parts of areas lie outside their scan and were not measured: {'; '.join(parts)}"


def map_scans(run: Run, scans: Sequence[Scanned]) -> None:
    """Find the elements of each scan and map them.

    Parameters
    ----------
    run : Run
        The run.
    scans : sequence of Scanned
        Calibrated; get `elements`, `maps`, `spectra` and `maps_file`, and the key of
        the maps.
    """
    settings = run.study.maps.model_dump(mode="json")
    for number, scan in enumerate(scans, 1):
        path = run.store.work / f"maps-{number}.nc"
        kept = staged(
            run,
            f"maps-{number}",
            {"data": scan.key, "maps": settings},
            lambda scan=scan, path=path: _map(run, scan, path),  # type: ignore[misc]
            f"elements and maps of {scan.name}",
        )
        scan.key = kept.key
        scan.elements = findings_from(kept.value)
        scan.maps, scan.spectra = read_maps(path)
        if "beam" in scan.maps:  # for what is summed from the scan itself
            scan.data = scan.data.assign(beam=scan.maps["beam"].variable.load())
        scan.maps_file = path
        fit = {} if scan.spectra is None else scan.spectra.attrs
        for words in fault_words(scan.maps, scan.data):
            run.told.about(scan.name, words)
        _tell_missed(run, scan.name, fit)


def _map(run: Run, scan: Scanned, path: Path) -> tuple[dict[str, Any], list[Path]]:
    from xrfmap.maps.map_file import find_and_map

    how = run.study.maps
    scan.found = find_and_map(
        scan.data, path, path.with_suffix(".blocks"), how.elements,
        energy_range=how.energy_range, progress=run.progress.step, runner=run.runner,
    )  # fmt: skip
    return findings_to(scan.found.elements), [path]


def found_on(run: Run, scan: Scanned) -> Found:
    """Elements of a scan with the model that describes it; found once in a run.

    Where the maps are of an earlier run, what it found in a few pixels is taken from there.
    """
    from xrfmap.identification.identify import elements_of_sum
    from xrfmap.maps.local_elements import with_traces

    if scan.found is None:
        how = run.study.maps
        found = elements_of_sum(scan.data, how.elements, energy_range=how.energy_range)
        scan.found = with_traces(found, scan.elements)
    return scan.found


def fit_points(run: Run, points: Sequence[PointSpectrum]) -> None:
    """Fit each point spectrum.

    Parameters
    ----------
    run : Run
        The run.
    points : sequence of PointSpectrum
        Calibrated; get `table` and `elements`.
    """
    named = {f"point-{number}": point for number, point in enumerate(points, 1)}
    fits = _kept_fits(
        run,
        {name: (make_key("point", {"data": p.key}), p.data) for name, p in named.items()},
        "fits of point spectra",
        keep_spectra=True,
        questions={
            name: asked(run.study, area=p.entry.area, point=p.name) for name, p in named.items()
        },
    )
    for name, point in named.items():
        point.layer_answers = fits[name]
        point.elements = findings_from(fits[name])
        point.table = dataset_from_json(fits[name]["table"])
        _tell_full(run, point.name, point.table)
        _tell_missed(run, point.name, point.table.attrs)


def _kept_fits(
    run: Run,
    wanted: Mapping[str, tuple[str, xr.Dataset]],
    label: str,
    *,
    like: Callable[[], Found] | None = None,
    keep_spectra: bool = False,
    questions: Mapping[str, Mapping[str, Any]] | None = None,
) -> dict[str, dict[str, Any]]:
    """Fits of spectra by name, each with its key; those kept are not repeated."""
    if not wanted:
        return {}
    start = time.perf_counter()
    run.progress.begin(label)
    settings = run.study.maps
    how = settings.model_dump(mode="json")
    asks = questions or {}
    keys = {
        n: make_key("fit", {"of": k, "maps": how, "layers": asks.get(n)})
        for n, (k, _) in wanted.items()
    }
    fits = {} if run.fresh else {n: v for n, k in keys.items() if (v := run.store.kept(n, k))}
    missing = {name: data for name, (_, data) in wanted.items() if name not in fits}
    if missing:
        fits |= fit_many(
            missing,
            settings.elements,
            like() if like is not None else None,
            energy_range=settings.energy_range,
            keep_spectra=keep_spectra,
            questions=asks,
            crew=run.crew,
            step=run.progress.step,
        )
        for name in missing:
            run.store.keep(name, keys[name], fits[name])
    kept = len(wanted) - len(missing)
    run.progress.end(f"{len(missing)} done" + (f", {kept} kept from an earlier run" * bool(kept)))
    run.timed(label, start, bool(missing))
    return fits


def measure_areas(
    run: Run, scans: Sequence[Scanned], points: Sequence[PointSpectrum]
) -> list[AreaEvidence]:
    """Sum and fit the spectrum of each area, and join the points taken in it.

    Parameters
    ----------
    run : Run
        The run; told where channels of an area ran full.
    scans, points : sequence
        With maps and fits.

    Returns
    -------
    list of AreaEvidence
        The areas of the study in their order, then what each scan holds outside
        them, then each point that belongs to no area.
    """
    measured: dict[str, list[Measured]] = {area.name: [] for area in run.study.area}
    rests: list[AreaEvidence] = []
    for number, scan in enumerate(scans, 1):
        masks, left = dict(scan.masks), _outside(scan)
        rest = REST if len(scans) == 1 else f"{REST} {scan.name}"
        if left.any():
            masks[rest] = left
        for name, found in _fit_areas(run, scan, number, masks).items():
            if name == rest:
                rests.append(area_evidence(Area(name=rest), [found]))
            else:
                measured[name].append(found)
    for point in points:
        if point.table is None:
            continue
        found = Measured(point.name, point.table, tuple(point.elements))
        if point.entry.area is not None:
            measured[point.entry.area].append(found)
        else:
            rests.append(area_evidence(Area(name=f"point {point.name}"), [found]))
    layers = run.study.layer
    return [area_evidence(a, measured[a.name], layers) for a in run.study.area] + rests


def strong_outside(run: Run, scans: Sequence[Scanned]) -> list[AreaEvidence]:
    """Find groups of pixels outside every drawn area where an element is strong.

    Parameters
    ----------
    run : Run
        The run.
    scans : sequence of Scanned
        With maps.

    Returns
    -------
    list of AreaEvidence
        See :func:`xrfmap.areas.outside.groups_outside`.
    """
    groups = []
    for scan in scans:
        if scan.maps is not None:
            groups += list(groups_outside(scan.maps, _outside(scan), scan.elements))
    return groups


def _outside(scan: Scanned) -> Mask:
    """Pixels that no area holds."""
    nothing = np.zeros((scan.data.sizes["y"], scan.data.sizes["x"]), dtype=bool)
    return np.asarray(~np.any([*scan.masks.values(), nothing], axis=0))


def _fit_areas(
    run: Run, scan: Scanned, number: int, masks: Mapping[str, Mask]
) -> dict[str, Measured]:
    drawn = [name for name in masks if name in scan.masks]  # the rest is many paints in one
    questions = {name: asked(run.study, area=name) for name in drawn}
    answers: dict[str, dict[str, Any]] = {}
    found = fit_masks(
        run, scan, f"area-{number}", masks, f"areas of {scan.name}", questions, answers
    )
    scan.layer_answers = {name: answers[name] for name in drawn}
    return found


def fit_masks(
    run: Run,
    scan: Scanned,
    kind: str,
    masks: Mapping[str, Mask],
    label: str,
    questions: Mapping[str, Mapping[str, Any]] | None = None,
    answers: dict[str, dict[str, Any]] | None = None,
) -> dict[str, Measured]:
    """Sum and fit the spectra of some pixels of a scan, each fit kept.

    Parameters
    ----------
    run : Run
        The run; told where channels ran full.
    scan : Scanned
        With maps.
    kind : str
        Beginning of the names of the kept fits; older ones of the kind are forgotten.
    masks : mapping of str to ndarray of bool, shape (y, x)
        Pixels by name.
    label : str
        For the person who waits.
    questions : mapping, optional
        What is asked about layers, by name.
    answers : dict, optional
        Gets everything that each fit says, by name.

    Returns
    -------
    dict
        Measurements in the order of `masks`.
    """
    if scan.maps is None:
        raise RuntimeError("areas are measured after the maps are made")
    # named by their pixels, so that one more area leaves the fits of the others alone
    names = _fit_names(kind, masks, questions or {})
    sums = sum_areas(scan.data, masks)
    wanted = {
        names[name]: (
            make_key("area", {"maps": scan.key, "pixels": names[name]}),
            sums.isel(area=index).drop_vars("area"),
        )
        for index, name in enumerate(masks)
    }
    fits = _kept_fits(
        run,
        wanted,
        label,
        like=lambda: found_on(run, scan),
        questions={names[name]: asks for name, asks in (questions or {}).items()},
    )
    if answers is not None:
        answers |= {name: fits[names[name]] for name in masks}
    run.store.forget(f"{kind}-", except_for=wanted)
    found = {
        name: Measured(
            scan.name,
            dataset_from_json(fits[names[name]]["table"]),
            tuple(findings_from(fits[names[name]])),
            line_shares(scan.maps, mask),
        )
        for name, mask in masks.items()
    }
    for name, measured in found.items():
        _tell_full(run, name, measured.table)
    return found


def _tell_full(run: Run, name: str, table: xr.Dataset) -> None:
    """Caution where the fit of a spectrum left out channels that ran full."""
    if facts := str(table.attrs.get("full_facts", "")):
        run.told.gather(full_together, name, FullFacts(**json.loads(facts)))


def _tell_missed(run: Run, name: str, attrs: Mapping[Any, Any]) -> None:
    """Caution where the fit of a spectrum misses its strong lines."""
    if residual_caution(attrs):
        run.told.gather(residuals_together, name, str(attrs["residuals_missed"]))


def _fit_names(
    kind: str, masks: Mapping[str, Mask], questions: Mapping[str, Mapping[str, Any]]
) -> dict[str, str]:
    """Name the fit of each area; areas of the same pixels share one if they ask the same."""
    taken: dict[str, Any] = {}
    names = {}
    for name, mask in masks.items():
        wish = plain = f"{kind}-{_digest(mask)}"
        count = 1
        while wish in taken and taken[wish] != questions.get(name):
            count += 1
            wish = f"{plain}-{count}"
        taken[wish] = questions.get(name)
        names[name] = wish
    return names


def _digest(mask: Mask) -> str:
    return hashlib.sha256(np.packbits(mask).tobytes()).hexdigest()[:16]
