"""Fits of single spectra, several at a time where a crew of processes is there."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from xrfmap.findings import ElementFinding
from xrfmap.running.crew import Crew
from xrfmap.study.plain_dataset import dataset_to_json

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = ["findings_from", "findings_to", "fit_many"]


def findings_to(elements: Sequence[ElementFinding]) -> dict[str, Any]:
    """Turn findings into what JSON can hold."""
    return {"elements": [finding.model_dump(mode="json") for finding in elements]}


def findings_from(value: Mapping[str, Any]) -> list[ElementFinding]:
    """Return what :func:`findings_to` was given."""
    return [ElementFinding.model_validate(entry) for entry in value["elements"]]


def fit_many(
    spectra: Mapping[str, xr.Dataset],
    elements: Sequence[str] | None = None,
    like: Found | None = None,
    *,
    energy_range: tuple[float, float] | None = None,
    keep_spectra: bool = False,
    questions: Mapping[str, Mapping[str, Any]] | None = None,
    crew: Crew | None = None,
    step: Callable[[int, int], None] = lambda done, total: None,
) -> dict[str, dict[str, Any]]:
    """Fit spectra that do not depend on each other.

    Parameters
    ----------
    spectra : mapping of str to Dataset
        ``counts(channel)`` [counts], calibrated.
    elements : sequence of str, optional
        Elements to take as given.
    like : Found, optional
        Result on the scan that all spectra were cut from.
    energy_range : tuple of float, optional
        Fitted range where `like` is not given. [keV]
    keep_spectra : bool
        Whether the fitted spectra are kept beside the table.
    questions : mapping, optional
        Per name what is asked about layers, see :func:`xrfmap.depth.layer_questions.asked`.
    crew : Crew, optional
        Who fits; this process by default.
    step : callable
        Told how many are done, and of how many.

    Returns
    -------
    dict
        Per name `elements` and `table`, and `depth` and `stacks` where asked for, as JSON
        can hold them, in the order given.
    """
    items = {name: spectrum.compute() for name, spectrum in spectra.items()}
    if like is not None:
        like = replace(like, summary=None)  # large, and no fit of a single spectrum needs it
    asked = questions or {}
    tasks = {
        name: (spectrum, elements, like, energy_range, keep_spectra, asked.get(name))
        for name, spectrum in items.items()
    }
    done: dict[str, dict[str, Any]] = {}
    for name, value in (crew or Crew()).each(_fit, tasks):
        done[name] = value
        step(len(done), len(items))
    return {name: done[name] for name in items}


def _fit(
    spectrum: xr.Dataset,
    elements: Sequence[str] | None,
    like: Found | None,
    energy_range: tuple[float, float] | None,
    keep_spectra: bool,
    questions: Mapping[str, Any] | None,
) -> dict[str, Any]:
    from xrfmap.maps.element_maps import fit_spectrum

    fit = fit_spectrum(spectrum, elements=elements, like=like, energy_range=energy_range)
    table = fit.table
    if keep_spectra:
        table = table.merge(fit.spectra)
        table["counts"] = ("channel", np.asarray(spectrum["counts"].values), {"units": "counts"})
    value = {**findings_to(fit.elements), "table": dataset_to_json(table)}
    if questions is not None:
        from xrfmap.depth.layer_questions import answers

        value |= answers(fit.found, questions)
    return value
