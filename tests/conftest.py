"""Shared by all tests: headless Chromium, found or told missing in one line."""

from __future__ import annotations

import os

if "PYTEST_XDIST_WORKER" in os.environ:
    # a process per core: further threads for linear algebra and OpenMP wait for each other by
    # turning round, and take the cores from the tests; before any library is loaded
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")

from collections.abc import Iterator
from importlib.util import find_spec
from typing import Any

import pytest
from hypothesis import settings

from xrfmap.report.printing import find_chromium

# a loaded machine is no failure: tests do not judge by the clock
settings.register_profile("xrfmap", deadline=None)
settings.load_profile("xrfmap")

REQUIRED = "XRFMAP_REQUIRE_BROWSER"
ARGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def _browser_missing() -> str | None:
    if find_spec("playwright") is None:
        return "the package playwright is not installed"
    return None if find_chromium() else "no Chromium was found (apt-get install chromium)"


def pytest_configure(config: pytest.Config) -> None:
    if os.environ.get(REQUIRED) and (reason := _browser_missing()):
        raise pytest.UsageError(f"{REQUIRED} is set, and the browser tests cannot run: {reason}")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if _browser_missing() is None:
        return
    browser = [item for item in items if item.get_closest_marker("browser")]
    items[:] = [item for item in items if item not in browser]
    config.hook.pytest_deselected(items=browser)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if reason := _browser_missing():
        terminalreporter.write_line(f"Browser tests were left out: {reason}", yellow=True)


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Path of Chromium, for tests marked ``browser``."""
    path = find_chromium()
    assert path is not None, "a test without the mark `browser` asks for Chromium"
    return str(path)


@pytest.fixture(scope="session")
def browser(chromium_path: str) -> Iterator[Any]:
    """Chromium for all tests: Playwright runs once in a process, not once in each module."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=chromium_path, args=ARGS)
        yield found
        found.close()
