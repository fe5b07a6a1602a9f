"""Let coverage guide the damage to files: what opens new ways through a reader is kept.

Run as a script: ``python tests/fuzz/guided.py TARGET SECONDS [--keep FOLDER]``, with `all`
for every target. It needs atheris (``pip install -e ".[fuzz]"``). Each input is opened, or
refused by an input error of one line without control codes; no more than five seconds and
two gigabytes; nothing outside the folder of the input is written, nor the file ``secret``
beside it read. Inputs that break this, and those worth keeping for the next run, lie in
FOLDER. One line of JSON with the counts is printed for each target.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import time
from importlib.util import find_spec
from pathlib import Path

from fuzz_files import KINDS

TOP = Path(__file__).parents[2]
HARNESS = Path(__file__).with_name("guided_target.py")
TARGETS = (*KINDS, "study", "rules", "area_mask")
CRASHED = re.compile(r"ERROR: libFuzzer: ([\w -]+)")


def once(kind: str, seconds: int, keep: Path, *inputs: Path) -> tuple[int, str]:
    """Start the fuzzer, or try single inputs; its exit code and what it said."""
    scratch = keep / "scratch"
    scratch.mkdir(exist_ok=True)
    with (keep / "log").open("w+") as log:
        code = subprocess.run(
            [sys.executable, HARNESS, kind, str(seconds), keep, *inputs],
            stdout=log,
            stderr=subprocess.STDOUT,
            check=False,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        ).returncode
        log.seek(0)
        text = log.read()
    shutil.rmtree(scratch)
    return code, text


def run(kind: str, seconds: int, keep: Path) -> dict[str, object]:
    """Run one target in processes of its own and say what came of it."""
    keep.mkdir(parents=True, exist_ok=True)
    (keep / "counts").unlink(missing_ok=True)
    (keep / "corpus").mkdir(exist_ok=True)
    for old in keep.glob("found-*"):  # what was found before is tried again
        old.unlink() if old.suffix else old.rename(keep / "corpus" / old.name)
    inputs, paused, left = 0, 0, seconds
    while True:
        begin = time.monotonic()
        code, text = once(kind, left, keep)
        left -= int(time.monotonic() - begin)
        number = re.findall(r"stat::number_of_executed_units: *(\d+)", text)
        inputs += int(number[-1]) if number else 0
        late = list(keep.glob("found-timeout-*"))
        # the clock runs on while a machine pauses: what is quick by itself was no hang
        if not late or once(kind, 0, keep, *late)[0] != 0:
            break
        paused += 1
        for quick in late:
            quick.unlink()
        code = 0
        if left < 2:
            break
    edges = re.findall(r"cov: (\d+)", text)
    kept = keep / "counts"
    counts = json.loads(kept.read_text()) if kept.exists() else {}
    crash = CRASHED.search(text)
    return {
        "target": kind,
        "exit": code,
        "inputs": inputs,
        "edges_of_good_files": int(edges[0]) if edges else 0,
        "edges": int(edges[-1]) if edges else 0,
        "share_opened": round(counts.get("opened", 0) / max(1, sum_of(counts)), 3),
        "pauses": paused,
        "crash": crash[1] if crash and code else "",
        "findings": sorted(p.name for p in keep.glob("found-*") if p.suffix != ".txt"),
    }


def sum_of(counts: dict[str, int]) -> int:
    """Inputs that were opened or refused."""
    return counts.get("opened", 0) + counts.get("refused", 0)


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("target", choices=[*TARGETS, "all"])
    parser.add_argument("seconds", type=int, help="for each target")
    parser.add_argument("--keep", type=Path, default=TOP / "build" / "fuzz")
    args = parser.parse_args()
    keep = args.keep.resolve()
    if find_spec("atheris") is None:
        sys.exit(
            f"atheris is not installed for Python {sys.version.split()[0]}: "
            'pip install -e ".[fuzz]", if there is one for this Python'
        )
    failed = False
    for kind in TARGETS if args.target == "all" else [args.target]:
        result = run(kind, args.seconds, keep / kind)
        sound = result["exit"] == 0 and result["inputs"] and not result["findings"]
        failed |= not sound
        sys.stdout.write(json.dumps(result) + "\n")
        for name in [] if sound else result["findings"] or ["log"]:  # type: ignore[attr-defined]
            told = keep / kind / (name if name == "log" else f"{name}.txt")
            words = told.read_text()[-3000:] if told.exists() else "(see the log)"
            sys.stdout.write(f"{keep / kind / name}:\n{words}\n")
        sys.stdout.flush()
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
