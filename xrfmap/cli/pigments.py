"""The command that asks the rule base: elements, a period, a place; no scan."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from xrfmap.cli.common import DONE, FAILED, AsJson, element_list, guarded, print_json, tell_error

if TYPE_CHECKING:
    from xrfmap.pigments import Assessment, RuleBase

__all__ = ["pigments"]

_PERIOD = re.compile(r"(-?\d{1,4})(?:\s*(?:-|–|\.\.|to)\s*(-?\d{1,4}))?")


def read_period(text: str | None) -> tuple[int, int] | None:
    """Read a period such as ``1630-1650``, ``1637`` or ``-50 to 100``.

    Parameters
    ----------
    text : str or None
        As typed.

    Returns
    -------
    tuple of int or None
        First and last year.

    Raises
    ------
    typer.BadParameter
        If the text is no period or its years are in the wrong order.
    """
    if text is None:
        return None
    found = _PERIOD.fullmatch(text.strip())
    if found is None:
        raise typer.BadParameter(f"{text!r} in --period; expected years such as 1630-1650")
    start = int(found[1])
    end = int(found[2]) if found[2] is not None else start
    if start > end:
        raise typer.BadParameter(f"{text!r} in --period; the first year lies after the last")
    return start, end


def read_amounts(text: str | None) -> dict[str, float]:
    """Read relative masses such as ``Pb=10,Sn=1.5``.

    Parameters
    ----------
    text : str or None
        As typed.

    Returns
    -------
    dict
        Symbol to mass, in any one unit; empty where nothing was typed.

    Raises
    ------
    typer.BadParameter
        If an entry has no number of 0 or more, or no element symbol.
    """
    amounts: dict[str, float] = {}
    for part in filter(None, (p.strip() for p in (text or "").split(","))):
        symbol, _, number = part.partition("=")
        try:
            amount = float(number)
        except ValueError:
            amount = -1.0
        if not 0 <= amount < float("inf"):
            raise typer.BadParameter(f"{part!r} in --amounts; expected entries such as Pb=10")
        for name in element_list(symbol, "--amounts") or []:
            amounts[name] = amount
    return amounts


@guarded
def pigments(
    elements: Annotated[
        str | None,
        typer.Option("--elements", "-e", help="Symbols with commas between: Pb,Sn."),
    ] = None,
    period: Annotated[
        str | None, typer.Option("--period", "-p", help="Stated period: 1630-1650, or one year.")
    ] = None,
    layer: Annotated[
        str | None,
        typer.Option("--area-layer", help="Where it sits: original paint, retouching, varnish ..."),
    ] = None,
    amounts: Annotated[
        str | None, typer.Option("--amounts", help="Relative masses: Pb=10,Sn=1.5.")
    ] = None,
    colour: Annotated[str | None, typer.Option("--colour", help="Colour of the place.")] = None,
    region: Annotated[
        str | None, typer.Option("--region", help="Where the object is said to come from.")
    ] = None,
    areas: Annotated[
        Path | None,
        typer.Option("--areas", help="TOML file with [[area]] entries; a study file will do."),
    ] = None,
    rules: Annotated[
        list[Path] | None, typer.Option("--rules", help="Rule file of your own, added to ours.")
    ] = None,
    show: Annotated[
        str | None, typer.Option("--show", help="Print everything a rule says, with its sources.")
    ] = None,
    every: Annotated[bool, typer.Option("--list", help="List all rules.")] = False,
    check: Annotated[
        Path | None, typer.Option("--check", help="Tell everything that is wrong with a rule file.")
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Ask the rule base which pigments explain some elements, and whether they fit a period.

    Example: `xrfmap pigments --elements Pb,Sn --period 1630-1650`
    """
    from xrfmap.pigments import load_rules

    if check is not None:
        return _check(check)
    base = load_rules(rules)
    if every:
        return _list(base, as_json)
    if show is not None:
        return _show(show, base, as_json)
    span = read_period(period)
    masses = read_amounts(amounts)
    symbols = element_list(elements)
    if areas is None and not symbols and not masses:
        raise typer.BadParameter("name --elements, --areas, --show, --list or --check")
    if areas is not None and (symbols or masses or layer or colour):
        raise typer.BadParameter("--areas brings its own elements, layers and colours")
    if areas is not None:
        found = _ask_areas(areas, span, base, region)
    else:
        found = _ask(symbols, masses, span, base, layer, colour, region)
    if as_json:
        print_json(_plain(found))
    else:
        typer.echo("\n".join(_told(found)))
    return DONE


def _ask(
    symbols: list[str] | None,
    masses: dict[str, float],
    span: tuple[int, int] | None,
    base: RuleBase,
    layer: str | None,
    colour: str | None,
    region: str | None,
) -> Assessment:
    from xrfmap.pigments import match_pigments

    missing = [s for s in symbols or [] if s not in masses]
    if masses and missing:
        raise typer.BadParameter(f"--amounts gives none for {', '.join(missing)}")
    return match_pigments(
        masses or (symbols or []), span, layer=layer, colour=colour, rules=base, region=region
    )


def _ask_areas(
    path: Path, span: tuple[int, int] | None, base: RuleBase, region: str | None
) -> Assessment:
    from xrfmap.errors import InputError
    from xrfmap.pigments import areas_from_toml, assess

    listed = areas_from_toml(path)
    if not listed:
        raise InputError(
            str(path),
            "area",
            found="no area with elements",
            expected="one or more",
            remedy="type the elements of an area: elements = ['Pb', 'Sn']",
        )
    return assess(listed, span, rules=base, region=region)


def _check(path: Path) -> int:
    from xrfmap.pigments import check_rules

    problems = check_rules(path)
    for problem in problems:
        tell_error(problem)
    if not problems:
        typer.echo(f"{path}: nothing wrong found")
    return FAILED if problems else DONE


def _list(base: RuleBase, as_json: bool) -> int:
    from xrfmap.cli.text import columns
    from xrfmap.pigments import list_rules

    rows = list_rules(base)
    if as_json:
        print_json(rows)
        return DONE
    names = ("name", "elements", "earliest", "common")
    typer.echo("\n".join(columns(names, [[row[n] for n in names] for row in rows], left=4)))
    return DONE


def _show(name: str, base: RuleBase, as_json: bool) -> int:
    from xrfmap.pigments import show_rule

    if as_json:
        print_json(base.materials[base.find(name)].model_dump(mode="json"))
    else:
        typer.echo(show_rule(name, base))
    return DONE


def _plain(found: Assessment) -> dict[str, Any]:
    return {
        "overall": found.overall,
        "areas": [area.model_dump(mode="json") for area in found.areas],
        "flags": [flag.model_dump(mode="json") for flag in found.flags],
        "remarks": list(found.remarks),
        "open_questions": list(found.open_questions),
        "cautions": list(found.cautions),
    }


def _told(found: Assessment) -> Iterator[str]:
    """Lines for people: the verdict, each area, each flag, what is left open."""
    yield f"overall: {found.overall}"
    for area in found.areas:
        yield ""
        yield f"{area.name}{f' ({area.layer})' if area.layer else ''}: {area.summary}"
        for candidate in area.candidates:
            yield f"  {candidate.pigment}: {candidate.fits_period}"
            if candidate.look_alikes:
                yield f"    not told apart from: {', '.join(candidate.look_alikes)}"
    for flag in found.flags:
        yield ""
        yield f"{flag.verdict}: {flag.pigment} in {flag.area}"
        yield f"  {flag.reason}"
        yield f"  next check: {flag.next_check}"
        for source in flag.sources:
            yield f"  source ({source.checked}): {source.text}"
    for head, texts in (
        ("open", found.open_questions),
        ("remarks", found.remarks),
        ("cautions", found.cautions),
    ):
        for index, text in enumerate(texts):
            if index == 0:
                yield ""
            yield f"{head if index == 0 else ' ' * len(head)}  {text}"
