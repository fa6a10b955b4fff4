"""Could the question be heard before it was answered? One rule for every kind of step, for voice, keys, pedal and wire.

    question                                     what of it must be heard before an answer counts
    ordinary                                     a second of it, or all of it; all of it within 4 s of an equal answer
    a reading that is read back, a second entry, all of it
    scrap, a change
    safety question                              all of it; an equal answer must be 4 s away from the one before and after it
    safety question with yes and no, a doubt     the same, and yes is said or # is *held*: no bounce, double tap, auto-repeat,
                                                 or key that was meant for the question before can give that

A safety question has a caution, ends a clock that decides, could make the test invalid, or comes before the lever is pressed
(``Step.grave``); a read-back that asks for the lever too (``State.joined``) is no less grave. What was cut off (by "time left", "quiet", a key) was heard only until then. While a caution is
being said nothing counts. Tests that began before there was this rule (``State.rules`` 0) go on without it: their journal must
be replayed as it was lived.
"""
from __future__ import annotations

from assistant.core.state import Asked, Phase, State
from assistant.core.steps import Ask, Choose

ENOUGH_S = 1.0
"""Whoever knows the test knows the question by then. Ours."""
SLOWEST_WPM, FASTEST_WPM = 80, 300
"""Words a minute: the station at its slowest and at its fastest, which is about as fast as people read."""
APART_S = 4.0
"""Two equal answers so close may be one double tap, and answer no other question that is still being said: presses doubled 1.5 s
apart skipped a filling with water, and the metric came out as 0.11 psi for 0.20. Ours."""
GIVEN_UP_S = 60.0
"""A voice that has reported nothing for so long, and for the words at its slowest, is out of order; they were long shown. The
longest results take 40 s to say."""
HELD = "#-held"
"""The key held down: yes to a safety question."""
NO_READING = ("#", HELD, "C", "next", "yes", "no")
"""Answers that are never a reading."""
ONLY_WHAT_COUNTED = 6
"""From these rules of the dialogue on, what was refused is no last answer, and a question that was put anew is a new one."""


def grave(state: State) -> bool:
    """Whether a safety question is asked now."""
    if state.phase in (Phase.TELL, Phase.ENTRY, Phase.READY, Phase.CHOOSE):
        return state.step.grave
    return _doubtful(state) or state.joined is not None


def needs_held(state: State) -> bool:
    """Whether a short # is no yes here."""
    return _doubtful(state) or state.phase is Phase.CHOOSE and isinstance(state.step, Choose) and state.step.grave


def anybodys(state: State) -> bool:
    """Whether whoever is there may answer while the technician is away (``crew.py``): what the gauge shows, where no doubt is."""
    step = state.step
    if not isinstance(step, Ask) or step.band or state.corrected:
        return False
    return state.phase is Phase.ENTRY or state.phase is Phase.CONFIRM and not needs_held(state)


def waits(state: State) -> bool:
    """What is asked now waits for the technician, who is away."""
    return state.away is not None and state.phase is not Phase.HOLD and not anybodys(state)


def _doubtful(state: State) -> bool:
    return state.phase is Phase.CONFIRM and state.proposed is not None and bool(state.proposed.doubt)


def _over(asked: Asked) -> float:
    """When the question was over: said, or where it is only shown, read."""
    if asked.over is None or asked.began is None:
        return float("inf")
    return max(asked.over, asked.began + asked.words * 60 / FASTEST_WPM)


def heard_at(state: State, answer: str = "") -> float:
    """From when on (boot time, s) an answer counts, a reading where none is named; infinite while that hangs on what is still being said."""
    asked = state.asked
    given_up = max(asked.at, asked.reported) + GIVEN_UP_S + asked.words * 60 / SLOWEST_WPM
    if state.cautions:
        return given_up
    began = float("inf") if asked.began is None else asked.began
    over = _over(asked)
    whole = state.phase in (Phase.CONFIRM, Phase.SCRAP, Phase.CHANGE) or state.phase is Phase.ENTRY and state.first is not None
    enough = over if whole or grave(state) else min(over, began + ENOUGH_S)
    if state.phase is Phase.CONFIRM:  # of one figure, too
        enough = max(over, began + ENOUGH_S)
    # A reading is its own answer: the first key cut it off. Leaving it out, or taking what the gauge shows, is none.
    typed = (state.phase is Phase.ENTRY and not whole and not grave(state)
             and (answer not in NO_READING or state.rules < ONLY_WHAT_COUNTED))
    if asked.cut and enough > asked.cut_at and not typed:
        return given_up
    return min(enough, given_up)


def soonest(state: State, answer: str) -> float:
    """From when on ``answer`` (a key, a command, a reading as it was given) counts: heard, and no echo of the last answer."""
    last = state.answered
    if answer != last.answer:
        return heard_at(state, answer)
    if last.grave or grave(state):
        return max(heard_at(state, answer), last.at + APART_S)
    return max(heard_at(state, answer), min(_over(state.asked), last.at + APART_S))
