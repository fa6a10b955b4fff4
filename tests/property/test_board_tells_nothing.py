"""What the crew's board is told can bias no reading: every state of whole tests is walked, and everything that is published.

Two proofs, apart from each other.
Blind: in each state everything secret is made another (what is typed, read back, offered, refused, hidden; the gauge), and the
published bulletin must be the same to the letter. Each field of a state is named as secret or open, so a new one can't be forgotten.
Seen: nothing that came in by key, voice or wire stands in any published file, in figures or in words, before it is taken and may be
seen. What came in is known from the events, not from the program.

Each guard is taken away once, and the walk must notice.
"""
from __future__ import annotations

import json
import random
import re
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from assistant.board import bulletin, place
from assistant.board.publish import Publisher
from assistant.core.effects import Effect, Record
from assistant.core.events import Event, GaugeReads, GaugeSteady
from assistant.core.language import sentence
from assistant.core.spoken import digits
from assistant.core.state import Entry, Guided, Phase, Reading, State, Steady
from assistant.core.steps import Hold
from assistant.procedures import names
from assistant.record.session import Station
from assistant.station import view
from tests.property import attack
from tests.property.technician import CALM, MANNERS, Technician
from tests.property.world import World
from tests.scenario.test_crew import away
from tests.scenario.test_three_buttons_only import Buttons

SEEDS = 24
"""Random technicians, beside a calm one in every test."""
OTHER = Decimal("13.57")
"""No test asks for it, and no word of a test has it."""

SECRET = {"typed", "first", "proposed", "offered", "denied", "unwanted", "disputed", "steady", "guided", "answered", "curve", "readings",
          "notes", "judged", "misses", "outs", "compared", "batched", "placed", "wheel", "away"}
OPEN = {"procedure", "settings", "header", "rules", "now", "index", "phase", "before_scrap", "holding", "outcome", "override", "corrected",
        "asked", "too_soon", "unsaid", "paused_at", "opened", "hopeless", "lost", "timed_at", "sampled_at", "to_begin", "aged",
        "timing", "boot", "midnight", "clock", "hold", "ended_away", "timers", "utterance", "cautions", "spoken", "listening", "paused", "quiet", "wording", "wpm",
        "last_key", "last_key_at", "asks_why", "why", "rest"}
"""Neither a value that came in nor anything made of one; `override` and `rules` are choices."""
ASKED = (Phase.ENTRY, Phase.CONFIRM, Phase.OVERRIDE, Phase.HOLD, Phase.SCRAP, Phase.REST)
"""While a reading is asked for, waits for its yes, or settles before it."""


class Told(AssertionError):
    """The board was told what it must not know."""


def test_every_field_is_named() -> None:
    assert {one.name for one in fields(State)} == SECRET | OPEN and not SECRET & OPEN


# --- blind ------------------------------------------------------------------------------------------------------------------

def seen(one: Reading, state: State) -> bool:
    """Whether a reading may be seen: by the issue's words, apart from the program's."""
    same = one.id.partition(".")[0] == state.step.id.partition(".")[0]
    return not one.withdrawn and not (state.phase in ASKED and same)


def other(entry: Entry | None) -> Entry | None:
    return entry and replace(entry, value=OTHER, text="13.57", doubt=entry.doubt and "13.57 is far", spread=OTHER, at=entry.at + 1)


def others(state: State) -> State:
    """The same state to whoever may not know."""
    readings, kept = [], set()
    for one in state.readings:
        entries = tuple(replace(each, value=OTHER, text="13.57", spread=OTHER) for each in one.entries)
        known = seen(one, state) or one.known  # of one that was changed after its result was told, that was told too
        readings.append(replace(one, entries=entries) if known else replace(one, value=OTHER, entries=entries))
        if seen(one, state):
            kept.add(sentence("note.outside_band", value=f"{one.value:f}", unit=one.unit))
    notes = tuple(one if one.text in kept or not re.search(r"\d", one.text) else replace(one, text="13.57 was denied") for one in state.notes)
    hold = state.running_hold()
    grows = state.phase is Phase.HOLD and isinstance(hold, Hold) and hold.role == "leak-hold"
    curve = tuple((at, psi + OTHER) for at, psi in state.curve) if grows else ((0.0, OTHER), (1.0, OTHER))
    asked = state.phase in (Phase.ENTRY, Phase.CONFIRM, Phase.OVERRIDE, Phase.HOLD, Phase.TAPPING)
    results = tuple((place, replace(judged, why="13.57", results=tuple(replace(one, value=OTHER, rounded=OTHER) for one in judged.results)))
                    for place, judged in state.judged) if asked else state.judged
    return replace(
        state, typed="13*57" if state.phase is Phase.ENTRY else state.typed, first=other(state.first), proposed=other(state.proposed),
        offered=other(state.offered), denied=(("slump", OTHER),), unwanted=OTHER, disputed=OTHER, steady=Steady(OTHER, OTHER, 0.0, 0.0),
        guided=Guided(OTHER, "over", 0.0), answered=replace(state.answered, answer="13.57"), curve=curve, readings=tuple(readings),
        notes=notes, judged=results, wheel="7" if state.wheel else "", away=state.away and replace(state.away, judged=results), misses=state.misses + 1, outs=state.outs + 1, compared=state.compared + 1, batched=13.57)


def blind(state: State, last: State | None = None) -> None:
    if state.procedure is None:
        return
    true, false = (json.dumps(bulletin.of(one, last), sort_keys=True) for one in (state, others(state)))
    if true != false:
        at = next(place for place, (a, b) in enumerate(zip(true, false)) if a != b)
        raise Told(f"at {state.prompt}, {state.phase}: …{true[max(0, at - 60):at + 40]}…")


# --- seen -------------------------------------------------------------------------------------------------------------------

NUMBER = re.compile(r"\d+(?:\.\d+)?")


def texts(value: Any) -> Iterator[str]:
    """Every text and, of the curve, every number of what was published. The verdict is made of what is taken."""
    if isinstance(value, dict):
        for key, each in value.items():
            if key != "verdict":
                yield from texts(each)
    elif isinstance(value, list):
        for each in value:
            yield from texts(each)
    elif isinstance(value, str) or isinstance(value, float):
        yield str(value)


class Watcher:
    """Reads each file after each event, and knows what came in."""

    def __init__(self, folder: Path) -> None:
        self.now, self.folder = 0.0, folder
        self.publisher = Publisher(folder, now=lambda: self.now)
        self.came: dict[str, str] = {}
        """In figures -> in words: what somebody entered, the gauge showed, or the station read back."""
        self.looked = 0

    def happened(self, event: Event, effects: tuple[Effect, ...], state: State) -> None:
        for effect in effects:
            if isinstance(effect, Record) and effect.kind in ("heard", "proposed", "refused") and effect.fields.get("value") is not None:
                self._came(effect.fields["value"])
        if isinstance(event, GaugeSteady | GaugeReads):
            self._came(event.value)
        self.now = max(self.now, state.now)
        self.publisher.show(state)
        self.publisher.turn()
        self.look(state)

    def _came(self, value: Decimal) -> None:
        if value.is_finite() and len(f"{value:f}") > 2:
            self.came[f"{value:f}"] = digits(value)

    def look(self, state: State) -> None:
        if state.procedure is None:
            return
        may = {f"{one.value:f}" for one in state.readings if seen(one, state)} | words_of(state)
        found = json.loads((self.folder / place.NOW).read_text(encoding="utf-8"))
        told = " ".join(texts({key: value for key, value in found.items() if key not in ("at", "clock", "round", "run", "day", "seq")}))
        numbers = set(NUMBER.findall(told)) - may
        for value, spoken in self.came.items():
            self.looked += value not in may
            if value in numbers or spoken in told or state.typed and len(state.typed) > 2 and state.typed.replace("*", ".") in numbers:
                raise Told(f"at {state.prompt}, {state.phase}: {value} in {told}")


def words_of(state: State) -> set[str]:
    """Numbers that the procedure's own words have."""
    assert state.procedure is not None
    test = state.procedure.test
    if test not in WORDS:
        WORDS[test] = set(NUMBER.findall(" ".join(
            f"{step.say} {step.terse} {step.coaching} {step.caution} {getattr(step, 'go', '')} {getattr(step, 'crew', '')} {step.stage}" for step in state.procedure.steps)))
    return WORDS[test]


WORDS: dict[str, set[str]] = {}


# --- the walks --------------------------------------------------------------------------------------------------------------

class Watched(World):
    """A world that is looked at after each event."""

    def __init__(self, beginning: World, watcher: Watcher | None) -> None:
        self.__dict__.update(beginning.clone().__dict__)
        self.watcher = watcher

    def handle(self, event: Event) -> tuple[Effect, ...]:
        effects = super().handle(event)
        blind(self.state)
        if self.watcher is not None:
            self.watcher.happened(event, effects, self.state)
        return effects


def somebody(test: str, seed: int, folder: Path | None) -> Watched:
    """A whole test. Seed 0 is calm and keys all, 1 says all, 2 lets the wire speak too; the others slip."""
    world = Watched(World(test, random.Random(seed).choice(attack.SPEECHES)), Watcher(folder) if folder else None)
    assert world.oracle is not None
    world.oracle.only = frozenset({"none"})
    manner = replace(CALM, voice=(0.0, 1.0, 0.5)[seed]) if seed < 3 else MANNERS[seed % len(MANNERS)]
    hand = Technician(world, seed, manner, 24)
    while not world.over and len(world.events) < attack.MOST_EVENTS:
        if seed == 2 or seed % 4 == 3:
            wired(world, hand)
        if not world.over:
            hand.one()
    return world


def wired(world: World, hand: Technician) -> None:
    """The gauge on the wire: it shows what is true, as a curve in a hold, and stands still where a reading is asked."""
    state = world.state
    if state.hold is not None and world.due() is not None:
        world.until(min(world.now + 1.0, world.due() or world.now))
        if not world.over and world.state.hold is not None:
            world.happens(0.0, GaugeReads(0.0, hand.face.get("leak.initial", Decimal("45.21")) - Decimal(len(world.state.curve)) / 10_000))
    elif state.phase is Phase.ENTRY and state.step.id in hand.face and hand.chose(0.4):
        world.happens(0.0, GaugeSteady(0.0, hand.face[state.step.id], Decimal("0.01"), max(0.0, world.now - 0.2)))


def walk(seeds: range, folder: Path | None) -> int:
    """Every test with the first three, one test with each of the others. How often something secret was looked for."""
    looked, tests = 0, names()
    for seed in seeds:
        for test in tests if seed < 3 else (tests[seed % len(tests)], "sequential"):
            world = somebody(test, seed, folder)
            looked += world.watcher.looked if world.watcher else 0
    return looked


def test_no_state_tells_what_nobody_may_know(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    assert walk(range(SEEDS * (25 if request.config.getoption("--all") else 1)), tmp_path) > 20_000, "hardly anything was looked for"


def test_the_walk_gets_about() -> None:
    """A curve that grows, second entries, doubts, readings taken back, a scrapped test: else it would show nothing."""
    seen_too: set[str] = set()

    def note(state: State, last: State | None = None) -> None:
        seen_too.add(str(state.phase))
        seen_too.update(name for name, there in (
            ("curve", bulletin.of(state)["curve"]), ("second", state.first), ("doubt", state.proposed and state.proposed.doubt),
            ("back", state.corrected), ("wire", state.proposed and state.proposed.source == "gauge"), ("typed", state.typed),
            ("hidden", any(view.is_hidden(state, one) for one in state.readings)), (f"outcome {state.outcome}", True)) if there)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(globals(), "blind", note)
        walk(range(30), None)
    assert seen_too >= {"curve", "second", "doubt", "back", "wire", "typed", "hidden", "outcome done", "outcome scrapped",
                        *(str(phase) for phase in Phase if phase not in (Phase.IDLE, Phase.REST))}, seen_too


@pytest.mark.parametrize("test", ["leak", "slump"])
def test_nor_with_three_buttons(test: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The wheel is typed digits too; at one question in three the rest that the buttons can do is asked."""
    met = looked_at(monkeypatch)

    class Asking(Buttons):
        def key(self, keys: str) -> Buttons:
            if len(self.presses) and self.state.phase in (Phase.ENTRY, Phase.TELL) and sum(self.presses.values()) % 3 == 0:
                super().key("A-held")
                for _ in range(5):
                    if self.state.phase is Phase.REST:
                        super().key("C")
            return super().key(keys)
    assert Asking(tmp_path, test).go(leave_out=False).state.outcome == "done"
    assert {"wheel", str(Phase.REST)} <= met, met


def test_nor_while_the_technician_is_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The crew has the board in hand, reads the gauge, and confirms what was heard."""
    met = looked_at(monkeypatch)
    t = away(tmp_path).wait(290).hear("four zero point one six").at("leak.final.confirm")
    told = bulletin.of(t.state)
    assert "40.16" not in json.dumps(told) and told["do"] == sentence("crew.waits") and "under pressure" in told["caution"]
    t.key("#-held").key("#-held").takes("leak.final", "40.16")
    assert {"away", "confirm"} <= met


def looked_at(patch: pytest.MonkeyPatch) -> set[str]:
    """From now on each state of a recorded test is; what was met there."""
    met: set[str] = set()

    def handle(self: Station, event: Event) -> tuple[Effect, ...]:
        effects = HANDLE(self, event)
        blind(self.state)
        met.update(filter(None, (str(self.state.phase), self.state.wheel and "wheel", self.state.away and "away")))
        return effects
    patch.setattr(Station, "handle", handle)
    return met


HANDLE = Station.handle


# --- its own honesty ----------------------------------------------------------------------------------------------------------

OF, HOW, CURVE = bulletin.of, bulletin.how, bulletin._curve


def with_more(more: Callable[[State], str]) -> Callable[..., dict[str, Any]]:
    def told(state: State, *rest: Any) -> dict[str, Any]:
        found = OF(state, *rest)
        return {**found, "do": f"{found['do']} {more(state)}"}
    return told


def last_value(state: State) -> str:
    return f"{state.steady.value:f} psi" if state.steady else ""


GUARDS: dict[str, tuple[Any, str, Any]] = {
    "the read-back is not told": (bulletin, "ASKED", frozenset(Phase)),
    "readings of the kind that is asked are hidden": (view, "is_hidden", lambda state, one: False),
    "they stay hidden until the yes": (bulletin, "CHECKED", frozenset()),
    "what was withdrawn is no reading": (bulletin, "_may_be_seen", lambda one, state: not view.is_hidden(state, one)),
    "a remark with a number stays in the record": (bulletin, "how", lambda one, notes: " ".join(
        [HOW(one, notes), *(note.text for note in notes if note.id == one.id)])),
    "the curve is what was lost": (bulletin, "_curve", lambda state: CURVE(state) and {
        **CURVE(state), "points": [[at, float(psi)] for at, psi in state.curve]}),
    "the curve is there only while it grows": (bulletin, "_curve", lambda state: {
        "points": [[at, float(psi - state.curve[0][1])] for at, psi in state.curve]} if state.curve else None),
    "what is typed is nobody's": (bulletin, "of", with_more(lambda state: state.typed)),
    "the gauge is not told": (bulletin, "of", with_more(last_value)),
    "the number on the screen is the screen's": (bulletin, "of", with_more(view._check)),
    "the screen's own words are not taken": (bulletin, "of", with_more(lambda state: view.of(state, 0.0).do)),
    "nor what is heard": (bulletin, "of", with_more(lambda state: state.answered.answer)),
    "no doubt is told before the yes": (bulletin, "of", with_more(lambda state: state.proposed.doubt if state.proposed else "")),
    "no first entry before the second": (bulletin, "of", with_more(lambda state: f"{state.first.value:f}" if state.first else "")),
}


@pytest.mark.parametrize("guard", GUARDS)
def test_the_walk_finds_each_guard_that_is_missing(guard: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(*GUARDS[guard])
    with pytest.raises(Told) as found:
        walk(range(SEEDS), None)
    print(f"\n{guard}: {found.value}")


SEEN_GUARDS = ("the read-back is not told", "they stay hidden until the yes", "what is typed is nobody's", "the gauge is not told",
               "the number on the screen is the screen's", "no first entry before the second", "the curve is what was lost")


@pytest.mark.parametrize("guard", SEEN_GUARDS)
def test_so_does_who_reads_the_files(guard: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """With the other proof switched off."""
    monkeypatch.setitem(globals(), "blind", lambda state: None)
    monkeypatch.setattr(*GUARDS[guard])
    with pytest.raises(Told) as found:
        walk(range(SEEDS), tmp_path)
    print(f"\n{guard}: {found.value}")
