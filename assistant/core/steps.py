"""The six kinds of step that carry every test."""
from __future__ import annotations

from dataclasses import dataclass, field
from collections.abc import Iterator, Mapping


@dataclass(frozen=True, kw_only=True)
class Step:
    id: str
    stage: str = ""
    """Where in the test this is, as the technician would say it: "run 1, step 2"."""
    say: str = ""
    terse: str = ""
    """Shorter words for who knows the test; empty: the same words."""
    caution: str = ""
    """Said before anything else, at the moment when it matters."""
    goto: str = ""
    """The step that follows; empty: the next one in the file."""

    def targets(self) -> Iterator[str]:
        yield self.goto

    def check(self) -> None:
        """Raises ValueError with a sentence if a value can't be right."""
        for name in ("id", "say", "terse", "caution", "goto"):
            if not isinstance(getattr(self, name), str):
                raise ValueError(f'"{name}" must be a text, not {getattr(self, name)!r}.')


@dataclass(frozen=True, kw_only=True)
class Tell(Step):
    """Say an instruction, wait for "next"."""


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

    def check(self) -> None:
        super().check()
        if self.entries not in ("one", "two"):
            raise ValueError(f'"entries" must be "one" or "two", not {self.entries!r}.')
        if self.band not in ("", "override"):
            raise ValueError(f'"band" must be "" or "override", not {self.band!r}.')
        if not isinstance(self.places, int) or not 0 <= self.places <= 4:
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
    broken: str = ""
    """Step to go back to when the hold was interrupted; empty: begin this hold again."""

    def targets(self) -> Iterator[str]:
        yield from (self.goto, self.broken)

    def check(self) -> None:
        super().check()
        if self.length < 0:
            raise ValueError(f'"seconds" must not be negative, not {self.seconds!r}.')
        for mark in self.marks:
            if not isinstance(mark, int) or not 0 < mark:
                raise ValueError(f'each of "marks" must be a whole number of seconds before the end, not {mark!r}.')
        if not isinstance(self.count, int) or not 0 <= self.count <= 9:
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
    seconds: str = ""
    every: str = ""

    lead_s = 2.0
    """From the end of the words to the first blow: time to press the lever and lift the mallet. Ours."""

    def check(self) -> None:
        super().check()
        for name in ("seconds", "every"):
            try:
                good = float(getattr(self, name)) > 0
            except ValueError:
                good = False
            if not good:
                raise ValueError(f'"{name}" must be a number above zero, not {getattr(self, name)!r}.')

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


@dataclass(frozen=True, kw_only=True)
class Option:
    goto: str = ""
    note: str = ""
    """Written into the record when this was chosen."""
    skips: bool = False
    """Something the method wants is left out: never what a cooperative technician answers unasked."""
    invalid: bool = False
    """No result of this test can be valid after this."""


@dataclass(frozen=True, kw_only=True)
class Choose(Step):
    """A small closed question, answered by yes or no."""
    yes: Option = Option()
    no: Option = Option()

    def targets(self) -> Iterator[str]:
        yield from (self.goto, self.yes.goto, self.no.goto)


KINDS: dict[str, type[Step]] = {"tell": Tell, "ask": Ask, "hold": Hold, "tap": Tap, "judge": Judge, "choose": Choose}
