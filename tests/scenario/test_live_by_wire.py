"""A whole live test by pedal and gauge alone, unplugged twice in the middle: real threads, a real pseudo-terminal for the gauge,
gpiozero's mock pins for the pedal, the lamp and the keypad's matrix.

The deciding readings are entered a second time by comparing the wire with the gauge's own face.
In the short test the meter lives twenty times as fast, the holds are short and the first step ends it; the long ones are whole.
"""
from __future__ import annotations

import threading
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant.core import asked
from assistant.core.asked import HELD, needs_held, soonest
from assistant.core.effects import Effect
from assistant.core.events import Event, KeyPressed, TestStarted
from assistant.core.settings import Settings
from assistant.core.state import Phase, State
from assistant.core.steps import Tap
from assistant.procedures import load
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.record.lines import Line
from assistant.record.session import Station
from assistant.station import station_settings
from assistant.station.devices import Hands
from assistant.station.live import Live
from hardware.clock import boot_now
from hardware.fake_matrix import FakeMatrix
from hardware.fakes import FakeSpeaker
from hardware.gauges import pty_gauge, steady
from hardware.meter import Meter
from hardware.meter_live import LivePractice

PEDAL, LAMP, ROWS, COLUMNS = 24, 25, (5, 6, 13, 26), (16, 17, 22, 23)
STATION = '[pedal]\nkind = "button"\n[lamp]\nkind = "led"\n[keypad]\nkind = "matrix"\n'
LIMITS = {"chamber_ratio": Decimal("0.06"), "aggregate_correction_pct": Decimal(0),
          "limits": {"air_content": [Decimal("4.5"), Decimal("7.5")], "system_air_metric": [None, Decimal("0.30")]}}
SHORT = {"settle_s": Decimal("0.6"), "tap_s": Decimal(1), "tap_every_s": Decimal("0.2"), "hold_after_tap_s": Decimal("0.6")}
UNPLUGGED_AT = ("charge.1.2", "equilibrium.1.3")
"""When these are asked the wire is pulled; it is plugged again once the loss was said."""


@pytest.fixture
def pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


class Fast(LivePractice):
    """The meter at a multiple of the clock's pace."""
    pace = 1.0

    def tick(self, now_s: float) -> None:
        super().tick(now_s * self.pace)


class Counted(Station):
    """Counts the presses that were handled: what is said may be the answer to somebody else."""
    presses = 0

    def handle(self, event: Event) -> tuple[Effect, ...]:
        effects = super().handle(event)
        self.presses += isinstance(event, KeyPressed)
        return effects


class Technician:
    """Works the meter and presses the pedal, in a thread of his own; he looks at the dial and at what the station says."""

    settings, header, watcher, yes_pin, matrix = STATION, {}, "pedal", PEDAL, True  # type: ignore[var-annotated]

    def __init__(self, pins: MockFactory, folder: Path, kind: str, pace: float, leak_hold: bool, **settings: Decimal) -> None:
        self.pins, self.pace, self.leak_hold = pins, pace, leak_hold
        self.lines: list[Line] = []
        self.journal = Journal(folder)
        self.station = Counted(self.journal, self.journal.new_test(), "boot")
        self.meter = Fast(Meter())
        self.meter.pace = pace
        self.meter.act("unclamp")
        self.live = Live(self.station, write=self.lines.append, practice=self.meter)
        self.speaker = FakeSpeaker(self.live.spoken)
        self.live.attach(self.speaker)
        self.gauge = pty_gauge.PtyGauge(kind, self.meter.gauge)
        (folder / "station.toml").write_text(self.settings)
        self.keypad = FakeMatrix(pins, ROWS, COLUMNS, time.monotonic) if self.matrix else None
        self.hands = Hands(self.live, station_settings.read(folder / "station.toml"),
                           lambda: (self.gauge.settings, self.gauge.stop))
        self.live.lamps = self.hands
        self.first = TestStarted(boot_now(), "sequential", load("sequential"), Settings.from_mapping(
            {**LIMITS, **settings}).to_mapping(), self.header)
        self.stuck = ""
        self.pulled = list(UNPLUGGED_AT)

    @property
    def state(self) -> State:
        return self.station.state

    def run(self, within_s: float, until: str = "") -> int:
        try:
            return self.one_test(within_s, until)
        finally:
            self.hands.close()

    def one_test(self, within_s: float, until: str = "") -> int:
        self.until = until
        self.deadline = time.monotonic() + within_s
        thread = threading.Thread(target=self._works, daemon=True)
        thread.start()
        code = self.live.run(self.first)
        thread.join(10)
        assert not self.stuck, f"stuck: {self.stuck}"
        return code

    def next(self) -> None:
        """The next test on the same devices, as in a round; the meter is emptied and open again."""
        self.station = Counted(self.journal, self.journal.new_test(), "boot")
        self.live.next(self.station)
        while self.dial() > 0:
            self.meter.act("bleed")
            self.rest(0.2)
            self.meter.tick(boot_now())
        self.meter.act("unclamp")
        self.pulled = list(UNPLUGGED_AT)
        self.lines.clear()

    def _works(self) -> None:
        try:
            self.wait(lambda: self.watcher in {thread.name.split()[-1] for thread in threading.enumerate()})
            while self.state.phase is not Phase.OVER and (not self.until or self.state.prompt != self.until):
                self.answer(self.state.prompt)
            if self.until:
                self.live.key("quit")
        except Exception as error:
            said = [line["text"] for line in self.lines if line["kind"] == "said"][-3:]
            self.stuck = f"{type(error).__name__} {error} at {self.state.prompt or self.state.phase}; last said {said}"
            self.live.key("quit")

    # --- what he can do ------------------------------------------------------------------------------------------------

    def wait(self, until: Callable[[], bool], what: str = "") -> None:
        while not until():
            if time.monotonic() > self.deadline:
                raise TimeoutError(what)
            time.sleep(0.01)

    def rest(self, seconds: float) -> None:
        time.sleep(seconds / self.pace)

    def pedal(self) -> None:
        """One press, and it has been handled: held where the station asks for that, and not before the question was heard."""
        before = self.station.presses
        time.sleep(0.15)  # sooner is a bounce
        held = needs_held(self.state)
        self.hear_out(HELD if held else "#")
        self.pressed(self.yes_pin, 1.0 if held else 0.1, before)

    def pressed(self, number: int, seconds: float, before: int) -> None:
        """Until it has been handled: where mock pins live in the station's own process, a busy machine may miss a short press."""
        for _ in range(5):
            self.press(number, seconds)
            again = time.monotonic() + 3.0
            self.wait(lambda again=again: self.station.presses > before or time.monotonic() > again)  # type: ignore[misc]
            if self.station.presses > before:
                return
        raise TimeoutError("the press did nothing")

    def press(self, number: int, seconds: float) -> None:
        pin = self.pins.pin(number)
        pin.drive_low()
        time.sleep(seconds)
        pin.drive_high()

    def no(self) -> None:
        self.live.key("C")

    def hear_out(self, answer: str) -> None:
        self.wait(lambda: boot_now() > soonest(self.state, answer) + 0.05, "the question is never over")

    def keys(self, value: Decimal) -> None:
        start = time.monotonic() + 0.2
        for n, name in enumerate(f"{value:f}".replace(".", "*") + "#"):
            assert self.keypad is not None
            self.keypad.press(name, start + 0.25 * n, start + 0.25 * n + 0.08, bounce_s=0.01)
        self.wait(lambda: self.state.prompt.endswith(".confirm"), "the keys did nothing")

    def dial(self) -> Decimal:
        return self.meter.gauge()

    def charge(self, target: float) -> None:
        for _ in range(300):
            over = float(self.dial()) - target
            if abs(over) < 0.015:
                self.rest(2.5)
                if abs(float(self.dial()) - target) < 0.03:
                    return
            elif over > 0:
                self.live.meter("fine_bleed" if over < 1.5 + 0.04 * target else "bleed")
            else:
                self.live.meter("fine_pump" if over > -1.3 else "pump")
            self.rest(0.4)

    def bleed_to_zero(self) -> None:
        while self.dial() > 0:
            self.live.meter("bleed")
            self.rest(0.2)

    def offered(self) -> None:
        """The gauge's value is read back: he looks at the dial and presses."""
        self.wait(lambda: self.state.prompt.endswith(".confirm"), "nothing was offered")
        entry = self.state.proposed
        assert entry is not None and entry.source == "gauge"
        assert abs(entry.value - self.dial()) <= Decimal("0.05"), "it offered what the dial does not show"
        self.pedal()

    def pull(self, ident: str) -> None:
        """Unplug, hear it said, plug in again, hear that too."""
        if ident in self.pulled:
            self.pulled.remove(ident)
            self.gauge.unplug()
            self.wait(lambda: "gauge" in self.state.lost, "the loss was not noticed")
            self.rest(1.0)
            self.gauge.plug()
            self.wait(lambda: "gauge" not in self.state.lost, "it was not found again")

    def answer(self, prompt: str) -> None:
        kind, _, place = prompt.partition(".")
        number = place[-1:]
        if self.state.phase in (Phase.HOLD, Phase.IDLE) or not prompt:
            time.sleep(0.01)
        elif prompt == "leak.ask":
            self.hear_out("C")
            self.pedal() if self.leak_hold else self.no()
            self.wait(lambda: self.state.prompt != prompt, "leak.ask")
        elif prompt == "leak.charge":
            self.charge(45.25)
            self.offered()
        elif self.state.phase is Phase.TAPPING:
            self.live.meter("lever_down")
            self.live.meter("strike")
            self.rest(0.5)
        elif self.state.phase is Phase.ENTRY and prompt.endswith(".again"):
            self.rest(2.5)
            self.pedal()  # the wire once more, and he compares it with the dial
            entry = self.state.proposed
            assert entry is not None and abs(entry.value - self.dial()) <= Decimal("0.05")
            self.pedal()
        elif self.state.phase is Phase.ENTRY:
            self.pull(prompt)
            self.offered()
        else:
            self.at_the_meter(kind, number, prompt)
            self.pedal()

    def at_the_meter(self, kind: str, number: str, prompt: str) -> None:
        match kind:
            case "leak" if prompt == "leak.down":
                self.bleed_to_zero()
            case "close":
                self.live.meter("unclamp")
            case "flood":
                self.live.meter("flood")
                if number == "3":
                    self.live.meter("petcocks")
            case "pump":
                self.live.meter("lever_up")
                self.charge(float(self.state.settings.target(int(number))))
            case "letdown":
                self.live.meter("lever_up")
                self.live.meter("petcocks")
                self.rest(15)
            case "bleed":
                self.charge(14.5)
            case "finish" if prompt == "finish.letdown":
                self.live.meter("lever_up")
                self.live.meter("petcocks")
                self.rest(15)

    # --- what came of it -----------------------------------------------------------------------------------------------

    def is_right(self) -> None:
        """The metric and the air that the meter was told to have, and nothing lost on the way."""
        self.is_unharmed()
        found = summary.of(self.journal, self.station.test)
        results = {one["name"]: one["rounded"] for one in found["results"]}
        assert found["verdict"] == "pass" and abs(results["system_air_metric"] - Decimal("0.20")) <= Decimal("0.06"), found["why"]
        assert abs(results["air_content"] - Decimal("6.0")) <= Decimal("0.2")

    def is_unharmed(self) -> None:
        """Every reading by wire; each loss and return told once; the journal sound, and giving the same state."""
        for one in summary.of(self.journal, self.station.test)["readings"]:
            assert one["entries"][0]["source"] == "gauge", one
        said = [line["text"] for line in self.lines if line["kind"] == "said"]
        backs = [one for one in said if one.startswith("The gauge is back")]
        notes = [(line["at"], line["text"]) for line in self.lines if line["kind"] == "note" and line["id"] == "gauge"]
        lost = [text for _, text in notes if "lost" in text]
        # A machine that stalls for 1.5 s may lose it once more than it was pulled: that is said and mended in the same way.
        assert 2 == len(UNPLUGGED_AT) <= len(lost) == len(backs) and not self.pulled, notes
        assert self.journal.first_bad() is None and Station(self.journal, self.station.test).state == self.state


def test_short_by_pedal_and_line_gauge_unplugged_twice(pins, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Tap, "lead_s", 0.1)
    for name, value in (("ENOUGH_S", 0.1), ("APART_S", 0.3), ("FASTEST_WPM", 6_000)):  # his ears are at the meter's pace
        monkeypatch.setattr(asked, name, value)
    monkeypatch.setattr(steady, "WINDOW_S", 0.5)
    technician = Technician(pins, tmp_path, "line", 20.0, leak_hold=False, **SHORT)
    technician.pulled = ["charge.1.1", "equilibrium.1.1"]
    technician.run(within_s=60, until="pump.1.2")
    technician.is_unharmed()
    taken = technician.state.taken()
    assert abs(taken["charge.1.1"] - Decimal("14.5")) <= Decimal("0.05") and abs(taken["equilibrium.1.1"] - Decimal("7.25")) < 1


@pytest.mark.long
@pytest.mark.parametrize("kind", pty_gauge.KINDS)
def test_full_length_by_pedal_and_gauge_unplugged_twice(pins, tmp_path: Path, kind: str) -> None:
    technician = Technician(pins, tmp_path, kind, 1.0, leak_hold=True)
    assert technician.run(within_s=1500) == 0
    technician.is_right()
