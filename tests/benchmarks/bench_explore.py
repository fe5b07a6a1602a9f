"""Times of the local page on a large scan: window maps, sums, single pixels, memory.

Run ``python tests/benchmarks/bench_explore.py [ROWS COLUMNS]`` on an idle machine. The scan
(300 x 400 x 2048 by default) repeats the rows of the demo scan and is written to a temporary
folder, outside the timed calls. One line per figure; peak memory is that of the reading alone.
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np

from xrfmap.explore.frame import Frame
from xrfmap.explore.outline import mask_of
from xrfmap.explore.reading import first_pass, pixel_spectrum, sum_pixels, window_map
from xrfmap.io import open_scan

DEMO = Path(__file__).parents[2] / "demo_scans" / "front.h5"


def write_large(path: Path, rows: int, columns: int) -> None:
    """Write a scan that repeats the demo, packed as its file is."""
    counts = open_scan(DEMO)["counts"].values
    ny, nx, channels = counts.shape
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["y", "x", "."]})
        for name, number in (("y", rows), ("x", columns)):
            data[name] = np.arange(number) + 0.5
            data[name].attrs["units"] = "mm"
        cube = data.create_dataset(
            "counts", (rows, columns, channels), "u2", chunks=(1, min(columns, 256), channels),
            compression="gzip", compression_opts=1, shuffle=True,
        )  # fmt: skip
        for row in range(rows):
            cube[row] = np.take(counts[row % ny], np.arange(columns) % nx, axis=0)


def say(line: str) -> None:
    """Write one line."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def timed(label: str, work: Callable[[], object], repeat: int = 3) -> None:
    """Print the best of some runs."""
    times = []
    for _ in range(repeat):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    say(f"{label:<44} {min(times):7.3f} s")


def main() -> None:
    """Measure and print."""
    rows, columns = (int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (300, 400)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.h5"
        write_large(path, rows, columns)
        scan = open_scan(path)
        frame = Frame.of(scan)
        say(f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores; {scan.sizes}")
        timed("window map, 40 channels, from the file", lambda: window_map(scan, 300, 340))
        timed("first pass: totals, sum, bands", lambda: first_pass(scan), 1)
        bands = first_pass(scan)
        timed("the same window from the bands", lambda: bands.window(300, 340))
        for share in (0.01, 0.1, 1.0):
            x, y = columns * share**0.5, rows * share**0.5
            mask = mask_of(((0, 0), (x, 0), (x, y), (0, y)), frame)
            timed(f"sum over {mask.sum()} pixels", lambda mask=mask: sum_pixels(scan, mask))  # type: ignore[misc]
        timed("one pixel", lambda: pixel_spectrum(scan, rows // 2, columns // 2))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        say(f"peak memory {peak:.0f} MB; bands {bands.counts.nbytes / 2**20:.0f} MB")


if __name__ == "__main__":
    main()
