"""Damaged files of every kind are opened or refused; text formats from scratch too.

`tests/fuzz/fuzz_files.py` does the damage in a process of its own, with 2 GB of memory
and 5 s for an input, since a library in C could end the process.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from xrfmap.errors import InputError
from xrfmap.io import open_any
from xrfmap.io.card import parse_card
from xrfmap.io.emsa import format_emsa, parse_emsa
from xrfmap.io.safe import clean_text, safe_path
from xrfmap.settings import Study
from xrfmap.study.study_file import load_study

SCRIPT = Path(__file__).parent / "fuzz" / "fuzz_files.py"
FEW, MANY = 40, 600  # inputs of each kind; 17 kinds


def run_fuzz(tmp_path: Path, first: int, count: int) -> list[dict[str, object]]:
    progress = tmp_path / "progress"
    done = subprocess.run(
        [sys.executable, SCRIPT, "all", str(first), str(count), "--progress", progress],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    at = progress.read_text() if progress.exists() else "the start"
    assert done.returncode == 0, f"at {at}:\n{done.stdout[-4000:]}\n{done.stderr[-4000:]}"
    return [json.loads(line) for line in done.stdout.splitlines()]


def check(results: list[dict[str, object]], count: int) -> None:
    assert len(results) == 17
    for result in results:
        assert result["failures"] == []
        assert result["strays"] == []  # nothing written outside the folder of the input
        assert result["opened"] + result["refused"] == count  # type: ignore[operator]


def test_damaged_files_are_opened_or_refused(tmp_path):
    check(run_fuzz(tmp_path, 0, FEW), FEW)


@pytest.mark.slow
def test_ten_thousand_damaged_files_are_opened_or_refused(tmp_path):
    check(run_fuzz(tmp_path, 1000, MANY), MANY)


def test_the_study_that_guided_damage_starts_from_is_good_and_has_every_table():
    seed = SCRIPT.with_name("seed_study.toml")
    load_study(seed)
    tables = {field.alias or name for name, field in Study.model_fields.items()}
    lines = seed.read_text().splitlines()
    given = {line.strip("[]").split(".")[0] for line in lines if line.startswith("[")}
    # pictures stand in the demo study, which is a start as well
    assert given == tables - {"image"}


def refusal(function: Callable[..., object], *args: object) -> str:
    """What an input error says; empty if there was none. Any other error goes through."""
    try:
        function(*args)
    except InputError as err:
        return str(err)
    return ""


ANY_TEXT = st.text(max_size=300)
EMSA_LINES = st.lists(
    st.one_of(
        st.sampled_from(format_emsa([1, 2, 3], zero_kev=0, kev_per_channel=0.01).split("\r\n")),
        st.from_regex(r"#[A-Z]{1,9} *(-[a-zA-Z]{1,2})? *: ?[0-9.eE+-]{0,12}", fullmatch=True),
        st.from_regex(r"[0-9.eE+, -]{0,20}", fullmatch=True),
        ANY_TEXT,
    ),
    max_size=30,
)


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(EMSA_LINES)
@example(["#FORMAT : x", "#SPECTRUM : ", "#ENDOFDATA : "])
def test_any_lines_are_a_spectrum_or_an_input_error(lines):
    assert "\n" not in refusal(parse_emsa, "\n".join(lines), "p.msa")


@settings(max_examples=150)
@given(st.one_of(ANY_TEXT, st.dictionaries(st.text(max_size=12), st.integers()).map(str)))
def test_any_text_is_a_card_or_an_input_error(text):
    assert "\n" not in refusal(parse_card, text, "card")


@settings(max_examples=200)
@given(st.one_of(st.binary(max_size=400), ANY_TEXT.map(lambda t: t.encode("utf-8", "replace"))))
@example(b"#FORMAT")
@example(b"\x93NUMPY\x01\x00\xff\xff")
@example(b"II*\x00\x08\x00\x00\x00\xff\xff")
@example(b"MM\x00*\x00\x00\x00\x08\x00\x00")
@example(b"\x89HDF\r\n\x1a\n" + bytes(100))
def test_any_bytes_are_a_file_or_an_input_error(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any.bin"
    path.write_bytes(data)
    words = refusal(open_any, path)
    assert "\n" not in words
    assert "\x1b" not in words


@settings(max_examples=500)
@given(st.text())
@example("a \u200b b")
@example("\x1b\x00[31m")
def test_clean_text_is_one_line_without_control_codes_and_stays_as_it_is(text):
    once = clean_text(text)
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in once)
    assert clean_text(once) == once
    assert len(once) <= 500


@given(
    st.one_of(st.text(), st.lists(st.sampled_from(["..", ".", "a", "/", "~", "\\"])).map("/".join))
)
def test_a_safe_path_is_below_its_folder(given_path):
    base = Path("/no/such/folder")
    if not refusal(safe_path, base, given_path):
        assert safe_path(base, given_path).is_relative_to(base)
