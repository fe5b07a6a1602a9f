"""Stage of a study that gives amounts: mass per area of thin layers, fractions of thick ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import xarray as xr

from xrfmap.errors import InputError
from xrfmap.findings import AmountFinding
from xrfmap.io.workfolder import make_key
from xrfmap.physics.material_names import paint_of
from xrfmap.study.stages import PointSpectrum, Run, Scanned, staged

if TYPE_CHECKING:
    from xrfmap.amounts.reference import AmountQuestion
    from xrfmap.amounts.strength import Strength
    from xrfmap.fit.full_channels import FullFacts
    from xrfmap.identification.identify import Found
    from xrfmap.settings import AmountEntry, Instrument, ReferenceEntry

__all__ = ["amounts_of_study", "question_of", "strength_of"]

STUDY = "study"


def amounts_of_study(
    run: Run, scans: Sequence[Scanned], points: Sequence[PointSpectrum]
) -> list[AmountFinding]:
    """Amounts that the study asks for.

    Parameters
    ----------
    run : Run
        The run; its study has ``[[amount]]`` entries and, where needed, a ``[reference]``.
        Told where channels of what the amounts rest on ran full.
    scans, points : sequence
        Calibrated; scans with the elements found on them.

    Returns
    -------
    list of AmountFinding
        In the order of the study; refused amounts with their reason are among them.

    Raises
    ------
    InputError
        If an entry names no area or point with a spectrum, or the reference cannot be used.
    """
    study = run.study
    if not study.amount:
        return []
    for number, entry in enumerate(study.amount, 1):
        question_of(entry, f"amount[{number}]")  # slips are told before the fits
    reference = study.reference
    digest = ""
    if reference is not None and reference.file is not None:
        run.input_file(reference.file, "reference.file")
        digest = run.digest(reference.file)
    parts = {
        "amount": [e.model_dump(mode="json") for e in study.amount],
        "reference": reference.model_dump(mode="json") if reference else None,
        "file": digest,
        "data": [item.key for item in (*scans, *points)],
        "areas": [a.model_dump(mode="json") for a in study.area],
    }
    kept = staged(
        run, "amounts", {"amounts": make_key("amounts", parts)},
        lambda: _answers(run, scans, points), "amounts",
    )  # fmt: skip
    from xrfmap.amounts.reference import CAUTION
    from xrfmap.fit.full_channels import FullFacts, amounts_together, full_together

    run.caution(CAUTION)
    for name, facts in kept.value["full_channels"]:
        full = FullFacts(**facts)
        # a fit for the amounts of its own may read otherwise than that of the place
        if full.words() not in [one.words() for one in run.told.told(full_together, name)]:
            run.told.gather(amounts_together, name, full)
    if facts := kept.value["reference_full"]:
        run.told.about("reference", FullFacts(**facts).words())
    return [AmountFinding.model_validate(one) for one in kept.value["amounts"]]


def question_of(entry: AmountEntry, where: str) -> AmountQuestion:
    """Materials that an entry names, looked up.

    Raises
    ------
    InputError
        If a material is not known or does not hold the element it is to bring.
    """
    from xrfmap.amounts.reference import AmountQuestion

    compounds = {}
    for element, name in entry.compounds.items():
        material = _pigment(name, f"{where}.compounds.{element}")
        if element not in material.mass_fractions:
            raise InputError(
                STUDY, f"{where}.compounds.{element}", found=name,
                expected=f"a material that holds {element}", remedy="name another one",
            )  # fmt: skip
        compounds[element] = material
    medium = None
    if entry.binder is not None and entry.binder_share > 0:
        share = entry.binder_share
        # a thin layer wants the binder's mass per mass of the rest
        ratio = share if entry.body == "thick" else share / (1 - share)
        medium = (_pigment(entry.binder, f"{where}.binder"), ratio)
    return AmountQuestion(entry.body, compounds, medium)


def _pigment(name: str, field: str) -> Any:
    from xrfmap.physics.paints import pigment

    try:
        return pigment(name)
    except ValueError:
        return paint_of(name, STUDY, field)  # its message names the nearest known one


def strength_of(
    entry: ReferenceEntry, spectrum: xr.Dataset | None, found: Found | None, instrument: Instrument
) -> Strength:
    """Strength from a reference that was fitted, or from the flux.

    Parameters
    ----------
    entry : ReferenceEntry
        What the user says.
    spectrum, found : Dataset, Found or None
        Spectrum of the reference and its fit, where there is a file.
    instrument : Instrument
        For the tube current, where the flux is said.

    Raises
    ------
    InputError
        If a fact is missing.
    """
    from xrfmap.amounts.reference import ReferenceBody, checked_composition, measure_strength
    from xrfmap.amounts.strength import strength_from_flux

    if entry.geometry_sr2 is not None:
        if instrument.tube_ma is None:
            raise InputError(
                STUDY, "instrument.tube_ma", found="nothing", expected="the tube current",
                remedy="add tube_ma to [instrument], or give a reference spectrum",
            )  # fmt: skip
        return strength_from_flux(instrument.tube_ma, entry.geometry_sr2, entry.error)
    if spectrum is None or found is None or entry.composition is None or entry.file is None:
        raise RuntimeError("a reference is fitted before its strength is asked for")
    body = ReferenceBody(
        checked_composition(entry.composition, STUDY),
        float("inf") if entry.thickness_um is None else entry.thickness_um,
        entry.density_g_cm3,
    )
    return measure_strength(found, spectrum, body, entry.file)


def _answers(
    run: Run, scans: Sequence[Scanned], points: Sequence[PointSpectrum]
) -> tuple[dict[str, Any], list[Path]]:
    from xrfmap.amounts.reference import measure_amounts, same_instrument
    from xrfmap.fit.full_channels import FullFacts
    from xrfmap.maps.element_maps import fit_spectrum
    from xrfmap.scan import instrument_of

    reference = _reference(run)
    spectra = _spectra(run, scans, points)
    full: dict[str, FullFacts | None] = {}
    told: list[dict[str, Any]] = []
    for number, entry in enumerate(run.study.amount, 1):
        question = question_of(entry, f"amount[{number}]")
        for name in entry.of:
            spectrum, like = spectra[name]
            instrument = instrument_of(spectrum)
            strength = None
            if run.study.reference is not None:
                if reference is not None:
                    same_instrument(instrument, instrument_of(reference[0]), "reference")
                data, fit = reference or (None, None)
                strength = strength_of(run.study.reference, data, fit, instrument)
            found = fit_spectrum(spectrum, like=like).found
            full[name] = FullFacts.of(spectrum, found)
            told += [
                {"place": name, **asdict(one)}
                for one in measure_amounts(found, spectrum, strength, question, name)
            ]
    clipped = FullFacts.of(*reference) if reference is not None else None
    return {
        "amounts": told,
        "full_channels": [[name, asdict(facts)] for name, facts in full.items() if facts],
        "reference_full": asdict(clipped) if clipped is not None else None,
    }, []


def _reference(run: Run) -> tuple[xr.Dataset, Found] | None:
    from xrfmap.calibration.scale_choice import scale_or_stated
    from xrfmap.io import open_point
    from xrfmap.maps.element_maps import fit_spectrum
    from xrfmap.settings import Point

    entry = run.study.reference
    if entry is None or entry.file is None:
        return None
    path = run.input_file(entry.file, "reference.file")
    spot = Point(file=entry.file, live_time_s=entry.live_time_s)
    data = scale_or_stated(open_point(path, spot, run.study.instrument))
    return data, fit_spectrum(data).found


def _spectra(
    run: Run, scans: Sequence[Scanned], points: Sequence[PointSpectrum]
) -> Mapping[str, tuple[xr.Dataset, Found | None]]:
    """Spectrum of each place that is asked for, and the fit of the scan it was cut from."""
    from xrfmap.areas.members import sum_areas
    from xrfmap.study.stages_fit import found_on

    wanted = {name for entry in run.study.amount for name in entry.of}
    result: dict[str, tuple[xr.Dataset, Found | None]] = {
        point.name: (point.data, None) for point in points if point.name in wanted
    }
    for scan in scans:
        masks = {name: mask for name, mask in scan.masks.items() if name in wanted}
        if masks:
            sums = sum_areas(scan.data, masks)
            for index, name in enumerate(masks):
                result[name] = (sums.isel(area=index).drop_vars("area"), found_on(run, scan))
    missing = sorted(wanted - result.keys())
    if missing:
        raise InputError(
            STUDY, "amount.of", found=", ".join(missing),
            expected=f"areas drawn on a scan, or points: {', '.join(sorted(result)) or 'none'}",
            remedy="name areas with a polygon or mask, or points",
        )  # fmt: skip
    return result
