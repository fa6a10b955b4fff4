"""From the words on the screen to words that a synthesiser says well. The meaning never changes.

A number read back digit by digit is shown with commas and said without: a recogniser standing in for a listener (it was told
only that digits come) understood 59 of 60 at 150 words a minute, 56 with a comma after every digit at the same rate, which
is no significant difference, but 1.8 s long instead of 3.1 (tests/speech/test_read_back.py has the listener).
"""
from __future__ import annotations

import re

from assistant.core.spoken import UNITS

READ_BACK_WPM = 150

_DIGIT = "|".join(UNITS)
_DIGITS = re.compile(rf"\b(?:minus, )?(?:(?:{_DIGIT}), )*(?:{_DIGIT})(?:, point(?:, (?:{_DIGIT}))+)?\b")
_WORDS = ((re.compile(r"\bpsi\b"), "P S I"), (re.compile(r"\bO-ring\b"), "O ring"), (re.compile(r"%"), " percent"))


def pronounce(text: str) -> str:
    """``seven, point, two, five psi`` -> ``seven point two five P S I``."""
    for pattern, word in _WORDS:
        text = pattern.sub(word, text)
    return _DIGITS.sub(lambda found: found[0].replace(",", ""), text)


def rate(text: str, wpm: int = 0) -> int:
    """Words a minute: what was asked for, slower by itself where a number is read digit by digit."""
    return wpm or (READ_BACK_WPM if ", point, " in text else 0)
