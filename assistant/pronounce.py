"""From the words on the screen to words that a synthesiser says well. The meaning never changes.

A number read back digit by digit is shown with commas and said without: at the station's 170 words a minute a recogniser
standing in for a listener (told only that digits come) understood 58 of 60 either way, but 1.6 s long instead of 2.7. At 190
it was 53, at 210 49, so no faster (tests/speech/test_read_back.py has the listener).
"""
from __future__ import annotations

import re

from assistant.core.spoken import UNITS

_DIGIT = "|".join(UNITS)
_DIGITS = re.compile(rf"\b(?:minus, )?(?:(?:{_DIGIT}), )*(?:{_DIGIT})(?:, point(?:, (?:{_DIGIT}))+)?\b")
_WORDS = ((re.compile(r"\bpsi\b"), "P S I"), (re.compile(r"\bO-ring\b"), "O ring"), (re.compile(r"%"), " percent"))


def pronounce(text: str) -> str:
    """``seven, point, two, five psi`` -> ``seven point two five P S I``."""
    for pattern, word in _WORDS:
        text = pattern.sub(word, text)
    return _DIGITS.sub(lambda found: found[0].replace(",", ""), text)

