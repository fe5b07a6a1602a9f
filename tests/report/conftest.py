"""A small invented study for the tests of figures and pages; see ``invented_study``."""

from __future__ import annotations

from typing import Any

import pytest
import xarray as xr
from invented_study import FINDINGS, RUN, STUDY, make_maps, make_spectra

from xrfmap.findings import Findings
from xrfmap.settings import Study


@pytest.fixture(scope="session")
def maps() -> xr.Dataset:
    return make_maps()


@pytest.fixture(scope="session")
def spectra() -> xr.Dataset:
    return make_spectra()


@pytest.fixture(scope="session")
def study() -> Study:
    return Study.model_validate(STUDY)


@pytest.fixture(scope="session")
def findings() -> Findings:
    return Findings.model_validate(FINDINGS)


@pytest.fixture(scope="session")
def run() -> dict[str, Any]:
    return RUN


@pytest.fixture
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures on disk at a fifth of their resolution, for tests that do not look at them."""
    monkeypatch.setattr("xrfmap.report.folder.DPI", 60)
