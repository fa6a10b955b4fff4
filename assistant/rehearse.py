"""A test played through the real machine on a virtual clock that jumps to whatever comes next.

The technician is a script, or cooperates; everything else (journal, machine, recogniser) is the real thing.
"""
from __future__ import annotations

import heapq
import itertools
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Protocol

from assistant import record
from assistant.core.asked import soonest
from assistant.core.commands import command, phrase
from assistant.core.effects import Cadence, Cue, DropCues, Effect, Finish, Hush, Listen, Record, Speak
from assistant.core.events import Event, GaugeSteady, Heard, KeyPressed, Restarted, Spoken, TestStarted, TimerDue
from assistant.core.expect import Expect
from assistant.core.state import Phase
from assistant.core.steps import Choose
from assistant.core.turn import expected
from assistant.journal import Journal
from assistant.lines import Line, Write, record_line
from assistant.script import Answer, Header, Script, ScriptError, event
from assistant.station import Handles, Station, unfinished

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


class Rehearsal:
    def __init__(self, script: Script, journal: Journal, write: Write, answer_rest: bool = False,
                 realtime: bool = False, voice: Voice | None = None, hear: HearWav | None = None,
                 boot: str = "rehearsal") -> None:
        """Raises ScriptError if the journal holds an unfinished test of another kind."""
        self.script = script
        self.write, self.answer_rest, self.realtime = write, answer_rest, realtime
        self.voice: Voice = voice or SilentVoice()
        self.hear = hear
        self.now = 0.0
        self.began = time.monotonic()
        self.voice_free = 0.0
        self.speech: list[_Utterance] = []
        self.cue_row = 0
        self.listen_number = 0
        self.meant = ""
        """The prompt that a line of the script will answer later."""
        self.finished: str | None = None
        self.heap: list[tuple[float, int, Callable[[], None]]] = []
        self.order = itertools.count()
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
            raise ScriptError(f"test {left.test} in this journal is a {left.state.procedure.test} test that is not "
                              "over. Finish or scrap it first, or name another journal.")
        station = left or Station(journal, journal.new_test(), boot)
        self.station: Handles = station
        self.first: Event = (Restarted(0.0, boot) if left else
                             TestStarted(0.0, header.test, header.data, header.settings.to_mapping(), dict(header.labels)))

    def run(self) -> int:
        """Play to the end. Exit code: 0 done; 1 unfinished, scrapped, or a verdict that is no pass."""
        return record.exit_code(self.station.state) if self.play(self.station, self.first) else 1

    def play(self, station: Handles, first: Event) -> bool:
        """One test, or the questions between two, to the end; the clock goes on. False: nothing more comes."""
        self.station, self.finished, self.voice_free = station, None, self.now
        self.meant = ""
        self.heap.clear()
        self.speech.clear()
        self.post(first)
        self._follow(None)
        while self.finished is None:
            if not self._next():
                self.line("waiting", id=self.station.state.prompt)
                return False
        return True

    # --- time --------------------------------------------------------------------------------------------------------

    def at(self, when: float, action: Callable[[], None]) -> None:
        heapq.heappush(self.heap, (when, next(self.order), action))

    def _next(self) -> bool:
        timers = self.station.state.timers
        due = min(timers, key=lambda one: one[1]) if timers else None
        if due and (not self.heap or due[1] <= self.heap[0][0]):
            self._wait(due[1])
            self.post(TimerDue(self.now, due[0]))
        elif self.heap:
            when, _, action = heapq.heappop(self.heap)
            self._wait(when)
            action()
        else:
            return False
        return True

    def _wait(self, until: float) -> None:
        if self.realtime:
            time.sleep(max(0.0, self.began + until - time.monotonic()))
        self.now = max(self.now, until)

    # --- events and effects --------------------------------------------------------------------------------------------

    def post(self, event: Event) -> None:
        for effect in self.station.handle(event):
            self.perform(effect)

    def perform(self, effect: Effect) -> None:
        match effect:
            case Speak():
                self._speak(effect)
            case Hush():
                self._hush(effect.keep)
            case Cue():
                self._cue(effect.name, self.now)
            case Cadence():
                for name, offset in effect.cues:
                    self.at(self.now + offset, lambda name=name, row=self.cue_row: self._cue_of_row(name, row))
            case DropCues():
                self.cue_row += 1
            case Listen():
                self._listen(effect)
            case Record():
                self.write(record_line(self.now, effect))
            case Finish():
                self.finished = effect.outcome

    def line(self, kind: str, **fields: Any) -> None:
        line: Line = {"at": round(self.now, 3), "kind": kind, **fields}
        self.write(line)

    def _cue_of_row(self, name: str, row: int) -> None:
        if row == self.cue_row:
            self._cue(name, self.now)

    def _cue(self, name: str, at: float) -> None:
        self.voice.cue(name, at)
        self.line("cue", name=name)

    def _speak(self, speak: Speak) -> None:
        length = self.voice.length(speak.text, speak.wpm) if speak.aloud else 0.0
        self.speech.append(_Utterance(speak, length))
        self._schedule(self.speech[-1], max(self.now, self.voice_free))

    def _schedule(self, one: _Utterance, start: float) -> None:
        """Plan when it begins and ends; an earlier plan for it no longer counts."""
        one.plan += 1
        one.start, self.voice_free = start, start + one.length
        plan = one.plan
        self._then(start, one, plan, self._begin)
        self._then(self.voice_free, one, plan, self._end)

    def _then(self, when: float, one: _Utterance, plan: int, action: Callable[[_Utterance], None]) -> None:
        def act() -> None:
            if one.plan == plan:
                action(one)
        if when <= self.now and action == self._begin:
            act()
        else:
            self.at(when, act)

    def _begin(self, one: _Utterance) -> None:
        if one.begun or one.dropped:
            return
        one.begun = True
        if one.speak.aloud:
            self.voice.speech(one.speak.text, one.speak.wpm, self.now)
        extra = {} if one.speak.aloud else {"aloud": False}
        self.line("said", id=one.speak.id, text=one.speak.text, **extra)

    def _end(self, one: _Utterance) -> None:
        self.speech.remove(one)
        self.post(Spoken(self.now, one.speak.number))

    def _hush(self, keep: tuple[int, ...]) -> None:
        """What is kept moves up; what is dropped takes no more time, but is reported in its turn."""
        free = self.now
        for one in list(self.speech):
            if one.speak.number in keep and one.begun:
                free = one.start + one.length
                continue
            if one.speak.number not in keep:
                one.dropped, one.length = True, 0.0
            self._schedule(one, free)
            free = self.voice_free
        self.voice_free = free

    # --- the technician --------------------------------------------------------------------------------------------------

    def _listen(self, listen: Listen) -> None:
        self.listen_number += 1
        self.line("listening", id=listen.id)
        waiting = self.answers.get(listen.id)
        if self.meant == listen.id:
            pass  # a clock has spoken meanwhile: what was meant to be answered still comes at its time
        elif waiting:
            answer = waiting.popleft()
            self.meant = listen.id
            when = self._natural(_given(answer)) if answer.after is None else self.now + answer.after
            self.at(when, lambda: self._give(answer, listen))
        elif self.answer_rest and (reply := self._cooperative()) is not None:
            number = self.listen_number
            self.at(self._natural(reply), lambda: self._reply(reply, number))

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
            case Phase.SCRAP | Phase.CHANGE:
                return "no"
        return None

    def _reply(self, reply: str, number: int) -> None:
        if number == self.listen_number and self.station.state.listening:
            self.post(Heard(self.now, phrase(reply)))

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
        self.at(self.now + max(0, len(keys) - 1) * KEY_EVERY_S + answer.then, give)

    def _act(self, answer: Answer, expect: Expect) -> None:
        match answer.kind:
            case "say":
                self.post(Heard(self.now, str(answer.value), answer.on if answer.then is not None else ""))
            case "event":
                assert isinstance(answer.value, Mapping)
                self._happens(event(answer.value, self.now))
            case "gauge":
                assert isinstance(answer.value, Decimal)
                self.post(GaugeSteady(self.now, answer.value))
            case "key":
                assert isinstance(answer.value, tuple)
                for count, key in enumerate(answer.value):
                    self.at(self.now + count * KEY_EVERY_S, lambda key=key: self.post(KeyPressed(self.now, key)))
            case "hear":
                self._hear(answer, expect)

    def _happens(self, happened: Event) -> None:
        if isinstance(happened, Restarted):  # what the dead process was saying and waiting for is gone
            self.heap.clear()
            self.speech.clear()
            self.meant = ""
            self.now = self.voice_free = happened.at
        self.post(happened)

    def _hear(self, answer: Answer, expect: Expect) -> None:
        assert self.hear is not None and isinstance(answer.value, Path)
        heard, seconds = self.hear(answer.value, expect)
        self.at(self.now + seconds, lambda: self.post(replace(heard, at=self.now)))
