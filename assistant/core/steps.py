"""The six kinds of step that carry every test."""
from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

LONGEST_S = 86_400
"""No clock of a test runs longer than a day."""

_TYPES: dict[str, tuple[type, str]] = {"str": (str, "a text"), "int": (int, "a whole number"), "bool": (bool, "true or false")}


def check_types(table: Any) -> None:
    """Raises ValueError, naming the key, where a plain field of a step or an option holds something else."""
    for each in fields(table):
        wanted, words = _TYPES.get(str(each.type), (object, ""))
        value = getattr(table, each.name)
        if not isinstance(value, wanted) or wanted is int and isinstance(value, bool):
            raise ValueError(f'"{each.name}" must be {words}, not {value!r}.')


@dataclass(frozen=True, kw_only=True)
class Step:
    id: str
    stage: str = ""
    """Where in the test this is, as the technician would say it: "run 1, step 2"."""
    say: str = ""
    terse: str = ""
    """Shorter words for who knows the test; empty: the same words."""
    coaching: str = ""
    """One more sentence for who learns it: why, or how it looks when it is right."""
    caution: str = ""
    """Said before anything else, at the moment when it matters."""
    once: bool = False
    """Its caution is about all concrete of a round: said at its first test, and again after a break (see caution.py)."""
    later: bool = False
    """Washing: left to the end of a round while a clock of it runs."""
    goto: str = ""
    """The step that follows; empty: the next one in the file."""

    starts: str = ""
    """Seconds of a clock that runs in the background once this step is answered: it warns, and forces nothing."""
    stops: bool = False
    """When this step begins, that clock is no longer needed. Had it run out before, no result can be valid."""
    safety: bool = False
    """Its answer must be no echo of another, although it carries no caution: clamps are looked at, the lever is pressed."""
    role: str = ""
    """What this step is to the interpreter, whatever it is called: EQUILIBRIUM, or the role of a hold's watcher."""
    of_run: int = 0
    """Which step of a run it belongs to, as ``S`` of its stage says; 0: it is no step of a run."""
    timed: bool = False
    """The moment when this step begins counts for a round: the last portion is taken, the work on the concrete begins,
    or, at a judge step, is completed."""

    @property
    def grave(self) -> bool:
        """A safety question: its answer must not be one that was meant for another (``asked.py``)."""
        return bool(self.caution) or self.safety

    def targets(self) -> Iterator[str]:
        yield self.goto

    def check(self) -> None:
        """Raises ValueError with a sentence if a value can't be right."""
        check_types(self)
        if self.starts and not (self.starts.replace(".", "", 1).isdigit() and 0 < float(self.starts) <= LONGEST_S):
            raise ValueError(f'"starts" must be a number of seconds up to {LONGEST_S}, not {self.starts!r}.')


@dataclass(frozen=True, kw_only=True)
class Tell(Step):
    """Say an instruction, wait for "next"."""
    run_on: bool = False
    """Who knows the test is told it in one breath with the step before, and one "next" serves both. Never where safety is asked."""

    def check(self) -> None:
        super().check()
        if self.run_on and (self.grave or self.starts or self.stops or self.timed or self.later):
            raise ValueError('"run_on" is for a plain instruction: no caution, no safety, no clock.')


@dataclass(frozen=True, kw_only=True)
class Ask(Step):
    """Get one reading. Its id is the reading's name."""
    quantity: str = ""
    """What is read, in words: "equilibrium pressure"."""
    unit: str = "psi"
    places: int = 2
    """Decimal places of the instrument."""
    entries: str = "one"
    """"one" entry, or "two" that must match and don't share one mistake."""
    band: str = ""
    """"override": a value outside its band is refused, but may be used knowingly; empty: there is no band."""
    optional: bool = False
    """Not everybody knows it: next leaves it out. It is no measurement, so that digits are taken as they are keyed, however many."""
    cued: bool = False
    """In terse wording the sound that ends the hold before it asks; the words are only shown. Asked again, they are said."""

    def check(self) -> None:
        super().check()
        if self.entries not in ("one", "two"):
            raise ValueError(f'"entries" must be "one" or "two", not {self.entries!r}.')
        if self.band not in ("", "override"):
            raise ValueError(f'"band" must be "" or "override", not {self.band!r}.')
        if not 0 <= self.places <= 4:
            raise ValueError(f'"places" must be a whole number from 0 to 4, not {self.places!r}.')


@dataclass(frozen=True, kw_only=True)
class Hold(Step):
    """Run a clock that nobody may shorten, with spoken marks."""
    seconds: str = ""
    """Length in seconds, as a number or filled from a setting."""
    marks: tuple[int, ...] | list[int] = ()
    """Seconds before the end at which the time left is said."""
    count: int = 0
    """The last seconds, counted down aloud."""
    end_cue: str = ""
    crew: str = ""
    """Said to the crew when the technician leaves it to them (``crew.py``); empty: he can't."""
    broken: str = ""
    """Step to go back to when the hold was interrupted; empty: begin this hold again."""

    def targets(self) -> Iterator[str]:
        yield from (self.goto, self.broken)

    def check(self) -> None:
        super().check()
        if not 0 <= self.length <= LONGEST_S:
            raise ValueError(f'"seconds" must be from 0 to {LONGEST_S}, not {self.seconds!r}.')
        if not isinstance(self.marks, list | tuple) or not all(type(mark) is int and mark > 0 for mark in self.marks):
            raise ValueError(f'"marks" must be a list of whole seconds before the end, not {self.marks!r}.')
        if not 0 <= self.count <= 9:
            raise ValueError(f'"count" must be a whole number from 0 to 9, not {self.count!r}.')

    @property
    def length(self) -> float:
        try:
            return float(self.seconds)
        except (TypeError, ValueError):
            raise ValueError(f'"seconds" must be a number, not {self.seconds!r}.') from None


@dataclass(frozen=True, kw_only=True)
class Tap(Step):
    """A cadence of cues while the lever is held: one first blow, then blows at an even beat."""
    go: str = ""
    """Said on "next": press and hold."""
    terse_go: str = ""
    """Shorter, for who knows the test; empty: the same words."""
    joined: str = ""
    """Asked in one with the reading before it, instead of "Right?": one yes serves both. Empty: it is asked by itself."""
    terse_joined: str = ""
    seconds: str = ""
    every: str = ""

    @property
    def grave(self) -> bool:
        return True  # the lever is pressed after it

    lead_s = 2.0
    """From the end of the words to the first blow: time to press the lever and lift the mallet. Ours."""

    def check(self) -> None:
        super().check()
        if self.joined and self.caution:
            raise ValueError('"joined" is for a tapping without a caution: it would never be said.')
        for name in ("seconds", "every"):
            try:
                good = 0.1 <= float(getattr(self, name)) <= LONGEST_S
            except ValueError:
                good = False
            if not good:
                raise ValueError(f'"{name}" must be a number from 0.1 to {LONGEST_S}, not {getattr(self, name)!r}.')

    def cues(self) -> tuple[tuple[str, float], ...]:
        """Name and offset in seconds of every cue: the first blow, the beats, the end."""
        every, seconds = float(self.every), float(self.seconds)
        beats = int(seconds / every + 1e-9)
        return (("tap_first", self.lead_s),
                *(("tap", self.lead_s + n * every) for n in range(1, beats + 1)),
                ("tap_end", self.lead_s + seconds + every))

    @property
    def length(self) -> float:
        return self.cues()[-1][1]


@dataclass(frozen=True, kw_only=True)
class Judge(Step):
    """Compute from what was read, and branch."""
    rule: str = ""
    on: Mapping[str, str] = field(default_factory=dict)
    """Outcome of the rule -> step id."""

    def targets(self) -> Iterator[str]:
        yield from (self.goto, *self.on.values())

    def check(self) -> None:
        super().check()
        if not isinstance(self.on, Mapping) or not self.on or not all(isinstance(one, str) for one in self.on.values()):
            raise ValueError(f'"on" must be a table that leads each outcome to a step, not {self.on!r}.')


@dataclass(frozen=True, kw_only=True)
class Option:
    goto: str = ""
    note: str = ""
    """Written into the record when this was chosen."""
    skips: bool = False
    """Something the method wants is left out: never what a cooperative technician answers unasked."""
    invalid: bool = False
    """No result of this test can be valid after this."""
    back: bool = False
    """The last reading is asked again, as after "take it back"."""


@dataclass(frozen=True, kw_only=True)
class Choose(Step):
    """A small closed question, answered by yes or no."""
    yes: Option = Option()
    no: Option = Option()

    @property
    def grave(self) -> bool:
        return super().grave or self.stops or self.yes.invalid or self.no.invalid

    def targets(self) -> Iterator[str]:
        yield from (self.goto, self.yes.goto, self.no.goto)


EQUILIBRIUM = "equilibrium"
"""Role of an Ask: the bowl is closed and holds pressure until the stage is over."""

BATCHED, VOLUME, NUMBER = "batched", "volume", "number"
"""Roles of an Ask about a load: the time of day at which it was batched, as 942 for 9:42; how much it is; the how manieth of the
day."""
PLACED = "placed"
"""Role of a Judge: here it is told which sample is due."""

AIR_LINE = "air"
"""Role of a line of a test that is read out: "skip to air" leads to it."""

KINDS: dict[str, type[Step]] = {"tell": Tell, "ask": Ask, "hold": Hold, "tap": Tap, "judge": Judge, "choose": Choose}
