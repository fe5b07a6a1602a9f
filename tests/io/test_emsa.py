"""EMSA/MAS 1.0 text (ISO 22029).

The sample file and the list of keywords follow Egerton et al. 1991 ("EMSA/MAS Standard
File Format for Spectral-Data Exchange"), from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.io import open_point
from xrfmap.io.emsa import (
    OPTIONAL_KEYWORDS,
    REQUIRED_KEYWORDS,
    format_emsa,
    open_emsa_point,
    parse_emsa,
    read_emsa,
    write_emsa,
)
from xrfmap.scan import instrument_of, notes_of
from xrfmap.settings import Instrument

SAMPLE = """\
#FORMAT      : EMSA/MAS Spectral Data File
#VERSION     : 1.0
#TITLE       : NIO EELS OK SHELL
#DATE        : 01-OCT-1991
#TIME        : 12:00
#OWNER       : EMSA/MAS TASK FORCE
#NPOINTS     : 20.
#NCOLUMNS    : 1.
#XUNITS      : eV
#YUNITS      : Intensity
#DATATYPE    : XY
#XPERCHAN    : 3.1
#OFFSET      : 520.13
#CHOFFSET    : -168.
#SIGNALTYPE  : ELS
#XLABEL      : Energy
#YLABEL      : Counts
#BEAMKV   -kV: 120.0
#EMISSION -uA: 5.5
#PROBECUR -nA: 12.345
#BEAMDIAM -nm: 100.0
#MAGCAM      : 100.
#CONVANGLE-mR: 1.5
#COLLANGLE-mR: 3.4
#OPERMODE    : IMAGE
#THICKNESS-nm: 50.
#DWELLTIME-ms: 100.0
#ELSDET      : SERIAL
##MYKEY      : 7
#SPECTRUM    : Spectral Data Starts Here
 520.13, 4066.0
 523.22, 3996.0
 526.31, 3932.0
 529.40, 3923.0
 532.49, 5602.0
 535.58, 5288.0
 538.67, 7234.0
 541.76, 7809.0
 544.85, 4710.0
 547.94, 5015.0
 551.03, 4366.0
 554.12, 4524.0
 557.21, 4832.0
 560.30, 5474.0
 563.39, 5718.0
 566.48, 5034.0
 569.57, 4651.0
 572.66, 4613.0
 575.75, 4637.0
 578.84, 4429.0
#ENDOFDATA   :
"""
Y = np.random.default_rng(4).poisson(20, 257)


def simple(**changes):
    """Text of a small file with some lines changed, or left out where None."""
    lines = {
        "FORMAT": "EMSA/MAS Spectral Data File", "VERSION": "1.0", "TITLE": "t", "DATE": "d",
        "TIME": "t", "OWNER": "o", "NPOINTS": "4.", "NCOLUMNS": "2.", "XUNITS": "eV",
        "YUNITS": "counts", "DATATYPE": "Y", "XPERCHAN": "10.", "OFFSET": "-20.",
        "SPECTRUM": "", "data": "1., 2.,\n3., 4.,", "ENDOFDATA": "",
    }  # fmt: skip
    lines.update(changes)
    rows = [v if k == "data" else f"#{k:<12}: {v}" for k, v in lines.items() if v is not None]
    return "\n".join(rows) + "\n"


def test_the_sample_of_the_standard():
    got = parse_emsa(SAMPLE, "sample.msa")
    assert set(REQUIRED_KEYWORDS) - {"SPECTRUM", "ENDOFDATA"} <= set(got.keywords)
    assert got.keywords["TITLE"] == "NIO EELS OK SHELL"
    assert got.keywords["DATE"] == "01-OCT-1991"
    assert got.units["BEAMKV"] == "kV"
    assert got.units["CONVANGLE"] == "mR"
    assert "MYKEY" not in got.keywords
    assert got.y.tolist()[:3] == [4066, 3996, 3932]
    assert got.y[-1] == 4429
    assert got.x[[0, 1, -1]].tolist() == [520.13, 523.22, 578.84]
    # CHOFFSET, the channel at zero of X: -520.13 / 3.1 = -167.8
    assert got.notes == ()


@pytest.mark.parametrize("datatype", ["Y", "XY"])
@pytest.mark.parametrize("columns", [1, 4, 5])
@pytest.mark.parametrize("x_units", ["eV", "keV"])
def test_round_trip_of_data_types_columns_and_units(tmp_path, datatype, columns, x_units):
    path = write_emsa(
        tmp_path / "p.msa", Y, zero_kev=-0.0213, kev_per_channel=0.01003, live_time_s=99.37,
        real_time_s=104.5, title="Mill by a frozen river, p01", owner="studio", date="25-NOV-2026",
        time="14:05", datatype=datatype, columns=columns, x_units=x_units,
        instrument=Instrument(tube_kv=50, tube_ma=0.6, takeoff_deg=40),
    )  # fmt: skip
    ds = open_point(path)
    np.testing.assert_array_equal(ds["counts"].values, Y)
    # numbers are written with 12 digits: 1e-12 of 2.6 keV
    np.testing.assert_allclose(
        ds["energy"].values, -0.0213 + 0.01003 * np.arange(Y.size), atol=3e-12
    )
    assert (float(ds["live_time"]), float(ds["real_time"])) == (99.37, 104.5)
    said = instrument_of(ds)
    assert (said.tube_kv, said.tube_ma, said.takeoff_deg) == (50, pytest.approx(0.6), 40)
    assert ds.attrs["title"] == "Mill by a frozen river, p01"
    assert ds.attrs["emsa_owner"] == "studio"
    assert notes_of(ds) == []


def test_every_keyword_of_the_standard_survives_a_round_trip():
    told = {key: f"{i + 1}.5" for i, key in enumerate(OPTIONAL_KEYWORDS)}
    text = format_emsa(Y, zero_kev=0, kev_per_channel=0.01, keywords=told)
    got = parse_emsa(text.replace("\r\n", "\n"), "p.msa")
    assert {key: got.keywords[key] for key in told} == told
    for key, unit in OPTIONAL_KEYWORDS.items():
        assert got.units.get(key, "") == unit
    for key in REQUIRED_KEYWORDS[:-2]:
        assert key in got.keywords


def test_required_keywords_come_first_in_the_order_of_the_standard():
    lines = format_emsa(Y, zero_kev=0, kev_per_channel=0.01, live_time_s=1).split("\r\n")
    keys = [line[1:13].split("-")[0].strip() for line in lines if line.startswith("#")]
    assert tuple(keys[:13]) == REQUIRED_KEYWORDS[:13]
    assert keys[-2:] == ["SPECTRUM", "ENDOFDATA"]
    assert max(map(len, lines)) <= 78


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("start", ["", "\ufeff", "\n\n"])
def test_line_ends_and_byte_order_marks(tmp_path, end, start):
    path = tmp_path / "p.msa"
    path.write_bytes((start + SAMPLE).replace("\n", end).encode())
    assert open_point(path)["counts"].values[0] == 4066


@pytest.mark.parametrize(
    "data", ["1,2\n3,4", "1 2\n3 4", "1. 2.\n3., 4.,", "1.0E0,2\n.3e1\n# between\n+4", "1;2\n3;4"]
)
def test_ways_to_write_numbers(data):
    assert parse_emsa(simple(data=data), "p").y.tolist() == [1, 2, 3, 4]


def test_keyword_lines_without_blanks_and_in_small_letters():
    text = simple().replace("#NPOINTS     : 4.", "#npoints:4").replace("#TITLE ", "#Title")
    assert parse_emsa(text, "p").keywords["NPOINTS"] == "4"


def test_a_rate_becomes_counts_by_the_live_time(tmp_path):
    path = tmp_path / "p.msa"
    path.write_text(
        simple(
            YUNITS="counts per second",
            TIME="t\n#LIVETIME -s : 10.",
            data="0.1 0.2 0.3\n0.4",
            NCOLUMNS="3.",
        )
    )
    ds = open_emsa_point(path)
    assert ds["counts"].values.tolist() == [1, 2, 3, 4]
    path.write_text(simple(YUNITS="cps"))
    with pytest.raises(InputError, match="a live time, to turn the rate into counts"):
        open_emsa_point(path)
    assert open_emsa_point(path, live_time_s=2.0)["counts"].values.tolist() == [2, 4, 6, 8]


def test_units_of_the_x_axis(tmp_path):
    path = tmp_path / "p.msa"
    path.write_text(simple(XUNITS="keV", XPERCHAN="0.01", OFFSET="0.1"))
    assert open_emsa_point(path)["energy"].values[1] == pytest.approx(0.11)
    path.write_text(simple(XUNITS="channel"))
    assert "energy" not in open_emsa_point(path).coords
    path.write_text(simple(XUNITS="nm"))
    with pytest.raises(InputError, match="#XUNITS: found 'nm'"):
        open_emsa_point(path)


def test_descriptive_keywords_may_be_missing_with_a_note():
    got = parse_emsa(simple(OWNER=None, TIME=None), "p")
    assert got.notes == ("keyword TIME is missing", "keyword OWNER is missing")


def test_a_zero_channel_that_disagrees_is_noted():
    assert "CHOFFSET" in parse_emsa(simple(TITLE="t\n#CHOFFSET : 40"), "p").notes[0]
    assert parse_emsa(simple(TITLE="t\n#CHOFFSET : 2."), "p").notes == ()


@pytest.mark.parametrize(
    ("changes", "field", "found"),
    [
        ({"FORMAT": None}, "#FORMAT", "as the first line"),
        ({"NPOINTS": None}, "#NPOINTS", "nothing"),
        ({"XPERCHAN": None}, "#XPERCHAN", "nothing"),
        ({"SPECTRUM": None}, "#SPECTRUM", "no such line"),
        ({"ENDOFDATA": None}, "#ENDOFDATA", "the end of the file after line 16"),
        ({"NPOINTS": "5."}, "#NPOINTS", "4 numbers of type Y"),
        ({"NPOINTS": "3."}, "#NPOINTS", "4 numbers of type Y"),
        ({"NPOINTS": "4.5"}, "#NPOINTS", "4.5"),
        ({"NPOINTS": "1e9"}, "#NPOINTS", "1e+09"),
        ({"NPOINTS": "many"}, "#NPOINTS", "'many'"),
        ({"NCOLUMNS": "1."}, "#NCOLUMNS", "2 numbers in line 15"),
        ({"DATATYPE": "XYZ"}, "#DATATYPE", "'XYZ'"),
        ({"DATATYPE": "XY", "NCOLUMNS": "1."}, "#NPOINTS", "4 numbers of type XY"),
        ({"XPERCHAN": "0."}, "#XPERCHAN", "0"),
        ({"XPERCHAN": "1e999"}, "#XPERCHAN", "'1e999'"),
        ({"data": "1 2\n3 four"}, "#SPECTRUM", "line 16: 'four'"),
        ({"data": "1 2\n3 nan"}, "#SPECTRUM", "line 16: 'nan'"),
        ({"TITLE": "t\n#NPOINTS : 5"}, "#NPOINTS", "'5' and '4.'"),
        ({"TITLE": "t\nno keyword"}, "", "line 4: 'no keyword'"),
    ],
)
def test_a_file_that_is_incomplete_or_contradicts_itself(changes, field, found):
    with pytest.raises(InputError) as caught:
        parse_emsa(simple(**changes), "p.msa")
    assert (caught.value.where, caught.value.field) == ("p.msa", field)
    assert found in caught.value.found


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"data": "1 2\n3 -4"}, "#SPECTRUM"),
        ({"data": "0 0\n0 0"}, "#SPECTRUM"),
        ({"YUNITS": "grey", "data": "1 2\n3 4.5"}, "#YUNITS"),
        ({"TITLE": "t\n#LIVETIME -h : 3"}, "#LIVETIME"),
        ({"TITLE": "t\n#LIVETIME -s : -3"}, "#LIVETIME"),
        ({"TITLE": "t\n#BEAMKV -furlong: 3"}, "#BEAMKV"),
        ({"DATATYPE": "XY", "NPOINTS": "2.", "data": "2 1\n1 1"}, "#SPECTRUM"),
    ],
)
def test_values_that_cannot_be_used(tmp_path, changes, field):
    path = tmp_path / "p.msa"
    path.write_text(simple(**changes))
    with pytest.raises(InputError) as caught:
        open_emsa_point(path)
    assert caught.value.field == field


def test_a_study_that_contradicts_the_file_is_refused(tmp_path):
    path = tmp_path / "p.msa"
    path.write_text(simple(TITLE="t\n#BEAMKV -kV: 40"))
    with pytest.raises(InputError, match=r"40\.0 in the file and 50\.0 in the study file"):
        open_emsa_point(path, instrument=Instrument(tube_kv=50))


def test_writing_refuses_what_the_format_cannot_hold(tmp_path):
    with pytest.raises(InputError, match="even energy axis"):
        write_emsa(tmp_path / "p.msa", [1, 2, 3], energy_kev=[1, 2, 4])
    with pytest.raises(InputError, match="counts of 0 or more"):
        write_emsa(tmp_path / "p.msa", [1, -2])
    with pytest.raises(InputError, match="optional keyword"):
        write_emsa(tmp_path / "p.msa", [1, 2], keywords={"NPOINTS": "7"})
    assert list(tmp_path.iterdir()) == []


def test_a_long_title_is_whole_in_remarks():
    title = "A very long title " * 8
    got = parse_emsa(format_emsa([1, 2], title=title).replace("\r\n", "\n"), "p")
    assert got.keywords["COMMENT"] == title.strip()
    assert got.keywords["TITLE"].endswith("...")


def test_control_codes_do_not_reach_the_terminal(tmp_path):
    path = tmp_path / "p.msa"
    path.write_text(simple(TITLE="\x1b]0;owned\x07\x1b[31mred\x1b[0m\u202e"))
    assert read_emsa(path).keywords["TITLE"] == "red"
