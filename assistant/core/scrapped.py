"""Why a test was scrapped: asked when that is done and its caution is out, so nothing hangs on the answer. Saying nothing is one."""
from __future__ import annotations

from math import inf

from assistant.core import asked, phrases
from assistant.core.commands import command
from assistant.core.effects import Finish
from assistant.core.events import Heard, KeyPressed, TimerDue, Unclear
from assistant.core.language import sentence
from assistant.core.spoken import NotANumber, parse
from assistant.core.turn import Turn

ASKS_WHY = 4
"""From these rules of the dialogue on."""
HEARD_FIRST = 6
"""From these on a reason too counts only when the question could be heard: a digit that comes sooner was keyed for something else."""
SILENT_S = 12.0
"""Nothing that is said or keyed for so long after the question: he says nothing. Ours."""


def ask(turn: Turn) -> None:
    turn.set(asks_why=True)
    turn.timer("why", turn.state.now + asked.GIVEN_UP_S)  # should the voice never report that it is done
    turn.say_prompt()


def spoken(turn: Turn) -> None:
    """Something has been said; if it was the last, the time to answer begins."""
    if turn.state.spoken >= turn.state.utterance:
        turn.timer("why", turn.state.now + SILENT_S)


def happened(turn: Turn, event: KeyPressed | Heard | Unclear | TimerDue) -> None:
    """While it is asked."""
    match event:
        case TimerDue():
            if dict(turn.state.timers).get("why", inf) <= turn.state.now + 1e-6:
                end(turn)
        case KeyPressed():
            _answered(turn, event.key, {"#": "next", asked.HELD: "next", "C": "no", "A": "say_again"}.get(event.key, event.key), event.at)
        case Heard() if event.prompt in ("", turn.state.prompt):
            meant = command(event.text) or _digit(event.text)
            _answered(turn, meant, meant, event.at)
        case _:
            turn.set(listening=False)  # what was not understood, or was meant for the question before


def _answered(turn: Turn, answer: str, meant: str, at: float) -> None:
    turn.set(listening=False)
    reason = phrases.REASONS.get(meant, "")
    in_time = at >= asked.soonest(turn.state, answer) or bool(reason) and turn.state.rules < HEARD_FIRST
    if (reason or meant in ("next", "no", "yes")) and in_time:
        end(turn, reason)
    elif meant == "say_again":
        turn.hush()
        turn.say_prompt()
    else:
        turn.cue("refused")
        if reason or meant in ("next", "no", "yes"):
            turn.set(too_soon=at)


def _digit(text: str) -> str:
    try:
        return f"{parse(text, whole=True).value.normalize():f}"
    except NotANumber:
        return ""


def end(turn: Turn, why: str = "") -> None:
    """``why``: nothing was said where it is empty."""
    turn.set(asks_why=False, why=why, timers=(), listening=False)
    turn.hush()
    if why:
        turn.record("note", id="scrap.why", text=why)
        turn.say(sentence("scrap.noted", why=why), "scrap.why")
    if turn.state.spoken >= turn.state.utterance:
        turn.emit(Finish(turn.state.outcome))
