"""Numbers as people say them: one strict parser, and the two ways the station says a number itself.

Strict means that whatever is not plainly one number is refused. "seven twenty five" might be 7.25, 720.5 or
27.5, so it is no number here: asking again costs two seconds, a wrong reading costs the test.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from itertools import takewhile
from typing import Literal

UNITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
TEENS = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen",
         "nineteen")
TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
POINTS = ("point", "decimal")
HALF = ("and", "a", "half")

_DIGIT = {word: str(n) for n, word in enumerate(UNITS)} | {"oh": "0"}
_TEEN = {word: str(n) for n, word in enumerate(TEENS, 10)}
_TEN = {word: n for n, word in enumerate(TENS, 2)}
_KNOWN = {*_DIGIT, *_TEEN, *_TEN, *POINTS, *HALF, "double"}
_NUMERAL = re.compile(r"[0-9]{1,2}(\.[0-9]+)?")


class NotANumber(ValueError):
    """What was said is not plainly one number. The message is a sentence that can be spoken or shown."""


@dataclass(frozen=True)
class Spoken:
    """A number that was said, and how: two entries said in two forms don't share one mishearing."""

    value: Decimal
    """Keeps every digit that was said: "four five point zero zero" is 45.00, not 45."""

    form: Literal["digits", "whole"]
    """"digits": every word was a single digit, "oh", "double" or the point; else "whole"."""


def digits(value: Decimal) -> str:
    """Read back digit by digit, trailing zeros kept: 7.25 is "seven, point, two, five"."""
    return ", ".join(_digit_words(value))


def say(value: Decimal) -> str:
    """The natural way: 31.81 is "thirty one point eight one". From 100 on, digit by digit throughout."""
    words = _digit_words(value)
    whole = abs(int(value))
    if not 10 <= whole <= 99:
        return " ".join(words)
    first = words.index(UNITS[whole // 10])
    return " ".join(words[:first] + _two_digit_words(whole) + words[first + 2:])


def parse(text: str) -> Spoken:
    """The one number that `text` says, with at most two digits before the point and any number after it.

    Takes number words (hyphens and commas count as spaces) or a plain numeral such as "7.25".
    Raises NotANumber with a sentence for anything else.
    """
    text = text.lower().strip(" \t\r\n,")
    if _NUMERAL.fullmatch(text):
        return Spoken(Decimal(text), "whole")  # figures say nothing about how the number was said
    words = re.split(r"[\s,]+|(?<=[a-z])-(?=[a-z])", text)
    if not text:
        raise NotANumber("Nothing was said.")
    unknown = [word for word in words if word not in _KNOWN]
    if unknown:
        raise NotANumber(f'"{unknown[0]}" is not part of a number.')
    form = "digits" if all(word in _DIGIT or word in POINTS or word == "double" for word in words) else "whole"
    return Spoken(_value(words), form)


def _value(words: list[str]) -> Decimal:
    whole_words = list(takewhile(lambda word: word not in POINTS and word != HALF[0], words))
    tail = words[len(whole_words):]
    if not whole_words:
        raise NotANumber("Say what stands before the point too, as in zero point two five.")
    whole = _digits_of(whole_words)
    if len(whole) > 2:
        raise NotANumber("That is more than two digits before the point; was the word point missing?")
    if len(whole) == 2 and whole[0] == "0":
        raise NotANumber("A number here does not start with zero and another digit.")
    if not tail:
        return Decimal(whole)
    if tail[0] == HALF[0]:
        if tuple(tail) != HALF:
            raise NotANumber('After a number, "and" goes only with "a half".')
        return Decimal(f"{whole}.5")
    if len(tail) == 1:
        raise NotANumber("Nothing was said after the point.")
    return Decimal(f"{whole}.{_digits_of(tail[1:])}")


def _digits_of(words: list[str]) -> str:
    """Either single digits throughout or one natural two-digit number: mixing them is ambiguous."""
    natural = _two_digits(words)
    if natural is not None:
        return natural
    said, doubled = "", False
    for word in words:
        if word == "double" and not doubled:
            doubled = True
        elif word in _DIGIT:
            said += _DIGIT[word] * (2 if doubled else 1)
            doubled = False
        else:
            raise NotANumber(f'"{" ".join(words)}" can be taken in more than one way; say it digit by digit.')
    if doubled:
        raise NotANumber('"double" needs a digit after it.')
    return said


def _two_digits(words: list[str]) -> str | None:
    if len(words) == 1 and words[0] in _TEEN:
        return _TEEN[words[0]]
    if words[0] in _TEN and len(words) == 1:
        return f"{_TEN[words[0]]}0"
    if words[0] in _TEN and len(words) == 2 and words[1] in UNITS[1:]:
        return f"{_TEN[words[0]]}{_DIGIT[words[1]]}"
    return None


def _two_digit_words(whole: int) -> list[str]:
    if whole < 20:
        return [TEENS[whole - 10]]
    return [TENS[whole // 10 - 2]] + ([UNITS[whole % 10]] if whole % 10 else [])


def _digit_words(value: Decimal) -> list[str]:
    if not value.is_finite():
        raise ValueError(f"{value} cannot be said as a number.")
    names = {".": "point", "-": "minus"}
    return [names.get(sign) or UNITS[int(sign)] for sign in f"{value:f}"]
