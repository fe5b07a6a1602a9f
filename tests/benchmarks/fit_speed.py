"""Speed of the fit beside two yardsticks, in one run on the same data and cores.

``python tests/benchmarks/fit_speed.py [pixels]`` prints pixels per second of

* the Poisson fit with errors, thresholds and limits
  (:func:`xrfmap.maps.element_maps.pixel_values`),
* :func:`scipy.optimize.nnls` on the same templates, one core: once on all channels, and once
  on the merged channels of the fit, which nobody would have without it,
* one warm pass "uint16 to float32 + one matrix product" in blocks of 2048 pixels with
  reused buffers (2048 channels by the same number of components),

the ratios of them; whether twice the pixels take twice the time and one thread gives the same
numbers; how far amplitudes are off the exact maximum, found in double precision; the peak memory
of ``xrfmap maps`` on the demo, and the start-up of a second process whose kernels are already
compiled.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numba
import numpy as np
from scipy.optimize import nnls
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "fit"))

from test_fit import reference

from xrfmap.fit.map_design import MapDesign
from xrfmap.fit.pixels import fit_counts
from xrfmap.identification.identify import elements_of_sum
from xrfmap.maps.element_maps import pixel_values
from xrfmap.simulation.simulate import painting

TOP = Path(__file__).parents[2]
BLOCK = 2048


def case(pixels: int):
    """Counts, design and channel templates with about 50 components, 6000 counts a pixel."""
    sim = painting("northern panel", shape=(32, 64), kev_per_channel=0.0198, zero_kev=-0.043,
                   channels=2048, seed=3)  # fmt: skip
    scan = sim.scan.assign_attrs(sim.scale.to_attrs())
    wanted = (
        "Al Si P S K Ca Ti Cr Mn Fe Co Ni Cu Zn As Se Sr Zr Cd Sn Sb Ba Au Hg Pb"
    ).split()  # fmt: skip
    found = elements_of_sum(scan, wanted)
    plan = MapDesign.of(found, pixels=32 * 64)
    counts = np.asarray(scan["counts"]).reshape(-1, 2048).astype(np.uint16)
    counts = np.tile(counts, (-(-pixels // len(counts)), 1))[:pixels]
    return counts, plan


def rate(work, pixels: int, repeats: int = 3) -> float:
    """Pixels per second, the best of a few runs after one to warm up."""
    work()
    best = min(timed(work) for _ in range(repeats))
    return pixels / best


def in_turns(works, pixels: int, rounds: int = 8) -> list[float]:
    """Pixels per second of several works, the best of rounds in which they take turns.

    Other loads of the machine last for seconds: one work after the other would meet unlike ones.
    """
    for work in works:
        work()
    seconds = [[timed(work) for work in works] for _ in range(rounds)]
    return [pixels / best for best in np.min(seconds, axis=0)]


def on_one_core(works, pixels: int, rounds: int = 8) -> list[float]:
    """As :func:`in_turns` on one thread each, by the processor time it takes."""
    threads = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        with threadpool_limits(1):
            for work in works:
                work()
            seconds = [[timed(work, time.process_time) for work in works] for _ in range(rounds)]
    finally:
        numba.set_num_threads(threads)
    return [pixels / best for best in np.min(seconds, axis=0)]


def timed(work, clock=time.perf_counter) -> float:
    start = clock()
    work()
    return clock() - start


def fit_all(counts, plan) -> None:
    for k in range(0, len(counts), BLOCK):
        pixel_values(fit_counts(counts[k : k + BLOCK], plan.design, plan.typical), plan)


def nnls_all(merged, matrix) -> None:
    for row in merged:
        nnls(matrix, row)


def unmerged(plan, counts):
    """Counts and templates of all 2048 channels: each bin spread over its own."""
    width = np.diff(plan.design.edges)
    matrix = np.zeros((counts.shape[1], plan.design.matrix.shape[1]))
    inside = slice(plan.design.edges[0], plan.design.edges[-1])
    matrix[inside] = np.repeat(plan.design.matrix / width[:, None], width, axis=0)
    return counts.astype(np.float64), matrix


def product_all(counts, matrix, buffer, out) -> None:
    for k in range(0, len(counts), BLOCK):
        block = counts[k : k + BLOCK]
        np.copyto(buffer[: len(block)], block, casting="unsafe")
        np.matmul(buffer[: len(block)], matrix, out=out[: len(block)])


def growth(counts, plan) -> float:
    """Time of all pixels over twice the time of half of them."""
    half = counts[: len(counts) // 2]
    return rate(lambda: fit_all(half, plan), 1) / rate(lambda: fit_all(counts, plan), 1) / 2


def same_on_one_thread(counts, plan) -> bool:
    threads = numba.get_num_threads()
    many = fit_counts(counts, plan.design, plan.typical)
    try:
        numba.set_num_threads(1)
        one = fit_counts(counts, plan.design, plan.typical)
    finally:
        numba.set_num_threads(threads)
    return np.array_equal(many.unbounded, one.unbounded) and np.array_equal(
        many.null_variance, one.null_variance
    )


def furthest_off(counts, plan) -> float:
    """Largest distance of any amplitude from the exact maximum, in standard errors."""
    fit = fit_counts(counts, plan.design, plan.typical)
    away = 0.0
    for n, a, v in zip(plan.design.merge(counts), fit.amplitude, fit.variance, strict=True):
        best = reference(plan.design.matrix, n, a.astype(np.float64))
        away = max(away, float((np.abs(a - best) / np.sqrt(v)).max()))
    return away


def memory_of_maps() -> tuple[float, float]:
    """Peak memory [MB] and seconds of the command on the demo."""
    with tempfile.TemporaryDirectory() as place:
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "xrfmap", "maps", str(TOP / "demo_scans" / "front.h5"),
             "--out", str(Path(place) / "maps.nc"), "--quiet"],
            check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        seconds = time.perf_counter() - start
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024, seconds


def second_start() -> float:
    """Seconds from a new process to the end of a first small fit, kernels compiled before."""
    code = (
        "import numpy as np; from xrfmap.fit.pixels import Design, fit_counts; "
        "fit_counts(np.ones((8, 50), np.uint16), "
        "Design(np.ones((50, 1)), np.arange(51), ('a',)))"
    )
    command = [sys.executable, "-c", code]
    subprocess.run(command, check=True)
    return timed(lambda: subprocess.run(command, check=True))


def main() -> None:
    table(int(sys.argv[1]) if len(sys.argv) > 1 else 16 * BLOCK)


def table(pixels: int = 16 * BLOCK) -> None:
    """Measure, and print what was measured."""
    counts, plan = case(pixels)
    components = len(plan.design.labels)
    merged = plan.design.merge(counts[:200])
    channels = np.random.default_rng(0).random((2048, components), dtype=np.float32)
    buffer = np.empty((BLOCK, 2048), np.float32)
    out = np.empty((BLOCK, components), np.float32)
    both = (
        lambda: fit_all(counts, plan),
        lambda: product_all(counts, channels, buffer, out),
    )
    fit, product = in_turns(both, pixels)
    fit_alone, product_alone = on_one_core(both, pixels)
    one = rate(lambda: nnls_all(merged, plan.design.matrix), len(merged))
    wide, matrix = unmerged(plan, counts[:100])
    whole = rate(lambda: nnls_all(wide, matrix), len(wide))
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    memory, seconds = memory_of_maps()
    rows = [
        ("cores", f"{cores}"),
        ("pixels, components, mean counts", f"{pixels}, {components}, {counts.sum(1).mean():.0f}"),
        ("fit with errors and limits [pixels/s]", f"{fit:,.0f}"),
        ("scipy nnls on all channels, one core [pixels/s]", f"{whole:,.0f}"),
        ("scipy nnls on merged channels, one core", f"{one:,.0f}"),
        ("float32 + one matrix product [pixels/s]", f"{product:,.0f}"),
        ("fit / nnls on all channels, per core", f"{fit / cores / whole:.1f}"),
        ("fit / nnls on merged channels, per core", f"{fit / cores / one:.1f}"),
        ("fit / matrix pass", f"{fit / product:.3f}"),
        ("fit / matrix pass, processor time of one core", f"{fit_alone / product_alone:.3f}"),
        ("time of twice the pixels / twice the time", f"{growth(counts, plan):.2f}"),
        ("same numbers on one thread", "yes" if same_on_one_thread(counts[:4096], plan) else "NO"),
        ("furthest off the exact maximum [s.e.]", f"{furthest_off(counts[:200], plan):.1e}"),
        ("maps on the demo: peak memory [MB], time [s]", f"{memory:.0f}, {seconds:.1f}"),
        ("second start with a first fit [s]", f"{second_start():.2f}"),
    ]
    for name, value in rows:
        print(f"{name:46} {value}")  # noqa: T201


if __name__ == "__main__":
    main()
