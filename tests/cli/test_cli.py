"""The command line: what it prints, and how it ends."""

import io
import json
import os
import subprocess
import sys

import numpy as np
import pytest
from typer.testing import CliRunner

from xrfmap.cli.common import print_json, write_any_text
from xrfmap.cli.main import app
from xrfmap.io.emsa_write import write_emsa
from xrfmap.io.nexus_write import write_nexus
from xrfmap.simulation.simulate import painting

HEAVY = ("numba", "matplotlib", "scipy", "sklearn", "skimage", "xarray", "dask", "h5py", "pydantic")


def run(*words):
    """Exit code, standard output, standard error."""
    result = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    return result.exit_code, result.stdout, result.stderr


def test_help_lists_the_commands():
    code, out, _ = run("--help")
    assert code == 0
    for name in ("study", "describe", "pigments", "demo", "convert"):
        assert name in out


def test_help_loads_nothing_heavy():
    # what makes start-up slow is importing these; a time would depend on the machine
    code = (
        "import sys; from xrfmap.cli.main import app; "
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_version_is_printed():
    assert run("--version") == (0, "xrfmap 0.1.0\n", "")


@pytest.mark.parametrize(
    "words",
    [
        ["nothing-like-that"],
        ["study"],
        ["study", "a.toml"],
        ["study", "a.toml", "--out", "x", "--jobs", "0"],
        ["pigments"],
        ["pigments", "--elements", "Xx"],
        ["pigments", "--elements", ""],
        ["pigments", "--elements", "Pb", "--period", "1650-1630"],
        ["pigments", "--elements", "Pb", "--period", "old"],
        ["pigments", "--amounts", "Pb"],
        ["pigments", "--amounts", "Pb=-1"],
        ["pigments", "--amounts", "Pb=nan"],
        ["pigments", "--elements", "Pb,Sn", "--amounts", "Pb=1"],
        ["pigments", "--elements", "Pb", "--areas", "a.toml"],
    ],
)
def test_wrong_usage_ends_with_2(words):
    code, out, err = run(*words)
    assert code == 2
    assert out == ""
    assert "Traceback" not in err
    assert "Error" in err


@pytest.mark.parametrize(
    "words",
    [
        ["describe", "none.h5"],
        ["study", "none.toml", "--out", "out"],
        ["convert", "none.h5", "out.nc"],
        ["pigments", "--areas", "none.toml"],
        ["pigments", "--check", "none.toml"],
        ["pigments", "--show", "no such pigment"],
        ["pigments", "--list", "--rules", "none.toml"],
    ],
)
def test_bad_input_ends_with_1_and_one_line(words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*words)
    assert code == 1
    assert out == ""
    assert err.startswith("error: ")
    assert len(err.strip().splitlines()) == 1
    for part in ("found", "expected"):
        assert part in err
    assert [p.name for p in tmp_path.rglob("*") if p.is_file()] == []


def test_a_near_miss_of_an_element_is_told():
    _, _, err = run("pigments", "--elements", "pb,Sn")
    assert "did you mean Pb?" in " ".join(err.replace("│", " ").split())


def test_pigments_answers_in_words_and_in_json():
    # Lead-tin yellow is a usual yellow of the 15th to 17th century (common practice, no source).
    code, out, _ = run("pigments", "--elements", "Pb,Sn", "--period", "1630-1650")
    assert code == 0
    assert out.startswith("overall: compatible\n")
    assert "lead-tin yellow" in out
    code, out, _ = run("pigments", "--elements", "Pb,Sn", "--period", "1630-1650", "--json")
    assert code == 0
    found = json.loads(out)
    assert found["overall"] == "compatible"
    assert found["areas"][0]["candidates"]


@pytest.mark.parametrize(
    ("layer", "verdict"), [(None, "out_of_period"), ("retouching", "later_layer")]
)
def test_a_modern_white_counts_by_its_place(layer, verdict):
    # Titanium white was not made industrially before 1916 (rule base, sources S1, S8a, S10a).
    words = ["pigments", "--amounts", "Ti=10,Zn=3", "--period", "1630-1650", "--json"]
    code, out, _ = run(*words, *(["--area-layer", layer] if layer else []))
    assert code == 0
    assert json.loads(out)["overall"] == verdict


def test_areas_of_a_file_are_asked_about_together(tmp_path):
    file = tmp_path / "areas.toml"
    file.write_text(
        '[[area]]\nname = "collar"\nelements = ["Pb", "Sn"]\n'
        '[[area]]\nname = "corner"\nelements = ["Ti"]\namounts = { Ti = 9 }\nlayer = "retouching"\n'
    )
    code, out, _ = run("pigments", "--areas", file, "--period", "1640", "--json")
    assert code == 0
    found = json.loads(out)
    assert [area["name"] for area in found["areas"]] == ["collar", "corner"]
    assert {flag["area"] for flag in found["flags"]} == {"corner"}


def test_rules_are_listed_shown_and_checked(tmp_path):
    code, out, _ = run("pigments", "--list", "--json")
    assert code == 0
    assert len(json.loads(out)) >= 40
    code, out, _ = run("pigments", "--show", "smalt")
    assert code == 0
    assert "smalt" in out.lower()
    code, out, _ = run("pigments", "--show", "smalt", "--json")
    assert json.loads(out)["name"] == "smalt"
    mine = tmp_path / "mine.toml"
    mine.write_text('[material.smalt]\nnam = "x"\n')
    code, out, err = run("pigments", "--check", mine)
    assert code == 1
    assert "nam" in err
    mine.write_text('[material.smalt]\nname = "smalt"\n')
    assert run("pigments", "--check", mine)[0] == 0


def test_convert_does_not_replace_a_file_unless_told(tmp_path):
    source, target = tmp_path / "a.msa", tmp_path / "b.nc"
    source.write_bytes(POINT.encode())
    target.write_text("mine")
    code, _, err = run("convert", source, target)
    assert code == 1
    assert "--force" in err
    assert target.read_text() == "mine"
    code, out, _ = run("convert", source, target, "--force")
    assert (code, out) == (0, f"{target}\n")
    assert json.loads(run("describe", target, "--json")[1])["total_counts"] == 10


def test_describe_says_what_a_spectrum_holds(tmp_path):
    file = tmp_path / "a.msa"
    file.write_bytes(POINT.encode())
    code, out, _ = run("describe", file)
    assert code == 0
    assert "point spectrum" in out
    assert "4 channels" in out
    assert "10 in all" in out
    found = json.loads(run("describe", file, "--json")[1])
    assert found["shape"] == [4]


# the smallest file that ISO 22029 allows: its required keywords and four channels
POINT = """#FORMAT      : EMSA/MAS Spectral Data File
#VERSION     : 1.0
#TITLE       : four channels
#DATE        : 25-NOV-2026
#TIME        : 09:00
#OWNER       : nobody
#NPOINTS     : 4
#NCOLUMNS    : 1
#XUNITS      : keV
#YUNITS      : counts
#DATATYPE    : Y
#XPERCHAN    : 0.02
#OFFSET      : 0.0
#LIVETIME    : 2.0
#SPECTRUM    :
1.0
2.0
3.0
4.0
#ENDOFDATA   :
"""


def test_a_missing_printer_is_told_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setenv("CHROMIUM", str(tmp_path / "none"))
    out = tmp_path / "out"
    code, _, err = run("study", tmp_path / "any.toml", "--out", out, "--pdf")
    assert code == 1
    assert "no Chromium" in " ".join(err.split())
    assert not out.exists()


def test_module_runs_as_the_command():
    run = subprocess.run(
        [sys.executable, "-m", "xrfmap", "--help"], capture_output=True, text=True, check=True
    )
    assert "study" in run.stdout


WORDS = "−12\u202f345 ± 3 µg/cm² Kα → Zürich žluťák 水 1.2 × 10⁷ 10¹⁰ 10⁻⁶"


@pytest.mark.parametrize(
    ("encoding", "written"),
    [
        ("utf-8", WORDS),
        (
            "latin-1",
            r"-12 345 +- 3 ug/cm2 Ka -> Zürich \u017elu\u0165ák \u6c34 1.2 x 10^7 10^10 10^-6",
        ),
        (
            "cp1250",
            r"-12 345 +- 3 ug/cm2 Ka -> Zürich žluťák \u6c34 1.2 x 10^7 10^10 10^-6",
        ),
        (
            "ascii",
            r"-12 345 +- 3 ug/cm2 Ka -> Z\xfcrich \u017elu\u0165\xe1k \u6c34"
            " 1.2 x 10^7 10^10 10^-6",
        ),
    ],
)
def test_any_text_can_be_written_in_any_encoding(encoding, written):
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    write_any_text(stream)
    stream.write(WORDS)
    stream.flush()
    assert stream.buffer.getvalue().decode(encoding) == written


def test_json_names_files_in_any_encoding(monkeypatch):
    stream = io.TextIOWrapper(io.BytesIO(), encoding="latin-1")
    write_any_text(stream)
    monkeypatch.setattr(sys, "stdout", stream)
    print_json({"file": "žluťák ± 水.msa"})
    stream.flush()
    assert json.loads(stream.buffer.getvalue().decode("latin-1")) == {"file": "žluťák ± 水.msa"}


def test_help_is_written_in_an_old_encoding():
    env = os.environ | {"PYTHONIOENCODING": "ascii"}
    run = subprocess.run(
        [sys.executable, "-m", "xrfmap", "plan", "--help"], capture_output=True, check=True, env=env
    )
    assert b"cover" in run.stdout


def test_an_energy_scale_taken_from_the_file_is_told(tmp_path):
    # a thousand counts in all: too few for any search of lines
    sim = painting("chalk", shape=(6, 8), total_counts=20, channels=1024, kev_per_channel=0.0402)
    counts, energy = sim.scan["counts"].values, 0.0402 * np.arange(1024)
    scan = write_nexus(tmp_path / "faint.h5", counts, 1.0, energy_kev=energy)
    code, out, _ = run("maps", scan, "--elements", "Ca", "--out", tmp_path / "maps.nc", "--quiet")
    assert code == 0
    assert "note: the energy scale is the one its file states" in out
    point = write_emsa(tmp_path / "p01.msa", counts.sum(axis=(0, 1)), energy_kev=energy)
    code, _, err = run("spectrum", point, "--elements", "Ca")
    assert code == 0
    assert "p01.msa: the energy scale is the one its file states" in err
