"""One page that lists the reports of several studies."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment

from xrfmap import __version__
from xrfmap.findings import VERDICT_ORDER
from xrfmap.io.results import write_text
from xrfmap.report.words import VERDICT_MEANINGS, VERDICT_NAMES, VERDICT_SIGNS
from xrfmap.study.batch import Outcome

__all__ = ["write_index"]

_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>Reports</title>
<style>
  body { margin: 0 auto; padding: 1.5rem 1rem 3rem; max-width: 60rem; background: #fbf9f5;
         color: #1f1d1a; font: 1rem/1.5 Georgia, "Times New Roman", serif; }
  h1 { font-size: 1.5rem; font-weight: normal; }
  ol { list-style: none; padding: 0; }
  li { border-top: 1px solid #c9c3b8; padding: .8rem 0; overflow-wrap: anywhere; }
  a { color: #24475f; }
  .about { color: #5b554c; margin: .2rem 0 0; }
  .failed { color: #8c1c13; }
</style>
</head>
<body>
<h1>Reports on {{ outcomes|length }} studies</h1>
<p class="about">{{ done }} done, {{ flagged }} of them with flags, {{ outcomes|length - done }}
failed. The most serious first.</p>
<ol>
{% for o, link in outcomes %}
<li>
{% if o.done %}
  <a href="{{ link }}">{{ o.title }}</a>
  <p class="about">{{ signs[o.overall] }} {{ names[o.overall] }}; {{ o.flags }}
  flag{{ "" if o.flags == 1 else "s" }}; stated period: {{ o.period or "none" }}.
  {{ meanings[o.overall] }}</p>
{% else %}
  {{ o.study }}
  <p class="about failed">Failed: {{ o.error }}</p>
{% endif %}
</li>
{% endfor %}
</ol>
<p class="about">Element data never prove authenticity. Written by xrfmap {{ version }}.</p>
</body>
</html>
"""


def write_index(out: Path, outcomes: Sequence[Outcome]) -> Path:
    """Write ``index.html`` with a link to each report, the most serious verdict first.

    Parameters
    ----------
    out : Path
        Folder that holds the folders of the studies.
    outcomes : sequence of Outcome
        What became of each study; failed ones stand at the top with the reason.

    Returns
    -------
    Path
        The page.
    """
    order = {verdict: rank for rank, verdict in enumerate(VERDICT_ORDER)}
    ranked = sorted(outcomes, key=lambda o: order.get(o.overall, -1))  # type: ignore[call-overload]
    linked = [(o, quote(_relative(o.report, out)) if o.report else "") for o in ranked]
    page = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(_PAGE)
    out.mkdir(parents=True, exist_ok=True)
    return write_text(
        out / "index.html",
        page.render(
            outcomes=linked,
            done=sum(o.done for o in outcomes),
            flagged=sum(o.flags > 0 for o in outcomes),
            names=VERDICT_NAMES,
            meanings=VERDICT_MEANINGS,
            signs=VERDICT_SIGNS,
            version=__version__,
        ),
    )


def _relative(report: str, out: Path) -> str:
    return Path(os.path.relpath(report, out)).as_posix()
