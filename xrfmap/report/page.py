"""The report as one page: everything in it, nothing fetched, every text escaped."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.resources import files
from typing import Any

import xarray as xr

from xrfmap import __version__
from xrfmap.findings import VERDICT_ORDER, AreaFinding, ElementAmount, Findings, Flag
from xrfmap.pictures.hidden import HIDDEN_CAUTIONS
from xrfmap.pictures.radiograph_compare import RADIOGRAPH_CAUTIONS
from xrfmap.report import content, digest, grouping, pixels, record, style, words
from xrfmap.report.parts import Parts
from xrfmap.report.scanview import frontispiece, scan_context
from xrfmap.report.tables import Table
from xrfmap.report.timeline import build_timeline
from xrfmap.report.viewer import spectra_data
from xrfmap.settings import Study

__all__ = ["render_page"]

LIMIT_NOTE = (
    "Net counts are those of the whole line family in its full-energy peaks. The decision "
    "threshold is the value above which a pixel counts as holding the element, at 5 % risk: in a "
    "field without it about 5 % of the pixels still lie above. The detection limit is the amount "
    "that would be found in 95 % of the pixels. Both are medians over the measured pixels and "
    "include what overlapping families and the continuum add (Currie 1968; ISO 11929)."
)
PALETTE_NOTE = (
    "Single maps use a colour scale whose lightness rises evenly from black to cream, so that "
    "equal steps in counts look equal, also to colour-blind eyes and on a grey printer."
)
ORIGINS = {"scan": "from the scan", "point": "from point spectra", "typed in": "typed in by hand"}


def _escape_finish(value: Any) -> Any:
    """Make control characters visible in every plain text the page prints."""
    from markupsafe import Markup

    if isinstance(value, str) and not isinstance(value, Markup):
        return style.visible_text(value)
    return value


def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    env = Environment(
        loader=PackageLoader("xrfmap.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_escape_finish,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.policies["json.dumps_kwargs"] = {
        "allow_nan": False, "separators": (",", ":"), "ensure_ascii": True,
    }  # fmt: skip
    return env


def _static(name: str) -> str:
    return files("xrfmap.report").joinpath("static", name).read_text(encoding="utf-8")


def _script() -> tuple[str, str]:
    """Join the page's programs and give the hash under which the browser may run them."""
    code = "\n".join(_static(name) for name in ("numbers.js", "tables.js", "maps.js", "spectra.js"))
    digest_ = base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest()).decode("ascii")
    return code, f"'sha256-{digest_}'"


def _object_facts(study: Study) -> list[str]:
    held = study.object
    facts = [held.support or ""]
    if held.width_mm and held.height_mm:
        facts.append(
            f"{words.number(held.height_mm, 4)} × {words.number(held.width_mm, 4)} mm "
            "(height × width)"
        )
    facts += [f"reference {held.reference}" if held.reference else "", held.note or ""]
    return [fact for fact in facts if fact]


def _period(findings: Findings) -> tuple[str, str]:
    held = findings.period or {}
    start, end = held.get("from", held.get("start")), held.get("to", held.get("end"))
    if start is None and end is None:
        return "none stated", ""
    span = f"{start}" if start == end else f"{start} to {end}"
    return span, str(held.get("note") or "")


def _ranked(flags: Sequence[Flag]) -> list[Flag]:
    return sorted(flags, key=lambda flag: VERDICT_ORDER.index(flag.verdict))


def _finished(run: Mapping[str, Any]) -> str:
    for key in ("finished", "ended", "started", "date"):
        try:
            return datetime.fromisoformat(str(run[key])).strftime("%-d %B %Y, %H:%M %Z").strip()
        except (KeyError, ValueError):
            continue
    return ""


def _findings_context(parts: Parts, tables: Mapping[str, Table]) -> dict[str, Any]:
    findings = parts.findings
    span, note = _period(findings)
    return {
        "findings": findings,
        "tables": tables,
        "flags": [(f, *digest.split_reason(f.reason)) for f in _ranked(findings.flags)],
        "area_candidates": content.area_candidates(findings),
        "area_elements": [_area_elements(area) for area in findings.areas],
        "area_covered": [
            [d.element for d in findings.depth if d.area == area.name and d.state == "covered"]
            for area in findings.areas
        ],
        "element_tables": content.element_tables(findings),
        "open_short": [digest.in_short(word) for word in digest.open_points(findings)],
        "points": digest.matters(findings, hidden=parts.hidden),
        "open_points": digest.open_points(findings),
        "period_words": span,
        "period_note": note,
        "verdict_names": words.VERDICT_NAMES,
        "verdict_meanings": words.VERDICT_MEANINGS,
        "verdict_order": VERDICT_ORDER,
        "signs": words.VERDICT_SIGNS,
        "origins": ORIGINS,
        "blind": words.BLIND,
        "cautions": _cautions(parts),
        "calibration_notes": record.calibration_notes(findings),
        "calibration_table": record.calibration_table(findings),
        "object_facts": _object_facts(parts.study),
    }


def _cautions(parts: Parts) -> list[str]:
    """Cautions of the study and of the method, without those that stand beside the pictures."""
    every = dict.fromkeys([*parts.findings.cautions, *words.CAUTIONS])
    told = HIDDEN_CAUTIONS if parts.hidden else ()
    return [word for word in every if word not in told]


def _area_elements(area: AreaFinding) -> tuple[str, str]:
    """Elements found in an area with the share of it where they show; and those not found."""

    def words_of(one: ElementAmount) -> str:
        if one.share_of_area is None or one.share_of_area > 0.95:
            return one.symbol
        return f"{one.symbol} ({words.share(one.share_of_area)} of the area)"

    found = [words_of(one) for one in area.elements if one.detected]
    missed = [one.symbol for one in area.elements if not one.detected]
    return ", ".join(found), ", ".join(missed)


def _dates_context(parts: Parts) -> dict[str, Any]:
    line = build_timeline(parts.study, parts.findings)
    return {
        "layer_years": [
            words.year_span(layer.not_before, layer.not_after) for layer in parts.findings.layers
        ],
        "strata": line.strata,
        "strata_alt": line.alt(line.strata, "Layers from top to bottom"),
        "date_rows": line.rows,
        "dates_alt": line.alt(line.rows, "Bounds on dates"),
        "band": line.band,
        "year_ticks": line.ticks,
    }


def _named_spectra(parts: Parts) -> dict[str, xr.Dataset]:
    """Spectra of the scans by the name the page gives them."""
    several = len(parts.spectra) > 1
    return {f"scan {name}" if several else "the scan": held for name, held in parts.spectra.items()}


def _contents(context: Mapping[str, Any]) -> list[tuple[str, str]]:
    findings: Findings = context["findings"]
    entries = (
        ("summary", "Summary", True),
        ("maps", "Element maps", context["scans"]),
        ("spectra", "Spectra", context["spectra"]),
        ("elements", "Elements", findings.elements),
        ("areas", "Areas", findings.areas),
        ("comparisons", "Areas against each other", findings.comparisons),
        ("automatic", "Automatic areas", context["group_pictures"]),
        ("materials", "Materials and period", True),
        ("checks", "Next checks", True),
        ("dates", "Layers and dates", context["strata"] or len(context["date_rows"]) > 1),
        ("depth", "What lies above what", findings.depth or context["cover"] or findings.stacks),
        ("hidden", "Hidden design", context["hidden"]),
        ("radiograph", "Radiograph", context["radiographs"]),
        ("limits", "Limits of the method", True),
        ("sources", "Sources", context["tables"]["sources"].rows),
        ("record", "Record", True),
    )
    return [(ident, title) for ident, title, shown in entries if shown]


def render_page(parts: Parts) -> str:
    """Text of the page.

    Parameters
    ----------
    parts : Parts
        Study, findings and data.

    Returns
    -------
    str
        HTML with its styles, programs and pictures inside. Every text of the study and of
        the findings is escaped, and its control characters are made visible.
    """
    from markupsafe import Markup

    code, allowed = _script()
    tables = content.finding_tables(parts.findings)
    context: dict[str, Any] = {
        "version": __version__,
        # our own files, not data: the only texts that go in unescaped
        "css": Markup(_static("report.css")),
        "js": Markup(code),
        "script_hash": Markup(allowed),
        "scans": [scan_context(scan, n, parts) for n, scan in enumerate(parts.scans)],
        "key_image": pixels.data_uri(pixels.key_png()),
        "limit_note": LIMIT_NOTE,
        "frontispiece": frontispiece(parts.scans),
        "spectra": spectra_data(_named_spectra(parts), parts.points),
        "static_spectra": parts.static_spectra,
        "points_table": content.point_table(parts.points),
        # the findings hold the cautions already
        "run_tables": record.run_tables({k: v for k, v in parts.run.items() if k != "cautions"}),
        "finished": _finished(parts.run),
        "palette_note": PALETTE_NOTE,
        "cover": parts.cover,
        "told_depth": content.told_depth(parts.findings),
        "hidden": parts.hidden,
        "hidden_cautions": HIDDEN_CAUTIONS,
        "radiographs": parts.radiographs,
        "radiograph_cautions": RADIOGRAPH_CAUTIONS,
        "group_pictures": [scan.groups for scan in parts.scans if scan.groups is not None],
        "group_table": grouping.group_table(parts.findings),
        "group_note": grouping.GROUP_NOTE,
        "comparison_tables": grouping.comparison_tables(parts.findings),
        **_findings_context(parts, tables),
        **_dates_context(parts),
    }
    context["contents"] = _contents(context)
    page: str = _environment().get_template("report.html.j2").render(context)
    return page
