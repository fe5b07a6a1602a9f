"""A local page on one scan: question, place, spectrum, finding.

The numbers come from plain functions, which know nothing of the page:
:mod:`~xrfmap.explore.reading` (parts of the scan, read only where they are shown),
:mod:`~xrfmap.explore.outline`, :mod:`~xrfmap.explore.fits`,
:mod:`~xrfmap.areas.two_sums`, :mod:`~xrfmap.explore.readout`,
:mod:`~xrfmap.explore.studyfile`. Needs the extra ``explore`` (Bokeh).
"""

from __future__ import annotations

from pathlib import Path
from typing import TextIO

from xrfmap.errors import XrfmapError

__all__ = ["explore"]


def explore(
    path: Path,
    *,
    results: Path | None = None,
    port: int = 0,
    open_browser: bool = False,
    news: TextIO | None = None,
) -> None:
    """Serve the page on this machine alone until interrupted.

    Parameters
    ----------
    path : Path
        Study file (TOML), or a scan.
    results : Path, optional
        Result folder of ``xrfmap study`` for the same study: its maps are used.
    port : int
        Port on 127.0.0.1; any free one by default.
    open_browser : bool
        Open the address in the web browser.
    news : TextIO, optional
        Where the address is told; standard output by default.

    Raises
    ------
    InputError
        If the study, the scan or the results cannot be used.
    XrfmapError
        If Bokeh is not installed, or the port is taken.
    """
    from importlib.util import find_spec

    if find_spec("bokeh") is None:
        raise XrfmapError(
            "the page needs Bokeh, which is not installed; run: pip install 'xrfmap[explore]'"
        )
    from xrfmap.explore.server import serve
    from xrfmap.explore.subject import open_subject

    serve(open_subject(path, results), port=port, open_browser=open_browser, news=news)
