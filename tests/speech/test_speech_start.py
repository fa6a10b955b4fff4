"""Speech starts within 100 ms of being asked for: the median, through the real child, speaker and stream. A device's own latency
comes on top of what the silent stream shows (0); `python -m tests.bench.speech_start` counts it where there is one."""

import ctypes.util
import statistics

import pytest

from tests.bench.speech_start import measure

pytestmark = [pytest.mark.alone, pytest.mark.skipif(ctypes.util.find_library("espeak-ng") is None,
                                                     reason="espeak-ng is not installed: apt install espeak-ng")]


def test_fixed_phrases_and_read_backs_begin_within_100_ms():
    found = measure("bowlside", 6, "terse")
    print({kind: [round(one) for one in each] for kind, each in found.items()})
    for kind in ("cached", "from disk", "on the fly"):
        assert statistics.median(found[kind]) <= 100, kind
