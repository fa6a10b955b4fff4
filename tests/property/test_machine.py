"""Whatever happens, in whatever order: the state stays legal, nothing unconfirmed is taken, the journal folds back."""
from __future__ import annotations

from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.core.commands import COMMANDS
from assistant.core.effects import Effect, Listen, Record, Speak
from assistant.core.events import (
    ClockJumped,
    DeviceBack,
    DeviceLost,
    Event,
    GaugeReads,
    GaugeSteady,
    Heard,
    HearingChanged,
    KeyPressed,
    Restarted,
    Spoken,
    Suspended,
    TestStarted,
    TimerDue,
    Unclear,
    from_plain,
    to_plain,
)
from assistant.core.machine import step
from assistant.core.prompts import prompts
from assistant.core.settings import Settings
from assistant.core.state import Phase, State
from assistant.core.steps import Ask, Choose, Hold, Tap, Tell
from assistant.procedures import load
from assistant.record.session import fold

START = TestStarted(0.0, "sequential", load("sequential"), Settings().to_mapping(), {})
FIRST = step(State(), START)[0]
PROMPTS = {one.id for one in prompts(FIRST.procedure)}

NUMBERS = st.one_of(
    st.sampled_from(["forty five point two", "forty five point two one", "fourteen point five", "thirty", "forty five",
                     "seven point two five", "eighteen point six three", "thirty one point eight one",
                     "three one point eight one",
                     "zero", "ninety nine point nine nine", "seven point two five nine"]))
WORDS = st.one_of(NUMBERS, st.sampled_from([phrase for phrases in COMMANDS.values() for phrase in phrases]), st.text(max_size=12))
KEYS = st.sampled_from([*"0123456789*#ABCD", "A-held", "B-held", "C-held", "D-held", "", "Z"])


@st.composite
def happenings(draw) -> list[tuple[str, object, float]]:
    """What happens, and how long after the last thing; cooperative answers are likelier, so that tests get far."""
    cooperative = st.just(("cooperate", None))
    anything = st.one_of(
        st.tuples(st.just("say"), WORDS), st.tuples(st.just("key"), KEYS),
        st.tuples(st.just("gauge"), st.decimals(0, 50, places=2)), st.tuples(st.just("wire"), st.decimals(0, 50, places=2)),
        st.tuples(st.just("reads"), st.decimals(0, 60, places=3)), st.tuples(st.just("unclear"), st.booleans()),
        st.tuples(st.just("timer"), st.none()), st.tuples(st.just("spoken"), st.integers(-1, 500)),
        st.tuples(st.just("restart"), st.booleans()), st.tuples(st.just("lost"), st.booleans()),
        st.tuples(st.just("hearing"), st.sampled_from(["good", "noisy", "silent", "clipping", "of a later version"])),
        st.tuples(st.just("clock"), st.floats(-1e9, 1e9)), st.tuples(st.just("stale timer"), st.text(max_size=8)))
    chosen = draw(st.lists(st.one_of(cooperative, cooperative, anything), max_size=120))
    return [(kind, value, draw(st.floats(0, 20))) for kind, value in chosen]


def event_for(kind: str, value: object, state: State, now: float) -> Event:
    match kind:
        case "say":
            return Heard(now, str(value))
        case "key":
            return KeyPressed(now, str(value))
        case "gauge":
            return GaugeSteady(now, value)
        case "wire":
            return GaugeSteady(now, value, Decimal("0.01"), now - 2)
        case "reads":
            return GaugeReads(now, value)
        case "unclear":
            return Unclear(now, "", apart=bool(value))
        case "spoken":
            return Spoken(now, int(value))
        case "restart":
            return Restarted(now if value else 1.0, "boot")
        case "lost":
            return DeviceLost(now, "microphone", "It is gone.") if value else DeviceBack(now, "microphone")
        case "hearing":
            return HearingChanged(now, str(value))
        case "clock":
            return ClockJumped(now, value) if value > 0 else Suspended(now, -value)
        case "stale timer":
            return TimerDue(now, str(value))
    return cooperate(state, now)


def cooperate(state: State, now: float) -> Event:
    if state.spoken < state.utterance:
        return Spoken(now, state.utterance)
    if state.timers:
        name, due = min(state.timers, key=lambda one: one[1])
        return TimerDue(max(now, due), name)
    if state.phase is Phase.ENTRY:
        kind, _, place = state.ask.id.partition(".")
        target = {"1": "14.5", "2": "30", "3": "45"}.get(place[-1], "45.2")
        return GaugeSteady(now, Decimal("45.20") if kind == "leak" else Decimal(target) if kind == "charge" else
                           {"1": Decimal("7.25"), "2": Decimal("18.63"), "3": Decimal("31.81")}[place[-1]])
    return Heard(now, "next" if state.phase in (Phase.TELL, Phase.READY) else "yes")


def play(what: list[tuple[str, object, float]]) -> list[tuple[State, Event, State, tuple[Effect, ...]]]:
    state, now, turns = FIRST, 0.0, []
    for kind, value, later in what:
        now = max(now, state.now) + later
        event = event_for(kind if kind != "timer" else "cooperate", value, state, now)
        after, effects = step(state, event)
        turns.append((state, event, after, effects))
        state, now = after, after.now
    return turns


@settings(max_examples=150, deadline=None)
@given(happenings())
def test_the_state_stays_legal(what: list[tuple[str, object, float]]) -> None:
    for _, _, state, effects in play(what):
        assert state.prompt in PROMPTS or state.phase is Phase.OVER
        kind = {Phase.TELL: Tell, Phase.ENTRY: Ask, Phase.CONFIRM: Ask, Phase.OVERRIDE: Ask, Phase.HOLD: Hold,
                Phase.READY: Tap, Phase.TAPPING: Tap, Phase.CHOOSE: Choose}.get(state.phase)
        assert kind is None or isinstance(state.step, kind)
        assert (state.phase is Phase.CONFIRM) <= (state.proposed is not None)
        assert state.spoken <= state.utterance
        assert (state.hold is None) == ("hold" not in dict(state.timers))
        assert (state.phase is Phase.OVER) == bool(state.outcome)
        assert all(effect.id in PROMPTS for effect in effects if isinstance(effect, Listen))
        assert all(effect.text for effect in effects if isinstance(effect, Speak))


@settings(max_examples=150, deadline=None)
@given(happenings())
def test_nothing_unconfirmed_is_ever_taken(what: list[tuple[str, object, float]]) -> None:
    """A reading is taken only by a yes to its own read-back, with the value that was read back."""
    for before, event, after, effects in play(what):
        taken = [effect.fields for effect in effects if isinstance(effect, Record) and effect.kind == "taken"]
        assert len(after.readings) == len(before.readings) + len(taken)
        for one in taken:
            assert before.phase is Phase.CONFIRM and before.proposed is not None
            assert isinstance(event, Heard) and event.text.split() == ["yes"] or isinstance(event,
                                                                                            KeyPressed) and event.key == "#"
            assert one["id"] == before.ask.id
            if before.ask.entries == "two":
                first, second = before.first, before.proposed
                assert first is not None and (first.source, second.source) != ("gauge", "gauge")
                by_wire = [entry for entry in (first, second) if entry.source == "gauge"]
                spread = 3 * by_wire[0].spread if by_wire else 0
                assert abs(first.value - second.value) <= min(Decimal("0.02"), spread)
                assert one["value"] == (by_wire or [second])[0].value
                assert second.source != "voice" or first.source == "gauge" or (first.form, second.form) == ("whole", "digits")
            else:
                assert one["value"] == before.proposed.value
        kept = {one.value for one in before.readings}
        assert kept <= {one.value for one in after.readings}


@settings(max_examples=100, deadline=None)
@given(happenings())
def test_folding_the_written_events_gives_the_same_state(what: list[tuple[str, object, float]]) -> None:
    turns = play(what)
    written = [from_plain(to_plain(event)) for event in [START, *(turn[1] for turn in turns)]]
    assert fold(written) == (turns[-1][2] if turns else FIRST)


@settings(max_examples=60, deadline=None)
@given(happenings())
def test_a_hold_ends_only_at_its_time(what: list[tuple[str, object, float]]) -> None:
    for before, event, after, effects in play(what):
        for effect in effects:
            if isinstance(effect, Record) and effect.kind == "hold" and effect.fields["event"] == "end":
                assert before.hold is not None and after.now >= before.hold.ends - 1e-6
