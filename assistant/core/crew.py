"""The technician leaves a hold to whoever is there: they are told aloud what to do, and they end nothing.

    # held, in a hold with words for a crew    he goes: the words are said
    while he is away                           the plain reading at its end may be given, and yes or no said to it. The verdict is said
                                               to whoever is there, again and again. All else waits: a doubt, every other question,
                                               going on, taking back, pause, quiet, scrapping
    # held again                               he is back: what was found is said to him, then what is asked

Nobody can tell who speaks, so no word and no short press ends it. The key is held where he goes and where he comes: # on a keypad,
the pedal, the yes button.
"""
from __future__ import annotations

from dataclasses import replace

from assistant.core import asked, phrases
from assistant.core.language import sentence
from assistant.core.state import Away, Phase, State
from assistant.core.turn import Turn

AGAIN_S, SELDOM_S = 30, 480
"""What waits is said again after so long, then after twice as long, and so on; at last so seldom. Ours."""
FREE = ("say_again", "time_left", "where_are_we", "slower", "faster")
"""Commands that change nothing."""
FREE_KEYS = ("A", "D")


def may_go(state: State) -> bool:
    hold = state.running_hold()
    return state.phase is Phase.HOLD and hold is not None and bool(hold.crew) and not state.corrected


def go(turn: Turn) -> None:
    state, hold = turn.state, turn.state.running_hold()
    assert hold is not None
    turn.hush()
    turn.set(away=Away(state.now, state.judged), quiet=False, listening=False)
    turn.note(hold.id, sentence("note.away"))
    turn.say(hold.crew, hold.id, caution=True)


def back(turn: Turn, at: float) -> None:
    """Pressed so soon, it is the same press as that with which he went."""
    state = turn.state
    assert state.away is not None
    if at - state.away.at < asked.APART_S:
        turn.cue("refused")
        return
    turn.hush()
    turn.clear_timers("crew:")
    turn.set(away=None, listening=False, typed="", wheel="")
    turn.note(state.step.id, sentence("note.back_after", duration=phrases.duration(state.now - state.away.at)))
    turn.say(f"{sentence('crew.back')} {_found(state)}".rstrip())
    if state.phase is Phase.HOLD and (left := state.time_left()) is not None:
        turn.say(phrases.left(left))
    else:
        turn.say_prompt()


def hears(state: State, meant: str | None) -> bool:
    """Whether a command, or where there is none a number, counts while he is away."""
    return meant in FREE or meant in (None, "yes", "no", "next") and not asked.waits(state)


def presses(state: State, key: str) -> bool:
    """The same of a key. B erases what is typed, and nothing else."""
    return key in FREE_KEYS or not asked.waits(state) and not key.endswith("-held") and (key != "B" or bool(state.typed))


def refuse(turn: Turn) -> None:
    turn.set(listening=False)
    turn.cue("refused")
    turn.say(sentence("crew.not_you"))


def look(turn: Turn, before: State) -> None:
    """After every event: what has come to be asked is said again by and by."""
    state = turn.state
    if state.away is not None and state.prompt != before.prompt:
        turn.clear_timers("crew:")
        if state.phase is not Phase.HOLD:
            turn.timer(f"crew:{AGAIN_S}", state.now + AGAIN_S)


def due(turn: Turn, after_s: int) -> None:
    state = turn.state
    if state.away is None:
        return
    next_s = min(2 * after_s, SELDOM_S)
    turn.timer(f"crew:{next_s}", state.now + next_s)
    if state.spoken >= state.utterance:
        turn.say(_found(state) if asked.waits(state) else "")
        turn.say_prompt()


def restarted(turn: Turn) -> None:
    """The boot clock may have begun anew."""
    away = turn.state.away
    if away is not None:
        turn.set(away=replace(away, at=min(away.at, turn.state.now)))
        turn.clear_timers("crew:")
        turn.timer(f"crew:{AGAIN_S}", turn.state.now + AGAIN_S)


def _found(state: State) -> str:
    """What was judged while he was away."""
    assert state.away is not None
    return " ".join(judged.words for at, judged in state.judged if (at, judged) not in state.away.judged)
