"""The summary: findings that matter, what remains open, checks in order of weight."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from xrfmap.findings import VERDICT_ORDER, DepthFinding, Findings, Flag, Source, Verdict
from xrfmap.report.words import VERDICT_NAMES, element_name, number, year_span

if TYPE_CHECKING:
    from xrfmap.report.parts import HiddenPart

__all__ = [
    "Check",
    "Point",
    "Reference",
    "checks",
    "in_short",
    "matters",
    "open_points",
    "references",
    "split_reason",
]

# a stop, then a capital: "0.5 is" and "approx. 1777" are no ends of sentences
_SENTENCE = re.compile(r"(?<=[.!?])\s+(?=[A-Z“])")


@dataclass(frozen=True)
class Point:
    """One statement of the summary."""

    headline: str
    detail: str
    anchor: str
    verdict: Verdict | None = None


@dataclass(frozen=True)
class Check:
    """A next step, with the flags that ask for it."""

    text: str
    verdict: Verdict
    asked_by: tuple[str, ...]


@dataclass(frozen=True)
class Reference:
    """A source and how far it was checked."""

    text: str
    checked: str
    used_for: tuple[str, ...]


def _rank(verdict: Verdict) -> int:
    return VERDICT_ORDER.index(verdict)


def joined(words: Iterable[str]) -> str:
    """Words as in a sentence: a, b and c."""
    parts = list(dict.fromkeys(words))
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else "".join(parts)


def _material(flag: Flag) -> str:
    """Name what a flag points to, and no more than elements tell."""
    # a variety in brackets is more: anatase and rutile are both titanium
    name = flag.pigment.split(" (")[0]
    if not flag.elements or all(other.split(" (")[0] == name for other in flag.also):
        return name.capitalize()
    elements = joined(element_name(e) for e in flag.elements)
    return f"{elements.capitalize()}, as in {name},"


def _flag_points(flags: list[Flag]) -> list[tuple[float, Point]]:
    groups: dict[tuple[str, Verdict, str | None], list[Flag]] = {}
    for flag in flags:
        groups.setdefault((flag.pigment, flag.verdict, flag.layer), []).append(flag)
    points: list[tuple[float, Point]] = []
    for (_, verdict, layer), members in groups.items():
        if verdict == "compatible":
            continue
        where = joined(flag.area for flag in members)
        place = f" ({layer})" if layer else ""
        head = f"{_material(members[0])} in {where}{place}: {VERDICT_NAMES[verdict].lower()}"
        points.append((_rank(verdict), Point(head, members[0].reason, "materials", verdict)))
    return points


def _depth_words(found: DepthFinding) -> str:
    """Give those ends of the interval of cover that hold, by the finding's own word for it."""
    cover = found.cover_um or found.cover_mg_cm2
    if cover is None or found.bound == "neither":
        return found.because.strip()
    unit, material = "mg/cm²", ""
    if found.cover_um is not None:
        unit, material = "µm", f" if it is {found.cover_um.material}"
    low, high = number(cover.low, 2), number(cover.high, 2)
    if found.bound == "both":
        words = f"Cover of {low} to {high} {unit}{material} (95 % interval)."
    else:
        words = f"Cover of {low} {unit} or more{material} (lower end of the 95 % interval)."
    return f"{words} {_sentence(found.because)}".strip()


def _covered_words(elements: Sequence[str], depth: Sequence[DepthFinding]) -> str:
    """Say which of the elements the lines show to lie under a cover, and where."""
    told = [d for d in depth if d.state == "covered" and d.element in elements]
    if not told:
        return ""
    names = joined(element_name(d.element) for d in told).capitalize()
    verb = "lies" if len({d.element for d in told}) == 1 else "lie"
    return f" {names} {verb} under a cover in {joined(d.area for d in told)}, as the lines show."


def matters(findings: Findings, most: int = 3, *, hidden: Sequence[HiddenPart] = ()) -> list[Point]:
    """Choose the findings that matter most, at most `most` of them.

    Flags come in the order of their verdicts; a contradiction between layers weighs as
    much as an out-of-period material; then shapes that the visible picture does not explain,
    what lies under a cover, the bounds on the layers, elements that cannot be separated.
    """
    ranked = _flag_points(findings.flags)
    for layer in findings.layers:
        if layer.contradiction:
            head = f"Dates of the layer “{layer.name}” contradict each other"
            ranked.append((0.5, Point(head, layer.contradiction, "dates")))
    for part in hidden:
        if part.lines:
            elements = list(dict.fromkeys(line.split()[0] for line in part.lines))
            head = f"Shapes in {joined(elements)} that the visible picture does not explain"
            words = "It may be an earlier picture; what else it may be stands with the pictures."
            words += _covered_words(elements, findings.depth)
            ranked.append((2.4, Point(head, words, "hidden")))
    covered = [d for d in findings.depth if d.state == "covered"]
    for found in covered:
        head = f"{element_name(found.element).capitalize()} lies under a cover in {found.area}"
        ranked.append((2.5, Point(head, _depth_words(found), "depth")))
    for element in findings.elements:
        if element.verdict == "not separable" and element.lines:
            head = f"{element_name(element.symbol).capitalize()} cannot be separated here"
            ranked.append((6.5, Point(head, element.because, "elements", "cannot_tell")))
    if not any(flag.verdict != "compatible" for flag in findings.flags):
        ranked.insert(0, (4.0, _nothing_found(findings)))
    for layer in findings.layers:
        if not layer.contradiction and layer.not_before is not None:
            head = f"The layer “{layer.name}” dates {_span(layer.not_before, layer.not_after)}"
            ranked.append((6.0, Point(head, joined(layer.because), "dates")))
    best = sorted(ranked, key=lambda pair: pair[0])[:most]
    return [replace(point, detail=in_short(point.detail)) for _, point in best]


def in_short(words: str, most: int = 300) -> str:
    """First sentences of a text, as many as fit in `most` characters.

    A first sentence that is longer is cut at a pause, or else at a word, with an ellipsis; so
    is a second one after a first that alone says little.
    """
    sentences = _SENTENCE.split(_sentence(words))
    kept = sentences[0]
    for more in sentences[1:]:
        if len(kept) + len(more) + 1 > most:
            if len(kept) < most // 3:
                kept += " " + more
            break
        kept += " " + more
    if len(kept) <= most:
        return kept
    room = kept[:most]
    pauses = [found.start() for found in re.finditer("[;,:] ", room)]
    outside = [at for at in pauses if room.count("(", 0, at) == room.count(")", 0, at)]
    pause = max([at for at in outside if at > most // 2] or pauses or [-1])
    space = room.rfind(" ")
    return room[: pause if pause > most // 2 else space if space > 0 else most] + " …"


def split_reason(words: str) -> tuple[str, str]:
    """Start of a reason, and the rest of it."""
    sentences = _SENTENCE.split(_sentence(words))
    taken = 1
    while taken < len(sentences) and len(" ".join(sentences[: taken + 1])) <= 330:
        taken += 1
    return " ".join(sentences[:taken]), " ".join(sentences[taken:])


def _sentence(words: str) -> str:
    """Words with a capital at the start and a stop at the end."""
    words = words.strip()
    if not words:
        return ""
    first = words[0].upper() + words[1:]
    return first if first[-1] in ".?!" else f"{first}."


def _span(start: int | None, end: int | None) -> str:
    words = year_span(start, end)
    return words if words.startswith("not") else f"from {words}"


def _nothing_found(findings: Findings) -> Point:
    count = len(findings.areas)
    place = "the 1 area" if count == 1 else f"the {count} areas"
    found = [e.symbol for e in findings.elements if e.verdict == "present"]
    detail = f"Elements found: {joined(found)}." if found else ""
    return Point(
        f"No material outside the stated period was found in {place} examined",
        detail, "materials", "compatible",
    )  # fmt: skip


def open_points(findings: Findings) -> list[str]:
    """List what the study leaves open, its own questions first."""
    words = list(findings.open_questions)
    words += [
        f"{flag.pigment.capitalize()} in {flag.area}: {flag.reason}"
        for flag in findings.flags
        if flag.verdict == "cannot_tell"
    ]
    words += [
        f"{element_name(e.symbol).capitalize()}: {e.because}"
        for e in findings.elements
        # an element without families is the tube's own: no question, only a limit
        if e.verdict == "not separable" and e.lines
    ]
    untold = sum(d.state == "cannot_tell" for d in findings.depth)
    if untold:
        words.append(
            f"In {untold} of {len(findings.depth)} cases, each an element in an area, the lines do "
            "not tell whether it lies at the surface or under a cover; the reasons are listed "
            "under “What lies above what”"
        )
    return list(dict.fromkeys(_sentence(word) for word in words))


def checks(findings: Findings) -> list[Check]:
    """Next checks, those of the weightiest flags first, each once."""
    groups: dict[str, list[Flag]] = {}
    for flag in sorted(findings.flags, key=lambda f: _rank(f.verdict)):
        if flag.next_check.strip():
            groups.setdefault(flag.next_check.strip(), []).append(flag)
    return [
        Check(
            text,
            members[0].verdict,
            tuple(dict.fromkeys(f"{f.pigment}, {f.area}" for f in members)),
        )
        for text, members in groups.items()
    ]


def references(findings: Findings) -> list[Reference]:
    """Every source once, with what it was used for."""
    used: dict[tuple[str, str], list[str]] = {}

    def note(sources: list[Source], what: str) -> None:
        for source in sources:
            used.setdefault((source.text, source.checked), []).append(what)

    for flag in findings.flags:
        note(flag.sources, flag.pigment)
    for area in findings.areas:
        for candidate in area.candidates:
            note(candidate.sources, candidate.pigment)
    return [
        Reference(text, checked, tuple(dict.fromkeys(what)))
        for (text, checked), what in sorted(used.items())
    ]
