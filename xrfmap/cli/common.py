"""What the commands share: exit codes, options, errors in one line."""

from __future__ import annotations

import codecs
import functools
import json
import os
import re
import sys
from collections.abc import Callable
from io import TextIOWrapper
from typing import Annotated, Any, ParamSpec

import typer

from xrfmap.errors import XrfmapError

__all__ = [
    "DONE",
    "FAILED",
    "INTERRUPTED",
    "AsJson",
    "ClusterAddress",
    "Elements",
    "Quiet",
    "Workers",
    "element_list",
    "guarded",
    "print_json",
    "tell_error",
    "write_any_text",
]

DONE, FAILED, INTERRUPTED = 0, 1, 130
P = ParamSpec("P")

PLAIN = {
    "−": "-", "–": "-", "µ": "u", "±": "+-", "×": "x", "·": ".", "≤": "<=", "≥": ">=", "→": "->",
    "…": "...", "“": '"', "”": '"', "’": "'", "α": "a", "β": "b", "γ": "g", "η": "n", "σ": "sigma",
}  # fmt: skip
"""Signs of our own words that old encodings of terminals and files lack."""

RAISED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")

Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print results and errors only.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]
Elements = Annotated[
    str | None,
    typer.Option("--elements", "-e", help="Symbols with commas between: Pb,Sn,Fe."),
]

ClusterAddress = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Address of a Dask scheduler whose workers fit the pixels: tcp://HOST:8786.",
    ),
]
Workers = Annotated[
    int | None,
    typer.Option("--workers", min=1, help="Processes on this machine that fit the pixels."),
]


def guarded(command: Callable[P, int]) -> Callable[P, None]:
    """Turn the outcome of a command into an exit code, and known errors into one line."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            code = command(*args, **kwargs)
        except XrfmapError as bad:
            tell_error(bad)
            code = FAILED
        except OSError as bad:
            if isinstance(bad, BrokenPipeError):  # `xrfmap ... | head`
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
                code = DONE
            else:
                tell_error(bad)
                code = FAILED
        except KeyboardInterrupt:
            typer.echo("interrupted; finished work is kept", err=True)
            code = INTERRUPTED
        raise typer.Exit(code)

    return run


def tell_error(bad: Exception) -> None:
    """Print one line on standard error, red on a terminal."""
    typer.secho(f"error: {bad}", err=True, fg="red" if sys.stderr.isatty() else None)


def element_list(text: str | None, option: str = "--elements") -> list[str] | None:
    """Read element symbols with commas between; None where nothing was typed.

    Raises
    ------
    typer.BadParameter
        If one is no element.
    """
    from xrfmap.settings import ELEMENT_SYMBOLS

    if text is None:
        return None
    symbols = [part.strip() for part in text.replace(" ", ",").split(",") if part.strip()]
    unknown = [symbol for symbol in symbols if symbol not in ELEMENT_SYMBOLS]
    if unknown or not symbols:
        near = [s.capitalize() for s in unknown if s.capitalize() in ELEMENT_SYMBOLS]
        hint = f"; did you mean {', '.join(near)}?" if near else ""
        raise typer.BadParameter(
            f"{', '.join(unknown) or 'nothing'} in {option}; "
            f"expected symbols such as Pb,Sn,Fe{hint}"
        )
    return list(dict.fromkeys(symbols))


def write_any_text(stream: TextIOWrapper) -> None:
    """Let a stream whose encoding lacks a sign write the next best, instead of failing.

    Parameters
    ----------
    stream : TextIOWrapper
        Standard output or error: a terminal, or a file in the encoding of the system. Of an
        encoding other than Unicode's only letters are used beyond ASCII: a power of ten half
        in raised figures, half not, would be another number.
    """
    if "utf" in stream.encoding.lower():
        return
    name = f"xrfmap.{stream.encoding}"
    codecs.register_error(name, functools.partial(_plain_signs, stream.encoding))
    stream.reconfigure(encoding="ascii", errors=name)


def _plain_signs(encoding: str, error: UnicodeError) -> tuple[bytes, int]:
    """Write what ASCII lacks; called by the codec."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    before = error.object[: error.start][-1:]
    found = b""
    for part in re.findall(r"[⁰¹²³⁴⁵⁶⁷⁸⁹⁻]+|.", error.object[error.start : error.end], re.DOTALL):
        figures = part.translate(RAISED)
        if figures.isascii():
            power = "^" if not found and before.isdigit() else ""
            found += (power + figures).encode()
        else:
            found += _plain_sign(part, encoding)
    return found, error.end


def _plain_sign(sign: str, encoding: str) -> bytes:
    """Sign in ASCII, a letter as it is where the encoding has it, else by its number."""
    if sign in PLAIN:
        return PLAIN[sign].encode()
    if sign.isspace():
        return b" "
    try:
        return sign.encode(encoding if sign.isalpha() else "ascii")
    except UnicodeEncodeError:
        return sign.encode("ascii", "backslashreplace")


def print_json(value: Any) -> None:
    """Print a value for another program."""
    whole = "utf" in (getattr(sys.stdout, "encoding", None) or "utf-8").lower()
    typer.echo(json.dumps(value, indent=2, ensure_ascii=not whole, default=str))
