"""Numbers as people say them: one strict parser, and the two ways the station says a number itself.

Strict means that whatever is not plainly one number is refused. "seven twenty five" might be 7.25, 720.5 or
27.5, so it is no number here: asking again costs two seconds, a wrong reading costs the test.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from itertools import takewhile
from typing import Literal

from assistant.core.language import CURRENT, sentence

_NUMBERS = CURRENT.numbers
UNITS = _NUMBERS.units
ZEROS = (UNITS[0], *_NUMBERS.zero_too)
POINTS = _NUMBERS.points
HALF = _NUMBERS.half
"""Empty in a language that has no words for it."""
DOUBLE = _NUMBERS.double
"""Empty too, where nobody says it."""
TWO_DIGITS = _NUMBERS.two_digits
"""10 to 99 -> the words of it."""

_DIGIT = {word: str(n) for n, word in enumerate(UNITS)} | dict.fromkeys(ZEROS, "0")
_WHOLE = {words: str(n) for n, words in TWO_DIGITS.items()}
WORDS = tuple(dict.fromkeys((*UNITS, *ZEROS[1:], *filter(None, [DOUBLE]), *POINTS, *(word for said in _WHOLE for word in said),
                             *HALF)))
"""Every word that a number may be said with."""
QUARTERS = tuple(tuple(said.split()) for said in (sentence("number.and_quarter"), sentence("number.and_three_quarters")) if said)
"""After a whole number of inches. Not among WORDS: no pressure is said with them."""
_KNOWN = frozenset((*WORDS, *(word for said in QUARTERS for word in said)))
_NUMERAL = re.compile(r"[0-9]{1,3}(\.[0-9]+)?")
_FRACTIONS = {tuple(said.split()): decimals for said, decimals in (
    (" ".join(HALF), "5"), (sentence("number.and_quarter"), "25"), (sentence("number.and_three_quarters"), "75")) if said}
"""What may follow a whole number in place of a point -> its decimals."""


_FIGURE = {word: str(n) for n, word in enumerate(UNITS)} | {POINTS[0]: ".", _NUMBERS.minus: "-"}
_SPELLED = re.compile(r"(?<!\w)(?:{0})(?:, (?:{0}))+(?!\w)".format("|".join(map(re.escape, _FIGURE))))
_JOINTS = {words[0] for words in _FRACTIONS}


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


def in_figures(text: str) -> str:
    """The text as it is shown: a number of several digits that `digits` made is written in figures again."""
    return _SPELLED.sub(lambda match: "".join(_FIGURE[word] for word in match[0].split(", ")), text)


def spelled(text: str) -> str:
    """The same of what is keyed so far, which may be no number yet."""
    return ", ".join(_sign_words(text))


def say(value: Decimal) -> str:
    """The natural way: 31.81 is "thirty one point eight one". From 100 on, digit by digit throughout."""
    words = _digit_words(value)
    whole = abs(int(value))
    if not 10 <= whole <= 99:
        return " ".join(words)
    first = words.index(UNITS[whole // 10])
    return " ".join([*words[:first], *TWO_DIGITS[whole], *words[first + 2:]])


def time_of_day(clock: str) -> str:
    """09:11 is "nine eleven", 14:05 "fourteen zero five"."""
    hours, minutes = (int(part) for part in clock.split(":"))
    early = "" if minutes >= 10 else f"{UNITS[0]} "
    return f"{_below_100(hours)} {early}{_below_100(minutes)}"


def _below_100(number: int) -> str:
    return " ".join(TWO_DIGITS[number]) if number >= 10 else UNITS[number]


def parse(text: str, whole: bool = False) -> Spoken:
    """The one number that `text` says, with at most two digits before the point and any number after it.

    Three digits before it are taken only one by one and with a point: without one it was most likely lost. whole: a whole number
    is asked for, which has no point to lose.
    Takes number words (hyphens and commas count as spaces) or a plain numeral such as "7.25".
    Raises NotANumber with a sentence for anything else.
    """
    text = text.lower().strip(" \t\r\n,")
    if _NUMERAL.fullmatch(text):
        return Spoken(Decimal(text), "whole")  # figures say nothing about how the number was said
    words = re.split(r"[\s,]+|(?<=[^\W\d_])-(?=[^\W\d_])", text)
    if not text:
        raise NotANumber(sentence("number.nothing"))
    unknown = [word for word in words if word not in _KNOWN]
    if unknown:
        raise NotANumber(sentence("number.unknown", word=unknown[0]))
    singly = all(word in _DIGIT or word in POINTS or word == DOUBLE for word in words)
    return Spoken(_value(words, whole), "digits" if singly else "whole")


def _value(words: list[str], lone: bool) -> Decimal:
    whole_words = list(takewhile(lambda word: word not in POINTS and word not in _JOINTS, words))
    tail = words[len(whole_words):]
    if not whole_words:
        raise NotANumber(sentence("number.no_whole"))
    whole = _digits_of(whole_words)
    if len(whole) > 3 or len(whole) == 3 and (whole[0] == "0" or not (lone and not tail)
                                                    and tail[:1] not in [[point] for point in POINTS]):
        raise NotANumber(sentence("number.too_many"))
    if len(whole) == 2 and whole[0] == "0":
        raise NotANumber(sentence("number.leading_zero"))
    if not tail:
        return Decimal(whole)
    if tail[0] in _JOINTS:
        if tuple(tail) not in _FRACTIONS:
            raise NotANumber(sentence("number.half"))
        return Decimal(f"{whole}.{_FRACTIONS[tuple(tail)]}")
    if len(tail) == 1:
        raise NotANumber(sentence("number.no_decimals"))
    return Decimal(f"{whole}.{_digits_of(tail[1:])}")


def _digits_of(words: list[str]) -> str:
    """Either single digits throughout or one natural two-digit number: mixing them is ambiguous."""
    natural = _WHOLE.get(tuple(words))
    if natural is not None:
        return natural
    said, doubled = "", False
    for word in words:
        if word == DOUBLE and not doubled:
            doubled = True
        elif word in _DIGIT:
            said += _DIGIT[word] * (2 if doubled else 1)
            doubled = False
        else:
            raise NotANumber(sentence("number.ambiguous", words=" ".join(words)))
    if doubled:
        raise NotANumber(sentence("number.double"))
    return said


def _digit_words(value: Decimal) -> list[str]:
    if not value.is_finite():
        raise ValueError(f"{value} cannot be said as a number.")
    return _sign_words(f"{value:f}")


def _sign_words(text: str) -> list[str]:
    names = {".": POINTS[0], "-": _NUMBERS.minus}
    return [names.get(sign) or UNITS[int(sign)] for sign in text]
