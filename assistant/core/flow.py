"""From step to step: entering each kind, holds, judgement, the end."""
from __future__ import annotations

from dataclasses import replace

from assistant.core import due, hold_curve, phrases, round_clock, scrapped
from assistant.core.assessment import CORRECTED, FAIL, INVALID, NONE, REPEATED, Result, counting
from assistant.core.effects import Cadence, DropCues, Finish
from assistant.core.judgement import Judgement, Marks
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.procedure import END, STOP
from assistant.core.state import RESULT, Phase, Running, State
from assistant.core.steps import NUMBER, PLACED, VOLUME, Ask, Choose, Hold, Judge, Tap, Tell
from assistant.core.turn import Turn, go_words

CLEAN = {"typed": "", "wheel": "", "first": None, "proposed": None, "misses": 0, "outs": 0, "offered": None, "override": False,
         "unwanted": None, "disputed": None, "guided": None}


def enter(turn: Turn, index: int, ready: bool = False) -> None:
    """Begin the step at ``index`` from its beginning. ready: its question was answered with the one before."""
    turn.set(index=index, listening=False, **CLEAN)
    if turn.state.step.later and round_clock.told(turn.state):
        advance(turn)
        return
    if turn.state.step.stops:
        _stop_clock(turn)
    if turn.state.step.timed:
        round_clock.reached(turn)
    begin(turn, ready)


def begin(turn: Turn, ready: bool = False) -> None:
    """Begin the current step."""
    step = turn.state.step
    if isinstance(step, Tell | Tap):
        turn.set(holding=False)
    match step:
        case Tell():
            turn.set(phase=Phase.TELL)
        case Ask():
            turn.set(phase=Phase.ENTRY)
        case Tap() if ready:
            press(turn)
            return
        case Tap():
            turn.set(phase=Phase.READY)
        case Choose():
            turn.set(phase=Phase.CHOOSE)
        case Hold():
            _begin_hold(turn, step)
            return
        case Judge():
            _judge(turn, turn.state.index)
            return
    if isinstance(step, Ask) and step.cued and turn.state.terse and not turn.state.corrected:
        turn.open(turn.state.utterance + 1)  # the sound that ended the hold asks
        turn.listen_if_silent()
    else:
        turn.say_prompt()


def advance(turn: Turn, target: str = "", ready: bool = False) -> None:
    """Go on: to ``target``, else where the step says, else to the next step of the file."""
    state = turn.state
    assert state.procedure is not None
    if state.step.starts:
        _start_clock(turn, float(state.step.starts))
    target = target or state.step.goto
    if target == END or (not target and state.index + 1 >= len(state.procedure.steps)):
        finish(turn, "done")
    elif target == STOP:
        finish(turn, "stopped")
    else:
        enter(turn, state.procedure.index(target) if target else state.index + 1, ready)


CLOCK_WARNINGS_S = (60, 30, 0)
"""The background clock speaks so many seconds before its end, and at it. Ours."""


def _start_clock(turn: Turn, seconds: float) -> None:
    turn.set(clock="running")
    for left in CLOCK_WARNINGS_S:
        if left < seconds:
            turn.timer(f"clock:{left}", turn.state.now + seconds - left)


def _stop_clock(turn: Turn) -> None:
    due = dict(turn.state.timers).get("clock:0")
    if due is not None and due < turn.state.now - 1e-6:  # its end was not handled yet
        clock_over(turn)
    elif turn.state.clock == "running":
        turn.set(clock="stopped")
    turn.clear_timers("clock:")


def clock_over(turn: Turn) -> None:
    turn.set(clock="over")
    turn.note(turn.state.step.id, sentence("note.clock_over"))


def whole_verdict(state: State) -> tuple[str, str]:
    """The verdict on the test, and why. A test that did not come to its end has none that counts, but for a failure that was said."""
    whole = [judged for _, judged in sorted(state.judged, key=lambda one: one[0]) if judged.verdict and not judged.partial]
    if state.phase is Phase.OVER and state.outcome != "done":
        why = ": ".join(filter(None, (sentence(f"note.was_{state.outcome}"), state.why)))
        failed = state.rules and whole and whole[-1].verdict == FAIL
        return (FAIL, f"{whole[-1].why}; {why}") if failed else (INVALID, why)
    if state.corrected:
        return NONE, sentence("log.entered_again")
    return (whole[-1].verdict, whole[-1].why) if whole else (NONE, sentence("log.no_result"))


def whole_results(state: State) -> list[tuple[Judgement, Result]]:
    """Every result of the test as it counts now, with what it was judged by; a part that was judged on the way stands by itself."""
    void = bool(state.corrected) or whole_verdict(state)[0] == INVALID
    return [(judged, one) for _, judged in sorted(state.judged, key=lambda each: each[0])
            for one in counting(judged.results, INVALID if void and not judged.partial else judged.verdict)]


END_WORDS = "end"
"""What the last words of a test are said about."""


def finish(turn: Turn, outcome: str) -> None:
    words = sentence(f"test.{outcome}")
    procedure = turn.state.procedure
    if outcome != "done" and procedure is not None and procedure.pressurised:
        words = f"{words} {phrases.PRESSURE_CAUTION} {phrases.MAKE_SAFE}"
    turn.set(phase=Phase.OVER, outcome=outcome, hold=None, timers=(), listening=False, corrected=(), **CLEAN)
    if procedure is not None and procedure.test == round_clock.BETWEEN:  # it only asked what comes next
        turn.emit(Finish(outcome))
        return
    if outcome != "done":
        turn.emit(DropCues())
        verdict, why = whole_verdict(turn.state)
        turn.record("verdict", verdict=verdict, why=why)
    turn.say(words, END_WORDS, caution=outcome != "done")
    if outcome == "scrapped" and turn.state.rules >= scrapped.ASKS_WHY and procedure is not None and not procedure.keys:
        scrapped.ask(turn)  # not of one that is only read out


# --- holds -----------------------------------------------------------------------------------------------------------

def _begin_hold(turn: Turn, step: Hold) -> None:
    now = turn.state.now
    if step.length == 0:
        advance(turn)
        return
    turn.set(phase=Phase.HOLD, hold=Running(step.id, now, now + step.length), ended_away="")
    turn.timer("hold", now + step.length)
    for left in {*step.marks, *range(1, step.count + 1)}:
        if left < step.length:
            turn.timer(f"mark:{left}", now + step.length - left)
    hold_curve.begin(turn, step)
    turn.record("hold", id=step.id, event="start", seconds=step.length)
    turn.say_prompt()


MISSED_S = 10.0
"""A hold or a count whose end is noticed later than this was slept through or stalled: it does not count. Ours."""


def end_hold(turn: Turn, late: float) -> None:
    step = turn.state.running_hold()
    if step is None:
        return
    turn.clear_timers("mark:")
    if step.broken and late > MISSED_S:
        broken_hold(turn, step)  # nobody was there to read it at its end
        return
    turn.set(hold=None)
    turn.record("hold", id=step.id, event="end")
    hold_curve.end(turn, step)
    if step.end_cue:
        turn.cue(step.end_cue)
    if late > 1.0:
        turn.note(step.id, sentence("note.hold_late", seconds=f"{late:.1f}"))
    if turn.state.phase is Phase.HOLD:
        turn.hush()
        advance(turn)
    else:
        turn.set(ended_away=step.id)


def resume_hold(turn: Turn) -> None:
    """Back at a hold after something else was asked: its clock ran on, or has ended, or was broken meanwhile."""
    state, step = turn.state, turn.state.step
    turn.set(phase=Phase.HOLD)
    if state.hold is not None and state.hold.id == step.id:
        turn.say(sentence("test.clock_ran_on", duration=phrases.duration(state.hold.ends - state.now)), step.id)
    elif state.ended_away == step.id:
        turn.set(ended_away="")
        advance(turn)
    else:
        begin(turn)


def broken_hold(turn: Turn, step: Hold) -> None:
    """The hold was interrupted: it can't count, whatever the clock says now."""
    assert turn.state.procedure is not None
    turn.clear_timers("")
    turn.set(hold=None)
    turn.record("hold", id=step.id, event="broken")
    if step.broken:
        turn.note(step.id, sentence("note.interrupted"))
        turn.say(sentence("test.interrupted"), step.id, caution=True)
    target = turn.state.procedure.index(step.broken or step.id)
    if turn.state.corrected:  # a reading is being asked again: that first, then what the break leads back to
        turn.set(corrected=(target, *turn.state.corrected[1:]))
        turn.say_prompt()
    else:
        enter(turn, target)


def resume(turn: Turn, words: str = "") -> None:
    """Back to what was done before something else was asked (``Turn.aside``)."""
    turn.set(phase=turn.state.before_scrap, listening=False)
    turn.say(words)
    if turn.state.phase is Phase.HOLD:
        resume_hold(turn)
    elif turn.state.phase is Phase.TAPPING and turn.state.ended_away == turn.state.step.id:
        advance(turn)
    elif turn.state.phase is not Phase.TAPPING:
        turn.say_prompt()
    elif "tap" not in dict(turn.state.timers):  # the beats have not begun, and a voice that reports nothing never would
        turn.timer("words", turn.state.now + WORDS_AT_MOST_S)


WORDS_AT_MOST_S = 8.0
"""The tapping begins at the latest so long after "next", should the voice never report that it is done."""


def press(turn: Turn) -> None:
    """The lever goes down, and once that is said the beats come."""
    turn.hush()
    turn.set(phase=Phase.TAPPING, listening=False, ended_away="", holding=True)
    turn.timer("words", turn.state.now + WORDS_AT_MOST_S)
    turn.say(go_words(turn.state), turn.state.step.id)


def begin_cadence(turn: Turn) -> None:
    """Once "press and hold" is said: the beats go to the audio stream in one piece, and one timer ends them."""
    tap = turn.state.step
    assert isinstance(tap, Tap)
    turn.emit(Cadence(tap.cues()))
    turn.timer("tap", turn.state.now + tap.length)


def after_tapping(turn: Turn, late: float) -> None:
    """Blows that nobody counted, since the station slept, are done again; a cone can't be lifted twice: there it is noted."""
    step, procedure = turn.state.step, turn.state.procedure
    assert procedure is not None
    if late > MISSED_S:
        turn.note(step.id, sentence("note.count_missed", seconds=f"{late:.0f}"))
    if turn.state.phase is not Phase.TAPPING:
        turn.set(ended_away=step.id)
    elif late > MISSED_S and procedure.pressurised:
        turn.say(sentence("test.count_missed"), step.id)
        begin(turn)
    else:
        advance(turn)


# --- judgement -------------------------------------------------------------------------------------------------------

def _judge(turn: Turn, index: int) -> None:
    outcome = give_judgement(turn, index)
    step = turn.state.step
    assert isinstance(step, Judge)
    advance(turn, step.on.get(outcome, ""))


def give_judgement(turn: Turn, index: int) -> str:
    """Judge, record and say it. Returns the outcome."""
    state = turn.state
    assert state.procedure is not None
    step = state.procedure.steps[index]
    assert isinstance(step, Judge)
    found = replace(judgement_of(turn, step), readings=len(state.readings))
    turn.set(judged=(*((at, old) for at, old in state.judged if at != index), (index, found)))
    for one in found.results:
        turn.record("result", name=one.name, value=one.value, unit=one.unit, rounded=one.rounded, standing=one.standing,
                    **({"remark": one.remark} if one.remark else {}))
    for warning in found.warnings:
        turn.record("note", id=step.id, text=warning)
    if found.verdict and not (found.partial and found.verdict == "pass"):
        turn.record("verdict", id=step.id, verdict=found.verdict, why=found.why)
    turn.say(found.words, step.id)
    turn.say(hold_curve.explanation(state, step, found.outcome), step.id)
    if step.role == PLACED and (words := _due(state)):
        turn.note(step.id, words)
        turn.say(words, step.id)
    return found.outcome


def _due(state: State) -> str:
    """Which sample is due with the load that was told of, by what the record had before it."""
    assert state.procedure is not None
    taken = state.taken()
    asked = {one.role: one for one in state.procedure.steps if isinstance(one, Ask) and one.id in taken}
    volume, number = asked.get(VOLUME), asked.get(NUMBER)
    if volume is None:
        return ""
    return due.told(state.placed, taken[volume.id], volume.unit, taken, taken[number.id] if number else None)


def judgement_of(turn: Turn, step: Judge) -> Judgement:
    state = turn.state
    assert state.procedure is not None
    here = state.procedure.index(step.id)
    changes = [(old, new) for old, new in state.changes() if state.procedure.index(old.id) < here]
    invalid = [one.text.rstrip(".") for one in state.notes if one.invalid]
    if state.clock == "over" and state.rules >= 2:  # the station's own clock decides, not what is answered afterwards
        limit = next(float(one.starts) for one in state.procedure.steps if one.starts)
        invalid.append(sentence("verdict.took_longer", limit=phrases.duration(limit)))
    if len(changes) > 1:
        invalid.append(sentence("verdict.changed_twice", count=len(changes)))
    told = [sentence("verdict.changed", reading=phrases.spoken_id(old.id), old=f"{old.value:f}", new=f"{new.value:f}", unit=new.unit,
                     why=old.withdrawn) for old, new in changes]
    denied = [ident for ident, _ in state.denied]
    often = sorted({ident for ident in denied if denied.count(ident) > 1 and state.procedure.index(ident) < here})
    told += [sentence("verdict.denied", reading=phrases.spoken_id(ident), count=denied.count(ident)) for ident in often]
    marks = Marks(tuple(invalid), tuple(sentence("verdict.repeat", id=one.id, text=one.text) for one in state.notes if one.repeat),
                  CORRECTED if any(old.known == RESULT for old, _ in changes) else REPEATED if told else "", "; ".join(told),
                  state.rules, state.clock)
    return registry.judge(step.rule, state.taken(), state.settings, marks)
