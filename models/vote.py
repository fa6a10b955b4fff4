"""Which of several decodings of one utterance is believed.

A closed grammar makes one of its sentences of any sound, so one decoding is no evidence. Decodings that were made
differently (other recogniser, other sound, other grammar) err differently: what enough of them say alike was most
likely said. How many are enough depends on what a mistake would cost.
"""

from collections import Counter
from dataclasses import dataclass
from decimal import Decimal

from assistant.core.commands import command
from assistant.core.expect import Expect
from assistant.core.spoken import NotANumber, parse
from models import grammar

NAMES = 2
"""Recognisers of so many names must be among them: one alone repeats its own mistakes."""

OWN = "own"
"""The name of the station's own model. Where it hears, a meaning needs it and another: built and taught differently, they
seldom mishear alike."""


@dataclass(frozen=True)
class Decoding:
    """One recogniser's best guess."""

    text: str
    """The words; "" for none."""

    by: str
    """The recogniser or acoustic model: two of the same name share more mistakes than two of different names."""

    narrowed: bool = False
    """Searched only where the reading is likely (`Expect.near`): it may support a guess, never make one."""


@dataclass(frozen=True)
class Rule:
    """How many decodings must say the same; of the own model's so many as `own`, which then don't count among the others."""

    plain: int
    """Where nothing is known that could support it."""

    supported: int | None = None
    """Where a narrowed decoding says it too; None: as plain."""

    unlikely: int | None = None
    """A reading that no narrowed decoding supports, where it is known where the reading most likely lies; None: as plain."""

    lead: int = 1
    """So many more than any other meaning has."""

    own: int = 0
    """More than half of what the own model gives, so that only one meaning can have it. 0: it is not there."""

    alone: int = 0
    """So many of the own model's are enough without any other; 0: never. Not for what takes or throws away a reading."""


class Vote:
    """Takes the decodings of one utterance one by one and says when one meaning has won."""

    def __init__(self, expect: Expect, rules: dict[str, Rule]) -> None:
        """rules: for "reading" and "command", and for single commands by their id."""
        self._sentences = grammar.built(expect)
        self._rules = rules
        self._near = expect.near
        self._places = expect.places
        self._votes: Counter[str] = Counter()
        self._own: Counter[str] = Counter()
        self._support: Counter[str] = Counter()
        self._by: dict[str, set[str]] = {}
        self._texts: dict[str, str] = {}
        self.first: str | None = None
        """The first words that were heard at all, for the record of what was not understood."""

    def add(self, decoding: Decoding) -> None:
        if not decoding.text:
            return
        meaning = self._meaning(decoding.text)
        if decoding.narrowed:
            if meaning is not None:
                self._support[meaning] += 1
            return
        self.first = self.first or decoding.text
        # Words that are no whole sentence of this grammar (cut by noise, or nothing that is asked now) count against
        # the others, and never win.
        key = meaning if meaning is not None else f"?{decoding.text}"
        (self._own if decoding.by == OWN else self._votes)[key] += 1
        self._by.setdefault(key, set()).add(decoding.by)
        if meaning is not None and self._sentences.accepts(decoding.text.split()):
            self._texts.setdefault(meaning, decoding.text)

    def winner(self) -> str | None:
        """The words to believe, or None as long as nothing has won."""
        for meaning in {**dict(self._votes.most_common()), **self._own}:
            if meaning not in self._texts:
                continue
            rule, votes, own = self._rule(meaning), self._votes[meaning], self._own[meaning]
            if rule.own:
                if own >= rule.own and votes >= self._enough(rule, meaning) or rule.alone and own >= rule.alone:
                    return self._texts[meaning]
                continue
            enough = self._enough(rule, meaning)
            others = max((n for other, n in self._votes.items() if other != meaning), default=0)
            if votes >= enough and votes - others >= rule.lead and len(self._by[meaning]) >= NAMES:
                return self._texts[meaning]
        return None

    def own_says(self) -> str | None:
        """The meaning that the own model gave often enough; None: it has none, so nothing can win where it is needed."""
        return next((meaning for meaning, votes in self._own.items()
                     if meaning in self._texts and votes >= self._rule(meaning).own), None)

    def apart(self) -> bool:
        """Whether the own model and most of the other decodings each hear a reading, and not the same."""
        own = self.own_says()
        other, votes = next(iter(self._votes.most_common(1)), ("?", 0))
        return own is not None and own != other and own[0].isdigit() and other[0].isdigit() and votes >= NAMES

    def _rule(self, meaning: str) -> Rule:
        return self._rules.get(meaning) or self._rules[self._kind(meaning)]

    def _enough(self, rule: Rule, meaning: str) -> int:
        if self._near is None or not meaning[0].isdigit():
            return rule.plain
        supported = self._support[meaning] and self._support[meaning] == max(self._support.values())
        need = rule.supported if supported else rule.unlikely
        return rule.plain if need is None else need

    def _meaning(self, text: str) -> str | None:
        """What words mean: "oh" and "zero" do the same, and so do the two ways to say one number."""
        ident = command(text)
        if ident is not None:
            return ident
        try:
            value = parse(text, whole=self._places == 0).value
        except NotANumber:
            return None
        if self._places is not None and -int(value.as_tuple().exponent) <= self._places:
            value = value.quantize(Decimal(1).scaleb(-self._places))
        return str(value)

    @staticmethod
    def _kind(meaning: str) -> str:
        return "reading" if meaning[0].isdigit() else "command"
