"""From the words on the screen to words that a synthesiser says well. The meaning never changes.

Every figure is said digit by digit: "fifty" beside an engine is "fifteen", "five zero" is nothing else. Read-backs are shown
with commas and said without: understood as well by a recogniser standing in for a listener, and a second shorter
(tests/speech/test_read_back.py).
"""
from __future__ import annotations

import re

from assistant.core.judgement import units_spoken
from assistant.core.language import CURRENT
from assistant.core.phrases import spoken_id
from assistant.core.spoken import POINTS, UNITS

_DIGIT = "|".join(map(re.escape, UNITS))
_MINUS, _POINT = CURRENT.numbers.minus, POINTS[0]
_DIGITS = re.compile(rf"\b(?:{_MINUS}, )?(?:(?:{_DIGIT}), )*(?:{_DIGIT})(?:, {_POINT}(?:, (?:{_DIGIT}))+)?\b")
_WORDS = tuple((re.compile(rf"\b{re.escape(shown)}\b" if shown[0].isalpha() else re.escape(shown)), said)
               for shown, said in CURRENT.pronounce.items())
_READING = re.compile(r"\b(equilibrium|charge)[. ](\d)\.(\d)\b(?!\.?\d)")
_BETWEEN = re.compile(r"(?<=\d)[-:](?=\d)")
"""Of a date or a time of day."""
_CODE = re.compile(r"(?<=[^\W\d_])-?(?=\d)|(?<=\d)(?=[^\W\d_])")
"""Between a letter and a figure of a name, T-07 or TH-40A: the hyphen there is no minus sign."""
_FIGURES = re.compile(r"(-(?=\d))?(\d+)(?:\.(\d+))?")


def pronounce(text: str, to_write: bool = False) -> str:
    """``seven, point, two, five psi; at most 0.50`` -> ``seven point two five P S I; at most zero point five zero``.

    ``to_write``: for whoever copies it to paper, so with a pause after each digit.
    """
    text = _READING.sub(lambda found: spoken_id(".".join(found.groups())), units_spoken(text))
    if not to_write:
        text = _DIGITS.sub(lambda found: found[0].replace(",", ""), text)
    between = ", " if to_write else " "
    text = _FIGURES.sub(lambda found: _digit_by_digit(found, between), _CODE.sub(" ", _BETWEEN.sub("; ", text)))
    for pattern, word in _WORDS:
        text = pattern.sub(word, text)
    return text


def _digit_by_digit(found: re.Match[str], between: str) -> str:
    sign, whole, decimals = found.groups()
    words = [*([_MINUS] if sign else []), *(UNITS[int(one)] for one in whole)]
    if decimals:
        words += [_POINT, *(UNITS[int(one)] for one in decimals)]
    return between.join(words)
