"""What is told to whoever asks where the test stands, and how much time is left."""
from __future__ import annotations

from assistant.core import batch_clock, phrases, round_clock
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.procedure import END, STOP
from assistant.core.state import Phase, State
from assistant.core.steps import Choose, Hold


def time_left(state: State) -> str:
    if state.phase is Phase.TAPPING:
        return sentence("answer.keep_tapping")
    left = state.time_left()
    told = [phrases.left(left) if left is not None else "", round_clock.told(state), batch_clock.told(state)]
    return " ".join(filter(None, told)) or sentence("answer.no_clock")


def where(state: State) -> str:
    """The stage, what was taken last, what comes then."""
    last, taken = state.last_taken(), ""
    # While the same kind of reading is asked, the last one would be the value to beat.
    if last is not None and not phrases.same_kind(last.id, state.step.id):
        taken = sentence("answer.last_taken", reading=phrases.spoken_id(last.id), digits=registry.aloud(last.id, last.value))
    return " ".join(filter(None, [sentence("answer.where", stage=phrases.capital(state.step.stage)), taken, _then(state)]))


def _then(state: State) -> str:
    """What comes after this if all is well, in its shortest words; empty where a judgement decides it, or nothing more comes."""
    step, procedure = state.breath()[-1], state.procedure
    assert procedure is not None
    target = (step.yes.goto if isinstance(step, Choose) else "") or step.goto or \
        next((after.id for after in procedure.steps[procedure.index(step.id) + 1:]), END)
    left = () if target in (END, STOP) or state.corrected else procedure.steps[procedure.index(target):]
    then = next((after for after in left if after.say or not isinstance(after, Hold)), None)  # settling needs no words
    words = "" if then is None else then.terse or then.say
    return sentence("answer.then", words=words) if words else ""
