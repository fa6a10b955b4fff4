"""What the screen shows of a state: the words of the moment, the clock, the last reading, what is listened for."""
from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from assistant.core import phrases, round_clock
from assistant.core.asked import needs_held
from assistant.core.language import sentence
from assistant.core.state import Phase, State
from assistant.core.turn import prompt_words
from assistant.station.screen import View

KEYS = sentence("screen.keys")
_LISTENS: dict[Phase, str] = {
    Phase.TELL: "next", Phase.ENTRY: "reading", Phase.CONFIRM: "yes_or_no", Phase.OVERRIDE: "yes_or_no", Phase.HOLD: "wait",
    Phase.READY: "next", Phase.CHOOSE: "yes_or_no", Phase.SCRAP: "yes_or_no",
    Phase.CHANGE: "yes_or_no",
}


def of(state: State, now: float, status: str = "", gauge: str | None = None, messages: tuple[str, ...] = (),
       heard: str = "", hint: str = "", keys: str = KEYS, gauge_label: str = "") -> View:
    """The view at boot time ``now``. ``hint``: what the simulated meter's keys do at this step."""
    if state.procedure is None:
        return View(status=status, keys=keys)
    step, over = state.step, state.phase is Phase.OVER
    unsafe = state.outcome not in ("", "done") and state.procedure.pressurised
    words, caution = (sentence(f"test.{state.outcome}"), "") if over \
        else prompt_words(state)
    if unsafe:
        words, caution = f"{words} {phrases.MAKE_SAFE}", phrases.PRESSURE_CAUTION
    last = state.last_taken()
    if last is not None and state.phase in (Phase.ENTRY, Phase.HOLD, Phase.SCRAP) and phrases.same_kind(last.id, state.step.id):
        last = None  # people read what they expect
    clock, label = clock_of(state, now)
    return View(
        title=f"{state.procedure.title}, {step.stage}",
        do=" ".join(filter(None, [_aside(state), words, hint])),
        caution=caution,
        clock_s=clock, clock_label=label,
        last=f"{phrases.spoken_id(last.id)} {last.value:f} {last.unit}" if last else "",
        heard="" if state.phase is Phase.ENTRY and state.first is not None else heard,
        listens=_listens(state),
        typed=state.typed,
        status=status, gauge=gauge, gauge_label=gauge_label, keys=keys,
        progress="   ".join(filter(None, [round_clock.told(replace(state, now=now)), sentence(
            "screen.progress", step=state.index + 1, steps=len(state.procedure.steps))])),
        messages=messages,
    )


def wire(state: State, shown: Decimal | None) -> str | None:
    """What the gauge on the wire shows. Hidden while its first entry is checked by another: people read what they see."""
    hidden = state.first is not None and state.first.source == "gauge"
    return None if shown is None or hidden else f"{shown:f} psi"


def lamp(state: State, wrong: bool = False) -> str:
    """What the lamp shows: ``wrong``, ``tap`` (blows now, lever held), ``hold``, ``waiting`` (for the technician) or ``off``."""
    if wrong:
        return "wrong"
    match state.phase:
        case Phase.IDLE | Phase.OVER:
            return "off"
        case Phase.TAPPING:
            return "tap"
        case Phase.HOLD:
            return "hold"
    return "waiting"


def _listens(state: State) -> str:
    """The microphone is deaf while the station talks; the keys never are."""
    if state.phase is Phase.OVER:
        return ""
    known = "paused" if state.paused else "yes_held" if needs_held(state) else _LISTENS.get(state.phase)
    wanted = sentence(f"screen.{known}") if known else ""
    talking = state.spoken < state.utterance
    return sentence("screen.keys_only", wanted=wanted) if wanted and talking else wanted


def clock_of(state: State, now: float) -> tuple[float | None, str]:
    """Seconds left of the clock that matters now, and its name."""
    timers = dict(state.timers)
    if "tap" in timers:
        return max(0.0, timers["tap"] - now), sentence("screen.tap")
    if state.hold is not None:
        long = state.hold.ends - state.hold.started > 30
        return max(0.0, state.hold.ends - now), sentence("screen.hold" if long else "screen.settle")
    return None, ""


def _aside(state: State) -> str:
    if state.phase is Phase.CONFIRM and state.proposed is not None:
        return f"{phrases.aloud(state.proposed.value, state.ask.places):f}:"
    if state.phase is Phase.HOLD and not prompt_words(state)[0]:
        return sentence("screen.let_it_settle")
    return ""


