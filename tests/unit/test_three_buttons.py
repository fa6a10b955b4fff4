"""Yes, no and say again: every number of every test can be entered with them, and nothing that they turn is taken unasked."""
from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal

import pytest

from assistant.core import plausible
from assistant.core.effects import Speak
from assistant.core.events import RULES, Heard, KeyPressed, Spoken
from assistant.core.language import CURRENT
from assistant.core.machine import step
from assistant.core.methods.registry import METHODS
from assistant.core.procedure import build
from assistant.core.settings import Settings
from assistant.core.state import Asked, Phase, State
from assistant.core.steps import Ask
from assistant.core.three_buttons import BACK, ENTER, REST, wheel
from assistant.procedures import load
from assistant.station import view
from assistant.station.layout import layout
from assistant.station.practice_keys import PRACTICE_KEYS

SETTINGS = Settings.from_mapping({})
ASKS = [(name, one.id) for name in METHODS for one in build(load(name), SETTINGS).steps if isinstance(one, Ask)]


class Presses:
    """A reading is asked for; presses as fast as buttons give them, each heard out before the next."""

    def __init__(self, test: str, ident: str, **more: object) -> None:
        procedure = build(load(test), SETTINGS)
        self.state = State(procedure, SETTINGS, {"hands": "buttons"}, RULES, 100.0, procedure.index(ident), Phase.ENTRY,
                           asked=Asked(began=0.0, over=0.0), **more)  # type: ignore[arg-type]
        self.said: list[str] = []

    def press(self, name: str, after: float = 0.4) -> Presses:
        self.state, effects = step(self.state, KeyPressed(self.state.now + after, name))
        self.said += [one.text for one in effects if isinstance(one, Speak)]
        self.state, _ = step(self.state, Spoken(self.state.now, self.state.utterance))
        return self

    def turn_to(self, shown: str) -> Presses:
        for _ in range(len(wheel(self.state))):
            if self.state.wheel == shown:
                return self.press("#")
            self.press("C")
        raise AssertionError(f"{shown} is not on the wheel {wheel(self.state)}")

    def enter(self, text: str) -> Presses:
        self.press("C")
        for at, sign in enumerate(text):
            if not (sign == "." and self.state.typed.endswith(".")):  # it comes by itself where no digit can
                self.turn_to(sign)
            if self.state.phase is not Phase.ENTRY or not self.state.wheel:
                assert at == len(text) - 1 or not text[at + 1:].strip("0."), text
                return self
        return self.turn_to(ENTER)


@pytest.mark.parametrize("test, ident", ASKS)
def test_every_number_of_every_test_can_be_entered(test: str, ident: str) -> None:
    least, most = plausible.plausible_range(ident, {}, SETTINGS)
    ask = next(one for one in build(load(test), SETTINGS).steps if one.id == ident)
    assert isinstance(ask, Ask)
    for value in (least, (least + most) / 2, least + (most - least) * Decimal("0.93")):
        text = f"{value.quantize(Decimal(1).scaleb(-ask.places)):f}"
        one = Presses(test, ident).enter(text)
        typed = one.state.proposed.value if one.state.proposed else None
        # Whatever the method then says of it ("more air than that is not possible") is said of this number.
        assert typed == Decimal(text) or any(f"{abs(Decimal(text)):f}".rstrip("0").rstrip(".") in said for said in one.said), (text, one.said)


def test_the_wheel_says_where_it_stands_goes_back_and_is_left() -> None:
    one = Presses("sequential", "equilibrium.1.1")
    one.press("C").press("C").press("C").press("A")
    assert one.said[-3:] == ["one?", "two?", "two?"]
    one.press("#")
    assert (one.state.typed, one.state.wheel, one.said[-1]) == ("2", "0", "two. zero?")
    one.turn_to("7")
    assert one.state.typed == "27." and one.said[-1] == "two, seven, point. zero?"  # no third digit can be
    one.turn_to(BACK)
    assert one.state.typed == "2"  # the point goes with its digit
    one.turn_to(BACK).turn_to(BACK)
    assert one.state.wheel == "" and one.state.typed == "" and one.state.phase is Phase.ENTRY
    assert one.said[-1].endswith("with the lever held?")


def test_it_always_begins_at_zero_and_what_it_gives_is_read_back() -> None:
    one = Presses("sequential", "equilibrium.1.1").press("C")
    assert one.state.wheel == "0" and one.said == ["Digit by digit. No turns on, yes takes it. Zero?"]
    one = Presses("sequential", "equilibrium.1.1").enter("7.25")
    assert one.state.phase is Phase.CONFIRM and one.state.taken() == {} and one.state.wheel == one.state.typed == ""
    assert one.said[-1] == "seven, point, two, five. Right?"
    entry = one.state.proposed
    assert entry is not None and (entry.value, entry.source, entry.text) == (Decimal("7.25"), "keypad", "7.25")


def test_a_button_that_bounces_takes_no_digit_more() -> None:
    one = Presses("sequential", "charge.1.1").press("C").press("C").press("#")
    one.state, _ = step(one.state, KeyPressed(one.state.now + 0.1, "#"))
    assert one.state.typed == "1"


def test_a_keypad_beside_the_buttons_ends_the_wheel() -> None:
    one = Presses("sequential", "charge.1.1").press("C").press("C").press("#")
    one.press("4")
    assert one.state.wheel == "" and one.state.typed == "4"


def test_what_is_no_measurement_may_be_left_out_by_yes_or_ends_where_he_says() -> None:
    optional = [(test, ident) for test, ident in ASKS
                if any(isinstance(one, Ask) and one.id == ident and one.optional for one in build(load(test), SETTINGS).steps)]
    assert optional
    for test, ident in optional:
        if test != "cylinders":  # it is judged at once
            assert Presses(test, ident).press("#").state.step.id != ident
    one = Presses(*optional[0]).press("C").turn_to("1").turn_to("2")
    assert ENTER in wheel(one.state) and one.state.phase is Phase.ENTRY


def test_a_keypad_station_has_no_wheel() -> None:
    one = Presses("sequential", "charge.1.1")
    one.state = replace(one.state, header={})
    one.press("C")
    assert one.state.wheel == "" and one.said == ["There is nothing to clear."]


def test_the_rest_is_asked_one_after_the_other() -> None:
    one = Presses("sequential", "equilibrium.1.1")

    def heard_out(*names: str) -> None:
        for name in names:
            one.press(name, after=8.0)
    heard_out("A-held")
    assert one.state.prompt == "rest.take_it_back" and one.said[0].startswith("Run 1, step 1")
    heard_out("C", "C")
    assert one.state.prompt == "rest.scrap" and REST[-1] == "scrap"
    heard_out("#")
    assert one.state.prompt == "scrap.confirm"  # which asks once more
    heard_out("C")
    assert one.state.prompt == "equilibrium.1.1" and one.state.outcome == ""
    heard_out("A-held", "C", "#")
    assert one.state.paused
    heard_out("#")
    assert one.said[-1] == "Paused. Hold say again to carry on." and one.state.paused
    heard_out("A-held")
    assert not one.state.paused and one.state.prompt == "equilibrium.1.1"
    heard_out("A-held", "C", "C", "C")
    assert one.state.prompt == "equilibrium.1.1" and "Going on." in one.said


@pytest.mark.parametrize("width, height", ((40, 15), (80, 24), (100, 30)))
def test_the_screen_names_the_three_buttons_and_shows_the_wheel_big(width: int, height: int) -> None:
    one = Presses("sequential", "equilibrium.1.1")
    for keys in (view.KEYS, PRACTICE_KEYS):
        text = " ".join("\n".join(layout(view.of(one.state, 100.0, keys=keys), width, height)).split())
        assert text.endswith("more" if width < 60 else "take back, pause, scrap")
    assert "YES" in text and "NO" in text and "AGAIN" in text and "Enter" not in text
    one.press("C").turn_to("7").turn_to(".").press("C").press("C")
    shown = view.of(one.state, 102.0)
    assert shown.typed == "7.2" and shown.listens == "NO turns on, YES takes it"
    assert "█" in "\n".join(layout(shown, width, height))
    one.press("#")
    while one.state.wheel != ENTER:
        one.press("C")
    assert view.of(one.state, 102.0).listens == "Enter it? NO turns on, YES takes it"
    one.press("#")
    assert view.of(one.state, 102.0).check == "7.20"


def test_every_sentence_for_three_buttons_stands_for_one_that_there_is() -> None:
    own = {one.removeprefix("buttons.") for one in CURRENT.sentences if one.startswith("buttons.") and one.count(".") > 1}
    assert {one for one in own if not one.startswith("rest.")} - {"screen.wheel"} <= CURRENT.sentences.keys()
    keys = re.compile(r"[Hh]ash|\bkeypad\b|\bEnter\b|#|\bkey it\b")
    named = {ident for ident, said in CURRENT.sentences.items() if keys.search(said) and ident.split(".")[0] in ("answer", "entry")}
    assert named - own == set(), "these name keys that nobody has who has three buttons"


@pytest.mark.parametrize("key", ("B", "B-held"))
@pytest.mark.parametrize("shown", (ENTER, BACK, ".", "3"))
def test_a_keypad_beside_the_buttons_may_erase_what_the_wheel_has(key: str, shown: str) -> None:
    """"Enter" was shown and nothing was left to enter: the next turn ended the program."""
    one = Presses("sequential", "equilibrium.1.1").press("C").turn_to("7")
    while one.state.wheel != shown:
        one.press("C")
    one.press(key)
    assert one.state.typed == "" and one.state.wheel == "0"
    assert one.press("C").state.wheel == "1"


def test_a_question_that_comes_while_the_wheel_turns_is_answered_and_not_turned_on() -> None:
    """A charge out of its band was said twice: "trim it again?" got a digit for a yes."""
    one = Presses("sequential", "charge.1.1", outs=1).press("C").press("C")
    one.state, _ = step(one.state, Heard(one.state.now + 1.0, "one four point five six"))
    assert one.state.phase is Phase.OVERRIDE and not one.state.wheel
