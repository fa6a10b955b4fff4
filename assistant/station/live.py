"""The loop at the bowl: the boot clock, real devices, and one queue into which every thread posts."""
from __future__ import annotations

import queue
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from assistant.core.answers import BOUNCE_S
from assistant.core.asked import heard_at
from assistant.core.effects import Cue, Effect, Record, Speak
from assistant.core.events import ClockJumped, DeviceBack, DeviceLost, Event, Heard, KeyPressed, Spoken, Suspended, TimerDue
from assistant.core.expect import Expect
from assistant.core.flow import END_WORDS
from assistant.core.language import sentence
from assistant.core.state import Phase, State
from assistant.core.turn import expected
from assistant.record.journal import JournalError
from assistant.record.lines import Write
from assistant.record.session import Handles
from assistant.station import view
from assistant.station.aloud import Aloud
from assistant.station.gauge_watch import GaugeWatch
from assistant.station.layout import View
from assistant.station.loop import Loop
from assistant.station.overload import KEYS_A_SECOND, MOST_WAITING, Gate
from assistant.station.practice_keys import on_meter
from assistant.station.remarks import Remark, apart, mark_words
from hardware.clock import Watch, boot_now
from hardware.ports import SpeakerPort

LOOK_EVERY_S = 1.0
REFRESH_S = 0.1
WRONG_S = 2.0
"""So long the lamp says "wrong" after something was refused. Ours."""
READ_S = 1.0
"""A key sooner than this was not meant for the page that has just come up. Ours."""


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


class BootClock:
    """Waits for what the threads post."""

    def __init__(self, posted: queue.SimpleQueue[Callable[[], object]]) -> None:
        self._posted = posted

    def now(self) -> float:
        return boot_now()

    def next(self, until: float) -> Callable[[], object] | None:
        try:
            return self._posted.get(timeout=max(0.0, until - boot_now()))
        except queue.Empty:
            return None


class Shows(Protocol):
    """Lamps and buzzers (``assistant.station.devices.Hands``)."""
    def show(self, name: str) -> None: ...


class Live(Loop):
    """Runs one test with real devices. Other threads only post (``post_event``, ``key``, ``meter``, ``trouble``, ``lost``,
    ``back``).

    ``run`` blocks, and must be called in the thread that opened the journal: SQLite serves no other.

    speaker    made by the caller with ``on_spoken=live.spoken`` (see ``attach``)
    show       takes a View after every change; None: there is no screen
    practice   the simulated meter at real pace; None: a real one
    lamps      lamps and buzzers, once they are open (see ``assistant.station.devices``)
    alive      called with every turn of the loop (``assistant.station.notify``)
    board      the same, with the state: what the crew's board may know of it (``assistant.board.publish``)
    pairing    the code of the crew's board, for whoever asks for the time at a test's first question, where nothing is timed
    write      takes the record's lines; None: not wanted
    """

    def __init__(self, station: Handles, show: Callable[[Any], None] | None = None, practice: Any = None,
                 write: Write | None = None, hints: Callable[[State], str] = lambda state: "",
                 keys: str = view.KEYS) -> None:
        self.queue: queue.SimpleQueue[Callable[[], object]] = queue.SimpleQueue()
        self.aloud = Aloud(self.spoken)
        super().__init__(station, BootClock(self.queue), self.aloud, write)
        self.show, self.practice, self.hints, self.keys = show, practice, hints, keys
        self.lamps: Shows | None = None
        self.alive: Callable[[], None] = lambda: None
        self.board: Callable[[State], None] = lambda state: None
        self.pairing: Callable[[], str] = lambda: ""
        self.watch = GaugeWatch(self.handle, lambda: self.station.state)
        self._wrong_until = 0.0
        self.messages: deque[str] = deque(maxlen=6)
        """What the station said or answered: newest last, never pushed out by what devices report."""
        self._passing: deque[Remark] = deque(maxlen=6)
        """Those of them that go with what they were said of."""
        self._mark: tuple[str, ...] = ()
        """What is said at a mark of the clock, which the screen shows anyway."""
        self.notices: deque[str] = deque(maxlen=3)
        self.barge_in = False
        """An answer may be said over the station's talk."""
        self.heard = ""
        self.status = ""
        self.result: Callable[[View | None], View] | None = None
        """Makes the result of the test before, beside the question that is asked now; None: there is none to show."""
        self._page: View | None = None
        """A page that stays until a key."""
        self._page_from = 0.0
        self._gone: dict[str, str] = {}
        """Devices that are gone now, whatever test runs, and the sentence for each."""
        self._told: set[str] = set()
        """Those of them that were said."""
        self._again = False
        """What is handled now was said in an earlier test of the round."""
        self._silent_looks: int | None = None
        self._enter_from = 0.0
        """Boot time from which # is meant for this test: sooner it is a bounce of the one that answered the test before."""
        self._look, self._next_look = Watch(), boot_now() + LOOK_EVERY_S
        self._keys = Gate(KEYS_A_SECOND, boot_now, lambda: self.trouble(sentence("flood.keys")))

    # --- from any thread -----------------------------------------------------------------------------------------------

    @property
    def speaker(self) -> SpeakerPort | None:
        return self.aloud.speaker

    def attach(self, speaker: SpeakerPort) -> None:
        self.aloud.speaker, self.aloud.rate_wpm = speaker, speaker.rate_wpm

    def spoken(self, ident: str) -> None:
        if ident.isdigit():
            self.queue.put(lambda: self._spoken(int(ident)))

    def post_event(self, make: Callable[[float], Event]) -> None:
        """``make`` gets the boot time at which the event is handled."""
        self.queue.put(lambda: self.handle(make(boot_now())))

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

    def counts_from(self) -> float:
        """From when on (boot time) what is said over the station's talk answers what is asked now: see ``core/asked.py``."""
        state = self.station.state
        silent = state.paused or not state.rules or state.phase in (Phase.IDLE, Phase.TAPPING, Phase.OVER)
        return float("inf") if silent else heard_at(state)

    def next(self, station: Handles) -> None:
        """Another test on the same devices; call ``run`` then. What is still being said of the old one is none of its words."""
        before = self.station.state
        self.aloud.before += before.utterance
        self._enter_from = before.last_key_at + BOUNCE_S if before.last_key == "#" else 0.0
        self.heard = ""
        super().next(station)

    # --- the loop --------------------------------------------------------------------------------------------------------

    def run(self, first: Event) -> int:
        self._look, self._next_look = Watch(), boot_now() + LOOK_EVERY_S
        return super().run(first)

    def leave_up(self, page: View) -> None:
        """Show this page until a key is pressed that was not meant for what was there before."""
        self._page, self._page_from = page, boot_now() + READ_S
        while self._page is not None:
            self._take(boot_now() + REFRESH_S)
            self.refresh()

    def _turn_page(self, at: float) -> bool:
        """Whether a page was up, which then had the key."""
        up = self._page is not None
        if at >= self._page_from:
            self._page = None
        return up

    def begun(self) -> None:
        self._devices()

    def turned(self) -> None:
        if self._ready and boot_now() >= self._next_look:
            self._next_look = boot_now() + LOOK_EVERY_S
            jumped, slept = self._look.look()
            if slept:
                self.handle(Suspended(boot_now(), slept))
            if jumped:
                self.handle(ClockJumped(boot_now(), jumped))
            self._loudspeaker()
            self._devices()
        self.refresh()

    def deadline(self) -> float:
        return min(boot_now() + REFRESH_S, super().deadline())

    def _voiced(self) -> bool:
        return self.speaker is not None and self.speaker.audible

    def _loudspeaker(self) -> None:
        """Recorded as lost when it has been gone for two looks, so within two seconds; one that never played is none."""
        if self._voiced():
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
                self.handle(DeviceLost(boot_now(), device, words))
                self._again = False
        for device in self.station.state.lost:
            if device not in self._gone:
                self.handle(DeviceBack(boot_now(), device))
        self._told = {*self._told, *self.station.state.lost} & self._gone.keys()

    def handle(self, event: Event) -> bool:
        if isinstance(event, Heard | KeyPressed) and self._ready and self.finished is None:
            self.watch.before_answer(event.at)
        return super().handle(event)

    def unrecorded(self, event: Event, error: JournalError) -> None:
        """The technician is told; but for what is tried again by itself, aloud."""
        if str(error) not in self.messages:
            self.messages.append(str(error))
        if not isinstance(event, Spoken | TimerDue | DeviceLost | DeviceBack) and self.speaker is not None:
            self.speaker.cue("refused")
            self.speaker.say("not-recorded", str(error))

    def perform(self, effect: Effect) -> None:
        if self._again and isinstance(effect, Cue):
            return
        if isinstance(effect, Cue) and effect.name == "refused":
            self._wrong_until = boot_now() + WRONG_S
        elif isinstance(effect, Speak) and self._again:
            effect = replace(effect, aloud=False)
        elif isinstance(effect, Speak):
            self.line("said", id=effect.id, text=effect.text)
        elif isinstance(effect, Record) and effect.kind == "heard":
            self.heard = effect.fields["text"] if effect.fields["source"] == "voice" else ""
        elif isinstance(effect, Record) and effect.kind == "hold":
            self._mark = mark_words(effect.fields.get("left"))
        super().perform(effect)
        if isinstance(effect, Speak):
            self._keep(effect)

    def _keep(self, speak: Speak) -> None:
        """Words that are no prompt (refusals, results, marks) stay on the screen as messages."""
        known = speak.id == END_WORDS  # the screen says it where it says what to do
        if not known and speak.text not in (*view.prompt_words(self.station.state), *self._mark):
            self._for_now(speak.text, speak.id)

    def _for_now(self, words: str, about: str = "") -> None:
        """A message that goes with what it was said of: "Not yet." beside the next question would be an answer to that, and
        "Under: pump a little" beside "press and hold" would spoil the test."""
        fresh = Remark(words, about, self.station.state)
        for old in [one for one in self._passing if one.words == words or fresh.follows(one)]:
            self._forget(old)
        self._passing.append(fresh)
        self.messages.append(words)

    def _forget(self, one: Remark) -> None:
        self._passing.remove(one)
        if one.words in self.messages:
            self.messages.remove(one.words)

    def _spoken(self, number: int) -> None:
        if number > self.aloud.before:  # known only now: another test may have begun since it was over
            self.handle(Spoken(boot_now(), number - self.aloud.before))

    def _key(self, name: str, at: float) -> None:
        if self.speaker is not None:
            self.speaker.cue(echo(self.station.state, name))
        if self._turn_page(at):
            return
        if name == "#" and at < self._enter_from:
            self._enter_from = at + BOUNCE_S  # a held key goes on bouncing
            return
        before = self.station.state
        self.handle(KeyPressed(at, name))
        state = self.station.state
        if name == "D" and state.index == 0 and not state.timers and self.speaker is not None and (words := self.pairing()):
            self.speaker.say("pairing", words)
        if state.too_soon == at:  # or nobody knows why it did nothing
            wait = "hear_out" if self._voiced() else "wait_out"
            whole = state.phase is Phase.ENTRY and not state.typed and name != "C"  # what is typed waits for its #
            self._for_now(sentence(f"screen.{wait}_reading" if whole else f"screen.{wait}"))
        elif not self._voiced() and view.asked_again(before, state):
            self._for_now(sentence("screen.asked_again"))

    def _meter(self, action: str) -> None:
        if self._turn_page(boot_now()):
            return
        if self.practice is not None:
            self.practice.tick(boot_now())
            words = self.practice.act(action)
            for old in [one for one in self._passing if one.about == "meter"]:
                self._forget(old)  # "above the maximum: bleed it down" is no longer so
            if words:
                self._for_now(words, "meter")

    def _quit(self) -> None:
        self.finished, self._page = "left", None

    def refresh(self) -> None:
        self.alive()
        now, state = boot_now(), self.station.state
        for one in [one for one in self._passing if one.is_over(state)]:
            self._forget(one)
        self.board(state)
        if self.lamps is not None:
            self.lamps.show(view.lamp(state, now < self._wrong_until))
        if self.practice is not None:
            self.practice.tick(now)
        if self.show is None:
            return
        if self._page is not None:
            self.show(self._page)
            return
        simulated = self.practice is not None and state.procedure is not None and on_meter(state.procedure.test)
        gauge = f"{self.practice.gauge():f} psi" if simulated else view.wire(state, self.watch.shown(now))
        meter = f"METER: {self.practice.state()}" if simulated else ""
        keys = self.keys if simulated or self.practice is None else view.KEYS
        told, known = apart(self.messages, self._passing, state)
        label = sentence("screen.gauge" if self.practice is not None else "screen.wire")
        talks_alone = self._voiced() and not (self.barge_in and now >= self.counts_from())
        shown = view.of(state, now, self.status, gauge, told, (*self.notices, *known), self.heard, self.hints(state), keys,
                        label, talks_alone, meter, silent=not self._voiced())
        self.show(shown if self.result is None else self.result(shown))
