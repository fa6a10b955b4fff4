"""Yes, no and say again are all there is (``State.buttons``): what else a keypad has keys for.

    a number    no, where one is asked for, begins a wheel of digits: no turns it on, yes takes what it shows, say again tells where
                it stands. It always begins at 0: whoever is shown the number to expect reads that number.
    the rest    say again held asks one after the other: take back, pause, scrap. Yes does it, no asks for the next.

A wheel's number is entered as one that was keyed: it is read back, and counts only after yes.
"""
from __future__ import annotations

from collections.abc import Callable

from assistant.core import plausible, spoken, where_are_we
from assistant.core.language import sentence
from assistant.core.state import Phase, State
from assistant.core.turn import Turn

DIGITS, ENTER, BACK = "0123456789", "enter", "back"
WORDS = (ENTER, BACK)
"""What the wheel shows that is no sign of a number."""
REST = ("take_it_back", "pause", "scrap")


def wheel(state: State) -> tuple[str, ...]:
    """What the wheel shows in turn, after the digits in ``State.typed``."""
    least, _ = plausible.plausible_range(state.ask.id, state.taken(), state.settings)
    digits = state.typed.strip("-.")
    return (*DIGITS, *(("-",) if not state.typed and least < 0 else ()),
            *((".",) if digits and state.ask.places and "." not in state.typed else ()),
            *((ENTER,) if digits else ()), BACK)


def begin(turn: Turn) -> None:
    turn.hush()
    turn.set(typed="", wheel=DIGITS[0])
    turn.say(sentence("buttons.begin"))


def turned(turn: Turn, name: str, enter: Callable[[Turn, str], None]) -> None:
    """A button while the wheel turns. ``enter`` takes the number once it is whole."""
    state = turn.state
    turn.hush()
    shown = wheel(state)
    match name:
        case "C":
            at = shown.index(state.wheel) + 1
            turn.set(wheel=shown[at % len(shown)])
            turn.say(_said(turn.state.wheel))
        case "#" | "#-held" if state.wheel == BACK:
            if state.typed:
                turn.set(typed=state.typed.rstrip(".")[:-1], wheel=DIGITS[0])
                turn.say(_stands(turn.state))
            else:
                turn.set(wheel="")
                turn.say_prompt()
        case "#" | "#-held":
            typed = state.typed + ("" if state.wheel == ENTER else state.wheel)
            if state.wheel == ENTER or _whole(state, typed):
                turn.set(wheel="")
                enter(turn, typed)
            else:
                turn.set(typed=typed + "." if _wants_point(state, typed) else typed, wheel=DIGITS[0])
                turn.say(_stands(turn.state))
        case _:
            turn.say(_stands(state))


def _width(state: State) -> int:
    """How many digits the number may have before its point."""
    least, most = plausible.plausible_range(state.ask.id, state.taken(), state.settings)
    return len(str(int(max(abs(least), abs(most)))))


def _wants_point(state: State, typed: str) -> bool:
    return bool(state.ask.places) and "." not in typed and len(typed.lstrip("-")) >= _width(state)


def _whole(state: State, typed: str) -> bool:
    """No digit more can be meant."""
    before, point, after = typed.lstrip("-").partition(".")
    return len(after) >= state.ask.places if point else not state.ask.places and len(before) >= _width(state)


def _said(one: str) -> str:
    return sentence(f"buttons.{one}") if one in WORDS else f"{spoken.spelled(one)}?"


def _stands(state: State) -> str:
    return " ".join(filter(None, [state.typed and f"{spoken.spelled(state.typed)}.", _said(state.wheel)]))


# --- the rest --------------------------------------------------------------------------------------------------------------

def ask_rest(turn: Turn) -> None:
    """Where the test is is said first."""
    where = f"{where_are_we.where(turn.state)} {where_are_we.time_left(turn.state)}"
    turn.hush()
    turn.set(rest=REST[0])
    turn.aside(Phase.REST, where)


def next_of_rest(state: State) -> str:
    """The one after that which was declined; empty: that was all."""
    at = REST.index(state.rest) + 1
    return REST[at] if at < len(REST) else ""

