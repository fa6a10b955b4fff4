"""`bowlside check`: what it makes of each device. gpiozero's mock pins with a matrix that really scans, pseudo-terminals.

What the wiring tests say comes from the copper of hardware/fake_matrix.py; zero, noise and rate are held against samples
made here.
"""
from __future__ import annotations

import random
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import Decimal
from itertools import permutations

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant.check import gauges, keys, quick
from assistant.check.devices import Opened
from assistant.check.finding import PINS, Finding, joined, none_wrong, page
from assistant.check.talk import Left, Talk
from assistant.check.walk import Walk
from assistant.core.events import DeviceBack, DeviceLost, TestStarted
from assistant.core.settings import Settings
from assistant.procedures import load
from assistant.station import device_watch, station_settings
from assistant.station.device_names import NAMES
from assistant.station.devices import Hands
from assistant.station.live import Live
from hardware import usb_pad
from hardware.clock import boot_now
from hardware.fake_matrix import FakeMatrix, HandClock
from hardware.fakes import FakeSpeaker
from hardware.gauges import Sample, pty_gauge
from hardware.gauges.fake_converter import BenchFactory, FakeConverter
from hardware.keypad import HELD, LEGEND, Keypad
from tests.unit.test_live_hands import drained, live

ROWS, COLUMNS = [5, 6, 13, 26], [16, 17, 22, 23]
ALL_KEYS = [key for key, _ in keys.asked_of_keypad(LEGEND)]
SECTION = {"legend": " ".join(LEGEND), "rows": ROWS, "columns": COLUMNS}


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


def settings(**sections: dict) -> dict:
    found = station_settings.read()
    for name, more in sections.items():
        found[name].update(more)
    return found


def right(**other: str | None) -> dict[str, str | None]:
    """Every key comes as itself, but for those named (``s1`` is key 1)."""
    return {key: other.get(f"s{key}", key) for key in ALL_KEYS}


# --- the keypad's wiring -----------------------------------------------------------------------------------------------------

Pins = list[int]


def pressed_on_copper(true_rows: Pins, true_columns: Pins, rows: Pins, columns: Pins) -> dict[str, str | None]:
    """What each key gives when the wires are on the true pins and the settings say others; real scanning, virtual time."""
    got: dict[str, str | None] = {}
    factory, clock = MockFactory(), HandClock()
    Device.pin_factory = factory
    joins = {frozenset((row, column)): key for line, row in zip(LEGEND, true_rows, strict=True)
             for key, column in zip(line, true_columns, strict=True)}  # a contact has no direction
    legend = ["".join(joins[frozenset((row, column))] for column in columns) for row in rows]
    matrix = FakeMatrix(factory, rows, columns, clock, legend)
    came: list[str] = []
    keypad = Keypad(rows, columns, came.append, clock=clock, wait=clock.sleep, threaded=False)
    for key in "".join(LEGEND):
        matrix.press(key, clock.now + 0.02, clock.now + 0.1)
        until = clock.now + 0.3
        while clock.now < until:
            keypad.look()
            clock.sleep(0.005)
        got[key] = came[0] if len(came) == 1 else None
        came.clear()
    keypad.close()
    return got


@pytest.mark.parametrize(("rows", "columns"), [
    ([6, 5, 13, 26], COLUMNS), (ROWS, [23, 22, 17, 16]), (COLUMNS, ROWS), ([23, 16, 17, 22], [26, 6, 5, 13])])
def test_the_pins_that_it_tells_for_wires_in_another_order_make_every_key_right(pins, rows: Pins, columns: Pins) -> None:
    got = pressed_on_copper(rows, columns, ROWS, COLUMNS)
    assert got != {key: key for key in got} and None not in got.values()
    told = keys.other_order(LEGEND, ROWS, COLUMNS, got)
    assert told == (rows, columns)
    assert pressed_on_copper(rows, columns, *told) == {key: key for key in got}
    assert f"rows = {rows} and columns = {columns}" in keys.keypad(SECTION, {**right(), **got}).words


def test_a_keypad_that_is_right() -> None:
    found = keys.keypad(SECTION, right())
    assert found == Finding("keypad", True, "All 20 presses came, 4 of them held.")


@pytest.mark.parametrize(("got", "words"), [
    (right(s5=None), "5 gives nothing: press harder; if that helps, its contact is worn or wet."),
    (right(s4=None, s5=None, s6=None, sB=None), "No key of the row 4 5 6 B comes: its wire to GPIO 6, pin 31, is off."),
    ({**right(s1=None, s4=None, s7=None), "*": None}, "No key of the column 1 4 7 * comes: its wire to GPIO 16, pin 36, is off."),
    ({**right(), "A-held": "A"}, "A held gives A: hold it longer."),
    (right(s5="6"), "5 gives 6."),
    (right(s5="6", s6="6"), "5 gives 6."),
    (dict.fromkeys(ALL_KEYS[:4]), "No key comes: look at its plug, and at the pins that [keypad] names."),
])
def test_what_is_wrong_with_a_keypad_is_told_in_as_few_words_as_explain_it(got: dict, words: str) -> None:
    assert keys.keypad(SECTION, got) == Finding("keypad", False, words)


def test_a_row_that_is_off_is_not_told_again_for_its_key_that_is_held() -> None:
    got = {**right(s4=None, s5=None, s6=None, sB=None), "B-held": None}
    assert keys.keypad(SECTION, got).words == "No key of the row 4 5 6 B comes: its wire to GPIO 6, pin 31, is off."


def test_a_row_of_one_key_is_a_key() -> None:
    section = {"legend": "1 2 3", "rows": [5, 6, 13], "columns": [16]}
    assert keys.keypad(section, {"1": "1", "2": None, "3": "3"}).words.startswith("2 gives nothing")


def walked(asked: str, *came: tuple[str, str]) -> dict[str, str | None]:
    """The walk over these keys; one thing comes as each is asked for."""
    left = list(came)
    one = Talk(lambda words: one.key(*left.pop(0)) if words.startswith("  press") and left else None)
    return keys.walk(one, "keypad", [(key, key) for key in asked], within_s=0.02)


def test_a_key_counts_only_from_the_device_that_is_checked() -> None:
    assert walked("12", ("keypad", "1"), ("usb_pad", "2")) == {"1": "1", "2": None}


def test_a_key_is_passed_over_in_the_terminal() -> None:
    begun = time.monotonic()
    one = Talk(lambda words: one.key("terminal", "#") if words.startswith("  press") else None)
    assert keys.walk(one, "keypad", [("1", "1"), ("2", "2")], within_s=60) == {"1": None, "2": None}
    assert time.monotonic() - begun < 60, "it waited for the second key, or the first"


def test_a_keypad_of_which_nothing_comes_is_not_asked_for_every_key() -> None:
    assert len(walked("123456789")) == keys.NOTHING
    assert len(walked("123456789", ("keypad", "1"))) == 9


def test_the_pads_names_are_those_of_the_kernels_codes() -> None:
    assert set(keys.PAD) == set(usb_pad.CODES.values())
    assert [key for key, _ in keys.asked_of_pad()][-len(HELD):] == list(HELD.values())
    got = {key: key for key, _ in keys.asked_of_pad()}
    assert keys.usb_pad(got).good
    assert keys.usb_pad({**got, "#": None, "A-held": "A"}).words.startswith("Enter gives nothing. / held gives A.")


# --- what a gauge sends ------------------------------------------------------------------------------------------------------

def sent(rate: float = 10, seconds: float = 4, psi: float = 0.0, noise: float = 0.003, slope: float = 0.0) -> list[Sample]:
    chance = random.Random(1)
    return [Sample(100 + n / rate, Decimal(f"{psi + slope * n / rate + chance.gauss(0, noise):.3f}"), "")
            for n in range(round(rate * seconds) + 1)]


def told_of(samples: list[Sample]) -> Finding:
    return joined("gauge", gauges.open_to_air(samples, gauges.still_now(samples, samples[-1].at)))


def test_a_gauge_that_is_right() -> None:
    assert told_of(sent()).words == ("It sends 10 readings a second. Its noise is 0.003 psi. "
                                     "It stands still, at 0.00 psi open to the air.")
    assert told_of(sent(psi=0.02, noise=0)).good and told_of(sent(psi=-0.02, noise=0)).good


@pytest.mark.parametrize(("samples", "words"), [
    (sent(psi=0.03, noise=0), "Open to the air it shows 0.03 psi: zero it."),
    (sent(psi=-0.03, noise=0), "Open to the air it shows -0.03 psi: zero it."),
    (sent(rate=1, seconds=8), "It sends 1.0 readings a second: let it send at least 2."),
    (sent(noise=0.08), "Its noise is 0.0"),
    (sent(slope=0.1), "It does not come to rest"),
    (sent(seconds=0.1), "It sent 2 readings only"),
])
def test_what_is_wrong_with_a_gauge(samples: list[Sample], words: str) -> None:
    found = told_of(samples)
    assert found.good is False and words in found.words and "It sends 10" not in found.words


def test_a_gauge_must_follow_the_charge() -> None:
    rest, after = gauges.still_now(sent(), 104), gauges.still_now(sent(psi=15), 104)
    assert rest is not None and after is not None
    assert gauges.charged(rest.value, after) == [(True, f"It followed a charge to {after.value} psi.")]
    assert "did not follow" in gauges.charged(rest.value, replace(after, value=Decimal("0.99")))[0][1]
    assert gauges.charged(rest.value, replace(after, value=rest.value + 1))[0][0] and gauges.charged(None, rest)[0][0]
    assert gauges.charged(rest.value, None)[0][0] is False


# --- the two-second version --------------------------------------------------------------------------------------------------

@pytest.mark.alone
def test_quick_opens_what_is_configured_tells_what_it_finds_and_lets_go_of_it(pins) -> None:
    wire = pty_gauge.PtyGauge("line", lambda: Decimal("0.01"))
    found = settings(keypad={"kind": "matrix"}, pedal={"kind": "button"}, lamp={"kind": "led"}, gauge=wire.settings,
                     usb_pad={"kind": "usb", "device": "/dev/input/by-id/none-event-kbd"})
    FakeMatrix(pins, ROWS, COLUMNS, time.monotonic)
    begun = time.monotonic()
    names = [name for name in NAMES if name not in ("loudspeaker", "microphone")]
    told = {one.device: one for one in quick.quick(found, names)}
    took = time.monotonic() - begun
    again = quick.quick(found, ["keypad", "pedal", "lamp"], 0.5)
    wire.stop()
    assert [told[name].good for name in names] == [True, False, True, None, True, None, True]
    assert told["gauge"].words.startswith('It reads 0.01 psi, from "$+000.01,psi*')
    assert re.search(r" It sends ([2-9]|10) readings a second\.", told["gauge"].words)  # the gauge sends every 0.1 s, or as it can
    assert "not plugged in" in told["usb_pad"].words and "[buzzer] in station.toml" in told["buzzer"].words
    assert all(one.good for one in again), "a pin is still taken"
    assert took < quick.WITHIN_S + 1.5


def test_quick_does_not_wait_for_a_gauge_that_is_silent(pins) -> None:
    wire = pty_gauge.PtyGauge("polled", lambda: Decimal(0))
    told = quick.quick(settings(gauge={**wire.settings, "ask": "other", "answer_ms": 1000}), ["gauge"], 0.5)
    wire.stop()
    assert told == [Finding("gauge", False, "It does not answer.")]


def test_settings_that_can_not_be_right_are_what_is_wrong(pins) -> None:
    told = quick.quick(settings(gauge={"kind": "line", "pattern": "nothing"}, keypad={"kind": "matrix", "legend": "123"}),
                       ["gauge", "keypad"], 0.5)
    assert [one.good for one in told] == [False, False] and "[gauge] pattern" in told[0].words and "legend" in told[1].words


def test_the_coarse_steps_of_a_transducer_are_told_and_are_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the quick check and in the walk, where the caution comes before the first reading."""
    factory = BenchFactory()
    monkeypatch.setattr(Device, "pin_factory", factory)
    FakeConverter(factory, lambda channel: 102)
    found = settings(gauge={"kind": "transducer"})
    told, = quick.quick(found, ["gauge"], 0.7)
    assert told.good and 'from "ratio 0.0997, counts 1632 of 16"' in told.words and told.words.endswith("the meter's own gauge.")
    one = Opened("gauge", found)
    asked, _ = talk()

    def answer(words: str) -> None:
        if words.endswith("?"):
            asked.key("terminal", "#")
        elif words.startswith("Lever up"):
            asked.key("terminal", "C")
    asked.show = answer
    walked, = Walk(asked, found, ["gauge"], {"gauge": one}, lambda: Finding("microphone", None, "")).run()
    one.close()
    factory.close()
    assert walked.good and "This transducer steps by 0.07 psi" in walked.words, walked


# --- at the start of a live test ---------------------------------------------------------------------------------------------

def begin(one: Live) -> None:
    one._ready = True
    one.handle(TestStarted(boot_now(), "sequential", load("sequential"), Settings().to_mapping(), {}))


@pytest.mark.alone
def test_at_the_start_what_is_there_is_shown_and_what_is_not_is_said(tmp_path, pins) -> None:
    one = live(tmp_path)
    found = settings(lamp={"kind": "led"}, usb_pad={"kind": "usb", "device": str(tmp_path / "none")},
                     buzzer={"kind": "active", "pin": 25})  # the lamp's
    hands = Hands(one, found, lambda: ({"kind": "line", "port": str(tmp_path / "none")}, lambda: None))
    begin(one)
    begun = time.monotonic()
    device_watch.begin(one, hands, found, gauge=True, within_s=0.8)
    assert time.monotonic() - begun < 0.1, "the first prompt waits"
    drained(one, lambda: one.station.state.lost == ("buzzer", "gauge", "usb_pad"))
    hands.close()
    assert isinstance(one.speaker, FakeSpeaker)
    said = " ".join(words for _, words in one.speaker.said)
    assert "The gauge gives no reading yet. The USB pad can't be used. The buzzer can't be used: bowlside check tells" in said
    assert "Ready: lamp." in one.notices
    assert [(note.id, note.text.split(".")[0]) for note in one.station.state.notes] == [
        ("gauge", "gauge lost"), ("usb_pad", "USB pad lost"), ("buzzer", "buzzer lost")]


class Had:
    """Hands with these devices, each serving the section of its name; ``working`` are those that are alive."""

    def __init__(self, *kinds: str) -> None:
        self.working, self.closed = set(kinds), False
        alive = property(lambda device: type(device).__name__ in self.working)
        self.devices = tuple(type(kind, (), {"alive": alive, "there": (kind.lower().replace("usbpad", "usb_pad"),)})()
                             for kind in kinds)


def named(one: Live) -> list[tuple[str, str]]:
    """The losses and returns in the record, in their order."""
    events = one.station.journal.events(one.station.test)  # type: ignore[attr-defined]
    return [(type(event).__name__, event.device) for event in events if isinstance(event, DeviceLost | DeviceBack)]


def test_each_that_is_missing_is_recorded_by_its_own_name_and_so_is_its_return(tmp_path) -> None:
    one, hands = live(tmp_path), Had("Keypad", "Pedal", "Lamp", "Buzzer")
    hands.working = {"Lamp"}
    found = settings(keypad={"kind": "matrix"}, pedal={"kind": "button"}, lamp={"kind": "led"}, buzzer={"kind": "active"})
    begin(one)
    device_watch.begin(one, hands, found, gauge=False, within_s=0.0)  # type: ignore[arg-type]
    drained(one, lambda: one.station.state.lost == ("buzzer", "keypad", "pedal"))
    for come, left in (("Pedal", ("buzzer", "keypad")), ("Keypad", ("buzzer",))):
        hands.working |= {come}
        drained(one, lambda left=left: one.station.state.lost == left)
    hands.working -= {"Lamp", "Pedal"}
    drained(one, lambda: one.station.state.lost == ("buzzer", "lamp", "pedal"))
    time.sleep(3 * device_watch.LOOK_S)
    hands.working |= {"Lamp"}
    drained(one, lambda: one.station.state.lost == ("buzzer", "pedal"))
    hands.closed = True
    assert named(one)[:5] == [*(("DeviceLost", name) for name in ("keypad", "pedal", "buzzer")),
                              *(("DeviceBack", name) for name in ("pedal", "keypad"))]
    assert sorted(named(one)[5:7]) == [("DeviceLost", "lamp"), ("DeviceLost", "pedal")]
    assert named(one)[7:] == [("DeviceBack", "lamp")]
    said = [words for _, words in one.speaker.said]  # type: ignore[union-attr]
    for words in ("The keypad can't be used.", "The buzzer can't be used: bowlside check tells why.", "The keypad is back.",
                  "The lamp is gone.", "The pedal is gone.", "The lamp is back."):
        assert said.count(words) == 1, (words, said)


def test_a_lamp_that_fails_in_the_middle_is_told_and_its_return_too(tmp_path, pins, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hardware.ticker.RETRY_S", 0.4)
    one, found = live(tmp_path), settings(lamp={"kind": "led"}, pedal={"kind": "button"})
    hands = one.lamps = Hands(one, found)
    begin(one)
    device_watch.begin(one, hands, found, gauge=False)
    drained(one, lambda: "Ready: pedal and lamp." in one.notices)
    lamp, = (device for device in hands.devices if type(device).__name__ == "Lamp")
    look = lamp._ticker._look
    lamp._ticker._look = lambda: 1 / 0
    lamp.show("tap")
    drained(one, lambda: one.station.state.lost == ("lamp",))
    lamp._ticker._look = look
    drained(one, lambda: not one.station.state.lost)
    hands.close()
    assert named(one) == [("DeviceLost", "lamp"), ("DeviceBack", "lamp")]


def test_at_the_start_nothing_is_said_where_all_is_there_and_nothing_where_nothing_is_configured(tmp_path, pins) -> None:
    one = live(tmp_path)
    wire = pty_gauge.PtyGauge("line", lambda: Decimal("0.01"))
    found = settings(lamp={"kind": "led"}, pedal={"kind": "button"})
    hands = Hands(one, found, lambda: (wire.settings, wire.stop))
    begin(one)
    device_watch.begin(one, hands, found, gauge=True)
    drained(one, lambda: "Ready: pedal, lamp and gauge." in one.notices, within_s=2.5)
    hands.close()
    assert not one.station.state.lost
    none = live(tmp_path / "none")
    begin(none)
    no_hands = Hands(none, settings())
    device_watch.begin(none, no_hands, settings(lamp={"kind": "led", "pin": 27}), gauge=False, within_s=0.0)
    drained(none, lambda: "lamp" in none.station.state.lost)
    no_hands.close()
    assert not none.notices, "nothing is ready"
    bare = live(tmp_path / "bare")
    device_watch.begin(bare, Hands(bare, settings()), settings(), gauge=False, within_s=0.0)
    time.sleep(0.1)
    assert bare.queue.empty()


def test_a_pad_that_was_missed_at_the_start_is_told_when_it_comes(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    back: list[Callable[[str], None]] = []
    monkeypatch.setattr("hardware.hands.open_all", lambda *given: back.append(given[4]) or [])  # on_back
    one, found = live(tmp_path), settings(usb_pad={"kind": "usb", "device": str(tmp_path / "none")})
    begin(one)
    hands = Hands(one, found)
    device_watch.begin(one, hands, found, gauge=False, within_s=0.0)
    drained(one, lambda: "usb_pad" in one.station.state.lost and bool(back))
    back[0]("usb_pad")
    drained(one, lambda: not one.station.state.lost)
    hands.close()
    assert isinstance(one.speaker, FakeSpeaker) and "The USB pad is back." in one.speaker.said[-1][1]


# --- the talk and the page ---------------------------------------------------------------------------------------------------

def talk() -> tuple[Talk, list[str]]:
    shown: list[str] = []
    one = Talk(shown.append)
    one.attach(FakeSpeaker())
    return one, shown


def answering(one: Talk, *came: tuple[str, str]) -> None:
    """As soon as the question is shown, these come."""
    show = one.show

    def and_answer(words: str) -> None:
        show(words)
        one.show = show
        for source, name in came:
            one.heard(name) if source == "voice" else one.key(source, name)
    one.show = and_answer


@pytest.mark.parametrize(("came", "answer"), [
    ([("terminal", "#")], True), ([("keypad", "C")], False), ([("pedal", "#")], True), ([("voice", "affirmative")], True),
    ([("voice", "no wrong")], False), ([("keypad", "7"), ("voice", "seven"), ("keypad", "C")], False), ([], None)])
def test_any_key_and_the_voice_answer(came: list, answer: bool | None) -> None:
    one, _ = talk()
    one.key("terminal", "#")  # pressed before the question, so it is no answer
    answering(one, *came)
    assert one.yes("Is it so?", within_s=0.05) is answer


def test_say_again_repeats_the_question_and_what_it_is_about() -> None:
    one, shown = talk()
    answering(one, ("keypad", "A"), ("keypad", "#"))
    again: list[int] = []
    assert one.yes("Is it so?", 0.5, again=lambda: again.append(1)) is True
    assert shown == ["Is it so?"] * 2 and again == [1]


def test_nothing_is_listened_for_unless_something_is_asked() -> None:
    one, _ = talk()
    assert one.asked()[0].kind == "off"
    during: list[str] = []

    class Listening(Talk):
        def wait_key(self, within_s: float) -> tuple[str, str] | None:
            during.append(self.asked()[0].kind)
            return super().wait_key(within_s)

    listening = Listening(lambda words: None)
    listening.yes("?", 0.01)
    assert during == ["off", "yesno"] and listening.asked()[0].kind == "off"


def test_leaving_ends_any_wait() -> None:
    one, _ = talk()
    one.key("terminal", "quit")
    with pytest.raises(Left):
        one.pause(5.0)


def test_the_page_names_what_is_wrong_and_what_to_type() -> None:
    found = [Finding("keypad", True, "All."), Finding("gauge", False, "It is off. " * 30), Finding("lamp", None, "None.")]
    text = page(found)
    assert all(len(line) <= 100 for line in text.splitlines()) and not none_wrong(found)
    assert "Wrong: gauge." in text and text.endswith("\nbowlside check gauge")
    assert page([found[0], found[2]]).endswith("Nothing wrong with what was checked.") and none_wrong([found[0], found[2]])
    assert page([found[2]]).endswith("Nothing was checked.")
    assert page([Finding(PINS, False, "Pin 5 twice.")]).endswith("\nbowlside check")


def test_three_buttons_and_the_order_of_their_wires() -> None:
    by_pins = {"kind": "pins", "pins": (5, 6, 13)}
    right = {key: key for key, _ in keys.asked_of_buttons()}
    assert list(right) == ["#", "C", "A", "#-held", "A-held"]
    assert keys.buttons(by_pins, right) == Finding("buttons", True, "All 5 presses came, 2 of them held.")
    turned = {"#": "C", "C": "A", "A": "#", "#-held": "C", "A-held": "#-held"}
    assert keys.buttons(by_pins, turned).words == "They are in another order. In station.toml, [buttons], write pins = [6, 13, 5]."
    by_usb = {"kind": "usb", "keys": "a b c"}
    assert keys.buttons(by_usb, turned).words.endswith('write keys = "b c a".')
    assert keys.buttons(by_pins, {**right, "C": None, "A-held": "A"}).words == "no gives nothing. say again held gives say again."
    assert "look at its plug, and at what [buttons] keys names" in keys.buttons(by_usb, dict.fromkeys(right)).words


def test_with_the_order_that_it_tells_every_button_comes_right() -> None:
    """Whatever the order of three wires: the pins as told are those on which each button lies."""
    for wires in permutations((5, 6, 13)):  # the pins that yes, no and say again are really on
        came = {key: list(right_keys)[(5, 6, 13).index(pin)] for right_keys in [("#", "C", "A")]
                for key, pin in zip(right_keys, wires, strict=True)}
        found = keys.buttons({"kind": "pins", "pins": (5, 6, 13)}, came)
        assert found.good if wires == (5, 6, 13) else found.words.endswith(f"write pins = {list(wires)}.")
