"""Reading, fitting and writing of a map pass, each alone and all together, in one run.

``python tests/benchmarks/map_pass.py [SCAN] [pixels]`` prints pixels per second of

* unpacking the counts of a compressed file, on as many threads as the pass has,
* the fit of blocks that are already in memory, with errors, thresholds and limits,
* packing the maps of a block as they stand in the file, alone,
* the whole of it as :func:`xrfmap.maps.map_file.map_to_file` does it,

and the ratio of the whole to the slower of unpacking and fit. Each is told by the clock and by
the time of the processors, which on a busy machine is the one to look at: what the parts take
together, over what the pass takes, says how much of the pass is none of them. Without a scan
one is simulated and written with gzip.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from xrfmap.calibration.calibrate import calibrate
from xrfmap.identification.identify import elements_of_sum
from xrfmap.io import open_scan
from xrfmap.io.blocks import boxes_of
from xrfmap.io.lazy import map_blocks
from xrfmap.io.nexus import write_nexus
from xrfmap.maps.element_maps import block_fit
from xrfmap.maps.map_file import Packer, map_to_file
from xrfmap.simulation.simulate import painting


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds by the clock and of the processors."""
    clock, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_SELF)
    work()
    now = resource.getrusage(resource.RUSAGE_SELF)
    cpu = now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime
    return time.perf_counter() - clock, cpu


def simulated(folder: Path) -> Path:
    """Compressed scan of 200 x 480 pixels of 1024 channels."""
    sim = painting("northern panel", shape=(40, 60), kev_per_channel=0.0396, channels=1024, seed=3)
    counts = np.asarray(sim.scan["counts"]).astype(np.uint16)
    return write_nexus(folder / "scan.h5", np.tile(counts, (5, 8, 1)), 0.1)


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        file = Path(sys.argv[1]) if len(sys.argv) > 1 else simulated(folder)
        scan = calibrate(open_scan(file))
        found = elements_of_sum(scan)
        if len(sys.argv) > 2:
            rows = -(-int(sys.argv[2]) // scan.sizes["x"])
            scan = scan.isel(y=slice(0, rows))
        counts = scan["counts"]
        pixels = counts.shape[0] * counts.shape[1]
        work, boxes = block_fit(scan, found), boxes_of(counts)
        tile = (boxes[0][0].stop, boxes[0][1].stop)
        few = [(box, np.asarray(counts.data[box])) for box in boxes[:12]]
        some = sum(block.shape[0] * block.shape[1] for _, block in few)
        work(few[0][1], few[0][0])  # compiled
        fitted = [work(block, box) for box, block in few]

        def read() -> None:
            for _ in map_blocks(counts, lambda _rows, _cols, _block: None):
                pass

        each = {
            "unpacking": (timed(read), pixels),
            "fit": (timed(lambda: [work(block, box) for box, block in few]), some),
            "packing": (timed(lambda: [Packer(tile)(fields) for fields in fitted]), some),
            "whole pass": (
                timed(lambda: map_to_file(scan, found, folder / "m.nc", folder / "w")),
                pixels,
            ),
        }
    print(f"cores {os.cpu_count()}, pixels {pixels}, components {len(found.model.labels)}")  # noqa: T201
    rate = {name: number / wall for name, ((wall, _), number) in each.items()}
    cost = {name: 1e6 * cpu / number for name, ((_, cpu), number) in each.items()}
    for name in each:
        print(f"{name:12} {rate[name]:10,.0f} pixels/s, {cost[name]:6.1f} us of a core a pixel")  # noqa: T201
    slower = min(rate["unpacking"], rate["fit"])
    print(f"whole / slower of unpacking and fit, by the clock: {rate['whole pass'] / slower:.2f}")  # noqa: T201
    parts = cost["unpacking"] + cost["fit"] + cost["packing"]
    print(f"parts / whole, by the processors: {parts / cost['whole pass']:.2f}")  # noqa: T201
    print(f"slower part / whole, by the processors: "  # noqa: T201
          f"{max(cost['unpacking'], cost['fit']) / cost['whole pass']:.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
