"""Practice: the whole test on the simulated meter, and what each of its keys does at each step."""
from __future__ import annotations

from assistant.core.state import Phase, State
from assistant.core.steps import Ask, Tell
from assistant.view import KEYS
from hardware.meter import Crew, Meter

METER_KEYS = "up/down pump, bleed   + - trim   right/left lever   space blow   v petcocks   w water   u lid   |  "
PRACTICE_KEYS = METER_KEYS + KEYS

_HINTS = (
    ("leak.charge", "Up arrow pumps, down arrow bleeds, plus and minus trim. Key what the gauge shows, then enter."),
    ("leak.down", "Down arrow bleeds."),
    ("fill.", "Nothing to do on the simulated meter: enter for next."),
    ("close", "Key u closes the lid."),
    ("flood.1.3", "Key w is one filling, key v closes the petcocks."),
    ("flood.2.3", "Key w is one filling, key v closes the petcocks."),
    ("flood.", "Key w is one filling of water."),
    ("clamps", "Key v closes the petcocks if they are open."),
    ("pump.", "Left arrow releases the lever, up and down charge, plus and minus trim."),
    ("charge.", "Key what the gauge shows, then enter. Plus and minus trim."),
    ("tap.", "Right arrow presses and holds the lever, the space bar is a blow."),
    ("rest.", "Hands still, lever held."),
    ("equilibrium.", "Key what the gauge shows, then enter."),
    ("letdown.", "Left arrow releases the lever, key v opens the petcocks."),
    ("bleed.", "Down arrow bleeds, plus and minus trim."),
    ("finish.letdown", "Left arrow releases the lever, key v opens the petcocks."),
    ("finish.bleed", "Down arrow bleeds."),
    ("finish.empty", "Watch METER below: petcocks open."),
    ("finish.unclamp", "Key u takes the lid off."),
    *((made_up, f"Nothing of this is simulated: make one up, such as {value}.") for made_up, value in (
        ("slump", "4.25"), ("temperature", "68"), ("tare", "7.8"), ("gross", "43.0"), ("air.reading", "6.2"),
        ("cylinder.set", "1"), ("cylinder.count", "4"))),
)


def hint(state: State) -> str:
    """What the simulated meter's keys do at this step; empty while a yes or no is asked."""
    if state.procedure is None or state.phase in (Phase.CONFIRM, Phase.SCRAP, Phase.OVER, Phase.OVERRIDE):
        return ""
    if state.corrected:
        return ""  # the gauge has gone on: what it showed then is not there to be keyed
    return next((words for start, words in _HINTS if state.step.id.startswith(start)), "")


def made_ready(meter: Meter, state: State) -> Meter:
    """The meter as it stands at this point of a test: open for a new one; after a restart, worked as far as the
    readings that are taken, since the simulated one lived in the process that died."""
    if state.procedure is None:
        meter.unclamp()
        return meter
    crew = Crew(meter)
    done = state.procedure.steps[:state.corrected[0] if state.corrected else state.index]
    at = state.procedure.steps[len(done)].id
    if not any(step.id == "close" for step in done):
        meter.unclamp()
        if at in ("leak.settle", "leak.initial", "leak.hold", "leak.final"):
            crew.charge(45.2)
        return meter
    for step in done:
        kind, _, place = step.id.partition(".")
        if isinstance(step, Ask) and kind == "equilibrium":
            crew.do_step(float(state.settings.target(int(place[-1]))))
        elif isinstance(step, Tell) and (kind == "letdown" or step.id == "finish.letdown"):
            meter.petcocks(True)
            meter.advance(15.0)
        elif isinstance(step, Tell) and kind == "flood":
            meter.flood()
            meter.petcocks(not place.endswith(".3"))
    if at.startswith("equilibrium."):
        crew.do_step(float(state.settings.target(int(at[-1]))))
        meter.lever(True)
    elif at.startswith(("settle.", "charge.", "tap.", "rest.")):
        crew.charge(float(state.settings.target(int(at[-1]))))
    return meter
