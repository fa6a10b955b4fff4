"""The live loop on the real boot clock with a real journal: whole tests by posted keys, with short settings."""
from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from assistant.core import asked
from assistant.core.answers import BOUNCE_S
from assistant.core.events import DeviceBack, DeviceLost, Event, Restarted, TestStarted
from assistant.core.procedure import build
from assistant.core.settings import Settings
from assistant.core.state import Asked, Phase
from assistant.core.steps import Tap
from assistant.procedures import load
from assistant.record.journal import Journal, JournalError
from assistant.record.lines import Line
from assistant.record.session import Station, unfinished
from assistant.record.summary import of
from assistant.station import live as live_module
from assistant.station.live import Live
from hardware.clock import boot_now
from hardware.fakes import FakeSpeaker
from tests.command import DECIDING, READINGS, keyed

SHORT = {"leak_settle_s": Decimal("0.2"), "leak_hold_s": Decimal(1), "settle_s": Decimal("0.2"), "tap_s": Decimal(1),
         "tap_every_s": Decimal("0.2"), "hold_after_tap_s": Decimal("0.2"), "chamber_ratio": Decimal("0.06"),
         "aggregate_correction_pct": Decimal("0.3"),
         "limits": {"air_content": [Decimal("4.5"), Decimal("7.5")], "system_air_metric": [None, Decimal("0.20")]}}


EARLY = {ident: READINGS[ident] for ident in ("leak.charge", "leak.initial", "leak.final", "charge.1.1")}
"""What is taken before the first tapping."""


def quick_hand(patch: pytest.MonkeyPatch) -> None:
    """Two seconds to lift the mallet, six times, are for people; so is the time to hear a question (tests/scenario/test_asked)."""
    patch.setattr(Tap, "lead_s", 0.1)
    for name, value in (("ENOUGH_S", 0.02), ("APART_S", 0.3), ("GIVEN_UP_S", 0.5), ("FASTEST_WPM", 60_000),
                        ("SLOWEST_WPM", 60_000)):
        patch.setattr(asked, name, value)


@pytest.fixture(autouse=True)
def _a_quick_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    quick_hand(monkeypatch)


PAUSE_S = BOUNCE_S + 0.06
"""Before he presses # alone: sooner than that after the last one it is taken for a bounce."""


class Bench:
    """A live station with a technician who presses keys as soon as something is asked."""

    def __init__(self, journal: Journal, speaker: Callable[[Live], FakeSpeaker], **settings: Decimal) -> None:
        self.lines: list[Line] = []
        left = unfinished(journal, "boot")
        self.station = left or Station(journal, journal.new_test(), "boot")
        self.live = Live(self.station, write=self.lines.append)
        self.speaker = speaker(self.live)
        self.live.attach(self.speaker)
        chosen = Settings.from_mapping({**SHORT, **settings}).to_mapping()
        self.first: Event = Restarted(boot_now(), "boot") if left else TestStarted(
            boot_now(), "sequential", load("sequential"), chosen, {})
        self.code: int | None = None
        self.stuck = ""

    def run(self, until: str = "", within_s: float = 120.0) -> "Bench":
        """Until the test is over, or left with q as soon as ``until`` is asked. The technician has a thread of his own."""
        technician = threading.Thread(target=self._technician, args=(until, within_s), daemon=True)
        technician.start()
        self.code = self.live.run(self.first)
        technician.join()
        assert not self.stuck, f"stuck at {self.stuck}"
        return self

    def _technician(self, until: str, within_s: float) -> None:
        answered, since, deadline = None, 0.0, time.monotonic() + within_s
        while self.code is None and self.live.finished is None:
            state = self.station.state
            asked = (state.prompt, len(state.readings), state.phase)
            quiet = time.monotonic() - since
            if until and state.prompt == until:
                self.live.key("quit")
            elif time.monotonic() > deadline:
                self.stuck = state.prompt or str(state.phase)
                self.live.key("quit")
            elif state.phase in (Phase.IDLE, Phase.HOLD, Phase.TAPPING, Phase.OVER):
                pass
            elif quiet > (1.0 if asked == answered else 0.0 if state.phase is Phase.ENTRY else PAUSE_S):
                # asked == answered: nothing happened, so he presses again
                if state.typed:
                    self.live.key("C")
                self.answer(state.prompt, state.phase)
                answered, since = asked, time.monotonic()
            time.sleep(0.002)

    def answer(self, prompt: str, phase: Phase) -> None:
        ident = prompt.removesuffix(".again")
        yes = asked.HELD if asked.needs_held(self.station.state) else "#"
        for key in keyed(READINGS[ident]).split() if phase is Phase.ENTRY else [yes]:
            self.live.key(key)

    def of_kind(self, kind: str) -> list[Line]:
        return [line for line in self.lines if line["kind"] == kind]


def at_once(live: Live) -> FakeSpeaker:
    return FakeSpeaker(live.spoken)


def is_right(bench: Bench, journal: Journal) -> None:
    assert bench.code == 0
    found = of(journal, bench.station.test)
    assert {one["name"]: str(one["rounded"]) for one in found["results"]} == {
        "leak_drop": "0.05", "air_content": "5.7", "system_air_metric": "0.20"}
    assert found["verdict"] == "pass" and journal.first_bad() is None
    counting = {one["id"]: str(one["value"]) for one in found["readings"] if not one["withdrawn"]}
    assert counting == READINGS


def test_a_whole_test_by_keys_left_once_and_its_holds_are_as_long_as_they_must_be(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        left = Bench(journal, at_once).run(until="equilibrium.1.3.again")
        assert left.code == 1 and left.station.state.phase is not Phase.OVER
    with Journal(tmp_path) as journal:
        again = Bench(journal, at_once).run()
        assert again.station.test == left.station.test
        assert "Going on" in again.of_kind("said")[0]["text"]
        assert [line["id"] for line in again.of_kind("taken")][0] == DECIDING[0]
        is_right(again, journal)
    marks: dict[str, float] = {}
    lengths: dict[str, float] = {}
    for line in (*left.of_kind("hold"), *again.of_kind("hold")):
        if line["event"] == "start":
            marks[line["id"]] = line["at"]
        elif line["event"] == "end":
            lengths[line["id"]] = line["at"] - marks[line["id"]]
    assert len(lengths) == 2 + 6 * 2
    for ident, length in lengths.items():
        wanted = 1.0 if ident == "leak.hold" else 0.2
        # Never shorter. How late a busy disk may make it is a matter of measuring, not of this test.
        assert wanted - 0.002 <= length <= wanted + 60, f"{ident} took {length:.3f} s"
    cued = left.speaker.cued + again.speaker.cued
    assert [name for name, _ in cued].count("tap_first") == 6 and ("tap", 0.1 + 5 * 0.2) in cued and ("tap_end",
                                                                                                      0.1 + 1 + 0.2) in cued


def test_a_speaker_that_never_finishes_does_not_stop_the_keys(tmp_path: Path) -> None:
    """Its on_spoken never comes, not even after a hush: every question is still answered by its key up to the tapping,
    whose beat waits for the words (the speaker's own promise, tested with it, is that on_spoken always comes)."""
    class Mute(FakeSpeaker):
        def finish(self) -> None:
            pass
    with Journal(tmp_path) as journal:
        bench = Bench(journal, lambda live: Mute(live.spoken)).run(until="tap.1.1")
        assert {ident: str(value) for ident, value in bench.station.state.taken().items()} == EARLY


def test_what_was_refused_at_one_question_does_not_stand_beside_the_next(tmp_path: Path) -> None:
    class Hasty(Bench):
        def answer(self, prompt: str, phase: Phase) -> None:
            if prompt == "zero":
                self.live.key("7")
                self.live.tell("The key o means nothing here.")
            super().answer(prompt, phase)

    views = []
    with Journal(tmp_path) as journal:
        bench = Hasty(journal, at_once)
        bench.live.show = views.append
        bench.run(until="leak.charge")
    shown = {message for view in views for message in view.messages}
    assert {"No reading is asked for now.", "The key o means nothing here."} <= shown
    for view in views:
        if "LEAK HOLD NOW" in view.do.upper():
            assert not any("asked for now" in message or "means nothing" in message for message in view.messages), view


def test_a_loudspeaker_that_goes_and_comes_back_is_in_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One look of silence is nothing; one that never played is not lost."""
    monkeypatch.setattr(live_module, "LOOK_EVERY_S", 0.05)
    looks = iter([False, True, False, True, False, False, False, True])

    class Heard(FakeSpeaker):
        @property
        def audible(self) -> bool:  # type: ignore[override]
            return next(looks, True)

    with Journal(tmp_path) as journal:
        bench = Bench(journal, lambda live: Heard(live.spoken)).run(until="tap.1.1")
        told = [event.__class__.__name__ for event in journal.events(bench.station.test)
                if getattr(event, "device", "") == "speaker"]
        assert told == ["DeviceLost", "DeviceBack"]
        assert next(looks, None) is None, "it did not look often enough to show anything"


def losses(journal: Journal, test: int) -> list[tuple[str, str]]:
    return [(type(event).__name__, event.device) for event in journal.events(test) if isinstance(event, DeviceLost | DeviceBack)]


def test_a_device_is_lost_once_however_often_it_is_reported_and_back_only_if_it_was_gone(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        bench = Bench(journal, at_once)
        live = bench.live
        live.back("lamp")
        for device, words in (("keypad", "No keys."), ("usb_pad", "No pad."), ("usb_pad", "Still no pad."), ("keypad", "")):
            live.lost(device, words)
        live.back("usb_pad")
        live.back("usb_pad")
        bench.run(until="leak.ask")
        assert losses(journal, bench.station.test) == [
            ("DeviceLost", "keypad"), ("DeviceLost", "usb_pad"), ("DeviceBack", "usb_pad")]
        said = [words for _, words in bench.speaker.said]
        assert [said.count(words) for words in ("No keys.", "No pad.", "Still no pad.", "The USB pad is back.")] == [1, 1, 0, 1]


def test_what_is_gone_is_in_the_record_of_each_test_of_a_round_and_said_once(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        bench = Bench(journal, at_once)
        bench.live.lost("pedal", "No pedal.")
        bench.run(until="leak.ask")
        first, cues = bench.station.test, len(bench.speaker.cued)
        bench.live.lost("lamp", "No lamp.")
        while not bench.live.queue.empty():  # between two tests
            bench.live.queue.get()()
        bench.code = None
        bench.station = Station(journal, journal.new_test(), "boot")
        bench.live.next(bench.station)
        bench.live.back("pedal")
        bench.run(until="leak.ask")
        assert losses(journal, first) == [("DeviceLost", "pedal")]
        assert losses(journal, bench.station.test) == [("DeviceLost", "pedal"), ("DeviceLost", "lamp"), ("DeviceBack", "pedal")]
        said = [words for _, words in bench.speaker.said]
        assert [said.count(words) for words in ("No pedal.", "No lamp.", "The pedal is back.")] == [1, 1, 1]
        assert [name for name, _ in bench.speaker.cued[cues:]].count("refused") == 1
        assert Station(journal, bench.station.test).state == bench.station.state


def test_quiet_a_caution_is_not_over_before_it_is_said(tmp_path: Path) -> None:
    """The question behind it is only shown; that must not count for the caution too, or the next key cuts it off."""
    with Journal(tmp_path) as journal:
        bench = Bench(journal, lambda live: FakeSpeaker(live.spoken, at_once=False))
        bench.station.handle(bench.first)
        bench.live._ready = True  # no loop runs here: what waits is handled by ``key``

        def handled() -> None:
            while not bench.live.queue.empty():
                bench.live.queue.get()()

        def key(name: str) -> None:
            time.sleep(PAUSE_S)
            bench.live.key(name)
            handled()
        for name in ("D-held", "#", "#", "#"):  # the first question was cut off by "quiet": it is asked again
            bench.speaker.finish()
            handled()
            key(name)
        state = bench.station.state
        assert state.prompt == "leak.charge" and len(state.cautions) == 1, "hands off the lever"
        kept: list[Any] = []
        bench.speaker.hush = kept.append  # type: ignore[method-assign, assignment]
        key("D")
        key("D")
        assert kept == [{str(state.cautions[0])}] * 2


class Failing(Journal):
    """A journal whose disk is full for the events that ``fails`` picks; a real one otherwise."""
    fails: Callable[[Event], bool] = staticmethod(lambda event: False)
    failed = 0

    def append(self, test: int, event: Event, boot: str = "") -> None:
        if self.fails(event):
            self.failed += 1
            raise JournalError("Not recorded: database or disk is full. Make room on the disk or mend it, then say it again.")
        super().append(test, event, boot)


@pytest.mark.parametrize("kind", ["KeyPressed", "TimerDue", "Spoken", "DeviceLost", "DeviceBack"])
def test_an_event_that_can_not_be_recorded_once_is_told_and_the_test_goes_on(tmp_path: Path, kind: str) -> None:
    with Failing(tmp_path) as journal:
        counted = iter(range(1_000_000))
        journal.fails = lambda event: type(event).__name__ == kind and next(counted) == 1
        bench = Bench(journal, at_once)
        for device in ("lamp", "pedal"):
            bench.live.lost(device, "It is gone.")
        for device in ("lamp", "pedal"):
            bench.live.back(device)
        told: list[str] = []
        append = bench.live.messages.append
        bench.live.messages = type("Told", (type(bench.live.messages),), {
            "append": lambda self, words: (told.append(words), append(words))[0]})(maxlen=3)
        bench.run(until="tap.1.1")
        assert journal.failed == 1
        assert any("Not recorded" in words for words in told)
        assert sorted(losses(journal, bench.station.test)) == sorted(
            (event, device) for event in ("DeviceLost", "DeviceBack") for device in ("lamp", "pedal"))
        if kind == "KeyPressed":
            assert any("Not recorded" in words for _, words in bench.speaker.said)
        assert {ident: str(value) for ident, value in bench.station.state.taken().items()} == EARLY
        assert journal.first_bad() is None and Station(journal, bench.station.test).state == bench.station.state


def test_a_hold_that_was_left_does_not_pass(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        Bench(journal, at_once, leak_hold_s=Decimal(2)).run(until="leak.hold")
        time.sleep(2.1)  # its time is over while nobody watched
        again = Bench(journal, at_once).run(until="leak.down")
        events = [(line["id"], line["event"]) for line in again.of_kind("hold")]
        assert events[0] == ("leak.hold", "broken")
        assert [line["id"] for line in again.of_kind("taken")][0] == "leak.charge"


@pytest.mark.parametrize("first", ["TestStarted", "Restarted"])
def test_a_first_event_that_can_not_be_recorded_at_once(tmp_path: Path, first: str) -> None:
    """The disk is full for a moment at the start: the test begins as soon as there is room, and a broken hold stays broken."""
    with Failing(tmp_path) as journal:
        if first == "Restarted":
            Bench(journal, at_once, leak_hold_s=Decimal(2)).run(until="leak.hold")
        counted = iter(range(1_000_000))
        journal.fails = lambda event: type(event).__name__ == first and next(counted) == 0
        bench = Bench(journal, at_once)
        bench.run(until="zero" if first == "TestStarted" else "leak.charge", within_s=3.0)
        events = [(line["id"], line["event"]) for line in bench.of_kind("hold")]
        assert bench.station.state.prompt == ("zero" if first == "TestStarted" else "leak.charge")
        assert first == "TestStarted" or events == [("leak.hold", "broken")]


def test_what_counts_over_the_talk_is_what_the_core_takes_early(tmp_path: Path) -> None:
    """Never over a caution, nor before a second of the question; the screen says so."""
    with Journal(tmp_path) as journal:
        bench = Bench(journal, lambda live: FakeSpeaker(live.spoken, at_once=False))
        live, state, shown = bench.live, bench.station.state, []
        assert live.counts_from() == float("inf"), "nothing is asked"
        state = replace(state, rules=3, phase=Phase.TELL, procedure=build(load("sequential"), Settings()), utterance=2, spoken=1,
                        asked=Asked(2, 2, 9, boot_now() - 5, began=boot_now() - 5, reported=boot_now()), now=boot_now())
        live.station.state, live.show = state, shown.append
        live.attach(speaker := FakeSpeaker())
        speaker.audible = True
        assert live.counts_from() < boot_now()
        live.refresh()
        live.barge_in = True
        live.refresh()
        assert "keys" in shown[0].listens and "keys" not in shown[1].listens
        live.station.state = replace(state, cautions=(2,))
        assert live.counts_from() > boot_now() + 0.4
        live.station.state = replace(state, paused=True)
        assert live.counts_from() == float("inf")
        live.station.state = replace(state, rules=0)
        assert live.counts_from() == float("inf"), "a test that began before there was the rule"
