"""Damage good files in many ways and see that every reader opens or refuses them.

Run as a script: ``python tests/fuzz/fuzz_files.py KIND FIRST COUNT``. Input number n is
the same on every run, so a failure can be repeated with ``KIND n 1``. The last line
printed is JSON with the counts. A hang of more than five seconds or more than two
gigabytes of memory ends the process; the file ``--progress`` then names the input.
"""

from __future__ import annotations

import argparse
import faulthandler
import json
import resource
import shutil
import sys
import tempfile
import time
import traceback
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np

from xrfmap.errors import InputError

LIMIT_BYTES = 2 << 30
LIMIT_S = 5.0  # for one input
CUBE = np.random.default_rng(0).poisson(2.0, (5, 4, 64)).astype(np.uint16)
NASTY = (0, 1, 0x7F, 0x80, 0xFF)
# bit, nasty byte, random bytes, all ones, one bit of a number, bytes from elsewhere;
# then those that move what follows: cut out, double, cut off, insert
WAYS = (0.18, 0.14, 0.12, 0.12, 0.14, 0.12, 0.05, 0.04, 0.03, 0.06)
WORDS = (
    b"-1", b"0", b"1e999", b"nan", b"inf", b"99999999999999999999", b"\x1b[2J", b"\x00",
    b"../../etc/passwd", b"/dev/zero", b"{", b"]", b'"', b"\xff\xfe", b"\n\n", b"#", b"1e5",
)  # fmt: skip


def mutate(data: bytes, rng: np.random.Generator) -> bytes:
    """Damage bytes in one to three ways, mostly in place."""
    raw = bytearray(data)
    for _ in range(int(rng.integers(1, 4))):
        if len(raw) <= 1:
            break
        at = int(rng.integers(0, len(raw)))
        size = int(rng.integers(1, min(16, len(raw) - at) + 1))
        way = int(rng.choice(len(WAYS), p=WAYS))
        if way == 0:
            raw[at] ^= 1 << int(rng.integers(0, 8))
        elif way == 1:
            raw[at] = NASTY[int(rng.integers(0, len(NASTY)))]
        elif way == 2:
            raw[at : at + size] = rng.bytes(size)
        elif way == 3:
            width = (1, 2, 4, 8)[int(rng.integers(0, 4))]
            raw[at : at + width] = b"\xff" * width
        elif way == 4:
            width = (2, 4, 8)[int(rng.integers(0, 3))]
            raw[at : at + width] = (1 << int(rng.integers(0, 8 * width))).to_bytes(width, "little")
        elif way == 5:
            other = int(rng.integers(0, len(raw)))
            raw[at : at + size] = raw[other : other + size].ljust(size, b"\0")
        elif way == 6:
            del raw[at : at + size]
        elif way == 7:
            raw[at:at] = raw[at : at + size]
        elif way == 8:
            del raw[at:]
        else:
            raw[at:at] = WORDS[int(rng.integers(0, len(WORDS)))]
    return bytes(raw)


def mend_png(data: bytes) -> bytes:
    """Put right check sums into a damaged PNG, so that more than these is tried."""
    raw, place = bytearray(data), 8
    while place + 12 <= len(raw):
        size = int.from_bytes(raw[place : place + 4], "big")
        end = place + 8 + size
        if end + 4 > len(raw):
            break
        raw[end : end + 4] = zlib.crc32(raw[place + 4 : end]).to_bytes(4, "big")
        place = end + 4
    return bytes(raw)


# --------------------------------------------------------------------------- good files
def _nexus(folder: Path) -> Path:
    from xrfmap.io.nexus import write_nexus
    from xrfmap.settings import Instrument

    return write_nexus(
        folder / "a.h5", CUBE, np.full((5, 4), 0.1), y_mm=np.arange(5), x_mm=np.arange(4),
        energy_kev=np.arange(64) * 0.02, instrument=Instrument(anode="Rh", tube_kv=50), title="t",
    )  # fmt: skip


def _nexus_point(folder: Path) -> Path:
    from xrfmap.io.nexus import write_nexus

    return write_nexus(folder / "p.h5", CUBE[0, 0], 10.0, energy_kev=np.arange(64) * 0.02)


def _old_nexus(folder: Path) -> Path:
    import h5py
    import hdf5plugin

    with h5py.File(folder / "o.h5", "w") as file:
        group = file.create_group("entry/data")
        group.attrs["NX_class"] = "NXdata"
        dset = group.create_dataset(
            "counts", data=CUBE, chunks=(2, 2, 64), **hdf5plugin.Bitshuffle()
        )
        dset.attrs.update({"signal": 1, "axes": "y:x:energy"})
        group["soft"] = h5py.SoftLink("/entry/data/counts")
    return folder / "o.h5"


def _netcdf(folder: Path) -> Path:
    from xrfmap.io.convert import convert

    return convert(_nexus(folder), folder / "a.nc")


def _emsa(folder: Path) -> Path:
    from xrfmap.io.emsa import write_emsa

    return write_emsa(
        folder / "p.msa", CUBE[0, 0], zero_kev=0.0, kev_per_channel=0.02, live_time_s=10.0,
        real_time_s=11.0, columns=4, title="t",
    )  # fmt: skip


def _spectrum_text(folder: Path) -> Path:
    rows = "\n".join(f"{0.02 * i:.2f},{c}" for i, c in enumerate(CUBE[0, 0]))
    (folder / "p.csv").write_text("# live_time_s = 10\nenergy_keV,counts\n" + rows)
    return folder / "p.csv"


def _pixel_text(folder: Path) -> Path:
    names = "y,x,live_time," + ",".join(f"c{i}" for i in range(64))
    rows = [
        ",".join(map(str, [0.5 * i, 0.5 * j, 0.1, *CUBE[i, j]])) for i in range(5) for j in range(4)
    ]
    (folder / "s.csv").write_text("\n".join([names, *rows]))
    return folder / "s.csv"


def _npy(folder: Path) -> Path:
    np.save(folder / "a.npy", CUBE)
    return folder / "a.npy"


def _tiff(folder: Path, compression: str | None = None) -> Path:
    import tifffile

    path = folder / f"a_{compression}.tif"
    for plane in CUBE.transpose(2, 0, 1)[:16]:
        tifffile.imwrite(
            path, plane, append=True, metadata=None, compression=compression,
            photometric="minisblack",
        )  # fmt: skip
    return path


def _card(folder: Path) -> Path:
    (folder / "block").write_bytes(bytes(16) + CUBE.tobytes())
    (folder / "c.toml").write_text(
        'file = "block"\ntype = "uint16"\nheader_bytes = 16\naxes = ["y", "x", "energy"]\n'
        "shape = [5, 4, 64]\nlive_time_s = 0.1\npixel_mm = [0.5, 0.5]\n"
        '[padding.y]\nbefore_bytes = 0\n[instrument]\nanode = "Rh"\n'
    )
    return folder / "c.toml"


def _picture(folder: Path, name: str) -> Path:
    from PIL import Image

    pixels = np.random.default_rng(1).integers(0, 255, (20, 30, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(folder / name)
    return folder / name


# ------------------------------------------------------------------------------- readers
def _open(path: Path) -> None:
    from xrfmap.io import open_any
    from xrfmap.io.describe import describe_dataset

    ds = open_any(path)
    if ds["counts"].size < 5_000_000:  # a larger one is opened only, as a user would see
        describe_dataset(ds)


def _image(path: Path) -> None:
    from xrfmap.io.images import read_image

    read_image(path, 100)


def _mask(path: Path) -> None:
    from xrfmap.io.images import read_mask

    read_mask(path)


def _guess(path: Path) -> None:
    from xrfmap.io.card import card_beside, load_card

    load_card(path)
    card_beside(path)


KINDS: dict[str, tuple[Callable[[Path], Path], Callable[[Path], None]]] = {
    "nexus": (_nexus, _open),
    "nexus_point": (_nexus_point, _open),
    "old_nexus": (_old_nexus, _open),
    "netcdf": (_netcdf, _open),
    "emsa": (_emsa, _open),
    "spectrum_text": (_spectrum_text, _open),
    "pixel_text": (_pixel_text, _open),
    "npy": (_npy, _open),
    "tiff": (lambda folder: _tiff(folder), _open),
    "tiff_packed": (lambda folder: _tiff(folder, "zlib"), _open),
    "card": (_card, _open),
    "card_alone": (_card, _guess),
    "png": (lambda folder: _picture(folder, "a.png"), _image),
    "jpeg": (lambda folder: _picture(folder, "a.jpg"), _image),
    "image_tiff": (lambda folder: _picture(folder, "a.tif"), _image),
    "mask": (lambda folder: _picture(folder, "m.png"), _mask),
    "zarr": (lambda folder: _zarr(folder), lambda path: _open(path)),
}


def _zarr(folder: Path) -> Path:
    from xrfmap.io.convert import convert

    return convert(_nexus(folder), folder / "a.zarr")


def _damaged_store(good: Path, folder: Path, rng: np.random.Generator) -> Path:
    """Copy a Zarr store and damage one of its files."""
    target = folder / "store.zarr"
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(good, target)
    files = sorted(p for p in target.rglob("*") if p.is_file())
    file = files[int(rng.integers(0, len(files)))]
    file.write_bytes(mutate(file.read_bytes(), rng))
    return target


def one(kind: str, number: int, good: Path, folder: Path) -> str:
    """Try one input; ``opened``, ``refused``, or the traceback of what should not be."""
    rng = np.random.default_rng([number, len(kind)])
    if good.is_dir():
        target = _damaged_store(good, folder, rng)
    else:
        target = folder / f"input{good.suffix}"
        data = mutate(good.read_bytes(), rng)
        mend = good.suffix == ".png" and number % 4
        target.write_bytes(mend_png(data) if mend else data)
    try:
        KINDS[kind][1](target)
    except InputError as err:
        if "\x1b" in str(err) or "\n" in str(err):
            return f"control codes in {err!r}"
        return "refused"
    except BaseException:  # noqa: BLE001 (anything else is what we look for)
        return traceback.format_exc()
    return "opened"


def run(kind: str, first: int, count: int, progress: Path | None = None) -> dict[str, object]:
    """Try many inputs of one kind."""
    result: dict[str, object] = {"kind": kind, "inputs": count, "opened": 0, "refused": 0}
    failures: list[dict[str, object]] = []
    slowest = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "good").mkdir()
        (folder / "bad").mkdir()
        good = KINDS[kind][0](folder / "good")
        if kind.startswith("card"):
            shutil.copy(folder / "good" / "block", folder / "bad" / "block")
        before = {p.name for p in folder.iterdir()}
        for number in range(first, first + count):
            if progress is not None:
                progress.write_text(f"{kind} {number}")
            faulthandler.dump_traceback_later(LIMIT_S, exit=True)
            start = time.perf_counter()
            answer = one(kind, number, good, folder / "bad")
            slowest = max(slowest, time.perf_counter() - start)
            faulthandler.cancel_dump_traceback_later()
            if answer in ("opened", "refused"):
                result[answer] = int(result[answer]) + 1  # type: ignore[call-overload]
            else:
                failures.append({"number": number, "trace": answer})
        strays = {p.name for p in folder.iterdir()} - before
    result |= {"slowest_s": round(slowest, 3), "failures": failures, "strays": sorted(strays)}
    result["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    return result


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("kind", choices=[*KINDS, "all"])
    parser.add_argument("first", type=int)
    parser.add_argument("count", type=int)
    parser.add_argument("--progress", type=Path)
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
    failed = False
    for kind in KINDS if args.kind == "all" else [args.kind]:
        result = run(kind, args.first, args.count, args.progress)
        failed |= bool(result["failures"] or result["strays"])
        sys.stdout.write(json.dumps(result) + "\n")
        sys.stdout.flush()
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
