"""Practice: the whole test on the simulated meter, and what each of its keys does at each step."""
from __future__ import annotations

from assistant.core.methods.registry import METHODS, reading
from assistant.core.state import Phase, State
from assistant.core.steps import EQUILIBRIUM, Ask, Step
from assistant.station.view import KEYS
from hardware.meter import Crew, Meter

METER_KEYS = "up/down pump, bleed   + - trim   right/left lever   space blow   v petcocks   w water   u lid   |  "
PRACTICE_KEYS = METER_KEYS + KEYS

_KEYED = "Key what the gauge shows, then enter."
_HINTS = {
    "leak-charge": f"Up arrow pumps, down arrow bleeds, plus and minus trim. {_KEYED}",
    "bleed": "Down arrow bleeds.",
    "by-hand": "Nothing to do on the simulated meter: enter for next.",
    "leak-ask": "Enter for yes: practising it takes five minutes. Key n for no.",
    "scope": "In practice it is: enter for yes.",
    "close": "Key u closes the lid.",
    "flood": "Key w is one filling of water. Leave the petcocks open.",
    "flood-last": "Key w is one filling, key v closes the petcocks.",
    "clamps": "Key v closes the petcocks if they are open.",
    "pump": "Left arrow releases the lever, up and down charge, plus and minus trim.",
    "charge": f"{_KEYED} Plus and minus trim.",
    "tap": "Enter first. When it says press: the right arrow, then the space bar on each beat.",
    "tapping": "Right arrow presses and holds the lever. The space bar is a blow: one on each beat.",
    "rest": "Hands still, lever held.",
    "release": "Left arrow releases the lever.",
    "let-down": "Left arrow releases the lever, key v opens the petcocks.",
    "bleed-to": "Down arrow bleeds, plus and minus trim.",
    "empty": "Watch METER below: petcocks OPEN.",
    "unclamp": "Key u takes the lid off.",
}
"""By the role of a step."""


def hint(state: State) -> str:
    """What the simulated meter's keys do at this step; empty while a yes or no is asked."""
    if state.joined is not None:
        return _HINTS.get(state.joined.role, "")
    if state.procedure is None or state.phase in (Phase.CONFIRM, Phase.SCRAP, Phase.CHANGE, Phase.REST, Phase.OVER, Phase.OVERRIDE):
        return ""
    if state.corrected:
        return ""  # the gauge has gone on: what it showed then is not there to be keyed
    step = state.step
    example = reading(step.id).example if isinstance(step, Ask) else ""
    if example:
        return f"Nothing of this is simulated: make one up, such as {example}."
    if state.phase is Phase.TAPPING:
        return _HINTS["tapping"] if on_meter(state.procedure.test) else ""
    hints = [_HINTS.get(each.role, "") for each in state.breath()]
    return " ".join(dict.fromkeys(hints)) or (_KEYED if isinstance(step, Ask) and step.unit == "psi" else "")


def on_meter(test: str) -> bool:
    """Whether this test has a meter: beside another its gauge would be a number that belongs to nothing."""
    return test not in METHODS or METHODS[test].on_meter


def by_wire(state: State) -> str:
    """The same where the simulated meter gives its readings over a wire."""
    return hint(state).replace(_KEYED, "").strip()


def made_ready(meter: Meter, state: State) -> Meter:
    """The meter as it stands at this point of a test: open for a new one; after a restart, worked as far as the
    readings that are taken, since the simulated one lived in the process that died."""
    if state.procedure is None:
        meter.unclamp()
        return meter
    crew = Crew(meter)
    done = state.procedure.steps[:state.corrected[0] if state.corrected else state.index]
    at = state.procedure.steps[len(done)]
    if not any(step.role == "close" for step in done):
        meter.unclamp()
        if at.role in ("leak-full", "leak-hold"):
            crew.charge(45.2)
        return meter
    for step in done:
        if step.role == EQUILIBRIUM:
            crew.do_step(_target(state, step))
        elif step.role == "let-down":
            meter.petcocks(True)
            meter.advance(15.0)
        elif step.role in ("flood", "flood-last"):
            meter.flood()
            meter.petcocks(step.role == "flood")
    if at.role == EQUILIBRIUM:
        crew.do_step(_target(state, at))
        meter.lever(True)
    elif at.role in ("settle", "charge", "tap", "rest"):
        crew.charge(_target(state, at))
    return meter


def _target(state: State, step: Step) -> float:
    return float(state.settings.target(step.of_run))
