"""Freed memory that goes back: malloc's settings, seen in what it does. Each in a process of its own, since they stay."""
from __future__ import annotations

import ctypes
import subprocess
import sys

import pytest

from tests.bench.soak import malloc_used

LOOK = """
import ctypes, sys
from hardware import memory
from tests.bench.soak import mallinfo
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.free.argtypes = [ctypes.c_void_p]
if sys.argv[1] == "settings":
    assert memory.give_back()
libc.free(libc.malloc(8 << 20))
before = mallinfo().hblkhd
libc.malloc(2 << 20)
print(mallinfo().hblkhd - before)
"""


@pytest.mark.skipif(not malloc_used(), reason="C's library has no mallinfo2: it is not glibc 2.33 or newer")
@pytest.mark.parametrize("settings, apart", [("settings", True), ("none", False)])
def test_a_large_block_is_mapped_apart_though_a_larger_one_was_freed(settings: str, apart: bool) -> None:
    """Without the settings glibc takes it from the heap from then on (mallopt(3), M_MMAP_THRESHOLD): the second case."""
    done = subprocess.run([sys.executable, "-c", LOOK, settings], capture_output=True, text=True, check=True)
    assert (int(done.stdout) >= 2 << 20) is apart, done.stdout


def test_a_library_without_mallopt_keeps_its_own_ways(monkeypatch: pytest.MonkeyPatch) -> None:
    from hardware import memory
    monkeypatch.setattr(ctypes, "CDLL", lambda name: object())
    assert memory.give_back() is False


@pytest.mark.parametrize("whose", ["cli", "ear_process"])
def test_station_and_ear_use_them(whose: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from assistant import cli
    from assistant.station import ear_process
    from hardware import memory

    class Used(Exception):
        pass

    def used() -> bool:
        raise Used
    monkeypatch.setattr(memory, "give_back", used)
    with pytest.raises(Used):
        cli.main(["work", "--help"]) if whose == "cli" else ear_process._open()
