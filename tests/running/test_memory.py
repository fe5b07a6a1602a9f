"""Freed memory goes back to the system."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

from xrfmap.running.memory import hand_back

# a thousand arrays of 100 kB, of which every tenth is kept: holes that stay the program's own
HOLES = """
import numpy as np
from xrfmap.running.memory import hand_back
def resident():
    return int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6
before = resident()
held = [np.ones(100_000, np.uint8) for _ in range(2000)]
held = held[::10]
after = resident()
hand_back()
print(after - before, resident() - before)
"""


def test_it_can_be_called_anywhere_and_again():
    hand_back()
    hand_back()


@pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc", reason="only the GNU C library keeps and hands back"
)
def test_holes_between_arrays_in_use_are_handed_back():
    done = subprocess.run([sys.executable, "-c", HOLES], capture_output=True, text=True, check=True)
    kept, left = map(float, done.stdout.split())
    # 200 MB were asked for and 20 MB are in use; page borders keep a little more
    assert kept > 150
    assert left < 60
