"""What the screen shows of a state: the words of the moment, the clock, the last reading, what is listened for."""
from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from assistant.core import crew, phrases, round_clock, spoken
from assistant.core.asked import HELD, grave, heard_at, needs_held, soonest, waits
from assistant.core.flow import whole_results, whole_verdict
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.scrapped import HEARD_FIRST
from assistant.core.state import Phase, Reading, State
from assistant.core.three_buttons import WORDS
from assistant.core.turn import prompt_words
from assistant.record import page
from assistant.record.page import Page
from assistant.station.layout import View

KEYS, KEYS_SHORT = sentence("screen.keys"), sentence("screen.keys_short")
_LISTENS: dict[Phase, str] = {
    Phase.TELL: "next", Phase.ENTRY: "reading", Phase.CONFIRM: "yes_or_no", Phase.OVERRIDE: "yes_or_no", Phase.HOLD: "wait",
    Phase.READY: "next", Phase.CHOOSE: "yes_or_no", Phase.SCRAP: "yes_or_no",
    Phase.CHANGE: "yes_or_no", Phase.REST: "yes_or_no",
}


LONG_S = 30.0
"""A hold that is no longer lets something settle. Ours."""


def of(state: State, now: float, status: str = "", gauge: str | None = None, messages: tuple[str, ...] = (), notices: tuple[str, ...] = (),
       heard: str = "", hint: str = "", keys: str = KEYS, gauge_label: str = "", audible: bool = True, meter: str = "",
       silent: bool = False) -> View:
    """The view at boot time ``now``. ``hint``: what the simulated meter's keys do at this step. ``audible``: it is deaf as it talks.
    ``silent``: there is no loudspeaker."""
    if state.procedure is None:
        return View(status=status, keys=keys)
    step, over = state.step, state.phase is Phase.OVER
    words, caution = (sentence(f"test.{state.outcome}"), "") if over \
        else prompt_words(state)
    if unsafe(state):
        words, caution = f"{words} {phrases.MAKE_SAFE}", phrases.PRESSURE_CAUTION
    if number := _check(state):
        assert state.proposed is not None
        words = words.replace(registry.aloud(state.ask.id, phrases.aloud(state.proposed.value, state.ask.places)), number, 1)
    if state.asks_why:
        words = f"{words} {prompt_words(state)[0]}"
    last = next((one for one in reversed(state.readings) if not one.withdrawn and one == state.last_taken()
                 and not is_hidden(state, one)), None)
    known = judged(state)
    verdict, figures = (f"{page.verdict(known[0])}: {known[1]}", known[2]) if known else ("", ())
    table, other_rows = page.table((one.id, f"{one.value:f}") for one in state.readings
                                   if not one.withdrawn and not is_hidden(state, one))
    clock, label = clock_of(state, now)
    return View(
        title=f"{state.procedure.title}, {step.stage}",
        do=spoken.in_figures(words or _waiting(state)), hint=hint,
        caution=caution,
        clock_s=clock, clock_label=label,
        last=f"{registry.figures(last.id, last.value)} {last.unit}  {phrases.spoken_id(last.id)}" if last else "",
        heard="" if state.phase is Phase.ENTRY and state.first is not None else heard,
        listens=_listens(state, audible, silent and _too_soon(state, now)),
        check=_check(state), verdict=verdict, passed=page.passed(known[0]) if known else None, figures=figures,
        table=table, other_rows=other_rows,
        typed=state.typed + (state.wheel if state.wheel not in WORDS else ""),
        status=status, meter=meter, gauge=gauge, gauge_label=gauge_label,
        keys=keys.replace(KEYS, phrases.for_hands(state.buttons, "screen.keys")),
        keys_short=phrases.for_hands(state.buttons, "screen.keys_short") if keys.endswith(KEYS) else "",
        deadline=round_clock.told(replace(state, now=now)),
        progress=sentence("screen.progress", step=state.index + 1, steps=len(state.procedure.steps)),
        messages=tuple(map(spoken.in_figures, messages)), notices=notices,
    )


def result(of: Page, state: State, beside: View | None = None) -> View:
    """The result of a test that is over: alone until a key, or ``beside`` the question that came next."""
    assert state.procedure is not None
    title, words = state.procedure.title, f"{of.verdict}. {phrases.capital(of.why)}."
    more = [f"{name} {value}" for name, value in of.more]
    doubts = [sentence("page.doubt", text=one) for one in of.doubts]
    told = tuple(filter(None, [", ".join(more), *reversed(doubts)]))
    read = of.table or tuple(f"{name}  {value}" for name, value in of.readings)
    if beside is not None:
        return replace(beside, verdict=f"{title}: {words}", passed=of.passed, figures=of.results, table=read,
                       other_rows=of.other_rows, last="", gauge=None)
    safe, caution = (phrases.MAKE_SAFE, phrases.PRESSURE_CAUTION) if unsafe(state) else ("", "")
    practice = sentence("test.practice") if (state.header or {}).get("practice") else ""
    do = " ".join(filter(None, (words, practice, safe)))
    return View(title=sentence("screen.result", title=title), do=do, caution=caution, passed=of.passed,
                figures=of.results, table=read, other_rows=of.other_rows, messages=told, waits=sentence("screen.any_key"))


def unsafe(state: State) -> bool:
    """It was left before its end, perhaps with pressure in it."""
    return state.outcome not in ("", "done") and state.procedure is not None and state.procedure.pressurised


def _check(state: State) -> str:
    """The number that is to be checked now."""
    asked = state.phase is Phase.CONFIRM and state.proposed is not None
    return registry.figures(state.ask.id, phrases.aloud(state.proposed.value, state.ask.places)) if asked and state.proposed is not None else ""


def asked_again(before: State, state: State) -> bool:
    """Whether nothing was done but that the question was put once more: where nobody hears that, nothing else tells it."""
    return ((before.prompt, before.phase, before.paused) == (state.prompt, state.phase, state.paused)
            and before.utterance < state.utterance and state.asked.first == before.utterance + 1)


def is_hidden(state: State, one: Reading) -> bool:
    """Hidden while another of its kind is read: people read what they expect."""
    return state.phase in (Phase.ENTRY, Phase.HOLD, Phase.SCRAP, Phase.REST) and phrases.same_kind(one.id, state.step.id)


def judged(state: State) -> tuple[str, str, tuple[tuple[str, str], ...]] | None:
    """Verdict, why and figures, once the test is judged and while no reading of it is entered again."""
    whole = any(judged.verdict and not judged.partial for _, judged in state.judged)
    if not whole or state.corrected:
        return None
    return *whole_verdict(state), page.told([vars(one) for _, one in whole_results(state)])[0]


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
            return "waiting" if state.asks_why else "off"
        case Phase.TAPPING:
            return "tap"
        case Phase.HOLD:
            return "hold"
    return "waiting"


def _listens(state: State, audible: bool, early: bool) -> str:
    """The microphone is deaf while the station talks, where it can be heard to talk; the keys never are. ``early``: where
    no voice can tell when a question is over, the screen does."""
    if state.phase is Phase.OVER and not state.asks_why:
        return ""
    known = ("why" if state.asks_why else "paused" if state.paused else "away" if waits(state) else "yes_held" if needs_held(state) else
             "may_go" if crew.may_go(state) else _LISTENS.get(state.phase))
    wanted = phrases.for_hands(state.buttons, f"screen.{known}", most=len(phrases.REASONS)) if known else ""
    if state.wheel:
        word = sentence(f"buttons.{state.wheel}") if state.wheel in WORDS else ""
        wanted = f"{word} {sentence('buttons.screen.wheel')}".lstrip()
    talking = audible and state.spoken < state.utterance
    when = "keys_only" if talking else "not_yet" if early else ""
    return sentence(f"screen.{when}", wanted=wanted) if wanted and when else wanted


def _too_soon(state: State, now: float) -> bool:
    """A press for yes, or a reading that must wait, would not count yet (``core/asked.py``)."""
    if not state.rules or state.paused or state.away is not None or state.phase in (Phase.HOLD, Phase.TAPPING):
        return False
    if state.phase is Phase.ENTRY:  # the first entry is its own answer; one that cut its question off must be entered to be told so
        cut_off = state.typed and state.asked.cut
        return (state.first is not None or grave(state)) and not cut_off and now < heard_at(state)
    if state.asks_why:
        return state.rules >= HEARD_FIRST and now < heard_at(state)
    return now < soonest(state, HELD if needs_held(state) else "#")


def clock_of(state: State, now: float) -> tuple[float | None, str]:
    """Seconds left of the clock that matters now, and its name."""
    timers = dict(state.timers)
    if "tap" in timers:
        return max(0.0, timers["tap"] - now), sentence("screen.tap")
    if state.hold is not None:
        long = state.hold.ends - state.hold.started > LONG_S
        return max(0.0, state.hold.ends - now), sentence("screen.hold" if long else "screen.settle")
    return None, ""


def _waiting(state: State) -> str:
    """A hold that needs no words is shown, too."""
    return sentence("screen.let_it_settle") if state.phase is Phase.HOLD else ""


