"""Several studies: outcomes, index page, exit codes."""

import json
import os
from html.parser import HTMLParser
from pathlib import Path

import pytest
from typer.testing import CliRunner

from xrfmap.cli.main import app
from xrfmap.errors import InputError
from xrfmap.running.progress import Progress
from xrfmap.study.batch import Outcome, folders_for, run_batch, run_one
from xrfmap.study.index_page import write_index

GOOD = '[object]\ntitle = "Mill"\n[[area]]\nname = "a"\nelements = ["Pb"]\n'
FLAGGED = (
    '[object]\ntitle = "Bridge <b>"\n[period]\nfrom = 1630\nto = 1650\n'
    '[[area]]\nname = "a"\nelements = ["Ti"]\namounts = { Ti = 9 }\n'
)
BAD = '[object]\ntitle = "Inn"\n[perod]\n'


def study(folder: Path, name: str, text: str) -> Path:
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


class Links(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.tags: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name == "href" and value]


def test_one_study_gets_the_folder_itself_and_several_get_one_each():
    out = Path("out")
    assert folders_for([Path("x/mill.toml")], out) == [out]
    assert folders_for([Path("mill.toml"), Path("inn.toml")], out) == [out / "mill", out / "inn"]


def test_two_studies_of_one_name_are_refused():
    with pytest.raises(InputError, match="names of their own"):
        folders_for([Path("a/mill.toml"), Path("b/Mill.toml")], Path("out"))


def test_a_crash_is_kept_for_the_developers_and_told_in_one_line(tmp_path, monkeypatch):
    def fail(*args, **kwargs):
        raise ZeroDivisionError("inside")

    monkeypatch.setattr("xrfmap.study.run.run_study", fail)
    outcome = run_one(Path("mill.toml"), tmp_path / "out", False, Progress())
    assert outcome.crashed
    assert not outcome.done
    assert "ZeroDivisionError: inside" in outcome.error
    assert "Traceback" in (tmp_path / "out" / "crash.txt").read_text()
    # a later success takes the note away
    monkeypatch.undo()
    path = study(tmp_path, "mill", GOOD)
    assert run_one(path, tmp_path / "out", False, Progress()).done
    assert not (tmp_path / "out" / "crash.txt").exists()


@pytest.mark.slow
def test_one_bad_study_does_not_stop_the_others(tmp_path):
    paths = [
        study(tmp_path, "good", GOOD),
        study(tmp_path, "bad", BAD),
        study(tmp_path, "flagged", FLAGGED),
    ]
    seen = []
    outcomes = run_batch(paths, tmp_path / "out", jobs=2, finished=lambda o: seen.append(o.study))
    assert [outcome.done for outcome in outcomes] == [True, False, True]
    assert "did you mean period" in outcomes[1].error
    assert outcomes[2].overall == "out_of_period"
    assert outcomes[2].period == "1630 to 1650"
    assert sorted(seen) == sorted(str(path) for path in paths)
    assert (tmp_path / "out" / "good" / "report.html").exists()
    assert not (tmp_path / "out" / "bad").exists()


def end_without_a_word(*args):
    os._exit(9)


@pytest.mark.slow
def test_a_process_that_dies_takes_nothing_along(tmp_path, monkeypatch):
    monkeypatch.setattr("xrfmap.study.batch._work", end_without_a_word)
    (outcome,) = run_batch([study(tmp_path, "mill", GOOD)], tmp_path / "out")
    assert outcome.crashed
    assert "ended without a word" in outcome.error


@pytest.mark.slow
def test_the_command_sums_up_and_ends_with_1_if_one_failed(tmp_path):
    paths = [study(tmp_path, "good", GOOD), study(tmp_path, "bad", BAD)]
    words = ["study", *map(str, paths), "--out", str(tmp_path / "out"), "--quiet"]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 1
    assert "1 done, 0 of them with flags, 1 failed" in result.stdout
    assert result.stdout.strip().splitlines()[-1] == str(tmp_path / "out" / "index.html")
    assert "bad.toml" in result.stderr
    assert "Traceback" not in result.stderr


OUTCOMES = [
    Outcome("good.toml", "out/good", "Mill", "", "compatible", 0, "out/good/report.html"),
    Outcome("x.toml", "out/x y", "Inn & <b>", "1630", "out_of_period", 2, "out/x y/report.html"),
    Outcome("bad.toml", "out/bad", error="<script>alert(1)</script>"),
]


def test_the_index_links_every_report_the_most_serious_first(tmp_path):
    outcomes = [
        Outcome(**{**vars(o), "report": str(tmp_path / o.report) if o.report else ""})
        for o in OUTCOMES
    ]
    page = write_index(tmp_path / "out", outcomes).read_text(encoding="utf-8")
    found = Links(page)
    assert found.links == ["x%20y/report.html", "good/report.html"]
    assert "script" not in found.tags
    assert "Inn &amp; &lt;b&gt;" in page
    assert "&lt;script&gt;" in page
    assert "2 done, 1 of them with flags" in page


def test_outcomes_can_be_printed_for_another_program():
    assert json.loads(json.dumps([vars(outcome) for outcome in OUTCOMES]))[2]["report"] == ""
