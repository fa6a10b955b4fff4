"""Hands and the gauge beside the live loop: what the lamp shows, what sounds under a finger, what opens and what can't."""
from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant.core.events import GaugeReads, GaugeSteady, TestStarted, from_plain, to_plain
from assistant.core.machine import step
from assistant.core.settings import Settings
from assistant.core.state import Entry, Guided, Phase, State
from assistant.procedures import load
from assistant.record.journal import Journal
from assistant.record.session import Station
from assistant.station import start, station_settings, view
from assistant.station.devices import TALK_TAIL_S, Hands
from assistant.station.gauge_watch import AT_MOST, STILL_S, GaugeWatch
from assistant.station.live import Live, echo
from hardware.clock import boot_now
from hardware.cues import NAMES
from hardware.fakes import FakeSpeaker
from hardware.meter import Meter
from hardware.meter_live import LivePractice
from hardware.rhythms import BUZZER, LAMP

BEGUN = step(State(), TestStarted(0.0, "sequential", load("sequential"), Settings().to_mapping(), {}))[0]


def at(ident: str, phase: Phase, **more) -> State:
    assert BEGUN.procedure is not None
    return replace(BEGUN, index=BEGUN.procedure.index(ident), phase=phase, **more)


@pytest.fixture
def pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


def live(folder: Path) -> Live:
    journal = Journal(folder)
    one = Live(Station(journal, journal.new_test(), "boot"))
    one.attach(FakeSpeaker(one.spoken))
    return one


def drained(one: Live, until: Callable[[], bool], within_s: float = 60.0) -> None:
    end = time.monotonic() + within_s
    while not until():
        assert time.monotonic() < end, "it did not happen"
        while not one.queue.empty():
            one.queue.get()()
        time.sleep(0.01)


@pytest.mark.parametrize(("phase", "shown"), [
    (Phase.IDLE, "off"), (Phase.TELL, "waiting"), (Phase.ENTRY, "waiting"), (Phase.CONFIRM, "waiting"), (Phase.CHOOSE, "waiting"),
    (Phase.READY, "waiting"), (Phase.SCRAP, "waiting"), (Phase.HOLD, "hold"), (Phase.TAPPING, "tap"), (Phase.OVER, "off")])
def test_the_lamp_shows_what_the_station_is_at(phase: Phase, shown: str) -> None:
    state = replace(BEGUN, phase=phase)
    assert view.lamp(state) == shown and view.lamp(state, wrong=True) == "wrong"
    assert {shown, "wrong"} <= set(LAMP) & set(BUZZER)


@pytest.mark.parametrize(("key", "phase", "typed", "cue"), [
    ("7", Phase.ENTRY, "", "digit_7"), ("*", Phase.ENTRY, "7", "point"), ("B", Phase.ENTRY, "7", "erase"),
    ("B", Phase.ENTRY, "", "key_click"), ("#", Phase.ENTRY, "7", "key_click"), ("7", Phase.TELL, "", "key_click")])
def test_a_digit_sounds_only_where_a_reading_is_keyed(key: str, phase: Phase, typed: str, cue: str) -> None:
    assert echo(replace(BEGUN, phase=phase, typed=typed), key) == cue and cue in NAMES


def test_the_live_value_is_hidden_while_another_source_checks_it() -> None:
    first = Entry(Decimal("31.81"), "gauge", "", "31.81")
    state = at("equilibrium.1.3", Phase.ENTRY)
    assert view.wire(state, Decimal("31.81")) == "31.81 psi" and view.wire(state, None) is None
    assert view.wire(replace(state, first=first), Decimal("31.81")) is None
    assert view.wire(replace(state, first=replace(first, source="voice")), Decimal("31.81")) == "31.81 psi"


@pytest.mark.alone
def test_without_devices_nothing_is_said_and_nothing_waits(tmp_path: Path) -> None:
    one = live(tmp_path)
    begun = time.monotonic()
    hands = Hands(one, station_settings.read(tmp_path / "none.toml"), start.own_gauge)
    assert time.monotonic() - begun < 0.1
    hands.show("waiting")
    assert not hands.deaf()
    time.sleep(0.3)
    hands.close()
    assert one.queue.empty()


def test_a_device_that_cannot_be_opened_is_one_sentence(tmp_path: Path, pins: MockFactory) -> None:
    one = live(tmp_path)
    settings = station_settings.read(tmp_path / "none.toml")
    settings["usb_pad"]["kind"] = "usb"
    hands = Hands(one, settings, lambda: ({"kind": "line", "pattern": "no value in it"}, lambda: None))
    drained(one, lambda: len(one.notices) == 2)
    hands.close()
    assert all(sentence.endswith(".") and "\n" not in sentence for sentence in one.notices)
    assert any("usb_pad" in sentence for sentence in one.notices) and any("[gauge]" in sentence for sentence in one.notices)


@pytest.mark.alone
def test_lamp_buzzer_and_talk_pedal(tmp_path: Path, pins: MockFactory) -> None:
    one = live(tmp_path)
    settings = station_settings.read(tmp_path / "none.toml")
    settings["lamp"]["kind"], settings["buzzer"]["kind"] = "led", "active"
    settings["pedal"].update(kind="button", does="talk")
    hands = one.lamps = Hands(one, settings)
    drained(one, lambda: len(hands._devices) == 3)
    one._ready = True
    one.handle(TestStarted(boot_now(), "sequential", load("sequential"), Settings().to_mapping(), {}))
    drained(one, lambda: not hands.deaf())  # the buzzer has told that it waits; a pedal that nobody has pressed yet is no matter
    one.refresh()
    assert {device.pattern for device in hands._devices if hasattr(device, "pattern")} == {"waiting"}
    one._key("7", boot_now())  # no reading is asked for
    one.refresh()
    assert {device.pattern for device in hands._devices if hasattr(device, "pattern")} == {"wrong"}
    buzzer = next(device for device in hands._devices if hasattr(device, "deaf"))
    drained(one, lambda: buzzer.deaf)
    pins.pin(24).drive_low()
    time.sleep(0.1)
    assert hands.deaf(), "the buzzer sounds"
    drained(one, lambda: not hands.deaf())
    time.sleep(1.0)  # its second beat is over too
    assert not hands.deaf()
    pins.pin(24).drive_high()
    time.sleep(0.3)
    assert not hands.deaf(), "the last word is still heard"
    time.sleep(TALK_TAIL_S)
    assert hands.deaf()
    hands.close()
    assert {thread.name for thread in threading.enumerate()} & {"the lamp", "the pedal"} == set()


class Watcher:
    """As hardware.header_process.HeaderProcess."""
    there: tuple[str, ...] = ("keypad", "pedal")

    @property
    def alive(self) -> bool:
        return bool(self.there)

    def close(self) -> None:
        pass


def test_a_talk_pedal_that_is_gone_leaves_the_ear_open(tmp_path: Path) -> None:
    """With it the keypad may be gone: then the voice is all that is left to go on with."""
    hands, watcher = Hands(live(tmp_path), {}), Watcher()
    hands._keep([watcher])
    hands._ear_until = 0.0  # pressed and let go, some time ago
    assert hands.deaf()
    for there in ((), ("keypad",)):
        watcher.there = there
        assert not hands.deaf()
    watcher.there = ("pedal",)
    assert hands.deaf()
    hands.close()


@pytest.mark.parametrize("kind", ["line", "polled", "modbus"])
def test_practise_puts_the_simulated_meter_on_a_wire(tmp_path: Path, kind: str) -> None:
    one, meter = live(tmp_path), Meter()
    meter.pump(9)
    hands = Hands(one, {}, start._on_a_wire(kind, LivePractice(meter)))
    drained(one, lambda: one.watch.shown(boot_now()) is not None)
    assert abs(one.watch.shown(boot_now()) - meter.gauge()) <= Decimal("0.02")  # type: ignore[operator]
    hands.close()


def test_closed_while_it_opens_nothing_stays_open(tmp_path: Path) -> None:
    one, ended, go = live(tmp_path), threading.Event(), threading.Event()

    def slow() -> tuple[dict[str, object], Callable[[], None]]:
        go.wait(5)
        return {}, ended.set
    hands = Hands(one, {}, slow)
    hands.close()
    go.set()
    assert ended.wait(5)


def test_gauge_events_are_kept_whole_and_old_rows_still_read() -> None:
    for event in (GaugeSteady(3.0, Decimal("7.25"), Decimal("0.004"), 1.0), GaugeSteady(3.0, Decimal("7.25")),
                  GaugeReads(3.0, Decimal("44.981"))):
        assert from_plain(to_plain(event)) == event
    assert from_plain({"kind": "GaugeSteady", "at": 1.0, "value": "7.25"}) == GaugeSteady(1.0, Decimal("7.25"))


class Watched:
    def __init__(self, state: State) -> None:
        self.state, self.events = state, []
        self.watch = GaugeWatch(self.events.append, lambda: self.state)

    def feed(self, seconds: float, psi: float = 14.5, slope: float = 0.0, start_s: float = 100.0) -> "Watched":
        for n in range(round(seconds * 10)):
            now = start_s + n / 10
            self.watch.sample(now, Decimal(f"{psi + slope * n / 10:.3f}"), now)
        return self

    def of(self, kind: type) -> list:
        return [one for one in self.events if isinstance(one, kind)]


def test_an_hour_at_an_open_prompt_hardly_fills_the_journal() -> None:
    idle = Watched(at("leak.charge", Phase.ENTRY, opened=90.0, guided=Guided(Decimal(9), "under", 0.0))).feed(3600, psi=9.0)
    assert 1 <= len(idle.of(GaugeReads)) <= STILL_S + 2 and len(idle.of(GaugeSteady)) <= AT_MOST
    quiet = Watched(at("equilibrium.1.1", Phase.ENTRY, opened=90.0))
    for n in range(36_000):  # its last place flickers
        quiet.watch.sample(100 + n / 10, Decimal("7.25") + Decimal(n // 40 % 2) / 100, 100 + n / 10)
    assert 1 <= len(quiet.of(GaugeSteady)) <= AT_MOST and not quiet.of(GaugeReads)


def test_readings_are_told_once_a_second_while_a_charge_moves_or_a_hold_runs() -> None:
    moving = Watched(at("pump.1.1", Phase.TELL)).feed(30, psi=2.0, slope=0.3)
    assert 29 <= len(moving.of(GaugeReads)) <= 31 and not moving.of(GaugeSteady)
    elsewhere = Watched(at("fill.1", Phase.TELL)).feed(30, psi=2.0, slope=0.3)
    assert not elsewhere.events


def test_steady_is_told_only_of_what_was_measured_after_the_prompt_opened() -> None:
    asked = Watched(at("equilibrium.1.1", Phase.ENTRY, opened=105.0)).feed(10)
    told = asked.of(GaugeSteady)
    assert told and all(one.since >= 105.0 for one in told) and told[0].at >= 107.0
    asked.watch.lost()
    before = len(asked.events)
    asked.feed(1.5, start_s=110.0)
    assert len(asked.events) == before, "what it showed before it was lost counts no more"


def test_just_before_an_answer_the_value_is_told_afresh() -> None:
    asked = Watched(at("equilibrium.1.1", Phase.ENTRY, opened=90.0)).feed(60)
    before = len(asked.events)
    asked.watch.before_answer(160.0)
    assert len(asked.events) == before + 1 and asked.events[-1].at == 160.0
    asked.watch.before_answer(170.0)
    assert len(asked.events) == before + 1, "by then its last sample is stale"
