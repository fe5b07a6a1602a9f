"""Array files: .npy, multi-page TIFF, and raw blocks with their card."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from xrfmap.errors import InputError
from xrfmap.io import open_detectors, open_point, open_scan
from xrfmap.io.card import parse_card
from xrfmap.io.strided import Layout, Number, read_strided
from xrfmap.scan import instrument_of, notes_of
from xrfmap.settings import Instrument, ScanEntry

NY, NX, NC = 6, 5, 64
CUBE = np.random.default_rng(11).poisson(2.0, (NY, NX, NC)).astype(np.uint16)
ORDERS = [("y", "x", "energy"), ("energy", "y", "x"), ("y", "energy", "x"), ("x", "energy", "y")]


def arranged(order, cube=CUBE):
    return np.ascontiguousarray(cube.transpose([("y", "x", "energy").index(n) for n in order]))


def write(path, data: bytes, card: str):
    path.write_bytes(data)
    path.with_name(path.name + ".toml").write_text(card)
    return path


def shape_line(order):
    sizes = {"y": NY, "x": NX, "energy": NC}
    return f"axes = {list(order)}\nshape = {[sizes[n] for n in order]}\n".replace("'", '"')


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("kind", ["npy", "fortran"])
def test_npy_in_any_order(tmp_path, order, kind):
    array = arranged(order)
    np.save(tmp_path / "a.npy", np.asfortranarray(array) if kind == "fortran" else array)
    entry = ScanEntry(file="a.npy", dataset=f"[{', '.join(order)}]")
    np.testing.assert_array_equal(open_scan(tmp_path / "a.npy", entry)["counts"].values, CUBE)


def test_npy_without_a_word_is_y_x_energy(tmp_path):
    np.save(tmp_path / "a.npy", CUBE)
    ds = open_scan(tmp_path / "a.npy")
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    assert hasattr(ds["counts"].data, "dask")
    assert notes_of(ds) == []


def test_npy_of_one_spectrum_is_a_point(tmp_path):
    np.save(tmp_path / "p.npy", CUBE[0, 0])
    np.testing.assert_array_equal(open_point(tmp_path / "p.npy")["counts"].values, CUBE[0, 0])


@pytest.mark.parametrize(
    "array",
    [
        np.array([[{"a": 1}]], dtype=object),
        np.ones((2, 2, 64), dtype=complex),
        np.zeros((2, 2, 64), dtype=[("a", "u2")]),
        np.array(["a"] * 64),
        np.array(3),
        np.zeros((2, 0, 64)),
    ],
    ids=["objects", "complex", "records", "text", "scalar", "empty"],
)
def test_npy_of_anything_but_counts_is_refused(tmp_path, array):
    np.save(tmp_path / "a.npy", array, allow_pickle=True)
    with pytest.raises(InputError):
        open_scan(tmp_path / "a.npy")


def test_npy_that_was_cut_off(tmp_path):
    np.save(tmp_path / "a.npy", CUBE)
    data = (tmp_path / "a.npy").read_bytes()
    (tmp_path / "a.npy").write_bytes(data[:-100])
    with pytest.raises(InputError, match=r"3740 bytes of numbers; expected 3840 bytes"):
        open_scan(tmp_path / "a.npy")


@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}, {"bigtiff": True}])
@pytest.mark.parametrize("extra", [{}, {"rowsperstrip": 2}, {"tile": (16, 16)}])
@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u4", "f4"])
def test_tiff_with_a_page_per_channel(tmp_path, options, extra, dtype):
    planes = arranged(("energy", "y", "x")).astype(dtype)
    byteorder = ">" if dtype.startswith(">") else "<"
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path, byteorder=byteorder, bigtiff=options.get("bigtiff", False)) as t:
        for plane in planes:
            t.write(
                plane,
                photometric="minisblack",
                metadata=None,
                contiguous=False,
                compression=options.get("compression"),
                **extra,
            )
    ds = open_scan(path)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    np.testing.assert_array_equal(ds["counts"][2:4, 1:3, 5:9].values, CUBE[2:4, 1:3, 5:9])


def test_tiff_with_a_predictor(tmp_path):
    for plane in arranged(("energy", "y", "x")):
        tifffile.imwrite(
            tmp_path / "a.tif", plane, append=True, compression="zlib", predictor=2,
            photometric="minisblack", metadata=None,
        )  # fmt: skip
    np.testing.assert_array_equal(open_scan(tmp_path / "a.tif")["counts"].values, CUBE)


@pytest.mark.parametrize("back_to", [0, 1])
def test_pages_of_a_tiff_that_lead_in_a_circle_are_refused(tmp_path, back_to):
    # TIFF 6.0, section 2: a page's directory is a number of entries (2 bytes), these entries
    # (12 bytes each), and the place of the next directory (4 bytes)
    path = tmp_path / "a.tif"
    for _ in range(2):
        tifffile.imwrite(path, np.ones((9, 9), "u2"), append=True, metadata=None, byteorder="<")
    with tifffile.TiffFile(path) as file:
        places = [page.offset for page in file.pages]
    raw = bytearray(path.read_bytes())
    (entries,) = struct.unpack_from("<H", raw, places[1])
    struct.pack_into("<I", raw, places[1] + 2 + 12 * entries, places[back_to])
    path.write_bytes(raw)
    with pytest.raises(InputError, match=f"page 3 at byte {places[back_to]}, where an earlier"):
        open_scan(path)


def test_tiff_of_colours_or_of_unlike_pages_is_refused(tmp_path):
    tifffile.imwrite(tmp_path / "rgb.tif", np.zeros((9, 9, 3), "u1"), photometric="rgb")
    with pytest.raises(InputError, match=r"photographs go under \[\[image\]\]"):
        open_scan(tmp_path / "rgb.tif")
    for size in (9, 9, 8):
        tifffile.imwrite(tmp_path / "a.tif", np.ones((size, 9), "u2"), append=True, metadata=None)
    with pytest.raises(InputError, match="page 3 of shape"):
        open_scan(tmp_path / "a.tif")


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("dtype", ["u1", "i2", "u4", "i8", "f4", "f8"])
@pytest.mark.parametrize("byte_order", ["little", "big"])
def test_a_raw_block_in_any_order_and_type(tmp_path, order, dtype, byte_order):
    stored = np.dtype(dtype).newbyteorder("<" if byte_order == "little" else ">")
    name = {"u": "uint", "i": "int", "f": "float"}[dtype[0]] + str(8 * int(dtype[1]))
    path = write(
        tmp_path / "front.raw",
        bytes(517) + arranged(order).astype(stored).tobytes() + b"trailer",
        f'type = "{name}"\nbyte_order = "{byte_order}"\nheader_bytes = 517\n' + shape_line(order),
    )
    ds = open_scan(path)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    np.testing.assert_array_equal(ds["counts"][1:3, 2:, ::7].values, CUBE[1:3, 2:, ::7])


@pytest.mark.parametrize("order", ORDERS)
def test_padding_before_and_after_every_step(tmp_path, order):
    array = arranged(order)
    rows = []
    for slow in array:
        middle = b"".join(b"<" + line.tobytes() + b">>" for line in slow)
        rows.append(b"LINE" + middle + b"END")
    card = (
        'type = "uint16"\nheader_bytes = 3\n'
        + shape_line(order)
        + f"[padding.{order[0]}]\nbefore_bytes = 4\nafter_bytes = 3\n"
        + f"[padding.{order[1]}]\nbefore_bytes = 1\nafter_bytes = 2\n"
    )
    path = write(tmp_path / "front.raw", b"HDR" + b"".join(rows), card)
    np.testing.assert_array_equal(open_scan(path)["counts"].values, CUBE)


@given(
    width=st.integers(1, 8),
    signed=st.booleans(),
    big=st.booleans(),
    data=st.data(),
)
def test_integers_of_any_width_are_decoded_as_python_does(width, signed, big, data):
    low, high = (
        (-(2 ** (8 * width - 1)), 2 ** (8 * width - 1) - 1) if signed else (0, 2 ** (8 * width) - 1)
    )
    values = data.draw(st.lists(st.integers(low, high), min_size=1, max_size=20))
    order = "big" if big else "little"
    raw = b"".join(v.to_bytes(width, order, signed=signed) for v in values)
    number = Number.named(f"{'int' if signed else 'uint'}{8 * width}", order)
    got = number.decode(np.frombuffer(raw, dtype=np.uint8).reshape(-1, width))
    assert [int(v) for v in got] == values


@settings(max_examples=60)
@given(st.data())
def test_any_box_of_any_layout(tmp_path_factory, data):
    shape = tuple(data.draw(st.integers(1, 6)) for _ in range(3))
    cube = np.arange(np.prod(shape), dtype=np.uint16).reshape(shape)
    gaps = [data.draw(st.integers(0, 9000)) for _ in range(3)]
    strides = [0, 0, 0]
    unit = 2
    for axis in (2, 1, 0):
        strides[axis] = unit + gaps[axis]
        unit = strides[axis] * shape[axis]
    raw = np.zeros(unit + 7, dtype=np.uint8)
    for index in np.ndindex(shape):
        at = 7 + sum(i * s for i, s in zip(index, strides, strict=True))
        raw[at : at + 2] = np.frombuffer(cube[index].tobytes(), dtype=np.uint8)
    path = tmp_path_factory.mktemp("raw") / "a.raw"
    path.write_bytes(raw.tobytes())
    key = []
    for n in shape:
        low = data.draw(st.integers(0, n))
        key.append(slice(low, data.draw(st.integers(low, n))))
    layout = Layout(7, shape, tuple(strides), Number("u", 2))
    with path.open("rb") as stream:
        got = read_strided(stream.fileno(), layout, key, "a.raw")
    np.testing.assert_array_equal(got, cube[tuple(key)])


def test_a_card_says_all_that_a_scan_needs(tmp_path):
    np.save(tmp_path / "live.npy", np.full((NY, NX), 0.125))
    path = write(
        tmp_path / "front.raw",
        CUBE.tobytes(),
        'type = "uint16"\n'
        + shape_line(ORDERS[0])
        + """
title = "Mill by a frozen river"
live_time_file = "live.npy"
real_time_s = 0.13
pixel_mm = [0.5, 0.4]
origin_mm = [10.0, 20.0]
zero_kev = -0.02
kev_per_channel = 0.02
[instrument]
anode = "Rh"
[instrument.detector]
thickness_mm = 0.45
""",
    )
    ds = open_scan(path, ScanEntry(file="front.raw"), Instrument(tube_kv=50))
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    assert (ds["live_time"].values == 0.125).all()
    assert (ds["real_time"].values == 0.13).all()
    np.testing.assert_allclose(ds["x"].values, 10 + 0.5 * np.arange(NX))
    np.testing.assert_allclose(ds["y"].values, 20 + 0.4 * np.arange(NY))
    np.testing.assert_allclose(ds["energy"].values, -0.02 + 0.02 * np.arange(NC))
    said = instrument_of(ds)
    assert (said.anode, said.tube_kv, said.detector.thickness_mm) == ("Rh", 50, 0.45)
    assert ds.attrs["title"] == "Mill by a frozen river"
    with pytest.raises(InputError, match="anode"):
        open_scan(path, None, Instrument(anode="W"))
    with pytest.raises(InputError, match="live_time_s"):
        open_scan(path, ScanEntry(file="front.raw", live_time_s=3))


def test_the_card_itself_can_be_listed_and_can_name_its_data(tmp_path):
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "block").write_bytes(CUBE.tobytes())
    card = tmp_path / "front.toml"
    card.write_text('file = "data/block"\ntype = "uint16"\n' + shape_line(ORDERS[0]))
    ds = open_scan(card)
    np.testing.assert_array_equal(ds["counts"].values, CUBE)
    assert ds.attrs["source"] == "block"


@pytest.mark.parametrize("name", ["/etc/passwd", "../block", "link"])
def test_a_card_cannot_name_data_outside_its_folder(tmp_path, name):
    (tmp_path / "link").symlink_to("/etc/passwd")
    card = tmp_path / "front.toml"
    card.write_text(f'file = "{name}"\ntype = "uint16"\n' + shape_line(ORDERS[0]))
    with pytest.raises(InputError, match="below the folder"):
        open_scan(card)


@pytest.mark.parametrize(
    ("card", "message"),
    [
        ('typ = "uint16"', r"typ: found an unknown key.*did you mean type\?"),
        ('type = "uint12"', r"type: found 'uint12'"),
        ('type = "uint16"\nshape = [2, 2]', "shape needs axes"),
        ('type = "uint16"\naxes = ["y", "x"]\nshape = [2]', "1 sizes for 2 axes"),
        ('type = "uint16"\naxes = ["y", "y"]', "named twice"),
        ('axes = ["y"]\n[padding.x]\nafter_bytes = 1', "'x' is none of the axes"),
        ('axes = ["y"]\n[padding.y]\nafter = 1', r"did you mean after_bytes\?"),
        ('type = "uint16"\naxes = ["y"]\nshape = [0]', "shape.0: found 0"),
        ("header_bytes = -1", "header_bytes: found -1"),
        ("zero_kev = 0.1", "go together"),
        ("[[detector]]\nzero_kev = 0.1", "go together"),
        ("a = ", "text that is no TOML"),
        ("[instrument]\nanodes = 1", r"did you mean anode\?"),
    ],
)
def test_a_bad_card_is_explained(card, message):
    with pytest.raises(InputError, match=message):
        parse_card(card, "front.raw.toml")


def test_a_raw_block_that_is_too_short_says_how_many_rows_there_are(tmp_path):
    path = write(
        tmp_path / "front.raw",
        CUBE[:4].tobytes() + bytes(10),
        'type = "uint16"\n' + shape_line(ORDERS[0]),
    )
    with pytest.raises(InputError, match="set the size of y to 4"):
        open_scan(path)


def test_a_raw_block_without_a_card_is_unknown(tmp_path):
    (tmp_path / "front.raw").write_bytes(b"\x01\x00\x02\x00" * 100)
    with pytest.raises(InputError, match="--guess"):
        open_scan(tmp_path / "front.raw")


def test_a_block_that_shrinks_is_reported(tmp_path):
    path = write(tmp_path / "a.raw", CUBE.tobytes(), 'type = "uint16"\n' + shape_line(ORDERS[0]))
    ds = open_scan(path)
    path.write_bytes(CUBE.tobytes()[:1000])
    with pytest.raises(InputError, match="the end of the file at byte 1000"):
        ds["counts"].values  # noqa: B018
    path.unlink()
    with pytest.raises(InputError, match="No such file"):
        ds["counts"].values  # noqa: B018


# ------------------------------------------------------------------ several detectors
PAIR = np.stack([CUBE, CUBE + np.uint16(1), CUBE * np.uint16(0)], axis=2)  # y, x, detector, energy
CARD = f'type = "uint16"\naxes = ["y", "x", "detector", "energy"]\nshape = [{NY}, {NX}, 3, {NC}]\n'


def test_several_detectors_need_a_choice(tmp_path):
    path = write(tmp_path / "a.raw", PAIR.tobytes(), CARD)
    with pytest.raises(InputError, match="detector=sum"):
        open_scan(path)
    np.testing.assert_array_equal(open_scan(path, detector=1)["counts"].values, CUBE + 1)
    total = open_scan(path, detector="sum")
    np.testing.assert_array_equal(total["counts"].values, 2 * CUBE.astype(int) + 1)
    entry = ScanEntry(file="a.raw", dataset="[y, x, detector=1, energy]")
    np.testing.assert_array_equal(open_scan(path, entry)["counts"].values, CUBE + 1)


def test_a_card_takes_one_index_of_an_axis(tmp_path):
    path = write(tmp_path / "a.raw", PAIR.tobytes(), CARD + "[take]\ndetector = 1\n")
    np.testing.assert_array_equal(open_scan(path)["counts"].values, CUBE + 1)


def test_detectors_of_a_card_with_their_scales_are_added_up(tmp_path):
    scales = "".join(f"[[detector]]\nzero_kev = {z}\nkev_per_channel = 0.02\n" for z in (0.0, 0.02))
    path = write(tmp_path / "a.raw", PAIR.tobytes(), CARD + scales + "[[detector]]\nuse = false\n")
    ds = open_scan(path)
    # the second detector starts one channel higher
    want = CUBE.astype(int)
    want[..., 1:] += CUBE[..., :-1] + 1
    np.testing.assert_array_equal(ds["counts"].values, want)
    assert "2 detectors added up" in notes_of(ds)[0]


def test_detectors_without_scales_are_added_up_as_they_are(tmp_path):
    path = write(tmp_path / "a.raw", PAIR.tobytes(), CARD + "[[detector]]\n" * 3)
    np.testing.assert_array_equal(open_scan(path)["counts"].values, 2 * CUBE.astype(int) + 1)


def test_the_number_of_detectors_must_fit(tmp_path):
    path = write(tmp_path / "a.raw", PAIR.tobytes(), CARD + "[[detector]]\n" * 2)
    with pytest.raises(InputError, match="2 detectors in the card"):
        open_scan(path)


def test_detectors_can_be_opened_one_by_one(tmp_path):
    pair = PAIR.copy()
    pair[:, :, 2] = 1  # a scan without counts would be refused
    path = write(tmp_path / "a.raw", pair.tobytes(), CARD.replace("detector", "sdd"))
    parts = open_detectors(path)
    assert len(parts) == 3
    np.testing.assert_array_equal(parts[1]["counts"].values, CUBE + 1)
    np.save(tmp_path / "one.npy", CUBE)
    assert len(open_detectors(tmp_path / "one.npy")) == 1
