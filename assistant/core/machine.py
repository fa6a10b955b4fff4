"""The step machine: ``step(state, event) -> (state, effects)``. Pure; a restart is a replay of the same events.

    Tell ──next──► Ask ──entry──► confirm ──yes──► taken ──► Hold ──due──► Tap ──next, beats──► … ──► Judge ──► …

Every event goes to one handler below. Commands and keys are in ``answers.py``, the reading dialogue in ``reading.py``.
"""
from __future__ import annotations

from dataclasses import replace

from assistant.core import (
    answers,
    batch_clock,
    caution,
    crew,
    deviations,
    gauge,
    hold_curve,
    phrases,
    reading,
    round_clock,
    scrapped,
)
from assistant.core.effects import Effect, Finish
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
)
from assistant.core.flow import after_tapping, begin, begin_cadence, broken_hold, clock_over, end_hold, enter
from assistant.core.language import CURRENT, sentence
from assistant.core.methods import registry
from assistant.core.procedure import build
from assistant.core.settings import Settings
from assistant.core.spoken import UNITS
from assistant.core.state import Answered, Phase, State
from assistant.core.steps import EQUILIBRIUM, Hold
from assistant.core.turn import Turn


def step(state: State, event: Event) -> tuple[State, tuple[Effect, ...]]:
    """The state after ``event``, and what the station shall do about it.

    Raises ValueError only for a TestStarted whose procedure or settings are wrong (nothing has begun then).
    """
    # A reboot starts the boot clock anew; within one boot time never runs backwards.
    now = event.at if isinstance(event, Restarted) else max(state.now, event.at)
    turn = Turn(state.but(now=now))
    match event:
        case TestStarted():
            if state.phase is Phase.IDLE:
                _start(turn, event)
        case _ if state.phase is Phase.IDLE:
            pass
        case Spoken():
            spoken = max(turn.state.spoken, min(event.number, turn.state.utterance))
            turn.set(spoken=spoken, cautions=tuple(one for one in turn.state.cautions if one > spoken),
                     asked=turn.state.asked.spoken(spoken, now))
            _spoken(turn)
        case KeyPressed() | Heard() | Unclear() | TimerDue() if turn.state.asks_why:
            scrapped.happened(turn, event)
        case _ if state.phase is Phase.OVER:
            pass
        case Restarted():
            round_clock.restarted(turn, event)
            batch_clock.restarted(turn, event)
            _restarted(turn, same_boot=bool(event.boot) and event.boot == state.boot)
            turn.set(boot=event.boot)
        case Heard() | Unclear() if event.prompt not in ("", turn.state.prompt) and answers.answers_a_prompt(event.text):
            turn.cue("refused")
            turn.note(event.prompt, sentence("note.heard_late", heard=event.text or getattr(event, "why", "")))
        case Heard():
            turn.record("heard", text=event.text, source="voice")
            answers.heard(turn, event.text, event.at)
        case Unclear():
            turn.record("refused", id=turn.state.prompt, value=None, why=event.why)
            answers.unclear(turn, event.apart)
        case KeyPressed():
            answers.key(turn, event.key, event.at)
        case GaugeSteady():
            reading.gauge_steady(turn, event)
        case GaugeReads():
            hold_curve.keep(turn, event.value, _may_chat(turn))
            gauge.guide(turn, event.value)
        case TimerDue():
            _due(turn, event.name)
        case DeviceLost():
            known, steady = event.device in turn.state.lost, None if event.device == GAUGE else turn.state.steady
            turn.set(lost=tuple(sorted({*turn.state.lost, event.device})), steady=steady)
            turn.note(event.device, f"{sentence('note.lost', device=_named(event.device))} {event.words}".strip())
            if not known:
                turn.cue("refused")
                turn.say(event.words or sentence("test.gone", device=_named(event.device)), "device", urgent=True)
        case DeviceBack():
            known = event.device in turn.state.lost  # one that was late at the start was never gone
            turn.set(lost=tuple(one for one in turn.state.lost if one != event.device))
            turn.note(event.device, sentence("note.back", device=_named(event.device)))
            if known and _may_chat(turn):
                turn.say(sentence("test.back", device=_named(event.device)), "device")
        case HearingChanged():
            _hearing(turn, event.hearing)
        case ClockJumped():
            turn.note("clock", sentence("note.clock_moved", seconds=f"{event.seconds:.0f}"))
        case Suspended():
            turn.note("clock", sentence("note.slept", seconds=f"{event.seconds:.0f}"))
            if turn.state.phase is not Phase.OVER:
                turn.say(sentence("test.slept", duration=phrases.duration(event.seconds)), "clock", urgent=True)
                if event.seconds > caution.BREAK_S:
                    caution.after_break(turn)
                if turn.state.rules and turn.state.phase not in (Phase.HOLD, Phase.TAPPING):
                    turn.say_prompt()  # nobody heard it in his sleep
    if turn.state.phase is Phase.ENTRY and (state.phase is not Phase.ENTRY or turn.state.prompt != state.prompt):
        turn.set(opened=now)
    crew.look(turn, state)
    turn.listen_if_silent()
    return turn.state, tuple(turn.effects)


def _start(turn: Turn, event: TestStarted) -> None:
    if event.language != CURRENT.name:  # its words would not be understood again
        raise ValueError(sentence("test.other_language", then=event.language, now=CURRENT.name))
    settings = Settings.of_record(event.settings)
    procedure = build(registry.with_roles(event.procedure), settings)
    at = procedure.index(str(event.clock["from"])) if event.clock.get("from") else 0
    turn.set(procedure=procedure, settings=settings, header=event.header, index=at, rules=event.rules,
             boot=str(event.clock.get("boot", "")),
             wording=str(event.header.get("speech", "normal")), wpm=int(event.header.get("wpm", 0)))
    practice = sentence("test.practice") if event.header.get("practice") else ""
    turn.say(f"{practice} {sentence('test.title', title=procedure.title)}".strip(), "start")
    if turn.state.buttons and turn.state.wording == "coaching":
        turn.say(sentence("buttons.help"), "start")
    if remark := event.header.get("remark"):  # such as: no job file, so the chamber ratio is a placeholder
        turn.note("start", str(remark))
        turn.say(str(remark), "start", urgent=True)
    for words in registry.METHODS[procedure.test].lacks(settings) if procedure.test in registry.METHODS else ():
        turn.say(f"{phrases.capital(words)}.", "start", urgent=True)  # its verdict says so again
    if "deviations" in event.header and (told := deviations.recorded(event.header, settings, procedure.test)):
        turn.say(sentence("deviation.start", which=" ".join(told)), "start", urgent=True)
    batch_clock.begin(turn, event)
    if "to_begin" in event.clock:
        round_clock.begin(turn, event.clock)
    if event.clock.get("cautioned"):
        caution.leave_out(turn)
    elif at:
        caution.after_break(turn)
    enter(turn, at)


def _spoken(turn: Turn) -> None:
    state = turn.state
    if state.spoken >= state.utterance:
        _begin_tapping(turn)
    if state.asks_why:
        scrapped.spoken(turn)
    elif state.phase is Phase.OVER and state.spoken >= state.utterance:
        turn.emit(Finish(state.outcome))


GAUGE = "gauge"
"""The gauge on the wire, as a device."""

QUIET_END_S = 10.0
"""The last seconds of a hold belong to its marks and count: news said then would make them late. Ours."""


def _may_chat(turn: Turn) -> bool:
    """Not over the mallet's beats, nor over the end of a hold."""
    left = turn.state.time_left()
    return turn.state.phase is not Phase.TAPPING and (left is None or left > QUIET_END_S)


def _hearing(turn: Turn, hearing: str) -> None:
    """Said after whatever is being said, if now is the time for it; always noted."""
    words = phrases.HEARING.get(hearing, "")
    turn.note("hearing", words or hearing)
    if _may_chat(turn):
        turn.say(words, "hearing", urgent=hearing != "good")


def _begin_tapping(turn: Turn) -> None:
    """The words are over, or the voice never says so."""
    state = turn.state
    if state.phase is Phase.TAPPING and "tap" not in dict(state.timers) and state.ended_away != state.step.id:
        turn.clear_timers("words")
        begin_cadence(turn)


def _due(turn: Turn, name: str) -> None:
    state = turn.state
    due = dict(state.timers).get(name)
    if due is None or due > state.now + 1e-6:
        return  # a stale timer: what it was for is over, or it came too early and stays set
    turn.set(timers=tuple(one for one in state.timers if one[0] != name))
    if name == "words":
        _begin_tapping(turn)
    elif name == "tap":
        after_tapping(turn, late=state.now - due)
    elif name.startswith("mark:"):
        if state.now - due <= STALE_MARK_S:
            _mark(turn, int(name.partition(":")[2]))
    elif name.startswith("clock:"):
        _clock(turn, int(name.partition(":")[2]))
    elif name.startswith("round:"):
        round_clock.due(turn, name, _may_chat(turn))
    elif name.startswith("batch:"):
        batch_clock.due(turn, name, _may_chat(turn))
    elif name.startswith("crew:"):
        crew.due(turn, int(name.partition(":")[2]))
    elif name == "hold":
        end_hold(turn, late=state.now - due)


STALE_MARK_S = 1.0
"""A mark noticed later than this would tell a wrong time left. Ours."""


def _mark(turn: Turn, left: int) -> None:
    hold = turn.state.running_hold()
    if hold is None:
        return
    counting = left <= hold.count
    turn.record("hold", id=hold.id, event="mark", left=left)
    turn.cue("count" if counting else "mark")
    busy = turn.state.phase is not Phase.HOLD and turn.state.spoken < turn.state.utterance
    if not busy:  # a correction that is being talked about is not talked over
        turn.say(UNITS[left] if counting else phrases.left(left), hold.id)


def _clock(turn: Turn, left: int) -> None:
    """The background clock of a test: told, and noted when it is over; never over the beats of a cadence."""
    if left == 0:
        clock_over(turn)
    if _may_chat(turn) and turn.state.spoken >= turn.state.utterance:
        turn.cue("mark")
        over = "test.clock_over_counts" if turn.state.rules >= 2 else "test.clock_over"
        turn.say(phrases.left(left) if left else sentence(over), "clock", urgent=True)


def _named(device: str) -> str:
    """A device in the station's language; one that it does not know keeps its own name."""
    return CURRENT.sentences.get(f"device.{device}", device)


def _in_a_run(state: State) -> bool:
    """In a stage that reads an equilibrium, the bowl is meant to keep its pressure."""
    assert state.procedure is not None
    return any(one.stage == state.step.stage and one.role == EQUILIBRIUM for one in state.procedure.steps)


RUNS_ON = 6
"""From these rules of the dialogue on, the background clock of a test outlives a restart within one boot."""


def _restarted(turn: Turn, same_boot: bool) -> None:
    state = turn.state
    # Utterances of the process that died will never be reported: they are over.
    # After a reboot the boot clock has begun anew: a time kept from before it would lie ahead, for hours.
    turn.set(spoken=state.utterance, cautions=(), listening=False, typed="", wheel="", paused=False, quiet=False, last_key="",
             steady=None, guided=None, lost=(), answered=Answered(), holding=False, opened=min(state.opened, state.now),
             proposed=state.proposed and replace(state.proposed, at=min(state.proposed.at, state.now)))
    crew.restarted(turn)
    if state.before_scrap is Phase.TAPPING:  # scrap or change was being asked
        turn.set(before_scrap=Phase.READY)
    turn.clear_timers("words")
    clock = {name: at for name, at in state.timers if name.startswith("clock:")}
    if clock:
        turn.clear_timers("clock:")
        if same_boot and state.rules >= RUNS_ON and clock["clock:0"] > state.now:  # nobody could stop one that ended meanwhile
            turn.set(timers=(*turn.state.timers, *((name, at) for name, at in clock.items() if at > state.now)))
        else:
            turn.set(clock="lost")
            turn.note("clock", sentence("note.clock_lost"))
    turn.clear_timers("tap")  # the beats died with the process, and at a reboot their time means nothing
    where = sentence("test.restarted_at", stage=state.step.stage) if state.step.stage else sentence("test.restarted")
    kept = sentence("test.let_down_meanwhile") if _in_a_run(state) else ""
    turn.note("restart", sentence("note.restarted", prompt=state.prompt))
    pressure = phrases.PRESSURE_CAUTION if state.procedure is not None and state.procedure.pressurised else ""
    turn.say(" ".join(filter(None, [where, pressure, kept])), "restart", caution=True)
    caution.after_break(turn)
    hold = turn.state.running_hold()
    if hold is not None:
        broken_hold(turn, hold)
    elif state.phase is Phase.TAPPING:
        begin(turn)
    elif state.phase is Phase.HOLD and isinstance(state.step, Hold):
        begin(turn)
    else:
        turn.say_prompt()
