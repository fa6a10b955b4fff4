"""Closed grammars: every way to say what a step can expect, and nothing else.

A grammar is a small automaton over words (for pocketsphinx, which keeps word order) or a list of phrases (for
vosk, whose runtime grammar does not). Either only narrows what is searched: the strict parser has the last word.
"""

import functools
import random
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal

from assistant.core.commands import COMMANDS
from assistant.core.expect import Expect
from assistant.core.spoken import DOUBLE, HALF, POINTS, QUARTERS, TWO_DIGITS, UNITS, WORDS, ZEROS

UNKNOWN = "[unk]"
"""vosk's word for everything that is none of ours; a model may lack it."""

HIGHEST = Decimal("59.99")
"""No pressure in the round's tests reaches 60 psi; a longer list costs accuracy on the rest."""

HIGHEST_WIDE = Decimal("999.99")
"""Of what is no pressure: degrees Fahrenheit, masses, counts. A grammar of its own, so that pressures are heard as before."""

ESSENTIAL = UNITS + POINTS[:1]
"""A model that lacks one of these can't be used for readings at all."""

EVERYTHING = Expect("reading")
"""All that is ever said to a station: readings of any size, and the commands."""

WIDE = Expect("reading", None, HIGHEST_WIDE)
"""All readings that are no pressure, and the commands."""

Words = tuple[str, ...]


@dataclass
class Automaton:
    """Word arcs between numbered states. Equal tails share one state, which keeps the search small and quick."""

    arcs: list[tuple[int, str | None, int]] = field(default_factory=list)
    """(from, word, to); a word of None is passed without being said."""

    start: int = 0
    end: int = 0
    """The one final state."""

    _known: dict[frozenset, int] = field(default_factory=dict)
    _states: int = 1
    _leaving: dict[int, list[tuple[str | None, int]]] = field(default_factory=dict)

    def state(self, ways: Iterable[tuple[Words, int]]) -> int:
        """The state from which each word sequence leads to the state given with it; no words: straight there."""
        branches: dict[str | None, list[tuple[Words, int]]] = {}
        straight = set()
        for words, target in ways:
            if words:
                branches.setdefault(words[0], []).append((words[1:], target))
            else:
                straight.add(target)
        if not branches and len(straight) == 1:
            return straight.pop()
        arcs = {(word, self.state(rest)) for word, rest in branches.items()} | {(None, to) for to in straight}
        key = frozenset(arcs)
        if key not in self._known:
            self._known[key] = self._states
            self.arcs += [(self._states, word, to) for word, to in sorted(arcs, key=str)]
            self._states += 1
        return self._known[key]

    def accepts(self, words: Iterable[str]) -> bool:
        """Whether the words are one whole sentence of this grammar."""
        at = self._straight({self.start})
        for said in words:
            at = self._straight({to for frm, word, to in self.arcs if frm in at and word == said})
        return self.end in at

    def sentence(self, rng: random.Random) -> str:
        """One of its sentences, by a random walk; for a grammar that is finished."""
        if not self._leaving:
            self._leaving = {}
            for frm, word, to in self.arcs:
                self._leaving.setdefault(frm, []).append((word, to))
        at, said = self.start, []
        while at != self.end:
            word, at = rng.choice(self._leaving[at])
            said += [word] if word else []
        return " ".join(said)

    def _straight(self, at: set[int]) -> set[int]:
        """`at` and what is reached from it without a word."""
        while more := {to for frm, word, to in self.arcs if word is None and frm in at} - at:
            at = at | more
        return at


def words_for(expect: Expect) -> list[str]:
    """Every word that may be heard, for a word-list grammar and for the check of a model's vocabulary."""
    words: dict[str, None] = {}
    if expect.kind == "reading":
        words = dict.fromkeys(WORDS)
        if wide(expect):
            words |= dict.fromkeys(word for said in QUARTERS for word in said)
    if expect.kind != "off":
        words |= dict.fromkeys(word for phrase in command_phrases() for word in phrase.split())
    return list(words)


def phrases_for(expect: Expect) -> list[str]:
    """vosk's runtime grammar as phrases: single words of numbers, whole phrases of commands."""
    spoken = [word for word in WORDS if word not in HALF] if expect.kind == "reading" else []
    half = [" ".join(HALF)] if spoken and HALF else []
    return spoken + half + (command_phrases() if expect.kind != "off" else [])


def command_phrases() -> list[str]:
    return [phrase for phrases in COMMANDS.values() for phrase in phrases]


def built(expect: Expect) -> Automaton:
    """The full grammar of `expect`, whatever its window: what a whole utterance must fit."""
    return _built(anywhere(expect))


@functools.cache
def _built(expect: Expect) -> Automaton:
    return automaton(expect)


def anywhere(expect: Expect) -> Expect:
    """`expect` wherever the reading lies: one grammar for every step of a gauge, and none that forces a value."""
    return replace(expect, low=None, high=HIGHEST_WIDE if wide(expect) else None, near=None, unit="")


def wide(expect: Expect) -> bool:
    """Whether the reading is no pressure: by its unit, by its size, or as a whole number. It needs the wide grammar."""
    return expect.kind == "reading" and (expect.unit not in ("", "psi") or expect.places == 0
                                         or expect.high is not None and expect.high > HIGHEST)


def automaton(expect: Expect, *, window: bool = False, commands: bool = True) -> Automaton:
    """The grammar of `expect`.

    window: keep to readings from `expect.low` to `expect.high`. Such a grammar forces whatever it hears into
    the window, so it may only vote beside one without.
    """
    built = Automaton()
    ways = [(tuple(phrase.split()), built.end) for phrase in command_phrases()] if commands else []
    if expect.kind == "yesno" and not commands:
        ways = [(tuple(said.split()), built.end) for ident in ("yes", "no") for said in COMMANDS[ident]]
    if expect.kind == "reading":
        low, high = (expect.low, expect.high) if window else (None, None)
        ways += _readings(built, low, high, expect.places, wide(expect))
        if expect.places == 0 and expect.high is not None:  # a whole number has no point to lose
            ways += [(form, built.end) for n in range(100, min(999, int(expect.high)) + 1)
                     if low is None or low <= n for form in _spelt(str(n))]
    built.start = built.state(ways)
    return built


def _readings(built: Automaton, low: Decimal | None, high: Decimal | None, places: int | None,
              wider: bool) -> list[tuple[Words, int]]:
    """Ways to say the values from `low` to `high`, both inclusive, within 0 and 59.99, or 999.99 if `wider`.

    Wider, whole numbers may also be said digit by digit, but for those from 100 on: they need their point (`automaton` adds them
    where only whole numbers are asked for).
    places: exactly so many decimals, plus the short forms of a charge pressure ("thirty", "fourteen and a
    half", "fourteen point five"); None: one or two decimals.
    """
    low = max(Decimal(0), low) if low is not None else Decimal(0)
    top = HIGHEST_WIDE if wider else HIGHEST
    high = min(top, high) if high is not None else top
    ways = [(_natural(n), built.end) for n in range(10, min(99, int(top)) + 1) if low <= n <= high]
    if wider:
        ways += [(form, built.end) for n in range(100) if low <= n <= high for form in (_spelt(str(n)) if n else [UNITS[:1]])]
    if wider and places != 0:
        parts = [(Decimal("0.25"), QUARTERS[:1]), (Decimal("0.5"), (HALF,) if HALF else ()), (Decimal("0.75"), QUARTERS[1:])]
        ways += [(_natural(n) if n >= 10 else UNITS[n:n + 1], built.state((said, built.end) for said in tails))
                 for n in range(1, 100) for part, tails in parts if tails and low <= n + part <= high
                 and (places != 1 or part == Decimal("0.5"))]
    if places != 0:
        halves = [n for n in range(10, int(HIGHEST) + 1) if low <= n + Decimal("0.5") <= high]
        tails = [tail for tail in (HALF, *((point, UNITS[5]) for point in POINTS)) if tail]
        ways += [(_natural(n) + tail, built.end) for n in halves for tail in tails]
    for count in (1, 2) if places is None else (places,):
        if count > 0:
            ways += _with_decimals(built, low, high, count)
    return ways


def _with_decimals(built: Automaton, low: Decimal, high: Decimal, count: int) -> list[tuple[Words, int]]:
    ways = []
    size = 10**count
    for whole in range(int(low), int(high) + 1):
        said = [n for n in range(size) if low <= whole + Decimal(n).scaleb(-count) <= high]
        if said:
            decimals = built.state((form, built.end) for n in said for form in _decimals(n, count))
            point = built.state(((word,), decimals) for word in POINTS)
            ways += [(form, point) for form in _whole(whole)]
    return ways


def _decimals(n: int, count: int) -> list[Words]:
    forms = _spelt(f"{n:0{count}d}")
    return forms + [_natural(n)] if count == 2 and n >= 10 else forms


def _whole(n: int) -> list[Words]:
    return _spelt(str(n)) + ([_natural(n)] if 10 <= n < 100 else [])


def _spelt(said: str) -> list[Words]:
    """Digit by digit, every word for zero ("oh"), and "double" for two that are the same where that is said."""
    forms: list[Words] = [()]
    for digit in said:
        forms = [form + (word,) for form in forms for word in _digit(int(digit))]
    if DOUBLE and len(said) == 2 and said[0] == said[1]:
        forms += [(DOUBLE, word) for word in _digit(int(said[0]))]
    return forms


def _digit(n: int) -> Words:
    return (UNITS[n],) if n else ZEROS


def _natural(n: int) -> Words:
    return TWO_DIGITS[n]
