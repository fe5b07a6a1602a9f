"""How good and how fast is the fit of pixels? Both tables in one run.

    python tests/benchmarks/fit_all.py [REPEATS]

First what repeats say about bias, variance, coverage, false alarms and misses
(`precision.py`, 4000 repeats by default), then speed beside yardsticks on the same data and
cores (`fit_speed.py`). About five minutes on two cores; compare ratios of one run only.
"""

from __future__ import annotations

import sys

import fit_speed
import precision


def main() -> None:
    precision.table(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
    precision.say("")
    fit_speed.table()


if __name__ == "__main__":
    main()
