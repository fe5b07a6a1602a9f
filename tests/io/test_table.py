"""Delimited text: one spectrum, or one row per pixel."""

from __future__ import annotations

import numpy as np
import pytest

from xrfmap.errors import InputError
from xrfmap.io import open_any, open_point, open_scan
from xrfmap.scan import notes_of
from xrfmap.settings import ScanEntry

Y = np.random.default_rng(12).poisson(20.0, 64)
CUBE = np.random.default_rng(13).poisson(2.0, (4, 3, 20))


def spectrum(tmp_path, text):
    path = tmp_path / "p.txt"
    path.write_text(text)
    return open_point(path)


@pytest.mark.parametrize(
    "row",
    ["{c}", "{i} {c}", "{i}\t{c}", "{i},{c}", "{i}; {c};", "  {i}   {c}  ", '"{i}","{c}"'],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_one_spectrum_in_any_common_layout(tmp_path, row, end):
    text = end.join(row.format(i=i, c=c) for i, c in enumerate(Y))
    ds = spectrum(tmp_path, "# p01" + end + text)
    np.testing.assert_array_equal(ds["counts"].values, Y)
    assert ds["counts"].dtype == np.int64
    assert "energy" not in ds.coords


def test_a_spectrum_in_one_line(tmp_path):
    np.testing.assert_array_equal(spectrum(tmp_path, " ".join(map(str, Y)))["counts"].values, Y)


@pytest.mark.parametrize(
    ("header", "scale"),
    [("energy_keV,counts", 1), ("Energy (eV),Counts", 1000), ("e keV,live,counts", 1)],
)
def test_a_header_names_the_columns_and_the_unit(tmp_path, header, scale):
    energy = (0.02 * np.arange(64) + 0.01) * scale
    middle = "0," if "live" in header else ""
    rows = "\n".join(f"{e:.6f},{middle}{c}" for e, c in zip(energy, Y, strict=True))
    ds = spectrum(tmp_path, header + "\n" + rows)
    np.testing.assert_array_equal(ds["counts"].values, Y)
    # six digits after the point
    np.testing.assert_allclose(ds["energy"].values, 0.02 * np.arange(64) + 0.01, atol=1e-6)


def test_an_energy_without_a_unit_is_taken_with_a_note(tmp_path):
    rows = "\n".join(f"{0.02 * i} {c}" for i, c in enumerate(Y))
    ds = spectrum(tmp_path, rows)
    assert ds["energy"].values[-1] == pytest.approx(1.26)
    assert "keV was assumed" in notes_of(ds)[0]
    rows = "\n".join(f"{20 * i} {c}" for i, c in enumerate(Y))
    assert spectrum(tmp_path, rows)["energy"].values[-1] == pytest.approx(1.26)


def test_decimal_commas(tmp_path):
    rows = "\n".join(f"{f'{0.02 * i:.2f}'.replace('.', ',')};{c}" for i, c in enumerate(Y))
    ds = spectrum(tmp_path, "keV;counts\n" + rows)
    assert ds["energy"].values[-1] == pytest.approx(1.26)


def test_facts_in_remarks(tmp_path):
    head = "# title: Mill by a frozen river, p01\n# live_time_s = 60\n# real_time = 66\n"
    head += "# zero_kev = 0.01\n# kev_per_channel = 0.02\n"
    ds = spectrum(tmp_path, head + "\n".join(map(str, Y)))
    assert (float(ds["live_time"]), float(ds["real_time"])) == (60, 66)
    assert ds["energy"].values[1] == pytest.approx(0.03)
    assert ds.attrs["title"] == "Mill by a frozen river, p01"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1 2\n" * 20 + "3 x\n", "line 21: found 'x'"),
        ("1 2\n" * 20 + "3\n", "line 21: found 1 numbers"),
        ("1\n" * 20 + "-4\n", "counts of 0 or more"),
        ("0\n" * 20, "no count in any channel"),
        ("1\n2\n3\n", "3 lines"),
        ("# nothing but remarks\n", "no numbers"),
        ("".join(f"{20 - i}.5 1\n" for i in range(20)), "values that do not rise"),
        ("a b c\n" + "1 2\n" * 20, "3 names"),
    ],
)
def test_text_that_is_no_spectrum(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        spectrum(tmp_path, text)


def table(cube=CUBE, header="y,x,live_time", drop=(), order=None):
    names = header.split(",") + [f"c{i}" for i in range(cube.shape[2])]
    rows = []
    for i in range(cube.shape[0]):
        for j in range(cube.shape[1]):
            if (i, j) not in drop:
                at = [0.5 * i, 0.5 * j] if "y" in names else [i, j]
                live = [0.1 + 0.01 * i] if "live_time" in names else []
                rows.append(",".join(map(str, [*at, *live, *cube[i, j]])))
    rows = [rows[k] for k in (order if order is not None else range(len(rows)))]
    return "# title: t\n" + ",".join(names) + "\n" + "\n".join(rows) + "\n"


def test_a_table_of_pixels_in_any_order(tmp_path):
    path = tmp_path / "scan.csv"
    path.write_text(table(order=np.random.default_rng(0).permutation(12)))
    ds = open_scan(path)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    np.testing.assert_allclose(ds["live_time"].values[2], 0.12)
    assert ds["x"].values.tolist() == [0, 0.5, 1.0]
    assert ds["y"].attrs["units"] == "mm"
    np.testing.assert_array_equal(ds["counts"][1:3, 2:0:-1, 4].values, CUBE[1:3, 2:0:-1, 4])


def test_rows_and_columns_as_numbers_take_their_size_from_the_study(tmp_path):
    path = tmp_path / "scan.csv"
    path.write_text(table(header="row,column"))
    assert open_scan(path)["x"].attrs["units"] == "pixel"
    ds = open_scan(path, ScanEntry(file="scan.csv", pixel_mm=(0.4, 0.4), live_time_s=1))
    np.testing.assert_allclose(ds["x"].values, [0, 0.4, 0.8])


def test_pixels_that_are_missing_are_empty_and_noted(tmp_path):
    path = tmp_path / "scan.csv"
    path.write_text(table(drop=[(1, 1), (3, 2)]))
    ds = open_scan(path)
    assert ds["counts"].values[1, 1].sum() == 0
    assert np.isnan(ds["live_time"].values[1, 1])
    assert "2 of 12 pixels are not in the table" in notes_of(ds)[0]


def test_the_table_stays_in_its_file(tmp_path):
    path = tmp_path / "scan.csv"
    path.write_text(table())
    ds = open_scan(path)
    assert hasattr(ds["counts"].data, "dask")
    path.write_text(table()[:400])
    with pytest.raises(InputError):
        ds["counts"].values  # noqa: B018


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.replace("y,x,", "a,b,"), "header: found a, b"),
        (lambda t: t.replace("0.5,0.5,", "0.5,0.0,"), "y = 0.5, x = 0 twice"),
        (lambda t: t.replace("\n1.0,0.5", "\n1.0,zero"), "found 'zero'"),
        (lambda t: t + "1,2,3\n", "3 columns"),
        (lambda t: t.replace("c0", "x_mm"), "header"),
        (lambda t: "\n".join(t.split("\n")[:2]), "no rows"),
    ],
)
def test_a_table_that_is_none(tmp_path, change, message):
    path = tmp_path / "scan.csv"
    path.write_text(change(table()))
    with pytest.raises(InputError, match=message):
        open_scan(path)


def test_pixels_off_a_grid_are_refused(tmp_path):
    rng = np.random.default_rng(1)
    rows = "\n".join(f"{a},{b},1,2" for a, b in rng.random((80, 2)))
    (tmp_path / "scan.csv").write_text("y,x,c0,c1\n" + rows)
    with pytest.raises(InputError, match="80 rows and 80 columns for 80 pixels"):
        open_scan(tmp_path / "scan.csv")


def test_a_bad_number_among_the_channels_shows_when_it_is_read(tmp_path):
    path = tmp_path / "scan.csv"
    text = table().split("\n")
    text[6] = text[6].rsplit(",", 1)[0] + ",bad"
    path.write_text("\n".join(text))
    with pytest.raises(InputError, match="'bad'"):
        open_scan(path)["counts"].values  # noqa: B018


def test_any_text_opens_as_what_it_is(tmp_path):
    (tmp_path / "a.csv").write_text(table())
    (tmp_path / "b.csv").write_text("\n".join(map(str, Y)))
    assert open_any(tmp_path / "a.csv")["counts"].ndim == 3
    assert open_any(tmp_path / "b.csv")["counts"].ndim == 1
