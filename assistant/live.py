"""The live loop: one queue into which every thread posts, one thread that handles what comes, one thing at a time."""
from __future__ import annotations

import queue
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from assistant import view
from assistant.clock import Watch, boot_now
from assistant.core.answers import BOUNCE_S
from assistant.core.effects import NOT_NOW, Cadence, Cue, DropCues, Effect, Finish, Hush, Listen, Record, Speak
from assistant.core.events import (ClockJumped, DeviceBack, DeviceLost, Event, Heard, KeyPressed, Restarted, Spoken, Suspended,
                                   TestStarted, TimerDue)
from assistant.core.expect import Expect
from assistant.core.language import sentence
from assistant.core.state import Phase, State
from assistant.core.turn import expected
from assistant.flood import KEYS_A_SECOND, MOST_WAITING, Gate
from assistant.gauge_watch import GaugeWatch
from assistant.journal import JournalError
from assistant.lines import Write, record_line
from assistant.pronounce import pronounce
from assistant.record import exit_code
from assistant.station import Handles
from hardware.ports import SpeakerPort
from hardware.synth import RATE_WPM

LOOK_EVERY_S = 1.0
REFRESH_S = 0.1
WRONG_S = 2.0
"""So long the lamp says "wrong" after something was refused. Ours."""
RETRY_S = 1.0
"""A timer that could not be recorded is tried again after this."""


def echo(state: State, key: str) -> str:
    """The cue under the finger: where a reading is keyed, the digit itself, the point, or that one was erased."""
    if state.phase is Phase.ENTRY and not state.paused:
        if key in tuple("0123456789"):
            return f"digit_{key}"
        if key == "*":
            return "point"
        if key == "B" and state.typed:
            return "erase"
    return "key_click"


class Shows(Protocol):
    """Lamps and buzzers (``assistant.hands.Hands``)."""
    def show(self, name: str) -> None: ...


class Live:
    """Runs one test with real devices. Other threads only post (``post_event``, ``key``, ``meter``, ``trouble``, ``lost``,
    ``back``).

    ``run`` blocks, and must be called in the thread that opened the journal: SQLite serves no other.

    speaker    made by the caller with ``on_spoken=live.spoken`` (see ``attach``)
    show       takes a View after every change; None: there is no screen
    practice   the simulated meter at real pace; None: a real one
    lamps      lamps and buzzers, once they are open (see ``assistant.hands``)
    alive      called with every turn of the loop (``assistant.notify``)
    write      takes the record's lines; None: not wanted
    """

    def __init__(self, station: Handles, show: Callable[[Any], None] | None = None, practice: Any = None,
                 write: Write | None = None, hints: Callable[[State], str] = lambda state: "",
                 keys: str = view.KEYS) -> None:
        self.station, self.show, self.practice, self.write, self.hints, self.keys = (
            station, show, practice, write, hints, keys)
        self.speaker: SpeakerPort | None = None
        self.lamps: Shows | None = None
        self.alive: Callable[[], None] = lambda: None
        self.watch = GaugeWatch(self._handle, lambda: self.station.state)
        self._wrong_until = 0.0
        self._rate_wpm = RATE_WPM
        self.queue: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self.messages: deque[str] = deque(maxlen=3)
        """What the station said or answered: newest last, never pushed out by what devices report."""
        self._passing: deque[tuple[str, str]] = deque(maxlen=6)
        """Those of them that go with their prompt, and which that is."""
        self.notices: deque[str] = deque(maxlen=3)
        self.heard = ""
        self.status = ""
        self.finished: str | None = None
        self._not_before: dict[str, float] = {}
        self._said_before = 0
        """Utterances of the tests before this one on the same devices."""
        self._ready = False
        self._gone: dict[str, str] = {}
        """Devices that are gone now, whatever test runs, and the sentence for each."""
        self._told: set[str] = set()
        """Those of them that were said."""
        self._again = False
        """What is handled now was said in an earlier test of the round."""
        self._unreported: Spoken | None = None
        self._silent_looks: int | None = None
        self._enter_from = 0.0
        """Boot time from which # is meant for this test: sooner it is a bounce of the one that answered the test before."""
        self._began = boot_now()
        self._keys = Gate(KEYS_A_SECOND, boot_now, lambda: self.trouble(sentence("flood.keys")))

    # --- from any thread -----------------------------------------------------------------------------------------------

    def attach(self, speaker: SpeakerPort) -> None:
        self.speaker, self._rate_wpm = speaker, speaker.rate_wpm

    def spoken(self, ident: str) -> None:
        if ident.isdigit():
            self.queue.put(lambda: self._spoken(int(ident)))

    def post_event(self, make: Callable[[float], Event]) -> None:
        """``make`` gets the boot time at which the event is handled."""
        self.queue.put(lambda: self._handle(make(boot_now())))

    def key(self, name: str) -> None:
        if name == "quit":
            self.queue.put(self._quit)
        elif self._room() and self._keys.passes():
            at = boot_now()  # a key that waits in the queue was pressed before what it now finds asked
            self.queue.put(lambda: self._key(name, at))

    def _room(self) -> bool:
        """False: so much waits that what comes now is dropped, as from a device that babbles."""
        return self.queue.qsize() < MOST_WAITING

    def meter(self, action: str) -> None:
        self.queue.put(lambda: self._meter(action))

    def trouble(self, sentence: str) -> None:
        """A device has a problem: show it while there is room. The test goes on."""
        if self._room():
            self.queue.put(lambda: self.notices.append(sentence))

    def lost(self, device: str, sentence: str = "") -> None:
        """A device is gone: said, shown and recorded once, however often it is reported. No sentence: the core has one."""
        self.queue.put(lambda: self._lost(device, sentence))

    def back(self, device: str) -> None:
        """A device works. Nothing follows unless it was gone."""
        self.queue.put(lambda: self._back(device))

    def gauge_sample(self, sample: Any) -> None:
        """One sample of the gauge on the wire (``hardware.gauges.Sample``)."""
        if self._room():
            self.queue.put(lambda: self.watch.sample(sample.at, sample.psi, boot_now()))

    def gauge_lost(self, sentence: str) -> None:
        self.queue.put(self.watch.lost)
        self.lost("gauge", sentence)

    def tell(self, sentence: str) -> None:
        """An answer to something that was just done."""
        self.queue.put(lambda: self._for_now(sentence))

    def asked(self) -> tuple[Expect, str]:
        """What the ear should be ready for now, and the prompt that it belongs to, from one look at the state."""
        state = self.station.state
        if not state.prompt or state.phase is Phase.TAPPING:
            return Expect("off"), state.prompt
        return expected(state), state.prompt

    def next(self, station: Handles) -> None:
        """Another test on the same devices; call ``run`` then. What is still being said of the old one is none of its words."""
        before = self.station.state
        self._said_before += before.utterance
        self._enter_from = before.last_key_at + BOUNCE_S if before.last_key == "#" else 0.0
        self.station, self.heard, self.finished = station, "", None
        self._ready, self._unreported, self._not_before = False, None, {}

    # --- the loop --------------------------------------------------------------------------------------------------------

    def run(self, first: Event) -> int:
        """Until the test is over or left. 0: done and within limits; 1: left, scrapped, or a verdict that is no pass."""
        watch, next_look = Watch(), boot_now() + LOOK_EVERY_S
        while not self._handle(replace(first, at=boot_now())):
            # Nothing may happen before it is on the disk: a restart that is not recorded would let a cut hold pass.
            self._refresh()
            try:
                self.queue.get(timeout=RETRY_S)()
            except queue.Empty:
                pass
            if self.finished is not None:
                return 1
        self._ready = True
        self._devices()
        while self.finished is None:
            try:
                self.queue.get(timeout=self._patience())()
            except queue.Empty:
                pass
            self._timers()
            if boot_now() >= next_look:
                next_look = boot_now() + LOOK_EVERY_S
                jumped, slept = watch.look()
                if slept:
                    self._handle(Suspended(boot_now(), slept))
                if jumped:
                    self._handle(ClockJumped(boot_now(), jumped))
                self._loudspeaker()
                self._devices()
            self._refresh()
        return exit_code(self.station.state)

    def _loudspeaker(self) -> None:
        """Recorded as lost when it has been gone for two looks, so within two seconds; one that never played is none."""
        if getattr(getattr(self.speaker, "stream", None), "audible", False):
            if (self._silent_looks or 0) >= 2:
                self._back("speaker")
            self._silent_looks = 0
        elif self._silent_looks is not None:
            self._silent_looks += 1
            if self._silent_looks == 2:
                self._lost("speaker", sentence("device.speaker_gone"))

    def _lost(self, device: str, words: str) -> None:
        self._gone.setdefault(device, words)
        self._devices()

    def _back(self, device: str) -> None:
        self._gone.pop(device, None)
        self._devices()

    def _devices(self) -> None:
        """Bring the record of this test to what is gone now: also what went or came between two tests or with a full disk.

        What was said in an earlier test of the round is only recorded and shown in this one, so that its return is told.
        """
        if not self._ready or self.finished is not None or self.station.state.phase in (Phase.IDLE, Phase.OVER):
            return
        for device, words in self._gone.items():
            if device not in self.station.state.lost:
                self._again = device in self._told
                self._handle(DeviceLost(boot_now(), device, words))
                self._again = False
        for device in self.station.state.lost:
            if device not in self._gone:
                self._handle(DeviceBack(boot_now(), device))
        self._told = {*self._told, *self.station.state.lost} & self._gone.keys()

    def _patience(self) -> float:
        now = boot_now()
        due = [max(when, self._not_before.get(name, 0.0)) for name, when in self.station.state.timers]
        return max(0.0, min([now + REFRESH_S, *due]) - now)

    def _timers(self) -> None:
        if self._unreported is not None and self._not_before.get("", 0.0) <= boot_now():
            self._not_before[""] = boot_now() + RETRY_S
            event, self._unreported = self._unreported, None
            self._handle(event)
        for name, due in sorted(self.station.state.timers, key=lambda one: one[1]):
            now = boot_now()
            if due <= now and self._not_before.get(name, 0.0) <= now and not self._handle(TimerDue(now, name)):
                self._not_before[name] = now + RETRY_S

    def _handle(self, event: Event) -> bool:
        """False: it could not be recorded, so nothing has happened; the technician is told."""
        if self.finished is not None or not (self._ready or isinstance(event, TestStarted | Restarted)):
            return True
        if isinstance(event, Heard | KeyPressed):
            self.watch.before_answer(event.at)
        try:
            effects = self.station.handle(event)
        except JournalError as error:
            if str(error) not in self.messages:
                self.messages.append(str(error))
            if isinstance(event, Spoken):
                self._unreported = event  # tried again with the timers
            if not isinstance(event, Spoken | TimerDue | DeviceLost | DeviceBack) and self.speaker is not None:
                self.speaker.cue("refused")
                self.speaker.say("not-recorded", str(error))
            return False
        for effect in effects:
            self._perform(effect)
        return True

    def _perform(self, effect: Effect) -> None:
        speaker = self.speaker
        match effect:
            case Speak() if self._again and speaker is not None:
                speaker.say(str(effect.number + self._said_before), "")  # in its turn: what was to be said before it comes first
                self._keep(effect)
            case Cue() if self._again:
                pass
            case Speak():
                self._line("said", id=effect.id, text=effect.text)
                ident = str(effect.number + self._said_before)
                if speaker is None:
                    self.spoken(ident)
                elif not effect.aloud:
                    speaker.say(ident, "")  # in its turn: else a caution before it would count as said while it still sounds
                else:
                    speaker.rate_wpm = effect.wpm or self._rate_wpm
                    speaker.say(ident, pronounce(effect.text, to_write=bool(effect.wpm)))
                self._keep(effect)
            case Hush() if speaker is not None:
                speaker.hush(frozenset(str(one + self._said_before) for one in effect.keep))
            case Cue():
                if effect.name == "refused":
                    self._wrong_until = boot_now() + WRONG_S
                if speaker is not None:
                    speaker.cue(effect.name)
            case Cadence() if speaker is not None:
                speaker.cues(list(effect.cues))
            case DropCues() if speaker is not None:
                speaker.drop_cues()
            case Listen():
                self._line("listening", id=effect.id)
            case Record():
                self._record(effect)
            case Finish():
                self.finished = effect.outcome

    def _keep(self, speak: Speak) -> None:
        """Words that are no prompt (refusals, results, marks) stay on the screen as messages."""
        if speak.id.endswith(NOT_NOW):
            self._for_now(speak.text)
        elif speak.text not in view.prompt_words(self.station.state):
            self.messages.append(speak.text)

    def _for_now(self, words: str) -> None:
        """A message that goes with its prompt: "Not yet." beside the next question would be an answer to that."""
        self._passing.append((self.station.state.prompt, words))
        if words not in self.messages:
            self.messages.append(words)

    def _record(self, record: Record) -> None:
        if record.kind == "heard":
            self.heard = record.fields["text"]
        if self.write is not None:
            self.write(record_line(self._at(), record))

    def _at(self) -> float:
        """Seconds from the start to the event that is being carried out, however long the disk took to keep it."""
        return self.station.state.now - self._began

    def _line(self, kind: str, **fields: Any) -> None:
        if self.write is not None:
            self.write({"at": round(self._at(), 3), "kind": kind, **fields})

    def _spoken(self, number: int) -> None:
        if number > self._said_before:  # known only now: another test may have begun since it was over
            self._handle(Spoken(boot_now(), number - self._said_before))

    def _key(self, name: str, at: float) -> None:
        if self.speaker is not None:
            self.speaker.cue(echo(self.station.state, name))
        if name == "#" and at < self._enter_from:
            self._enter_from = at + BOUNCE_S  # a held key goes on bouncing
            return
        self._handle(KeyPressed(at, name))
        if self.station.state.too_soon == at:  # or nobody knows why it did nothing
            self._for_now(sentence("screen.hear_out"))

    def _meter(self, action: str) -> None:
        if self.practice is not None:
            self.practice.tick(boot_now())
            words = self.practice.act(action)
            if words:
                self.messages.append(words)

    def _quit(self) -> None:
        self.finished = "left"

    def _refresh(self) -> None:
        self.alive()
        now, state = boot_now(), self.station.state
        while self._passing and self._passing[0][0] != state.prompt:
            words = self._passing.popleft()[1]
            if words in self.messages:
                self.messages.remove(words)
        if self.lamps is not None:
            self.lamps.show(view.lamp(state, now < self._wrong_until))
        if self.practice is not None:
            self.practice.tick(now)
        if self.show is None:
            return
        gauge, status = view.wire(state, self.watch.shown(now)), self.status
        if self.practice is not None:
            gauge = f"{self.practice.gauge():f} psi"
            status = f"{status}   METER: {self.practice.state()}"
        label = sentence("screen.gauge" if self.practice is not None else "screen.wire")
        self.show(view.of(state, now, status, gauge, (*self.notices, *self.messages), self.heard, self.hints(state), self.keys,
                          label))
