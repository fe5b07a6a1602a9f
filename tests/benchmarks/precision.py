"""How good are single pixels? Prints a table of bias, variance, coverage, alarms and misses.

    python tests/benchmarks/precision.py [REPEATS]

Two painted passages, 27 line families and 43 components each, are drawn REPEATS times
(10000 by default, about five minutes on two cores) at 300 to 30000 counts and fitted. A
line of the table sums up the families of one kind; `--all` prints every family. Target
ranges stand in the heading. The figures in `xrfmap/docs/statistics.md` are from here.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from fit_statistics import COUNTS, FAR, SCENES, Row, measure

HEAD = (
    "| scene | counts | families | variance / bound | bias [s.e.] | covered [%] | "
    "false alarms [%] | missed [%] |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- |"
)


def say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


def span(values: list[float], scale: float = 1.0, digits: int = 2) -> str:
    known = [v * scale for v in values if np.isfinite(v)]
    if not known:
        return ""
    middle = np.median(known)
    return f"{middle:.{digits}f} ({min(known):.{digits}f} to {max(known):.{digits}f})"


def kinds(rows: list[Row]) -> dict[str, list[Row]]:
    absent = [r for r in rows if r.true == 0]
    return {
        f"{FAR:.0f} s.e. and more": [r for r in rows if r.distance >= FAR],
        "nearer to zero": [r for r in rows if 0 < r.distance < FAR],
        "absent, skewness < 0.3": [r for r in absent if abs(r.skewness) < 0.3],
        "absent, skewness 0.3 to 1": [r for r in absent if 0.3 <= abs(r.skewness) < 1],
        "absent, skewness > 1": [r for r in absent if abs(r.skewness) >= 1],
    }


def line(name: str, rows: list[Row]) -> str:
    first = rows[0]
    columns = (
        f"{first.scene} | {first.total:.0f} | {len(rows)} {name}",
        span([r.variance for r in rows], digits=3),
        span([r.bias for r in rows], digits=3),
        span([r.coverage for r in rows], 100, 1),
        span([r.alarm for r in rows], 100, 1),
        span([r.miss for r in rows], 100, 1),
    )
    return "| " + " | ".join(columns) + " |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("repeats", type=int, nargs="?", default=10_000)
    parser.add_argument("--all", action="store_true", help="print every family")
    options = parser.parse_args()
    table(options.repeats, every=options.all)


def table(repeats: int, *, every: bool = False) -> None:
    """Print the table; with `every` a line for each family."""
    say(f"{repeats} repeats; median (least to largest) over the families of a kind;")
    say("targets: variance 0.95-1.05 and bias below 0.1 far from zero, covered 93-97 %,")
    say("false alarms 4-6 %, missed 3.5-6.5 %")
    say(HEAD)
    for scene in SCENES:
        for total in COUNTS:
            rows = measure(scene, total, repeats, seed=1)
            for name, group in kinds(rows).items():
                if group:
                    say(line(name, group))
            if every:
                for r in rows:
                    say(line(r.family, [r]))


if __name__ == "__main__":
    main()
