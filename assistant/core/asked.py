"""Could the question be heard before it was answered? One rule for every kind of step, for voice, keys, pedal and wire.

    question                                     what of it must be heard before an answer counts
    ordinary                                     a second of it, or all of it
    a reading that is read back                  most of it: its figures
    one of two entries, scrap, a change          all of it
    safety question                              all of it; an equal answer must be 4 s away from the one before and after it
    safety question with yes and no, a doubt     the same, and yes is said or # is *held*: no bounce, double tap, auto-repeat,
                                                 or key that was meant for the question before can give that

A safety question has a caution, ends a clock that decides, or could make the test invalid (``Step.grave``). While a caution is
being said nothing counts. Tests that began before there was this rule (``State.rules`` 0) go on without it: their journal must
be replayed as it was lived.
"""
from __future__ import annotations

from assistant.core.state import Phase, State
from assistant.core.steps import Choose

ENOUGH_S = 1.0
"""Whoever knows the test knows the question by then. Ours."""
MOST = 0.8
"""Of a reading that is read back: the figures come first, "Right?" last. Ours."""
NORMAL_WPM, FASTEST_WPM = 170, 300
"""Words a minute: as the station speaks, and as it speaks at its fastest, which is about as fast as people read."""
APART_S = 4.0
"""Two equal answers so close may be one double tap. Ours."""
GIVEN_UP_S = 20.0
"""A voice that has reported nothing for so long, and half a second a word, is out of order; the question has long been shown."""
HELD = "#-held"
"""The key held down: yes to a safety question."""


def grave(state: State) -> bool:
    """Whether a safety question is asked now."""
    if state.phase in (Phase.TELL, Phase.ENTRY, Phase.READY, Phase.CHOOSE):
        return state.step.grave
    return _doubtful(state)


def needs_held(state: State) -> bool:
    """Whether a short # is no yes here."""
    return _doubtful(state) or state.phase is Phase.CHOOSE and isinstance(state.step, Choose) and state.step.grave


def _doubtful(state: State) -> bool:
    return state.phase is Phase.CONFIRM and state.proposed is not None and bool(state.proposed.doubt)


def heard_at(state: State) -> float:
    """From when on (boot time, s) an answer counts; infinite while that hangs on what is still being said."""
    asked = state.asked
    given_up = asked.at + GIVEN_UP_S + asked.words / 2
    if state.cautions:
        return given_up
    began = float("inf") if asked.began is None else asked.began
    over = float("inf") if asked.over is None else max(asked.over, began + asked.words * 60 / FASTEST_WPM)
    whole = (state.phase in (Phase.SCRAP, Phase.CHANGE) or state.phase is Phase.CONFIRM and state.ask.entries == "two"
             or state.phase is Phase.ENTRY and state.first is not None)
    if whole or grave(state):
        enough = over
    elif state.phase is Phase.CONFIRM:
        enough = began + MOST * asked.words * 60 / (state.wpm or NORMAL_WPM)
    else:
        enough = began + ENOUGH_S
    return min(enough, over, given_up)


def soonest(state: State, answer: str) -> float:
    """From when on ``answer`` (a key, a command, a reading as it was given) counts: heard, and no echo of the last answer."""
    last = state.answered
    echo = answer == last.answer and (last.grave or grave(state))
    return max(heard_at(state), last.at + APART_S if echo else 0.0)
