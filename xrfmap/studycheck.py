"""Checks of a study file: the text, one field at a time, and fields against each other.

Each finding is one :class:`~xrfmap.errors.InputError` that names the file and the
full path of the field, so that nobody has to guess which of nine areas is meant.
"""

from __future__ import annotations

import difflib
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, get_args

from pydantic import BaseModel, ValidationError

from xrfmap.errors import InputError
from xrfmap.numbers import whole

if TYPE_CHECKING:
    from xrfmap.settings import Study

__all__ = ["ROLE_WORDS", "check_links", "explain", "file_stem", "read_toml"]

ROLE_WORDS = (
    "original paint",
    "paint",
    "retouching",
    "overpaint",
    "ground",
    "support",
    "varnish",
)
"""Words that say where an area sits without a ``[[layer]]`` entry of that name."""


def read_toml(path: Path, max_bytes: int) -> dict[str, Any]:
    """Text of a TOML file as nested dicts.

    Parameters
    ----------
    path : Path
        The file.
    max_bytes : int
        Largest size that is read. [bytes]

    Returns
    -------
    dict
        The tables of the file.

    Raises
    ------
    InputError
        If the file is missing, too large, not UTF-8 or not TOML.
    """
    where = str(path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(max_bytes + 1)
    except OSError as bad:
        raise InputError(
            where,
            found=_os_reason(bad),
            expected="a readable TOML file",
            remedy="check the spelling of the path",
        ) from None
    if len(raw) > max_bytes:
        raise InputError(
            where,
            found=f"more than {whole(max_bytes)} bytes",
            expected="a study file written by hand",
            remedy="keep data in files of their own and name them here",
        )
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as bad:
        line = raw[: bad.start].count(b"\n") + 1
        raise InputError(
            where,
            f"line {line}",
            found=f"byte 0x{raw[bad.start]:02x}, which is not UTF-8",
            expected="UTF-8 text",
            remedy="save the file again as UTF-8",
        ) from None
    except tomllib.TOMLDecodeError as bad:
        raise InputError(
            where,
            found=f"text that is not TOML: {bad}",
            expected="TOML",
            remedy="mend that line; texts stand in quotes, lists in [ ]",
        ) from None
    except RecursionError:
        raise InputError(
            where,
            found="tables nested too deeply",
            expected="TOML as in the demo study",
            remedy="remove the nesting",
        ) from None


def _os_reason(bad: OSError) -> str:
    if isinstance(bad, FileNotFoundError):
        return "no such file"
    if isinstance(bad, IsADirectoryError):
        return "a folder"
    return bad.strerror or type(bad).__name__


def explain(
    bad: ValidationError, model: type[BaseModel], data: Mapping[str, Any], where: str
) -> InputError:
    """Turn what the model refused into one message for the person who wrote the file.

    Parameters
    ----------
    bad : ValidationError
        From the model.
    model : type of BaseModel
        The model that was tried.
    data : mapping
        The tables as read.
    where : str
        Name of the file.

    Returns
    -------
    InputError
        About the first problem; the remedy names the others.
    """
    problems = bad.errors(include_url=False)
    # An unknown key is most often a slip in the name of one reported as missing.
    problems.sort(key=lambda problem: problem["type"] != "extra_forbidden")
    first = problems[0]
    path = _real_path(first["loc"], data)
    others = list(dict.fromkeys(_spoken(_real_path(p["loc"], data), data) for p in problems[1:]))
    others = [other for other in others if other != _spoken(path, data)]
    also = f" (also wrong: {', '.join(others[:8])})" if others else ""
    found, expected, remedy = _told(dict(first), path, model, data)
    return InputError(
        where, _spoken(path, data), found=found, expected=expected, remedy=remedy + also
    )


def _told(
    problem: dict[str, Any], path: Sequence[str | int], model: type[BaseModel], data: Any
) -> tuple[str, str, str]:
    kind = problem["type"]
    if kind == "extra_forbidden":
        known = _keys(model, path[:-1])
        close = difflib.get_close_matches(str(path[-1]), known, n=1, cutoff=0.4)
        remedy = f"did you mean {close[0]}?" if close else "remove it"
        if path[-1] in model.model_fields and len(path) > 1:
            remedy = f"put it into a table of its own, [{path[-1]}] or [[{path[-1]}]]"
        return f"the unknown key {path[-1]}", "one of " + ", ".join(known), remedy
    if kind == "missing" and isinstance(problem["loc"][-1], int):
        return "too few numbers", f"{problem['loc'][-1] + 1} or more", "add what is missing"
    if kind == "missing":
        return "nothing", f"a value for {path[-1]}", "add it"
    message = str(problem["msg"])
    for opening in ("Value error, ", "Input should be "):
        message = message.removeprefix(opening)
    expected, _, remedy = message.partition("; ")
    return _shown(problem["input"]), expected, remedy or "correct the value"


def _shown(value: Any) -> str:
    if isinstance(value, BaseModel):
        value = value.model_dump(by_alias=True, exclude_none=True)
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _real_path(loc: Iterable[str | int], data: Any) -> list[str | int]:
    """Drop the parts by which the model numbers its own alternatives."""
    path: list[str | int] = []
    here = data
    parts = list(loc)
    for index, part in enumerate(parts):
        last = index == len(parts) - 1
        if isinstance(here, Mapping) and (part in here or (last and part != "[key]")):
            here = here.get(part)
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here = here[part]
        else:
            continue
        path.append(part)
    return path


def _spoken(path: Sequence[str | int], data: Any) -> str:
    """``area[2] (sledge).polygon_mm``: counted from 1, with the name where there is one."""
    text = ""
    here = data
    for part in path:
        if isinstance(part, int):
            here = here[part]
            text += f"[{part + 1}]"
            name = here.get("name") if isinstance(here, Mapping) else None
            if isinstance(name, str) and name:
                text += f" ({name[:60]})"
        else:
            here = here.get(part) if isinstance(here, Mapping) else None
            text += f".{part}" if text else part
    return text


def _keys(model: type[BaseModel], path: Sequence[str | int]) -> list[str]:
    """Names that may stand at a place of the file."""
    here: type[BaseModel] = model
    for part in path:
        if isinstance(part, int):
            continue
        annotation = next(
            field.annotation
            for name, field in here.model_fields.items()
            if part in (name, field.alias)
        )
        here = _model_in(annotation)
    return [field.alias or name for name, field in here.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            return inner
    raise LookupError(f"no table at {annotation}")


def file_stem(name: str) -> str:
    """Name of a file without folder and ending: how unnamed scans and points are called."""
    return PurePosixPath(name.replace("\\", "/")).stem


def check_links(study: Study, where: str) -> None:
    """Check what the parts of a study say about each other.

    Parameters
    ----------
    study : Study
        Fields already checked one by one.
    where : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        For a name used twice, a layer or area that nobody listed, an area
        without anything to judge, or a study without anything at all.
    """
    _no_twins(study, where)
    _layers_known(study, where)
    _points_and_areas(study, where)
    _pairs_drawn(study, where)
    _stitched_known(study, where)
    _stacks_placed(study, where)
    if not (study.scan or study.point or study.area):
        raise InputError(
            where,
            found="neither [[scan]] nor [[point]] nor [[area]]",
            expected="something to judge",
            remedy="add a scan, a point spectrum, or an area with its elements",
        )


def _no_twins(study: Study, where: str) -> None:
    lists = {
        "scan": [entry.name or file_stem(entry.file) for entry in study.scan],
        "point": [entry.name or file_stem(entry.file) for entry in study.point],
        "area": [entry.name for entry in study.area],
        "layer": [entry.name for entry in study.layer],
    }
    for key, names in lists.items():
        for name, count in Counter(names).items():
            if count > 1:
                second = [i for i, other in enumerate(names) if other == name][1]
                raise InputError(
                    where,
                    f"{key}[{second + 1}].name",
                    found=f'"{name}" for the second time',
                    expected=f"a name of its own for each {key}",
                    remedy="rename one of them (unnamed scans and points are called by their file)",
                )


def _layers_known(study: Study, where: str) -> None:
    known = [layer.name for layer in study.layer]
    uses = [(f"area[{i}] ({a.name}).layer", a.layer) for i, a in enumerate(study.area, 1)]
    uses += [(f"evidence[{i}].layer", e.layer) for i, e in enumerate(study.evidence, 1)]
    for field, name in uses:
        if name is not None and name not in known and name.lower() not in ROLE_WORDS:
            raise _unknown(where, field, name, [*known, *ROLE_WORDS], "[[layer]] or a role word")


def _points_and_areas(study: Study, where: str) -> None:
    areas = [area.name for area in study.area]
    for number, point in enumerate(study.point, 1):
        if point.area is not None and point.area not in areas:
            raise _unknown(where, f"point[{number}].area", point.area, areas, "[[area]]")
    pointed = {point.area for point in study.point}
    scans = [entry.name or file_stem(entry.file) for entry in study.scan]
    for number, image in enumerate(study.image, 1):
        if image.scan is not None and image.scan not in scans:
            raise _unknown(where, f"image[{number}].scan", image.scan, scans, "[[scan]]")
    for number, area in enumerate(study.area, 1):
        field = f"area[{number}] ({area.name})"
        if area.scan is not None and area.scan not in scans:
            raise _unknown(where, f"{field}.scan", area.scan, scans, "[[scan]]")
        drawn = area.polygon_mm is not None or area.mask is not None
        if area.polygon_mm is not None and area.mask is not None:
            raise InputError(
                where,
                field,
                found="polygon_mm and mask",
                expected="one of the two",
                remedy="remove one",
            )
        if not (drawn or area.elements or area.name in pointed):
            raise InputError(
                where,
                field,
                found="none of polygon_mm, mask, elements, nor a [[point]] that names it",
                expected="one of them",
                remedy="draw the area, type its elements, or remove it",
            )
        if drawn and not scans:
            raise InputError(
                where,
                field,
                found="a drawn area but no [[scan]]",
                expected="a scan to lay it on",
                remedy="add the scan, or type the elements of the area",
            )
        if drawn and len(scans) > 1 and area.scan is None:
            raise InputError(
                where,
                f"{field}.scan",
                found="nothing, with several scans in the study",
                expected="one of " + ", ".join(scans),
                remedy="say on which scan the area lies",
            )
        _amounts_named(area.amounts, area.elements, field, where)


def _stacks_placed(study: Study, where: str) -> None:
    known = {
        "area": [area.name for area in study.area],
        "point": [point.name or file_stem(point.file) for point in study.point],
    }
    for number, stack in enumerate(study.stack, 1):
        field = f"stack[{number}]" + (f" ({stack.name})" if stack.name else "")
        named = {key: getattr(stack, key) for key in known if getattr(stack, key) is not None}
        if len(named) != 1:
            raise InputError(
                where,
                field,
                found=" and ".join(named) or "neither area nor point",
                expected="the name of one area or one point",
                remedy="say which measurement the stack is to explain",
            )
        ((key, name),) = named.items()
        if name not in known[key]:
            raise _unknown(where, f"{field}.{key}", name, known[key], f"[[{key}]]")


def _pairs_drawn(study: Study, where: str) -> None:
    drawn = [a.name for a in study.area if a.polygon_mm is not None or a.mask is not None]
    for number, pair in enumerate(study.compare, 1):
        field = f"compare[{number}].areas"
        for name in pair.areas:
            if name not in drawn:
                raise _unknown(where, field, name, drawn, "[[area]] drawn on a scan")
        if pair.areas[0] == pair.areas[1]:
            raise InputError(
                where,
                field,
                found=f'"{pair.areas[0]}" twice',
                expected="two areas",
                remedy="name another one",
            )


def _stitched_known(study: Study, where: str) -> None:
    if study.stitch is None:
        return
    scans = [entry.name or file_stem(entry.file) for entry in study.scan]
    for name in study.stitch.scans or ():
        if name not in scans:
            raise _unknown(where, "stitch.scans", name, scans, "[[scan]]")
    chosen = study.stitch.scans or scans
    if len(set(chosen)) < 2 or len(set(chosen)) < len(chosen):
        raise InputError(
            where,
            "stitch.scans",
            found=", ".join(chosen) or "no scan",
            expected="two or more scans, each once",
            remedy="add the other [[scan]] entries, or remove [stitch]",
        )
    if study.stitch.name in scans:
        raise InputError(
            where,
            "stitch.name",
            found=f'"{study.stitch.name}", the name of a scan',
            expected="a name of its own",
            remedy="rename one of them",
        )


def _amounts_named(
    amounts: dict[str, float] | None, elements: list[str] | None, field: str, where: str
) -> None:
    for symbol, amount in (amounts or {}).items():
        if elements is None or symbol not in elements:
            raise InputError(
                where,
                f"{field}.amounts",
                found=f"{symbol}, which elements does not list",
                expected="amounts of listed elements only",
                remedy=f"add {symbol} to elements or remove its amount",
            )
        if amount < 0:
            raise InputError(
                where,
                f"{field}.amounts.{symbol}",
                found=str(amount),
                expected="0 or more",
                remedy="correct the value",
            )


def _unknown(where: str, field: str, name: str, known: list[str], what: str) -> InputError:
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
    return InputError(
        where,
        field,
        found=f'"{name}"',
        expected=f"the name of a {what}: " + (", ".join(known) or "there is none"),
        remedy=f"did you mean {close[0]}?" if close else "correct the name or add the entry",
    )
