"""Pieces of the page as HTML; every text from a file or a person is escaped here."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from xrfmap.areas.two_sums import Contrast
from xrfmap.explore.fits import AreaFit, FamilyRow
from xrfmap.explore.readout import Reading
from xrfmap.findings import Comparison, FamilyComparison
from xrfmap.report.style import visible_text
from xrfmap.report.words import number, signed, with_error

__all__ = [
    "block_table",
    "clean",
    "contrast_table",
    "family_table",
    "message",
    "pointer_card",
    "sum_words",
]

STATE_SIGNS = {"detected": "●", "seen": "●", "not separable": "◐", "not detected": "○"}
"""Shape and word carry the meaning, colour only repeats it."""


def clean(text: object, longest: int = 300) -> str:
    """Text from anywhere, fit to stand in the page."""
    seen = visible_text(text)
    return escape(seen if len(seen) <= longest else seen[: longest - 1] + "…", quote=True)


def message(text: str, kind: str = "note") -> str:
    """Paragraph of plain text; `kind` is ``note`` or ``bad``."""
    role = ' role="alert"' if kind == "bad" else ""
    return f'<p class="{clean(kind)}"{role}>{clean(text, 1000)}</p>' if text else ""


def pointer_card(
    place: str,
    counts: str,
    readings: Sequence[Reading],
    others: Sequence[Reading],
    held: bool,
) -> str:
    """Show what lies under the pointer.

    Parameters
    ----------
    place, counts : str
        Where, and how many counts in all.
    readings : sequence of Reading
        Families on show.
    others : sequence of Reading
        Further families seen in this pixel.
    held : bool
        Whether the pixel stays while the pointer moves.
    """
    state = " <b>held</b>" if held else ""
    parts = [f'<p class="place">{clean(place)}{state}<br><span>{clean(counts)}</span></p>']
    if readings:
        rows = "".join(
            f"<tr><th scope=row>{_sign(r.state)} {clean(r.family)}</th>"
            f"<td class=n>{clean(r.value)}</td><td>{clean(r.words)}</td></tr>"
            for r in readings
        )
        parts.append(
            "<table><thead><tr><th scope=col>family</th><th scope=col class=n>net counts</th>"
            f"<th scope=col>statement</th></tr></thead><tbody>{rows}</tbody></table>"
        )
    if others:
        words = ", ".join(f"{clean(r.family)} {clean(r.value)}" for r in others)
        parts.append(f"<p class=note>Clearly seen here as well: {words}.</p>")
    return "".join(parts)


def _sign(state: str) -> str:
    return f'<span class="sign" aria-hidden="true">{STATE_SIGNS.get(state, "○")}</span>'


def sum_words(label: str, pixels: int, total: float, live_time: float, unit: str = "") -> str:
    """One line on a summed spectrum."""
    live = f", {number(live_time)} s live" if live_time == live_time else ""
    many = "1 pixel" if pixels == 1 else f"{number(pixels, 9)} pixels"
    return f"{label}: {many}{live}, {number(total, 9)} counts{unit}"


def family_table(fit: AreaFit) -> str:
    """Table of the families of an area: detected ones, then the limits of the others."""
    rows = "".join(_family_row(row) for row in fit.detected)
    if not rows:
        rows = "<tr><td colspan=4>No family is detected in this area.</td></tr>"
    others = "".join(_limit_row(row) for row in fit.others)
    return (
        "<table class=families><thead><tr><th scope=col>family</th>"
        "<th scope=col class=n>net counts</th><th scope=col class=n>95 % limit</th>"
        f"<th scope=col>verdict</th></tr></thead><tbody>{rows}</tbody></table>"
        f"<details><summary>{len(fit.others)} looked for and not found, with limits</summary>"
        "<table class=families><thead><tr><th scope=col>family</th>"
        "<th scope=col class=n>fewer than</th><th scope=col class=n>sure from</th>"
        f"<th scope=col>verdict</th></tr></thead><tbody>{others}</tbody></table></details>"
    )


def _family_row(row: FamilyRow) -> str:
    return (
        f'<tr title="{clean(row.because, 600)}">'
        f"<th scope=row>{_sign(row.state)} {clean(row.family)}</th>"
        f"<td class=n>{clean(with_error(row.net, row.err))}</td>"
        f"<td class=n>{clean(number(row.high))}</td><td>{clean(row.words)}</td></tr>"
    )


def _limit_row(row: FamilyRow) -> str:
    words = row.words.split("; fewer")[0].split(", fewer")[0]
    return (
        f'<tr title="{clean(row.because, 600)}">'
        f"<th scope=row>{_sign(row.state)} {clean(row.family)}</th>"
        f"<td class=n>{clean(number(row.high))}</td>"
        f"<td class=n>{clean(number(row.limit))}</td><td>{clean(words)}</td></tr>"
    )


def contrast_table(rows: Sequence[Contrast], unit: str) -> str:
    """Table of two areas against each other; the clearest differences first."""
    order = {"more in A": 0, "more in B": 0, "no difference seen": 1, "cannot tell": 2}
    ranked = sorted(rows, key=lambda r: (order[r.verdict], r.p_all, -abs(r.z)))
    body = "".join(
        f"<tr class={'yes' if row.verdict.startswith('more') else 'no'}>"
        f"<th scope=row>{clean(row.family)}</th>"
        f"<td class=n>{clean(with_error(row.a, row.a_err))}</td>"
        f"<td class=n>{clean(with_error(row.b, row.b_err))}</td>"
        f"<td class=n>{clean(_sigmas(row.z))}</td>"
        f"<td class=n>{clean(_p(row.p_all))}</td><td>{clean(row.words)}</td></tr>"
        for row in ranked
    )
    return (
        "<table class=families><thead><tr><th scope=col>family</th>"
        f"<th scope=col class=n>A [{clean(unit)}]</th><th scope=col class=n>B</th>"
        "<th scope=col class=n>σ</th><th scope=col class=n>p</th>"
        "<th scope=col>verdict</th></tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def block_table(answer: Comparison) -> str:
    """Tables of a comparison by blocks, the clearest differences first: amounts, then ratios."""
    order = {"differs": 0, "no difference": 1, "cannot tell": 2}
    ranked = sorted(
        answer.families, key=lambda r: (order[r.verdict], r.p_all if r.p_all is not None else 2.0)
    )
    heads = {"amount": answer.unit or "", "ratio": f"% of {answer.reference}"}
    return "".join(
        _block_table([r for r in ranked if r.kind == kind], unit) for kind, unit in heads.items()
    )


def _block_table(rows: Sequence[FamilyComparison], unit: str) -> str:
    if not rows:
        return ""
    body = "".join(_block_row(row) for row in rows)
    return (
        "<table class=families><thead><tr><th scope=col>family</th>"
        f"<th scope=col class=n>A [{clean(unit)}]</th><th scope=col class=n>B</th>"
        "<th scope=col class=n>A − B [% of the mean]</th><th scope=col class=n>p</th></tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def _block_row(row: FamilyComparison) -> str:
    """Two values, their difference with its interval, and what would have been seen."""
    percent = 100.0 if row.kind == "ratio" else 1.0
    values = (
        "–" if v is None or e is None else with_error(percent * v, percent * e)
        for v, e in ((row.a, row.a_err), (row.b, row.b_err))
    )
    gap = clean(_signed(row.difference_percent))
    if row.low_percent is not None:
        gap += f"<br><small>{clean(_signed(row.low_percent))} to "
        gap += f"{clean(_signed(row.high_percent))}</small>"
    if row.verdict != "differs" and row.detectable_percent is not None:
        gap += f"<br><small>seen from {clean(number(row.detectable_percent, 2))} %</small>"
    p = row.verdict if row.p_all is None else _p(row.p_all)
    return (
        f"<tr class={'yes' if row.verdict == 'differs' else 'no'}>"
        f"<th scope=row>{clean(row.family)}</th>"
        + "".join(f"<td class=n>{clean(cell)}</td>" for cell in values)
        + f"<td class=n>{gap}</td><td class=n>{clean(p)}</td></tr>"
    )


def _signed(value: float | None) -> str:
    return "–" if value is None else f"{value:+.3g}".replace("-", "−")


def _sigmas(value: float) -> str:
    return "–" if value != value else signed(value)


def _p(value: float) -> str:
    if value != value:
        return "–"
    return "< 0.0001" if value < 1e-4 else f"{value:.2g}"
