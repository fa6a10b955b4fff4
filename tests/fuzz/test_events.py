"""Whatever happens in whatever state, the machine answers with a state and effects: it never raises, takes no reading that was
not confirmed, says plain sentences only, and a replay of the same events gives the same state.

Hostile events (any text, any key, any device, any finite number, clocks that run backwards) come between those of a technician
who goes on with his test, so that they meet every phase. How many: ``FUZZ_EVENTS`` a test, a hundred times as many with --all.
"""
from __future__ import annotations

import json
import random
import tracemalloc
from dataclasses import fields
from decimal import Decimal
from typing import Any, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.core.answers import TYPED_AT_MOST
from assistant.core.effects import Effect, Finish, Record, Speak
from assistant.core.events import KINDS, Event, Heard, KeyPressed, Restarted, Spoken, TestStarted, from_plain, to_plain
from assistant.core.hold_curve import KEEP_AT_MOST
from assistant.core.machine import step
from assistant.core.state import Phase, State
from assistant.procedures import load, names
from tests.property.test_never_stuck import JOB, TRUE, Walk

FUZZ_EVENTS = 300
TEXTS = ["", " ", "\x00", "\n", "yes", "no", "next", "take it back", "scrap the test", "pause", "carry on",
         "seven point two five",
         "nine " * 400, "point", "point point", "minus one", "one hundred thousand million", "½", "٣", "７.２５", "a\u202eb",
         "\ud800",
         "{digits}", "%s", "{0.__class__}", "zero", "leak.charge", "charge.1.1.confirm", "microphone", "gauge", "hold", "clock:0",
         "#", "#-held", "C", "A", "A-held", "C-held", "quit", "good", "noisy", "silent", "clipping", "boot-1"]
NUMBERS = [0, -1, 1, 2 ** 31, 2 ** 63, -(2 ** 63)]
FLOATS = [0.0, -0.0, -1.0, 1e-300, 1e300, 0.1, 5.0, 86400.0, -1e9]
# No gauge shows more than its settings' highest_psi (hardware/gauges/supervisor.py), no key sequence more than 8 characters.
DECIMALS = [Decimal(text) for text in ("0", "-0", "0.00", "7.25", "-7.25", "14.50", "45.25", "99999999", "1E-30",
                                       "0.000000000000000000001", "-9999.99")]


def hostile(chance: random.Random, near: float) -> Event:
    """An event of any kind but the first, with anything that its fields may hold."""
    kind = KINDS[chance.choice([name for name in KINDS if name != "TestStarted"])]
    hints = get_type_hints(kind)
    return kind(**{one.name: _value(chance, str(hints[one.name]), one.name, near) for one in fields(kind)})


def _value(chance: random.Random, hint: str, name: str, near: float) -> Any:
    if name == "at":
        return near + chance.choice((0.0, 0.3, 2.0, 400.0, *FLOATS))
    if "None" in hint and chance.random() < 0.3:
        return None
    if "Decimal" in hint:
        return chance.choice((*DECIMALS, Decimal(chance.randrange(0, 6000)) / 100))
    if "float" in hint:
        return near - chance.choice((0.0, 1.0, 3.0)) if chance.random() < 0.5 else chance.choice(FLOATS)
    if "int" in hint:
        return chance.choice(NUMBERS) if chance.random() < 0.5 else chance.randrange(0, 400)
    if "bool" in hint:
        return chance.random() < 0.5
    if "str" in hint:
        # The station's own sentences; and words were heard, or there is no Heard (assistant/station/ears.py).
        return {"words": "It is gone: use the keypad."}.get(name) or chance.choice(TEXTS[1:] if name == "text" else TEXTS)
    raise AssertionError(f"no values for {hint}: a new kind of field needs some here")


def is_plain(effect: Effect) -> None:
    match effect:
        case Speak():
            assert effect.text.strip() and "Traceback" not in effect.text and len(effect.text) < 5000
        case Record():
            assert all(isinstance(name, str) for name in effect.fields)


def is_sound(state: State) -> None:
    assert state.procedure is not None and 0 <= state.index < len(state.procedure.steps)
    assert 0 <= state.spoken <= state.utterance and len(state.typed) <= TYPED_AT_MOST and len(state.curve) <= KEEP_AT_MOST
    assert len({name for name, _ in state.timers}) == len(state.timers) <= 20
    assert len({one.id for one in state.readings if not one.withdrawn}) == sum(not one.withdrawn for one in state.readings)
    assert (state.time_left() or 0.0) >= 0.0 and isinstance(state.prompt, str)


class HostileWalk(Walk):
    """A technician's walk with hostile events between; every event is kept as the journal's JSON."""

    def __init__(self, seed: int, test: str) -> None:
        super().__init__(seed, 0.0, test)
        self.kept = [json.dumps(to_plain(TestStarted(0.0, test, load(test), JOB.to_mapping(), self.header)))]
        self.hostile = 0

    def post(self, event: Event) -> None:
        self.kept.append(json.dumps(to_plain(event)))
        confirmed = self.state.phase in (Phase.CONFIRM, Phase.OVERRIDE)
        self.state, effects = step(self.state, event)
        for effect in effects:
            is_plain(effect)
            if isinstance(effect, Record) and effect.kind == "taken":
                assert confirmed, f"{event} took a reading that nobody confirmed"
        is_sound(self.state)
        self.trail.append(f"{type(event).__name__} -> {self.state.prompt}")

    def one(self) -> None:
        if self.chance.random() < 0.4:
            self.hostile += 1
            self.post(hostile(self.chance, max(self.now, self.state.now)))
            if self.state.now > 1e7:        # a mad clock; the technician lives on, in a new boot
                self.boot += 1
                self.now = 1.0
                self.post(Restarted(1.0, f"boot-{self.boot}"))
        elif self.state.phase is Phase.ENTRY and (self.state.step.id not in TRUE or self.state.corrected):
            self.post(KeyPressed(self.now, self.chance.choice("7*#B")))
        else:
            super().one()


@pytest.mark.parametrize("test", names())
def test_anything_at_any_moment_of_any_test(test: str, request: pytest.FixtureRequest) -> None:
    count = FUZZ_EVENTS * (100 if request.config.getoption("--all") else 1)
    seed = hostile_events = 0
    phases = set()
    while hostile_events < count:
        walk = HostileWalk(seed, test)
        for _ in range(2000):
            if walk.state.phase is Phase.OVER or hostile_events + walk.hostile >= count:
                break
            walk.one()
            phases.add(walk.state.phase)
        state = State()
        for line in walk.kept:
            state = step(state, from_plain(json.loads(line)))[0]
        assert state == walk.state, f"a replay of seed {seed} gives another state"
        hostile_events, seed = hostile_events + max(1, walk.hostile), seed + 1
    assert len(phases) >= 3, f"the walks saw little of the test: {phases}"


def test_before_a_test_and_after_it_nothing_happens() -> None:
    chance, over = random.Random(3), HostileWalk(3, "leak")
    over.post(Heard(1.0, "scrap the test"))
    over.post(Spoken(10.0, over.state.utterance))
    over.post(Heard(20.0, "yes"))
    assert over.state.phase is Phase.OVER and over.state.asks_why
    over.post(Spoken(21.0, over.state.utterance))
    over.post(Heard(40.0, "next"))
    for state in (State(), over.state):
        for _ in range(200):
            event = hostile(chance, state.now)
            after, effects = step(state, event)
            assert not [one for one in effects if not isinstance(one, Finish)], event
            assert all(getattr(after, name) == getattr(state, name) for name in ("readings", "notes", "phase", "judged")), event


def test_a_device_that_reports_without_end_fills_no_memory() -> None:
    """What a state holds after fifteen hundred reports of the kinds that devices make by themselves."""
    state = step(State(), TestStarted(0.0, "sequential", load("sequential"), JOB.to_mapping(), {}))[0]
    chance, kinds = random.Random(1), [KINDS[name] for name in ("GaugeReads", "GaugeSteady", "Spoken", "TimerDue", "KeyPressed")]
    tracemalloc.start()
    for n in range(1_500):
        kind = kinds[n % len(kinds)]
        hints = get_type_hints(kind)
        state = step(state,
                     kind(**{one.name: n * 0.5 if one.name == "at" else _value(chance, str(hints[one.name]), one.name, n * 0.5)
                                    for one in fields(kind)}))[0]
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert held < 200_000, f"{held} bytes"


plain = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10) | st.sampled_from(TEXTS[:-1])
json_values = st.recursive(plain,
                           lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
                           max_leaves=5)


@given(st.sampled_from([*KINDS, "Nothing"]) | st.integers(), st.dictionaries(
    st.sampled_from(sorted({one.name for kind in KINDS.values() for one in fields(kind)}) + ["other"]), json_values, max_size=5))
def test_any_row_is_an_event_or_one_sentence(kind: Any, more: dict[str, Any]) -> None:
    try:
        assert isinstance(from_plain({"kind": kind, **more}), Event)
    except (ValueError, TypeError, KeyError, ArithmeticError) as refusal:    # the journal makes one sentence of each
        assert str(refusal)

