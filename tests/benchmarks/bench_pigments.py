"""Seconds to load the rule base and to judge 50 areas, typed in and measured.

Run as a script: ``OMP_NUM_THREADS=1 python tests/benchmarks/bench_pigments.py``. Processor
time of one process, inputs made outside the timed calls. "first" holds the sensitivities of
all line families, which are remembered afterwards.
"""

from __future__ import annotations

import random
import sys
import time

PALETTES = [
    ["Pb", "Ca", "Fe"],
    ["Pb", "Sn", "Cu"],
    ["Hg", "Pb"],
    ["Cu", "As", "Zn", "Fe", "Ca", "Pb"],
    ["Ti", "Zn", "Ba"],
    ["Pb", "Co", "Ni", "As", "K", "Fe", "Ca", "Mn"],
    ["Pb", "Cr", "Ba", "Zn", "Fe", "Ca", "Sr", "Ti", "Cd", "Se", "Cu", "As", "Hg", "Co"],
]
FAMILIES = {"Pb": "Pb L", "Hg": "Hg L", "Ba": "Ba L"}


def main() -> None:
    """Print one line per timed call."""
    from xrfmap.pigments import LineEvidence, assess, evidence_from_lines, load_rules
    from xrfmap.settings import Area

    rng = random.Random(1)
    typed = [
        Area(
            name=f"typed {i}",
            elements=PALETTES[i % 7],
            amounts={e: rng.uniform(0.1, 30) for e in PALETTES[i % 7]} if i % 2 else None,
        )
        for i in range(50)
    ]
    measured = [
        evidence_from_lines(
            f"measured {i}",
            [
                LineEvidence(FAMILIES.get(e, f"{e} K"), rng.uniform(1e3, 1e6), 300, None, True)
                for e in PALETTES[i % 7]
            ],
        )
        for i in range(50)
    ]
    start = time.process_time()
    rules = load_rules()
    sys.stdout.write(
        f"load {len(rules.materials)} materials: {time.process_time() - start:.3f} s\n"
    )
    for name, areas in (("typed in", typed), ("measured, first", measured), ("measured", measured)):
        start = time.process_time()
        assess(areas, (1630, 1650), rules=rules)
        sys.stdout.write(f"50 areas, {name}: {time.process_time() - start:.3f} s\n")


if __name__ == "__main__":
    main()
