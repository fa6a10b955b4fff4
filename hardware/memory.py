"""Freed memory that goes back to the machine, in a process that runs all day on a small one.

C's malloc keeps a heap for each of many threads, and once a large block was freed it takes the next large one from such a heap
too, where small blocks that stay keep it in pieces: speech is a megabyte a sentence, so the process grew with each test though
nothing was kept. Two heaps, and large blocks always apart, cure it. Figures: tests/measured.md; malloc's own: mallopt(3).
"""
from __future__ import annotations

import ctypes

TRIM_THRESHOLD, MMAP_THRESHOLD, ARENA_MAX = -1, -3, -8      # mallopt's names for them, from <malloc.h>
LARGE = 128 * 1024
"""Bytes; a block from this on is mapped for itself. glibc's own value, but fixed."""
HEAPS = 2


def give_back() -> bool:
    """For this process from now on. False: C's library is not glibc, and keeps its own ways."""
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except AttributeError:
        return False
    return all([mallopt(ARENA_MAX, HEAPS), mallopt(MMAP_THRESHOLD, LARGE), mallopt(TRIM_THRESHOLD, LARGE)])
