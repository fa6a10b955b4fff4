"""Taking back: a reading that is asked again, kept, or changed for a cause, and what was judged from it judged anew."""
from __future__ import annotations

from dataclasses import replace

from assistant.core import phrases
from assistant.core.assessment import NONE
from assistant.core.flow import CLEAN, advance, enter, give_judgement, judgement_of, resume_hold, whole_verdict
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.state import KEEPS, RESULT, TOLD, Phase, Reading, State
from assistant.core.steps import Hold, Judge, Option
from assistant.core.turn import Turn


def choose(turn: Turn, option: Option) -> None:
    if option.note:
        turn.note(turn.state.step.id, option.note, option.invalid)
    if option.back and turn.state.rules:
        go_back(turn)
    else:
        advance(turn, option.goto)


def withdraw(turn: Turn, reading: Reading, why: str, known: str = "") -> None:
    """Mark a reading as no longer counting. It stays in the record. ``known``: what had been told of it (TOLD, RESULT)."""
    turn.set(readings=tuple(replace(one, withdrawn=why, known=known) if one is reading else one for one in turn.state.readings))
    turn.record("taken_back", id=reading.id, value=reading.value, why=why)


def _told(state: State, reading: Reading) -> str:
    """Whether a judgement that rests on this reading was said: RESULT, TOLD (on the way, without a verdict), or empty."""
    assert state.procedure is not None
    asked = state.procedure.index(reading.id)
    if known := next((one.known for one in state.readings if one.id == reading.id and one.known), ""):
        return known  # the same value entered again is not news, and no way to another one
    place = state.readings.index(reading)
    said = [judged for index, judged in state.judged if index > asked and judged.words and judged.readings > place]
    if not state.rules or not said and place >= state.compared:
        return ""
    return RESULT if any(judged.verdict for judged in said) else TOLD


def go_back(turn: Turn) -> None:
    """"Take it back": ask the last reading again, then return to where we are now."""
    state = turn.state
    last = state.last_taken()
    assert state.procedure is not None
    if last is None and state.procedure.keys and state.index:  # a test that is read out: the line before
        turn.hush()
        enter(turn, state.index - 1)
        return
    if last is None:
        turn.say(sentence("test.nothing_to_take_back"))
        return
    if state.phase is Phase.TAPPING:
        turn.say(sentence("test.after_this"))
        return
    if _told(state, last):  # nobody shops for a number: it is changed for a cause, and marked for ever
        turn.aside(Phase.CHANGE)
        return
    _ask_again(turn, last, sentence("note.taken_back"))


def change(turn: Turn) -> None:
    """The last reading is changed although what it gives was told: there was a cause."""
    last, verdict = turn.state.last_taken(), whole_verdict(turn.state)[0]
    assert last is not None
    known, why = _told(turn.state, last), sentence("note.misread")
    if known == RESULT and verdict != NONE:
        why = sentence("note.misread_verdict", why=why, verdict=sentence(f"log.{verdict}"))
    _ask_again(turn, last, why, known)


def _ask_again(turn: Turn, last: Reading, why: str, known: str = "") -> None:
    state = turn.state
    assert state.procedure is not None
    withdraw(turn, last, why, known)
    turn.set(corrected=(*state.corrected, state.index))
    may_stay = state.rules >= KEEPS and not known
    turn.say(sentence("test.taking_back_was" if may_stay else "test.taking_back", reading=phrases.spoken_id(last.id),
                      digits=registry.aloud(last.id, last.value)), last.id)
    enter(turn, state.procedure.index(last.id))


def keep(turn: Turn, old: Reading) -> None:
    """It was taken back by a stray key or a wrong word: it counts as it was, and the record says so."""
    turn.set(readings=tuple(replace(one, withdrawn="") if one is old else one for one in turn.state.readings))
    turn.record("kept", id=old.id, value=old.value)
    turn.note(old.id, sentence("note.kept"))
    turn.say(sentence("test.kept", reading=phrases.capital(phrases.spoken_id(old.id)), digits=registry.aloud(old.id, old.value)), old.id)
    after_taken(turn)


def after_taken(turn: Turn, ready: bool = False) -> None:
    """A reading is taken: go on, or back to what was left for a correction."""
    if not turn.state.corrected:
        advance(turn, ready=ready)
        return
    *rest, target = turn.state.corrected
    turn.set(corrected=tuple(rest))
    if not rest and _judged_otherwise(turn, target):
        return
    assert turn.state.procedure is not None
    if isinstance(turn.state.procedure.steps[target], Hold):
        turn.set(index=target, **CLEAN)
        resume_hold(turn)
    else:
        enter(turn, target)


def _judged_otherwise(turn: Turn, target: int) -> bool:
    """Judge again whatever was judged before ``target`` from readings that have changed; say what is new.

    True if the test has gone the other way, which it may only within the same stage.
    """
    assert turn.state.procedure is not None
    for index, old in sorted(turn.state.judged, key=lambda one: one[0]):
        step = turn.state.procedure.steps[index]
        assert isinstance(step, Judge)
        if index >= target or judgement_of(turn, step) == old:
            continue
        outcome = give_judgement(turn, index)
        if step.stage != turn.state.procedure.steps[target].stage:
            # Too late to go back there: the meter is closed and full by now, or already open again.
            if old.partial and outcome != "pass":
                turn.note(step.id, sentence("note.not_passed"), invalid=True)
        elif step.on.get(outcome) != step.on.get(old.outcome):
            turn.clear_timers("")
            turn.set(index=index, hold=None)
            advance(turn, step.on.get(outcome, ""))
            return True
    return False
