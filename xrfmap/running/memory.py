"""Memory that was freed, handed back to the system.

The C library keeps what programs free, for their next wish. Arrays of a large scan leave holes
of hundreds of megabytes between what is still in use, stage after stage and in each process.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import cache

__all__ = ["hand_back"]


def hand_back() -> None:
    """Hand freed memory back to the system, where its C library knows how; else do nothing."""
    trim = _trim()
    if trim is not None:
        trim(0)


@cache
def _trim() -> Callable[[int], int] | None:
    """``malloc_trim`` of the GNU C library."""
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # other libraries, other systems
        return None
    trim.argtypes, trim.restype = [ctypes.c_size_t], ctypes.c_int
    return trim
