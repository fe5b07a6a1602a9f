"""One kind of file under a fuzzer that coverage guides; `guided.py` starts this.

A process tries one target: the fuzzer ends it, and a crash ends the fuzzer.
"""

from __future__ import annotations

import faulthandler
import hashlib
import importlib
import json
import os
import pkgutil
import re
import resource
import shutil
import sys
import tempfile
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path

import atheris
import numpy as np

# Only modules that are imported here, before anything else loads them, tell which way they
# went. Compiled kernels stay out, since numba cannot read the marks.
KERNELS = (
    "fit._lanes", "fit._lane_sums", "fit._lane_solve", "fit._lane_errors", "fit._pixel_limits",
    "physics._peaks",
)  # fmt: skip
with atheris.instrument_imports(
    include=["xrfmap", "tomllib"], exclude=[f"xrfmap.{name}" for name in KERNELS]
):
    import xrfmap.io
    import xrfmap.pigments.rule_files

    for found in pkgutil.iter_modules(xrfmap.io.__path__, "xrfmap.io."):
        importlib.import_module(found.name)
    from xrfmap.areas.members import area_mask
    from xrfmap.dating.tree_rings import felling  # noqa: F401 (so too)
    from xrfmap.depth.layer_questions import check_materials  # noqa: F401 (a study asks for it late)
    from xrfmap.errors import InputError
    from xrfmap.io.images import read_mask
    from xrfmap.pigments.rule_files import check_rules, load_rules
    from xrfmap.scan import make_scan
    from xrfmap.settings import Area, read_areas
    from xrfmap.study.study_file import load_study

from fuzz_files import KINDS, LIMIT_BYTES, LIMIT_S, WORDS, mend_png  # noqa: E402 (as above)

TOP = Path(__file__).parents[2]
MIB = 1 << 20
MOST_BYTES = 200_000  # of an input: ten times the largest good file

KEY = re.compile(rb"#?[A-Za-z_][\w-]{2,30}")


# ------------------------------------------------------------------------ further targets
def _study(path: Path) -> None:
    refused = []
    for read in (load_study, read_areas):
        try:
            read(path)
        except InputError as err:
            refused.append(err)
    _tell(refused)


def _rules(path: Path) -> None:
    _tell(check_rules(path))
    load_rules(path)


def _tell(problems: list[InputError]) -> None:
    """Raise the first one, unless another one is unfit."""
    for problem in problems:
        if bad := unfit(problem):
            raise AssertionError(bad)
    if problems:
        raise problems[0]


def _area_mask(path: Path) -> None:
    scan = make_scan(counts=np.ones((20, 30, 4), np.uint16), live_time=np.ones((20, 30)))
    area_mask(scan, Area(name="a", mask="m.png"), read_mask(path))


def _studies() -> list[bytes]:
    typed = '[object]\ntitle = "t"\n[[area]]\nname = "a"\nelements = ["Ti", "Zn"]\n'
    demo, other = TOP / "demo_scans" / "mill.toml", Path(__file__).with_name("seed_study.toml")
    return [demo.read_bytes(), other.read_bytes(), typed.encode()]


def _rule_files() -> list[bytes]:
    """The rules that come with the program, an entry each."""
    found = []
    for file in sorted((TOP / "xrfmap" / "pigments" / "rules").glob("*.toml")):
        found += re.split(r"\n(?=\[\w+\.)", file.read_text(encoding="utf-8"))[1:]
    return [entry.encode() for entry in found]


TEXTS: dict[str, tuple[Callable[[], list[bytes]], Callable[[Path], None]]] = {
    "study": (_studies, _study),
    "rules": (_rule_files, _rules),
}


class Target:
    """One kind of file: its good ones, how an input becomes a file, what reads it."""

    def __init__(self, kind: str, folder: Path) -> None:
        self.kind, self.bad = kind, folder / "bad"
        self.bad.mkdir()
        good = folder / "good"
        good.mkdir()
        self.files: list[Path] = []
        if kind in TEXTS:
            make, self.read = TEXTS[kind]
            self.seeds = make()
            self.suffix = ".toml"
            return
        write, self.read = KINDS["mask" if kind == "area_mask" else kind]
        if kind == "area_mask":
            self.read = _area_mask
        first = write(good)
        self.suffix = first.suffix
        if first.is_dir():  # the first byte says which file of the store is damaged
            self.store = first
            self.files = sorted(p for p in first.rglob("*") if p.is_file())
            self.seeds = [bytes([i]) + p.read_bytes() for i, p in enumerate(self.files)]
        else:
            self.seeds = [first.read_bytes()]
        if kind.startswith("card"):
            shutil.copy(good / "block", self.bad / "block")

    def lay(self, data: bytes) -> Path:
        """Write the file that an input stands for."""
        if self.files:
            target = self.bad / "store.zarr"
            if not target.exists():
                shutil.copytree(self.store, target)
            chosen = self.files[(data[0] if data else 0) % len(self.files)]
            self.undo = (target / chosen.relative_to(self.store), chosen.read_bytes())
            self.undo[0].write_bytes(data[1:])
            return target
        target = self.bad / f"input{self.suffix}"
        # three quarters with right check sums, so that more than these is tried
        target.write_bytes(mend_png(data) if self.suffix == ".png" and len(data) % 4 else data)
        return target

    def clear(self) -> None:
        """Put the good file of a store back."""
        if self.files:
            self.undo[0].write_bytes(self.undo[1])


class Guard:
    """Notes files that Python opens for writing, makes or moves outside one folder."""

    def __init__(self, inside: Path, secret: Path) -> None:
        self.inside, self.secret = str(inside), str(secret)
        self.active, self.seen = False, ""
        sys.addaudithook(self.watch)

    def watch(self, event: str, args: tuple[object, ...]) -> None:
        """See one event of the interpreter."""
        if not self.active or event not in (
            "open", "os.mkdir", "os.remove", "os.rename", "os.rmdir", "os.symlink", "os.link",
            "os.truncate", "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn",
            "socket.connect",
        ):  # fmt: skip
            return
        name = args[0]
        if event == "open":
            if not isinstance(name, str | bytes | os.PathLike):
                return
            writes = int(args[2] or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)  # type: ignore[call-overload]
            full = os.path.realpath(os.fsdecode(name))
            if full != self.secret and not (writes and not full.startswith(self.inside + "/")):
                return
        elif isinstance(name, str | bytes | os.PathLike):
            if os.path.realpath(os.fsdecode(name)).startswith(self.inside + "/"):
                return
        self.seen = f"{event} {args!r}"[:300]


def unfit(err: InputError) -> str:
    """Say what makes an input error unfit for a terminal; empty where nothing does."""
    codes = [c for c in str(err) if ord(c) < 32 or 127 <= ord(c) < 160]
    return f"control codes in {err!r}" if codes else ""


def judge(target: Target, guard: Guard, data: bytes) -> str:
    """Try one input: ``opened``, ``refused``, or what should not be."""
    path = target.lay(data)
    guard.seen, guard.active = "", True
    try:
        target.read(path)
        answer = "opened"
    except InputError as err:
        answer = unfit(err) or "refused"
    except BaseException:  # noqa: BLE001 (anything else is what we look for)
        answer = traceback.format_exc()
    finally:
        guard.active = False
        target.clear()
    return f"outside its folder: {guard.seen}" if guard.seen else answer


def place_of(answer: str) -> str:
    """Last line of our own in a traceback and the kind of error, to tell findings apart."""
    lines = re.findall(r'File "[^"]*/(xrfmap/[^"]+)", line (\d+)', answer)
    last = answer.strip().splitlines()[-1].split(":")[0]
    return f"{last} at {':'.join(lines[-1])}" if lines else last[:60]


def explore(kind: str, seconds: int, keep: Path, inputs: list[str]) -> None:
    """Run the fuzzer in this process, or try `inputs` only; it ends the process itself."""
    folder = Path(tempfile.mkdtemp(dir=keep / "scratch"))
    secret = (folder / "secret").resolve()
    secret.write_text("1,2,3\n")
    target = Target(kind, folder)
    corpus = keep / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for seed in target.seeds:
        (corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
    words = [*WORDS, b"../secret", *sorted(set(KEY.findall(b" ".join(target.seeds))))[:500]]
    named = ["".join(f"\\x{byte:02x}" for byte in word) for word in words]
    (folder / "words").write_text("\n".join(f'"{word}"' for word in named))
    guard = Guard(target.bad.resolve(), secret)
    known: dict[str, int] = {}
    for seed in target.seeds:  # what is loaded on first use is loaded in the first round
        judge(target, guard, seed)
        if (answer := judge(target, guard, seed)) != "opened":
            sys.exit(f"a good file is not opened but {answer}")
    tried = {"opened": 0, "refused": 0}
    beside = {p.name for p in folder.iterdir()}

    def one(data: bytes) -> None:
        faulthandler.dump_traceback_later(LIMIT_S)  # where it hangs; the fuzzer ends it
        answer = judge(target, guard, data)
        faulthandler.cancel_dump_traceback_later()
        strays = {p.name for p in folder.iterdir()} - beside
        if strays:
            answer = f"outside its folder: {sorted(strays)}"
            beside.update(strays)
        if answer in tried:
            tried[answer] += 1
        else:
            place = place_of(answer)
            known[place] = known.get(place, 0) + 1
            if known[place] == 1:
                name = f"found-{hashlib.sha256(data).hexdigest()[:16]}"
                (keep / name).write_bytes(data)
                (keep / f"{name}.txt").write_text(answer)
        if sum(tried.values()) % 100 == 0:
            (keep / "counts").write_text(json.dumps(tried | {"findings": known}))

    warnings.simplefilter("ignore")
    resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
    atheris.Setup(
        [
            sys.argv[0], f"-max_total_time={seconds}", f"-timeout={LIMIT_S:.0f}",
            f"-rss_limit_mb={LIMIT_BYTES // MIB}", f"-max_len={MOST_BYTES}",
            f"-artifact_prefix={keep}/found-", f"-dict={folder / 'words'}",
            "-print_final_stats=1", "-len_control=0", *(inputs or [str(corpus)]),
        ],
        one,
    )  # fmt: skip
    atheris.Fuzz()


if __name__ == "__main__":
    explore(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]), sys.argv[4:])
