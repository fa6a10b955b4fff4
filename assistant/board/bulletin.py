"""What the crew's board may know of a moment: one pure function of the state.

Nothing that the station's own screen hides is in it, and nothing that nobody has confirmed: it has readings that are taken,
questions without the number that is read back, no typed digit, and no gauge but the change of pressure while a leak hold runs.
tests/property/test_board_tells_nothing.py walks every state and holds each of these against it.
"""
from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from assistant.core import phrases, round_clock, spoken
from assistant.core.asked import waits
from assistant.core.flow import whole_verdict
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.phrases import capital
from assistant.core.procedure import END, STOP
from assistant.core.state import FACE, Note, Phase, Reading, State
from assistant.core.steps import Ask, Choose, Hold, Judge, Tap
from assistant.core.turn import prompt_words
from assistant.record import page
from assistant.station import view

SCHEMA = 1
MOST_POINTS = 240
"""Of a curve: as many as a phone is wide. Ours."""
ASKED = frozenset({Phase.TELL, Phase.ENTRY, Phase.OVERRIDE, Phase.HOLD, Phase.READY, Phase.TAPPING, Phase.CHOOSE, Phase.SCRAP, Phase.CHANGE,
                   Phase.REST})
"""Where the words of the question stand in the procedure or name a reading, and tell no value of it."""
CHECKED = frozenset({Phase.CONFIRM, Phase.OVERRIDE})
"""Here a value waits for its yes: what is like it stays hidden, though the screen, whose technician has read it by now, does not."""


def of(state: State, last: State | None = None, practice: bool = False) -> dict[str, Any]:
    """The bulletin, with due times on the boot clock (``stamped`` makes seconds left of them).

    last: the test before, where the state only asks what comes next in a round
    practice: nothing that this process does counts; a test's own header says so too
    """
    procedure, header = state.procedure, state.header or {}
    asks = procedure is not None and procedure.test == round_clock.BETWEEN
    do, caution = _question(state)
    told = last if asks and last is not None else state
    return {
        "schema": SCHEMA,
        "station": str(header.get("station") or (last and last.header or {}).get("station") or ""),
        "practice": practice or bool(header.get("practice")),
        "state": "round" if asks else "between" if procedure is None or state.phase is Phase.OVER else "testing",
        "title": "" if procedure is None else sentence("board.round") if asks else f"{procedure.title}, {state.step.stage}",
        "do": " ".join(filter(None, [f"{procedure.title}." if asks and procedure else "", do])),
        "next": _next(state), "caution": caution, "kind": _kind(state),
        "step": 0 if procedure is None or asks else state.index + 1, "steps": 0 if procedure is None or asks else len(procedure.steps),
        "stages": _stages(state), "clock": _clock(state), "round": _round(state), "curve": _curve(state),
        "readings": [_reading(one, state) for one in state.readings if _may_be_seen(one, state)],
        "verdict": _verdict(told),
    }


def off(state: State) -> dict[str, Any]:
    """What is another once the station has ended: a test that was left may have pressure in it."""
    left = state.procedure is not None and state.procedure.pressurised and state.outcome != "done"
    return {"state": "off", "kind": "over", "do": sentence("board.off"), "next": "", "clock": None, "curve": None,
            "caution": phrases.PRESSURE_CAUTION if left else ""}


def stamped(bulletin: Mapping[str, Any], at: float) -> dict[str, Any]:
    """The same with the seconds that are left at boot time ``at``; what is late in a round has less than none."""
    def left(one: Mapping[str, Any], least: float = float("-inf")) -> dict[str, Any]:
        left_s = None if one["ends"] is None else round(max(least, one["ends"] - at), 2)
        return {**{key: value for key, value in one.items() if key != "ends"}, "left_s": left_s}
    clock = bulletin["clock"]
    clocks = [left(one) for one in bulletin["round"]]
    return {**bulletin, "at": round(at, 3), "clock": clock and left(clock, 0.0),
            "round": [{**one, "late": one["left_s"] is not None and one["left_s"] < 0} for one in clocks]}


def how(reading: Reading, notes: Sequence[Note]) -> str:
    """In which way a reading was earned, and what stands beside it in the record. ``notes``: of its test."""
    ways = [sentence(f"board.by_{'face' if one.form == FACE else one.source}") for one in reading.entries]
    if reading.entries[-1].form == "digits" and len(ways) > 1:
        ways[-1] = sentence("board.by_digits")
    earned = sentence("board.twice", first=ways[0], second=ways[-1]) if len(ways) > 1 else sentence("board.once", way=ways[0])
    texts = {note.text for note in notes if note.id == reading.id and note.at >= reading.at}
    outside = sentence("note.outside_band", value=f"{reading.value:f}", unit=reading.unit)
    marks = [sentence("board.doubtful")] if any(one.doubt for one in reading.entries) else []
    marks += [sentence("board.outside_band")] if outside in texts else []
    marks += [words for words in map(sentence, REMARKS) if words in texts]
    return "; ".join([earned, *marks])


REMARKS = ("note.kept", "note.lever_unknown", "note.entered_late", "note.entered_late_known")
"""Those about a reading that tell no number."""


def _question(state: State) -> tuple[str, str]:
    """What is to be done now and its caution, without any value that waits to be confirmed."""
    if state.procedure is None:
        return "", ""
    if state.phase is Phase.OVER:
        words = sentence(f"test.{state.outcome}")
        return (f"{words} {phrases.MAKE_SAFE}", phrases.PRESSURE_CAUTION) if view.unsafe(state) else (words, "")
    hold = state.running_hold()
    if state.away is not None and state.phase is Phase.HOLD and hold is not None:
        words, caution = hold.crew, hold.caution
    elif state.phase in ASKED:
        words, caution = prompt_words(state)
    elif waits(state):  # with its caution, but without the doubt that it waits for
        words, caution = sentence("crew.waits"), prompt_words(state)[1]
    else:
        words, caution = sentence("board.checked", reading=_named(state.step.id)), ""
    if state.phase is Phase.HOLD and not words:
        words = sentence("screen.let_it_settle")
    return spoken.in_figures(" ".join(filter(None, [sentence("answer.paused") if state.paused else "", words]))), caution


def _next(state: State) -> str:
    """What a technician who cooperates comes to after this, in a few words; empty where that hangs on what is answered."""
    if state.procedure is None or state.phase is Phase.OVER or state.corrected or state.procedure.test == round_clock.BETWEEN:
        return ""
    step, steps, target = state.step, state.procedure.steps, state.step.goto
    if isinstance(step, Choose):
        target = (step.no if step.yes.skips else step.yes).goto or target
    if target in (END, STOP):
        return ""
    place = state.procedure.index(target) if target else state.index + 1
    while place < len(steps) and isinstance(then := steps[place], Hold) and not then.length:
        place += 1
    if place >= len(steps):
        return ""
    match then := steps[place]:
        case Judge():  # one that can say "invalid" gives a result, another only picks a way
            return sentence("board.next_result") if "invalid" in then.on else ""
        case Ask():
            return sentence("board.next_reading", reading=_named(then.id))
        case Hold():
            return sentence("board.next_hold", duration=phrases.duration(then.length))
        case Tap():
            return sentence("board.next_tap") if state.procedure.pressurised else f"{capital(then.stage)}."
    first = re.match(r".*?[.!?](?=\s|\Z)", then.say, re.DOTALL)
    return first[0] if first else then.say


def _named(ident: str) -> str:
    return capital(phrases.spoken_id(ident))


def _kind(state: State) -> str:
    known = view.lamp(state)
    return "over" if known == "off" else known


def _stages(state: State) -> list[dict[str, Any]]:
    if state.procedure is None or state.procedure.test == round_clock.BETWEEN:
        return []
    last = {step.stage: place for place, step in enumerate(state.procedure.steps)}
    over = state.phase is Phase.OVER and state.outcome == "done"
    return [{"name": capital(stage), "done": over or state.index > place, "now": not over and stage == state.step.stage}
            for stage, place in last.items() if stage]


def _clock(state: State) -> dict[str, Any] | None:
    """The clock that matters now: beats, a hold, else the one that runs in the background of the test."""
    timers, hold = dict(state.timers), state.hold
    if "tap" in timers and isinstance(state.step, Tap) and state.procedure is not None:
        name = sentence("board.tapping") if state.procedure.pressurised else capital(state.step.stage)
        return {"name": name, "ends": timers["tap"], "of_s": state.step.length}
    if hold is not None:
        of_s = hold.ends - hold.started
        return {"name": sentence("board.holding" if of_s > view.LONG_S else "board.settling"), "ends": hold.ends, "of_s": of_s}
    if "clock:0" in timers:
        return {"name": sentence("board.time_for_this"), "ends": timers["clock:0"], "of_s": None}
    return None


def _round(state: State) -> list[dict[str, Any]]:
    """Each test of the round and when it must have begun, or be completed."""
    planned = list(filter(None, str((state.header or {}).get("round_tests") or "").split(", "))) or list(state.to_begin)
    found = []
    for test in planned:
        limit, sampled = round_clock.limit_s(test, state.settings), state.sampled_at
        waits = sampled is None or test in state.to_begin
        now = state.procedure is not None and test == state.procedure.test and state.phase is not Phase.OVER
        found.append({"name": capital(round_clock.named([test])), "done": not (waits or now), "now": now,
                      "ends": sampled + limit if waits and sampled is not None and limit is not None else None})
    return found


def _curve(state: State) -> dict[str, Any] | None:
    """The leak hold while it grows, as what it lost: what the gauge shows at its end is to be read from the gauge."""
    hold = state.running_hold()
    if state.phase is not Phase.HOLD or hold is None or registry.watcher(hold.role) is None or not state.curve:
        return None
    first = state.curve[0][1]
    every = -(-len(state.curve) // MOST_POINTS)
    points = [state.curve[at] for at in sorted({*range(0, len(state.curve), every), len(state.curve) - 1})]
    return {"name": sentence("board.curve"), "unit": "psi",
            "points": [[round(at, 1), float((psi - first).quantize(Decimal("0.001")))] for at, psi in points]}


def _may_be_seen(one: Reading, state: State) -> bool:
    same = state.phase in CHECKED and phrases.same_kind(one.id, state.step.id)
    return not (one.withdrawn or same or view.is_hidden(state, one))


def _reading(one: Reading, state: State) -> dict[str, Any]:
    return {"id": one.id, "name": _named(one.id), "value": registry.figures(one.id, one.value), "unit": one.unit,
            "how": how(one, state.notes)}


def _verdict(state: State) -> dict[str, Any] | None:
    """Once the test is judged, in the words of the screen; of a test that was given up, that it was."""
    known = view.judged(state)
    if state.outcome not in ("", "done"):
        known = *whole_verdict(state), ()
    if known is None or state.procedure is None:
        return None
    word, why, results = known
    return {"of": state.procedure.title, "word": page.verdict(word), "why": capital(why.rstrip(".")) + ".",
            "results": [{"name": name, "value": value, "unit": ""} for name, value in results]}
