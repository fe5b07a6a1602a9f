"""The page on paper: a PDF beside the report, printed by a Chromium that is installed."""

from __future__ import annotations

import os
import shutil
from importlib.util import find_spec
from pathlib import Path

from xrfmap.errors import InputError
from xrfmap.io.results import atomic_write

__all__ = ["CHROMIUM_NAMES", "find_chromium", "print_report", "printer"]

CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
DRAWN = """Promise.all([...document.images].map(picture => picture.decode().catch(() => null)))
.then(() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done))))"""
"""Settles when every picture of the page is drawn."""

WAIT_MS = 120_000
"""A page of 15 MB on a slow machine is drawn in less."""


def find_chromium() -> Path | None:
    """Path of a Chromium: the one that the variable CHROMIUM names, else one on the path."""
    if named := os.environ.get("CHROMIUM"):
        return Path(named) if Path(named).is_file() else None
    found = (shutil.which(name) for name in CHROMIUM_NAMES)
    return next((Path(path) for path in found if path), None)


def printer() -> Path:
    """Path of the Chromium that prints; asked before a long job, not after it.

    Raises
    ------
    InputError
        If the extra ``pdf`` or a Chromium is missing.
    """
    if find_spec("playwright") is None:
        raise InputError(
            "--pdf", found="no package playwright", expected="the extra pdf",
            remedy="python -m pip install 'xrfmap[pdf]', or print the page from a browser",
        )  # fmt: skip
    chromium = find_chromium()
    if chromium is None:
        raise InputError(
            "--pdf", found="no Chromium", expected=f"one of {', '.join(CHROMIUM_NAMES)}",
            remedy="install it (Debian: apt-get install chromium), name one by the variable "
            "CHROMIUM, or print the page from a browser",
        )  # fmt: skip
    return chromium


def print_report(page: Path) -> Path:
    """Print a report to a PDF of the same name, A4.

    Parameters
    ----------
    page : Path
        Report as HTML.

    Returns
    -------
    Path
        The PDF; one that was there is replaced only when the new one is complete.

    Raises
    ------
    InputError
        If the extra ``pdf`` or a Chromium is missing.

    Notes
    -----
    The browser gets this one file and no network.
    """
    chromium = printer()
    from playwright.sync_api import sync_playwright

    out = page.with_suffix(".pdf")
    address = page.resolve().as_uri()
    # Chromium refuses to sandbox for root; the page is our own and cannot reach the network
    rooted = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with atomic_write(out) as growing:
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=str(chromium), args=rooted)
            context = browser.new_context(offline=True)
            sheet = context.new_page()
            sheet.set_default_timeout(WAIT_MS)
            sheet.route(
                "**/*",
                lambda route: route.continue_() if route.request.url == address else route.abort(),
            )
            sheet.goto(address, wait_until="load")
            sheet.evaluate(DRAWN)
            sheet.pdf(path=growing, prefer_css_page_size=True, print_background=True)
            browser.close()
    return out
