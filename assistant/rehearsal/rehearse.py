"""A test played through the real machine in the loop that also runs at the bowl, on a clock that jumps to whatever comes next.

The technician is a script, or cooperates; the mouth writes down what it says. All else (loop, journal, machine, recogniser) is the
real thing.
"""
from __future__ import annotations

import heapq
import itertools
import math
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Protocol

from assistant.core.asked import soonest
from assistant.core.commands import command, phrase
from assistant.core.effects import Effect, Listen, Speak
from assistant.core.events import Event, GaugeSteady, Heard, KeyPressed, Restarted, Spoken, TestStarted
from assistant.core.expect import Expect
from assistant.core.state import Phase
from assistant.core.steps import Choose
from assistant.core.turn import expected
from assistant.files.refusal import Refusal
from assistant.record import loads
from assistant.record.header import Header
from assistant.record.journal import Journal
from assistant.record.lines import Write
from assistant.record.session import Handles, Station, Unrecorded, unfinished
from assistant.rehearsal.script import Answer, Script, event
from assistant.station.loop import Loop

ANSWER_AFTER_S = 1.0
"""When a script says no "after": about how long a person takes to answer."""
KEY_EVERY_S = 0.3
WORDS_PER_S = 2.9
"""Length of speech that nobody renders: the station's own rate, 170 words a minute."""


class Voice(Protocol):
    """What the rehearsal sounds like, or only how long it takes."""

    def length(self, text: str, wpm: int) -> float:
        """How long the words take, in seconds."""
        ...

    def speech(self, text: str, wpm: int, at_s: float) -> None:
        """Place the words at ``at_s`` seconds."""
        ...

    def cue(self, name: str, at_s: float) -> None: ...


class SilentVoice:
    """No sound, plausible lengths."""

    def length(self, text: str, wpm: int) -> float:
        return 0.25 + len(text.split()) / WORDS_PER_S

    def speech(self, text: str, wpm: int, at_s: float) -> None:
        pass

    def cue(self, name: str, at_s: float) -> None:
        pass


HearWav = Callable[[Path, Expect], tuple[Event, float]]
"""WAV and what is expected -> what the machine is told, and the seconds of audio."""


@dataclass(eq=False)
class _Utterance:
    speak: Speak
    length: float
    start: float = 0.0
    begun: bool = False
    dropped: bool = False
    plan: int = 0
    """Only the newest plan of when it is said counts."""


def _given(answer: Answer) -> str:
    """What the machine will be given first; empty where only a recogniser knows."""
    match answer.kind:
        case "say":
            return command(str(answer.value)) or str(answer.value)
        case "key":
            assert isinstance(answer.value, tuple)
            return answer.value[0]
    return ""


class JumpingClock:
    """Does what is planned, in the order of its time, and sets itself to that time.

    realtime   waits for that time to come
    nothing    done when nothing is planned and nothing waited for
    """

    def __init__(self, realtime: bool, nothing: Callable[[], None]) -> None:
        self.time = 0.0
        self._realtime, self._nothing, self._began = realtime, nothing, time.monotonic()
        self._planned: list[tuple[float, int, Callable[[], object]]] = []
        self._order = itertools.count()

    def now(self) -> float:
        return self.time

    def at(self, when: float, action: Callable[[], object]) -> None:
        heapq.heappush(self._planned, (when, next(self._order), action))

    def forget(self) -> None:
        """What was planned."""
        self._planned.clear()

    def next(self, until: float) -> Callable[[], object] | None:
        if self._planned and self._planned[0][0] < until:
            when, _, action = heapq.heappop(self._planned)
            self._wait(when)
            return action
        if until == math.inf:
            return self._nothing
        self._wait(until)
        return None

    def _wait(self, until: float) -> None:
        if self._realtime:
            time.sleep(max(0.0, self._began + until - time.monotonic()))
        self.time = max(self.time, until)


class WrittenDown:
    """The mouth: what it says takes its time, and is a line as it begins; a cue is a line as it sounds.

    voice    how long it takes, and where it is to be heard
    line     takes a line: kind, and its fields
    spoken   told the number of each utterance that is over
    """

    def __init__(self, clock: JumpingClock, voice: Voice, line: Callable[..., None], spoken: Callable[[int], None]) -> None:
        self._clock, self._voice, self._line, self._spoken = clock, voice, line, spoken
        self._utterances: list[_Utterance] = []
        self._free = 0.0
        self._row = 0

    def forget(self) -> None:
        """What was to be said."""
        self._utterances.clear()
        self._free = self._clock.time

    def say(self, speak: Speak) -> None:
        length = self._voice.length(speak.text, speak.wpm) if speak.aloud else 0.0
        self._utterances.append(_Utterance(speak, length))
        self._schedule(self._utterances[-1], max(self._clock.time, self._free))

    def cue(self, name: str) -> None:
        self._voice.cue(name, self._clock.time)
        self._line("cue", name=name)

    def cues(self, plan: tuple[tuple[str, float], ...]) -> None:
        for name, offset in plan:
            self._clock.at(self._clock.time + offset, partial(self._cue_of_row, name, self._row))

    def drop_cues(self) -> None:
        self._row += 1

    def hush(self, keep: tuple[int, ...]) -> None:
        """What is kept moves up; what is dropped takes no more time, but is reported in its turn."""
        free = self._clock.time
        for said in list(self._utterances):
            if said.speak.number in keep and said.begun:
                free = said.start + said.length
                continue
            if said.speak.number not in keep:
                said.dropped, said.length = True, 0.0
            self._schedule(said, free)
            free = self._free
        self._free = free

    def _cue_of_row(self, name: str, row: int) -> None:
        if row == self._row:
            self.cue(name)

    def _schedule(self, said: _Utterance, start: float) -> None:
        """Plan when it begins and ends; an earlier plan for it no longer counts."""
        said.plan += 1
        said.start, self._free = start, start + said.length
        plan = said.plan
        if start <= self._clock.time:
            self._begin(said, plan)
        else:
            self._clock.at(start, lambda: self._begin(said, plan))
        self._clock.at(self._free, lambda: self._end(said, plan))

    def _begin(self, said: _Utterance, plan: int) -> None:
        if said.plan != plan or said.begun or said.dropped:
            return
        said.begun = True
        if said.speak.aloud:
            self._voice.speech(said.speak.text, said.speak.wpm, self._clock.time)
        extra = {} if said.speak.aloud else {"aloud": False}
        self._line("said", id=said.speak.id, text=said.speak.text, **extra)

    def _end(self, said: _Utterance, plan: int) -> None:
        if said.plan == plan:
            self._utterances.remove(said)
            self._spoken(said.speak.number)


class Rehearsal(Loop):
    clock: JumpingClock
    mouth: WrittenDown

    def __init__(self, script: Script, journal: Journal, write: Write, answer_rest: bool = False,
                 realtime: bool = False, voice: Voice | None = None, hear: HearWav | None = None,
                 boot: str = "rehearsal") -> None:
        """Raises Refusal if the journal holds an unfinished test of another kind."""
        clock = JumpingClock(realtime, self._nothing_comes)
        super().__init__(Unrecorded(), clock, WrittenDown(clock, voice or SilentVoice(), self.line, self._over), write)
        self.script, self.answer_rest, self.hear = script, answer_rest, hear
        self.listen_number = 0
        self.meant = ""
        """The prompt that a line of the script will answer later."""
        self.answers: dict[str, deque[Answer]] = {}
        self.following: dict[int, Answer] = {}
        """Number of a line, 0 for the start, and the line that comes so many seconds after it."""
        before = 0
        for answer in script.answers:
            if answer.then is None:
                self.answers.setdefault(answer.on, deque()).append(answer)
            else:
                self.following[before] = answer
            before = answer.line
        self.begin(script.header, journal, boot)

    def begin(self, header: Header, journal: Journal, boot: str) -> None:
        """The test that the script's header names, or the same one where it was left."""
        left = unfinished(journal, boot)
        if left is not None and left.state.procedure and left.state.procedure.test != header.test:
            raise Refusal(f"test {left.test} in this journal is a {left.state.procedure.test} test that is not "
                              "over. Finish or scrap it first, or name another journal.")
        if left is None:
            header.must_begin()
        station = left or Station(journal, journal.new_test(), boot)
        self.station: Handles = station
        clock = {"wall": loads.of_day(self.script.clock)} if self.script.clock else {}
        self.first: Event = Restarted(0.0, boot, wall=clock.get("wall")) if left else TestStarted(
            0.0, header.test, header.data, header.settings.to_mapping(), dict(header.labels), clock=clock)

    def run(self, first: Event | None = None) -> int:
        """Play to the end, the script's own test where ``first`` is None. Exit code: 0 done; 1 unfinished, scrapped, or a verdict
        that is no pass."""
        return super().run(first or self.first)

    def next(self, station: Handles) -> None:
        """Another test, or the questions between two; the clock goes on."""
        super().next(station)
        self._forget()

    def begun(self) -> None:
        self._follow(None)

    def at(self) -> float:
        return self.now

    @property
    def now(self) -> float:
        """Seconds on the clock that jumps."""
        return self.clock.time

    @now.setter
    def now(self, time_s: float) -> None:
        self.clock.time = time_s

    def plan(self, when: float, action: Callable[[], object]) -> None:
        self.clock.at(when, action)

    def _forget(self) -> None:
        self.clock.forget()
        self.mouth.forget()
        self.meant = ""

    def _nothing_comes(self) -> None:
        self.line("waiting", id=self.station.state.prompt)
        self.finished = "left"

    def _over(self, number: int) -> None:
        self.handle(Spoken(self.now, number))

    # --- the technician --------------------------------------------------------------------------------------------------

    def perform(self, effect: Effect) -> None:
        super().perform(effect)
        if isinstance(effect, Listen):
            self._listen(effect)

    def _listen(self, listen: Listen) -> None:
        self.listen_number += 1
        waiting = self.answers.get(listen.id)
        if self.meant == listen.id:
            pass  # a clock has spoken meanwhile: what was meant to be answered still comes at its time
        elif waiting:
            answer = waiting.popleft()
            self.meant = listen.id
            when = self._natural(_given(answer)) if answer.after is None else self.now + answer.after
            self.plan(when, lambda: self._give(answer, listen))
        elif self.answer_rest and (reply := self._cooperative()) is not None:
            number = self.listen_number
            self.plan(self._natural(reply), lambda: self._reply(reply, number))

    def _natural(self, answer: str) -> float:
        """When a person who listens to the station gives this answer."""
        return max(self.now + ANSWER_AFTER_S, soonest(self.station.state, answer or self.station.state.answered.answer))

    def _cooperative(self) -> str | None:
        """The command that a cooperative technician gives: next, yes; never a reading, never a skip."""
        match self.station.state.phase:
            case Phase.TELL | Phase.READY:
                return "next"
            case Phase.CHOOSE:
                step = self.station.state.step
                assert isinstance(step, Choose)
                return "no" if step.yes.skips else "yes"
            case Phase.CONFIRM | Phase.OVERRIDE:
                return "yes"
            case Phase.ENTRY if self.station.state.ask.optional:
                return "next"
            case Phase.SCRAP | Phase.CHANGE | Phase.REST:
                return "no"
        return None

    def _reply(self, reply: str, number: int) -> None:
        if number == self.listen_number and self.station.state.listening:
            self.handle(Heard(self.now, phrase(reply)))

    def _give(self, answer: Answer, listen: Listen) -> None:
        self.meant = ""
        if self.station.state.prompt == listen.id:
            self._act(answer, listen.expect)
        else:
            self.line("note", id=answer.on, text=f"script line {answer.line} came too late: that prompt was over")
        self._follow(answer)

    def _follow(self, before: Answer | None) -> None:
        """The line that comes a time after ``before``, whatever is asked then."""
        answer = self.following.pop(before.line if before else 0, None)
        if answer is None or answer.then is None:
            return
        keys = before.value if before is not None and before.kind == "key" else ()
        assert isinstance(keys, tuple)

        def give() -> None:
            self._act(answer, expected(self.station.state))
            self._follow(answer)
        self.plan(self.now + max(0, len(keys) - 1) * KEY_EVERY_S + answer.then, give)

    def _act(self, answer: Answer, expect: Expect) -> None:
        match answer.kind:
            case "say":
                self.handle(Heard(self.now, str(answer.value), answer.on if answer.then is not None else ""))
            case "event":
                assert isinstance(answer.value, Mapping)
                self._happens(event(answer.value, self.now))
            case "gauge":
                assert isinstance(answer.value, Decimal)
                self.handle(GaugeSteady(self.now, answer.value))
            case "key":
                assert isinstance(answer.value, tuple)
                for count, key in enumerate(answer.value):
                    self.plan(self.now + count * KEY_EVERY_S, partial(self._press, key))
            case "hear":
                self._hear(answer, expect)

    def _press(self, key: str) -> None:
        self.handle(KeyPressed(self.now, key))

    def _happens(self, happened: Event) -> None:
        if isinstance(happened, Restarted):  # what the dead process was saying and waiting for is gone
            self.now = happened.at
            self._forget()
        self.handle(happened)

    def _hear(self, answer: Answer, expect: Expect) -> None:
        assert self.hear is not None and isinstance(answer.value, Path)
        heard, seconds = self.hear(answer.value, expect)
        self.plan(self.now + seconds, lambda: self.handle(replace(heard, at=self.now)))
