"""Where a test stands: everything the machine knows, and nothing that it does not need."""
from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Any, Mapping

from assistant.core.judgement import Judgement
from assistant.core.procedure import Procedure
from assistant.core.settings import Settings
from assistant.core.steps import Ask, Hold, Step, Tap, Tell


class Phase(StrEnum):
    IDLE = "idle"
    """No test yet."""
    TELL = "tell"
    ENTRY = "entry"
    CONFIRM = "confirm"
    OVERRIDE = "override"
    HOLD = "hold"
    READY = "ready"
    """Before the lever is pressed: waiting for "next"."""
    TAPPING = "tapping"
    CHOOSE = "choose"
    SCRAP = "scrap"
    REST = "rest"
    """Three buttons: what else there is, one after the other."""
    CHANGE = "change"
    """A reading is to be changed although what it gives was told: is there a cause?"""
    OVER = "over"


YES_NO = (Phase.CONFIRM, Phase.OVERRIDE, Phase.CHOOSE, Phase.SCRAP, Phase.CHANGE, Phase.REST)
"""What is asked is answered with yes or no."""

FACE = "face"


@dataclass(frozen=True)
class Entry:
    """A value as it came in, before anybody confirmed it."""
    value: Decimal
    source: str
    """``voice``, ``keypad`` or ``gauge``."""
    form: str
    """``digits`` or ``whole`` for voice (see spoken.py), FACE where the wire was compared with the dial, else empty."""
    text: str
    """Verbatim: what was heard, keyed or received."""
    doubt: str = ""
    at: float = 0.0
    spread: Decimal = Decimal(0)
    """Of a gauge: half the span of the samples it was found from, psi."""


@dataclass(frozen=True)
class Reading:
    id: str
    value: Decimal
    unit: str
    entries: tuple[Entry, ...]
    at: float
    withdrawn: str = ""
    """Why it no longer counts; empty while it does. A reading is never removed."""
    known: str = ""
    """What had been told of it when it was withdrawn: TOLD, RESULT, or empty: nothing."""

    @property
    def source(self) -> str:
        return self.entries[-1].source


KEEPS = 3
"""From these rules of the dialogue on, what was taken back may be kept."""

TOLD, RESULT = "told", "result"
"""A judgement was said that rests on a reading: on the way, or a verdict."""


@dataclass(frozen=True)
class Asked:
    """What is said for the prompt that is open now: the utterances ``first`` to ``last``."""
    first: int = 1
    last: int = 0
    words: int = 0
    at: float = 0.0
    """When it was asked; all times are seconds on the boot clock."""
    began: float | None = None
    """When its first word could be heard: whatever was said before it was over."""
    over: float | None = None
    """When all of it had been said. None: not yet, or it was cut off."""
    cut: bool = False
    cut_at: float = 0.0
    reported: float = 0.0
    """When the voice last reported that something was over."""

    def spoken(self, spoken: int, now: float) -> Asked:
        """After the report that the utterances up to ``spoken`` are over."""
        began = now if self.began is None and spoken >= self.first - 1 else self.began
        over = now if self.over is None and not self.cut and spoken >= self.last else self.over
        return replace(self, began=began, over=over, reported=now)

    def hushed(self, keep: tuple[int, ...], now: float) -> Asked:
        """Everything is cut off but for the utterances in ``keep``."""
        whole = self.over is not None or all(number in keep for number in range(self.first, self.last + 1))
        return self if whole or self.cut else replace(self, cut=True, cut_at=now)


@dataclass(frozen=True)
class Answered:
    """The last answer that counted."""
    answer: str = ""
    """The key, or the command that was said; a reading as it was given."""
    at: float = float("-inf")
    grave: bool = False
    """It answered a safety question."""


@dataclass(frozen=True)
class Note:
    at: float
    id: str
    text: str
    invalid: bool = False
    """No result of this test can be valid any more."""
    repeat: bool = False
    """The test should be repeated: said with the result."""


@dataclass(frozen=True)
class Steady:
    """Where the gauge on the wire last stood still, psi."""
    value: Decimal
    spread: Decimal
    since: float
    """Boot time of its oldest sample."""
    at: float


@dataclass(frozen=True)
class Guided:
    """The value, psi, that the technician was last told about while charging."""
    value: Decimal
    state: str
    """``in_band``, ``over`` or ``under``; empty: it is above the meter's maximum."""
    at: float


@dataclass(frozen=True)
class Running:
    """A hold's clock."""
    id: str
    started: float
    ends: float


@dataclass(frozen=True)
class Away:
    """The technician left a hold to the crew."""
    at: float
    judged: tuple[tuple[int, Judgement], ...]
    """What had been judged when he went."""


@dataclass(frozen=True)
class State:
    procedure: Procedure | None = None
    settings: Settings = Settings()
    header: Mapping[str, Any] | None = None
    rules: int = 0
    """By which rules of the dialogue this test is led (``events.RULES``)."""
    now: float = 0.0

    index: int = 0
    phase: Phase = Phase.IDLE
    before_scrap: Phase = Phase.IDLE
    """What goes on after "no" to scrapping, to changing a reading, or to the rest that three buttons can do."""
    holding: bool = False
    """The lever was pressed at the last tapping, and nothing has been asked since that lets it up."""
    outcome: str = ""
    """``done``, ``scrapped`` or ``stopped`` once the phase is OVER."""
    asks_why: bool = False
    """It was scrapped, and its reason is asked for."""
    why: str = ""
    """Why it was scrapped; empty: nobody said."""

    typed: str = ""
    wheel: str = ""
    """Three buttons: what the wheel shows after what is typed; empty: no wheel turns."""
    rest: str = ""
    """Three buttons: the command that is asked about now."""
    first: Entry | None = None
    """The confirmed first of two entries."""
    proposed: Entry | None = None
    """Read back, waiting for yes or no."""
    misses: int = 0
    outs: int = 0
    """How often in a row the charge was outside its band."""
    offered: Entry | None = None
    """The out-of-band entry that an override would use."""
    override: bool = False
    """The entry now being confirmed is used although it is outside its band."""

    readings: tuple[Reading, ...] = ()
    notes: tuple[Note, ...] = ()
    judged: tuple[tuple[int, Judgement], ...] = ()
    """Latest judgement of each Judge step that was passed, by its index."""
    corrected: tuple[int, ...] = ()
    """Ask steps still to be asked again after "take it back", nearest last, below them the step that was left."""

    asked: Asked = Asked()
    answered: Answered = Answered()
    too_soon: float | None = None
    """When a key was pressed that did nothing, since its question could not be heard yet."""
    compared: int = 0
    """How many readings there were when it was last said that one does not fit those before it."""
    denied: tuple[tuple[str, Decimal], ...] = ()
    """Readings that were doubted and then denied by the technician."""
    opened: float = 0.0
    """When the reading that is asked for was last asked: what the gauge showed before is not taken for it."""
    steady: Steady | None = None
    unwanted: Decimal | None = None
    """What the gauge offered and the technician refused: not offered again until it moves."""
    disputed: Decimal | None = None
    """What a person entered although the gauge on the wire shows something else."""
    guided: Guided | None = None
    curve: tuple[tuple[float, Decimal], ...] = ()
    """The last leak hold by wire: seconds since it began, psi."""
    hopeless: bool = False
    """That hold can't pass any more, and the technician was told."""
    lost: tuple[str, ...] = ()
    """Devices that are gone."""

    timed_at: float | None = None
    """Boot time of the first step that counts for the clocks of a round."""
    sampled_at: float | None = None
    """When the last portion of the sample was taken, on this boot's clock; None: this test belongs to no round."""
    to_begin: tuple[str, ...] = ()
    """Tests of the round that are not begun yet."""
    aged: bool = False
    """No clock of the round waits for this test, but the age of its concrete is kept."""
    timing: str = ""
    """Whether this test of a round was in time (see round_clock); empty: not yet, or it belongs to none."""
    boot: str = ""
    """The boot on whose clock all its times are; empty: nobody said."""

    midnight: float | None = None
    """Boot time of the midnight before this test began, by the wall clock then; None: nobody said."""
    placed: tuple[Mapping[str, Any], ...] = ()
    """For each frequency of the job what the record had of the day before this load (``due.told``)."""
    batched: float | None = None
    """Boot time at which the load was batched; None: not known."""

    clock: str = ""
    """Of the clock that this test runs in the background: ``running``, ``stopped`` in time, ``over``, or ``lost`` at a restart."""
    hold: Running | None = None
    away: Away | None = None
    ended_away: str = ""
    """Id of a hold or tapping whose time ran out while something else was being asked."""
    timers: tuple[tuple[str, float], ...] = ()
    """Name and due time of what the shell must report with TimerDue."""

    utterance: int = 0
    """Number of the last utterance that was asked for."""
    cautions: tuple[int, ...] = ()
    """Numbers of the cautions that are not over yet: nothing cuts them off."""
    spoken: int = 0
    """Number of the last utterance that is over."""
    listening: bool = False
    paused: bool = False
    paused_at: float = 0.0
    unsaid: str = ""
    """The caution that this test leaves out, since it was heard before it in the round (see caution.py)."""
    quiet: bool = False
    wording: str = "normal"
    """``terse``, ``normal`` or ``coaching``; cautions are the same in each."""
    wpm: int = 0
    last_key: str = ""
    last_key_at: float = 0.0

    def but(self, **changes: Any) -> State:
        """``dataclasses.replace`` in a tenth of its time: a replay is made of little else."""
        if unknown := changes.keys() - self.__dict__.keys():
            raise TypeError(f"a state has no {', '.join(sorted(unknown))}")
        new = object.__new__(State)
        new.__dict__.update(self.__dict__, **changes)
        return new

    @property
    def buttons(self) -> bool:
        """Yes, no and say again are all that the technician has."""
        return (self.header or {}).get("hands") == "buttons"

    @property
    def terse(self) -> bool:
        return self.wording == "terse"

    @property
    def step(self) -> Step:
        assert self.procedure is not None
        return self.procedure.steps[self.index]

    @property
    def ask(self) -> Ask:
        step = self.step
        assert isinstance(step, Ask)
        return step

    @property
    def prompt(self) -> str:
        """The id of what is being asked now; the same ids that scripts and ``prompts`` use."""
        if self.asks_why:
            return "scrap.why"
        if self.procedure is None or self.phase in (Phase.IDLE, Phase.OVER):
            return ""
        if self.phase is Phase.SCRAP:
            return "scrap.confirm"
        if self.phase is Phase.CHANGE:
            return "change.confirm"
        if self.phase is Phase.REST:
            return f"rest.{self.rest}"
        again = ".again" if self.first is not None and self.phase in (Phase.ENTRY, Phase.CONFIRM) else ""
        suffix = {Phase.CONFIRM: ".confirm", Phase.OVERRIDE: ".override"}.get(self.phase, "")
        return self.step.id + again + suffix

    def taken(self) -> dict[str, Decimal]:
        """The readings that count, by name, in the order in which they were first taken."""
        return {one.id: one.value for one in self.readings if not one.withdrawn}

    def needs_lever(self) -> bool:
        """Whether what is asked is read with the lever held: a tapping comes before it, with no instruction in between."""
        assert self.procedure is not None
        before = (one for one in reversed(self.procedure.steps[:self.index]) if isinstance(one, Tap | Tell))
        found = next(before, None)
        return isinstance(found, Tap) and found.stage == self.step.stage

    @property
    def joined(self) -> Tap | None:
        """The tapping whose question is asked in one with this read-back: what is read back is plain, and nothing comes between."""
        if self.phase is not Phase.CONFIRM or self.proposed is None or self.proposed.doubt or self.override or self.corrected:
            return None
        assert self.procedure is not None
        then = self.procedure.steps[self.index + 1:][:1]
        alone = self.ask.entries == "one" and not self.ask.goto
        return then[0] if then and alone and isinstance(then[0], Tap) and then[0].joined else None

    def breath(self) -> tuple[Step, ...]:
        """The present step and what is told in one breath with it."""
        assert self.procedure is not None
        steps = self.procedure.steps
        after = self.index + 1
        while self.terse and isinstance(self.step, Tell) and after < len(steps) and not steps[after - 1].goto \
                and isinstance(then := steps[after], Tell) and then.run_on:
            after += 1
        return steps[self.index:after]

    def changes(self) -> list[tuple[Reading, Reading]]:
        """(old, new): readings that became others after what they give was told."""
        found = []
        for place, old in enumerate(self.readings):
            new = next((one for one in self.readings[place + 1:] if one.id == old.id), None)
            if old.known and new is not None and new.value != old.value:
                found.append((old, new))
        return found

    def taken_back(self) -> Reading | None:
        """The reading that is asked again and may stay as it was: nothing had been told of it, and nothing entered since."""
        if self.rules < KEEPS or self.phase is not Phase.ENTRY or not self.corrected or self.first is not None:
            return None
        old = next((one for one in reversed(self.readings) if one.id == self.step.id), None)
        return old if old is not None and old.withdrawn and not old.known else None

    def last_taken(self) -> Reading | None:
        counting = [one for one in self.readings if not one.withdrawn]
        return counting[-1] if counting else None

    def time_left(self) -> float | None:
        """Seconds left of the running hold, else of the background clock, or None."""
        ends = dict(self.timers).get("clock:0") if self.hold is None else self.hold.ends
        return None if ends is None else max(0.0, ends - self.now)

    def running_hold(self) -> Hold | None:
        if self.hold is None or self.procedure is None:
            return None
        step = self.procedure.steps[self.procedure.index(self.hold.id)]
        assert isinstance(step, Hold)
        return step


